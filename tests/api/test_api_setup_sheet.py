"""Setup sheet over the app: its figures, its steps, its forms, its address, its languages."""

from __future__ import annotations

import base64
import json
import re
import zlib
from typing import Any
from urllib.parse import parse_qs, urlsplit
from xml.etree import ElementTree

import pytest
from conftest import Post
from endpoints import Field, changed, in_inches, pointer_past
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.api.setup_sheet import DEMO
from service.web.addressed import LARGEST_BODY, LONGEST

SHEET, DEMO_PATH = "/v1/setup-sheet", "/v1/setup-sheet/demo"
HTML, SVG, JSON = "text/html", "image/svg+xml", "application/json"

EIGHT: dict[str, Any] = {
    **DEMO,
    "run": {
        "bends": [
            {
                "straight": 90 + 10 * n,
                "rotation": 0 if n == 0 else 45 * n - 160,
                "angle": 30 + 9 * n,
            }
            | {"radius": 45}
            for n in range(8)
        ],
        "last_straight": 150,
    },
}
THIN: dict[str, Any] = {
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5, "material": "e235-n"},
    "bender": "bench-42",
    "die": "d38-r115",
    "run": {
        "bends": [
            {"straight": 260, "angle": 90, "radius": 115},
            {"straight": 200, "rotation": -90, "angle": 45, "radius": 115},
        ],
        "last_straight": 700,
    },
    "mandrel": {"nose": "rounded", "corner_radius": 6, "lead": 5},
}


def without(body: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in body.items() if name not in names}


def encoded(body: Any) -> str:
    raw = zlib.compress(json.dumps(body).encode())
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def codes(answer: dict[str, Any]) -> list[str]:
    return [finding["code"] for finding in answer["findings"]]


def step(answer: dict[str, Any], code: str, bend: int | None = None) -> dict[str, Any]:
    found = [
        s
        for s in answer["result"]["steps"]
        if s["code"] == code and (bend is None or s["bend"] == bend)
    ]
    assert len(found) == 1, (code, [s["code"] for s in answer["result"]["steps"]])
    return dict(found[0])


@pytest.fixture(scope="module")
def demo(post: Post) -> dict[str, Any]:
    return post(SHEET, DEMO)


# --- the sheet is put together from the other calculations ---------------------------------------


@pytest.mark.parametrize("measured_from", ["end_1", "end_2"])
@pytest.mark.parametrize("measure", ["from_end", "as_you_go"])
def test_marks_are_those_of_the_mark_layout(post: Post, measured_from: str, measure: str) -> None:
    how = {"measured_from": measured_from, "measure": measure}
    names = ("units", "tube", "run", "die", "stretch", "ends", "springback")
    layout = post("/v1/mark-layout", {**{n: DEMO[n] for n in names}, **how})["result"]
    sheet = post(SHEET, {**DEMO, **how})["result"]
    assert [row["marks"] for row in sheet["bends"]] == layout["bends"]
    assert sheet["cut_length"] == layout["cut_length"]


def test_mandrel_and_capacity_are_those_of_their_endpoints(post: Post) -> None:
    for body in (DEMO, THIN):
        names = ("tube", "run", "die", "bender", "stretch", "ends", "mandrel")
        shared = {n: body[n] for n in names if n in body}
        mandrel = post("/v1/mandrel-criterion", shared)["result"]
        more = {n: body[n] for n in ("springback", "pressure_die_friction") if n in body}
        capacity = post("/v1/capacity-check", {**without(shared, "mandrel"), **more})["result"]
        sheet = post(SHEET, body)["result"]
        assert sheet["mandrel_verdict"] == mandrel["verdict"]
        assert sheet["utilisation"] == capacity["utilisation"]
        for row, crank in zip(sheet["bends"], capacity["bends"], strict=True):
            assert row["hand_force"] == crank["crank"]["force_largest"]
        if sheet["mandrel"]:
            leads = [row["nose"]["largest_lead"] for row in sheet["bends"]]
            assert leads == [row["lead"]["largest"] for row in mandrel["bends"]]


def test_steps_stand_in_the_order_of_the_work(demo: dict[str, Any]) -> None:
    steps = demo["result"]["steps"]
    assert [s["number"] for s in steps] == list(range(1, len(steps) + 1))
    before = ["secure_bender", "choose_die", "clean_and_lubricate", "set_zero", "cut_tube"]
    before += ["mark_tube", "support_tube"]
    each = ["set_bend", "crank_bend", "unload_bend", "check_bend"]
    assert [s["code"] for s in steps] == [*before, *each * 4, "finish_part"]
    assert [s["bend"] for s in steps if s["code"] == "set_bend"] == [1, 2, 3, 4]


def test_from_end_2_the_bends_turn_round(post: Post) -> None:
    sheet = post(SHEET, {**DEMO, "measured_from": "end_2"})
    assert [row["bend"] for row in sheet["result"]["bends"]] == [4, 3, 2, 1]
    assert "end 2" in step(sheet, "set_bend", 4)["actions"][0]
    assert step(sheet, "mark_tube")["title"].endswith("end 2")


def test_what_a_step_says_is_what_the_figures_are(demo: dict[str, Any]) -> None:
    row = demo["result"]["bends"][1]
    said = step(demo, "set_bend", 2)
    roll, mark = said["actions"][0], said["actions"][1]
    assert "90° clockwise" in roll
    assert row["roll_direction"] == "clockwise"
    # arc = rotation · D/2 = π/2 · 7.5 mm
    assert "11.78 mm" in roll.replace("\u00a0", " ")
    assert row["marks"]["zero_mark"]["label"].replace(" ", "\u00a0") in mark
    # (60° + 0.8°)/(1 − 0.014) = 61.663°
    assert "61.66°" in step(demo, "crank_bend", 2)["actions"][0]
    # gear ratio 6: 6 · 61.663/360
    assert row["turns"] == pytest.approx(6 * (60.8 / 0.986) / 360)


