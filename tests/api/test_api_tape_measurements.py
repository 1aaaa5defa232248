"""Tape measurements over the app: fields, units, refusals."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post
from endpoints import Field, changed, code_and_pointer, in_inches, pointer_past, pointer_to, refused
from flask.testing import FlaskClient

from service.api import tape_measurements

PATH = "/v1/tape-measurements"
FULL: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
    "run": {
        "taped_bends": [
            {"length": 172.5, "taken": "outermost", "rotation": 0, "angle": 90, "radius": 45},
            {"length": 185, "taken": "straight", "rotation": 90, "angle": 45, "radius": 45},
        ],
        "last_leg": {"length": 158, "taken": "vertices"},
    },
}
U_BEND: dict[str, Any] = {
    "tube": FULL["tube"],
    "run": {
        "taped_bends": [{"length": 100, "taken": "straight", "angle": 180, "over_legs": 105}],
        "last_leg": {"length": 100, "taken": "straight"},
    },
}


ROW = ("run", "taped_bends", 0)
BOUNDARIES: list[tuple[dict[str, Any], Field, float, float]] = [
    (FULL, (*ROW, "length"), 52.5, 52.49),
    (FULL, (*ROW, "length"), 100_000, 100_001),
    (FULL, ("run", "taped_bends", 1, "length"), 0, -1e-9),
    (FULL, ("run", "taped_bends", 1, "rotation"), 180, 180.1),
    (FULL, ("run", "taped_bends", 1, "rotation"), -180, -180.1),
    (FULL, ("run", "taped_bends", 1, "angle"), 0.01, 0.009),
    (FULL, ("run", "taped_bends", 1, "radius"), 0.01 + 7.5, 0.009),
    (FULL, (*ROW, "radius"), 45, 10_001),
    (FULL, ("run", "last_leg", "length"), 100_000, 100_001),
    (FULL, ("run", "last_leg", "length"), 18.64, 18.63),
    (U_BEND, (*ROW, "angle"), 180, 350.1),
    (U_BEND, (*ROW, "over_legs"), 30.01, 0.009),
    (U_BEND, (*ROW, "over_legs"), 20_000, 20_001),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: dict[str, Any], field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, body, field, inside, outside)
    assert pointer == pointer_to(field)


@pytest.mark.parametrize(
    ("body", "field", "value", "code", "pointer"),
    [
        (FULL, ("run",), {}, "no_shape", "/run"),
        (FULL, (*ROW, "taken"), "by_eye", "not_a_choice", "/run/taped_bends/0/taken"),
        (FULL, (*ROW, "angle"), 89.9, "no_outermost_point", "/run/taped_bends/0/taken"),
        (FULL, (*ROW, "over_legs"), 105, "radius_or_over_legs", "/run/taped_bends/0"),
        (U_BEND, (*ROW, "taken"), "vertices", "no_corner", "/run/taped_bends/0/taken"),
        (U_BEND, (*ROW, "angle"), 179, "legs_not_parallel", "/run/taped_bends/0/over_legs"),
        (U_BEND, (*ROW, "over_legs"), 30, "over_legs_within_tube", "/run/taped_bends/0/over_legs"),
        (FULL, ("run", "last_leg", "length"), 5, "leg_too_short", "/run/last_leg/length"),
        (FULL, (*ROW, "radius"), 7.5, "radius_within_tube", "/run/taped_bends/0/radius"),
        (FULL, (*ROW, "rotation"), 5, "first_rotation_not_zero", "/run/taped_bends/0/rotation"),
    ],
)
def test_each_refusal(
    client: FlaskClient, body: Any, field: Field, value: Any, code: str, pointer: str
) -> None:
    assert code_and_pointer(client, PATH, changed(body, field, value)) == (code, pointer)


def test_a_tape_over_the_legs_is_told_as_it_was_sent(client: FlaskClient) -> None:
    # 2R + D with R above D/2: above 2 × 15 mm; no radius was sent, so none is told
    entry = refused(client, PATH, changed(U_BEND, (*ROW, "over_legs"), 29.9))
    assert "is 29.9 mm" in entry["detail"]
    assert "above 30 mm" in entry["detail"]
    assert "centre-line radius" not in entry["detail"]


@pytest.mark.parametrize("angle", [180, 90])
def test_both_radius_and_tape_over_the_legs_is_not_the_same_as_neither(
    client: FlaskClient, angle: float
) -> None:
    row = {"length": 100, "taken": "straight", "angle": angle}
    both = refused(client, PATH, changed(U_BEND, ROW, {**row, "radius": 45, "over_legs": 105}))
    neither = refused(client, PATH, changed(U_BEND, ROW, row))
    assert "both were sent" in both["detail"]
    assert "neither was sent" in neither["detail"]
    assert (both["code"], both["pointer"]) == (neither["code"], neither["pointer"])


def test_run_to_readings_and_back(post: Post) -> None:
    there = post(PATH, FULL)["result"]
    assert there["run"]["bends"][0]["straight"] == pytest.approx(120)
    again = post(PATH, {"tube": FULL["tube"], "run": there["run"]})["result"]
    assert again == there
    assert again["legs"][0]["outermost"] == pytest.approx(172.5)
    assert again["legs"][2]["vertices"] == pytest.approx(158)
    points = [{"x": 0, "y": 0}, {"x": 165, "y": 0}, {"x": 165, "y": 200}]
    drawn = post(PATH, {"tube": FULL["tube"], "run": {"vertices": points, "radius": 45}})["result"]
    assert drawn["legs"][0]["vertices"] == pytest.approx(165)
    assert drawn["legs"][1]["outside_corners"] == pytest.approx(207.5)


def test_readings_can_be_inspected(post: Post) -> None:
    run = post(PATH, FULL)["result"]["run"]
    body = {"tube": FULL["tube"], "run": run, "measured": run}
    assert post("/v1/inspection", body)["result"]["worst"] < 1e-9


def test_inches_and_millimetres_agree(post: Post) -> None:
    metric, inch = post(PATH, FULL)["result"], post(PATH, in_inches(FULL))["result"]
    for a, b in zip(metric["legs"], inch["legs"], strict=True):
        for key in ("straight", "vertices", "outside_corners", "inside_corners", "outermost"):
            if a[key] is None:
                assert b[key] is None
            else:
                assert b[key] * 25.4 == pytest.approx(a[key])


def test_example_runs_and_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    first = client.post(PATH, json=tape_measurements.EXAMPLE)
    assert first.status_code == 200
    assert client.post(PATH, json=tape_measurements.EXAMPLE).data == first.data
