"""Keys, limits, headers, metrics and the request log."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.app import create_app
from service.errors import ProfileError
from service.web import guard, keys, rate_storage, telemetry
from service.web.keys import find, new_key, read_keys
from service.web.rate_storage import PlainMemory
from service.web.settings import ServerSettings, from_environment, server_settings

BODY: dict[str, Any] = {
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
    "run": {"bends": [], "last_straight": 100},
}
PATH = "/v1/developed-length"
NDJSON = "application/x-ndjson"
AWAY = {"REMOTE_ADDR": "192.0.2.7"}
ERP, ERP_LINE = new_key("erp", "calculate")
NEXT, NEXT_LINE = new_key("erp-next", "calculate,metrics")
SCRAPE, SCRAPE_LINE = new_key("scrape", "metrics")
KEYS = "\n".join(["# keys of the tests", ERP_LINE, NEXT_LINE, SCRAPE_LINE])


def app(**settings: Any) -> FlaskClient:
    named = {f"SERVICE_{name.upper()}": value for name, value in settings.items()}
    return create_app(named).test_client()


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


@pytest.fixture(scope="module")
def keyed() -> FlaskClient:
    return app(keys=KEYS)


@pytest.mark.parametrize("token", [ERP, NEXT])
def test_several_keys_are_good_at_once(keyed: FlaskClient, token: str) -> None:
    assert keyed.post(PATH, json=BODY, headers=bearer(token)).status_code == 200
    assert keyed.post(PATH, json=BODY, headers=bearer(token), environ_base=AWAY).status_code == 200


@pytest.mark.parametrize(
    "header",
    [
        {},
        bearer("wrong"),
        bearer(""),
        {"Authorization": ERP},
        {"Authorization": f"Basic {ERP}"},
        bearer(ERP + "x"),
        bearer(ERP_LINE.split("sha256:")[1]),
        {"Authorization": "Bearer \udcff".encode("utf-8", "surrogateescape").decode("latin-1")},
    ],
)
def test_without_a_known_key_nothing_is_computed(
    keyed: FlaskClient, header: dict[str, str]
) -> None:
    response = keyed.post(PATH, json=BODY, headers=header)
    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"].startswith("Bearer")
    assert response.content_type == "application/problem+json"


def test_scopes_are_kept_apart(keyed: FlaskClient) -> None:
    assert keyed.post(PATH, json=BODY, headers=bearer(SCRAPE)).status_code == 403
    assert keyed.get("/metrics", headers=bearer(ERP)).status_code == 403
    assert keyed.get("/metrics", headers=bearer(SCRAPE)).status_code == 200
    assert keyed.get("/metrics").status_code == 401


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/openapi.json", "/docs"])
def test_public_paths_need_no_key(keyed: FlaskClient, path: str) -> None:
    assert keyed.get(path, environ_base=AWAY).status_code == 200


def test_without_keys_only_callers_on_this_machine_are_answered() -> None:
    near = app()
    assert near.post(PATH, json=BODY).status_code == 200
    assert near.post(PATH, json=BODY, environ_base={"REMOTE_ADDR": "::1"}).status_code == 200
    for away in (AWAY, {"HTTP_X_FORWARDED_FOR": "192.0.2.7"}):
        refused = near.post(PATH, json=BODY, environ_base=away)
        assert refused.status_code == 403
        assert "SERVICE_KEYS" in refused.get_json()["detail"]
    opened = app(open_to_network_without_keys="yes")
    assert opened.post(PATH, json=BODY, environ_base=AWAY).status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200),
        ("LOCALHOST:8000", 200),
        ("127.0.0.1:8000", 200),
        ("[::1]:8000", 200),
        ("bench.example", 403),
        ("127.0.0.1.bench.example", 403),
        ("192.0.2.7", 403),
    ],
)
def test_without_keys_a_strange_host_name_is_refused(host: str, status: int) -> None:
    """A page whose name resolves to this machine must not read a shop's answers."""
    assert app().post(PATH, json=BODY, headers={"Host": host}).status_code == status


