"""Specification, documentation page and health."""

from __future__ import annotations

import dataclasses
import json
import re
from html.parser import HTMLParser

import pytest
from flask.testing import FlaskClient
from specification import document, validator
from werkzeug.test import TestResponse

from service import reference
from service.calc import run_geometry
from service.model import Material

SPEC = document()
ASSETS = ["/docs/swagger-ui.css", "/docs/swagger-ui-bundle.js", "/docs/start.js"]
VALIDATED = ["/openapi.json", "/docs", *ASSETS]
IN_SPEC = ["/openapi.json", "/docs", "/health/live", "/health/ready"]


def follows(path: str, status: str, answer: TestResponse) -> bool:
    response = SPEC["paths"][path]["get"]["responses"][status]
    body = answer.get_json() if answer.is_json else answer.get_data(as_text=True)
    return validator(response["content"][answer.mimetype]["schema"]).is_valid(body)


# --- all of them ---------------------------------------------------------------------------------


@pytest.mark.parametrize("path", IN_SPEC)
def test_each_is_in_the_specification(client: FlaskClient, path: str) -> None:
    operation = SPEC["paths"][path]["get"]
    assert {"200", "405", "406", "422", "500"} <= operation["responses"].keys()
    for part in ("operationId", "summary", "description", "tags"):
        assert operation[part]
    answer = client.get(path)
    assert answer.status_code == 200
    assert follows(path, "200", answer)
    (content,) = operation["responses"]["200"]["content"].values()
    assert validator(content["schema"]).is_valid(content["example"])


@pytest.mark.parametrize("path", IN_SPEC)
def test_unknown_query_parameter_is_refused(client: FlaskClient, path: str) -> None:
    answer = client.get(path + "?verbose=1")
    assert answer.status_code == 422
    assert answer.content_type == "application/problem+json"
    assert answer.get_json()["errors"][0]["code"] == "unknown_query_parameter"


@pytest.mark.parametrize("path", IN_SPEC)
def test_media_type_that_is_not_to_be_had_is_refused(client: FlaskClient, path: str) -> None:
    own, other = "application/json", "text/html"
    if path == "/docs":
        own, other = other, own
    assert client.get(path, headers={"Accept": own}).status_code == 200
    answer = client.get(path, headers={"Accept": other})
    assert answer.status_code == 406
    assert own in answer.get_json()["detail"]


@pytest.mark.parametrize("path", [*IN_SPEC, *ASSETS])
def test_head_tells_what_get_would(client: FlaskClient, path: str) -> None:
    same = {"X-Request-Id": "one-for-both"}
    got, head = client.get(path, headers=same), client.head(path, headers=same)
    assert head.status_code == got.status_code == 200
    assert head.data == b""
    assert dict(head.headers) == dict(got.headers)


@pytest.mark.parametrize("path", [*IN_SPEC, *ASSETS])
def test_other_methods_are_refused_with_allow(client: FlaskClient, path: str) -> None:
    answer = client.post(path, json={})
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]
    assert answer.content_type == "application/problem+json"


@pytest.mark.parametrize("path", VALIDATED)
def test_validators(client: FlaskClient, path: str) -> None:
    first = client.get(path)
    tag = first.headers["ETag"]
    assert re.fullmatch(r'"[0-9a-f]{32}"', tag)
    assert first.headers["Cache-Control"] == "max-age=300"
    again = client.get(path, headers={"If-None-Match": f'"other", W/{tag}'})
    assert (again.status_code, again.data) == (304, b"")
    assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200


# --- specification -------------------------------------------------------------------------------


def test_specification_is_the_one_that_checks_requests(client: FlaskClient) -> None:
    assert json.loads(client.get("/openapi.json").data) == SPEC


# --- documentation -------------------------------------------------------------------------------


