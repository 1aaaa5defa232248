"""Bend review over the app: the example, fields and units, refusals, texts, the picture."""

from __future__ import annotations

import ast
import copy
import re
from pathlib import Path
from typing import Any, get_args
from xml.etree import ElementTree

import pytest
from conftest import Post
from flask.testing import FlaskClient

import service
from service.api import bend_review
from service.calc.bend_rules import Change, Rule
from service.web.drawing import MEDIA_TYPE
from service.web.texts import LANGUAGES, shipped_texts

PATH = "/v1/bend-review"
Where = tuple[str | int, ...]
SERVICE = Path(service.__file__).resolve().parent
SVG = "{http://www.w3.org/2000/svg}"

BENDER: dict[str, Any] = {
    "least_outside_diameter": 6,
    "largest_outside_diameter": 25,
    "largest_angle": 190,
    "dies": [
        {
            "tube_outside_diameter": 15,
            "radius": radius,
            "largest_angle": 190,
            "clamp_length": 30,
            "pressure_die_length": 80,
        }
        for radius in (30, 45)
    ],
    "rated_tubes": [{"outside_diameter": 15, "wall_thickness": 2, "material": "e235-n"}],
    "drive": {"gear_ratio": 6, "lever_length": 350, "efficiency": 0.85, "comfortable_force": 250},
    "longest_tube": 3000,
}
FITTING = {
    "kind": "cone_24",
    "tube_outside_diameter": 15,
    "insertion": 7,
    "nut_length": 20,
    "tool_length": 18,
    "least_straight": 40,
}
FULL: dict[str, Any] = {
    "units": "metric",
    "run": {
        "bends": [
            {"straight": 100, "rotation": 0, "angle": 90, "radius": 45},
            {"straight": 80, "rotation": -120, "angle": 30, "radius": 45},
        ],
        "last_straight": 200,
    },
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"},
    "bender": BENDER,
    "measured_from": "end_1",
    "ends": {"end_1": [{"name": "flare", "length": 4}], "trim": 5},
    "fittings": {"end_1": FITTING, "end_2": FITTING},
    "stretch": 0.02,
    "springback": [{"constant": 0.5, "proportional": 0.01}],
    "flow_stress": 300,
    "strength_factor": 1.1,
    "load_factor": 1.0,
    "mandrel_at_hand": True,
    "measured": [{"bend": 1, "largest_diameter": 15.2, "least_diameter": 14.6}],
    "largest_thinning": 30,
    "required_wall": 0.5,
    "standards": ["asme-b31-3"],
    "wall_deduction": {"tolerance_share": 10, "corrosion_allowance": 0},
    "pressure": 5,
    "design_factor": 4,
    "clearance": 2,
    "parts": [
        {
            "name": "frame",
            "clearance": 5,
            "box": {
                "centre": {"x": 0, "y": -200, "z": 0},
                "size": {"x": 50, "y": 60, "z": 70},
                "x_axis": {"x": 1, "y": 1, "z": 0},
                "y_axis": {"x": -1, "y": 1, "z": 0},
            },
        },
        {
            "cylinder": {
                "start": {"x": 0, "y": -300, "z": 0},
                "end": {"x": 100, "y": -300, "z": 0},
                "diameter": 30,
            }
        },
        {
            "segment": {
                "start": {"x": 0, "y": -400, "z": 0},
                "end": {"x": 100, "y": -400, "z": 0},
                "diameter": 0,
            }
        },
    ],
    "most_variants": 3,
}


def changed(body: dict[str, Any], where: Where, value: Any) -> dict[str, Any]:
    new = copy.deepcopy(body)
    at: Any = new
    for part in where[:-1]:
        at = at[part]
    at[where[-1]] = value
    return new


def without(body: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in body.items() if name not in names}


def checks(answer: dict[str, Any], rule: str) -> list[dict[str, Any]]:
    return [check for check in answer["result"]["checks"] if check["rule"] == rule]


# --- the example ---------------------------------------------------------------------------------


def test_the_example_fails_two_rules_and_names_both_cures(post: Post) -> None:
    answer = post(PATH, bend_review.EXAMPLE)
    result = answer["result"]
    failing = [check for check in result["checks"] if check["severity"] != "ok"]
    assert result["verdict"] == "cannot_be_made"
    assert {check["rule"] for check in failing} == {"end_straight_to_grip", "straight_for_clamp"}
    assert (result["blocks"], result["needs_care"]) == (2, 0)
    grip, clamp = failing
    # legs of 95 and 150 mm, radius 60 mm, right angles: 35 and 30 mm against a clamp of 42 mm
    assert (grip["straight"], grip["bend"], grip["end"]) == (1, 1, "end_1")
    assert (grip["value"]["value"], grip["limit"]["value"]) == pytest.approx((35, 42))
    assert (clamp["straight"], clamp["bend"]) == (2, 2)
    assert (clamp["value"]["value"], clamp["margin"]["value"]) == pytest.approx((30, -12))
    numbers = {
        (cure["change"], cure["value"] and round(cure["value"]["value"], 6), cure["end"])
        for cure in grip["cures"]
    }
    assert {
        ("straight", 42, None),
        ("end_length", 7, "end_1"),
        ("radius", 40, None),
        ("work_from", None, "end_2"),
    } == numbers
    assert [cure["change"] for cure in clamp["cures"]] == ["straight", "radius"]