def test_cautions_stand_first_and_at_the_step_that_bites(demo: dict[str, Any]) -> None:
    assert len(demo["cautions"]) == 5
    bites = {s["code"] for s in demo["result"]["steps"] if s["cautions"]}
    assert {"secure_bender", "choose_die", "cut_tube", "set_bend", "crank_bend"} <= bites
    assert {"unload_bend", "finish_part"} <= bites


def test_with_a_mandrel(post: Post) -> None:
    sheet = post(SHEET, THIN)
    result = sheet["result"]
    assert result["mandrel_verdict"] == "required"
    fit = " ".join(step(sheet, "fit_mandrel")["actions"]).replace("\u00a0", " ")
    # bore 38 − 2·1.5 = 35, less the clearance of the shop, 0.3
    assert "34.7 mm" in fit
    assert "corner radius of 6 mm" in fit
    assert "Too" not in fit
    assert {"fit_mandrel", "clean_and_lubricate"} <= {s["code"] for s in result["steps"]}
    nose = " ".join(step(sheet, "set_bend", 1)["actions"])
    assert "stop to tangent point" in nose
    assert step(sheet, "unload_bend", 1)["actions"][0].startswith("Draw the mandrel back")
    row = result["bends"][0]
    assert row["nose"]["nose_to_stop"] == pytest.approx(row["tube_behind"] + 5)


def test_a_mandrel_can_be_asked_for_and_left_out(post: Post) -> None:
    assert post(SHEET, {**THIN, "use_mandrel": False})["result"]["mandrel"] is None
    assert post(SHEET, {**DEMO, "use_mandrel": True})["result"]["mandrel"] is not None


def test_two_radii_change_the_die(post: Post) -> None:
    body = without(DEMO, "die", "springback")
    body["tube"] = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
    body["run"] = {
        "bends": [
            {"straight": 200, "angle": 90, "radius": 60},
            {"straight": 150, "rotation": 90, "angle": 45, "radius": 40},
            {"straight": 150, "rotation": 90, "angle": 45, "radius": 40},
        ],
        "last_straight": 300,
    }
    sheet = post(SHEET, body)
    assert [die["id"] for die in sheet["result"]["dies"]] == ["d20-r60", "d20-r40"]
    assert [die["bends"] for die in sheet["result"]["dies"]] == [[1], [2, 3]]
    assert step(sheet, "change_die")["bend"] == 2
    assert sheet["result"]["verdict"] != "stop"
    # each mark is set with the offset of its own die: both have their zero mark 2 mm ahead
    for row in sheet["result"]["bends"]:
        marks = row["marks"]
        assert marks["zero_mark"]["exact"] - marks["start"]["exact"] == pytest.approx(2)


def test_springback_that_is_not_known_is_approached_from_below(post: Post) -> None:
    sheet = post(SHEET, without(DEMO, "springback"))
    row = sheet["result"]["bends"][0]
    assert row["springback_known"] is False
    assert row["marks"]["crank"]["exact"] == 90
    assert row["predicted_set_angle"] > 90
    said = step(sheet, "crank_bend", 1)["actions"]
    assert any(line.startswith("No springback is known: crank to 90°") for line in said)
    assert "springback_not_given" in codes(sheet)


# --- what swings round ---------------------------------------------------------------------------

LONG_AHEAD: dict[str, Any] = {
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"},
    "bender": "bench-25",
    "die": "d15-r45",
    "stretch": 0.02,
    "run": {"bends": [{"straight": 2000, "angle": 90, "radius": 45}], "last_straight": 150},
}


def said(answer: dict[str, Any], code: str, bend: int | None = None) -> str:
    """All that a step says to do, with plain spaces."""
    return " ".join(step(answer, code, bend)["actions"]).replace("\u00a0", " ")


def test_the_sweep_is_that_of_the_part_ahead(post: Post) -> None:
    # 2000 mm and a radius of 45 mm off: √(2000² + 45²) and half the tube, 2008.0 mm
    sheet = post(SHEET, LONG_AHEAD)
    row = sheet["result"]["bends"][0]
    assert row["reach_ahead"] == pytest.approx((2000**2 + 45**2) ** 0.5 + 7.5)
    assert "with end 1, swings round and reaches up to 2008 mm" in said(sheet, "secure_bender")
    assert "219" not in said(sheet, "secure_bender")
    # from the other end 150 mm are ahead: √(150² + 45²) + 7.5
    turned = post(SHEET, {**LONG_AHEAD, "measured_from": "end_2"})
    assert turned["result"]["bends"][0]["reach_ahead"] == pytest.approx(164.1042, abs=1e-3)
    assert "with end 2, swings round and reaches up to 164.1 mm" in said(turned, "secure_bender")


def test_the_sweep_told_first_is_that_of_the_worst_bend(demo: dict[str, Any]) -> None:
    furthest = max(row["reach_ahead"] for row in demo["result"]["bends"])
    assert f"up to {furthest:.1f} mm" in said(demo, "secure_bender")


def test_a_long_part_ahead_is_to_be_supported_too(post: Post) -> None:
    # the bender asks for support from 900 mm: √(s² + 45²) + 7.5 = 900 at s = 891.365 mm
    def ahead(straight: float) -> dict[str, Any]:
        return post(SHEET, changed(LONG_AHEAD, ("run", "bends", 0, "straight"), straight))

    within, past = ahead(891.3), ahead(891.4)
    assert within["result"]["bends"][0]["support_ahead"] is False
    assert "support_tube" not in {s["code"] for s in within["result"]["steps"]}
    assert past["result"]["bends"][0]["support_ahead"] is True
    assert "second person" in said(past, "support_tube")
    assert "stands at the height" not in said(past, "support_tube")  # nothing long is behind
    assert "second person" in said(past, "crank_bend")
    unstated = {"least_outside_diameter": 6, "largest_outside_diameter": 20, "largest_angle": 180}
    sheet = post(SHEET, {**LONG_AHEAD, "bender": {**unstated, "dies": ["d15-r45"]}})
    assert sheet["result"]["bends"][0]["support_ahead"] is None
    assert "2008 mm" in said(sheet, "support_tube")


