"""Operations that are announced to go, on a blueprint made for this test alone.

Sources: RFC 9745 (Deprecation: a structured date, ``@`` and seconds; its own example is
``@1688169599`` for 2023-06-30T23:59:59Z), RFC 8594 (Sunset: an HTTP date), RFC 5829
(successor-version), RFC 8288 (Link).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import pytest
from flask import Flask, Response
from flask.testing import FlaskClient

from service.app import create_app
from service.web import spec
from service.web.answer import Catalogue
from service.web.fields import Length
from service.web.lookup import Listing, lookup
from service.web.operation import Ask, ServiceBlueprint, blueprint, calculation, raw_operation
from service.web.problem import install
from service.web.retirement import HEADERS, Retirement, retiring
from service.web.schema import RequestSchema, StrictSchema
from service.web.units import FACTORS

DEPRECATED, SUNSET = date(2027, 1, 15), date(2027, 12, 31)
going: Callable[[Any], Any] = retiring(
    DEPRECATED, sunset=SUNSET, instead="/v2/thing", about="https://example.org/why"
)


class ThrowawayRequest(RequestSchema):
    """A request."""

    length = Length("Length", required=True)


class ThrowawayResult(StrictSchema):
    """A result."""

    length = Length("Length", required=True)


@dataclass(frozen=True)
class Result:
    length: float
    methods: tuple[str, ...] = ()
    findings: tuple[Any, ...] = ()


def operations(blp: ServiceBlueprint) -> None:
    """One operation of each kind that goes, and one that stays."""

    def make(path: str, name: str) -> Callable[[Any], Any]:
        return calculation(
            blp,
            path,
            name=name,
            ask=ThrowawayRequest,
            result=ThrowawayResult,
            example={"length": 1},
        )

    @make("/goes", "Goes")
    @going
    def goes(ask: Ask) -> Result:
        """Go."""
        return Result(ask["length"] * FACTORS["metric"]["length"])

    @make("/stays", "Stays")
    def stays(ask: Ask) -> Result:
        """Stay."""
        return Result(ask["length"])

    @lookup(blp, "/things", name="Things", item=ThrowawayResult, example={})
    @going
    def things() -> Listing:
        """List."""
        return Listing([Result(1.0)], [])

    @raw_operation(
        blp,
        "/raw",
        operation_id="raw",
        answer=ThrowawayResult,
        description="Anything.",
        content={"text/plain": {"schema": {"type": "string"}}},
    )
    @going
    def raw() -> Response:
        """Read by itself."""
        return Response("{}", content_type="application/json")


@pytest.fixture(scope="module")
def made() -> tuple[FlaskClient, dict[str, Any]]:
    """A client of the throwaway service, and its specification."""
    app = Flask("throwaway")
    app.config.update(spec.settings())
    install(app)
    app.extensions["catalogue"] = Catalogue({}, {})
    api = spec.build(app)
    blp = blueprint("Throwaway", "For one test.")
    operations(blp)
    api.register_blueprint(blp)
    document = api.spec.to_dict()
    return app.test_client(), document


CALLS: list[tuple[str, str, Any, int]] = [
    ("POST", "/v1/goes", {"length": 2}, 200),
    ("POST", "/v1/goes", {"length": "2"}, 422),
    ("POST", "/v1/goes", None, 415),
    ("GET", "/v1/things", None, 200),
    ("GET", "/v1/things?colour=red", None, 422),
    ("POST", "/v1/raw", {}, 200),
]


@pytest.mark.parametrize(("method", "path", "body", "status"), CALLS)
def test_every_answer_says_when_it_goes(
    made: tuple[FlaskClient, dict[str, Any]], method: str, path: str, body: Any, status: int
) -> None:
    sent = {} if body is None else {"json": body}
    response = made[0].open(path, method=method, **sent)
    assert response.status_code == status, response.get_data(as_text=True)
    seconds = int(response.headers["Deprecation"].removeprefix("@"))
    assert datetime.fromtimestamp(seconds, UTC).date() == DEPRECATED
    assert parsedate_to_datetime(response.headers["Sunset"]).date() == SUNSET
    assert response.headers["Link"] == (
        '</v2/thing>; rel="successor-version", <https://example.org/why>; rel="deprecation"'
    )


def test_what_stays_says_nothing(made: tuple[FlaskClient, dict[str, Any]]) -> None:
    response = made[0].post("/v1/stays", json={"length": 2})
    assert response.status_code == 200
    assert not {"Deprecation", "Sunset", "Link"} & set(response.headers.keys())


def test_the_specification_says_what_goes(made: tuple[FlaskClient, dict[str, Any]]) -> None:
    paths = made[1]["paths"]
    for path, method in (("/v1/goes", "post"), ("/v1/things", "get"), ("/v1/raw", "post")):
        operation = paths[path][method]
        assert operation["deprecated"] is True
        assert set(HEADERS) <= set(operation["responses"]["200"]["headers"])
        assert operation["responses"]["200"]["content"]
    assert "deprecated" not in paths["/v1/stays"]["post"]


def test_the_example_of_rfc_9745() -> None:
    # section 2.1: @1688169599 is June 30, 2023 at 23:59:59 UTC; that day began 86399 s before
    assert Retirement(date(2023, 6, 30)).headers() == {"Deprecation": f"@{1688169599 - 86399}"}


def test_the_example_of_rfc_8594() -> None:
    # section 3 shows the last second of 31 Dec 2018; that day was a Monday
    headers = Retirement(date(2018, 1, 1), sunset=date(2018, 12, 31)).headers()
    assert headers["Sunset"] == "Mon, 31 Dec 2018 00:00:00 GMT"


def test_a_sunset_before_the_deprecation_is_refused() -> None:
    with pytest.raises(ValueError, match="before"):
        retiring(date(2027, 2, 1), sunset=date(2027, 1, 31))
    retiring(date(2027, 2, 1), sunset=date(2027, 2, 1))


def test_nothing_of_the_service_goes_unannounced() -> None:
    # an operation that is deprecated in the specification has its headers declared there
    document = create_app().extensions["spec"].to_dict()
    for item in document["paths"].values():
        for operation in item.values():
            if operation.get("deprecated"):
                assert "Deprecation" in operation["responses"]["200"]["headers"]