def test_the_examples_variants_pass_when_they_are_sent(post: Post) -> None:
    variants = post(PATH, bend_review.EXAMPLE)["result"]["variants"]
    assert len(variants) == 3
    for variant in variants:
        body = {
            **bend_review.EXAMPLE,
            "run": variant["run"],
            "measured_from": variant["work_from"],
        }
        result = post(PATH, body)["result"]
        assert result["verdict"] != "cannot_be_made"
        assert result["cut_length"] == pytest.approx(variant["cut_length"], abs=1e-9)
        assert result["needs_care"] == variant["needs_care"]
        length = {"run": variant["run"], "tube": body["tube"]}
        assert post("/v1/developed-length", length)["result"]["cut_length"] == pytest.approx(
            variant["cut_length"], abs=1e-9
        )
        for change in variant["changes"]:
            assert variant["run"]["bends"][change["bend"] - 1]["radius"] == change["radius"]


def test_the_one_line_verdict_leads(post: Post) -> None:
    answer = post(PATH, bend_review.EXAMPLE)
    assert answer["findings"][0]["text"] == answer["result"]["summary"]
    assert "2 of 40 checks block" in answer["result"]["summary"]
    assert answer["findings"][1]["code"] == "review_end_straight_short"
    assert "42 mm" in answer["findings"][1]["cure"]


def test_the_full_body_runs_and_finds_nothing(post: Post) -> None:
    result = post(PATH, FULL)["result"]
    assert (result["blocks"], result["needs_care"]) == (0, 0)
    assert {check["rule"] for check in result["checks"]} == set(get_args(Rule)) - {
        "leg_for_set_backs",  # of vertices
        "mandrel_rod",  # no mandrel is called for
        "bending_order",  # only a bender of the shop profile states what stands round it
    }
    assert result["variants"] == []
    assert result["tried"] == 0


# --- a run that cannot be built ------------------------------------------------------------------

CLOSE = changed(bend_review.EXAMPLE, ("run", "vertices", 2, "y"), 90)


def test_vertices_too_close_are_answered_not_refused(post: Post) -> None:
    result = post(PATH, CLOSE)["result"]
    legs = checks({"result": result}, "leg_for_set_backs")
    assert [leg["severity"] for leg in legs] == ["ok", "blocks", "ok", "ok"]
    assert (result["run"], result["cut_length"]) == (None, None)
    assert result["bends"][0]["tube_behind"] is None
    reasons = {one["rule"]: one["reason"] for one in result["not_checked"]}
    assert reasons["straight_for_clamp"] == "cannot_be_built"
    assert reasons["clearance_to_itself"] == "cannot_be_built"
    # what each bend is by itself is told all the same
    assert {check["bend"] for check in result["checks"] if check["rule"] == "mandrel"} == {1, 2, 3}


def test_the_cure_of_a_leg_builds_the_run(post: Post) -> None:
    """Right angles of 45 mm take 90 mm of the leg between them; radii of 30 mm take 60 mm."""

    def leg_of(length: float) -> dict[str, Any]:
        points = [{"x": x, "y": y} for x, y in ((0, 0), (200, 0), (200, length), (500, length))]
        run = {"vertices": points, "radius": 45}
        body = without(FULL, "measured", "parts")
        small = {**BENDER["dies"][0], "radius": 20}
        bench = {**BENDER, "dies": [small, *BENDER["dies"]]}
        result = post(PATH, {**body, "run": run, "bender": bench})["result"]
        return {
            "built": result["run"] is not None,
            **checks({"result": result}, "leg_for_set_backs")[1],
        }

    leg = leg_of(80)
    cures = {cure["change"]: cure["value"]["value"] for cure in leg["cures"]}
    assert cures == pytest.approx({"leg": 90, "radius": 30})
    assert (leg["limit"]["value"], leg["margin"]["value"]) == pytest.approx((90, -10))
    assert leg_of(cures["leg"])["built"]
    assert not leg_of(cures["leg"] - 1e-6)["built"]


def test_a_run_that_cannot_be_built_gets_variants_too(post: Post) -> None:
    """85 mm between two right angles: two of 45 mm take 90; 30 and 20 mm leave 35 for the clamp."""
    small = {**BENDER["dies"][0], "radius": 20}
    bench = {**BENDER, "dies": [*BENDER["dies"], small]}
    points = [{"x": x, "y": y} for x, y in ((0, 0), (200, 0), (200, 85), (500, 85))]
    body = {**without(FULL, "parts", "measured", "largest_thinning"), "bender": bench}
    result = post(PATH, {**body, "run": {"vertices": points, "radius": 45}})["result"]
    assert result["run"] is None
    radii = [[b["radius"] for b in v["run"]["bends"]] for v in result["variants"]]
    assert radii[0] in ([30, 20], [20, 30])
    assert [45, 20] not in radii
    assert [20, 45] not in radii