# --- the mandrel at its stop ---------------------------------------------------------------------

SUCTION: dict[str, Any] = {
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5, "material": "1.4404"},
    "bender": "bench-42",
    "die": "d38-r76",
    "run": {
        "bends": [
            {"straight": 400, "angle": 90, "radius": 76},
            {"straight": 300, "rotation": -60, "angle": 60, "radius": 76},
        ],
        "last_straight": 700,
    },
    "springback": [{"constant": 1, "proportional": 0.03}],
    "mandrel": {"nose": "rounded", "corner_radius": 6, "rod_length": 600, "rod_overlap": 20},
    "ends": {"trim": 150},
}


def with_lead(lead: float) -> dict[str, Any]:
    return {**SUCTION, "mandrel": {**SUCTION["mandrel"], "lead": lead}}


@pytest.mark.parametrize(("lead", "ahead"), [(None, 0.0), (0, 0.0), (5, 5.0)])
def test_the_stop_agrees_with_the_nose(post: Post, lead: float | None, ahead: float) -> None:
    # behind bend 1: 300 + 700 + 150 and the arcs 76·(π/2 + π/3), 1348.968 mm
    body = SUCTION if lead is None else with_lead(lead)
    shared = {n: body[n] for n in ("tube", "run", "die", "bender", "ends", "mandrel")}
    both = (post(SHEET, body)["result"], post("/v1/mandrel-criterion", shared)["result"])
    for result, name in zip(both, ("nose", "rod"), strict=True):
        rod = result["bends"][0][name]
        assert rod["stop_to_tangent"] == pytest.approx(1348.9675, abs=1e-3)
        assert rod["nose_to_stop"] == pytest.approx(1348.9675 + ahead, abs=1e-3)


@pytest.mark.parametrize(
    ("lead", "words", "caution"),
    [
        (None, "at the tangent point, 0 ahead of it; it may be moved forward up to 11.1 mm", ""),
        (5, "5 mm (exact 5.00 mm) ahead of the tangent point", ""),
        (11.1, "11 mm (exact 11.10 mm) ahead of the tangent point; it may", ""),
        (-3, "3 mm (exact 3.00 mm) behind the tangent point: do not", "without support"),
        (12, "12 mm (exact 12.00 mm) ahead of the tangent point: do not", "against the outer wall"),
    ],
)
def test_a_lead_outside_its_range_is_no_instruction(
    post: Post, lead: float | None, words: str, caution: str
) -> None:
    # the largest lead is 11.1213 mm
    sheet = post(SHEET, SUCTION if lead is None else with_lead(lead))
    told = said(sheet, "set_bend", 1)
    assert words in told
    assert "-3" not in told
    bites = [c for c in step(sheet, "set_bend", 1)["cautions"] if "outside its range" in c]
    assert [caution in c for c in bites] == [True] * bool(caution)
    assert ("Set the nose" in told) is not bool(caution)


def test_one_rod_that_is_enough_is_not_coupled(post: Post) -> None:
    long = {**SUCTION, "mandrel": {**SUCTION["mandrel"], "rod_length": 2500}}
    assert "One rod of 2500 mm reaches every bend" in said(post(SHEET, long), "fit_mandrel")
    assert "Couple rods: 3 of 600 mm" in said(post(SHEET, SUCTION), "fit_mandrel")


def test_a_required_mandrel_that_is_left_out_is_told(post: Post) -> None:
    with_one = post(SHEET, SUCTION)
    assert "mandrel_required_not_used" not in codes(with_one)
    without_one = post(SHEET, {**SUCTION, "use_mandrel": False})
    found = [f for f in without_one["findings"] if f["code"] == "mandrel_required_not_used"]
    assert [(f["bend"], f["severity"]) for f in found] == [(1, "needs_care"), (2, "needs_care")]
    for bend in (1, 2):
        bites = step(without_one, "set_bend", bend)["cautions"]
        assert any(c.startswith("Without a mandrel") for c in bites)
        assert not any("Without" in c for c in step(with_one, "set_bend", bend)["cautions"])
    # where none is needed none is missed
    assert "mandrel_required_not_used" not in codes(post(SHEET, {**DEMO, "use_mandrel": False}))


# --- dies that do not fit ------------------------------------------------------------------------


@pytest.mark.parametrize("language", ["en", "de"])
def test_with_a_wrong_die_nothing_is_set_or_cranked(client: FlaskClient, language: str) -> None:
    tube = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
    row = {"straight": 280, "angle": 53, "radius": 60}
    run = {"bends": [row, {**row, "straight": 185, "rotation": 63}], "last_straight": 245}
    body = {"tube": tube, "run": run, "bender": "bench-25", "die": "d25-r75", "stretch": 0.022}
    answer = client.post(SHEET, json=body, headers={"Accept-Language": language}).get_json()
    result = answer["result"]
    assert result["verdict"] == "stop"
    assert [row["die_fits"] for row in result["bends"]] == [False, False]
    assert [row["turns"] for row in result["bends"]] == [None, None]
    steps = [s["code"] for s in result["steps"]]
    assert not {"choose_die", "set_bend", "crank_bend", "unload_bend", "check_bend"} & set(steps)
    assert steps.count("stop_bend") == 2
    assert step(answer, "wrong_die")["cautions"][0][:4] in ("Stop", "Halt")
    page = client.post(SHEET, json=body, headers={"Accept": HTML, "Accept-Language": language})
    shown = page.get_data(as_text=True)
    assert not re.search(r"(?:crank|kurbeln)\s+\d", shown)


# --- lengths that are set or checked with the rule -----------------------------------------------