@pytest.mark.parametrize(
    "settings",
    [
        {"keys": "erp calculate sha256:123"},
        {"keys": "erp everything sha256:" + "0" * 64},
        {"keys": f"{ERP_LINE}\n{ERP_LINE}"},
        {"keys": "just-a-key"},
        {"keys_file": "/nonexistent/keys"},
        {"rate_limit": "many"},
        {"rate_limit": "9/minute", "rate_limit_storage": "carrier-pigeon://"},
        {"open_to_network_without_keys": "perhaps"},
        {"trusted_proxies": "-1"},
        {"trusted_proxies": "11"},
        {"time_limit": "0"},
        {"time_limit": "601"},
        {"time_limit": "1.5"},
        {"keys": "# none\n"},
        {"keys": ERP_LINE, "keys_file": "/etc/service-keys/keys"},
        {"keys": f"{ERP_LINE}\n{ERP_LINE.replace('erp', 'erp-2')}"},
        {"rate_limit": ""},
        {"rate_limit": "5/second;100/hour"},
        {"rate_limit": "5/second,100/hour"},
        {"rate_limit": "0/minute"},
        {"rate_limit": "5/0minute"},
        {"rate_limit": "5 per 00 minutes"},
        {"rate_limit": "5/2year"},
        {"key_file": "/etc/service-keys/keys"},
        {"thread": "4"},
    ],
)
def test_a_setting_that_cannot_be_understood_stops_the_start(settings: dict[str, str]) -> None:
    with pytest.raises(ProfileError):
        app(**settings)


@pytest.mark.parametrize("limit", ["6000/minute", "10 per 2 minutes", "5/2second", "10/day", "Off"])
def test_a_limit_that_can_be_understood_is_taken(limit: str) -> None:
    assert app(rate_limit=limit).post(PATH, json=BODY).status_code == 200


@pytest.mark.parametrize("lines", ["", "# none yet\n", "\n \n"])
def test_a_file_without_keys_is_not_a_service_without_keys(tmp_path: Path, lines: str) -> None:
    file = tmp_path / "keys"
    file.write_text(lines, encoding="utf-8")
    with pytest.raises(ProfileError, match=r"SERVICE_KEYS_FILE .*/keys holds no key"):
        app(keys_file=str(file))
    with pytest.raises(ProfileError, match="SERVICE_KEYS and SERVICE_KEYS_FILE"):
        app(keys_file=str(file), keys=ERP_LINE)


def test_two_names_cannot_have_one_key() -> None:
    with pytest.raises(ProfileError, match="two names have the same key") as caught:
        read_keys(f"{ERP_LINE}\n{ERP_LINE.replace('erp', 'erp-2')}")
    assert ERP_LINE.split("sha256:")[1] not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("SERVICE_KEY_FILE", "SERVICE_KEYS_FILE"),
        ("SERVICE_KEY", "SERVICE_KEYS"),
        ("SERVICE_RATELIMIT", "SERVICE_RATE_LIMIT"),
        ("SERVICE_TRUSTED_PROXY", "SERVICE_TRUSTED_PROXIES"),
        ("SERVICE_MAX_REQUEST", "SERVICE_MAX_REQUESTS"),
        ("SERVICE_SHOPFILE", "SERVICE_SHOP_FILE"),
    ],
)
def test_a_misspelt_setting_stops_the_start_and_the_right_one_is_named(
    monkeypatch: pytest.MonkeyPatch, name: str, meant: str
) -> None:
    monkeypatch.setenv(name, "1")
    for read in (from_environment, server_settings):
        with pytest.raises(ProfileError, match=f"^{name} is no setting; perhaps {meant} is meant$"):
            read()


