"""Pressure rating over the app: fields, units, refusals, findings, words."""

from __future__ import annotations

import re
from typing import Any

import pytest
from conftest import Post
from endpoints import (
    PSI,
    Field,
    Names,
    assert_agree,
    changed,
    code_and_pointer,
    codes,
    in_inches,
    pointer_past,
    severities,
    two_bends,
)
from flask.testing import FlaskClient

from service.api.pressure_rating import EXAMPLE

PATH = "/v1/pressure-rating"

STEEL: dict[str, Any] = {
    "name": "steel of the test",
    "elastic_modulus": 210_000,
    "density": 7.85,
    "yield_strength": 235,
    "tensile_strength": 340,
}
TUBE: dict[str, Any] = {"outside_diameter": 20, "wall_thickness": 2, "material": STEEL}
RUN = two_bends(60, 40)
FULL: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE,
    "allowable_stress": 85,
    "quality_factor": 1,
    "weld_factor": 0.9,
    "coefficient": 0.4,
    "run": RUN,
    "measured": [
        {"bend": 2, "largest_diameter": 20.6, "least_diameter": 19.2, "wall_outside": 1.7}
    ],
    "wall_method": "held",
    "stretch": 0.01,
    "wall_deduction": {"tolerance_share": 10, "corrosion_allowance": 0.1},
    "pressure": 14,
    "test_factor": 1.5,
    "ovality": 4,
}
PLAIN: dict[str, Any] = {
    "tube": TUBE,
    "design_factor": 4,
    "wall_deduction": {"tolerance": 0},
}