INCH: dict[str, Any] = {
    "units": "inch",
    "tube": {"outside_diameter": 0.5, "wall_thickness": 0.049, "material": "tp316l"},
    "bender": "bench-25",
    "die": {
        "tube_outside_diameter": 0.5,
        "radius": 1.5,
        "largest_angle": 180,
        "mark_offset": 0.125,
    },
    "run": {
        "bends": [
            {"straight": 6.3, "angle": 90, "radius": 1.5},
            {"straight": 4.71, "rotation": -37, "angle": 45, "radius": 1.5},
        ],
        "last_straight": 5.05,
    },
    "springback": [{"constant": 1.2, "proportional": 0.025}],
    "ends": {"end_2": [{"name": "ferrule", "length": 0.31}], "trim": 0.52},
}


def test_in_inches_what_is_measured_is_a_fraction_with_the_exact_value(post: Post) -> None:
    sheet = post(SHEET, INCH)
    # 4.71 is 150.72/32: 23/32; 1.5 + 4.71 + 1.5·tan 22.5° = 6.83132, 218.6/32
    assert "Straight before it: 4 23/32 in (exact 4.7100 in)." in said(sheet, "check_bend", 2)
    assert "Apex to apex: 6 27/32 in (exact 6.8313 in)." in said(sheet, "check_bend", 2)
    figures = {f["code"]: f["text"] for f in step(sheet, "check_bend", 2)["figures"]}
    assert figures["straight"] == "4\u00a023/32\u00a0in"
    # 5.05 + 0.31 + 0.52 = 5.88, 188.16/32; 0.52 is 16.64/32
    assert "end 2: 5 7/8 in (exact 5.8800 in)." in said(sheet, "finish_part")
    assert "Trim 17/32 in (exact 0.5200 in)" in said(sheet, "finish_part")
    mandrel = {**INCH, "use_mandrel": True, "mandrel": {"nose": "sharp", "lead": 0.1}}
    nose = said(post(SHEET, mandrel), "set_bend", 1)
    assert "Set the nose of the mandrel 3/32 in (exact 0.1000 in)" in nose
    # behind bend 1: 4.71 + 5.05 + 0.31 + 0.52 and 1.5·(π/2 + π/4) = 14.1243, 451.98/32
    assert "stop to tangent point 14 1/8 in (exact 14.1243 in)" in nose


def test_in_millimetres_it_is_the_step_of_the_bench(post: Post) -> None:
    sheet = post(SHEET, changed(DEMO, ("run", "bends", 1, "straight"), 240.2))
    assert "Straight before it: 240 mm (exact 240.20 mm)." in said(sheet, "check_bend", 2)


def test_an_angle_is_the_same_angle_in_both_systems(post: Post) -> None:
    metric, inch = (post(SHEET, body) for body in (DEMO, INCH))
    for sheet in (metric, inch):
        found = re.findall(r"exact (\S+)°", said(sheet, "crank_bend", 1))
        assert found
        assert all(re.fullmatch(r"\d+\.\d\d", one) for one in found)


# --- findings, on both sides of their limits -----------------------------------------------------


def at_limit(code: str, path: Field, within: float, past: float, body: dict[str, Any]) -> Any:
    return pytest.param(code, path, within, past, body, id=code)


@pytest.mark.parametrize(
    ("code", "path", "within", "past", "body"),
    [
        # die d15-r45 needs 32 mm for its clamp; the first straight has an allowance of 7 mm
        at_limit("clamp_reaches_bend", ("run", "bends", 2, "straight"), 32, 31.9, DEMO),
        at_limit("clamp_reaches_end", ("run", "bends", 0, "straight"), 25, 24.9, DEMO),
        # and 85 mm for its pressure die: arc 45·π/2·0.98 = 69.27 mm, allowance 7 mm
        at_limit("pressure_die_past_tube", ("run", "last_straight"), 8.8, 8.6, DEMO),
        at_limit("stretch_differs_from_die", ("stretch",), 0.02, 0.021, DEMO),
    ],
)
def test_each_finding_on_both_sides_of_its_limit(
    post: Post, code: str, path: Field, within: float, past: float, body: dict[str, Any]
) -> None:
    assert code not in codes(post(SHEET, changed(body, path, within)))
    assert code in codes(post(SHEET, changed(body, path, past)))


@pytest.mark.parametrize(("stretch", "off"), [(0.0, "longer"), (0.04, "shorter")])
def test_a_stretch_that_the_bench_sees_needs_care(post: Post, stretch: float, off: str) -> None:
    # bends of 300° and a die of 2 %: 45·300°·π/180·0.02 = 4.712 mm
    sheet = post(SHEET, {**DEMO, "stretch": stretch})
    found = next(f for f in sheet["findings"] if f["code"] == "stretch_differs_from_die")
    assert found["severity"] == "needs_care"
    assert f"comes out {off} by up to 4.71239 mm" in found["text"]


@pytest.mark.parametrize(("stretch", "severity"), [(0.02212, "ok"), (0.02213, "needs_care")])
def test_the_step_of_the_bench_is_the_limit(post: Post, stretch: float, severity: str) -> None:
    # 235.619 mm of arc: half a millimetre at 0.2122 %
    sheet = post(SHEET, {**DEMO, "stretch": stretch})
    found = next(f for f in sheet["findings"] if f["code"] == "stretch_differs_from_die")
    assert found["severity"] == severity


def test_too_short_an_end_for_the_clamp(post: Post) -> None:
    sheet = post(SHEET, changed(DEMO, ("run", "bends", 0, "straight"), 5))
    found = next(f for f in sheet["findings"] if f["code"] == "clamp_reaches_end")
    assert found["bend"] == 1
    assert found["cure"].startswith("Leave the end longer and trim it after bending")
    assert any("than the clamp needs" in c for c in step(sheet, "set_bend", 1)["cautions"])
    assert not any("than the clamp needs" in c for c in step(sheet, "set_bend", 2)["cautions"])
    between = post(SHEET, changed(DEMO, ("run", "bends", 2, "straight"), 5))
    assert "clamp_reaches_end" not in codes(between)
    assert any("than the clamp needs" in c for c in step(between, "set_bend", 3)["cautions"])