# What Kubernetes sets in each container (its documentation, "Discovering services") for Services of
# the names service, service-keys and service-bind, and names that somebody else may use.
@pytest.mark.parametrize(
    "name",
    [
        "SERVICE_SERVICE_HOST",
        "SERVICE_SERVICE_PORT",
        "SERVICE_SERVICE_PORT_HTTP",
        "SERVICE_PORT",
        "SERVICE_PORT_80_TCP",
        "SERVICE_PORT_80_TCP_PROTO",
        "SERVICE_PORT_80_TCP_PORT",
        "SERVICE_PORT_80_TCP_ADDR",
        "SERVICE_KEYS_PORT",
        "SERVICE_KEYS_SERVICE_HOST",
        "SERVICE_BIND_PORT",
        "SERVICE_NAME",
        "SERVICE_VERSION",
        "SERVICE_URL",
    ],
)
def test_names_of_others_are_left_alone(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    before = from_environment(), server_settings()
    monkeypatch.setenv(name, "tcp://10.0.0.1:80")
    assert (from_environment(), server_settings()) == before


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *[("SERVICE_WORKERS", value) for value in ("0", "abc", "-1", "1.5", "513", " 2")],
        *[("SERVICE_THREADS", value) for value in ("0", "x", "", "513")],
        *[("SERVICE_TIMEOUT", value) for value in ("", "x", "0", "3601")],
        *[("SERVICE_MAX_REQUESTS", value) for value in ("-5", "", "1e6", "1000000000")],
        *[("SERVICE_CLIENT_TIMEOUT", value) for value in ("0", "", "601")],
        ("SERVICE_BIND", ""),
    ],
)
def test_what_the_server_cannot_be_told_is_refused(name: str, value: str) -> None:
    with pytest.raises(ProfileError, match=rf"^{name} is .*; allowed is \S+"):
        server_settings({name: value})


def test_what_the_server_can_be_told_is_taken() -> None:
    told = {"SERVICE_WORKERS": "1", "SERVICE_THREADS": "512", "SERVICE_MAX_REQUESTS": "0"}
    made = server_settings({**told, "SERVICE_TIMEOUT": "3600", "SERVICE_BIND": "0.0.0.0:80"})
    assert made == ServerSettings("0.0.0.0:80", 1, 512, 3600, 0)
    assert server_settings({"SERVICE_WORKERS": ""}) == ServerSettings()


@pytest.mark.parametrize(
    ("given", "status"),
    [
        ([], 2),
        (["erp"], 2),
        (["erp", "calculate", "metrics"], 2),
        (["erp", "everything"], 2),
        (["two words", "calculate"], 2),
        (["erp", "calculate,metrics"], 0),
    ],
)
def test_a_key_is_made_or_its_making_explained(
    capsys: pytest.CaptureFixture[str], given: list[str], status: int
) -> None:
    assert keys.main(given) == status
    said = capsys.readouterr()
    assert ("usage: python -m service.web.keys NAME SCOPES" in said.err) == (status == 2)
    if status == 0:
        key, line = said.out.split(": ")[1].splitlines()
        assert find(read_keys(line), f"Bearer {key}") is not None


class Hanging(PlainMemory):
    """Counts nothing, and says how often it was asked."""

    asked = 0

    def incr(self, *_: object, **__: object) -> int:
        self.asked += 1
        raise self.base_exceptions


def test_a_storage_that_fails_is_asked_once_and_then_left_alone_for_a_while(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    storage = Hanging()
    monkeypatch.setattr(guard, "storage_of", lambda _: storage)
    monkeypatch.setattr(guard, "WORTH_A_REQUEST", 1e-6)  # each request is charged for computing
    lost = [0]
    monkeypatch.setattr(telemetry, "count_limit_lost", lambda: lost.append(lost.pop() + 1))
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    limited = app(rate_limit="1/hour")
    for number in range(1, 6):
        response = limited.post(PATH, json=BODY)
        assert response.status_code == 200
        assert "RateLimit" not in response.headers
        assert (storage.asked, lost) == (1, [number])
    clock[0] += rate_storage.PAUSE + 0.01
    limited.post(PATH, json=BODY)
    limited.post(PATH, json=BODY)
    assert (storage.asked, lost) == (2, [7])
    clock[0] += rate_storage.PAUSE + 0.01
    monkeypatch.setattr(Hanging, "incr", PlainMemory.incr)
    statuses = [limited.post(PATH, json=BODY).status_code for _ in range(2)]
    assert statuses == [200, 429]


def test_a_bad_line_is_not_shown() -> None:
    with pytest.raises(ProfileError) as caught:
        read_keys(f"erp calculate {ERP}")
    assert ERP not in str(caught.value)
    assert "line 1" in str(caught.value)


def test_every_hash_is_compared_and_the_right_key_is_found() -> None:
    keys = read_keys(KEYS)
    found = find(keys, f"bearer {NEXT}")
    assert found is not None
    assert found.name == "erp-next"
    assert find((), f"Bearer {ERP}") is None


def test_the_limit_refuses_and_says_when_to_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "WORTH_A_REQUEST", 60.0)  # a pause of the collector counts as well
    limited = app(rate_limit="3/minute")
    for left in (2, 1, 0):
        response = limited.post(PATH, json=BODY)
        assert response.status_code == 200
        assert response.headers["RateLimit"].startswith(f'"default";r={left};t=')
    refused = limited.post(PATH, json=BODY)
    assert refused.status_code == 429
    assert 0 <= int(refused.headers["Retry-After"]) <= 60
    assert refused.headers["RateLimit-Policy"] == '"default";q=3;w=60'
    other = limited.post(PATH, json=BODY, environ_base={"REMOTE_ADDR": "127.0.0.2"})
    assert other.status_code == 200
    assert limited.get("/health/live").status_code == 200