# (body, path, just inside, just outside)
BOUNDARIES: list[tuple[dict[str, Any], Field, float, float]] = [
    (PLAIN, ("tube", "outside_diameter"), 500, 500.1),
    (PLAIN, ("tube", "outside_diameter"), 4.01, 4),
    (PLAIN, ("tube", "wall_thickness"), 9.99, 10),
    (PLAIN, ("tube", "wall_thickness"), 0.001, 0.0009),
    (PLAIN, ("design_factor",), 1, 0.99),
    (PLAIN, ("design_factor",), 100, 100.1),
    (FULL, ("allowable_stress",), 0.01, 0.009),
    (FULL, ("allowable_stress",), 1_000_000, 1_000_001),
    (FULL, ("quality_factor",), 0.01, 0.009),
    (FULL, ("quality_factor",), 1, 1.01),
    (FULL, ("weld_factor",), 0.01, 0.009),
    (FULL, ("weld_factor",), 1, 1.01),
    (FULL, ("coefficient",), 0, -0.01),
    (FULL, ("coefficient",), 0.7, 0.71),
    (FULL, ("run", "bends", 0, "radius"), 15, 10),
    (FULL, ("run", "bends", 0, "radius"), 10_000, 10_001),
    (FULL, ("run", "bends", 0, "angle"), 350, 350.1),
    (FULL, ("measured", 0, "bend"), 1, 0),
    (FULL, ("measured", 0, "bend"), 2, 3),
    (FULL, ("measured", 0, "largest_diameter"), 31.4, 31.5),
    (FULL, ("measured", 0, "least_diameter"), 4, 3.99),
    (FULL, ("measured", 0, "wall_outside"), 0.5, 0.49),
    (FULL, ("measured", 0, "wall_outside"), 8, 8.01),
    (FULL, ("stretch",), 0, -0.01),
    (FULL, ("stretch",), 0.2, 0.21),
    (FULL, ("wall_deduction", "tolerance_share"), 0, -0.1),
    (FULL, ("wall_deduction", "tolerance_share"), 50, 50.1),
    (FULL, ("wall_deduction", "corrosion_allowance"), 0, -0.1),
    (FULL, ("wall_deduction", "corrosion_allowance"), 1.4, 1.8),
    (FULL, ("pressure",), 0.0001, 0.00009),
    (FULL, ("pressure",), 1_000_000, 1_000_001),
    (FULL, ("test_factor",), 1, 0.99),
    (FULL, ("test_factor",), 10, 10.1),
    (FULL, ("ovality",), 0, -0.1),
    (FULL, ("ovality",), 50, 50.1),
    ({**PLAIN, "radius": 60}, ("radius",), 15, 10),
    ({**PLAIN, "radius": 60}, ("radius",), 10_000, 10_001),
    ({**PLAIN, "radius": 60, "angle": 9}, ("angle",), 0.01, 0.009),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: dict[str, Any], field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, body, field, inside, outside)
    assert pointer.startswith(f"/{field[0]}")


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        ({"tube": TUBE}, "allowable_stress_missing", "/allowable_stress"),
        ({**PLAIN, "allowable_stress": 85}, "two_allowable_stresses", "/design_factor"),
        (changed(PLAIN, ("tube", "material"), None), "null_not_allowed", "/tube/material"),
        (
            {**PLAIN, "tube": {"outside_diameter": 20, "wall_thickness": 2}},
            "tensile_strength_missing",
            "/tube/material",
        ),
        (
            {**PLAIN, "tube": {**TUBE, "material": {**STEEL, "tensile_strength": -1}}},
            "out_of_range",
            "/tube/material/tensile_strength",
        ),
        ({**PLAIN, "run": RUN, "radius": 60}, "run_and_single_bend", "/radius"),
        ({**PLAIN, "angle": 60}, "radius_of_bend_missing", "/radius"),
        ({**PLAIN, "radius": 10}, "radius_within_tube", "/radius"),
        ({**PLAIN, "measured": [{"bend": 1}]}, "measured_bend_unknown", "/measured/0/bend"),
        (
            {**PLAIN, "wall_deduction": {"corrosion_allowance": 2}},
            "no_wall_left",
            "/wall_deduction",
        ),
        (
            {**PLAIN, "radius": 60, "wall_deduction": {"corrosion_allowance": 1.9}},
            "no_wall_left_in_bend",
            "/radius",
        ),
        (
            {**PLAIN, "run": changed(RUN, ("bends", 1, "radius"), 10.5), "wall_method": "held"},
            "bend_too_tight_to_rate",
            "/run/bends/1/radius",
        ),
        (
            {**PLAIN, "radius": 27.9, "wall_method": "deformation_theory"},
            "wall_method_silent",
            "/radius",
        ),
        (
            {**PLAIN, "radius": 600.1, "wall_method": "deformation_theory"},
            "wall_method_silent",
            "/radius",
        ),
        ({**PLAIN, "wall_method": "guess"}, "not_a_choice", "/wall_method"),
        ({**PLAIN, "surprise": 1}, "unknown_field", "/surprise"),
        ({"design_factor": 4}, "required", "/tube"),
    ],
)
def test_each_refusal_names_code_and_pointer(
    client: FlaskClient, body: dict[str, Any], code: str, pointer: str
) -> None:
    assert code_and_pointer(client, PATH, body) == (code, pointer)


# --- findings on each side of their limit --------------------------------------------------------


def test_a_plain_straight_tube_has_nothing_to_find(post: Post) -> None:
    assert codes(post(PATH, PLAIN)) == set()


def test_design_factor_and_stress_on_each_side(post: Post) -> None:
    assert "design_factor_below_usual" not in codes(post(PATH, PLAIN))
    assert "design_factor_below_usual" in codes(post(PATH, {**PLAIN, "design_factor": 3.99}))
    own = {key: value for key, value in PLAIN.items() if key != "design_factor"}
    for stress, found in ((85, set()), (85.01, {"allowable_stress_above_usual"})):
        assert codes(post(PATH, {**own, "allowable_stress": stress})) == found
    for stress, above in ((235, False), (235.01, True)):
        answer = post(PATH, {**own, "allowable_stress": stress})
        assert ("allowable_stress_above_yield" in codes(answer)) == above
    assert severities(answer)["allowable_stress_above_yield"] == "blocks"