def test_it_says_what_it_does_not_check(client: FlaskClient, demo: dict[str, Any]) -> None:
    assert any("POST /v1/bend-review" in caution for caution in demo["cautions"])
    for body in (DEMO, without(DEMO, "springback")):  # go, and go with care
        shown = client.post(SHEET, json=body, headers={"Accept": HTML}).get_data(as_text=True)
        verdict = shown.split('class="verdict')[1].split("</p>")[0]
        assert "POST /v1/bend-review" in verdict


def test_upkeep_and_sheet_lubricate_the_same(post: Post, client: FlaskClient) -> None:
    tasks = client.get("/v1/upkeep").get_json()["result"]["upkeep"]
    how = next(t["how"] for t in tasks if t["id"] == "lubricate-tube").lower()
    told = said(post(SHEET, DEMO), "clean_and_lubricate").lower()
    for part in ("pressure die", "groove", "outside of the tube"):
        assert part in how
        assert part in told


def test_support_and_brace_follow_the_profile(post: Post) -> None:
    # the demo bender asks for support from 900 mm and for its brace from 20 mm
    def steps(body: dict[str, Any]) -> set[str]:
        return {s["code"] for s in post(SHEET, body)["result"]["steps"]}

    short = changed(DEMO, ("run", "bends", 3, "straight"), 320 - 158)
    assert "support_tube" in steps(DEMO)
    assert "support_tube" in steps(changed(DEMO, ("run", "bends", 3, "straight"), 320 - 157))
    assert "support_tube" not in steps(short)
    assert "fit_brace" not in steps(DEMO)
    thick = {**without(DEMO, "die"), "tube": {"outside_diameter": 20, "wall_thickness": 2}}
    assert "fit_brace" in steps(thick)


def test_what_blocks_comes_first_and_stops(post: Post) -> None:
    sheet = post(SHEET, changed(DEMO, ("run", "bends", 1, "radius"), 60))
    severities = [finding["severity"] for finding in sheet["findings"]]
    assert sheet["result"]["verdict"] == "stop"
    order = ["blocks", "needs_care", "ok"]
    assert severities == sorted(severities, key=order.index)
    assert len(set(codes(sheet))) > 1
    # and again at the bend that cannot be made, at no other
    stopped = [
        s["bend"] for s in sheet["result"]["steps"] if any("Stop" in c for c in s["cautions"])
    ]
    assert stopped == [2]
    steps = [s["code"] for s in sheet["result"]["steps"] if s["bend"] == 2]
    assert steps == ["stop_bend"]


def test_a_bender_by_its_values_says_what_it_lacks(post: Post) -> None:
    bender = {
        "least_outside_diameter": 6,
        "largest_outside_diameter": 20,
        "largest_angle": 180,
        "dies": ["d15-r45"],
    }
    sheet = post(SHEET, {**DEMO, "bender": bender})
    row = sheet["result"]["bends"][0]
    assert row["turns"] is None
    assert row["support"] is None
    assert "brace_not_stated" in codes(sheet)
    assert "brace_not_stated" not in codes(
        post(SHEET, {**DEMO, "bender": {**bender, "brace_from": 9}})
    )
    assert "fit_brace" in {
        s["code"]
        for s in post(SHEET, {**DEMO, "bender": {**bender, "brace_from": 15}})["result"]["steps"]
    }


# --- fields --------------------------------------------------------------------------------------

BOUNDARIES: list[tuple[Field, Any, Any]] = [
    (("title",), "x" * 120, "x" * 121),
    (("title",), "a & b", "a <b>"),
    (("mark_offset",), -1000, -1000.1),
    (("mark_offset",), 1000, 1000.1),
    (("stretch",), 0.2, 0.2001),
    (("springback", 0, "constant"), 30, 30.1),
    (("springback", 0, "proportional"), 0.5, 0.51),
    (("pressure_die_friction",), 1e7, 1.1e7),
    (("pressure_die_friction",), 0, -1),
    (("mandrel_drag",), 1e7, 1.1e7),
    (("mandrel_drag",), 0, -1),
    (("flow_stress",), 0.1, 0.09),
    (("flow_stress",), 209_999, 210_001),
    (("strength_factor",), 1, 0.99),
    (("strength_factor",), 10, 10.1),
    (("use_mandrel",), True, 1),
    (("measured_from",), "end_2", "end_3"),
    (("measure",), "as_you_go", "by_eye"),
    (("die",), "d15-r45", "no-such-die"),
    (("bender",), "bench-25", "no-such-bender"),
    (("mandrel",), {"nose": "hemisphere"}, {"nose": "pointed"}),
    (("mandrel",), {"clearance": 11.9}, {"clearance": 12.0}),
    (("mandrel",), {"rod_length": 2000, "rod_overlap": 100}, {"rod_overlap": 1e5}),
    (("bench",), {"step": 10}, {"step": 10.1}),
    (("run", "bends", 0, "angle"), 0.01, 0.009),
    (("ends", "trim"), 10_000, 10_001),
    (("tube", "wall_thickness"), 7.4, 7.5),
]


