"""Mandrel criterion over the app: fields, units, refusals, findings."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post
from endpoints import Field, changed, code_and_pointer, codes, in_inches, pointer_past
from flask.testing import FlaskClient

from service.api import mandrel_criterion

PATH = "/v1/mandrel-criterion"

SINGLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5},
    "radius": 76,
    "angle": 90,
    "tube_behind": 1200,
    "bender": "bench-42",
    "limits": {
        "required_below_wall_ratio": 0.05,
        "advised_below_wall_ratio": 0.08,
        "tight_bend_ratio": 2.0,
        "none_above_bend_ratio": 5.0,
    },
    "mandrel": {
        "clearance": 0.3,
        "nose": "rounded",
        "corner_radius": 6,
        "lead": 5,
        "rod_length": 1500,
        "rod_overlap": 50,
    },
    "measured": [
        {"bend": 1, "largest_diameter": 38.6, "least_diameter": 36.9, "wall_outside": 1.25}
    ],
    "least_outer_wall": 1.2,
    "largest_ovality": 8,
}
BODY_GIVEN: dict[str, Any] = {
    "tube": SINGLE["tube"],
    "radius": 76,
    "mandrel": {"body_diameter": 34.7},
}
RUN: dict[str, Any] = mandrel_criterion.EXAMPLE
WITH_DIE: dict[str, Any] = {
    "tube": SINGLE["tube"],
    "die": {"tube_outside_diameter": 38, "radius": 76, "largest_angle": 120},
}


# (body, path, just inside, just outside)
BOUNDARIES: list[tuple[dict[str, Any], Field, float, float]] = [
    (SINGLE, ("tube", "outside_diameter"), 36, 500.1),
    (SINGLE, ("tube", "wall_thickness"), 3.0, 19.0),
    (SINGLE, ("tube", "wall_thickness"), 3.0, 0.0009),
    (SINGLE, ("radius",), 19.01, 19.0),
    (SINGLE, ("radius",), 10_000, 10_001),
    (SINGLE, ("angle",), 0.01, 0.009),
    (SINGLE, ("angle",), 350, 350.1),
    (SINGLE, ("tube_behind",), 0, -0.1),
    (SINGLE, ("tube_behind",), 100_000, 100_001),
    (SINGLE, ("limits", "required_below_wall_ratio"), 0, -0.001),
    (SINGLE, ("limits", "required_below_wall_ratio"), 0.08, 0.081),  # crosses the next
    (SINGLE, ("limits", "required_below_wall_ratio"), 0.08, 0.501),
    (SINGLE, ("limits", "advised_below_wall_ratio"), 0.05, 0.049),
    (SINGLE, ("limits", "advised_below_wall_ratio"), 0.5, 0.501),
    (SINGLE, ("limits", "tight_bend_ratio"), 5.0, 5.1),
    (SINGLE, ("limits", "tight_bend_ratio"), 0, -0.1),
    (SINGLE, ("limits", "none_above_bend_ratio"), 2.0, 1.9),
    (SINGLE, ("limits", "none_above_bend_ratio"), 1000, 1001),
    (SINGLE, ("mandrel", "clearance"), 0, -0.01),
    (SINGLE, ("mandrel", "clearance"), 22.9, 50.1),
    (SINGLE, ("mandrel", "clearance"), 22.9, 35.0),
    (SINGLE, ("mandrel", "corner_radius"), 0, -0.01),
    (SINGLE, ("mandrel", "corner_radius"), 17.35, 17.36),
    (SINGLE, ("mandrel", "lead"), -1000, -1001),
    (SINGLE, ("mandrel", "lead"), 93.5, 93.6),  # R + d/2
    (SINGLE, ("mandrel", "lead"), 93.5, 10_001),
    (SINGLE, ("mandrel", "rod_length"), 100_000, 100_001),
    (SINGLE, ("mandrel", "rod_length"), 50.1, 0.9),
    (SINGLE, ("mandrel", "rod_overlap"), 1499, 1500),
    (SINGLE, ("mandrel", "rod_overlap"), 0, -0.1),
    (SINGLE, ("measured", 0, "bend"), 1, 0),
    (SINGLE, ("measured", 0, "bend"), 1, 2),  # there is one bend
    (SINGLE, ("measured", 0, "largest_diameter"), 59.69, 59.7),  # pi·D/2, pressed flat
    (SINGLE, ("measured", 0, "least_diameter"), 3.0, 2.99),  # twice the wall
    (SINGLE, ("measured", 0, "wall_outside"), 0.375, 0.374),  # a quarter of the wall
    (SINGLE, ("least_outer_wall",), 0, -0.1),
    (SINGLE, ("least_outer_wall",), 250, 250.1),
    (SINGLE, ("largest_ovality",), 0, -0.1),
    (SINGLE, ("largest_ovality",), 100, 100.1),
    (BODY_GIVEN, ("mandrel", "body_diameter"), 35.0, 35.01),
    (BODY_GIVEN, ("mandrel", "body_diameter"), 0.1, 0.0),
    (RUN, ("run", "bends", 0, "radius"), 19.01, 19.0),
    (RUN, ("run", "bends", 0, "straight"), 0, -1),
    (RUN, ("run", "bends", 0, "angle"), 350, 351),
    (RUN, ("run", "last_straight"), 100_000, 100_001),
    (WITH_DIE, ("die", "radius"), 19.01, 19.0),
    (WITH_DIE, ("die", "largest_angle"), 1, 0.9),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: Any, field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, body, field, inside, outside)
    # a radius of a die within the tube is told at the die
    assert pointer.startswith("/" + "/".join(map(str, field[:1])))


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        ({"tube": SINGLE["tube"]}, "no_bend_given", "/radius"),
        (
            {"tube": SINGLE["tube"], "run": {"bends": [], "last_straight": 10}},
            "no_bend_given",
            "/run",
        ),
        ({**RUN, "radius": 76}, "run_and_single_bend", "/radius"),
        ({**RUN, "angle": 90}, "run_and_single_bend", "/angle"),
        ({**RUN, "tube_behind": 90}, "run_and_single_bend", "/tube_behind"),
        (changed(SINGLE, ("mandrel", "nose"), "sharp"), "corner_radius_unused", None),
        (
            {**BODY_GIVEN, "mandrel": {"nose": "rounded"}},
            "corner_radius_missing",
            "/mandrel/corner_radius",
        ),
        (
            changed(BODY_GIVEN, ("mandrel", "clearance"), 0.3),
            "clearance_and_body",
            "/mandrel/body_diameter",
        ),
        (changed(SINGLE, ("mandrel", "nose"), "blunt"), "not_a_choice", "/mandrel/nose"),
        ({**SINGLE, "bender": "nowhere"}, "unknown_name", "/bender"),
        ({**SINGLE, "colour": "red"}, "unknown_field", "/colour"),
        (changed(SINGLE, ("mandrel", "lead"), "5"), "not_a_number", "/mandrel/lead"),
    ],
)
def test_refusals(client: FlaskClient, body: Any, code: str, pointer: str | None) -> None:
    expected = (code, pointer or "/mandrel/corner_radius")
    assert code_and_pointer(client, PATH, body) == expected


def test_the_example_runs_and_answers_the_same_bytes(client: FlaskClient) -> None:
    first, second = (client.post(PATH, json=RUN) for _ in range(2))
    assert first.status_code == 200
    assert first.data == second.data
    result = first.get_json()["result"]
    assert result["verdict"] == "required"
    assert [row["bend"] for row in result["bends"]] == [1, 2]
    for row in result["bends"]:
        assert set(row["reasons"]) <= codes(first.get_json())


def test_inches_give_the_same_answer(post: Post) -> None:
    metric = post(PATH, SINGLE)
    inch = post(PATH, in_inches(SINGLE))
    left, right = metric["result"], inch["result"]
    assert right["wall_ratio"] == pytest.approx(left["wall_ratio"])
    assert right["verdict"] == left["verdict"]
    for part in ("lead", "rod", "form"):
        for name, value in left["bends"][0][part].items():
            same = name in {"rods", "thinning", "ovality", "outer_wall_measured"}
            expected = value if same else value / 25.4
            assert right["bends"][0][part][name] == pytest.approx(expected), name
    assert [f["code"] for f in inch["findings"]] == [f["code"] for f in metric["findings"]]


def test_the_shop_stands_in_for_what_is_left_out(post: Post) -> None:
    bare = {"tube": SINGLE["tube"], "radius": 76, "tube_behind": 1200}
    result = post(PATH, bare)["result"]
    assert result["limits"]["wall_origin"] == "shop"
    assert result["mandrel"]["origin"] == "shop"
    assert result["mandrel"]["nose"] == "sharp"
    assert result["rod"] == {"length": 2500, "overlap": 0, "origin": "shop"}
    assert result["bends"][0]["rod"]["rods"] == 1
    own = post(PATH, {**SINGLE, "mandrel": {"rod_length": 600, "rod_overlap": 20}})["result"]
    assert own["rod"]["origin"] == "request"
    # 1200 mm and the largest lead of a sharp nose, 5.29: 600, 1180, 1760
    assert own["bends"][0]["rod"]["rods"] == 3
    assert own["bends"][0]["rod"]["reach"] == pytest.approx(1760)


def test_a_die_brings_its_radius(post: Post) -> None:
    result = post(PATH, {"tube": SINGLE["tube"], "die": "d38-r76"})["result"]
    assert result["bends"][0]["radius"] == 76
    wrong = post(PATH, {"tube": SINGLE["tube"], "die": "d38-r76", "radius": 115})
    told = {finding["code"]: finding for finding in wrong["findings"]}
    assert told["die_radius_differs"]["limit"]["value"] == 76
    other = post(PATH, {"tube": {"outside_diameter": 35, "wall_thickness": 2}, "die": "d38-r76"})
    assert "die_tube_differs" in codes(other)


def test_work_from_the_other_end_turns_the_order(post: Post) -> None:
    result = post(PATH, {**RUN, "measured_from": "end_2"})["result"]
    assert [row["bend"] for row in result["bends"]] == [2, 1]
    behind = result["bends"][-1]["rod"]["stop_to_tangent"]
    # from end 2 the first bend's arc and its straight of 220 mm lie behind it
    assert behind == pytest.approx(220 + 76 * 3.141592653589793 / 2)


def test_measured_bends_move_the_verdict(post: Post) -> None:
    thick = {"tube": {"outside_diameter": 20, "wall_thickness": 2}, "radius": 60}
    assert post(PATH, thick)["result"]["verdict"] == "not_needed"
    oval = {**thick, "measured": [{"largest_diameter": 20.9, "least_diameter": 19.2}]}
    answer = post(PATH, oval)
    assert answer["result"]["verdict"] == "required"
    assert answer["result"]["bends"][0]["form"]["ovality"] == pytest.approx(8.5)
    basis = {method["id"]: method for method in answer["basis"]}
    assert basis["limit-b31-3-flattening"]["sources"]
    thin = {**thick, "least_outer_wall": 1.8}
    assert post(PATH, thin)["result"]["verdict"] == "advised"


def test_cautions_and_trust_are_told(post: Post) -> None:
    answer = post(PATH, BODY_GIVEN)
    assert any("trial bends" in caution for caution in answer["cautions"])
    trade = next(m for m in answer["basis"] if m["id"] == "mandrel-rule-of-the-trade")
    assert trade["sources"][0]["trust"] == "common practice"
