"""What several endpoints accept, held at each of them: a die by its values, wherever it stands."""

from __future__ import annotations

from typing import Any

import pytest
from endpoints import Body, Field, changed, pointer_to, refused
from flask.testing import FlaskClient
from specification import calculations

TUBE_20 = {"tube_outside_diameter": 20, "largest_angle": 190}
GOOD: Body = {**TUBE_20, "radius": 60}
BENDER: Body = {
    "least_outside_diameter": 6,
    "largest_outside_diameter": 42,
    "largest_angle": 190,
    "dies": [],
}
INSPECTION = "/v1/inspection"
NAMED = ["mark-layout", "capacity-check", "fault-finding", "mandrel-criterion", "setup-sheet"]
HELD = ["bend-review", "capacity-check", "fault-finding", "setup-sheet"]
WHERE: list[tuple[str, Field]] = [
    *((f"/v1/{name}", ("die",)) for name in NAMED),
    (INSPECTION, ("set_up", "die")),
    *((f"/v1/{name}", ("bender", "dies", index)) for name in HELD for index in (0, 1)),
]


def with_die(path: str, field: Field, die: Body) -> Body:
    """The example of the endpoint with a die at one place, behind a good one where it is second."""
    body: Body = next(o for o in calculations() if o.path == path).example()
    if field[0] != "bender":
        return changed(body, field, die)
    dies = [GOOD] * int(field[-1]) + [die]
    return {**body, "bender": {**BENDER, "dies": dies}}


@pytest.mark.parametrize(("path", "field"), WHERE)
def test_no_die_bends_within_its_own_tube(client: FlaskClient, path: str, field: Field) -> None:
    for radius in (5, 10):
        entry = refused(client, path, with_die(path, field, {**TUBE_20, "radius": radius}))
        assert entry["code"] == "die_radius_within_tube"
        assert entry["pointer"] == pointer_to((*field, "radius"))
        assert entry["value"] == radius
        assert f"is {radius} mm" in entry["detail"]
        assert "10 mm" in entry["detail"]


@pytest.mark.parametrize(("path", "field"), WHERE)
def test_a_die_just_above_half_its_tube_is_one(
    client: FlaskClient, path: str, field: Field
) -> None:
    answer = client.post(path, json=with_die(path, field, {**TUBE_20, "radius": 10.01}))
    told: Any = answer.get_json()
    assert answer.status_code in {200, 422}
    assert "die_radius_within_tube" not in {entry["code"] for entry in told.get("errors", [])}


def test_the_radius_of_a_die_is_told_in_inches(client: FlaskClient) -> None:
    body = {
        "units": "inch",
        "tube": {"outside_diameter": 0.5, "wall_thickness": 0.049},
        "run": {"bends": [{"straight": 4, "angle": 90, "radius": 1.5}], "last_straight": 4},
        "die": {"tube_outside_diameter": 0.5, "radius": 0.25, "largest_angle": 180},
    }
    entry = refused(client, "/v1/mark-layout", body)
    assert (entry["code"], entry["pointer"]) == ("die_radius_within_tube", "/die/radius")
    assert "0.25 in" in entry["detail"]