@pytest.mark.parametrize(("path", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, path: Field, inside: Any, outside: Any
) -> None:
    body = without(DEMO, "die") if path == ("bender",) else DEMO
    if path[0] in ("die", "mandrel", "use_mandrel", "bench"):
        body = {**body, path[0]: None}
    pointer = pointer_past(client, SHEET, body, path, inside, outside)
    assert pointer.startswith(f"/{path[0]}")


@pytest.mark.parametrize("name", ["tube", "run", "bender"])
def test_what_must_be_sent(client: FlaskClient, name: str) -> None:
    refused = client.post(SHEET, json=without(DEMO, name))
    assert refused.get_json()["errors"][0]["pointer"] == f"/{name}"


def test_a_straight_tube_has_no_sheet(client: FlaskClient) -> None:
    refused = client.post(SHEET, json={**DEMO, "run": {"bends": [], "last_straight": 100}})
    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["code"] == "no_bend_given"


def test_inch_is_the_same_part(post: Post) -> None:
    metric = post(SHEET, without(DEMO, "pressure_die_friction"))["result"]
    inch = post(SHEET, in_inches(without(DEMO, "pressure_die_friction")))
    for row, other in zip(metric["bends"], inch["result"]["bends"], strict=True):
        exact = other["marks"]["zero_mark"]["exact"]
        assert exact * 25.4 == pytest.approx(row["marks"]["zero_mark"]["exact"])
        assert other["gauge"]["angle"] == pytest.approx(row["gauge"]["angle"])
    assert "\u00a0in" in step(inch, "mark_tube")["actions"][1]
    said = json.dumps(inch["result"]["steps"])
    assert "mm" not in said.replace(inch["result"]["dies"][0]["name"], "")


# --- forms ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", JSON),
        (JSON, JSON),
        (HTML, f"{HTML}; charset=utf-8"),
        (
            "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8",
            "text/html; charset=utf-8",
        ),
        (SVG, SVG),
        ("image/avif,image/webp,image/*,*/*;q=0.8", SVG),
    ],
)
@pytest.mark.parametrize("method", ["POST", "GET"])
def test_accept_decides(client: FlaskClient, method: str, accept: str, kind: str) -> None:
    headers = {"Accept": accept}
    if method == "POST":
        response = client.post(SHEET, json=DEMO, headers=headers)
    else:
        response = client.get(DEMO_PATH, headers=headers)
    assert response.status_code == 200
    assert response.content_type == kind
    assert {"Accept", "Accept-Language"} <= set(re.split(r",\s*", response.headers["Vary"]))
    assert response.headers["Content-Language"] == "en"


@pytest.mark.parametrize("path", [SHEET, DEMO_PATH])
def test_what_is_not_to_be_had(client: FlaskClient, path: str) -> None:
    method = "POST" if path == SHEET else "GET"
    response = client.open(path, method=method, headers={"Accept": "application/pdf"}, json=DEMO)
    assert response.status_code == 406


def svg_of(client: FlaskClient, body: dict[str, Any], **headers: str) -> TestResponse:
    response = client.post(SHEET, json=body, headers={"Accept": SVG, **headers})
    assert response.status_code == 200, response.get_data(as_text=True)
    return response


@pytest.mark.parametrize("measured_from", ["end_1", "end_2"])
def test_eight_bends_are_one_small_drawing_that_stands_alone(
    client: FlaskClient, measured_from: str
) -> None:
    body = {**EIGHT, "measured_from": measured_from}
    raw = svg_of(client, body).data
    assert len(raw) < 60_000
    root = ElementTree.fromstring(raw)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    text = raw.decode()
    assert re.findall(r"(?:href|src|url)\s*[=(]", text) == []
    assert "<script" not in text
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    words = " ".join(t for e in root.iter() if (t := e.text))
    for bend in range(1, 9):
        assert f"After bend {bend}" in words
    top = words.index("measure from here")
    assert ("end 1" if measured_from == "end_1" else "end 2") in words[top - 10 : top]


def test_the_strip_is_to_scale(client: FlaskClient, demo: dict[str, Any]) -> None:
    root = ElementTree.fromstring(svg_of(client, DEMO).data)
    tube = next(e for e in root.iter() if e.get("class") == "tube")
    top, high = float(tube.get("y", 0)), float(tube.get("height", 0))
    cut = demo["result"]["cut_length"]["exact"]
    drawn = [
        float(re.findall(r"[\d.]+", e.get("d", ""))[1])
        for e in root.iter()
        if e.get("class") == "mark"
    ]
    marks = [row["marks"]["zero_mark"]["exact"] for row in demo["result"]["bends"]]
    assert [(y - top) / high for y in drawn] == pytest.approx([m / cut for m in marks], abs=1e-4)


def test_a_long_run_is_still_drawn(client: FlaskClient) -> None:
    row = {"straight": 60, "rotation": 30, "angle": 20, "radius": 45}
    many = {"bends": [{**row, "rotation": 0}, *[row] * 299], "last_straight": 100}
    assert len(svg_of(client, {**DEMO, "run": many}).data) < 400_000


# --- the page by itself; what a browser makes of it is in tests/browser ---


@pytest.fixture(scope="module")
def page(client: FlaskClient) -> str:
    title = 'Line "A" & ' + "x'y"
    response = client.post(SHEET, json={**EIGHT, "title": title}, headers={"Accept": HTML})
    return response.get_data(as_text=True)


def test_the_page_needs_nothing_from_outside(page: str) -> None:
    addresses = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert all(a.startswith(("#", "data:,", "setup-sheet?body=")) for a in addresses)
    assert "@import" not in page
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")


def test_texts_of_the_caller_are_escaped(page: str) -> None:
    assert "Line &#34;A&#34; &amp; x&#39;y" in page
    assert 'Line "A"' not in page


def test_the_policy_of_the_page_lets_only_its_own_script_run(client: FlaskClient) -> None:
    response = client.get(DEMO_PATH, headers={"Accept": HTML})
    policy = response.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert re.search(r"script-src 'sha256-[\w+/=]+'", policy)
    assert "unsafe" not in policy