def left(response: TestResponse) -> int:
    return int(response.headers["RateLimit"].split("r=")[1].split(";")[0])


@pytest.mark.parametrize("lines", [None, 2000], ids=["calculation", "stream"])
def test_what_computes_long_counts_as_many_requests(lines: int | None) -> None:
    limited = app(rate_limit="9000/hour")
    before = left(limited.post(PATH, json=BODY))
    began = time.thread_time()
    if lines is None:
        row = {"straight": 60, "rotation": 10, "angle": 30, "radius": 45}
        run = {"bends": [{**row, "rotation": 0}, *[row] * 200], "last_straight": 100}
        response = limited.post("/v1/bend-review", json={**BODY, "run": run, "bender": "bench-25"})
    else:
        line = json.dumps({**BODY, "id": "a:b"}) + "\n"  # a colon: the slow way
        sent = {"data": line * lines, "content_type": NDJSON, "buffered": True}
        response = limited.post(f"{PATH}/batch", **sent)
        assert response.data.count(b"cut_length") == lines
    used = time.thread_time() - began
    assert response.status_code == 200
    counted = before - left(limited.post(PATH, json=BODY)) - 2
    assert 0 < counted <= used / guard.WORTH_A_REQUEST
    assert counted > 0.5 * used / guard.WORTH_A_REQUEST - 2


def test_the_limit_counts_by_key() -> None:
    limited = app(rate_limit="1/hour", keys=KEYS)
    assert limited.post(PATH, json=BODY, headers=bearer(ERP)).status_code == 200
    assert limited.post(PATH, json=BODY, headers=bearer(ERP)).status_code == 429
    assert limited.post(PATH, json=BODY, headers=bearer(NEXT)).status_code == 200


@pytest.mark.parametrize("path", [PATH, "/nothing", "/health/live"])
def test_security_headers_are_on_every_answer(client: FlaskClient, path: str) -> None:
    headers = client.get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    again = client.get(path).headers
    assert 12 < len(headers["X-Request-Id"]) <= 64
    assert headers["X-Request-Id"] != again["X-Request-Id"]


def test_pages_have_the_headers_that_browsers_heed(client: FlaskClient) -> None:
    headers = client.get("/docs").headers
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["X-Frame-Options"] == "DENY"


def test_strict_transport_only_where_the_transport_is_secure(client: FlaskClient) -> None:
    assert "Strict-Transport-Security" not in client.get("/health/live").headers
    secure = client.get("/health/live", base_url="https://bench.example")
    assert "max-age" in secure.headers["Strict-Transport-Security"]


def test_request_id_and_trace_are_passed_on(client: FlaskClient) -> None:
    trace = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"
    sent = {"X-Request-Id": "order-7", "traceparent": trace}
    headers = client.post(PATH, json=BODY, headers=sent).headers
    assert headers["X-Request-Id"] == "order-7"
    assert headers["traceparent"] == trace
    for bad in ("x" * 65, "a b", "<script>"):
        assert (
            client.get("/health/live", headers={"X-Request-Id": bad}).headers["X-Request-Id"] != bad
        )
    zero = {"traceparent": trace.replace("0af7651916cd43dd8448eb211c80319c", "0" * 32)}
    assert "traceparent" not in client.get("/health/live", headers=zero).headers