class Links(HTMLParser):
    """Every address that the page loads, and whether it holds a script of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.inline = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        address = given.get("src") or (given.get("href") if tag == "link" else None)
        if address:
            self.loaded.append(address)
        self.inline += tag == "style" or (tag == "script" and "src" not in given)


def test_page_loads_from_this_service_only(client: FlaskClient) -> None:
    links = Links()
    links.feed(client.get("/docs").get_data(as_text=True))
    assert links.inline == 0
    local = [address for address in links.loaded if not address.startswith("data:")]
    assert {f"/{address}" for address in local} == set(ASSETS)
    for address in local:
        assert client.get(f"/{address}").status_code == 200


def test_page_may_not_load_anything_from_outside(client: FlaskClient) -> None:
    policy = client.get("/docs").headers["Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == rules["connect-src"] == "'self'"
    assert "://" not in policy
    assert "*" not in policy
    assert "unsafe" not in policy


def test_style_sheet_loads_nothing_from_elsewhere(client: FlaskClient) -> None:
    style = client.get("/docs/swagger-ui.css").get_data(as_text=True)
    targets = re.findall(r"url\(\s*[\"']?([^\"')]{0,40})", style)
    assert targets
    assert all(target.startswith("data:") for target in targets)
    assert "@import" not in style


def test_page_sends_the_specification_to_no_validator(client: FlaskClient) -> None:
    start = client.get("/docs/start.js").get_data(as_text=True)
    assert "validatorUrl: null" in start
    assert 'url: "openapi.json"' in start
    assert "://" not in start


@pytest.mark.parametrize(
    "path",
    [
        "/docs/",
        "/docs/index.html",
        "/docs/../app.py",
        "/docs/%2e%2e/flask_swagger_ui.py",
        "/docs/x",
    ],
)
def test_nothing_else_comes_out_of_the_package(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert answer.content_type == "application/problem+json"


def test_assets_have_types_that_browsers_take(client: FlaskClient) -> None:
    types = [client.get(path).mimetype for path in ASSETS]
    assert types == ["text/css", "text/javascript", "text/javascript"]
    for path in ASSETS:
        assert client.get(path).headers["X-Content-Type-Options"] == "nosniff"


# --- health --------------------------------------------------------------------------------------


def test_live(client: FlaskClient) -> None:
    answer = client.get("/health/live")
    assert answer.get_json() == {"status": "live"}
    assert answer.headers["Cache-Control"] == "no-store"
    assert "ETag" not in answer.headers


def test_ready_tells_figures_that_agree_with_published_ones(client: FlaskClient) -> None:
    # EN 10305-1 (from memory): 20 x 2 mm steel tube has 0.888 kg/m; csc 45° = 1.41421…;
    # 200 + 50π = 357.0796…
    answer = client.get("/health/ready")
    assert answer.headers["Cache-Control"] == "no-store"
    checks = answer.get_json()["checks"]
    assert [check["expected"] for check in checks] == [0.888, 1.41421, 357.0796]
    for check, digits in zip(checks, (3, 5, 4), strict=True):
        assert round(check["found"], digits) == check["expected"]
        assert check["passed"] is True


def refused(client: FlaskClient) -> str:
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.content_type == "application/problem+json"
    assert answer.headers["Cache-Control"] == "no-store"
    assert follows("/health/ready", "503", answer)
    assert client.get("/health/live").status_code == 200
    return str(answer.get_json()["detail"])


def test_not_ready_when_a_figure_is_off(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    heavy = dict(reference.materials())
    steel: Material = heavy["e235-n"]
    heavy["e235-n"] = dataclasses.replace(steel, density=steel.density * 1.001)
    monkeypatch.setattr(reference, "materials", lambda: heavy)
    assert "steel tube 20 x 2 mm, kg/m: 0.8887019, not 0.888" in refused(client)


def test_not_ready_when_a_calculation_is_wrong(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_geometry, "developed_length", lambda _: 360.0)
    assert "360" in refused(client)


def test_not_ready_when_data_is_missing(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reference, "tube_sizes", dict)
    assert "tube sizes" in refused(client)


def test_not_ready_when_data_cannot_be_read_and_the_path_stays_secret(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail() -> None:
        raise OSError("/somewhere/secret.csv: no such file")

    monkeypatch.setattr(reference, "materials", fail)
    detail = refused(client)
    assert "cannot be read" in detail
    assert "secret" not in detail