def test_no_number_of_the_page_can_leave_its_unit(client: FlaskClient) -> None:
    for body, language in ((EIGHT, "de"), (THIN, "de"), (INCH, "en")):
        headers = {"Accept": HTML, "Accept-Language": language}
        shown = client.post(SHEET, json=body, headers=headers).get_data(as_text=True)
        written = re.sub(r"<(?:style|script)>.*?</(?:style|script)>", "", shown, flags=re.DOTALL)
        text = re.sub(r"<[^>]*>", "\n", written.split('<h2 id="basis">')[0])
        assert re.findall(r"\d (?:mm|in|N|lbf|kg|lb|MPa|%)\b", text) == []
        assert re.search(r"\d\u00a0(?:mm|in)\b", text)


@pytest.mark.parametrize(
    ("language", "title"),
    [("en", "After bends 1 to 8"), ("de", "Nach den Biegungen 1 bis 8")],
)
def test_the_picture_of_all_bends_names_them_all(
    client: FlaskClient, language: str, title: str
) -> None:
    headers = {"Accept": HTML, "Accept-Language": language}
    shown = client.post(SHEET, json=EIGHT, headers=headers).get_data(as_text=True)
    assert f'<title id="after-title">{title}</title>' in shown
    one = client.post(SHEET, json=LONG_AHEAD, headers=headers).get_data(as_text=True)
    assert f'<title id="after-title">{title.split(maxsplit=1)[0]} ' in one
    assert "1 to" not in one


