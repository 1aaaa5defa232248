"""What the guard does to every operation, written into the specification in one place."""

from __future__ import annotations

from typing import Any

from apispec import APISpec, BasePlugin

SECURITY: list[dict[str, list[str]]] = [{"bearerKey": []}]
HEADERS: dict[str, dict[str, Any]] = {
    "RateLimit": {
        "description": "Requests left in this window, before what this one computes is counted "
        "(10 ms as one more), and seconds until it ends "
        "(draft-ietf-httpapi-ratelimit-headers); absent where the operator set no limit",
        "schema": {"type": "string", "maxLength": 80, "pattern": r'^"[a-z]+";r=\d+;t=\d+$'},
        "example": '"default";r=5999;t=60',
    },
    "RateLimit-Policy": {
        "description": "Requests allowed in a window, and its seconds",
        "schema": {"type": "string", "maxLength": 80, "pattern": r'^"[a-z]+";q=\d+;w=\d+$'},
        "example": '"default";q=6000;w=60',
    },
    "Retry-After": {
        "description": "Seconds to wait",
        "schema": {
            "type": "integer",
            "format": "int32",
            "minimum": 0,
            "maximum": 31622400,
        },
        "example": 12,
    },
    "Access-Control-Allow-Origin": {
        "description": "The origin of the calling page, where the operator has allowed it "
        "(SERVICE_ALLOWED_ORIGINS); absent for all others, so that a browser shows them nothing",
        "schema": {
            "type": "string",
            "maxLength": 300,
            "pattern": r"^https?://[a-z0-9.-]+(:\d+)?$",
        },
        "example": "https://bench.example",
    },
}
LIMITED = ("RateLimit",)
REFUSED = ("RateLimit-Policy", "Retry-After")  # beside status 429
ORIGIN = ("Access-Control-Allow-Origin",)
GUARDED = ("401", "403", "429")


def is_public(path: str) -> bool:
    """Whether a path is answered without a key."""
    return path.startswith(("/health/", "/docs", "/openapi.json"))


def is_uncounted(path: str) -> bool:
    """Whether a path is answered without counting: a supervisor must never be told to wait."""
    return path.startswith("/health/")


def references(names: tuple[str, ...]) -> dict[str, Any]:
    """References to shared headers."""
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


class GuardPlugin(BasePlugin):
    """apispec's hook: security, its refusals, and the headers of rate limit and origin."""

    def init_spec(self, spec: APISpec) -> None:
        """Add the key and the headers to the shared components."""
        spec.components.security_scheme(
            "bearerKey",
            {
                "type": "http",
                "scheme": "bearer",
                "bearerFormat": "opaque key (RFC 6750)",
                "description": "A key that the operator gave out. A service that was started "
                "without keys answers callers on its own machine only, and asks for none.",
            },
        )
        for name, header in HEADERS.items():
            spec.components.header(name, header)

    def operation_helper(
        self,
        path: str | None = None,
        operations: dict[str, Any] | None = None,
        **_: Any,
    ) -> None:
        """Complete the operations of one path."""
        public, counted = is_public(path or ""), not is_uncounted(path or "")
        refusals = () if not counted else ("429",) if public else GUARDED
        for operation in (operations or {}).values():
            operation["security"] = [] if public else SECURITY
            responses = operation.setdefault("responses", {})
            for status in refusals:
                responses.setdefault(status, f"Problem{status}")
            for response in responses.values():
                if isinstance(response, dict):  # the others are references to shared ones
                    known = response.setdefault("headers", {})
                    known.update(references((*LIMITED, *ORIGIN) if counted else ORIGIN))
