"""Every refusal as an RFC 9457 problem document, made in this one place."""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from service.errors import CalculationError, Value
from service.web import telemetry, texts
from service.web.versions import version_headers

MEDIA_TYPE = "application/problem+json"
MOST_ENTRIES = 100
log = logging.getLogger("service")

HTTP_CODES = {404: "no_such_path", 405: "method_not_allowed", 413: "body_too_large"}
KEPT_HEADERS = frozenset({"Allow", "Retry-After", "Location"})


class ProblemError(Exception):
    """A refusal made at the edge: status, code of its text, values, and entries per bad field."""

    def __init__(
        self,
        status: int,
        code: str,
        values: Mapping[str, Value] | None = None,
        entries: Sequence[Mapping[str, Any]] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(code)
        self.status = status
        self.code = code
        self.values = dict(values or {})
        self.entries = entries
        self.headers = dict(headers or {})


def pointer(parts: Iterable[str | int]) -> str:
    """JSON pointer (RFC 6901) of the parts."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


def at(body: object, parts: Iterable[str | int]) -> object:
    """The value in ``body`` to which the pointer parts lead; None where they lead nowhere."""
    for part in parts:
        if isinstance(body, dict) and part in body:
            body = body[part]
        elif isinstance(body, list) and isinstance(part, int) and part < len(body):
            body = body[part]
        else:
            return None
    return body


def brief(value: object) -> object:
    """The value as it came, or a short description of it when it is long."""
    if isinstance(value, dict):
        return texts.told_briefly("object", len(value))
    if isinstance(value, list):
        return texts.told_briefly("array", len(value))
    if isinstance(value, str) and len(value) > 80:
        return value[:77] + "..."
    if isinstance(value, int) and abs(value) > 2**53:
        return texts.told_briefly("integer", len(str(abs(value))))
    if isinstance(value, float) and not math.isfinite(value):  # what 1e999 is read as
        return texts.told_briefly("number")
    return value


def respond(
    status: int,
    detail: str,
    entries: Sequence[Mapping[str, Any]] = (),
    headers: Mapping[str, str] | None = None,
    code: str = "",
) -> Response:
    """The problem document as a response."""
    telemetry.count_refusal(code or str(status))
    document: dict[str, Any] = {
        "type": f"urn:problem:tube-bending:{code.replace('_', '-')}" if code else "about:blank",
        "title": title(status),
        "status": status,
        "detail": detail,
    }
    if entries:
        document["errors"] = list(entries[:MOST_ENTRIES])
    # ensure_ascii: a value echoed from the request can hold characters that UTF-8 cannot
    response = Response(json.dumps(document), status=status, content_type=MEDIA_TYPE)
    response.headers.update({**version_headers(), **(headers or {})})
    return texts.label(response)


def title(status: int, spoken: str | None = None) -> str:
    """The title of a refusal with this status."""
    known = texts.catalogue(spoken or texts.language())["titles"]
    return str(known.get(str(status), known["422"]))


def from_calculation(error: CalculationError, body: Any, system: str) -> Response:
    """422 with the one field that the calculation refused."""
    found = entry(error, body, system)
    return respond(422, found["detail"], [found], code=error.code)


def _as_sent(field: tuple[str | int, ...], body: Any) -> tuple[str | int, ...]:
    """Where the caller finds what a calculation refused at a bend of a run sent as vertices."""
    match field:
        case ("run", "bends", int(index), *below) if at(body, ("run", "vertices")) is not None:
            vertex = ("run", "vertices", index + 1)
            own = below == ["radius"] and at(body, (*vertex, "radius")) is not None
            if own:
                return (*vertex, "radius")
            return ("run", "radius") if below == ["radius"] else vertex
        case _:
            return field


def entry(error: CalculationError, body: Any, system: str) -> dict[str, Any]:
    """What the calculation refused, as one entry."""
    where = _as_sent(error.field, body)
    return {
        "pointer": pointer(where),
        "code": error.code,
        "detail": texts.fill(texts.text("errors", error.code), error.values, system),
        "value": brief(at(body, where)),
    }


def from_http(error: HTTPException) -> Response:
    """What routing and reading refuse: an unknown path, a method, a body too large."""
    headers = {k: v for k, v in error.get_response().headers if k in KEPT_HEADERS}
    status = error.code or 500
    if status < 400:
        return Response(status=status, headers=headers)
    code = HTTP_CODES.get(status, "")
    detail = _http_detail(code, headers) if code else str(error.description)
    return respond(status, detail, (), headers, code)


def _http_detail(code: str, headers: Mapping[str, str]) -> str:
    values = {
        "method": request.method[:20],
        "path": request.path[:200],
        "allow": headers.get("Allow", ""),
        "limit": request.max_content_length,
    }
    return texts.fill(texts.text("errors", code), values, "metric")


def install(app: Flask) -> None:
    """Register the handlers that turn every exception into a problem document."""
    # a path is written one way only: no redirect from //v1 to /v1, which would drop the body
    app.url_map.merge_slashes = False

    @app.errorhandler(ProblemError)
    def _refused(error: ProblemError) -> Response:
        detail = texts.fill(texts.text("errors", error.code), error.values, "metric")
        return respond(error.status, detail, error.entries, error.headers, error.code)

    app.register_error_handler(HTTPException, from_http)

    @app.errorhandler(Exception)
    def _fault(error: Exception) -> Response:
        log.error("fault in the service", exc_info=error)
        return respond(500, texts.text("errors", "fault"), code="fault")