@pytest.mark.parametrize(
    ("vertices", "code"),
    [
        ([(0, 0), (0, 0), (100, 0)], "repeated_vertex"),
        ([(0, 0), (50, 0), (100, 0)], "vertices_in_line"),
        ([(0, 0), (500, 0), (0, 0.1)], "vertex_folds_back"),
    ],
)
def test_what_is_no_drawing_is_refused(
    client: FlaskClient, vertices: list[tuple[float, float]], code: str
) -> None:
    run = {"vertices": [{"x": x, "y": y} for x, y in vertices], "radius": 45}
    response = client.post(PATH, json={**FULL, "run": run})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["code"] == code


# --- fields --------------------------------------------------------------------------------------

BOUNDS: list[tuple[Where, float, float]] = [
    (("tube", "outside_diameter"), 14.0, 500.001),
    (("tube", "wall_thickness"), 0.4, 7.5),
    (("stretch",), 0.2, 0.2001),
    (("flow_stress",), 0.1, 0.09),
    (("flow_stress",), 100_000, 1_000_001),
    (("strength_factor",), 1, 0.999),
    (("strength_factor",), 10, 10.1),
    (("load_factor",), 1, 0.999),
    (("load_factor",), 10, 10.1),
    (("measured", 0, "bend"), 2, 3),
    (("measured", 0, "largest_diameter"), 15.0, 7.4),
    (("largest_thinning",), 0, -0.1),
    (("largest_thinning",), 100, 100.1),
    (("required_wall",), 0.0001, 0.00009),
    (("required_wall",), 7.49, 7.5),
    (("pressure",), 0.0001, 0.00009),
    (("pressure",), 1e6, 1.1e6),
    (("design_factor",), 1, 0.99),
    (("design_factor",), 100, 100.1),
    (("clearance",), 0, -0.1),
    (("clearance",), 10_000, 10_001),
    (("most_variants",), 0, -1),
    (("most_variants",), 10, 11),
    (("most_variants",), 1, 1.5),
    (("ends", "trim"), 10_000, 10_001),
    (("fittings", "end_1", "tube_outside_diameter"), 0.01, 0.009),
    (("fittings", "end_1", "tube_outside_diameter"), 500, 501),
    (("fittings", "end_1", "insertion"), 0, -0.1),
    (("fittings", "end_1", "insertion"), 10_000, 10_001),
    (("fittings", "end_1", "nut_length"), 10_000, 10_001),
    (("fittings", "end_1", "tool_length"), 10_000, 10_001),
    (("fittings", "end_2", "least_straight"), 10_000, 10_001),
    (("bender", "largest_outside_diameter"), 6, 5.9),
    (("bender", "longest_tube"), 0.01, 0.009),
    (("bender", "dies", 0, "clamp_length"), 10_000, 10_001),
    (("parts", 0, "clearance"), 10_000, 10_001),
    (("parts", 0, "box", "centre", "x"), -100_000, -100_001),
    (("parts", 0, "box", "centre", "z"), 100_000, 100_001),
    (("parts", 0, "box", "size", "x"), 0.001, 0.0009),
    (("parts", 0, "box", "size", "y"), 0.001, 0),
    (("parts", 0, "box", "size", "z"), 100_000, 100_001),
    (("parts", 0, "box", "x_axis", "x"), 1e6, 1.1e6),
    (("parts", 0, "box", "y_axis", "y"), 1e6, 1.1e6),
    (("parts", 1, "cylinder", "diameter"), 0.001, 0.0009),
    (("parts", 1, "cylinder", "start", "y"), 100_000, 100_001),
    (("parts", 1, "cylinder", "end", "x"), -100_000, -100_001),
    (("parts", 2, "segment", "diameter"), 0, -0.1),
    (("parts", 2, "segment", "end", "x"), 100_000, 100_001),
]


@pytest.mark.parametrize(("where", "inside", "outside"), BOUNDS, ids=str)
def test_bounds(client: FlaskClient, where: Where, inside: float, outside: float) -> None:
    # a bound is taken by its field; what else the number breaks is another field's affair
    body = without(FULL, "measured") if where[0] != "measured" else FULL
    if where[:2] == ("tube", "wall_thickness"):
        body = without(body, "required_wall", "pressure", "design_factor", "wall_deduction")
    good = client.post(PATH, json=changed(body, where, inside))
    assert good.status_code == 200, good.get_data(as_text=True)
    bad = client.post(PATH, json=changed(body, where, outside))
    assert bad.status_code == 422
    pointer = "/" + "/".join(map(str, where))
    assert any(
        e["pointer"].startswith(pointer[: len(e["pointer"])]) for e in bad.get_json()["errors"]
    )


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("measured_from",), "end_3"),
        (("mandrel_at_hand",), "yes"),
        (("standards",), ["no-such-code"]),
        (("standards",), ["asme-b31-3"] * 6),
        (("bender",), "no-such-bender"),
        (("fittings", "end_1"), "no-such-fitting"),
        (("fittings", "end_1", "kind"), "welded"),
        (("fittings", "end_1"), {"nut_length": 20}),
        (("fittings", "end_3"), FITTING),
        (("parts",), [{"name": "nothing"}]),
        (("parts",), FULL["parts"] * 17),
        (("parts", 0, "colour"), "red"),
        (("parts", 0, "box"), {"centre": {"x": 0, "y": 0}}),
        (("parts", 0, "name"), "<b>"),
        (("springback",), [{"radius": 45}, {"radius": 45}]),
        (("most_variants",), "3"),
        (("colour",), "red"),
    ],
    ids=str,
)
def test_what_is_no_value_is_refused(client: FlaskClient, where: Where, value: Any) -> None:
    response = client.post(PATH, json=changed(FULL, where, value))
    assert response.status_code == 422
    assert response.content_type == "application/problem+json"


