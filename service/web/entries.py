"""From marshmallow's errors to one entry per bad field: pointer, value, what is allowed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from marshmallow import Schema, fields

from service.web import texts
from service.web.fields import Choice, Count, Either, Part, Parts, Quantity
from service.web.problem import MOST_ENTRIES, at, brief, pointer

LONGEST_STEP = 80  # characters of a field name that are repeated
LONGEST_ALLOWED = 1500
Path = tuple[str | int, ...]
SCHEMA = "_schema"  # marshmallow's key for an object as a whole; a caller may send a field so named
Leaf = tuple[Path, str, "fields.Field[Any] | Schema | None"]


def entries(schema: Schema, messages: Any, body: Any) -> list[dict[str, Any]]:
    """One entry per bad field of ``body``; at most ``MOST_ENTRIES``."""
    system = body.get("units") if isinstance(body, dict) else None
    named = system if system in ("metric", "inch") else "metric"
    found = []
    for path, code, where in _leaves(schema, messages, body, ()):
        found.append(_entry(path, code, where, body, named))
        if len(found) == MOST_ENTRIES:
            break
    return found


def _entry(
    path: Path, code: str, where: fields.Field[Any] | Schema | None, body: Any, system: str
) -> dict[str, Any]:
    found = at(body, path)
    value = brief(found)
    allowed = _shortened(_allowed(where, system), LONGEST_ALLOWED)
    parts = {
        "value": f'"{value}"' if isinstance(found, str) else _plain(value, where),
        "allowed": _to_send(allowed, code, where),
        "name": _name(path),
    }
    return {
        "pointer": pointer(_short_steps(path)),
        "code": code,
        "detail": texts.fill(texts.text("fields", _told(code, where)), parts, system),
        "value": value,
        "allowed": allowed,
    }


def _told(code: str, where: object) -> str:
    """The code of the text: a required field cannot be left out instead of null."""
    needed = isinstance(where, fields.Field) and where.required
    return "null_where_required" if code == "null_not_allowed" and needed else code


def _to_send(allowed: str, code: str, where: object) -> str:
    """What is allowed, as it stands in a sentence: one of the words, not all of them."""
    if not isinstance(where, Choice) or code == "not_a_choice":  # whose text says it itself
        return allowed
    return texts.text("allowed", "choice").format(words=allowed)


def _plain(value: object, where: object) -> str:
    """A value that is no string, as JSON; a number of a numeric field as the language writes it."""
    if isinstance(value, str):
        return value
    written = json.dumps(value)
    is_number = isinstance(value, float) and isinstance(where, Quantity | Count)
    return texts.decimal(written, texts.language()) if is_number else written


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def _name(path: Path) -> str:
    """The field for the text: its name, or ``bends[2]`` for an item of an array."""
    if not path:
        return texts.text("words", "body")
    if isinstance(path[-1], int):
        return f"{_name(path[:-1])}[{path[-1]}]"
    return _shortened(path[-1], LONGEST_STEP)


def _short_steps(path: Path) -> Path:
    """The path up to a name too long to repeat: only an unknown field can have one."""
    if path and isinstance(path[-1], str) and len(path[-1]) > LONGEST_STEP:
        return path[:-1]
    return path


def _leaves(owner: Any, messages: Any, body: Any, path: Path) -> Iterator[Leaf]:
    if isinstance(messages, dict):
        for key, inner in messages.items():
            if key == SCHEMA and "unknown_field" not in inner:
                yield from _leaves(owner, inner, body, path)
            else:
                yield from _leaves(_below(owner, key, body), inner, _step(body, key), (*path, key))
    else:
        for message in messages if isinstance(messages, list) else [messages]:
            yield path, str(message), owner


def _step(body: Any, key: str | int) -> Any:
    return at(body, (key,))


def _below(owner: Any, key: str | int, body: Any) -> Any:
    """The schema or field that describes ``body[key]``."""
    if isinstance(owner, Part):
        owner = owner.schema
    if isinstance(owner, Either):
        owner = owner.shape_of(body)
    if isinstance(owner, Parts):
        return owner.inner
    if isinstance(owner, Schema):
        return owner.fields.get(str(key), owner)
    return None


def _allowed(where: Any, system: str) -> str:
    if isinstance(where, Part):
        where = where.schema
    if isinstance(where, Schema):
        return texts.text("allowed", "object").format(members=", ".join(where.fields))
    return str(where.allowed(system)) if hasattr(where, "allowed") else ""
