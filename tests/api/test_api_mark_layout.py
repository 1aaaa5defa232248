"""Mark layout and developed length over the app: fields, units, refusals, findings."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from conftest import Post
from endpoints import (
    Field,
    Names,
    assert_agree,
    changed,
    codes,
    in_inches,
    pointer_past,
    pointer_to,
    refused,
    two_bends,
)
from flask.testing import FlaskClient

from service.api import developed_length, mark_layout

LAYOUT, LENGTH = "/v1/mark-layout", "/v1/developed-length"

RUN = two_bends(45, 45)
FULL: dict[str, Any] = {
    "units": "metric",
    "run": RUN,
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"},
    "stretch": 0.02,
    "ends": {
        "end_1": [{"name": "flare", "length": 4}],
        "end_2": [{"name": "insertion", "length": 9}],
        "trim": 5,
    },
}
FULL_LAYOUT: dict[str, Any] = {
    **FULL,
    "measured_from": "end_1",
    "measure": "from_end",
    "mark_offset": 3,
    "springback": [{"constant": 1, "proportional": 0.02, "radius": 45}],
    "bench": {"step": 0.5, "angle_step": 0.5},
}
FULL_LENGTH: dict[str, Any] = {
    **FULL,
    "tolerances": {"straight": 0.5, "angle": 0.5, "radius": 0.1, "cut": 0.5},
}
VERTICES: dict[str, Any] = {
    "tube": FULL["tube"],
    "run": {
        "vertices": [
            {"x": 0, "y": 0, "z": 0},
            {"x": 300, "y": 0, "z": 0, "radius": 45},
            {"x": 300, "y": 300, "z": 0},
        ],
        "radius": 45,
    },
}


# (path, just inside, just outside); below, every numeric field of both requests
COMMON: list[tuple[Field, float, float]] = [
    (("tube", "outside_diameter"), 89.999, 90),  # twice the radius
    (("tube", "outside_diameter"), 89.999, 500.001),
    (("tube", "outside_diameter"), 3.001, 3.0),
    (("tube", "wall_thickness"), 0.001, 0.00099),
    (("tube", "wall_thickness"), 7.499, 7.5),
    (("run", "bends", 0, "straight"), 0, -1e-9),
    (("run", "bends", 0, "straight"), 100_000, 100_001),
    (("run", "bends", 1, "rotation"), -180, -180.001),
    (("run", "bends", 1, "rotation"), 180, 180.001),
    (("run", "bends", 0, "rotation"), 0, 1e-9),
    (("run", "bends", 0, "angle"), 0.01, 0.0099),
    (("run", "bends", 0, "angle"), 350, 350.001),
    (("run", "bends", 0, "radius"), 7.501, 7.5),
    (("run", "bends", 0, "radius"), 10_000, 10_001),
    (("run", "last_straight"), 0, -1e-9),
    (("run", "last_straight"), 100_000, 100_001),
    (("stretch",), 0, -1e-9),
    (("stretch",), 0.2, 0.2001),
    (("ends", "end_1", 0, "length"), -400, -10_000.1),
    (("ends", "end_1", 0, "length"), 10_000, 10_000.1),
    (("ends", "end_2", 0, "length"), 10_000, 10_000.1),
    (("ends", "trim"), 0, -0.1),
    (("ends", "trim"), 10_000, 10_000.1),
]
LAYOUT_ONLY: list[tuple[Field, float, float]] = [
    (("mark_offset",), -1000, -1000.1),
    (("mark_offset",), 1000, 1000.1),
    (("springback", 0, "constant"), -10, -10.01),
    (("springback", 0, "constant"), 30, 30.01),
    (("springback", 0, "proportional"), 0, -0.001),
    (("springback", 0, "proportional"), 0.5, 0.501),
    (("springback", 0, "radius"), 0.01, 0.0099),
    (("springback", 0, "radius"), 10_000, 10_001),
    (("bench", "step"), 0.001, 0.0009),
    (("bench", "step"), 10, 10.1),
    (("bench", "angle_step"), 0.01, 0.009),
    (("bench", "angle_step"), 10, 10.1),
]
LENGTH_ONLY: list[tuple[Field, float, float]] = [
    (("tolerances", "straight"), 0, -0.1),
    (("tolerances", "straight"), 100, 100.1),
    (("tolerances", "angle"), 0, -0.1),
    (("tolerances", "angle"), 45, 45.1),
    (("tolerances", "radius"), 100, 100.1),
    (("tolerances", "cut"), 100, 100.1),
]
VERTEX_ROWS: list[tuple[Field, float, float]] = [
    (("run", "vertices", 2, "x"), 100_000, 100_001),
    (("run", "vertices", 2, "y"), -100_000, -100_001),
    (("run", "vertices", 2, "y"), 45, 44.999),
    (("run", "vertices", 2, "z"), -100_000, -100_001),
    (("run", "vertices", 1, "radius"), 300, 300.001),
    (("run", "radius"), 10_000, 10_001),
]
BOUNDARIES = (
    [(path, FULL_LAYOUT, *row) for path in (LAYOUT,) for row in COMMON + LAYOUT_ONLY]
    + [(path, FULL_LENGTH, *row) for path in (LENGTH,) for row in COMMON + LENGTH_ONLY]
    + [(path, VERTICES, *row) for path in (LAYOUT, LENGTH) for row in VERTEX_ROWS]
)


@pytest.mark.parametrize(("path", "body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, path: str, body: Any, field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, path, body, field, inside, outside)
    # a tube too thick for its radius is told at the radius, a radius too large at the vertices
    assert pointer.startswith((f"/{field[0]}", "/run/"))


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        (("units",), "furlong", "not_a_choice"),
        (("measured_from",), "end_3", "not_a_choice"),
        (("measure",), "both", "not_a_choice"),
        (("tube", "material"), "unobtainium", "unknown_name"),
        (("tube", "material"), 7, "no_shape"),
        (("tube", "material"), {"name": "x"}, "no_shape"),
        (("tube",), None, "null_not_allowed"),
        (("tube", "outside_diameter"), "15", "not_a_number"),
        (("tube", "outside_diameter"), True, "not_a_number"),
        (("tube", "outside_diameter"), 10**400, "not_a_number"),
        (("run",), [], "no_shape"),
        (("run", "bends"), {}, "not_an_array"),
        (("run", "bends"), RUN["bends"][:1] * 501, "array_length"),
        (("run", "bends", 0), 3, "not_an_object"),
        (("run", "bends", 0, "turn"), 3, "unknown_field"),
        (("run", "vertices"), [], "unknown_field"),
        (("ends", "end_1", 0, "name"), "<b>", "string_pattern"),
        (("ends", "end_1", 0, "name"), "x" * 81, "string_too_long"),
        (("die",), "no-such-die", "unknown_name"),
        (("springback",), [{"constant": 1}] * 2, "springback_twice"),
        (("surprise",), 1, "unknown_field"),
    ],
)
def test_each_refusal_names_code_and_pointer(
    client: FlaskClient, field: Field, value: Any, code: str
) -> None:
    response = client.post(LAYOUT, json=changed(FULL_LAYOUT, field, value))
    assert response.status_code == 422
    assert response.content_type == "application/problem+json"
    entries = {entry["code"]: entry for entry in response.get_json()["errors"]}
    assert code in entries
    assert entries[code]["pointer"].startswith(pointer_to(field))


@pytest.mark.parametrize("path", [LAYOUT, LENGTH])
def test_a_run_without_length_is_not_blamed_on_allowances(client: FlaskClient, path: str) -> None:
    body = {"tube": FULL["tube"], "run": {"bends": [], "last_straight": 0}}
    entry = refused(client, path, body)
    assert (entry["code"], entry["pointer"]) == ("nothing_to_cut", "/run")
    assert "these allowances" not in entry["detail"]
    assert "cut length of 0 mm" in entry["detail"]
    short = {**body, "run": {"bends": [], "last_straight": 9}}
    taken_off = {"end_1": [{"name": "saved", "length": -9.5}]}
    assert "of -0.5 mm" in refused(client, path, {**short, "ends": taken_off})["detail"]


@pytest.mark.parametrize("language", ["en", "de"])
def test_two_springbacks_of_one_radius_are_told(client: FlaskClient, language: str) -> None:
    said = {
        "en": ("the same radius (45 mm)", "the same radius (both leave it out"),
        "de": ("denselben Radius (45 mm)", "denselben Radius (bei beiden weggelassen"),
    }
    for more, words in zip(({"radius": 45}, {}), said[language], strict=True):
        body = {**FULL_LAYOUT, "springback": [{"constant": 1, **more}, {"constant": 2, **more}]}
        answer = client.post(LAYOUT, json=body, headers={"Accept-Language": language})
        entry = answer.get_json()["errors"][0]
        assert (entry["code"], entry["pointer"]) == ("springback_twice", "/springback/1")
        assert words in entry["detail"]


@pytest.mark.parametrize(
    ("vertices", "code", "pointer"),
    [
        ([[0, 0], [300, 0], [600, 0]], "vertices_in_line", "/run/vertices/1"),
        ([[0, 0], [300, 0], [300, 0], [300, 300]], "repeated_vertex", "/run/vertices/2"),
        ([[0, 0], [300, 0], [300, 80], [600, 80]], "vertices_too_close", "/run/vertices/2"),
        ([[0, 0], [300, 0], [0, 0.1]], "vertex_folds_back", "/run/vertices/1"),
    ],
)
def test_vertices_no_bender_could_mean(
    client: FlaskClient, vertices: list[list[float]], code: str, pointer: str
) -> None:
    points = [{"x": x, "y": y} for x, y in vertices]
    body = {"tube": FULL["tube"], "run": {"vertices": points, "radius": 45}}
    problem = client.post(LENGTH, json=body).get_json()
    assert problem["errors"][0]["code"] == code
    assert problem["errors"][0]["pointer"] == pointer


def test_vertices_too_close_says_by_how_much(client: FlaskClient) -> None:
    points = [{"x": 0, "y": 0}, {"x": 300, "y": 0}, {"x": 300, "y": 80}, {"x": 600, "y": 80}]
    body = {"tube": FULL["tube"], "run": {"vertices": points, "radius": 45}}
    detail = client.post(LENGTH, json=body).get_json()["detail"]
    assert "80 mm" in detail
    assert "90 mm" in detail
    assert "10 mm too little" in detail


@pytest.mark.parametrize(("path", "body"), [(LAYOUT, FULL_LAYOUT), (LENGTH, FULL_LENGTH)])
def test_same_body_gives_the_same_bytes(client: FlaskClient, path: str, body: Any) -> None:
    assert client.post(path, json=body).data == client.post(path, json=body).data


def factor(names: Names) -> float | None:
    if names[-1] in {"label", "bench", "crank", "mass"}:  # rounded, or in other units
        return None
    return 1.0 if names[-1] in {"angle", "from_first"} else 25.4


@pytest.mark.parametrize(("path", "body"), [(LAYOUT, FULL_LAYOUT), (LENGTH, FULL_LENGTH)])
def test_inches_and_millimetres_agree(post: Post, path: str, body: Any) -> None:
    inch = post(path, in_inches(body))
    assert inch["units"] == "inch"
    assert_agree(post(path, body)["result"], inch["result"], factor, absolute=1e-7)


def test_inch_rule_shows_the_fraction(post: Post) -> None:
    run = {"bends": [{"straight": 4.84, "angle": 90, "radius": 1.5}], "last_straight": 4}
    tube = {"outside_diameter": 0.5, "wall_thickness": 0.049}
    mark = post(LAYOUT, {"units": "inch", "tube": tube, "run": run})["result"]["bends"][0]["start"]
    assert mark["exact"] == pytest.approx(4.84)
    assert mark["bench"] == pytest.approx(4.84375)
    assert mark["label"] == "4 27/32 in"


def test_springback_holds_for_its_radius_only(post: Post) -> None:
    run = copy.deepcopy(RUN)
    run["bends"][1]["radius"] = 60
    laws = [{"constant": 1, "radius": 45}, {"proportional": 0.5}]
    result = post(LAYOUT, {"tube": FULL["tube"], "run": run, "springback": laws})["result"]
    assert [b["crank"]["exact"] for b in result["bends"]] == pytest.approx([91, 60])


def test_a_radius_without_a_springback_of_its_own_is_told_once(post: Post) -> None:
    row = {"straight": 100, "angle": 60, "radius": 60}
    run = {"bends": [row, {**row, "radius": 45}, row], "last_straight": 100}
    body = {"tube": FULL["tube"], "run": run, "springback": [{"constant": 1, "radius": 45}]}
    (found,) = post(LAYOUT, body)["findings"]
    assert (found["code"], found["severity"]) == ("springback_of_other_radius", "needs_care")
    assert (found["bend"], found["value"]) == (1, {"value": 60, "unit": "mm"})
    both = [*body["springback"], {"constant": 2, "radius": 60}]
    assert codes(post(LAYOUT, {**body, "springback": both})) == set()
    every = [*body["springback"], {"constant": 2}]
    assert codes(post(LAYOUT, {**body, "springback": every})) == set()


def test_findings_on_each_side_of_their_limit(post: Post) -> None:
    plain = {"tube": FULL["tube"], "run": RUN}
    assert codes(post(LAYOUT, plain)) == {"springback_not_given"}
    sprung = {**plain, "springback": [{"constant": 1}]}
    assert codes(post(LAYOUT, sprung)) == set()
    assert codes(post(LAYOUT, {**sprung, "measure": "as_you_go"})) == {"errors_add_up"}
    assert codes(post(LAYOUT, {**sprung, "mark_offset": -100})) == set()
    assert codes(post(LAYOUT, {**sprung, "mark_offset": -100.1})) == {"mark_off_tube"}
    assert codes(post(LAYOUT, changed(sprung, ("run", "bends", 0, "angle"), 179.4))) == set()
    half_turn = changed(sprung, ("run", "bends", 0, "angle"), 180)
    assert codes(post(LAYOUT, half_turn)) == {"no_vertex_at_bend"}


def test_die_limits_are_found_on_each_side(post: Post) -> None:
    die = {"tube_outside_diameter": 15, "radius": 45, "largest_angle": 91}
    body = {"tube": FULL["tube"], "run": RUN, "springback": [{"constant": 1}], "die": die}
    assert codes(post(LAYOUT, body)) == set()
    short = changed(body, ("die", "largest_angle"), 90.9)
    assert codes(post(LAYOUT, short)) == {"crank_past_die"}
    assert codes(post(LAYOUT, changed(body, ("die", "radius"), 45.1))) == {"die_radius_differs"}


def test_die_of_the_shop_profile_gives_its_mark_offset(client: FlaskClient, post: Post) -> None:
    assert client.get("/v1/dies").status_code == 200
    die = next(d for d in client.get("/v1/dies").get_json()["result"]["dies"] if d["mark_offset"])
    run = {
        "bends": [{"straight": 200, "angle": 45, "radius": die["radius"]}],
        "last_straight": 200,
    }
    tube = {"outside_diameter": die["tube_outside_diameter"], "wall_thickness": 1}
    marks = post(LAYOUT, {"tube": tube, "run": run, "die": die["id"]})["result"]["bends"][0]
    assert marks["zero_mark"]["exact"] - marks["start"]["exact"] == die["mark_offset"]


def test_example_of_the_spec_runs(post: Post) -> None:
    assert post(LAYOUT, mark_layout.EXAMPLE)["findings"] == []
    assert post(LENGTH, developed_length.EXAMPLE)["result"]["mass"] > 0


def test_a_refused_radius_is_told_where_the_caller_sent_it(client: FlaskClient) -> None:
    tube = {"outside_diameter": 100, "wall_thickness": 5}
    shared = copy.deepcopy(VERTICES) | {"tube": tube}
    entry = client.post(LENGTH, json=shared).get_json()["errors"][0]
    assert (entry["pointer"], entry["value"]) == ("/run/vertices/1/radius", 45)
    del shared["run"]["vertices"][1]["radius"]
    entry = client.post(LENGTH, json=shared).get_json()["errors"][0]
    assert (entry["pointer"], entry["value"]) == ("/run/radius", 45)
