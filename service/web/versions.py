"""Which service and which formulas answered, as headers: where a body has no place for it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import current_app

from service import __version__

VERSION_HEADERS: Mapping[str, Any] = {
    "Service-Version": {
        "description": "Version of the service; where the body has no place for it",
        "schema": {"type": "string", "maxLength": 40, "pattern": r"^[0-9A-Za-z.+-]+$"},
    },
    "Methods-Version": {
        "description": "Digest of the method catalogue; where the body has no place for it",
        "schema": {"type": "string", "maxLength": 16, "pattern": "^[0-9a-f]{16}$"},
    },
}


def version_headers() -> dict[str, str]:
    """The headers of the running app."""
    digest: str = current_app.extensions["catalogue"].digest
    return {"Service-Version": __version__, "Methods-Version": digest}