def test_no_id_of_the_page_stands_twice(page: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    named = set(re.findall(r'aria-(?:labelledby|describedby)="([^"]+)"', page))
    assert {name for group in named for name in group.split()} <= set(ids)


def test_cautions_come_before_anything_to_do(page: str) -> None:
    assert page.index("Tube under pressure") < page.index("<table>") < page.index('type="checkbox"')


def test_every_step_can_be_ticked_off(page: str, post: Post) -> None:
    steps = post(SHEET, EIGHT)["result"]["steps"]
    assert page.count('<input type="checkbox"') == len(steps)


# --- the address ---------------------------------------------------------------------------------


def test_the_address_gives_the_sheet_again(client: FlaskClient, demo: dict[str, Any]) -> None:
    address = demo["result"]["address"]
    assert urlsplit(address).path == SHEET
    again = client.get(address)
    assert again.get_json() == demo
    value = parse_qs(urlsplit(address).query)["body"][0]
    raw = zlib.decompress(base64.urlsafe_b64decode(value + "=" * (-len(value) % 4)))
    assert json.loads(raw) == DEMO


@pytest.mark.parametrize("accept", [JSON, HTML, SVG])
def test_a_second_get_with_the_etag_is_304(client: FlaskClient, accept: str) -> None:
    address = f"{SHEET}?body={encoded(DEMO)}"
    first = client.get(address, headers={"Accept": accept})
    tag = first.headers["ETag"]
    assert re.fullmatch(r'"[0-9a-f]{32}"', tag)
    assert "max-age" in first.headers["Cache-Control"]
    second = client.get(address, headers={"Accept": accept, "If-None-Match": tag})
    assert (second.status_code, second.data, second.headers["ETag"]) == (304, b"", tag)
    assert second.headers["Vary"] == first.headers["Vary"]


def test_each_form_and_language_has_its_own_etag(client: FlaskClient) -> None:
    tags = {
        client.get(DEMO_PATH, headers={"Accept": a, "Accept-Language": spoken}).headers["ETag"]
        for a in (JSON, HTML, SVG)
        for spoken in ("en", "de")
    }
    assert len(tags) == 6


def test_demo_is_the_demo(client: FlaskClient, demo: dict[str, Any]) -> None:
    assert client.get(DEMO_PATH).get_json() == demo


LONG = {
    **DEMO,
    "ends": {"end_1": [{"name": f"{n * 7919 % 9973}" * 15, "length": 0} for n in range(9)]},
}


def pad(length: int) -> str:
    """A query value of exactly this many characters."""
    return "A" * length


@pytest.mark.parametrize(
    ("query", "status", "kind"),
    [
        ("", 422, "address-without-body"),
        ("?body=", 422, "address-without-body"),
        ("?other=1", 422, "invalid-query"),
        (f"?body={encoded(DEMO)}&body={encoded(DEMO)}", 422, "invalid-query"),
        (f"?body={encoded(DEMO)}&units=inch", 422, "invalid-query"),
        ("?body=%2B%2F%3D", 422, "address-not-base64url"),
        ("?body=A", 422, "address-not-base64url"),
        (f"?body={encoded(DEMO)[: -(len(encoded(DEMO)) % 4 + 3)]}", 422, "address-not-base64url"),
        ("?body=AAAA", 422, "address-not-zlib"),
        (f"?body={encoded(DEMO)[:-9]}", 422, "address-not-zlib"),
        (f"?body={pad(LONGEST)}", 422, "address-not-zlib"),
        (f"?body={pad(LONGEST + 1)}", 414, "address-too-long"),
        (f"?body={encoded([0] * 33_400)}", 422, "address-body-too-large"),
        (f"?body={encoded('x' * (LARGEST_BODY - 2))}", 422, "invalid-request"),
        (f"?body={encoded('x' * (LARGEST_BODY - 1))}", 422, "address-body-too-large"),
        (f"?body={encoded(without(DEMO, 'tube'))}", 422, "invalid-request"),
        (
            f"?body={base64.urlsafe_b64encode(zlib.compress(b'{')).decode().rstrip('=')}",
            400,
            "malformed-json",
        ),
        (
            f"?body={base64.urlsafe_b64encode(zlib.compress(b'{}') + b'x').decode().rstrip('=')}",
            422,
            "address-not-zlib",
        ),
    ],
)
def test_what_is_wrong_with_an_address(
    client: FlaskClient, query: str, status: int, kind: str
) -> None:
    refused = client.get(SHEET + query)
    problem = refused.get_json()
    assert (refused.status_code, problem["type"].rpartition(":")[2]) == (status, kind)
    assert len(problem["detail"]) > 20


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("missing", [1, 2, 3, 4, 7])
def test_a_link_cut_off_is_told_by_a_page(client: FlaskClient, missing: int, language: str) -> None:
    address = f"{SHEET}?body={encoded(DEMO)[:-missing]}"
    headers = {"Accept": "text/html,*/*;q=0.8", "Accept-Language": language}
    refused = client.get(address, headers=headers)
    document = client.get(address, headers={"Accept-Language": language})
    assert refused.status_code == document.status_code == 422
    assert refused.content_type == f"{HTML}; charset=utf-8"
    assert "Accept" in refused.headers["Vary"]
    assert "Accept" in document.headers["Vary"]
    assert "script-src" in refused.headers["Content-Security-Policy"]
    shown = refused.get_data(as_text=True)
    words = {"en": "copy the whole link", "de": "den ganzen link kopieren"}[language]
    assert words in shown.lower()
    assert f'<html lang="{language}">' in shown
    detail = document.get_json()["detail"]
    assert detail.replace("'", "&#39;") in shown
    assert not re.search("letters|Buchstaben", detail)


def test_another_refusal_of_a_link_names_the_field(client: FlaskClient) -> None:
    body = {**DEMO, "die": "gone-since"}
    refused = client.get(f"{SHEET}?body={encoded(body)}", headers={"Accept": HTML})
    assert refused.status_code == 422
    shown = refused.get_data(as_text=True)
    assert "This sheet cannot be shown" in shown
    assert "/die" in shown
    assert "incomplete" not in shown
    # who posts reads the document
    posted = client.post(SHEET, json=body, headers={"Accept": HTML})
    assert posted.content_type == "application/problem+json"


def test_a_sheet_too_long_for_an_address_has_none(post: Post, client: FlaskClient) -> None:
    row = {"straight": 60.123, "rotation": 30, "angle": 20, "radius": 45}
    rows = [{**row, "rotation": 0}]
    rows += [
        {**row, "straight": 60 + n * 0.6180339887 % 1, "rotation": n % 179} for n in range(499)
    ]
    body = {**DEMO, "run": {"bends": rows, "last_straight": 100}}
    assert post(SHEET, body)["result"]["address"] is None
    page = client.post(SHEET, json=body, headers={"Accept": HTML})
    assert "save the page instead" in page.get_data(as_text=True)


def test_the_demo_takes_no_query(client: FlaskClient) -> None:
    assert client.get(f"{DEMO_PATH}?body=1").status_code == 422


# --- languages -----------------------------------------------------------------------------------


def german(client: FlaskClient, body: dict[str, Any], **headers: str) -> TestResponse:
    return client.post(SHEET, json=body, headers={"Accept-Language": "de", **headers})


def test_german_has_the_same_numbers(client: FlaskClient, demo: dict[str, Any]) -> None:
    response = german(client, DEMO)
    assert response.headers["Content-Language"] == "de"
    answer = response.get_json()

    def numbers(value: Any) -> list[float]:
        if isinstance(value, dict):
            return [n for v in value.values() for n in numbers(v)]
        if isinstance(value, list):
            return [n for v in value for n in numbers(v)]
        return [value] if isinstance(value, int | float) else []

    assert numbers(answer["result"]) == numbers(demo["result"])
    assert codes(answer) == codes(demo)


def test_german_is_german_with_a_comma(client: FlaskClient) -> None:
    answer = german(client, DEMO).get_json()
    row = answer["result"]["bends"][1]
    assert row["marks"]["zero_mark"]["label"] == "496,5 mm"
    said = " ".join(step(answer, "set_bend", 2)["actions"]).replace("\u00a0", " ")
    assert "Das Rohr um 90° im Uhrzeigersinn drehen" in said
    assert "genau 11,78 mm" in said
    texts = json.dumps([answer["result"]["steps"], answer["findings"], answer["cautions"]])
    assert re.findall(r"\d+\.\d+ ?(?:mm|°|N|%|MPa)", texts) == []
    names = ("Die for 15 mm tube", "seat in the fitting")  # of the shop and of the caller
    assert "the " not in "".join(re.split("|".join(names), texts))


@pytest.mark.parametrize("kind", [HTML, SVG])
def test_page_and_picture_are_german_too(client: FlaskClient, kind: str) -> None:
    shown = german(client, without(DEMO, "title"), Accept=kind).get_data(as_text=True)
    assert "Nach Biegung 4" in shown
    assert "Ende 1: von hier messen" in shown
    assert "measure" not in shown
    if kind == HTML:
        assert '<html lang="de">' in shown


# --- without a network ---------------------------------------------------------------------------


def test_the_script_that_keeps_sheets_may_serve_the_page_above_it(client: FlaskClient) -> None:
    response = client.get(f"{SHEET}/offline.js")
    assert response.status_code == 200
    assert response.content_type == "text/javascript; charset=utf-8"
    assert response.headers["Service-Worker-Allowed"] == "/"
    assert "connect-src 'self'" in response.headers["Content-Security-Policy"]
    again = {"If-None-Match": response.headers["ETag"]}
    assert client.get(f"{SHEET}/offline.js", headers=again).status_code == 304


@pytest.mark.parametrize(
    ("path", "script", "link"),
    [
        (f"{SHEET}?body={encoded(DEMO)}", "setup-sheet/offline.js", "setup-sheet?body="),
        (DEMO_PATH, "offline.js", "../setup-sheet?body="),
    ],
)
def test_links_are_relative_so_that_a_proxy_may_add_a_prefix(
    client: FlaskClient, path: str, script: str, link: str
) -> None:
    page = client.get(path, headers={"Accept": HTML}).get_data(as_text=True)
    assert f'data-offline="{script}"' in page
    assert f'href="{link}' in page


def test_a_page_that_was_posted_has_no_address_to_be_kept_by(client: FlaskClient) -> None:
    page = client.post(SHEET, json=DEMO, headers={"Accept": HTML}).get_data(as_text=True)
    assert "data-offline" not in page