@pytest.mark.parametrize("name", ["run", "tube", "bender"])
def test_what_is_needed(client: FlaskClient, name: str) -> None:
    response = client.post(PATH, json=without(FULL, name))
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == f"/{name}"


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        (without(FULL, "pressure"), "pressure_to_rate_missing", "/pressure"),
        (without(FULL, "design_factor"), "allowable_stress_missing", "/allowable_stress"),
        ({**FULL, "allowable_stress": 80}, "two_allowable_stresses", "/design_factor"),
        (
            changed(FULL, ("parts", 0, "box", "x_axis"), {"x": 0, "y": 0}),
            "axis_without_direction",
            "/parts/0/box/x_axis",
        ),
        (
            changed(FULL, ("parts", 0, "box", "y_axis"), {"x": 2, "y": 2}),
            "axis_without_direction",
            "/parts/0/box/y_axis",
        ),
        (
            changed(FULL, ("parts", 1, "cylinder", "end"), {"x": 0, "y": -300, "z": 0}),
            "obstacle_size_not_positive",
            "/parts/1/cylinder/end",
        ),
        (
            changed(FULL, ("run", "bends", 1, "radius"), 7.5),
            "radius_within_tube",
            "/run/bends/1/radius",
        ),
        (changed(FULL, ("run", "bends", 0, "rotation"), 10), "first_rotation_not_zero", None),
    ],
)
def test_refusals(
    client: FlaskClient, body: dict[str, Any], code: str, pointer: str | None
) -> None:
    response = client.post(PATH, json=body)
    assert response.status_code == 422
    error = response.get_json()["errors"][0]
    assert error["code"] == code
    assert pointer is None or error["pointer"] == pointer


# --- units, texts, bytes -------------------------------------------------------------------------


def in_inches(body: Any, name: str = "") -> Any:
    """The metric body in inches, psi and lbf; plain numbers, angles and percents stay."""
    lengths = {
        "outside_diameter", "wall_thickness", "straight", "radius", "last_straight", "length",
        "trim", "insertion", "nut_length", "tool_length", "least_straight", "clearance",
        "tube_outside_diameter", "clamp_length", "pressure_die_length", "lever_length",
        "longest_tube", "least_outside_diameter", "largest_outside_diameter", "required_wall",
        "largest_diameter", "least_diameter", "diameter", "tolerance", "corrosion_allowance",
    }  # fmt: skip
    if isinstance(body, dict):
        directions = name in ("x_axis", "y_axis")
        return {key: value if directions else in_inches(value, key) for key, value in body.items()}
    if isinstance(body, list):
        return [in_inches(value, name) for value in body]
    if name in lengths or name in ("x", "y", "z"):
        return body / 25.4
    if name in ("flow_stress", "pressure", "allowable_stress"):
        return body / (4.4482216152605 / 25.4**2)
    if name == "comfortable_force":
        return body / 4.4482216152605
    return "inch" if name == "units" else body


FACTORS = {"in": 25.4, "psi": 4.4482216152605 / 25.4**2, "lbf": 4.4482216152605}
METRIC = {"in": "mm", "psi": "MPa", "lbf": "N"}


def test_inch_equals_metric(post: Post) -> None:
    metric, inch = post(PATH, FULL)["result"], post(PATH, in_inches(FULL))["result"]
    assert inch["cut_length"] * 25.4 == pytest.approx(metric["cut_length"], abs=1e-9)
    for one, other in zip(metric["checks"], inch["checks"], strict=True):
        assert (one["rule"], one["severity"]) == (other["rule"], other["severity"])
        for name in ("value", "limit", "margin"):
            if one[name] is None:
                assert other[name] is None
                continue
            unit = other[name]["unit"]
            assert METRIC.get(unit, unit) == one[name]["unit"]
            assert other[name]["value"] * FACTORS.get(unit, 1) == pytest.approx(
                one[name]["value"], rel=1e-9, abs=1e-7
            )


def test_the_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    for body in (FULL, bend_review.EXAMPLE, CLOSE):
        assert len({client.post(PATH, json=body).get_data() for _ in range(3)}) == 1


def codes_in_source() -> set[str]:
    """Every code of a finding of a review that the calculations can give."""
    found = set()
    for file in (SERVICE / "calc").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found |= set(re.findall(r"^review_[a-z_]+$", node.value))
    return found


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_code_and_cure_has_words(language: str) -> None:
    texts = shipped_texts(language)
    by_trade = {
        f"{code}_by_trade" for code in ("review_straight_short", "review_end_straight_short")
    }
    assert codes_in_source() | by_trade == {
        code for code in texts["findings"] if code.startswith("review_")
    }
    more = {"or", "none", "radius_at_straight", "move_apart_unknown"}
    assert set(texts["cures"]) == {*get_args(Change), *more}