def test_cross_origin_callers_are_allowed_by_name_only() -> None:
    shop = "https://bench.example"
    allowing = app(allowed_origins=shop)
    good = allowing.post(PATH, json=BODY, headers={"Origin": shop})
    assert good.headers["Access-Control-Allow-Origin"] == shop
    bad = allowing.post(PATH, json=BODY, headers={"Origin": "https://elsewhere.example"})
    assert "Access-Control-Allow-Origin" not in bad.headers
    asked = {
        "Origin": shop,
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "content-type, authorization",
    }
    preflight = allowing.options(PATH, headers=asked)
    assert preflight.status_code == 200
    assert "POST" in preflight.headers["Access-Control-Allow-Methods"]
    assert "Access-Control-Allow-Origin" not in app().post(PATH, json=BODY, headers=asked).headers


@pytest.mark.parametrize("origins", ["https://a.example", "https://a.example,https://b.example"])
@pytest.mark.parametrize("sent", ["https://a.example", "https://elsewhere.example", None])
@pytest.mark.parametrize(
    ("method", "path"), [("POST", PATH), ("GET", "/v1/materials"), ("GET", "/nothing")]
)
def test_caches_are_told_that_answers_vary_by_origin(
    origins: str, sent: str | None, method: str, path: str
) -> None:
    """Fetch standard, "CORS protocol and HTTP caches": also where no Origin was sent."""
    headers = {"Origin": sent} if sent else {}
    answered = app(allowed_origins=origins).open(path, method=method, json=BODY, headers=headers)
    varies = [name.strip() for name in ",".join(answered.headers.getlist("Vary")).split(",")]
    assert varies.count("Origin") == 1
    assert "Accept-Language" in varies


def test_without_allowed_origins_nothing_varies_by_origin(client: FlaskClient) -> None:
    answered = client.post(PATH, json=BODY, headers={"Origin": "https://a.example"})
    assert "Origin" not in ",".join(answered.headers.getlist("Vary"))


def test_metrics_count_requests_findings_and_refusals(client: FlaskClient) -> None:
    client.post(PATH, json=BODY)
    client.post(PATH, json={})
    run = {"bends": [{"straight": 50, "angle": 90, "radius": 45}], "last_straight": 50}
    client.post("/v1/mark-layout", json={**BODY, "run": run})
    text = client.get("/metrics").get_data(as_text=True)
    assert f'service_requests_total{{method="POST",route="{PATH}",status="200"}}' in text
    assert 'service_refusals_total{code="invalid_request"}' in text
    assert 'service_findings_total{code="springback_not_given",severity="needs_care"}' in text
    assert f'service_request_seconds_bucket{{le="0.01",route="{PATH}"}}' in text


def test_the_log_has_the_request_and_never_its_body(capfd: pytest.CaptureFixture[str]) -> None:
    logging_ = app(request_log="yes", keys=KEYS)
    ends = {"end_1": [{"name": "top secret", "length": 1}]}
    logging_.post(PATH, json={**BODY, "ends": ends}, headers=bearer(ERP))
    line = json.loads(capfd.readouterr().out.splitlines()[-1])
    assert line["route"] == PATH
    assert line["status"] == 200
    assert line["caller"] == "erp"
    assert "secret" not in json.dumps(line)
    assert ERP not in json.dumps(line)


# --- callers of whom nothing is known -----------------------------------------------------------


def test_whoever_tries_keys_is_counted_by_address() -> None:
    limited = app(rate_limit="3/minute", keys=KEYS)
    tries = [limited.post(PATH, json=BODY, headers=bearer(f"guess-{n}")) for n in range(5)]
    assert [response.status_code for response in tries] == [401, 401, 401, 429, 429]
    assert limited.post(PATH, json=BODY, headers=bearer(ERP)).status_code == 200
    elsewhere = limited.post(PATH, json=BODY, environ_base=AWAY)
    assert elsewhere.status_code == 401


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("PUT", PATH, 405),
        ("GET", "/docs", 200),
        ("GET", "/openapi.json", 200),
        ("GET", "/docs/start.js", 200),
    ],
)
def test_what_needs_no_key_is_counted_too(method: str, path: str, status: int) -> None:
    limited = app(rate_limit="2/minute", keys=KEYS)
    found = [limited.open(path, method=method) for _ in range(3)]
    assert [response.status_code for response in found] == [status, status, 429]
    assert limited.get("/health/ready").status_code == 200


