"""Reading a JSON body strictly: RFC 8259, UTF-8, no duplicate keys, no NaN, bounded."""

from __future__ import annotations

import codecs
import json
from typing import Any, NoReturn

import orjson
from flask import Request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

from service.web.problem import ProblemError

MEDIA_TYPE = "application/json"
LARGEST_BODY = 1_000_000  # bytes; a run of 500 bends needs about 50 kB


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    body = dict(pairs)
    if len(body) != len(pairs):
        seen: set[str] = set()
        twice = next(name for name, _ in pairs if name in seen or seen.add(name))  # type: ignore[func-returns-value]
        raise ProblemError(400, "duplicate_key", {"name": twice[:80]})
    return body


def _not_finite(word: str) -> NoReturn:
    raise ProblemError(400, "not_finite", {"word": word})


class Twice(dict[str, Any]):
    """An object in which a key stands twice: ``name`` says which."""

    name = ""


def _marked(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    try:
        return _unique(pairs)
    except ProblemError as error:
        made = Twice(pairs)
        made.name = str(error.values["name"])
        return made


_decoder = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_not_finite)
_marking = json.JSONDecoder(object_pairs_hook=_marked, parse_constant=_not_finite)


def read_json(request: Request) -> Any:
    """The body of ``request`` as Python objects.

    Raises:
        ProblemError: 415 for another media type, charset or encoding, 400 for an empty or
            malformed body, duplicate keys, NaN or infinities, lone surrogates
        RequestEntityTooLarge: a body past the limit
    """
    check_headers(request)
    return decode_json(read_all(request))


def read_all(request: Request) -> bytes:
    """The bytes of the body.

    Raises:
        RequestEntityTooLarge: past ``request.max_content_length``
        ProblemError: 400 where it ends before its announced length, or its chunks are malformed
    """
    try:
        raw = request.get_data()
    except HTTPException:
        raise
    except Exception:  # each server has errors of its own for what it cannot take apart
        raise ProblemError(400, "body_cut_off") from None
    announced = request.environ.get("CONTENT_LENGTH")
    if announced:
        if announced.isdecimal() and len(raw) < int(announced):
            raise ProblemError(400, "body_cut_off")
        return raw
    most = request.max_content_length
    # a chunked body has no length to be refused by: werkzeug cuts it at the limit and says nothing
    if most is not None and len(raw) >= most and request.content_length is None:
        raise RequestEntityTooLarge
    return raw


def check_headers(request: Request, *also: str) -> None:
    """Refuse with 415 a body that is neither JSON nor of the media types ``also``, or encoded."""
    if request.content_type != MEDIA_TYPE:
        _check_media_type(request, MEDIA_TYPE, *also)
    if "HTTP_CONTENT_ENCODING" in request.environ:
        _check_encoding(request.environ["HTTP_CONTENT_ENCODING"], "identity")
    if "HTTP_TRANSFER_ENCODING" in request.environ:
        _check_encoding(request.environ["HTTP_TRANSFER_ENCODING"], "chunked")


def _check_media_type(request: Request, *accepted: str) -> None:
    headers = {"Accept": ", ".join(accepted)}
    if request.mimetype not in accepted:
        kind = request.mimetype[:80] or "none"
        raise ProblemError(415, "not_json_type", {"type": kind}, headers=headers)
    charset = request.mimetype_params.get("charset", "utf-8")
    if charset.lower() != "utf-8":
        values = {"charset": charset[:40]}
        raise ProblemError(415, "not_utf8_charset", values, headers=headers)


def _check_encoding(encoding: str, plain: str) -> None:
    if encoding.strip().lower() != plain:
        values = {"encoding": encoding[:40] or "none"}
        headers = {"Accept-Encoding": "identity"}
        raise ProblemError(415, "encoded_body", values, headers=headers)


def decode_quickly(raw: bytes) -> Any:
    """Decode a large body at a third of the cost of ``decode_json``.

    The quick decoder keeps the last of two equal keys: hand the number of members that the caller
    has seen to ``refuse_twice`` before the answer leaves.
    """
    try:
        return orjson.loads(raw)
    except orjson.JSONDecodeError:
        return decode_json(raw)


def refuse_twice(raw: bytes, keys: int) -> None:
    """Refuse a key that stands twice in an object of ``raw``.

    Every member of an object has a colon, so a body with no colon in its strings has as many
    colons as ``count_keys`` finds members; any other body is decoded again by the strict decoder.
    """
    if raw.count(b":") != keys:
        decode_json(raw)


def decode_marked(raw: bytes) -> Any:
    """Decode as ``decode_json`` does, but for objects with a key twice, which are ``Twice``."""
    return decode_json(raw, _marking)


def refuse_marked(value: Any) -> None:
    """Refuse as ``decode_json`` does a key that stands twice in an object within ``value``."""
    rest = [value]
    while rest:
        value = rest.pop()
        if type(value) is Twice:
            raise ProblemError(400, "duplicate_key", {"name": value.name})
        if isinstance(value, dict | list):
            rest += value.values() if isinstance(value, dict) else value


def count_keys(body: Any) -> int:
    """How many members all objects in ``body`` have."""
    keys, rest = 0, [body]
    while rest:
        value = rest.pop()
        if type(value) is dict:
            keys += len(value)
            rest += [v for v in value.values() if type(v) is dict or type(v) is list]
        elif type(value) is list:
            rest += [v for v in value if type(v) is dict or type(v) is list]
    return keys


def decode_json(raw: bytes, decoder: json.JSONDecoder = _decoder) -> Any:
    """Decode the bytes of a JSON body; raises ProblemError 400 as ``read_json`` does."""
    if not raw.strip():
        raise ProblemError(400, "empty_body")
    if raw.startswith(codecs.BOM_UTF8):
        raise ProblemError(400, "byte_order_mark")
    try:
        text = raw.decode("utf-8")
        body = decoder.decode(text)
    except UnicodeDecodeError as error:
        raise ProblemError(400, "not_utf8", {"position": error.start}) from None
    except RecursionError:
        raise ProblemError(400, "nested_too_deep") from None
    except json.JSONDecodeError as error:
        raise ProblemError(
            400, "malformed_json", {"why": error.msg, "line": error.lineno, "column": error.colno}
        ) from None
    except ValueError:  # the interpreter's own limit on the digits of an integer
        raise ProblemError(400, "too_many_digits") from None
    if "\\ud" in text.lower():
        _refuse_lone_surrogates(body)
    return body


def _refuse_lone_surrogates(body: Any) -> None:
    try:
        json.dumps(body, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        raise ProblemError(400, "lone_surrogate") from None
    except RecursionError:  # writing takes a little more of the stack than reading did
        raise ProblemError(400, "nested_too_deep") from None