@pytest.mark.parametrize("body", [FULL, bend_review.EXAMPLE, CLOSE])
def test_german(client: FlaskClient, body: dict[str, Any]) -> None:
    english = client.post(PATH, json=body).get_json()
    response = client.post(PATH, json=body, headers={"Accept-Language": "de"})
    german = response.get_json()
    assert german["result"]["verdict"] == english["result"]["verdict"]
    assert german["result"]["checks"] == [
        {
            **check,
            "cures": [
                {**cure, "text": words["text"]}
                for cure, words in zip(check["cures"], told["cures"], strict=True)
            ],
        }
        for check, told in zip(english["result"]["checks"], german["result"]["checks"], strict=True)
    ]
    start = shipped_texts("de")["findings"]["review_" + german["result"]["verdict"]]["text"]
    assert german["result"]["summary"].startswith(start.partition("{")[0])


def test_every_failing_check_has_its_finding(post: Post) -> None:
    answer = post(PATH, changed(FULL, ("bender", "rated_tubes"), []))
    failing = [check for check in answer["result"]["checks"] if check["severity"] != "ok"]
    told = [f for f in answer["findings"][1:] if f["severity"] != "ok"]
    assert [check["code"] for check in failing] == [finding["code"] for finding in told]


# --- cures that depend on the end of the work ----------------------------------------------------

TWO_CLAMPS = copy.deepcopy(BENDER)
TWO_CLAMPS["dies"][0]["clamp_length"] = 40


@pytest.mark.parametrize(
    ("measured_from", "straight", "other_end"),
    [
        # from end 1 the straight is held by the clamp of bend 2 (40 mm), from end 2 by that of
        # bend 1 (30 mm)
        ("end_1", 35, True),
        ("end_1", 29, False),
        ("end_2", 35, None),
    ],
)
def test_the_other_end_is_named_where_its_clamp_is_shorter(
    post: Post, measured_from: str, straight: float, other_end: bool | None
) -> None:
    run = {
        "bends": [
            {"straight": 200, "angle": 90, "radius": 45},
            {"straight": straight, "angle": 90, "radius": 30},
        ],
        "last_straight": 200,
    }
    body = {**without(FULL, "parts", "fittings", "measured"), "run": run, "bender": TWO_CLAMPS}
    found = checks(post(PATH, {**body, "measured_from": measured_from}), "straight_for_clamp")[0]
    assert (found["severity"] == "ok") == (other_end is None)
    ends = [cure["end"] for cure in found["cures"] if cure["change"] == "work_from"]
    assert ends == (["end_2"] if other_end else [])


# --- unknown data --------------------------------------------------------------------------------


def test_what_nothing_is_known_of_is_not_checked(post: Post) -> None:
    bare = {
        "run": FULL["run"],
        "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
        "bender": without(BENDER, "dies", "rated_tubes", "drive", "longest_tube"),
    }
    result = post(PATH, bare)["result"]
    reasons = {one["rule"]: one["reason"] for one in result["not_checked"]}
    assert reasons == {
        "radius_at_hand": "not_stated",
        "set_angle": "no_springback",
        "capacity": "not_stated",
        "crank_force": "not_stated",
        "thinning": "not_asked",
        "wall_for_pressure": "not_asked",
        "ovality": "not_measured",
        "pressure": "not_asked",
        "tube_before_stop": "not_stated",
        "clearance_to_parts": "not_asked",
        "bending_order": "not_stated",
    }
    # without dies the trade's rule stands in, and says so
    assert checks({"result": result}, "straight_for_clamp")[0]["code"].endswith("_by_trade")
    assert checks({"result": result}, "straight_for_clamp")[0]["limit"]["value"] == 22.5


@pytest.mark.parametrize(("last", "verdict"), [(22.4, "cannot_be_made"), (30.0, "can_be_made")])
def test_by_the_trades_rule_alone(post: Post, last: float, verdict: str) -> None:
    """15 mm tube: below 1.5 D it cannot be held, from 2 D it can; worked from its short end."""
    body = {
        "run": {"bends": [{"straight": last, "angle": 90, "radius": 45}], "last_straight": 200},
        "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
        "bender": without(BENDER, "dies", "rated_tubes", "drive", "longest_tube"),
    }
    assert post(PATH, body)["result"]["verdict"] == verdict


def test_a_bend_too_tight_to_rate_blocks_and_does_not_refuse(post: Post) -> None:
    """15 x 5 at R = 8: by constant volume the inside comes to 5·√(8/3) = 8.2 mm, past D/2."""
    body = without(FULL, "required_wall", "measured", "wall_deduction", "stretch")
    body = changed(body, ("run", "bends", 0, "radius"), 8)
    found = checks(post(PATH, changed(body, ("tube", "wall_thickness"), 5)), "pressure")
    by_bend = {check["bend"]: check for check in found}
    assert (by_bend[1]["severity"], by_bend[1]["code"]) == ("blocks", "review_bend_not_rated")
    assert by_bend[1]["value"] is None
    assert by_bend[2]["severity"] == "ok"  # the other bend is rated all the same