def test_a_supervisor_is_never_told_to_wait() -> None:
    limited = app(rate_limit="1/hour")
    for _ in range(3):
        response = limited.get("/health/live")
        assert response.status_code == 200
        assert "RateLimit" not in response.headers


SAID: list[tuple[str, str, dict[str, Any], int]] = [
    ("post", PATH, {"json": BODY}, 200),
    ("post", PATH, {"data": "{", "content_type": "application/json"}, 400),
    ("post", PATH, {"json": BODY, "headers": {"Accept": "image/png"}}, 406),
    ("post", PATH, {"data": b" " * 2_000_000, "content_type": "application/json"}, 413),
    ("post", PATH, {"data": "a=1"}, 415),
    ("post", PATH, {"json": {}}, 422),
    ("post", PATH, {"json": BODY, "headers": {}}, 401),
    ("post", PATH, {"json": BODY, "headers": bearer(SCRAPE)}, 403),
    ("put", PATH, {}, 405),
    ("get", "/v1/materials", {}, 200),
    ("get", "/v1/materials", {"headers": {"If-None-Match": "*"}}, 304),
    ("get", "/openapi.json", {"headers": {}}, 200),
    ("get", "/health/live", {"headers": {}}, 200),
]


@pytest.mark.parametrize(("method", "path", "sent", "status"), SAID)
def test_headers_of_limit_and_origin_are_sent_where_they_are_declared(
    method: str, path: str, sent: dict[str, Any], status: int
) -> None:
    origin = "https://bench.example"
    asked = app(rate_limit="99/minute", keys=KEYS, allowed_origins=origin)
    headers = sent.get("headers", bearer(ERP))
    if "Accept" in headers or "If-None-Match" in headers:
        headers = {**headers, **bearer(ERP)}
    response = asked.open(
        path, method=method.upper(), **{**sent, "headers": {**headers, "Origin": origin}}
    )
    assert response.status_code == status
    document = asked.get("/openapi.json").get_json()
    operation = document["paths"][path]["post" if method == "put" else method]
    declared = operation["responses"][str(status)]
    if "$ref" in declared:
        declared = document["components"]["responses"][declared["$ref"].rsplit("/", 1)[1]]
    for name in ("RateLimit", "Access-Control-Allow-Origin"):
        assert (name in declared["headers"]) == (name in response.headers), name


@pytest.mark.parametrize(
    "origins",
    ["*", "https://*.example", "bench.example", "https://bench.example/", "https://a.example b"],
)
def test_an_origin_that_is_a_pattern_stops_the_start(origins: str) -> None:
    with pytest.raises(ProfileError, match="SERVICE_ALLOWED_ORIGINS"):
        app(allowed_origins=origins)


def test_an_address_that_is_none_is_not_near() -> None:
    opened = {"open_to_network_without_keys": "yes", "trusted_proxies": 1}
    sent = {"X-Forwarded-For": "unknown"}
    assert app(**opened).post(PATH, json=BODY, headers=sent).status_code == 200
    assert app(trusted_proxies=1).post(PATH, json=BODY, headers=sent).status_code == 403


def test_the_client_is_whom_the_trusted_proxies_name() -> None:
    behind = app(rate_limit="1/hour", open_to_network_without_keys="yes", trusted_proxies=1)

    def status(forwarded: str) -> int:
        return behind.post(PATH, json=BODY, headers={"X-Forwarded-For": forwarded}).status_code

    # what the client itself puts in front of the proxy's entry does not count
    assert status("192.0.2.1") == 200
    assert status("198.51.100.9, 192.0.2.1") == 429
    assert status("192.0.2.2") == 200


def test_invented_methods_make_no_time_series(client: FlaskClient) -> None:
    for number in range(5):
        client.open(PATH, method=f"X{number}")
    text = client.get("/metrics").get_data(as_text=True)
    assert 'method="(other)"' in text
    assert 'method="X' not in text