def test_numbers_of_findings_come_back_in_inches_as_they_were_sent(post: Post) -> None:
    """Conversion to MPa and back leaves a last digit of its own in 30 007 psi."""
    assert 30_007 * PSI / PSI != 30_007
    steel = {**in_inches(STEEL), "yield_strength": 30_007}
    del steel["units"]
    tube = {"outside_diameter": 0.5, "wall_thickness": 0.049, "material": steel}
    answer = post(PATH, {"units": "inch", "tube": tube, "allowable_stress": 130_000})
    found = next(f for f in answer["findings"] if f["code"] == "allowable_stress_above_yield")
    assert (found["value"]["value"], found["limit"]["value"]) == (130_000, 30_007)


def test_unknown_yield_strength(post: Post) -> None:
    soft = {key: value for key, value in STEEL.items() if key != "yield_strength"}
    answer = post(PATH, changed(PLAIN, ("tube", "material"), soft))
    assert "yield_strength_not_known" in codes(answer)
    assert answer["result"]["yielding"] == []
    tested = post(PATH, {**changed(PLAIN, ("tube", "material"), soft), "test_factor": 9})
    assert tested["result"]["test"]["share_of_first_yield"] is None


def test_wall_tolerance_and_thick_wall(post: Post) -> None:
    without = {key: value for key, value in PLAIN.items() if key != "wall_deduction"}
    assert "wall_tolerance_not_given" in codes(post(PATH, without))
    corroding = {**without, "wall_deduction": {"corrosion_allowance": 0.1}}
    assert "wall_tolerance_not_given" in codes(post(PATH, corroding))
    for wall, thick in ((3.33, False), (3.34, True)):
        answer = post(PATH, changed(PLAIN, ("tube", "wall_thickness"), wall))
        assert ("thick_wall_special_consideration" in codes(answer)) == thick


def test_what_governs(post: Post) -> None:
    tight = post(PATH, {**PLAIN, "radius": 60})
    assert {"bend_governs", "wall_estimated"} == codes(tight)
    assert tight["result"]["rating"]["bend"] == 1
    # walls measured thick enough leave it to the straight tube
    measured = [{"wall_outside": 1.95, "wall_inside": 2.3}]
    thick = post(PATH, {**PLAIN, "radius": 60, "measured": measured})
    assert codes(thick) == set()
    assert (thick["result"]["rating"]["place"], thick["result"]["rating"]["bend"]) == (
        "straight",
        None,
    )


def test_side_that_keeps_its_wall_never_governs(post: Post) -> None:
    """Rounding of the thinned wall must not make the side of a bend the weakest place."""
    measured = [{"wall_outside": 7, "wall_inside": 7}]
    for share in range(51):
        tube = {"outside_diameter": 30, "wall_thickness": 3.3}
        body = {"tube": tube, "allowable_stress": 85, "radius": 77, "measured": measured}
        deduction = {"tolerance_share": share}
        result = post(PATH, {**body, "wall_deduction": deduction})["result"]
        assert result["rating"]["place"] == "straight", share


def test_wanted_pressure_on_each_side_of_the_rating(post: Post) -> None:
    rating = post(PATH, PLAIN)["result"]["rating"]["pressure"]
    below = post(PATH, {**PLAIN, "pressure": rating})
    assert codes(below) == set()
    assert below["result"]["wanted"]["margin"] == pytest.approx(0, abs=1e-9)
    above = post(PATH, {**PLAIN, "pressure": rating + 1e-3})
    assert severities(above) == {"pressure_above_rating": "blocks"}
    assert above["result"]["wanted"]["margin"] < 0