def test_a_part_without_a_clearance_of_its_own_takes_the_requests(post: Post) -> None:
    limits = [check["limit"]["value"] for check in checks(post(PATH, FULL), "clearance_to_parts")]
    assert limits == [5, 2, 2]


def test_fittings_of_the_shop(post: Post) -> None:
    body = {**without(bend_review.EXAMPLE, "fittings"), "fittings": {"end_1": "cone-15"}}
    found = checks(post(PATH, body), "fitting_for_tube")[0]
    assert (found["severity"], found["end"]) == ("blocks", "end_1")
    assert (found["value"]["value"], found["limit"]["value"]) == (20, 15)


def test_end_fittings_are_listed_with_the_straight_they_take(client: FlaskClient) -> None:
    listed = client.get("/v1/end-fittings").get_json()["result"]["end_fittings"]
    by_id = {one["id"]: one for one in listed}
    # two nuts of 25 mm are more than tool and nut, 22 + 25; a flare takes tool and nut, 42 + 29
    assert by_id["cone-20"]["straight_needed"] == 50
    assert by_id["flare-20"]["straight_needed"] == 71


# --- size ----------------------------------------------------------------------------------------


def long_run(count: int, straight: float) -> dict[str, Any]:
    bends = [
        {
            "straight": straight,
            "rotation": 0 if i == 0 else (37 * i) % 170 - 85,
            "angle": 20,
            "radius": 45,
        }
        for i in range(count)
    ]
    return {"bends": bends, "last_straight": 200}


@pytest.mark.parametrize("straight", [20, 60])
def test_two_hundred_bends_are_answered(post: Post, straight: float) -> None:
    body = {**FULL, "run": long_run(200, straight), "parts": FULL["parts"][:1]}
    result = post(PATH, body)["result"]
    assert len(result["bends"]) == 200
    assert len(checks({"result": result}, "straight_for_clamp")) == 199


# --- the picture ---------------------------------------------------------------------------------


def drawn(client: FlaskClient, body: dict[str, Any], **headers: str) -> ElementTree.Element:
    response = client.post(PATH, json=body, headers={"Accept": MEDIA_TYPE, **headers})
    assert response.status_code == 200, response.get_data(as_text=True)
    assert response.content_type == MEDIA_TYPE
    return ElementTree.fromstring(response.data)


def words(svg: ElementTree.Element) -> list[str]:
    return ["".join(node.itertext()) for node in svg.iter(f"{SVG}text")]


def test_the_picture_marks_what_fails_and_tells_it(client: FlaskClient) -> None:
    svg = drawn(client, bend_review.EXAMPLE)
    said = words(svg)
    assert {"A: straight 1", "B: straight 2", "Isometric"} <= set(said)
    assert sum(text.startswith(("Top", "Front", "Side")) for text in said) == 2
    assert sum(text == "A" for text in said) == 2  # a letter in each plane view
    assert any(text.startswith("A blocks. The straight at end 1 is 35 mm") for text in said)
    lines = [node.get("class") for node in svg.iter(f"{SVG}polyline")]
    assert (lines.count("blocks"), lines.count("care")) == (6, 0)  # two places in three views
    assert len(list(svg.iter(f"{SVG}circle"))) == 6


def test_a_run_that_passes_has_no_marks(client: FlaskClient) -> None:
    svg = drawn(client, FULL)
    lines = [node.get("class") for node in svg.iter(f"{SVG}polyline")]
    assert lines == ["nominal"] * 3


def test_a_run_that_cannot_be_built_is_drawn_by_its_legs(client: FlaskClient) -> None:
    svg = drawn(client, CLOSE)
    path = next(node for node in svg.iter(f"{SVG}polyline") if node.get("class") == "nominal")
    assert len(str(path.get("points")).split()) == len(CLOSE["run"]["vertices"])
    assert "A: straight 2" in words(svg)


def test_both_places_that_meet_are_marked(client: FlaskClient) -> None:
    run = {
        "bends": [
            {"straight": 300, "angle": 90, "radius": 45},
            {"straight": 100, "angle": 90, "radius": 45},
            {"straight": 200, "angle": 90, "radius": 45},
        ],
        "last_straight": 400,
    }
    svg = drawn(client, without({**FULL, "run": run}, "fittings", "parts"))
    assert len(list(svg.iter(f"{SVG}circle"))) == 6


@pytest.mark.parametrize("body", [bend_review.EXAMPLE, CLOSE, FULL], ids=["two", "close", "none"])
def test_the_picture_is_legible_at_360_px(client: FlaskClient, body: dict[str, Any]) -> None:
    svg = drawn(client, body)
    width = float(str(svg.get("viewBox")).split()[2])
    assert width == 360
    for node in svg.iter(f"{SVG}text"):
        x, length = float(str(node.get("x"))), len("".join(node.itertext()))
        assert x >= 0
        assert x + 5 * length <= width  # half a letter height a letter at the very least


