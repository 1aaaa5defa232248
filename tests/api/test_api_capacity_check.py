"""Capacity check over the app: fields, units, refusals, findings."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post
from endpoints import (
    POUND_FORCE,
    Field,
    changed,
    code_and_pointer,
    codes,
    in_inches,
    pointer_past,
    without,
)
from flask.testing import FlaskClient

from service.api import capacity_check

PATH = "/v1/capacity-check"

EXAMPLE: dict[str, Any] = capacity_check.EXAMPLE
STEEL: dict[str, Any] = {
    "name": "Steel of our own tests",
    "elastic_modulus": 210_000,
    "density": 7.85,
    "yield_strength": 235,
    "tensile_strength": 340,
    "tensile_strength_max": 480,
}
BENDER: dict[str, Any] = {
    "name": "Bench bender by its values",
    "least_outside_diameter": 10,
    "largest_outside_diameter": 30,
    "largest_angle": 180,
    "dies": ["d20-r40", {"tube_outside_diameter": 20, "radius": 60, "largest_angle": 170}],
    "rated_tubes": [
        {"outside_diameter": 20, "wall_thickness": 3, "flow_stress": 300, "radius": 60},
        {"outside_diameter": 25, "wall_thickness": 2, "material": "e235-n"},
    ],
    "drive": {
        "gear_ratio": 6,
        "lever_length": 350,
        "efficiency": 0.85,
        "comfortable_force": 250,
    },
    "longest_tube": 3000,
}
SINGLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": STEEL},
    "bender": BENDER,
    "radius": 60,
    "angle": 90,
    "tube_behind": 800,
    "springback": [{"constant": 1, "proportional": 0.02, "radius": 60}],
    "strength_factor": 1.3,
    "load_factor": 1.1,
    "pressure_die_friction": 300,
    "mandrel_drag": 200,
}
STATED: dict[str, Any] = {
    "tube": {"outside_diameter": 20, "wall_thickness": 2},
    "bender": "bench-25",
    "radius": 60,
    "flow_stress": 300,
}
LAW: dict[str, Any] = {"law": "hollomon", "strength_coefficient": 600, "exponent": 0.2}
SWIFT: dict[str, Any] = {**LAW, "law": "swift", "prestrain": 0.01}
BILINEAR: dict[str, Any] = {"law": "bilinear", "tangent_modulus": 1000}
HARD: dict[str, Any] = {**SINGLE, "hardening": LAW}


BOUNDARIES: list[tuple[dict[str, Any], Field, float, float]] = [
    (SINGLE, ("tube", "outside_diameter"), 119.9, 120),  # twice the radius
    (SINGLE, ("tube", "outside_diameter"), 4.01, 4.0),  # twice the wall
    (SINGLE, ("tube", "wall_thickness"), 9.99, 10),
    (SINGLE, ("tube", "wall_thickness"), 0.001, 0.0009),
    (SINGLE, ("tube", "material", "yield_strength"), 1000, 0.09),
    (SINGLE, ("tube", "material", "elastic_modulus"), 400, 373),  # 1.3·287.5 = 373.75
    (SINGLE, ("radius",), 10.01, 10),
    (SINGLE, ("radius",), 10_000, 10_001),
    (SINGLE, ("angle",), 0.01, 0.009),
    (SINGLE, ("angle",), 350, 350.1),
    (SINGLE, ("tube_behind",), 0, -0.1),
    (SINGLE, ("tube_behind",), 100_000, 100_001),
    (SINGLE, ("springback", 0, "constant"), -10, -10.1),
    (SINGLE, ("springback", 0, "constant"), 30, 30.1),
    (SINGLE, ("springback", 0, "proportional"), 0.5, 0.51),
    (SINGLE, ("strength_factor",), 1, 0.99),
    (SINGLE, ("strength_factor",), 10, 10.1),
    (SINGLE, ("load_factor",), 1, 0.99),
    (SINGLE, ("load_factor",), 10, 10.1),
    (SINGLE, ("pressure_die_friction",), 0, -0.1),
    (SINGLE, ("pressure_die_friction",), 1e7, 1.1e7),
    (SINGLE, ("mandrel_drag",), 0, -0.1),
    (SINGLE, ("mandrel_drag",), 1e7, 1.1e7),
    (SINGLE, ("bender", "least_outside_diameter"), 30, 30.1),
    (SINGLE, ("bender", "least_outside_diameter"), 0.01, 0.009),
    (SINGLE, ("bender", "largest_outside_diameter"), 10, 9.9),
    (SINGLE, ("bender", "largest_outside_diameter"), 500, 500.1),
    (SINGLE, ("bender", "largest_angle"), 1, 0.9),
    (SINGLE, ("bender", "largest_angle"), 360, 360.1),
    (SINGLE, ("bender", "longest_tube"), 0.01, 0.009),
    (SINGLE, ("bender", "rated_tubes", 0, "outside_diameter"), 6.01, 6.0),
    (SINGLE, ("bender", "rated_tubes", 0, "wall_thickness"), 9.99, 10),
    (SINGLE, ("bender", "rated_tubes", 0, "flow_stress"), 0.1, 0.09),
    (SINGLE, ("bender", "rated_tubes", 0, "flow_stress"), 1e6, 1.1e6),
    (SINGLE, ("bender", "rated_tubes", 0, "radius"), 10_000, 10_001),
    (SINGLE, ("bender", "drive", "gear_ratio"), 0.05, 0.049),
    (SINGLE, ("bender", "drive", "gear_ratio"), 5000, 5001),
    (SINGLE, ("bender", "drive", "lever_length"), 0.1, 0.09),
    (SINGLE, ("bender", "drive", "lever_length"), 5000, 5001),
    (SINGLE, ("bender", "drive", "efficiency"), 0.05, 0.049),
    (SINGLE, ("bender", "drive", "efficiency"), 1, 1.01),
    (SINGLE, ("bender", "drive", "comfortable_force"), 0.1, 0.09),
    (SINGLE, ("bender", "dies", 1, "radius"), 10_000, 10_001),
    (SINGLE, ("bender", "dies", 1, "tube_outside_diameter"), 0.01, 0.009),
    (SINGLE, ("bender", "dies", 1, "largest_angle"), 1, 0.9),
    (STATED, ("flow_stress",), 0.1, 0.09),
    (STATED, ("flow_stress",), 1e6, 1.1e6),
    (changed(STATED, ("tube", "material"), "e235-n"), ("flow_stress",), 209_999, 210_000),
    (HARD, ("hardening", "strength_coefficient"), 209_999, 210_000),
    (HARD, ("hardening", "exponent"), 1, 1.01),
    (HARD, ("hardening", "exponent"), 0.001, 0.0009),
    ({**HARD, "hardening": SWIFT}, ("hardening", "prestrain"), 1, 1.01),
    ({**HARD, "hardening": BILINEAR}, ("hardening", "tangent_modulus"), 209_999, 210_000),
    ({**HARD, "hardening": BILINEAR}, ("hardening", "tangent_modulus"), 0, -1),
    (EXAMPLE, ("run", "bends", 0, "radius"), 10.01, 10),
    (EXAMPLE, ("run", "bends", 0, "angle"), 300, 351),
    (EXAMPLE, ("run", "last_straight"), 100_000, 100_001),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: Any, field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, body, field, inside, outside)
    # a tube too thick for its radius is told at the radius, a range at its upper end
    assert pointer.startswith((f"/{field[0]}", "/radius"))


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        (without(SINGLE, "bender"), "required", "/bender"),
        ({**SINGLE, "bender": "nowhere"}, "unknown_name", "/bender"),
        ({**SINGLE, "bender": {"name": "x"}}, "no_shape", "/bender"),
        ({**EXAMPLE, "radius": 60}, "run_and_single_bend", "/radius"),
        (
            without(SINGLE, "bender", "rated_tubes", 0, "flow_stress"),
            "rated_tube_without_strength",
            "/bender/rated_tubes/0",
        ),
        (
            changed(SINGLE, ("bender", "rated_tubes", 1, "material"), "j526"),
            "rated_tube_without_strength",
            "/bender/rated_tubes/1",
        ),
        (
            changed(SINGLE, ("bender", "rated_tubes", 1, "material"), "wood"),
            "unknown_name",
            "/bender/rated_tubes/1/material",
        ),
        (
            changed(SINGLE, ("bender", "rated_tubes", 1, "material"), {"name": "x"}),
            "no_shape",
            "/bender/rated_tubes/1/material",
        ),
        (
            changed(SINGLE, ("bender", "dies", 0), "nowhere"),
            "unknown_name",
            "/bender/dies/0",
        ),
        ({**STATED, "hardening": LAW}, "hardening_without_material", "/tube/material"),
        ({**HARD, "flow_stress": 300}, "flow_stress_and_hardening", "/flow_stress"),
        (
            without(HARD, "hardening", "exponent"),
            "hardening_coefficient_missing",
            "/hardening/exponent",
        ),
        (
            changed(HARD, ("hardening", "prestrain"), 0.01),
            "hardening_coefficient_unused",
            "/hardening/prestrain",
        ),
        (
            {
                **SINGLE,
                "tube": {
                    **SINGLE["tube"],
                    "material": {**STEEL, "hardening": {"law": "ludwik"}},
                },
            },
            "hardening_coefficient_missing",
            "/tube/material/hardening/strength_coefficient",
        ),
        (
            {
                **HARD,
                "hardening": BILINEAR,
                "tube": {**SINGLE["tube"], "material": without(STEEL, "yield_strength")},
            },
            "yield_strength_missing",
            "/tube/material/yield_strength",
        ),
        (
            {
                **HARD,
                "tube": {
                    **SINGLE["tube"],
                    "material": {
                        **STEEL,
                        "yield_strength": 1e5,
                        "tensile_strength": 1e5,
                        "tensile_strength_max": 1e5,
                        "elastic_modulus": 1e5,
                    },
                },
            },
            "yield_strength_not_below_elastic_modulus",
            "/tube/material/yield_strength",
        ),
        (
            {**SINGLE, "springback": [{"constant": 1}, {"constant": 2}]},
            "springback_twice",
            "/springback/1",
        ),
        ({**SINGLE, "load_factor": None}, "null_not_allowed", "/load_factor"),
        ({**SINGLE, "torque": 4}, "unknown_field", "/torque"),
    ],
)
def test_refusals(client: FlaskClient, body: Any, code: str, pointer: str) -> None:
    assert code_and_pointer(client, PATH, body) == (code, pointer)


def test_the_example_runs_and_answers_the_same_bytes(client: FlaskClient) -> None:
    first, second = (client.post(PATH, json=EXAMPLE) for _ in range(2))
    assert first.status_code == 200
    assert first.data == second.data
    result = first.get_json()["result"]
    assert result["verdict"] == "can_bend"
    assert 0 < result["utilisation"] < 1


PRESSURE = 4.4482216152605 / 25.4**2  # MPa per psi
TORQUE = 4.4482216152605 * 12 * 25.4 / 1000  # N·m per lbf·ft


def test_inches_give_the_same_answer(post: Post) -> None:
    metric = post(PATH, SINGLE)
    inch = post(PATH, in_inches(SINGLE))
    left, right = metric["result"], inch["result"]
    assert right["verdict"] == left["verdict"]
    assert right["utilisation"] == pytest.approx(left["utilisation"])
    assert right["largest_wall"] == pytest.approx(left["largest_wall"] / 25.4)
    assert right["moment_capacity"] == pytest.approx(left["moment_capacity"] / TORQUE)
    one, other = left["bends"][0], right["bends"][0]
    assert other["set_angle"] == pytest.approx(one["set_angle"])
    assert other["torque_largest"] == pytest.approx(one["torque_largest"] / TORQUE)
    assert other["crank"]["turns"] == pytest.approx(one["crank"]["turns"])
    assert other["crank"]["force_largest"] == pytest.approx(
        one["crank"]["force_largest"] / POUND_FORCE
    )
    assert other["crank"]["work"] == pytest.approx(one["crank"]["work"] / TORQUE)
    assert [f["code"] for f in inch["findings"]] == [f["code"] for f in metric["findings"]]


def test_dies_by_values_are_numbered(post: Post) -> None:
    result = post(PATH, SINGLE)["result"]
    assert [die["id"] for die in result["dies"]] == ["d20-r40", "inline-2"]
    assert result["bends"][0]["die"] == "inline-2"
    assert result["bender"] == "inline"


def test_bare_tube_and_bender(post: Post) -> None:
    answer = post(
        PATH, {"tube": {"outside_diameter": 20, "wall_thickness": 2}, "bender": "bench-25"}
    )
    assert answer["result"]["verdict"] == "not_determined"
    assert [die["id"] for die in answer["result"]["dies"]] == ["d20-r40", "d20-r60"]
    assert {"material_not_given", "radius_from_die", "profile_invented"} <= codes(answer)


@pytest.mark.parametrize(
    ("law", "method"),
    [
        (LAW, "moment-hollomon"),
        (SWIFT, "moment-swift"),
        (BILINEAR, "moment-bilinear"),
        ({**LAW, "law": "ludwik"}, "moment-ludwik"),
        ({"law": "ramberg_osgood", "exponent": 10}, "moment-ramberg-osgood"),
    ],
)
def test_each_hardening_law_is_taken_and_named(post: Post, law: Any, method: str) -> None:
    for body in (
        {**SINGLE, "hardening": law},
        changed(SINGLE, ("tube", "material", "hardening"), law),
    ):
        answer = post(PATH, body)
        assert answer["result"]["strength"]["law"] == law["law"]
        assert method in {used["id"] for used in answer["basis"]}
        row = answer["result"]["bends"][0]
        assert row["moment_largest"] == pytest.approx(1.3 * row["moment_least"])
        # hardening raises the moment over the perfectly plastic 235 MPa · 650.67 mm³
        assert row["moment_least"] > 152.906


def test_largest_wall_goes_through_the_standard_walls(post: Post) -> None:
    body = {
        "tube": {"outside_diameter": 20, "wall_thickness": 1, "material": "e235-n"},
        "bender": "bench-25",
        "radius": 60,
        "angle": 90,
    }
    result = post(PATH, body)["result"]
    standard = result["largest_standard_wall"]
    assert standard <= result["largest_wall"]
    thicker = post(PATH, changed(body, ("tube", "wall_thickness"), standard))["result"]
    assert thicker["utilisation"] <= 1
    past = post(PATH, changed(body, ("tube", "wall_thickness"), result["largest_wall"] + 0.01))
    assert past["result"]["utilisation"] > 1
    assert past["result"]["verdict"] == "cannot_bend"


def test_what_is_from_memory_says_so(post: Post) -> None:
    answer = post(PATH, EXAMPLE)
    trust = {s["id"]: s["trust"] for used in answer["basis"] for s in used["sources"]}
    assert trust["flow-stress-convention"] == "memory"
    assert trust["strength-scatter"] == "memory"
    text = next(f["text"] for f in answer["findings"] if f["code"] == "strength_scatter_assumed")
    assert "from memory" in text
