"""GET /openapi.json."""

from __future__ import annotations

from typing import Any

import orjson
from flask import Response, current_app

from service.web.lookup import JSON, conditional, kept, reading
from service.web.operation import ServiceBlueprint

blp = ServiceBlueprint("Specification", "Specification", description="What this service offers.")

DOCUMENT: dict[str, Any] = {
    "type": "object",
    "description": "An OpenAPI 3.1 document.",
    "properties": {
        "openapi": {
            "type": "string",
            "description": "Version of OpenAPI",
            "pattern": r"^3\.1\.\d+$",
            "maxLength": 10,
        },
        "info": {"type": "object", "description": "Title, version, licence and cautions"},
        "paths": {"type": "object", "description": "Every operation"},
        "components": {"type": "object", "description": "Schemas and responses shared"},
    },
    "required": ["openapi", "info", "paths", "components"],
}
EXAMPLE: dict[str, Any] = {
    "openapi": "3.1.0",
    "info": {"title": "Tube bending calculations", "version": "0.1.0"},
    "paths": {},
    "components": {},
}


@reading(blp, "/openapi.json", operation_id="getSpecification", answer=DOCUMENT, example=EXAMPLE)
def specification() -> Response:
    """Get this specification.

    The OpenAPI 3.1 document of the service, made from the same schemas that check its requests.
    """
    return conditional(kept("specification", _document), JSON, {"Content-Language": "en"})


def _document() -> bytes:
    return orjson.dumps(current_app.extensions["spec"].to_dict())