def test_the_picture_in_german(client: FlaskClient) -> None:
    german = shipped_texts("de")["pictures"]
    said = words(drawn(client, bend_review.EXAMPLE, **{"Accept-Language": "de"}))
    assert "A: " + german["review_straight"].format(straight=1) in said
    assert any(text.startswith(german["review_blocks"].format(letter="A")) for text in said)


# --- a run without bends -------------------------------------------------------------------------

TUBE = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
ONE = {"bends": [{"straight": 100, "angle": 90, "radius": 60}], "last_straight": 200}
STRAIGHT_RUNS = [
    {"bends": [], "last_straight": 500},
    {"vertices": [{"x": 0, "y": 0}, {"x": 500, "y": 0}]},
]


@pytest.mark.parametrize("run", STRAIGHT_RUNS)
@pytest.mark.parametrize(("pressure", "verdict"), [(18.47, "can_be_made"), (30, "cannot_be_made")])
def test_a_straight_tube_is_held_against_the_pressure(
    post: Post, run: dict[str, Any], pressure: float, verdict: str
) -> None:
    """ASME B31.3 (3a): P = 2·S·t/(D − 2·Y·t), S = 340/4, Y = 0.4."""
    body = {"tube": TUBE, "bender": "bench-25", "run": run}
    answer = post(PATH, {**body, "pressure": pressure, "design_factor": 4})
    (check,) = checks(answer, "pressure")
    assert answer["result"]["verdict"] == verdict
    assert check["value"]["value"] == pytest.approx(2 * 85 * 2 / (20 - 2 * 0.4 * 2))
    assert check["bend"] is None
    assert {cure["change"] for cure in check["cures"]} == (
        {"pressure", "thicker_wall"} if pressure == 30 else set()
    )
    assert "pressure-b31-3" in {method["id"] for method in answer["basis"]}


@pytest.mark.parametrize("run", STRAIGHT_RUNS)
@pytest.mark.parametrize(("diameter", "severity"), [(25, "ok"), (25.1, "blocks"), (5.9, "blocks")])
def test_a_straight_tube_is_held_against_the_range_of_the_bender(
    post: Post, run: dict[str, Any], diameter: float, severity: str
) -> None:
    tube = {"outside_diameter": diameter, "wall_thickness": 1.5}
    answer = post(PATH, {"tube": tube, "bender": "bench-25", "run": run})
    (check,) = checks(answer, "tube_in_bender_range")
    assert check["severity"] == severity


@pytest.mark.parametrize("run", STRAIGHT_RUNS)
def test_what_needs_a_bend_is_listed_as_not_checked_without_one(
    post: Post, run: dict[str, Any]
) -> None:
    """Every rule is either applied or listed; what was asked for in vain is told as such."""
    body = {"tube": TUBE, "bender": "bench-25", "run": run}
    asked = {"required_wall": 1, "largest_thinning": 20, "measured": FULL["measured"]}
    for more in ({}, asked):
        answer = post(PATH, {**body, **more})
        missing = {one["rule"]: one["reason"] for one in answer["result"]["not_checked"]}
        applied = {check["rule"] for check in answer["result"]["checks"]}
        of_ends_and_legs = {"end_straight_for_fitting", "fitting_for_tube", "leg_for_set_backs"}
        assert applied | set(missing) >= set(get_args(Rule)) - of_ends_and_legs
        assert not applied & set(missing)
        reason = "no_bend" if more else "not_asked"
        assert (missing["thinning"], missing["wall_for_pressure"]) == (reason, reason)
        assert missing["ovality"] == ("no_bend" if more else "not_measured")


# --- parts that the centre line enters -----------------------------------------------------------


def beside(y: float) -> dict[str, Any]:
    """A straight of 100 along x past a box of 60 × 60 whose middle lies at y."""
    box = {"centre": {"x": 50, "y": y, "z": 0}, "size": {"x": 20, "y": 60, "z": 60}}
    return {
        "tube": TUBE,
        "bender": "bench-25",
        "run": ONE,
        "springback": [{}],
        "parts": [{"name": "box", "box": box}],
    }


@pytest.mark.parametrize("y", [0, 15, -20, 29.9, 30])
def test_no_distance_is_told_where_the_centre_line_enters_a_part(post: Post, y: float) -> None:
    """From y = 0 the tube had to be moved by 40 mm, and 10 was told."""
    answer = post(PATH, beside(y))
    (check,) = checks(answer, "clearance_to_parts")
    assert (check["severity"], check["code"]) == ("blocks", "review_passes_through_part")
    assert (check["value"], check["margin"]) == (None, None)
    assert [(cure["change"], cure["value"]) for cure in check["cures"]] == [("move_apart", None)]
    (found,) = [f for f in answer["findings"] if f["code"] == check["code"]]
    assert "passes through part 1 (box)" in found["text"]
    assert " mm" not in found["cure"]


@pytest.mark.parametrize("y", [30.5, 35, -39])
def test_the_distance_told_for_a_part_that_only_the_wall_enters_clears_it(
    post: Post, y: float
) -> None:
    (check,) = checks(post(PATH, beside(y)), "clearance_to_parts")
    assert check["value"]["value"] == pytest.approx(abs(y) - 40)
    move = check["cures"][0]["value"]["value"]
    (moved,) = checks(post(PATH, beside(y + move * (1 if y > 0 else -1))), "clearance_to_parts")
    assert moved["severity"] == "ok"


