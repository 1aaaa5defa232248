"""The decorator that makes a look-up a GET endpoint, and what every GET endpoint shares.

A representation is made once per unit system and kept as bytes; its strong ETag is a digest of
these bytes, so that a client that has it gets 304 without a body (RFC 9110, 13.1.2).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import wraps
from types import SimpleNamespace
from typing import Any

import orjson
from flask import Response, current_app, request
from marshmallow import Schema

from service.model import Shop, Source
from service.web import problem, texts, units
from service.web.answer import KEBAB_PATTERN, VersionNote, catalogue, cautions
from service.web.fields import Choice, Count, Part, Parts, Text
from service.web.operation import ServiceBlueprint, problems
from service.web.schema import StrictSchema, outward

JSON = "application/json"
View = Callable[[], Response]
# Data and profile change only when the service is started anew; a bench terminal may be that late.
MAX_AGE = 300
NOTE_PATTERN = r"^[^\x00-\x1f\x7f-\x9f\ufffe\uffff]*$"
# An inch size held in mm comes back as 0.035000000000000003: conversion leaves the 16th digit.
DIGITS = 12


class ListedSource(StrictSchema):
    """Where values or formulas come from, and how far they can be trusted."""

    id = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)
    title = Text("Title", most=300, pattern=NOTE_PATTERN, required=True)
    author = Text("Author or publisher", most=300, pattern=NOTE_PATTERN, required=True)
    year = Count(
        "Year of the edition meant; null where no one edition is meant",
        least=1700,
        most=2200,
        allow_none=True,
        required=True,
    )
    trust = Text(
        "How far it can be trusted: verified, restated, derived, memory, common practice, invented",
        required=True,
    )
    note = Text(
        "What was read, and what it leaves out", most=1000, pattern=NOTE_PATTERN, required=True
    )


def source_field() -> Text:
    """The id of the source of a thing that is listed."""
    return Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)


def shop_fields(sent_as: str) -> tuple[Text, Text, Text]:
    """The fields `id`, `name` and `note` of a thing of the shop profile."""
    return (
        Text(f"Id to send as {sent_as}", pattern=KEBAB_PATTERN, most=64, required=True),
        Text("Name", most=120, pattern=NOTE_PATTERN, required=True),
        Text("Remarks", most=2000, pattern=NOTE_PATTERN, required=True),
    )


@dataclass(frozen=True, slots=True)
class Listing:
    """What a look-up found: dataclasses or the like in internal units, their sources, cautions."""

    items: Iterable[Any]
    sources: Iterable[Source]
    cautions: tuple[str, ...] = ()


def shop_listing(
    shop: Shop, sources: Mapping[str, Source], rows: Iterable[SimpleNamespace]
) -> Listing:
    """Things of a shop profile, made with ``beside``; their source is that of the profile."""
    listed = list(rows)
    for row in listed:
        row.source = shop.source
    caution = "invented_shop" if shop.invented else "as_the_shop_states"
    return Listing(listed, [sources[shop.source]], (caution,))


def named_sources(sources: Mapping[str, Source], names: Iterable[str]) -> list[Source]:
    """The sources of these ids, each once."""
    return [sources[name] for name in dict.fromkeys(names)]


UNITS_PARAMETER: Mapping[str, Any] = {
    "in": "query",
    "name": "units",
    "description": "Unit system of every number; metric when left out.",
    "required": False,
    "schema": {"type": "string", "enum": ["metric", "inch"], "default": "metric"},
}
VALIDATORS: Mapping[str, Any] = {
    "ETag": {
        "description": "Strong validator: a digest of the body. Send it back in If-None-Match.",
        "schema": {"type": "string", "pattern": '^"[0-9a-f]{32}"$', "maxLength": 34},
    },
    "Cache-Control": {
        "description": "How long a client may use the answer without asking again.",
        "schema": {"type": "string", "pattern": "^[a-z0-9=, -]+$", "maxLength": 80},
    },
}
NOT_MODIFIED: Mapping[str, Any] = {
    "description": "If-None-Match names what the client has already: a list of entity tags, weak "
    "ones included, or *. No body.",
    "headers": VALIDATORS,
}


def reading(
    blp: ServiceBlueprint,
    path: str,
    *,
    operation_id: str,
    answer: type[Schema] | Mapping[str, Any],
    example: Any,
    media_type: str = JSON,
    parameters: Sequence[Mapping[str, Any]] = (),
    validated: bool = True,
    responses: Mapping[str, Any] | None = None,
) -> Callable[[View], View]:
    """Make a function without arguments a GET operation of the specification.

    Refuses what the caller cannot take (406) and any query parameter that is not declared (422).

    Arguments:
        answer: schema of the body, marshmallow's or JSON Schema
        parameters: query parameters as the specification declares them, each with an enumeration
        validated: whether the answer carries an ETag and may be answered 304
        responses: further responses by status
    """
    others: dict[str, Any] = {**problems(405, 406, 422, 500), **(responses or {})}
    if validated:
        others["304"] = NOT_MODIFIED

    def decorate(function: View) -> View:
        @wraps(function)
        def view() -> Response:
            require_media_type(media_type)
            read_query(parameters)
            return function()

        documented = blp.doc(
            operationId=operation_id, parameters=list(parameters), responses=others
        )(view)
        answering = blp.response(
            200,
            answer,
            content_type=media_type,
            description="Found.",
            example=example,
            headers=VALIDATORS if validated else None,
        )(documented)
        made: View = blp.route(path, methods=["GET"])(answering)
        return made

    return decorate


def lookup(
    blp: ServiceBlueprint,
    path: str,
    *,
    name: str,
    item: type[Schema],
    example: Mapping[str, Any],
    most: int = 2000,
    measured: bool = True,
) -> Callable[[Callable[[], Listing]], View]:
    """Make a function that lists things a GET endpoint with validators.

    Arguments:
        path: below ``/v1``, kebab case; in snake case also the member of the result
        name: plural, stem of the schema names and of the operationId
        item: schema of one thing listed
        example: an answer shortened to a few items; a test holds it against the real one
        most: largest number of items
        measured: whether there are quantities, and so a query parameter ``units``
    """
    member = path.strip("/").replace("-", "_")

    def decorate(function: Callable[[], Listing]) -> View:
        @reading(
            blp,
            path,
            operation_id=f"list{name}",
            answer=_answer_schema(name, member, item, most, measured),
            example=example,
            parameters=[UNITS_PARAMETER] if measured else [],
        )
        @wraps(function)
        def view() -> Response:
            system = request.args.get("units", "metric") if measured else None
            key = f"{name} {system} {texts.language()}"
            page = kept(key, lambda: _page(function(), member, item, system))
            return texts.label(conditional(page, JSON))

        return view

    return decorate


def _answer_schema(
    name: str, member: str, item: type[Schema], most: int, measured: bool
) -> type[Schema]:
    system = Choice("Unit system of every number", ("metric", "inch"), required=True)
    result: dict[str, Any] = {
        member: Parts(item, "What there is", most=most, required=True),
        "__doc__": f"The {member.replace('_', ' ')}.",
    }
    members: dict[str, Any] = {
        **({"units": system} if measured else {}),
        "result": Part(type(f"{name}Result", (StrictSchema,), result), required=True),
        "sources": Parts(ListedSource, "Sources that the result names", most=500, required=True),
        "cautions": Parts(
            Text("Caution", most=600, pattern=NOTE_PATTERN), "Read first", most=30, required=True
        ),
        "version": Part(VersionNote, required=True),
        "__doc__": f"Answer with {member.replace('_', ' ')}.",
    }
    return type(f"{name}Answer", (StrictSchema,), members)


def _page(found: Listing, member: str, item: type[Schema], system: str | None) -> bytes:
    factors = units.FACTORS[system or "metric"]
    convert, source = outward(item), outward(ListedSource)
    return orjson.dumps(
        {
            **({"units": system} if system else {}),
            "result": {member: [_shown(convert(each, factors)) for each in found.items]},
            "sources": [source(each, factors) for each in found.sources],
            "cautions": cautions(found.cautions),
            "version": catalogue().version,
        }
    )


def _shown(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    if isinstance(value, dict):
        return {name: _shown(member) for name, member in value.items()}
    return [_shown(entry) for entry in value] if isinstance(value, list) else value


def beside(thing: Any, **more: Any) -> SimpleNamespace:
    """The fields of a dataclass, with further ones beside them, for an item of a listing."""
    return SimpleNamespace(**{f.name: getattr(thing, f.name) for f in fields(thing)}, **more)


def kept(key: str, make: Callable[[], bytes]) -> bytes:
    """The bytes that ``make`` gave for this key of the running app; made at the first request."""
    store: dict[str, bytes] = current_app.extensions.setdefault("representations", {})
    if key not in store:
        store[key] = make()
    return store[key]


def conditional(
    body: bytes, content_type: str, headers: Mapping[str, str] | None = None
) -> Response:
    """The body with ETag and Cache-Control, or 304 where If-None-Match names it.

    Comparison is weak, as RFC 9110 (13.1.2) asks for If-None-Match: ``W/"x"`` matches ``"x"``.
    """
    tag = hashlib.sha256(body).hexdigest()[:32]
    # any list of tags, and * for whatever there is
    known = request.if_none_match.contains_weak(tag)
    response = (
        Response(status=304) if known else Response(body, status=200, content_type=content_type)
    )
    response.set_etag(tag)
    response.headers["Cache-Control"] = f"max-age={MAX_AGE}"
    response.headers.update(headers or {})
    return response


def require_media_type(offered: str) -> None:
    """Refuse with 406 a caller that does not take the one media type there is."""
    accepted = request.headers.get("Accept")
    if accepted in (None, "*/*", offered):
        return
    if not request.accept_mimetypes.best_match([offered]):
        raise problem.ProblemError(
            406, "only_one_type", {"type": offered, "accept": str(accepted)[:80]}
        )


def read_query(parameters: Sequence[Mapping[str, Any]]) -> None:
    """Check the query parameters that were sent; strict, as the bodies are.

    Arguments:
        parameters: those that exist, as the specification declares them, each with an enumeration

    Raises:
        ProblemError: 422 with an entry for each one that is unknown, given twice or out of range
    """
    known = {each["name"]: each["schema"]["enum"] for each in parameters}
    refused: list[dict[str, Any]] = []
    for name, values in request.args.lists():
        if name not in known:
            refused.append(_entry("unknown_query_parameter", name, values[0], known))
        elif len(values) > 1:
            refused.append(_entry("query_parameter_repeated", name, values, ["one value"]))
        elif values[0] not in known[name]:
            refused.append(_entry("not_a_choice", name, values[0], known[name]))
    if refused:
        raise problem.ProblemError(422, "invalid_query", {"count": len(refused)}, refused)


def _entry(code: str, name: str, value: object, allowed: Iterable[str]) -> dict[str, Any]:
    shown, permitted = problem.brief(value), ", ".join(allowed) or "none"
    parts = {"name": str(problem.brief(name)), "value": f'"{shown}"', "allowed": permitted}
    return {
        "pointer": problem.pointer([str(problem.brief(name))]),
        "code": code,
        "detail": texts.fill(texts.text("fields", code), parts, "metric"),
        "value": shown,
        "allowed": permitted,
    }


__all__ = [
    "JSON",
    "NOTE_PATTERN",
    "Listing",
    "beside",
    "conditional",
    "kept",
    "lookup",
    "named_sources",
    "reading",
    "shop_fields",
    "shop_listing",
    "source_field",
]