def test_no_wall_bears_more_than_the_stress(post: Post) -> None:
    for pressure, found in ((84, False), (85, True)):
        answer = post(PATH, {**PLAIN, "pressure": pressure})
        assert ("no_wall_for_pressure" in codes(answer)) == found
        walls = {row["method"]: row["wall"] for row in answer["result"]["wanted"]["walls"]}
        assert (walls["wall-lame"] is None) == found


def test_standard_wall(post: Post) -> None:
    """20 mm, S = 85: (3a) asks for 2.63 mm at 25 MPa, the next wall of the series is 3 mm."""
    wanted = post(PATH, {**PLAIN, "pressure": 25})["result"]["wanted"]
    assert wanted["standard_wall"]["wall_thickness"] == 3
    assert wanted["standard_wall"]["id"] == "20x3mm"
    odd = post(PATH, {**changed(PLAIN, ("tube", "outside_diameter"), 20.5), "pressure": 5})
    assert odd["result"]["wanted"]["standard_wall"] is None
    assert "no_standard_wall" in codes(odd)
    inch = {
        "units": "inch",
        "tube": {"outside_diameter": 0.5, "wall_thickness": 0.028},
        "allowable_stress": 11_250,
        "wall_deduction": {"tolerance": 0},
        "pressure": 2392,
    }
    found = post(PATH, inch)["result"]["wanted"]["standard_wall"]
    assert found["wall_thickness"] == pytest.approx(0.049)


def test_wall_to_order_adds_what_is_taken_off(post: Post) -> None:
    body = {**PLAIN, "pressure": 25, "wall_deduction": {"tolerance": 0.1}}
    first = post(PATH, body)["result"]["wanted"]["walls"][0]
    assert first["wall_to_order"] == pytest.approx(first["wall"] + 0.1)
    share = {"tolerance_share": 10, "corrosion_allowance": 0.2}
    second = post(PATH, {**body, "wall_deduction": share})["result"]["wanted"]["walls"][0]
    assert second["wall_to_order"] == pytest.approx((second["wall"] + 0.2) / 0.9)


def test_test_pressure(post: Post) -> None:
    """20 × 2: first yield after Tresca at 42.3 MPa."""
    wanted = post(PATH, {**PLAIN, "pressure": 10, "test_factor": 1.5})["result"]["test"]
    assert (wanted["of"], wanted["pressure"]) == ("pressure", 15)
    rated = post(PATH, {**PLAIN, "test_factor": 1.5})["result"]
    assert rated["test"]["of"] == "rating"
    assert rated["test"]["pressure"] == pytest.approx(1.5 * rated["rating"]["pressure"])
    for pressure, found in ((42.29, False), (42.31, True)):
        answer = post(PATH, {**PLAIN, "pressure": pressure, "test_factor": 1})
        assert ("test_pressure_above_first_yield" in codes(answer)) == found


def test_out_of_round(post: Post) -> None:
    straight = post(PATH, {**PLAIN, "ovality": 5, "pressure": 10})
    assert straight["result"]["out_of_round"][0]["bend"] is None
    assert codes(straight) == {"out_of_round_bending"}
    measured = [{"bend": 2, "largest_diameter": 20.4, "least_diameter": 19.8}]
    both = post(PATH, {**PLAIN, "run": RUN, "measured": measured, "ovality": 5})
    rows = both["result"]["out_of_round"]
    assert [(row["bend"], row["ovality"]) for row in rows] == [
        (1, pytest.approx(5)),
        (2, pytest.approx(3)),
    ]
    only = post(PATH, {**PLAIN, "run": RUN, "measured": measured})
    assert [row["bend"] for row in only["result"]["out_of_round"]] == [2]
    bare = {
        "tube": {"outside_diameter": 20, "wall_thickness": 2},
        "allowable_stress": 85,
        "ovality": 5,
    }
    assert "out_of_round_not_computed" in codes(post(PATH, bare))
    del bare["ovality"]
    assert "out_of_round_not_computed" not in codes(post(PATH, bare))


