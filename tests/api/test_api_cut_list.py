"""The cut list over HTTP: JSON and CSV in and out, inch, masses, limits, refusals, formulas.

Sources: RFC 4180 for CSV, RFC 9110 (12.5.1) for Accept; the mass is that of a ring of steel worked
out by hand; files written are read back with Python's own ``csv`` module.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import math
import re
import subprocess
import sys
import time
from collections import Counter
from fractions import Fraction
from typing import Any

import pytest
from conftest import Post
from endpoints import in_inches
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from werkzeug.test import TestResponse

from service.api.cut_list import CSV, CSV_EXAMPLE, EXAMPLE, JSON

PATH = "/v1/cut-list"
QUERY = "?kerf=2&least_remnant=300"
BODY: dict[str, Any] = {
    "parts": [
        {"id": "a", "length": 1200, "quantity": 7},
        {"id": "b", "length": 555.5, "quantity": 4},
    ],
    "stock": [{"id": "bar", "length": 6000}],
    "remnants": [{"id": "rack", "length": 1500}],
    "saw": {"kerf": 3, "least_remnant": 250},
}


def changed(path: str, value: Any) -> dict[str, Any]:
    """The body with one member set, or removed where the value is ``...``."""
    body = copy.deepcopy(BODY)
    steps: list[Any] = [int(step) if step.isdigit() else step for step in path.split("/")]
    last = steps.pop()
    target: Any = body
    for step in steps:
        target = target[step] if isinstance(target, list) else target.setdefault(step, {})
    if value is ...:
        del target[last]
    else:
        target[last] = value
    return body


def post_csv(client: FlaskClient, text: str, query: str = QUERY, **headers: str) -> TestResponse:
    return client.post(
        PATH + query, data=text.encode(), content_type="text/csv; charset=utf-8", headers=headers
    )


def refusals(response: TestResponse) -> list[tuple[str, str]]:
    assert response.status_code == 422, response.get_data(as_text=True)
    assert response.content_type == "application/problem+json"
    return [(entry["pointer"], entry["code"]) for entry in response.get_json()["errors"]]


def pieces(answer: dict[str, Any]) -> Counter[str]:
    found: Counter[str] = Counter()
    for tube in answer["result"]["tubes"]:
        for pattern in tube["patterns"]:
            for piece in pattern["pieces"]:
                found[piece["part"]] += piece["count"] * pattern["times"]
    return found


# --- JSON ----------------------------------------------------------------------------------------


def test_the_example_cuts_every_piece_and_proves_each_due_group(post: Post) -> None:
    answer = post(PATH, EXAMPLE)
    assert pieces(answer) == {part["id"]: part["quantity"] for part in EXAMPLE["parts"]}
    (tube,) = answer["result"]["tubes"]
    assert [group["ended_by"] for group in tube["due_groups"]] == ["proof", "proof"]
    assert answer["result"]["repeatable"] is True
    assert set(answer["version"]) == {"service", "methods"}
    assert any("blade" in caution for caution in answer["cautions"])


def test_bars_are_filled_and_lengths_add_up(post: Post) -> None:
    (tube,) = post(PATH, BODY)["result"]["tubes"]
    for pattern in tube["patterns"]:
        cut = sum(piece["length"] * piece["count"] for piece in pattern["pieces"])
        whole = cut + pattern["kerf"] + pattern["trim"] + pattern["rest"]
        assert whole == pytest.approx(pattern["bar_length"], abs=1e-9)
    went = tube["lengths"]
    into = sum(went[name] for name in ("parts", "kerf", "trim", "scrap", "returned"))
    assert went["stock"] + went["remnants"] == pytest.approx(into, abs=1e-9)


def test_the_same_request_brings_the_same_bytes(client: FlaskClient) -> None:
    assert len({client.post(PATH, json=EXAMPLE).get_data() for _ in range(3)}) == 1


def test_mass_of_a_ring_of_steel(post: Post) -> None:
    # by hand: π/4·(15² − 12²) mm² × 7.85e-6 kg/mm³ = 0.4994 kg/m
    material = {"name": "steel", "elastic_modulus": 210_000, "density": 7.85}
    tube = {"outside_diameter": 15, "wall_thickness": 1.5, "material": material}
    answer = post(PATH, {**BODY, "tubes": [tube]})
    (found,) = answer["result"]["tubes"]
    by_length = math.pi / 4 * (15**2 - 12**2) * 7.85e-6
    assert found["masses"]["parts"] == pytest.approx(by_length * found["lengths"]["parts"])
    assert found["masses"]["stock"] == pytest.approx(by_length * found["lengths"]["stock"])
    assert "metal-mass" in {method["id"] for method in answer["basis"]}
    bare = post(PATH, BODY)
    assert bare["result"]["tubes"][0]["masses"] is None
    assert "metal-mass" not in {method["id"] for method in bare["basis"]}


def test_masses_come_in_pounds_with_inches(post: Post) -> None:
    inch = in_inches({**BODY, "tubes": []})
    inch["tubes"] = [{"outside_diameter": 0.5, "wall_thickness": 0.049, "material": "tp316l"}]
    metric = copy.deepcopy(BODY)
    metric["tubes"] = [{"outside_diameter": 12.7, "wall_thickness": 1.2446, "material": "tp316l"}]
    (in_pounds,), (in_kilograms,) = (
        post(PATH, {**body, "search": {"step": step}})["result"]["tubes"]
        for body, step in ((inch, 0.1 / 25.4), (metric, 0.1))
    )
    for name, pounds in in_pounds["masses"].items():
        assert pounds * 0.45359237 == pytest.approx(in_kilograms["masses"][name])


def test_inch_and_metric_are_the_same_plan(post: Post) -> None:
    metric = post(PATH, BODY)["result"]["tubes"][0]
    inch = post(PATH, {**in_inches(BODY), "search": {"step": 0.1 / 25.4}})["result"]["tubes"][0]
    for a, b in zip(metric["patterns"], inch["patterns"], strict=True):
        assert (a["times"], a["source_id"]) == (b["times"], b["source_id"])
        for name in ("bar_length", "kerf", "rest"):
            assert b[name] * 25.4 == pytest.approx(a[name], abs=1e-6)


def test_fractions_of_an_inch_stay_exact(post: Post) -> None:
    body = {
        "units": "inch",
        "parts": [
            {"id": "a", "length": 19 + 31 / 32, "quantity": 3},
            {"id": "b", "length": 7 + 63 / 64, "quantity": 2},
        ],
        "stock": [{"id": "bar", "length": 240.25}, {"id": "half", "length": 119 + 7 / 16}],
        "saw": {"kerf": 3 / 32, "least_remnant": 12, "end_trim": 0.25},
    }
    answer = post(PATH, body)
    assert [f["code"] for f in answer["findings"] if "rounded" in f["code"]] == []
    (tube,) = answer["result"]["tubes"]
    numbers = [tube["bound"][name] for name in ("value", "lower_bound")]
    for pattern in tube["patterns"]:
        numbers += [pattern[name] for name in ("bar_length", "kerf", "trim", "rest")]
        numbers += [piece["length"] for piece in pattern["pieces"]]
    for number in numbers:
        assert 64 % Fraction(number).denominator == 0, number
    assert tube["bound"]["objective"] == "stock_length"
    assert tube["bound"]["value"] == 119 + 7 / 16


def test_a_caller_may_choose_the_step(post: Post) -> None:
    body = {**BODY, "units": "inch", "search": {"step": 1 / 32}}
    body["parts"] = [{"id": "a", "length": 10 + 1 / 64, "quantity": 1}]
    body["stock"] = [{"id": "bar", "length": 240}]
    body["saw"] = {"kerf": 1 / 16, "least_remnant": 10}
    answer = post(PATH, {**body, "remnants": []})
    (pattern,) = answer["result"]["tubes"][0]["patterns"]
    assert pattern["pieces"][0]["length"] == 10 + 1 / 32
    (finding,) = [f for f in answer["findings"] if f["code"] == "cut_list_lengths_rounded"]
    assert finding["value"] == {"value": pytest.approx(1 / 64), "unit": "in"}


def test_a_seed_and_a_budget_are_taken(post: Post) -> None:
    answer = post(PATH, {**BODY, "search": {"seed": 2**31 - 1, "time_budget": 0.1}})
    assert pieces(answer) == {"a": 7, "b": 4}


def test_the_budget_bounds_the_search(client: FlaskClient) -> None:
    lengths = [2000 + 37 * i % 4001 for i in range(80)]
    parts = [{"id": str(i), "length": x, "quantity": 11 + i % 5} for i, x in enumerate(lengths)]
    body = {**BODY, "parts": parts, "search": {"time_budget": 0.3}}
    start = time.monotonic()
    assert client.post(PATH, json=body).status_code == 200
    assert time.monotonic() - start < 5


# --- limits --------------------------------------------------------------------------------------

# path, just inside, just outside
LIMITS: list[tuple[str, list[Any], list[Any]]] = [
    ("units", ["metric"], ["cm", None]),
    ("parts/0/id", ["x" * 80, "ä 1/2"], ["", "x" * 81, "<b>", "a\nb", 7]),
    ("parts/0/length", [0.1, 1497], [0.09, 0, -1, 6001, "1200", None, True, 1e6]),
    ("parts/0/quantity", [1, 99_996, 3.0], [0, 99_997, 1.5, "3", None]),
    ("parts/0/tube", [""], ["elsewhere", 12, "x" * 81]),
    ("parts/0/due_group", [0, 99_999_999], [-1, 100_000_000, 0.5]),
    ("stock/0/length", [6000, 15_000, 15_000.1, 100_000], [100_000.1, 0.5, None]),
    ("stock/0/count", [2, 100_000], [-1, 0, 100_001]),
    ("stock/0/price", [0.0001, 1e6], [0.00009, 1_000_001, 0]),
    ("remnants/0/length", [1, 15_000, 15_000.1], [0.99, 0.005, 100_000.1]),
    ("remnants/0/count", [1, 2000], [0, 2001]),
    ("saw/kerf", [0, 50], [-0.1, 50.1, ...]),
    ("saw/least_remnant", [0, 100_000], [-1, 100_001, ...]),
    ("saw/end_trim", [0, 3590], [-1, 100_001]),
    ("saw/remnant_end_trim", [0, 100_000], [-1, 100_001]),
    ("saw/part_last_piece", [True, False], [1, "true", None]),
    ("search/time_budget", [0.1], [0.09, 10.01, "2"]),
    ("search/seed", [0, 2**31 - 1], [-1, 2**31, 0.5]),
    ("search/step", [0.05, 1], [0.009, 1.01]),
    ("tubes", [[]], [{}, [{"outside_diameter": 10}]]),
    ("stock", [[{"id": "s", "length": 6000}]], [{}]),
    ("surprise", [], [1]),
    ("parts/0/surprise", [], [1]),
    ("saw", [], [..., []]),
    ("parts", [], [..., []]),
]
# sums are told where all the items stand
ELSEWHERE = {("parts/0/quantity", 99_997): "/parts", ("stock/0/count", 0): "/stock"}
INSIDE = [(path, value) for path, good, _ in LIMITS for value in good]
OUTSIDE = [(path, value) for path, _, bad in LIMITS for value in bad]


@pytest.mark.parametrize(("path", "value"), INSIDE, ids=str)
def test_just_inside_is_computed(post: Post, path: str, value: Any) -> None:
    assert post(PATH, changed(path, value))["result"]["tubes"]


@pytest.mark.parametrize(("path", "value"), OUTSIDE, ids=str)
def test_just_outside_is_refused_at_its_place(client: FlaskClient, path: str, value: Any) -> None:
    found = refusals(client.post(PATH, json=changed(path, value)))
    where = ELSEWHERE.get((path, value), "/" + path) if isinstance(value, int) else "/" + path
    assert any(pointer == where or pointer.startswith(where + "/") for pointer, _ in found), found


@pytest.mark.parametrize(
    ("group", "most"), [("parts", 1000), ("stock", 500), ("remnants", 2000), ("tubes", 500)]
)
def test_as_many_items_as_allowed(client: FlaskClient, group: str, most: int) -> None:
    one = {
        "parts": {"length": 1000, "quantity": 1},
        "tubes": {"outside_diameter": 9, "wall_thickness": 1},
    }
    item = one.get(group, {"length": 5000})
    body = {**BODY, "search": {"time_budget": 0.1}}
    body[group] = [{"id": f"x{i}", **item} for i in range(most)]
    assert client.post(PATH, json=body).status_code == 200
    body[group].append({"id": "more", **item})
    assert refusals(client.post(PATH, json=body)) == [(f"/{group}", "array_length")]


REFUSED: list[tuple[str, Any, str, str]] = [
    ("parts/0/length", 6001, "/parts/0/length", "part_fits_no_bar"),
    ("parts/1/id", "a", "/parts/1/id", "cut_list_id_twice"),
    ("parts/0/tube", "12x1", "/parts/0/tube", "no_stock_for_tube"),
    ("stock/0/count", 1, "/stock", "stock_cannot_hold_parts"),
    (
        "stock",
        [{"id": "s", "length": 6000, "price": 1}, {"id": "t", "length": 5000}],
        "/stock/1/price",
        "price_for_some_stock_only",
    ),
    (
        "tubes",
        [{"outside_diameter": 9, "wall_thickness": 1}] * 2,
        "/tubes/1/id",
        "cut_list_id_twice",
    ),
    (
        "tubes",
        [{"outside_diameter": 9, "wall_thickness": 4.5}],
        "/tubes/0/wall_thickness",
        "wall_not_below_half_diameter",
    ),
]


@pytest.mark.parametrize(("path", "value", "pointer", "code"), REFUSED)
def test_what_cannot_be_cut_is_refused_with_the_reason(
    client: FlaskClient, path: str, value: Any, pointer: str, code: str
) -> None:
    response = client.post(PATH, json=changed(path, value))
    assert refusals(response) == [(pointer, code)]
    problem = response.get_json()
    assert problem["type"].endswith(code.replace("_", "-"))
    assert "…" not in problem["detail"]
    assert "{" not in problem["detail"]


def test_a_part_that_fits_no_bar_is_named_with_the_longest_that_would(client: FlaskClient) -> None:
    body = changed("parts/0/length", 5990.5)
    body["saw"]["end_trim"] = 10
    detail = client.post(PATH, json=body).get_json()["detail"]
    assert "Part a is 5990.5 mm" in detail
    assert "gives 5990 mm" in detail


def test_malformed_bodies_and_strange_media_types(client: FlaskClient) -> None:
    twice = '{"parts":[],"parts":[]}'
    assert client.post(PATH, data=twice, content_type="application/json").status_code == 400
    assert client.post(PATH, data="x", content_type="text/plain").status_code == 415
    latin = client.post(PATH + QUERY, data="x", content_type="text/csv; charset=latin-1")
    assert latin.status_code == 415
    assert client.post(PATH, json=EXAMPLE, headers={"Accept": "image/png"}).status_code == 406
    with_query = client.post(PATH + "?kerf=2", json=EXAMPLE)
    assert with_query.status_code == 422
    assert "kerf" in with_query.get_json()["detail"]
    assert client.get(PATH).status_code == 405


def test_a_body_past_the_limit_is_refused(client: FlaskClient) -> None:
    head = "kind,id,length_mm,quantity\r\n"
    row = "part,p,1,1\r\n"
    big = head + row * (1_000_001 // len(row))
    assert post_csv(client, big + row).status_code == 413
    assert refusals(post_csv(client, head + row * 5001)) == [("/lines/5002", "csv_too_many_rows")]


def detail(response: TestResponse) -> str:
    assert response.status_code == 422, response.get_data(as_text=True)
    told: str = response.get_json()["errors"][0]["detail"]
    return told


@pytest.mark.parametrize(
    ("units", "path", "value", "allowed"),
    [
        # published bounds are for both units and wider; what is told is the truth in mm and in
        ("metric", "saw/kerf", 50.1, "0 mm to 50 mm"),
        ("metric", "saw/kerf", 101, "0 to 50 mm"),
        ("inch", "saw/kerf", 1.97, "0 in to 1.968503 in"),
        ("inch", "saw/kerf", 101, "0 to 1.968503 in"),
        ("metric", "stock/0/length", 0.02, "1 mm to 100000 mm"),
        ("metric", "stock/0/length", 0.002, "1 to 100000 mm"),
        ("inch", "stock/0/length", 0.03937, "0.039371 in to 3937.007874 in"),
        ("inch", "remnants/0/length", 100_001, "0.039371 to 3937.007874 in"),
        ("metric", "parts/0/length", 0.09, "0.1 mm to 100000 mm"),
        ("metric", "search/step", 0.009, "0.01 mm to 1 mm"),
        ("metric", "search/step", 0.00001, "0.01 to 1 mm"),
        ("inch", "search/step", 0.04, "0.000394 in to 0.03937 in"),
        ("metric", "search/time_budget", 11, "time_budget is 11; allowed is 0.1 to 10 s"),
    ],
)
def test_what_is_told_as_allowed_is_the_same_wherever_it_is_refused(
    client: FlaskClient, units: str, path: str, value: float, allowed: str
) -> None:
    body = {**changed(path, value), "units": units}
    if path != "saw/kerf":
        body["saw"]["kerf"] = 0.1
    told = detail(client.post(PATH, json=body))
    assert f"{allowed}." in told


@pytest.mark.parametrize(
    ("units", "bar", "step"),
    [
        ("metric", 15_000, 0.1),
        ("metric", 18_000, 0.2),
        ("inch", 2343, 1 / 64),
        ("inch", 3000, 1 / 32),
    ],
)
def test_the_step_follows_the_longest_bar_and_is_told(
    post: Post, units: str, bar: float, step: float
) -> None:
    # 150,000 steps of 0.1 mm are 15 m; of 1/64 in 2343.75 in
    body = {
        "units": units,
        "parts": [{"id": "a", "length": 1000, "quantity": 3}],
        "stock": [{"id": "s", "length": bar}],
        "saw": {"kerf": 0.5, "least_remnant": 30},
    }
    answer = post(PATH, body)
    assert answer["result"]["step"] == step
    found = [f for f in answer["findings"] if f["code"] == "cut_list_coarser_step"]
    assert [f["limit"]["value"] for f in found] == ([step] if step in (0.2, 1 / 32) else [])


def test_a_step_too_fine_for_the_bar_names_its_cure(client: FlaskClient, post: Post) -> None:
    body = changed("search/step", 0.01)
    told = detail(client.post(PATH, json=body))
    assert "search.step" in told
    assert "0.04 mm or more" in told
    assert post(PATH, changed("search/step", 0.04))["result"]["step"] == 0.04
    body = {**in_inches(BODY), "search": {"step": 0.01 / 25.4}}
    cure = re.search(r"to ([0-9.]+) in or more", detail(client.post(PATH, json=body)))
    assert cure is not None
    post(PATH, {**body, "search": {"step": float(cure[1])}})


def test_sums_are_told_as_sums(client: FlaskClient) -> None:
    body = changed("parts", [{"id": x, "length": 10, "quantity": 60_000} for x in "ab"])
    response = client.post(PATH, json=body)
    assert detail(response).startswith("The sum of the quantities of all parts is 120000;")
    assert response.get_json()["errors"][0]["value"] == 120_000
    body = changed("remnants", [{"id": x, "length": 900, "count": 1500} for x in "ab"])
    assert detail(client.post(PATH, json=body)).startswith(
        "The sum of the counts of all remnants is 3000;"
    )
    german = client.post(PATH, json=body, headers={"Accept-Language": "de"})
    assert detail(german).startswith("Die Summe der Anzahlen aller Reststücke ist 3000;")


def test_parts_that_fit_no_bar_are_all_told(client: FlaskClient) -> None:
    parts = [
        {"id": f"p{i}", "length": 7000 + i, "quantity": 1, "tube": f"t{i % 3}"} for i in range(120)
    ]
    stock = [{"id": "s", "length": 6000, "tube": f"t{i}"} for i in range(3)]
    body = {**BODY, "parts": parts, "stock": stock, "remnants": []}
    problem = client.post(PATH, json=body).get_json()
    assert problem["type"].endswith("part-fits-no-bar")
    assert problem["detail"].startswith("120 parts fit no bar: p0, ")
    assert len(problem["errors"]) == 100
    assert {entry["code"] for entry in problem["errors"]} == {"part_fits_no_bar"}
    problem = client.post(PATH, json={**body, "stock": stock[:1]}).get_json()
    codes = Counter(entry["code"] for entry in problem["errors"])
    assert codes == {"part_fits_no_bar": 40, "no_stock_for_tube": 2}
    assert "of which part p1 is cut" in str(problem["errors"])


def test_the_cause_is_told_where_the_grid_or_a_count_keeps_a_part_out(client: FlaskClient) -> None:
    body = {**BODY, "remnants": [], "stock": [{"id": "s", "length": 6000.05}]}
    body["parts"] = [{"id": "a", "length": 6000.05, "quantity": 1}]
    assert "search.step" in detail(client.post(PATH, json=body))
    assert client.post(PATH, json={**body, "search": {"step": 0.05}}).status_code == 200
    body["stock"] = [{"id": "s", "length": 7000, "count": 0}]
    told = detail(client.post(PATH, json=body))
    assert "count 0" in told
    assert "gives 7000 mm" in told


def test_ids_may_stand_once_for_each_tube(client: FlaskClient, post: Post) -> None:
    body = copy.deepcopy(BODY)
    for group in ("parts", "stock", "remnants"):
        body[group] += [{**line, "tube": "other"} for line in body[group]]
    first, second = post(PATH, body)["result"]["tubes"]
    assert first["patterns"] == second["patterns"]
    body["stock"].append({**body["stock"][-1], "length": 5000})
    assert refusals(client.post(PATH, json=body)) == [("/stock/2/id", "cut_list_id_twice")]


def test_a_mistyped_tube_is_told(client: FlaskClient, post: Post) -> None:
    body = changed("remnants/0/tube", "12 x 1")
    (finding,) = post(PATH, body)["findings"]
    assert (finding["code"], finding["severity"]) == ("cut_list_tube_of_no_part", "needs_care")
    assert "'12 x 1' (remnants)" in finding["text"]
    # the longest text is still within what the specification allows
    stock = [{"id": str(i), "length": 900, "tube": f"{i:080}"} for i in range(400)]
    tubes = [{"id": line["tube"], "outside_diameter": 9, "wall_thickness": 1} for line in stock]
    body = {**BODY, "stock": [*BODY["stock"], *stock], "remnants": stock, "tubes": tubes}
    for language in ("en", "de"):
        response = client.post(PATH, json=body, headers={"Accept-Language": language})
        (finding,) = response.get_json()["findings"]
        assert len(finding["text"]) <= 1000


def test_prices_of_five_decimals_are_exact(post: Post) -> None:
    # by hand: 1000 bars at 20.00006 for two pieces each, or 2000 at 10.00004 for one
    body = {
        "parts": [{"id": "a", "length": 3000, "quantity": 2000}],
        "stock": [
            {"id": "6", "length": 6000, "price": 20.00006},
            {"id": "3", "length": 3000, "price": 10.00004},
        ],
        "saw": {"kerf": 0, "least_remnant": 300},
    }
    (tube,) = post(PATH, body)["result"]["tubes"]
    bound = tube["bound"]
    assert tube["cost"] == bound["value"] == bound["lower_bound"] == 20_000.06
    assert (bound["gap"], bound["proven_optimal"]) == (0, True)


def test_no_price_no_cost(post: Post) -> None:
    body = changed("parts", [{"id": "a", "length": 1200, "quantity": 1}])
    assert post(PATH, body)["result"]["tubes"][0]["cost"] is None
    body["stock"][0]["price"] = 31.9
    assert post(PATH, body)["result"]["tubes"][0]["cost"] == 0


def test_what_is_lacking_is_not_overstated(client: FlaskClient) -> None:
    # 240 in hold 21 pieces of 11 1/4 in with cuts of 3/32 in (21·11 11/32 = 238 7/32); one is left
    body = {
        "units": "inch",
        "parts": [{"id": "a", "length": 11.25, "quantity": 22}],
        "stock": [{"id": "s", "length": 240, "count": 1}],
        "saw": {"kerf": 3 / 32, "least_remnant": 12},
    }
    assert "At least 11.34375 in is lacking" in detail(client.post(PATH, json=body))
    german = client.post(PATH, json=body, headers={"Accept-Language": "de"})
    assert "Mindestens 11,34375 in fehlen" in detail(german)


@pytest.mark.parametrize("prices", [(None, None), (21.60317, 26.11193)])
@pytest.mark.parametrize("units", ["metric", "inch"])
def test_a_bound_in_words_is_that_in_numbers(
    post: Post, units: str, prices: tuple[float | None, float | None]
) -> None:
    # lengths by a rule that leaves a gap within the least budget
    most, bars = (5000, (6000, 7000)) if units == "metric" else (200, (240, 280.015625))
    lengths = [most * (7 + 37 * i % 89) / 96 for i in range(60)]
    body = {
        "units": units,
        "parts": [
            {"id": str(i), "length": math.ceil(x * 64) / 64, "quantity": 5 + i % 50}
            for i, x in enumerate(lengths)
        ],
        "stock": [
            {"id": str(bar), "length": bar, **({"price": price} if price else {})}
            for bar, price in zip(bars, prices, strict=True)
        ],
        "saw": {"kerf": 0.09375, "least_remnant": 12},
        "search": {"time_budget": 0.1},
    }
    answer = post(PATH, body)
    bound = answer["result"]["tubes"][0]["bound"]
    (finding,) = [f for f in answer["findings"] if f["code"] == "cut_list_not_proven"]
    numbers = re.search(r"takes ([0-9.]+).*at least ([0-9.]+).*up to ([0-9.]+)", finding["text"])
    assert numbers is not None
    value, least, gap = map(float, numbers.groups())
    assert value == pytest.approx(bound["value"], abs=1e-6)
    assert bound["lower_bound"] - 1e-6 <= least <= bound["lower_bound"]
    assert bound["gap"] <= gap <= bound["gap"] + 1e-6
    assert finding["limit"]["value"] <= bound["lower_bound"]
    assert finding["limit"]["value"] == pytest.approx(bound["lower_bound"], rel=1e-12)


# --- CSV -----------------------------------------------------------------------------------------


def test_csv_brings_the_same_answer_as_json(client: FlaskClient, post: Post) -> None:
    text = (
        "kind,id,length_mm,quantity,tube,due_group,price\r\n"
        "part,a,1200,7,,,\r\npart,b,555.5,4,,,\r\nstock,bar,6000,,,,\r\nremnant,rack,1500,,,,\r\n"
    )
    answer = post_csv(client, text, "?kerf=3&least_remnant=250&seed=0")
    assert answer.get_json() == post(PATH, BODY)


def test_the_csv_example_runs_in_all_four_ways(client: FlaskClient) -> None:
    as_json = post_csv(client, CSV_EXAMPLE)
    assert as_json.content_type == "application/json"
    for sent in (post_csv(client, CSV_EXAMPLE, Accept="text/csv"), both_csv(client)):
        assert sent.status_code == 200
        assert sent.content_type == "text/csv; charset=utf-8; header=present"
        assert "Accept" in {name.strip() for name in sent.headers["Vary"].split(",")}
        assert sent.headers["Methods-Version"] == as_json.get_json()["version"]["methods"]
        assert sent.headers["Service-Version"] == as_json.get_json()["version"]["service"]


def both_csv(client: FlaskClient) -> TestResponse:
    return client.post(PATH, json=EXAMPLE, headers={"Accept": "text/csv, application/json;q=0.5"})


def test_the_csv_plan_is_the_plan_of_the_json_answer(client: FlaskClient, post: Post) -> None:
    response = both_csv(client)
    rows = list(csv.DictReader(io.StringIO(response.get_data(as_text=True), newline="")))
    answer = post(PATH, EXAMPLE)
    (tube,) = answer["result"]["tubes"]
    wanted = [
        (str(p["number"]), p["source_id"], piece["part"], float(piece["length"]), p["rest"])
        for p in tube["patterns"]
        for piece in p["pieces"]
    ]
    found = [
        (r["pattern"], r["source_id"], r["part"], float(r["piece_length_mm"]), float(r["rest_mm"]))
        for r in rows
    ]
    assert found == wanted
    cut: Counter[str] = Counter()
    for row in rows:
        cut[row["part"]] += int(row["pieces"])
    assert cut == pieces(answer)
    assert response.headers["Findings"] == ", ".join(f["code"] for f in answer["findings"])


def test_remnants_that_come_back_feed_the_next_list(client: FlaskClient) -> None:
    first = post_csv(client, CSV_EXAMPLE).get_json()["result"]["tubes"][0]
    rows = [
        f"remnant,back-{i},{back['length']},{back['count']},15x1.5"
        for i, back in enumerate(first["remnants_returned"])
    ]
    text = "\r\n".join(["kind,id,length_mm,quantity,tube", "part,next,400,1,15x1.5", *rows])
    second = post_csv(client, text).get_json()["result"]["tubes"][0]
    assert (second["new_bars"], second["remnants_used"]) == (0, 1)


def test_rests_of_the_csv_plan_add_up_to_what_goes_back(client: FlaskClient, post: Post) -> None:
    body = changed("parts", [{"id": "a", "length": 1000, "quantity": 3}])
    body["parts"].append({"id": "a", "length": 1200, "quantity": 2, "due_group": 1})
    body["remnants"] = []
    text = client.post(PATH, json=body, headers={"Accept": CSV}).get_data(as_text=True)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    back = sum(
        float(row["rest_mm"]) * (int(row["bars"]) - int(row["rests_cut_later"]))
        for row in {row["pattern"]: row for row in rows}.values()
        if row["rest_is"] == "remnant"
    )
    returned = post(PATH, body)["result"]["tubes"][0]["lengths"]["returned"]
    assert back == pytest.approx(returned, abs=1e-6)
    assert [row["rests_cut_later"] for row in rows] == ["1", "0"]


FORMULAS = ["=1+1", "=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", '=HYPERLINK("x")', "  =1"]


def as_text(formula: str) -> str:
    """A formula as the specification says that it is written."""
    return "'" + re.sub(r"\|(?=')", "|'", formula)


@pytest.mark.parametrize("formula", FORMULAS)
def test_no_name_comes_back_as_a_formula(client: FlaskClient, formula: str) -> None:
    body = changed("parts/0/id", formula)
    body["stock"] = [{"id": formula, "length": 6000, "tube": formula}]
    body["remnants"] = []
    for part in body["parts"]:
        part["tube"] = formula
    text = client.post(PATH, json=body, headers={"Accept": "text/csv"}).get_data(as_text=True)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for row in rows:
        assert row["tube"] == row["source_id"] == as_text(formula)
    assert {row["part"] for row in rows} == {as_text(formula), "b"}
    # JSON is data and stays as it was sent
    answer = client.post(PATH, json=body).get_json()
    assert answer["result"]["tubes"][0]["tube"] == formula


def test_inch_csv_takes_its_query_in_inches(client: FlaskClient) -> None:
    text = "kind,id,length_in,quantity\r\npart,a,19.96875,3\r\nstock,bar,59.90625,\r\n"
    response = post_csv(client, text, "?kerf=0&least_remnant=12", Accept="text/csv")
    (row,) = csv.DictReader(io.StringIO(response.get_data(as_text=True), newline=""))
    assert (row["piece_length_in"], row["pieces"], row["rest_in"]) == ("19.96875", "3", "0")


HEAD = "kind,id,length_mm,quantity,tube,due_group,price\r\n"
BAR = "stock,bar,6000,,,,\r\n"
BAD_FILES: list[tuple[str, str, list[tuple[str, str]]]] = [
    (HEAD + BAR + "part,x,10;5,1,,,\r\n", QUERY, [("/lines/3/length_mm", "csv_number")]),
    (HEAD + BAR + "part,x,7000,1,,,\r\n", QUERY, [("/lines/3/length_mm", "part_fits_no_bar")]),
    (HEAD + BAR + "part,x,10,1,t,,\r\n", QUERY, [("/lines/3/tube", "no_stock_for_tube")]),
    (HEAD + BAR + "part,<x>,10,1,,,\r\n", QUERY, [("/lines/3/id", "string_pattern")]),
    (HEAD + BAR + "part,x,10,0,,,\r\n", QUERY, [("/lines/3/quantity", "out_of_range")]),
    (HEAD + BAR + "\r\npart,x,10,1,,-1,\r\n", QUERY, [("/lines/4/due_group", "out_of_range")]),
    (HEAD + BAR + "part,x,10,1,,,\r\n" * 2, QUERY, [("/lines/4/id", "cut_list_id_twice")]),
    (
        HEAD + BAR.replace(",,,,", ",200000,,,"),
        QUERY,
        [("/lines", "array_length"), ("/lines/2/quantity", "out_of_range")],
    ),
    (HEAD + BAR, QUERY, [("/lines", "array_length")]),
    ("kind,id,length_cm\r\n", QUERY, [("/lines/1", "csv_column")]),
    ("", QUERY, [("/lines/1", "csv_empty")]),
]
PART = HEAD + BAR + "part,x,10,1,,,\r\n"
BAD_QUERIES: list[tuple[str, list[tuple[str, str]]]] = [
    ("", [("/kerf", "required"), ("/least_remnant", "required")]),
    ("?kerf=2", [("/least_remnant", "required")]),
    (QUERY + "&kerf=3", [("/kerf", "query_parameter_repeated")]),
    (QUERY + "&colour=red", [("/colour", "unknown_field")]),
    (QUERY + "&units=inch", [("/units", "unknown_field")]),
    (QUERY + "&parts=1", [("/parts", "unknown_field")]),
    (QUERY + "&step=2", [("/step", "out_of_range")]),
    (QUERY + "&step=0.001", [("/step", "cut_list_out_of_range")]),
    (QUERY + "&seed=1.5", [("/seed", "not_a_whole_number")]),
    (QUERY + "&time_budget=11", [("/time_budget", "out_of_range")]),
    (QUERY + "&end_trim=abc", [("/end_trim", "not_a_number")]),
    (QUERY + "&end_trim=1e999", [("/end_trim", "not_a_number")]),
    (QUERY + "&seed=5e-1", [("/seed", "not_a_whole_number")]),
    (QUERY + "&end_trim=", [("/end_trim", "not_a_number")]),
    (QUERY + "&part_last_piece=yes", [("/part_last_piece", "not_a_flag")]),
    ("?kerf=60&least_remnant=1", [("/kerf", "cut_list_out_of_range")]),
]


@pytest.mark.parametrize(("text", "query", "wanted"), BAD_FILES)
def test_a_bad_row_is_told_by_its_line(
    client: FlaskClient, text: str, query: str, wanted: list[tuple[str, str]]
) -> None:
    response = post_csv(client, text, query)
    assert sorted(refusals(response)) == sorted(wanted)
    for entry in response.get_json()["errors"]:
        assert "{" not in entry["detail"]
        if entry["pointer"].count("/") == 3:
            assert f"ine {entry['pointer'].split('/')[2]}" in entry["detail"]


@pytest.mark.parametrize(("query", "wanted"), BAD_QUERIES)
def test_a_bad_query_is_told_by_its_parameter(
    client: FlaskClient, query: str, wanted: list[tuple[str, str]]
) -> None:
    assert refusals(post_csv(client, PART, query)) == wanted


def test_all_bad_rows_are_told_at_once(client: FlaskClient) -> None:
    rows = "".join(f"part,p{i},{'x' if i % 2 else 10},1,,,\r\n" for i in range(10))
    assert len(refusals(post_csv(client, HEAD + BAR + rows))) == 5
    zero = "".join(f"part,p{i},{0 if i % 2 else 10},1,,,\r\n" for i in range(10))
    assert len(refusals(post_csv(client, HEAD + BAR + zero))) == 5


def test_a_query_takes_numbers_as_json_writes_them(client: FlaskClient) -> None:
    # RFC 8259, section 6
    plain = post_csv(client, PART, "?kerf=1&least_remnant=300&step=0.4&seed=100")
    other = post_csv(client, PART, "?kerf=1e0&least_remnant=3.00E2&step=4.0E-1&seed=1e2")
    assert plain.status_code == 200
    assert other.get_json() == plain.get_json()


def test_too_many_rows_of_a_kind_are_told_as_rows(client: FlaskClient) -> None:
    rows = "".join(f"part,p{i},10,1,,,\r\n" for i in range(1001))
    response = post_csv(client, HEAD + BAR + rows)
    (entry,) = response.get_json()["errors"]
    assert entry["detail"].startswith("The file has 1001 rows of kind part; allowed is 1 to 1000")
    assert (entry["pointer"], entry["value"]) == ("/lines", 1001)
    none = post_csv(client, HEAD + BAR).get_json()["errors"][0]["detail"]
    assert none.startswith("The file has 0 rows of kind part;")
    many = post_csv(client, HEAD + BAR + "part,p,1,1,,,\r\n" * 5001).get_json()["errors"][0]
    assert "send JSON" not in many["detail"]
    assert "1000 parts" in many["detail"]


def test_flags_and_numbers_of_the_query_are_read(client: FlaskClient) -> None:
    def rest(query: str) -> Any:
        text = HEAD + "stock,bar,6000,1,,,\r\npart,x,2998.5,2,,,\r\n"
        response = post_csv(client, text, query)
        return response.get_json()["result"] if response.status_code == 200 else None

    # 2·2998.5 + 3 = 6000: one cut fits, a second does not
    assert rest("?kerf=3&least_remnant=100&part_last_piece=false")
    assert rest("?kerf=3&least_remnant=100&part_last_piece=true") is None


CELLS = st.sampled_from(
    [
        "part",
        "stock",
        "remnant",
        "a",
        "=1+1",
        "ä",
        "",
        "0",
        "1",
        "-1",
        "5.5",
        "6000",
        "1e9",
        '"',
        "x" * 90,
    ]
)
ROWS = st.lists(st.lists(CELLS, min_size=6, max_size=8).map(",".join), max_size=6)
FILES = ROWS.map(lambda rows: (HEAD + BAR + "\r\n".join(rows)).encode())
NAMES = [
    "kerf",
    "least_remnant",
    "step",
    "seed",
    "time_budget",
    "part_last_piece",
    "parts",
    "_schema",
]
QUERIES = st.lists(st.tuples(st.sampled_from(NAMES), CELLS | st.text(max_size=5)), max_size=5).map(
    lambda pairs: [("kerf", "1"), ("least_remnant", "50"), ("time_budget", "0.1"), *pairs]
)


@settings(max_examples=150, deadline=None)
@given(raw=FILES | st.binary(max_size=300), query=QUERIES, accept=st.sampled_from([JSON, CSV]))
def test_no_file_and_no_query_bring_the_service_down(
    client: FlaskClient, raw: bytes, query: list[tuple[str, str]], accept: str
) -> None:
    response = client.post(
        PATH, query_string=query, data=raw, content_type=CSV, headers={"Accept": accept}
    )
    assert response.status_code in {200, 422}, response.get_data(as_text=True)
    if response.status_code == 200:
        assert response.mimetype == accept


# --- the solver ----------------------------------------------------------------------------------


def test_the_solver_is_not_loaded_to_serve_other_calculations() -> None:
    script = (
        "import sys\n"
        "from service.app import create_app\n"
        "from service.api import mark_layout\n"
        "client = create_app().test_client()\n"
        "assert client.post('/v1/mark-layout', json=mark_layout.EXAMPLE).status_code == 200\n"
        "assert not [name for name in sys.modules if name.startswith('highspy')]\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_numbers_of_the_answer_are_finite(client: FlaskClient) -> None:
    def refuse(word: str) -> Any:
        raise AssertionError(word)

    json.loads(client.post(PATH, json=EXAMPLE).get_data(), parse_constant=refuse)


def test_a_bar_may_hold_thousands_of_pieces(client: FlaskClient) -> None:
    """More than calls may stand in one another: 16 459 pieces of 7.3 with a kerf of 1.5."""
    body = {
        "parts": [{"id": "a", "length": 7.3, "quantity": 16_459}],
        "stock": [{"id": "x", "length": 49_148.2}, {"id": "y", "length": 16_901.0}],
        "saw": {"kerf": 1.5, "least_remnant": 0, "end_trim": 18.2},
        "search": {"step": 1.0},
    }
    response = client.post("/v1/cut-list", json=body)
    assert response.status_code == 200
    patterns = response.get_json()["result"]["tubes"][0]["patterns"]
    cut = sum(p["times"] * piece["count"] for p in patterns for piece in p["pieces"])
    assert cut == 16_459
