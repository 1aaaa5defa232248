"""Bend quality over the app: fields, units, refusals, findings, verdicts."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post
from endpoints import (
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

from service.api.bend_quality import EXAMPLE

PATH = "/v1/bend-quality"

TUBE: dict[str, Any] = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
RUN = two_bends(60, 40)
FULL: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE,
    "run": RUN,
    "measured": [
        {
            "bend": 2,
            "largest_diameter": 20.6,
            "least_diameter": 19.2,
            "wall_outside": 1.8,
            "wall_side": 2,
            "wall_inside": 2.3,
        }
    ],
    "positions": [45, 135],
    "stretch": 0.01,
    "wall_deduction": {"tolerance_share": 10, "corrosion_allowance": 0.1},
    "required_wall": 1.2,
    "pressure_side": "internal",
    "standards": ["asme-b31-3", "asme-b31-1", "iacs-ur-p1", "ibr-361", "faa-aircraft-maintenance"],
    "free_tube": {"pressure": 10, "yield_to_tensile": 0.9, "exponent": 0.2},
}
SINGLE: dict[str, Any] = {"tube": TUBE, "radius": 60, "angle": 90}


# (body, path, just inside, just outside)
BOUNDARIES: list[tuple[dict[str, Any], Field, float, float]] = [
    (SINGLE, ("tube", "outside_diameter"), 119.99, 120),
    (SINGLE, ("tube", "outside_diameter"), 4.01, 4),
    (SINGLE, ("tube", "wall_thickness"), 9.999, 10),
    (SINGLE, ("tube", "wall_thickness"), 0.001, 0.0009),
    (SINGLE, ("radius",), 10.001, 10),
    (SINGLE, ("radius",), 10_000, 10_000.1),
    (SINGLE, ("angle",), 0.01, 0.009),
    (SINGLE, ("angle",), 350, 350.1),
    (FULL, ("run", "bends", 0, "radius"), 10.001, 10),
    (FULL, ("run", "bends", 0, "radius"), 10_000, 10_001),
    (FULL, ("run", "bends", 0, "angle"), 350, 350.1),
    (FULL, ("run", "bends", 0, "straight"), 0, -0.1),
    (FULL, ("run", "last_straight"), 0, -0.1),
    (FULL, ("measured", 0, "bend"), 1, 0),
    (FULL, ("measured", 0, "bend"), 2, 3),
    (FULL, ("measured", 0, "largest_diameter"), 19.2, 19.19),
    (FULL, ("measured", 0, "largest_diameter"), 31.4, 31.5),
    (FULL, ("measured", 0, "least_diameter"), 20.6, 20.61),
    (FULL, ("measured", 0, "least_diameter"), 4, 3.99),
    (FULL, ("measured", 0, "wall_outside"), 0.5, 0.49),
    (FULL, ("measured", 0, "wall_outside"), 8, 8.01),
    (FULL, ("measured", 0, "wall_side"), 0.5, 0.49),
    (FULL, ("measured", 0, "wall_side"), 8, 8.01),
    (FULL, ("measured", 0, "wall_inside"), 0.5, 0.49),
    (FULL, ("measured", 0, "wall_inside"), 8, 8.01),
    (FULL, ("positions", 0), 0, -0.1),
    (FULL, ("positions", 1), 180, 180.1),
    (FULL, ("stretch",), 0, -0.01),
    (FULL, ("stretch",), 0.2, 0.21),
    (FULL, ("wall_deduction", "tolerance_share"), 0, -0.1),
    (FULL, ("wall_deduction", "tolerance_share"), 50, 50.1),
    (FULL, ("wall_deduction", "corrosion_allowance"), 0, -0.1),
    (FULL, ("wall_deduction", "corrosion_allowance"), 1.79, 1.8),
    (FULL, ("required_wall",), 0.0001, 0.00009),
    (FULL, ("required_wall",), 9.99, 10),
    (FULL, ("free_tube", "pressure"), 0, -0.1),
    (FULL, ("free_tube", "pressure"), 100_000, 100_001),
    (FULL, ("free_tube", "yield_to_tensile"), 0.01, 0.009),
    (FULL, ("free_tube", "yield_to_tensile"), 1, 1.001),
    (FULL, ("free_tube", "exponent"), 0.001, 0.0009),
    (FULL, ("free_tube", "exponent"), 1, 1.001),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: dict[str, Any], field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, body, field, inside, outside)
    # a tube too thick for its radius is told at the radius, one diameter below the other at either
    near = {"tube": ("/tube", "/radius"), "measured": ("/measured/0",)}
    assert pointer.startswith(near.get(str(field[0]), (f"/{field[0]}",)))


def test_tolerance_as_a_length_at_its_boundary(client: FlaskClient) -> None:
    for tolerance, status in ((0, 200), (1.99, 200), (2, 422), (-0.1, 422), (100.1, 422)):
        body = {**SINGLE, "wall_deduction": {"tolerance": tolerance}}
        response = client.post(PATH, json=body)
        assert response.status_code == status, tolerance
        if status == 422:
            assert response.get_json()["errors"][0]["pointer"].startswith("/wall_deduction")


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        ({"tube": TUBE}, "bend_or_run_missing", "/radius"),
        ({"tube": TUBE, "angle": 90}, "radius_of_bend_missing", "/radius"),
        ({**SINGLE, "run": RUN}, "run_and_single_bend", "/radius"),
        ({"tube": TUBE, "run": RUN, "angle": 9}, "run_and_single_bend", "/angle"),
        ({**SINGLE, "radius": 10}, "radius_within_tube", "/radius"),
        (
            changed(FULL, ("run", "bends", 1, "radius"), 9),
            "radius_within_tube",
            "/run/bends/1/radius",
        ),
        (
            {**SINGLE, "wall_deduction": {"tolerance_share": 10, "tolerance": 0.2}},
            "two_wall_tolerances",
            "/wall_deduction/tolerance",
        ),
        (
            {**SINGLE, "wall_deduction": {"corrosion_allowance": 2}},
            "no_wall_left",
            "/wall_deduction",
        ),
        ({**SINGLE, "required_wall": 10}, "wall_not_below_half_diameter", "/required_wall"),
        ({**SINGLE, "measured": [{"bend": 2}]}, "measured_bend_unknown", "/measured/0/bend"),
        ({**SINGLE, "measured": [{}, {}]}, "measured_bend_twice", "/measured/1/bend"),
        (
            {**SINGLE, "measured": [{"largest_diameter": 21}]},
            "one_diameter_only",
            "/measured/0/least_diameter",
        ),
        (
            {**SINGLE, "measured": [{"least_diameter": 19}]},
            "one_diameter_only",
            "/measured/0/largest_diameter",
        ),
        (
            {**SINGLE, "measured": [{"wall_outside": 0.18}]},
            "measure_absurd",
            "/measured/0/wall_outside",
        ),
        (
            {
                "tube": {"outside_diameter": 20, "wall_thickness": 2},
                "radius": 60,
                "free_tube": {"pressure": 1},
            },
            "material_for_pressure_missing",
            "/tube/material",
        ),
        ({**SINGLE, "standards": ["none"]}, "not_a_choice", "/standards/0"),
        ({**SINGLE, "pressure_side": "left"}, "not_a_choice", "/pressure_side"),
        ({**SINGLE, "positions": [0] * 38}, "array_length", "/positions"),
        ({**SINGLE, "surprise": 1}, "unknown_field", "/surprise"),
        ({"radius": 60}, "required", "/tube"),
    ],
)
def test_each_refusal_names_code_and_pointer(
    client: FlaskClient, body: dict[str, Any], code: str, pointer: str
) -> None:
    assert code_and_pointer(client, PATH, body) == (code, pointer)


# --- findings on each side of their limit --------------------------------------------------------


def test_ovality_is_refused_a_figure_and_asked_for(post: Post) -> None:
    answer = post(PATH, SINGLE)
    assert answer["result"]["bends"][0]["ovality"] is None
    assert severities(answer)["no_ovality_method"] == "needs_care"
    measured = [{"largest_diameter": 20.2, "least_diameter": 19.9}]
    answer = post(PATH, {**SINGLE, "measured": measured})
    assert answer["result"]["bends"][0]["ovality"] is None
    assert severities(answer)["ovality_from_measures_only"] == "ok"
    assert "no_ovality_method" not in codes(answer)


def test_elastic_curve_needs_no_measure(post: Post) -> None:
    thin = {"outside_diameter": 20, "wall_thickness": 1, "material": "e355-n"}
    answer = post(PATH, {"tube": thin, "radius": 9000})
    assert answer["result"]["bends"][0]["ovality"]["value"] > 0
    assert not codes(answer) & {"no_ovality_method", "ovality_from_measures_only"}
    assert "ovality-elastic-free-tube" in {note["id"] for note in answer["basis"]}


@pytest.mark.parametrize(
    ("standard", "on", "past", "code"),
    [
        ("asme-b31-3", (20.8, 19.2), (20.81, 19.2), "ovality_above_asme_b31_3"),
        ("ibr-361", (20.6, 19.4), (20.61, 19.4), "ovality_above_ibr_361"),
        (
            "faa-aircraft-maintenance",
            (21, 15),
            (21, 14.99),
            "ovality_above_faa_aircraft_maintenance",
        ),
    ],
)
def test_ovality_limits_on_each_side(
    post: Post, standard: str, on: tuple[float, float], past: tuple[float, float], code: str
) -> None:
    # R = 66.66… mm makes the boiler limit 6 %
    body = {**SINGLE, "radius": 200 / 3, "standards": [standard]}
    for (largest, least), found in ((on, False), (past, True)):
        measured = [{"largest_diameter": largest, "least_diameter": least}]
        answer = post(PATH, {**body, "measured": measured})
        assert (code in codes(answer)) == found
        limit = answer["result"]["bends"][0]["ovality_limits"][0]
        assert limit["verdict"] == ("outside" if found else "within")
        if found:
            assert severities(answer)[code] == "blocks"
            assert limit["margin"] < 0


def test_a_standard_that_nobody_named_does_not_block(post: Post) -> None:
    body = {**SINGLE, "measured": [{"largest_diameter": 22, "least_diameter": 18}]}
    assert severities(post(PATH, body))["ovality_above_asme_b31_3"] == "needs_care"
    named = {**body, "standards": ["asme-b31-3"]}
    assert severities(post(PATH, named))["ovality_above_asme_b31_3"] == "blocks"
    none = {**body, "standards": []}
    assert post(PATH, none)["result"]["bends"][0]["ovality_limits"] == []


@pytest.mark.parametrize(
    ("standard", "needed", "code"),
    [
        ("asme-b31-1", 1.6, "wall_before_bending_below_asme_b31_1"),
        ("iacs-ur-p1", 2 / (1 + 2 / 15), "wall_before_bending_below_iacs_ur_p1"),
    ],
)
def test_wall_before_bending_on_each_side(
    post: Post, standard: str, needed: float, code: str
) -> None:
    body = {**SINGLE, "standards": [standard], "wall_deduction": {"tolerance": 0}}
    assert code not in codes(post(PATH, {**body, "required_wall": needed}))
    assert code in codes(post(PATH, {**body, "required_wall": needed + 1e-6}))


def test_wall_after_bending_on_each_side(post: Post) -> None:
    body = {**SINGLE, "standards": ["asme-b31-3"], "wall_deduction": {"tolerance": 0}}
    limits = post(PATH, {**body, "required_wall": 1.5})["result"]["bends"][0]["wall_limits"]
    needed = {row["place"]: row["limit"] for row in limits}
    for place in ("outside", "inside"):
        code = f"wall_{place}_below_asme_b31_3"
        sent = {**body, "required_wall": 1.5}
        on = {**sent, "measured": [{f"wall_{place}": needed[place]}]}
        assert code not in codes(post(PATH, on))
        past = {**sent, "measured": [{f"wall_{place}": needed[place] - 1e-6}]}
        assert code in codes(post(PATH, past))


def test_a_bend_so_tight_that_no_wall_does(post: Post) -> None:
    for radius, found in ((60, False), (11, True)):
        answer = post(PATH, {**SINGLE, "radius": radius, "required_wall": 5})
        assert ("no_wall_for_bend" in codes(answer)) == found
    rows = answer["result"]["bends"][0]["wall_limits"]
    inside = next(row for row in rows if row["place"] == "inside")
    assert (inside["limit"], inside["margin"], inside["verdict"]) == (None, None, "outside")


def test_where_the_table_and_the_theory_are_silent(post: Post) -> None:
    for radius, silent in ((60, False), (59.999, True)):
        assert ("wall_table_silent" in codes(post(PATH, {**SINGLE, "radius": radius}))) == silent
    for radius, silent in ((28, False), (27.999, True), (600, False), (600.01, True)):
        found = codes(post(PATH, {**SINGLE, "radius": radius}))
        assert ("deformation_theory_silent" in found) == silent
    assert "deformation_theory_without_stretch" not in codes(post(PATH, SINGLE))
    stretched = codes(post(PATH, {**SINGLE, "stretch": 0.01}))
    assert "deformation_theory_without_stretch" in stretched


def test_three_diameters_in_inches_are_covered(post: Post) -> None:
    """1.5 in over 0.5 in, 2.25 over 0.75, … : the rounding of the conversion leaves them at 3 D."""
    for sixteenths in range(2, 33):
        od = sixteenths / 16
        tube = {"outside_diameter": od, "wall_thickness": 0.028}
        answer = post(PATH, {"units": "inch", "tube": tube, "radius": 3 * od})
        assert "wall_table_silent" not in codes(answer), sixteenths


def test_wall_findings_come_with_a_required_wall_only(post: Post) -> None:
    assert not codes(post(PATH, SINGLE)) & {"wall_tolerance_not_given", "wall_estimated"}
    needed = {**SINGLE, "required_wall": 1}
    assert {"wall_tolerance_not_given", "wall_estimated"} <= codes(post(PATH, needed))
    measured = [{"wall_outside": 1.8, "wall_inside": 2.2}]
    told = {**needed, "wall_deduction": {"tolerance_share": 0}, "measured": measured}
    assert not codes(post(PATH, told)) & {"wall_tolerance_not_given", "wall_estimated"}


def test_wall_thinner_than_its_bound(post: Post) -> None:
    bound = 2 * 60 / 69  # section held, no stretch
    for wall, found in ((bound + 1e-6, False), (bound - 1e-6, True)):
        answer = post(PATH, {**SINGLE, "measured": [{"wall_outside": wall}]})
        assert ("wall_below_bound" in codes(answer)) == found


def test_kink_indicator_informs_and_never_judges(post: Post) -> None:
    """The lowest indicator at t/D = 0.1 is 0.75·(0.05 − 0.0025): D/(2R) reaches it at 280.70 mm."""
    limit = 10 / (0.75 * 0.0475)
    for radius, found in ((limit + 0.01, False), (limit - 0.01, True)):
        answer = post(PATH, {**SINGLE, "radius": radius})
        assert ("unsupported_kink" in codes(answer)) == found
        if found:
            assert severities(answer)["unsupported_kink"] == "ok"


def test_indicators_outside_their_range_are_null(post: Post) -> None:
    body = {
        "tube": {"outside_diameter": 500, "wall_thickness": 1},
        "radius": 2000,
        "free_tube": {"yield_to_tensile": 0.9},
    }
    rows = post(PATH, body)["result"]["unsupported"]["indicators"]
    strains = {row["method"]: row["strain"] for row in rows}
    assert strains["kink-dnv"] is None  # D/t up to 45
    assert strains["kink-csa"] is None  # D/t up to 120
    assert strains["kink-gresnigt"] is not None
    # a free tube is not told about a material: no moment without one
    assert post(PATH, body)["result"]["unsupported"]["collapse_moment"] is None


# --- the rest ------------------------------------------------------------------------------------


def test_example_of_the_spec_runs(post: Post) -> None:
    answer = post(PATH, EXAMPLE)
    assert {row["standard"] for row in answer["result"]["bends"][0]["wall_limits"]} == {
        "asme-b31-3",
        "asme-b31-1",
    }


def test_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    assert client.post(PATH, json=FULL).data == client.post(PATH, json=FULL).data


def test_a_run_gives_what_its_bends_give_alone(post: Post) -> None:
    body = {"tube": TUBE, "required_wall": 1.2}
    run = post(PATH, {**body, "run": RUN})["result"]["bends"]
    for row, bend in zip(run, RUN["bends"], strict=True):
        alone = post(PATH, {**body, "radius": bend["radius"], "angle": bend["angle"]})
        assert {**alone["result"]["bends"][0], "bend": row["bend"]} == row


def test_vertices_and_a_run_without_bends(post: Post) -> None:
    points = [{"x": 0, "y": 0}, {"x": 300, "y": 0}, {"x": 300, "y": 300}]
    answer = post(PATH, {"tube": TUBE, "run": {"vertices": points, "radius": 60}})
    assert answer["result"]["bends"][0]["angle"] == pytest.approx(90)
    straight = post(PATH, {"tube": TUBE, "run": {"bends": [], "last_straight": 100}})
    assert straight["result"]["bends"] == []


OUT_LENGTHS = {"least_wall", "radius", "outside", "side", "inside", "wall", "shift"}


def factor(names: Names) -> float:
    key, table = names[-1], names[-2:-1]
    wall_row = table == ("wall_limits",) and key in {"value", "limit"}
    if key in OUT_LENGTHS or wall_row:
        return 25.4
    sizes = {"collapse_curvature": 1 / 25.4, "collapse_radius": 25.4}
    return {**sizes, "collapse_moment": 1.3558179483314004}.get(key, 1.0)


def test_inches_and_millimetres_agree(post: Post) -> None:
    inch = post(PATH, in_inches(FULL))
    metric = post(PATH, FULL)
    assert_agree(metric["result"], inch["result"], factor)
    assert codes(metric) == codes(inch)


def test_five_hundred_bends_answer(post: Post) -> None:
    bends = [{"straight": 10, "angle": 20, "radius": 25 + 0.1 * n} for n in range(500)]
    measured = [
        {"bend": n + 1, "largest_diameter": 26, "least_diameter": 14, "wall_outside": 0.6}
        for n in range(500)
    ]
    body = {"tube": TUBE, "run": {"bends": bends, "last_straight": 0}, "required_wall": 9.9}
    answer = post(PATH, {**body, "measured": measured})
    assert len(answer["result"]["bends"]) == 500
    assert len(answer["findings"]) <= 5000
