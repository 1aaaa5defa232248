"""GET /docs: the specification as a page for people, which works without a network."""

from __future__ import annotations

from importlib.resources import files

from flask import Blueprint, Response

from service.web.lookup import conditional, reading
from service.web.operation import ServiceBlueprint

HTML = "text/html; charset=utf-8"
SCRIPT = "text/javascript; charset=utf-8"
STYLE = "text/css; charset=utf-8"

# Every address is relative, so that the page also works below a prefix of a proxy.
PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Tube bending calculations</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="docs/swagger-ui.css">
</head>
<body>
<noscript>This page needs scripts. The same text stands in
<a href="openapi.json">openapi.json</a>.</noscript>
<div id="operations"></div>
<script src="docs/swagger-ui-bundle.js"></script>
<script src="docs/start.js"></script>
</body>
</html>
"""
# validatorUrl: left out, the page would send the specification to a public validator
START = """SwaggerUIBundle({
  url: "openapi.json",
  dom_id: "#operations",
  deepLinking: true,
  defaultModelsExpandDepth: 0,
  queryConfigEnabled: false,
  validatorUrl: null,
});
"""
HEADERS = {
    "Content-Language": "en",
    # nothing from outside can load, nor a script or style that slipped into a text
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; connect-src 'self'; "
    "style-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}

blp = ServiceBlueprint("Documentation", "Documentation", description="This specification to read.")
# What the page loads is part of the page, not of the interface: a plain blueprint, which the
# specification does not see.
parts = Blueprint("parts", __name__)


@reading(
    blp,
    "/docs",
    operation_id="getDocumentation",
    answer={
        "type": "string",
        "description": "A page",
        "maxLength": 10_000,
        "pattern": r"^[\s\S]*$",
    },
    example="<!doctype html>…",
    media_type="text/html",
)
def documentation() -> Response:
    """Read this specification as a page.

    Every operation with its fields, units and ranges, and a form to try it. The page loads from
    this service only.
    """
    return conditional(PAGE.encode(), HTML, HEADERS)


@parts.route("/docs/start.js", methods=["GET"])
def start() -> Response:
    """The script that draws the page."""
    return conditional(START.encode(), SCRIPT, HEADERS)


@parts.route("/docs/swagger-ui.css", methods=["GET"])
def style() -> Response:
    """The style sheet, out of its package."""
    return conditional(_asset("swagger-ui.css"), STYLE, HEADERS)


@parts.route("/docs/swagger-ui-bundle.js", methods=["GET"])
def script() -> Response:
    """The script that shows a specification, out of its package."""
    return conditional(_asset("swagger-ui-bundle.js"), SCRIPT, HEADERS)


def _asset(name: str) -> bytes:
    # read anew each time: 2 MB that few ask for are not worth keeping in every worker
    return files("flask_swagger_ui").joinpath("dist", name).read_bytes()


blp.record_once(lambda setup: setup.app.register_blueprint(parts))
