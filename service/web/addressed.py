"""A request body in an address: JSON, zlib (RFC 1950), base64url without padding (RFC 4648, 5).

What a browser can do with ``CompressionStream("deflate")`` and ``btoa``. An answer to such a GET
can be bookmarked, sent as a link and kept in a cache. Decompression stops at a bound, so that a
short address cannot fill the memory.
"""

from __future__ import annotations

import base64
import json
import posixpath
import re
import zlib
from collections.abc import Callable, Iterable, Mapping
from functools import wraps
from typing import Any

import orjson
from flask import Response, request

from service.errors import Word
from service.web import problem, texts
from service.web.answer import VERSION_HEADERS, answer_schema
from service.web.body import decode_json
from service.web.lookup import NOT_MODIFIED, VALIDATORS, conditional, read_query
from service.web.operation import (
    Calculation,
    Page,
    ServiceBlueprint,
    contents,
    preferred,
    problems,
    refuse_query,
)
from service.web.problem import ProblemError

NAME = "body"
# A request line of 4094 bytes is what the server takes unless it is set up for more.
LONGEST = 3900
LARGEST_BODY = 100_000  # bytes after decompression
HTML = "text/html"
REFUSED_PATTERN = r"^<!doctype html>[\s\S]*</html>\s*$"
ALPHABET = re.compile(r"[A-Za-z0-9_-]*")


def encoded(raw: bytes) -> str | None:
    """The query value that stands for the bytes of a body; None where it would be too long."""
    if len(raw) > LARGEST_BODY:
        return None
    value = base64.urlsafe_b64encode(zlib.compress(raw)).rstrip(b"=").decode()
    return value if len(value) <= LONGEST else None


def body_sent(fixed: Mapping[str, Any]) -> bytes:
    """The body of the request under way in one form, however it was written.

    It has been checked already. Names are sorted and no space is left, so that the same request
    has the same address.

    Arguments:
        fixed: the body of an operation that takes none
    """
    value = request.args.get(NAME)
    if request.method == "POST":
        body = orjson.loads(request.get_data())
    else:
        body = fixed if value is None else orjson.loads(_decompressed(_unpacked(value)))
    return orjson.dumps(body, option=orjson.OPT_SORT_KEYS)


def decoded(value: str) -> Any:
    """The body that a query value stands for.

    Raises:
        ProblemError: 414 past the limit of its length; 422 for what is no base64url or no zlib, or
            decompresses past its bound; 400 for what is not the JSON that a body must be
    """
    if len(value) > LONGEST:
        raise ProblemError(414, "address_too_long", {"count": len(value), "most": LONGEST})
    return decode_json(_decompressed(_unpacked(value)))


def _unpacked(value: str) -> bytes:
    if ALPHABET.fullmatch(value) is None:
        raise ProblemError(422, "address_not_base64url", {"why": Word("base64url_characters")})
    if len(value) % 4 == 1:  # six bits are no byte
        raise ProblemError(422, "address_not_base64url", {"why": Word("base64url_length")})
    return base64.urlsafe_b64decode(value + "=" * (-len(value) % 4))


def _decompressed(packed: bytes) -> bytes:
    inflate = zlib.decompressobj()
    try:
        raw = inflate.decompress(packed, LARGEST_BODY + 1)
    except zlib.error:
        raise ProblemError(422, "address_not_zlib") from None
    if len(raw) > LARGEST_BODY:
        raise ProblemError(422, "address_body_too_large", {"most": LARGEST_BODY})
    if not inflate.eof or inflate.unused_data:
        raise ProblemError(422, "address_not_zlib")
    return raw


PARAMETER: Mapping[str, Any] = {
    "in": "query",
    "name": NAME,
    "description": "The body that POST takes: JSON, compressed with zlib (RFC 1950), in base64url "
    f"(RFC 4648, 5) without padding; {LONGEST} characters at most, {LARGEST_BODY} bytes once "
    "decompressed.",
    "required": True,
    "schema": {
        "type": "string",
        "minLength": 1,
        "maxLength": LONGEST,
        "pattern": f"^{ALPHABET.pattern}$",
    },
}


