"""The specification: settings, problem responses, and the parts apispec cannot see by itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from apispec.ext.marshmallow.openapi import OpenAPIConverter
from flask import Flask, Response
from flask_smorest import Api
from marshmallow import Schema, fields
from werkzeug.exceptions import HTTPException

from service import __version__
from service.web.fields import Either
from service.web.problem import MEDIA_TYPE, from_http, title
from service.web.spec_guard import LIMITED, ORIGIN, REFUSED, GuardPlugin, references
from service.web.versions import VERSION_HEADERS

CAUTION = (
    "Tube under pressure, pinch points and springing tube can injure. Every answer is a "
    "calculation, not a release of a line: check it against local codes and have the work done "
    "and inspected by people licensed for it."
)
DESCRIPTION = (
    "Calculations for rotary-draw tube bending at the bench: cut lengths, marks, mandrel, "
    "capacity and geometry. Stateless: the same body gives the same bytes. Texts for people come "
    "in English or, by Accept-Language, in German; titles of methods and sources are English. "
    + CAUTION
)
STATUSES = (400, 401, 403, 404, 405, 406, 413, 414, 415, 422, 429, 500)

PROBLEM = {
    "type": "object",
    "description": "RFC 9457 problem document.",
    "properties": {
        "type": {
            "type": "string",
            "format": "uri-reference",
            "maxLength": 200,
            "description": "Kind of problem",
        },
        "title": {
            "type": "string",
            "maxLength": 200,
            "pattern": ".*",
            "description": "Short title",
        },
        "status": {
            "type": "integer",
            "format": "int32",
            "minimum": 400,
            "maximum": 599,
            "description": "HTTP status",
        },
        "detail": {
            "type": "string",
            "maxLength": 4000,
            "pattern": "[\\s\\S]*",
            "description": "What to do",
        },
        "errors": {
            "type": "array",
            "maxItems": 100,
            "description": "One entry per bad field",
            "items": {"$ref": "#/components/schemas/ProblemEntry"},
        },
    },
    "required": ["type", "title", "status", "detail"],
    "additionalProperties": False,
}
ENTRY = {
    "type": "object",
    "description": "One bad field.",
    "properties": {
        "pointer": {
            "type": "string",
            "maxLength": 2000,
            "pattern": "^(/|$)",
            "description": "JSON pointer",
        },
        "code": {
            "type": "string",
            "maxLength": 64,
            "pattern": "^[a-z0-9_]+$",
            "description": "Stable code",
        },
        "detail": {
            "type": "string",
            "maxLength": 4000,
            "pattern": "[\\s\\S]*",
            "description": "What is wrong",
        },
        "value": {
            "type": ["string", "number", "boolean", "null"],
            "maxLength": 200,
            "pattern": "[\\s\\S]*",
            "description": "The value refused, shortened when long; null where there is none",
        },
        "allowed": {
            "type": "string",
            "maxLength": 4000,
            "pattern": "[\\s\\S]*",
            "description": "What is allowed",
        },
    },
    "required": ["pointer", "code", "detail"],
    "additionalProperties": False,
}
ALLOW = {
    "description": "Methods that this path takes",
    "required": True,
    "schema": {"type": "string", "maxLength": 100, "pattern": "^[A-Z]+(, [A-Z]+)*$"},
}


def settings() -> dict[str, Any]:
    """flask-smorest's settings."""
    return {
        "API_TITLE": "Tube bending calculations",
        "API_VERSION": __version__,
        "OPENAPI_VERSION": "3.1.0",
        "OPENAPI_URL_PREFIX": None,
        "API_SPEC_OPTIONS": {
            "info": {
                "description": DESCRIPTION,
                "license": {"name": "MIT", "identifier": "MIT"},
                "contact": {"name": "The maintainers", "url": "https://example.org/tube-bending"},
            },
            "servers": [
                {
                    "url": "/",
                    "description": "The host that serves this document, in production as on trial",
                    "x-internal": False,
                }
            ],
        },
    }


class ServiceApi(Api):  # type: ignore[misc]  # flask-smorest ships no types
    """flask-smorest's Api with our problem documents: its own handler drops ``Allow``."""

    def handle_http_exception(self, error: HTTPException) -> Response:
        """Answer in the one way all refusals are answered."""
        return from_http(error)


def build(app: Flask) -> Api:
    """The Api of ``app`` with shared components; blueprints are registered by the caller."""
    api = ServiceApi(app, spec_kwargs={"extra_plugins": [GuardPlugin()]})
    api.DEFAULT_ERROR_RESPONSE_NAME = None
    api.ma_plugin.converter.add_attribute_function(_either)
    components = api.spec.components
    # flask-smorest's own error and paging documents, which this service never sends
    components.schemas.clear()
    components.schema("Problem", PROBLEM)
    components.schema("ProblemEntry", ENTRY)
    for status in STATUSES:
        # lazy: a status that no operation answers with stays out of the document
        components.response(f"Problem{status}", _problem_response(status), lazy=True)
    return api


def _problem_response(status: int) -> dict[str, Any]:
    headers = {**references((*LIMITED, *ORIGIN)), **VERSION_HEADERS}
    if status == 405:
        headers["Allow"] = ALLOW
    if status == 429:
        headers |= references(REFUSED)
    return {
        "description": title(status, "en"),
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        "headers": headers,
    }


def _either(self: OpenAPIConverter, field: fields.Field[Any], **_: Any) -> dict[str, Any]:
    if not isinstance(field, Either):
        return {}
    resolve: Callable[[Schema], Any] = self.resolve_nested_schema
    shapes = [resolve(shape) for shape in field.shapes.values()]
    if field.names is not None:
        shapes.insert(0, {"type": "string", "enum": sorted(field.names())})
    return {"oneOf": shapes} if len(shapes) > 1 else dict(shapes[0])
