"""The one decorator that makes a calculation an endpoint, and the one that makes a look-up."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from typing import Any

from flask import Response, request
from flask.globals import request_ctx
from flask_smorest import Blueprint
from marshmallow import Schema, ValidationError

from service.errors import CalculationError
from service.web import problem, texts
from service.web.answer import VERSION_HEADERS, answer_schema, respond, version_headers
from service.web.body import read_json
from service.web.entries import entries
from service.web.retirement import announced
from service.web.schema import RequestSchema
from service.web.time_limit import within_limit

Ask = dict[str, Any]
DEFAULT_CAUTIONS = ("pressure", "pinch_and_spring", "local_codes")
JSON = "application/json"
JSON_TYPES = (JSON, "application/*", "*/*")
# From a converted body and its result to a drawing; chosen by Accept.
Picture = Callable[[Ask, Any], str]
PICTURE_SCHEMA = {
    "type": "string",
    "maxLength": 1_000_000,
    "pattern": r"^<svg [\s\S]*</svg>\s*$",
    "description": "A drawing that stands alone, with title and description",
}


@dataclass(frozen=True, slots=True)
class Page:
    """A representation of a result that is no drawing: how it is made, told and sent.

    Arguments:
        make: from a converted body and its result to the text that is sent
        content_type: with its charset
        headers: sent beside it
        schema: what the specification says of it
    """

    make: Picture
    content_type: str
    headers: Callable[[], Mapping[str, str]]
    schema: Mapping[str, Any]


Pictures = Mapping[str, Picture | Page]


@dataclass(frozen=True, slots=True)
class Calculation:
    """What turns a body that was read into an answer, whichever way the body came.

    Arguments:
        function: from a converted body to a result dataclass
        schema: of the body
        result: schema of the result
        cautions: codes
        drawn: further representations by media type
    """

    function: Callable[[Ask], Any]
    schema: RequestSchema
    result: type[Schema]
    cautions: tuple[str, ...]
    drawn: Pictures

    def answer(self, sent: Any, kind: str) -> Response:
        """The answer to a body, as the media type ``kind``."""
        body = loaded(self.schema, sent)
        try:
            computed = within_limit(self.function, body)
        except CalculationError as error:
            return problem.from_calculation(error, sent, body["units"])
        if kind in self.drawn:
            return within_limit(represented, self.drawn[kind], body, computed, kind)
        answered = respond(body["units"], self.result, computed, self.cautions)
        if self.drawn:
            answered.vary.add("Accept")
        return answered


class ServiceBlueprint(Blueprint):
    """flask-smorest's blueprint, with operations that announce that they go."""

    def route(self, rule: str, **options: Any) -> Callable[[Any], Any]:
        """Register a view; see ``service.web.retirement``."""
        register = super().route(rule, **options)

        def decorate(view: Any) -> Any:
            view, said = announced(view)
            return register(self.doc(**said)(view) if said else view)

        return decorate


def blueprint(name: str, description: str) -> ServiceBlueprint:
    """A blueprint below ``/v1`` whose name is the tag of its operations."""
    return ServiceBlueprint(name, name, url_prefix="/v1", description=description)


def problems(*statuses: int) -> dict[str, str]:
    """References to the shared problem responses of the specification."""
    return {str(status): f"Problem{status}" for status in statuses}


def calculation(
    blp: ServiceBlueprint,
    path: str,
    *,
    name: str,
    ask: type[RequestSchema],
    result: type[Schema],
    example: Mapping[str, Any],
    cautions: tuple[str, ...] = DEFAULT_CAUTIONS,
    pictures: Pictures | None = None,
) -> Callable[[Callable[[Ask], Any]], Callable[[], Response]]:
    """Make a function from a converted body to a result dataclass a POST endpoint.

    Arguments:
        path: below ``/v1``, kebab case
        name: stem of the schema names and, in camel case, the operationId
        example: a body that really runs; a test posts it
        pictures: drawings and pages of the result by media type, sent to a caller whose Accept
            prefers them
    """
    answer = answer_schema(name, result)
    operation_id = name[0].lower() + name[1:]
    drawn = pictures or {}
    responses: dict[str, Any] = {**problems(400, 405, 406, 413, 415, 422, 500)}
    if drawn:
        responses["200"] = {
            "description": "Computed.",
            "content": contents(answer, drawn),
            "headers": dict(VERSION_HEADERS),
        }

    schema = ask()

    def decorate(function: Callable[[Ask], Any]) -> Callable[[], Response]:
        made = Calculation(function, schema, result, cautions, drawn)

        @wraps(function)
        def view() -> Response:
            now = request_ctx.request  # looked up once: each use of the proxy costs a call
            kind = preferred(drawn) if drawn else require_json()
            if now.environ.get("QUERY_STRING"):
                refuse_query()
            return made.answer(read_json(now), kind)

        about = "What to compute; unknown fields are refused."
        documented = blp.doc(operationId=operation_id, responses=responses)(view)
        documented = blp.response(200, answer, description="Computed.")(documented)
        documented = blp.arguments(schema, example=example, description=about)(documented)
        # flask-smorest's decorators write the specification; at run time the bare view is called,
        # since their wrappers would read the body once more and cost as much as the calculation
        view._apidoc = documented._apidoc  # type: ignore[attr-defined]
        blp.route(path, methods=["POST"])(view)
        return view

    return decorate