def addressed(
    blp: ServiceBlueprint,
    path: str,
    *,
    name: str,
    operation_id: str,
    made: Calculation,
    example: Mapping[str, Any],
    fixed: bool = False,
    refused: Callable[[Mapping[str, Any]], str] | None = None,
) -> Callable[[Callable[[], None]], Callable[[], Response]]:
    """Make a GET operation that answers as the POST of a calculation does, with validators.

    Arguments:
        name: stem of the schema of the answer
        made: the calculation
        example: a body; in the specification as the example of the query value
        fixed: whether the operation always answers for ``example``, and takes no query
        refused: from a problem document to the page for a caller who prefers a page; None where
            every refusal is the document itself

    The function that is decorated gives summary and description, and is not called.
    """
    answer = answer_schema(name, made.result)
    parameters = (
        []
        if fixed
        else [{**PARAMETER, "example": encoded(orjson.dumps(example, option=orjson.OPT_SORT_KEYS))}]
    )
    refusals = (422,) if fixed else (400, 414, 422)
    responses: dict[str, Any] = {
        **problems(405, 406, 500, *refusals),
        **(_told_as_page(refusals) if refused else {}),
        "200": {
            "description": "Computed.",
            "content": contents(answer, made.drawn),
            "headers": {**VALIDATORS, **(VERSION_HEADERS if made.drawn else {})},
        },
        "304": NOT_MODIFIED,
    }

    def decorate(function: Callable[[], None]) -> Callable[[], Response]:
        @wraps(function)
        def view() -> Response:
            kind = preferred(made.drawn)
            try:
                if fixed:
                    refuse_query()
                answered = made.answer(example if fixed else decoded(_query_value()), kind)
            except ProblemError as error:
                detail = texts.fill(texts.text("errors", error.code), error.values, "metric")
                answered = problem.respond(
                    error.status, detail, error.entries, error.headers, error.code
                )
            if answered.status_code == 200:
                return validated(answered)
            answered.vary.add("Accept")
            page = made.drawn.get(kind)
            return _as_page(answered, page, refused) if isinstance(page, Page) else answered

        documented = blp.doc(operationId=operation_id, parameters=parameters, responses=responses)(
            view
        )
        blp.route(path, methods=["GET"])(documented)
        return view

    return decorate


def _told_as_page(statuses: Iterable[int]) -> dict[str, Any]:
    """Refusals that are a problem document or, where the caller prefers one, a page."""
    document = {"schema": {"$ref": "#/components/schemas/Problem"}}
    page = {"schema": {"type": "string", "maxLength": 1_000_000, "pattern": REFUSED_PATTERN}}
    return {
        str(status): {
            "description": problem.title(status, "en"),
            "content": {problem.MEDIA_TYPE: document, HTML: page},
            "headers": dict(VERSION_HEADERS),
        }
        for status in statuses
    }


def _as_page(
    answered: Response, page: Page, refused: Callable[[Mapping[str, Any]], str] | None
) -> Response:
    """A refusal as a page with the same status and headers."""
    if refused is None:
        return answered
    document = json.loads(answered.get_data())
    answered.set_data(refused(document))
    answered.content_type = page.content_type
    answered.headers.update(page.headers())
    return answered


def _query_value() -> str:
    """The one value of the one parameter there is."""
    unknown = [name for name in request.args if name != NAME]
    values = request.args.getlist(NAME)
    if unknown or len(values) > 1:
        read_query([{"name": NAME, "schema": {"enum": values}}])
    if not values or not values[0]:
        raise ProblemError(422, "address_without_body")
    return values[0]


def validated(answered: Response) -> Response:
    """The answer with a strong ETag and how long it keeps; 304 where the caller has it already."""
    body = answered.get_data()
    found = conditional(body, answered.content_type or "", dict(answered.headers))
    if found.status_code == 304:
        for name in ("Content-Type", "Content-Length"):
            found.headers.pop(name, None)
    return found


def link(address: str | None) -> str | None:
    """The address as a link from the page under way, which may stand below a prefix of a proxy."""
    if address is None:
        return None
    path, mark, query = address.partition("?")
    found = posixpath.relpath(path, posixpath.dirname(request.path))
    return (f"../{posixpath.basename(path)}" if found == "." else found) + mark + query


def has_address() -> bool:
    """Whether the answer under way can be had again by its address."""
    return request.method in ("GET", "HEAD")
