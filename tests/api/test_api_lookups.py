"""Look-ups: what they list, validators and 304, media types, the query, and their schema."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from endpoints import follows_schema
from flask.testing import FlaskClient
from scipy import constants
from specification import component, document

from service import reference
from service.api import benders, dies, materials, methods, tube_sizes
from service.app import create_app
from service.reference_files import shared_file

PATHS = ["/v1/materials", "/v1/tube-sizes", "/v1/benders", "/v1/dies", "/v1/methods"]
MEASURED = PATHS[:-1]
EXAMPLES = {
    "/v1/materials": materials.EXAMPLE,
    "/v1/tube-sizes": tube_sizes.EXAMPLE,
    "/v1/benders": benders.EXAMPLE,
    "/v1/dies": dies.EXAMPLE,
    "/v1/methods": methods.EXAMPLE,
}
SPEC = document()


def listing(client: FlaskClient, path: str) -> dict[str, Any]:
    found: dict[str, Any] = client.get(path).get_json()
    return found


def listed(answer: dict[str, Any]) -> list[dict[str, Any]]:
    (found,) = answer["result"].values()
    return list(found)


def items(client: FlaskClient, path: str) -> dict[str, dict[str, Any]]:
    return {item["id"]: item for item in listed(listing(client, path))}


# --- what they list ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_answer_follows_its_schema_and_lists_each_thing_once(
    client: FlaskClient, path: str
) -> None:
    answer = listing(client, path)
    assert follows_schema("get", path, answer)
    assert list(answer["result"]) == [path.removeprefix("/v1/").replace("-", "_")]
    assert answer["cautions"]
    names = [item["id"] for item in listed(answer)]
    assert len(names) == len(set(names)) > 1


@pytest.mark.parametrize("path", PATHS)
def test_schema_would_refuse_an_answer_that_misses_a_field(client: FlaskClient, path: str) -> None:
    answer = listing(client, path)
    del listed(answer)[0]["id"]
    assert not follows_schema("get", path, answer)


@pytest.mark.parametrize("path", PATHS)
def test_every_source_named_is_explained(client: FlaskClient, path: str) -> None:
    answer = listing(client, path)
    explained = {source["id"] for source in answer["sources"]}
    for item in listed(answer):
        named = item["sources"] if path == "/v1/methods" else [item["source"]]
        assert named
        assert set(named) <= explained


@pytest.mark.parametrize("path", PATHS)
def test_example_is_a_part_of_the_answer(client: FlaskClient, path: str) -> None:
    answer, example = listing(client, path), EXAMPLES[path]
    assert follows_schema("get", path, example)
    assert listed(example)
    assert all(each in listed(answer) for each in listed(example))
    assert example["sources"]
    assert all(each in answer["sources"] for each in example["sources"])
    assert example["cautions"] == answer["cautions"]


def test_metric_values_are_those_of_the_data_files(client: FlaskClient) -> None:
    row = items(client, "/v1/materials")["e235-n"]
    assert (row["yield_strength"], row["tensile_strength"]) == (235, 340)
    assert (row["density"], row["elastic_modulus"], row["elongation"]) == (7.85, 210_000, 25)
    assert row["trust"] == "memory"


def test_inch_values_follow_from_the_exact_definitions(client: FlaskClient) -> None:
    # scipy.constants (CODATA and the definitions of inch and pound) against our own factors
    metric, inch = (
        items(client, f"/v1/materials?units={system}")["e235-n"] for system in ("metric", "inch")
    )
    psi = metric["yield_strength"] * 1e6 / constants.psi
    assert inch["yield_strength"] == pytest.approx(psi, rel=1e-11)
    density = metric["density"] * 1e3 * constants.inch**3 / constants.pound
    assert inch["density"] == pytest.approx(density, rel=1e-11)
    assert inch["elongation"] == metric["elongation"]


def test_inch_tube_comes_in_whole_sixteenths_and_decimal_walls(client: FlaskClient) -> None:
    # dash number: outside diameter in sixteenths of an inch; 18 gauge BWG is 0.049 in (from memory)
    rows = listed(listing(client, "/v1/tube-sizes?units=inch"))
    inch = [row for row in rows if row["system"] == "inch"]
    assert len(inch) > 50
    for row in inch:
        assert row["outside_diameter"] == row["dash"] / 16
        assert len(str(row["wall_thickness"])) <= 5, row
    assert {row["wall_thickness"] for row in inch if row["gauge"] == 18} == {0.049}
    assert all(row["dash"] is None and row["gauge"] is None for row in rows if row not in inch)


def test_metric_and_inch_name_the_same_tube(client: FlaskClient) -> None:
    metric = items(client, "/v1/tube-sizes")
    inch = items(client, "/v1/tube-sizes?units=inch")
    assert metric.keys() == inch.keys()
    for name, row in metric.items():
        assert row["outside_diameter"] == pytest.approx(25.4 * inch[name]["outside_diameter"])
        assert row["wall_thickness"] == pytest.approx(25.4 * inch[name]["wall_thickness"])
        assert row["dash"] == inch[name]["dash"]


def test_memory_is_told(client: FlaskClient) -> None:
    for path in ("/v1/materials", "/v1/tube-sizes"):
        answer = listing(client, path)
        assert {item["trust"] for item in listed(answer)} & {"memory"}
        assert any("memory" in caution for caution in answer["cautions"])


def test_dies_and_benders_name_one_another(client: FlaskClient) -> None:
    all_dies, all_benders = items(client, "/v1/dies"), items(client, "/v1/benders")
    pairs = {(b, d) for b, bender in all_benders.items() for d in bender["dies"]}
    assert pairs == {(b, d) for d, die in all_dies.items() for b in die["benders"]}
    assert pairs


def test_angles_of_the_profile_come_back_in_degrees(client: FlaskClient) -> None:
    profile = json.loads(shared_file("shop", "demo.json").read_text(encoding="utf-8"))
    for path, section in (("/v1/dies", "dies"), ("/v1/benders", "benders")):
        found = items(client, path)
        for stated in profile[section]:
            assert found[stated["id"]]["largest_angle"] == stated["largest_angle"]


def test_methods_lists_every_source_and_the_digest_of_the_answers(client: FlaskClient) -> None:
    answer = listing(client, "/v1/methods")
    assert {source["id"] for source in answer["sources"]} == set(reference.sources())
    from service.api.mark_layout import EXAMPLE

    posted = client.post("/v1/mark-layout", json=EXAMPLE).get_json()
    assert posted["version"] == answer["version"]
    known = items(client, "/v1/methods")
    for method in posted["basis"]:
        assert known[method["id"]]["formula"] == method["formula"]
    assert posted["basis"]


# --- another shop --------------------------------------------------------------------------------


@pytest.fixture
def own_shop(tmp_path: Path) -> Iterator[FlaskClient]:
    profile = {
        "format": 1,
        "id": "test-shop",
        "name": "A < B & C",
        "units": "metric",
        "benders": [
            {
                "id": "only",
                "name": "Angle < 90 > 80",
                "least_outside_diameter": 10,
                "largest_outside_diameter": 20,
                "largest_angle": 95.5,
                "dies": ["d12"],
            }
        ],
        "dies": [
            {
                "id": "d12",
                "name": "12",
                "tube_outside_diameter": 12,
                "radius": 36,
                "largest_angle": 95.5,
            }
        ],
    }
    file = tmp_path / "shop.json"
    file.write_text(json.dumps(profile), encoding="utf-8")
    yield create_app({"SERVICE_SHOP_FILE": str(file)}).test_client()
    create_app()  # the demonstration shop serves again


def test_look_ups_follow_the_loaded_profile(own_shop: FlaskClient) -> None:
    answer = listing(own_shop, "/v1/benders")
    (bender,) = listed(answer)
    assert bender["name"] == "Angle < 90 > 80"
    assert bender["largest_angle"] == 95.5
    assert bender["drive"] is None
    assert bender["source"] == "shop-profile"
    assert not any("invented" in caution for caution in answer["cautions"])
    assert follows_schema("get", "/v1/benders", answer)
    (die,) = listed(listing(own_shop, "/v1/dies"))
    assert (die["benders"], die["stretch"], die["clamp_length"]) == (["only"], None, None)


def test_demonstration_shop_says_that_it_is_invented(client: FlaskClient) -> None:
    for path in ("/v1/benders", "/v1/dies"):
        assert any("invented" in caution for caution in listing(client, path)["cautions"])


# --- validators ----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_etag_is_strong_and_made_of_the_bytes(client: FlaskClient, path: str) -> None:
    first, second = client.get(path), client.get(path)
    assert first.data == second.data
    digest = hashlib.sha256(first.data).hexdigest()[:32]
    assert first.headers["ETag"] == second.headers["ETag"] == f'"{digest}"'
    assert first.headers["Cache-Control"] == "max-age=300"


@pytest.mark.parametrize("path", MEASURED)
def test_each_unit_system_has_its_own_etag(client: FlaskClient, path: str) -> None:
    metric, inch = client.get(path), client.get(path + "?units=inch")
    assert metric.headers["ETag"] != inch.headers["ETag"]
    assert client.get(path + "?units=metric").data == metric.data
    assert inch.get_json()["units"] == "inch"


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "form", ["{}", "W/{}", "*", '"a", {}', 'W/"a" , W/{}, "b"', '"a,b", {}'], ids=str
)
def test_if_none_match_that_names_it_gives_304(client: FlaskClient, path: str, form: str) -> None:
    tag = client.get(path).headers["ETag"]
    for method in (client.get, client.head):
        answer = method(path, headers={"If-None-Match": form.format(tag)})
        assert answer.status_code == 304
        assert answer.data == b""
        assert answer.headers["ETag"] == tag
        assert answer.headers["Cache-Control"] == "max-age=300"
        assert "Content-Type" not in answer.headers


@pytest.mark.parametrize(
    "form", ['"a"', 'W/"a", "b"', '"*"', '""', "{cut}", "nonsense", '"{tag}x"']
)
def test_if_none_match_that_names_something_else_gives_the_body(
    client: FlaskClient, form: str
) -> None:
    tag = client.get(PATHS[0]).headers["ETag"].strip('"')
    header = form.format(tag=tag, cut=f'"{tag[:-1]}"')
    answer = client.get(PATHS[0], headers={"If-None-Match": header})
    assert answer.status_code == 200
    assert answer.get_json()["result"]["materials"]


def test_etag_of_one_unit_system_does_not_match_the_other(client: FlaskClient) -> None:
    tag = client.get("/v1/dies").headers["ETag"]
    answer = client.get("/v1/dies?units=inch", headers={"If-None-Match": tag})
    assert answer.status_code == 200


@pytest.mark.parametrize("path", PATHS)
def test_head_tells_what_get_would_and_sends_no_body(client: FlaskClient, path: str) -> None:
    same = {"X-Request-Id": "one-for-both"}
    got, head = client.get(path, headers=same), client.head(path, headers=same)
    assert head.status_code == 200
    assert head.data == b""
    assert dict(head.headers) == dict(got.headers)
    assert int(head.headers["Content-Length"]) == len(got.data)


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/json", 200),
        ("application/*", 200),
        ("*/*", 200),
        ("text/html, application/json;q=0.1", 200),
        ("text/html", 406),
        ("application/json;q=0", 406),
        ("application/xml, text/*", 406),
    ],
)
def test_media_types(client: FlaskClient, path: str, accept: str, status: int) -> None:
    answer = client.get(path, headers={"Accept": accept})
    assert answer.status_code == status
    if status == 406:
        assert answer.content_type == "application/problem+json"
        assert "application/json" in answer.get_json()["detail"]


@pytest.mark.parametrize("path", PATHS)
def test_unknown_query_parameter_is_refused(client: FlaskClient, path: str) -> None:
    answer = client.get(path + "?unit=inch")
    assert answer.status_code == 422
    assert answer.content_type == "application/problem+json"
    (entry,) = answer.get_json()["errors"]
    assert (entry["pointer"], entry["code"]) == ("/unit", "unknown_query_parameter")
    assert entry["allowed"] == ("none" if path == "/v1/methods" else "units")


@pytest.mark.parametrize("path", MEASURED)
@pytest.mark.parametrize("value", ["", "Metric", "mm", "inch ", "%00", "%ff", "metric,inch"])
def test_unit_system_out_of_the_list_is_refused(client: FlaskClient, path: str, value: str) -> None:
    answer = client.get(f"{path}?units={value}")
    assert answer.status_code == 422
    (entry,) = answer.get_json()["errors"]
    assert (entry["pointer"], entry["code"]) == ("/units", "not_a_choice")
    assert entry["allowed"] == "metric, inch"


def test_methods_have_no_units(client: FlaskClient) -> None:
    assert "units" not in listing(client, "/v1/methods")
    assert client.get("/v1/methods?units=metric").status_code == 422


def test_repeated_query_parameter_is_refused_even_with_one_value(client: FlaskClient) -> None:
    answer = client.get("/v1/dies?units=inch&units=inch")
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["code"] == "query_parameter_repeated"


def test_each_bad_parameter_has_an_entry_and_long_names_are_cut(client: FlaskClient) -> None:
    long = "n" * 3000
    answer = client.get(f"/v1/dies?units=x&a=1&b=2&{long}=3&c/~d=4")
    assert answer.status_code == 422
    entries = answer.get_json()["errors"]
    assert [entry["pointer"] for entry in entries[:3]] == ["/units", "/a", "/b"]
    assert entries[4]["pointer"] == "/c~1~0d"
    assert component("Problem").is_valid(answer.get_json())


def test_more_bad_parameters_than_are_told_still_answers(client: FlaskClient) -> None:
    query = "&".join(f"p{n}=1" for n in range(300))
    answer = client.get(f"/v1/dies?{query}")
    assert answer.status_code == 422
    assert len(answer.get_json()["errors"]) == 100


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_other_methods_are_refused_with_allow(client: FlaskClient, path: str, method: str) -> None:
    answer = client.open(path, method=method, json={})
    assert answer.status_code == 405
    assert {"GET", "HEAD"} <= set(answer.headers["Allow"].split(", "))
    assert answer.content_type == "application/problem+json"


@pytest.mark.parametrize("path", PATHS)
def test_specification_promises_what_was_tested(path: str) -> None:
    operation = SPEC["paths"][path]["get"]
    assert {"200", "304", "405", "406", "422", "500"} <= operation["responses"].keys()
    assert operation["operationId"]
    assert operation["summary"]
    assert operation["description"]
    assert operation["responses"]["200"]["content"]["application/json"]["example"]["result"]
    for status in ("200", "304"):
        assert {"ETag", "Cache-Control"} <= operation["responses"][status]["headers"].keys()
    names = [parameter["name"] for parameter in operation.get("parameters", [])]
    assert names == ([] if path == "/v1/methods" else ["units"])