def test_small_tube_of_the_standard_yields_earlier(post: Post) -> None:
    """EN 10305-4 (from memory): 10 MPa less yield strength for small tube; the tensile minimum
    stays, and with it the rating from a design factor."""
    small = post(PATH, changed(PLAIN, ("tube", "material"), "e235-n"))["result"]
    given = post(PATH, PLAIN)["result"]
    assert small["rating"] == given["rating"]
    ratio = small["yielding"][0]["pressure"] / given["yielding"][0]["pressure"]
    assert ratio == pytest.approx(225 / 235)


# --- words ---------------------------------------------------------------------------------------


def _leaves(value: Any) -> list[tuple[str, Any]]:
    if isinstance(value, dict):
        found = [(key, item) for key, item in value.items() if isinstance(item, bool | str)]
        return found + [leaf for item in value.values() for leaf in _leaves(item)]
    if isinstance(value, list):
        return [leaf for item in value for leaf in _leaves(item)]
    return []


@pytest.mark.parametrize("body", [EXAMPLE, FULL, {**PLAIN, "pressure": 1}])
def test_no_answer_calls_a_line_safe(post: Post, body: dict[str, Any]) -> None:
    answer = post(PATH, body)
    word = re.compile(r"\b(safe|safely|approved|released|accepted)\b", re.IGNORECASE)
    assert not word.search(str({k: v for k, v in answer.items() if k != "basis"}))
    # the only yes-or-no values say where a number comes from, or whether a formula covers it
    flags = {key for key, value in _leaves(answer["result"]) if isinstance(value, bool)}
    assert flags <= {"measured", "in_range"}
    assert len(answer["cautions"]) >= 6
    assert any("ISO 10763" in caution for caution in answer["cautions"])


# --- the rest ------------------------------------------------------------------------------------


def test_example_of_the_spec_runs(post: Post) -> None:
    answer = post(PATH, EXAMPLE)
    assert not {f["code"] for f in answer["findings"] if f["severity"] == "blocks"}


def test_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    assert client.post(PATH, json=FULL).data == client.post(PATH, json=FULL).data


def test_basis_names_what_was_used_and_no_more(post: Post) -> None:
    ids = {note["id"] for note in post(PATH, PLAIN)["basis"]}
    assert not {name for name in ids if name.startswith("wall-")}
    assert "design-factor" in ids
    bent = {note["id"] for note in post(PATH, {**PLAIN, "radius": 60})["basis"]}
    assert {"wall-held-section", "wall-free-hoop", "pressure-bend-b31-3"} <= bent
    held = {
        note["id"] for note in post(PATH, {**PLAIN, "radius": 60, "wall_method": "held"})["basis"]
    }
    assert "wall-free-hoop" not in held


PRESSURES = {"allowable_stress", "stress", "pressure", "hoop_stress", "bending_stress"}
OUT_LENGTHS = {
    "nominal",
    "least",
    "remaining",
    "wall",
    "wall_to_order",
    "radius",
    "outside",
    "side",
    "inside",
    "wall_thickness",
}


def factor(names: Names) -> float:
    return PSI if names[-1] in PRESSURES else 25.4 if names[-1] in OUT_LENGTHS else 1.0


def test_inches_and_millimetres_agree(post: Post) -> None:
    metric = post(PATH, FULL)
    inch = post(PATH, in_inches(FULL))
    assert_agree(metric["result"], inch["result"], factor)
    assert codes(metric) == codes(inch)


def test_five_hundred_bends_answer(post: Post) -> None:
    bends = [{"straight": 10, "angle": 20, "radius": 30 + 0.1 * n} for n in range(500)]
    body = {**PLAIN, "run": {"bends": bends, "last_straight": 0}, "pressure": 20}
    answer = post(PATH, body)
    assert answer["result"]["rating"]["bend"] == 1  # the tightest
    assert len(answer["result"]["bends"]) == 500