def contents(answer: type[Schema], drawn: Pictures) -> dict[str, Any]:
    """Media types of an answer with their schemas, for the specification."""
    others = {
        kind: {"schema": dict(one.schema) if isinstance(one, Page) else PICTURE_SCHEMA}
        for kind, one in drawn.items()
    }
    return {JSON: {"schema": answer}, **others}


def loaded(schema: RequestSchema, sent: Any) -> Ask:
    """The body checked and in internal units; refuses with one entry per bad field."""
    try:
        body: Ask = schema.load(sent)
        return body
    except ValidationError as error:
        found = entries(schema, error.messages_dict, sent)
        raise problem.ProblemError(422, "invalid_request", {"count": len(found)}, found) from None


def refuse_query() -> None:
    """Refuse with 422 a query that nothing reads: a misplaced field must not pass in silence."""
    if request.query_string:
        query = request.query_string.decode("ascii", "replace")[:80]
        values = {"path": request.path, "query": query}
        raise problem.ProblemError(422, "unknown_query", values)


def represented(one: Picture | Page, body: Ask, computed: Any, kind: str) -> Response:
    """A drawing or a page as a response.

    A drawing holds no script and no outside file, which a browser is told.
    """
    if isinstance(one, Page):
        response = Response(one.make(body, computed), content_type=one.content_type)
        response.headers.update(one.headers())
    else:
        response = Response(one(body, computed), content_type=kind)
        policy = "default-src 'none'; style-src 'unsafe-inline'"
        response.headers["Content-Security-Policy"] = policy
    response.headers.update(version_headers())
    response.vary.add("Accept")
    return texts.label(response)


def preferred(drawn: Iterable[str]) -> str:
    """JSON or one of the others, as Accept prefers (RFC 9110, 12.5.1); JSON where both are equal.

    Raises:
        ProblemError: 406 where neither is accepted
    """
    accepted = request.environ.get("HTTP_ACCEPT")
    if accepted in (None, "", "*/*", JSON):
        return JSON
    wanted = {kind.partition(";")[0].strip(): q for kind, q in request.accept_mimetypes}
    offered = (JSON, *drawn)
    best = max(offered, key=lambda kind: _quality(kind, wanted))
    if not _quality(best, wanted):
        values = {"accept": str(accepted)[:80], "offered": " or ".join(offered)}
        raise problem.ProblemError(406, "not_acceptable_here", values)
    return best


def _quality(kind: str, wanted: Mapping[str, float]) -> float:
    # the most specific range decides
    ranges = (kind, f"{kind.partition('/')[0]}/*", "*/*")
    return next((wanted[name] for name in ranges if name in wanted), 0.0)


def require_json() -> str:
    """JSON; refuse with 406 a caller that does not take it."""
    accepted = request.environ.get("HTTP_ACCEPT")
    if accepted in (None, "", "*/*", JSON):
        return JSON
    wanted = {kind.partition(";")[0].strip(): q for kind, q in request.accept_mimetypes}
    # the most specific range decides; a charset or profile beside it does not matter for JSON
    if not next((wanted[kind] for kind in JSON_TYPES if kind in wanted), 0):
        raise problem.ProblemError(406, "not_acceptable", {"accept": str(accepted)[:80]})
    return JSON


def raw_operation(
    blp: ServiceBlueprint,
    path: str,
    *,
    operation_id: str,
    answer: type[Schema],
    content: Mapping[str, Any],
    description: str,
    also: Mapping[str, Any] | None = None,
    parameters: Sequence[Mapping[str, Any]] = (),
    answered: str = "Computed; items that were refused say why.",
    headers: Mapping[str, Any] | None = None,
) -> Callable[[Callable[[], Response]], Callable[[], Response]]:
    """Make a function that reads the request itself, for bodies too large for the usual check.

    Arguments:
        content: media types of the body with schema and example, for the specification
        also: media types of the answer beside JSON, with schema
        parameters: of the query, as the specification declares them
        answered: what the specification says of status 200
        headers: of the answer in some media types, as the specification declares them
    """
    body = {"required": True, "description": description, "content": dict(content)}
    responses: dict[str, Any] = {
        **problems(400, 405, 406, 413, 415, 422, 500),
        "200": {
            "description": answered,
            "content": {JSON: {"schema": answer}, **(also or {})},
            "headers": dict(headers or {}),
        },
    }

    def decorate(function: Callable[[], Response]) -> Callable[[], Response]:
        @blp.route(path, methods=["POST"])
        @blp.doc(
            operationId=operation_id,
            requestBody=body,
            responses=responses,
            parameters=list(parameters),
        )
        @wraps(function)
        def view() -> Response:
            return function()

        return view

    return decorate