# --- springback ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("springback", "material", "origin", "code"),
    [
        ([], "e235-n", "predicted", "springback_predicted"),
        ([{"constant": 0.8, "proportional": 0.014}], "e235-n", "given", None),
        ([], None, "none", None),
    ],
)
def test_what_the_set_angle_rests_on_is_told(
    post: Post, springback: list[Any], material: str | None, origin: str, code: str | None
) -> None:
    tube = {**TUBE, "material": material} if material else without(TUBE, "material")
    body = {"tube": tube, "bender": "bench-25", "run": ONE, "springback": springback}
    answer = post(PATH, body)
    (bend,) = answer["result"]["bends"]
    assert bend["springback_from"] == origin
    told = [f["code"] for f in answer["findings"] if f["code"].startswith("springback_")]
    assert told == ([code] if code else [])
    asked = {**without(body, "run", "bender"), "bender": "bench-25", "radius": 60, "angle": 90}
    capacity = post("/v1/capacity-check", asked)["result"]["bends"][0]
    assert capacity["springback_from"] == origin
    assert capacity["set_angle"] == pytest.approx(bend["set_angle"])


def test_springback_predicted_at_one_of_two_bends_is_told(post: Post) -> None:
    rows = [
        {"straight": 150, "angle": 90, "radius": 60},
        {"straight": 150, "angle": 90, "radius": 40},
    ]
    run = {"bends": rows, "last_straight": 300}
    law = [{"radius": 60, "constant": 0.8, "proportional": 0.014}]
    answer = post(PATH, {"tube": TUBE, "bender": "bench-25", "run": run, "springback": law})
    assert [b["springback_from"] for b in answer["result"]["bends"]] == ["given", "predicted"]
    (found,) = [f for f in answer["findings"] if f["code"] == "springback_predicted_at_some"]
    assert found["text"].startswith("For 1 of the bends")


# --- radii that differ by rounding ---------------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    [
        changed(bend_review.EXAMPLE, ("run", "radius"), 60.0000000001),
        changed(bend_review.EXAMPLE, ("run", "radius"), 60.01),
        changed(in_inches(bend_review.EXAMPLE), ("run", "radius"), 2.3622),
    ],
)
def test_a_radius_that_the_same_die_makes_is_no_change(post: Post, body: dict[str, Any]) -> None:
    """The variants are those of the radius that the die makes exactly."""
    exact = post(PATH, bend_review.EXAMPLE)["result"]
    result = post(PATH, body)["result"]

    def made(variant: dict[str, Any]) -> Any:
        changes = [(change["bend"], change["die"]) for change in variant["changes"]]
        return variant["work_from"], changes

    assert [made(v) for v in result["variants"]] == [made(v) for v in exact["variants"]]
    assert result["tried"] == exact["tried"]
    for check in result["checks"]:
        own = body["run"]["radius"]
        radii = [cure["value"]["value"] for cure in check["cures"] if cure["change"] == "radius"]
        assert all(abs(radius - own) > 0.01 * own for radius in radii)


# --- words of fittings ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fitting", "words"),
    [
        (
            {"kind": "cone_24", "nut_length": 70, "insertion": 12},
            "the 24° cone connector needs 140 mm: twice its nut",
        ),
        (
            {"kind": "flare", "nut_length": 70, "tool_length": 60},
            "the flare connection needs 130 mm: its tool and, pushed back behind it, its nut",
        ),
        ({"kind": "flare", "tool_length": 120}, "needs 120 mm: its tool grips so much"),
        (
            {"kind": "compression", "nut_length": 60, "insertion": 50, "name": "union 20"},
            "union 20 needs 110 mm: the tube goes into it, and the nut sits behind",
        ),
        ({"kind": "compression", "insertion": 110}, "needs 110 mm: so far the tube goes in"),
        ({"kind": "flare", "nut_length": 110}, "needs 110 mm: its nut"),
        ({"kind": "flare", "least_straight": 110}, "needs 110 mm: that is stated for it"),
    ],
)
def test_a_fitting_is_told_by_name_or_kind_and_by_what_takes_the_straight(
    post: Post, fitting: dict[str, Any], words: str
) -> None:
    body = {"tube": TUBE, "bender": "bench-25", "run": ONE, "fittings": {"end_1": fitting}}
    (found,) = [
        f
        for f in post(PATH, body)["findings"]
        if f["code"] == "review_end_straight_short_for_fitting"
    ]
    assert words in found["text"]
    assert "inline" not in found["text"]


def test_a_fitting_for_another_tube_is_told_by_its_kind(post: Post) -> None:
    fitting = {"kind": "cone_24", "tube_outside_diameter": 18}
    body = {"tube": TUBE, "bender": "bench-25", "run": ONE, "fittings": {"end_2": fitting}}
    (found,) = [
        f for f in post(PATH, body)["findings"] if f["code"] == "review_fitting_not_for_tube"
    ]
    assert found["text"].startswith("At end 2: the 24° cone connector is made for tube of 18 mm")
