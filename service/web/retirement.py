"""How an operation is announced to go: Deprecation (RFC 9745), Sunset (RFC 8594), and links.

Nothing within a version goes without being announced so. Usage, below the decorator that makes the
operation::

    @calculation(blp, "/mark-layout", ...)
    @retiring(date(2027, 1, 15), sunset=date(2027, 12, 31), instead="/v2/mark-layout")
    def mark_layout(ask): ...

Every answer of the operation then carries the headers, refusals included, and the specification
says ``deprecated``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import wraps
from typing import Any, TypeVar

from flask import Response, after_this_request
from werkzeug.http import http_date

View = TypeVar("View", bound=Callable[..., Any])
ATTRIBUTE = "retirement"
HEADERS: Mapping[str, Any] = {
    "Deprecation": {
        "description": "Since when, or from when on, this operation should not be used: @ and "
        "seconds since 1970 (RFC 9745)",
        "schema": {"type": "string", "maxLength": 20, "pattern": "^@-?[0-9]+$"},
    },
    "Sunset": {
        "description": "When this operation stops answering (RFC 8594)",
        "schema": {"type": "string", "maxLength": 29, "pattern": "^[A-Z][a-z]{2}, .* GMT$"},
    },
    "Link": {
        "description": "What takes its place (successor-version), and where it is explained",
        "schema": {"type": "string", "maxLength": 500, "pattern": "^<[^>]*>; rel="},
    },
}


@dataclass(frozen=True, slots=True)
class Retirement:
    """When an operation goes, and what to use instead.

    Raises:
        ValueError: a sunset before the deprecation (RFC 9745, 4)
    """

    deprecated: date
    sunset: date | None = None
    instead: str | None = None
    about: str | None = None

    def __post_init__(self) -> None:
        if self.sunset is not None and self.sunset < self.deprecated:
            raise ValueError(f"sunset {self.sunset} lies before deprecation {self.deprecated}")

    def headers(self) -> dict[str, str]:
        """The headers of each answer; a day begins at midnight UTC."""
        found = {"Deprecation": f"@{int(_midnight(self.deprecated).timestamp())}"}
        if self.sunset is not None:
            found["Sunset"] = http_date(_midnight(self.sunset))
        links = [("successor-version", self.instead), ("deprecation", self.about)]
        named = [f'<{target}>; rel="{relation}"' for relation, target in links if target]
        if named:
            found["Link"] = ", ".join(named)
        return found


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def retiring(
    deprecated: date,
    *,
    sunset: date | None = None,
    instead: str | None = None,
    about: str | None = None,
) -> Callable[[View], View]:
    """Announce that an operation goes; stands below the decorator that makes the operation.

    Arguments:
        deprecated: from when on it should not be used
        sunset: when it stops answering
        instead: path of the operation that takes its place
        about: address of a page that explains the change
    """
    retirement = Retirement(deprecated, sunset, instead, about)

    def decorate(view: View) -> View:
        # carried upwards by the functools.wraps of each decorator above
        setattr(view, ATTRIBUTE, retirement)
        return view

    return decorate


def announced(view: Callable[..., Response]) -> tuple[Callable[..., Response], dict[str, Any]]:
    """The view with the headers of its retirement, and what the specification says of it.

    A view that stays is given back as it is, so that it costs nothing.
    """
    retirement: Retirement | None = getattr(view, ATTRIBUTE, None)
    if retirement is None:
        return view, {}
    headers = retirement.headers()

    def add(response: Response) -> Response:
        response.headers.update(headers)
        return response

    @wraps(view)
    def going(*args: Any, **kwargs: Any) -> Response:
        after_this_request(add)  # before the view: a refusal is no return value
        return view(*args, **kwargs)

    declared = {name: HEADERS[name] for name in headers}
    return going, {"deprecated": True, "responses": {_answered(view): {"headers": declared}}}


def _answered(view: Any) -> str | int:
    """The key under which flask-smorest keeps status 200: a number where its decorator set it."""
    by_hand = getattr(view, "_apidoc", {}).get("manual_doc", {}).get("responses", {})
    return "200" if "200" in by_hand else 200
