"""Bending order over the app: what the review tells of the work on the bench.

Expected numbers are read off a drawing of the bench: a leg of 160 that hangs down at a bend of 45
reaches 205 below the tube, and its own 7.5.
"""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from conftest import Post
from flask.testing import FlaskClient

from service import reference
from service.reference_files import shared_file
from service.web.texts import LANGUAGES

PATH = "/v1/bend-review"
TUBE = {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"}
LAW = [{"constant": 0.8, "proportional": 0.014}]
# what the search may be off by, mm
NEAR = 0.02


def body(*rows: tuple[float, float, float], last: float, **more: Any) -> dict[str, Any]:
    bends = [{"straight": s, "rotation": r, "angle": a, "radius": 45} for s, r, a in rows]
    return {
        "tube": TUBE,
        "run": {"bends": bends, "last_straight": last},
        "bender": "bench-25",
        "springback": LAW,
        **more,
    }


# At bend 2 the first leg hangs down by 45 + 160 and half the tube; worked from end 2, the last one
# by 45 + 90.
HANGING = body((160, 0, 90), (60, -90, 90), last=90)
STANDING = body((160, 0, 90), (60, 90, 90), last=90)
# a long leg at each end, of which one hangs down at the slight bend whichever is made first
BOTH_LONG = body((300, 0, 90), (100, -90, 15), (100, -90, 90), last=300)
SHORT = body((60, 0, 20), last=60)

OnBench = Callable[..., None]


@pytest.fixture
def on_bench(tmp_path: Path) -> Iterator[OnBench]:
    """Put the small bender of the demo shop on a bench without end, with these boxes round it."""

    def put(below: float, *, turned: bool = False, boxes: Sequence[dict[str, Any]] = ()) -> None:
        profile = json.loads(shared_file("shop", "demo.json").read_text(encoding="utf-8"))
        around = {"bench_below": below, "boxes": list(boxes)}
        profile["benders"][0].update(surroundings=around, tube_can_be_turned=turned)
        path = tmp_path / "profile.json"
        path.write_text(json.dumps(profile), encoding="utf-8")
        reference.use_shop(path)

    yield put
    reference.use_shop(None)


def rule(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [c for c in answer["result"]["checks"] if c["rule"] == "bending_order"]


def finding(answer: dict[str, Any], code: str) -> dict[str, Any]:
    return next(f for f in answer["findings"] if f["code"] == code)


def orders(answer: dict[str, Any]) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = answer["result"]["bending_order"]["orders"]
    return told


def test_a_run_that_clears_the_bench_is_told_with_its_tightest_place(post: Post) -> None:
    answer = post(PATH, STANDING)
    (check,) = rule(answer)
    (order,) = orders(answer)
    assert (check["severity"], check["code"], check["end"]) == ("ok", "review_order_clear", "end_1")
    assert order["free"]
    assert (order["kind"], order["bends"], order["ahead"]) == (
        "end_1_first",
        [1, 2],
        ["end_1", "end_1"],
    )
    assert order["turned_before"] is None
    assert check["value"] == {"value": order["nearest"]["clearance"], "unit": "mm"}
    # in its bend plane the tube passes 48 mm above the gear housing
    assert order["nearest"]["name"] == "gear housing"
    assert check["value"]["value"] == pytest.approx(48 - 7.5, abs=NEAR)


def test_a_leg_that_strikes_the_bench_blocks_and_names_where(post: Post, on_bench: OnBench) -> None:
    """Hung down it would reach 212.5 below; on its way down it strikes a bench 200 below."""
    on_bench(200)
    answer = post(PATH, HANGING)
    (check,) = rule(answer)
    near = orders(answer)[0]["nearest"]
    assert answer["result"]["verdict"] == "cannot_be_made"
    assert (check["severity"], check["code"], check["bend"]) == (
        "blocks",
        "review_order_collides",
        2,
    )
    assert (near["movement"], near["met"], near["step"], near["travel"]) == (
        "roll",
        "bench",
        2,
        None,
    )
    assert near["clearance"] == 0
    # rolled by a so that 205·sin(a) + 7.5 = 200; a right angle is to be rolled
    assert abs(near["angle"]) == pytest.approx(math.degrees(math.asin(192.5 / 205)), abs=0.2)
    assert check["value"] == {"value": pytest.approx(abs(near["angle"])), "unit": "°"}
    assert check["limit"]["value"] == pytest.approx(90)
    assert check["margin"]["value"] == pytest.approx(abs(near["angle"]) - 90)
    told = finding(answer, "review_order_collides")["text"]
    assert told.startswith(
        "Made from end 1, the tube strikes the bench top: while it is rolled for"
    )
    assert "bend 2, at 69" in told


def test_the_picture_marks_the_place_that_strikes(client: FlaskClient, on_bench: OnBench) -> None:
    """Of a leg of 160 before a bend of 45, hung down, its far end strikes first."""
    on_bench(200)
    headers = {"Accept": "image/svg+xml"}
    svg = ElementTree.fromstring(client.post(PATH, json=HANGING, headers=headers).data)
    said = ["".join(node.itertext()) for node in svg.iter("{http://www.w3.org/2000/svg}text")]
    assert "A: strikes here" in said
    rings = list(svg.iter("{http://www.w3.org/2000/svg}circle"))
    end_1 = [node.get("points") for node in svg.iter("{http://www.w3.org/2000/svg}polyline")]
    for ring, line in zip(rings, end_1, strict=True):
        x, y = (float(value) for value in str(line).split()[0].split(","))
        # the wall strikes, half a tube from the end of the centre line at the most
        assert math.dist((float(str(ring.get("cx"))), float(str(ring.get("cy")))), (x, y)) < 5


def test_a_swing_is_held_against_the_angle_cranked_to(post: Post) -> None:
    """On the demo bench the leg hangs beside the bench top and is swung against it."""
    answer = post(PATH, HANGING)
    (check,) = rule(answer)
    near = orders(answer)[0]["nearest"]
    assert (near["movement"], near["met"]) == ("bend", "bench")
    # springback 0.8° + 1.4 %: a right angle is cranked to 90.8/0.986
    assert check["limit"]["value"] == pytest.approx(90.8 / 0.986)
    assert check["value"]["value"] == pytest.approx(near["angle"])


def test_the_other_end_is_the_cure_where_it_is_free_and_a_variant_that_passes(
    post: Post, on_bench: OnBench
) -> None:
    on_bench(200)
    answer = post(PATH, HANGING)
    (check,) = rule(answer)
    assert [order["kind"] for order in orders(answer)] == ["end_1_first", "end_2_first"]
    assert [order["free"] for order in orders(answer)] == [False, True]
    assert [(cure["change"], cure["end"]) for cure in check["cures"]] == [("work_from", "end_2")]
    variant = answer["result"]["variants"][0]
    assert (variant["work_from"], variant["changes"]) == ("end_2", [])
    again = post(PATH, {**HANGING, "measured_from": "end_2"})
    (check,) = rule(again)
    assert (check["severity"], check["end"]) == ("ok", "end_2")
    assert check["value"]["value"] == pytest.approx(200 - (45 + 90) - 7.5, abs=NEAR)
    assert orders(again) == orders(answer)[1:]
    assert orders(again)[0]["ahead"] == ["end_2", "end_2"]


def test_begun_in_the_middle_it_needs_care_where_the_tube_may_be_turned(
    post: Post, on_bench: OnBench
) -> None:
    on_bench(300, turned=True)
    answer = post(PATH, BOTH_LONG)
    check, middle = rule(answer)[0], orders(answer)[-1]
    assert (check["severity"], check["code"]) == ("needs_care", "review_order_from_the_middle")
    assert [order["free"] for order in orders(answer)] == [False, False, True]
    assert (middle["kind"], middle["bends"]) == ("from_the_middle", [2, 3, 1])
    assert (middle["ahead"], middle["turned_before"]) == (["end_1", "end_1", "end_2"], 3)
    assert [(cure["change"], cure["bend"]) for cure in check["cures"]] == [("begin_at", 2)]
    told = finding(answer, "review_order_from_the_middle")
    assert "Begun with bend 2, and turned end for end before step 3" in told["text"]
    assert told["cure"].startswith("Begin with bend 2")


def test_in_the_middle_the_clamp_must_grip_too(post: Post, on_bench: OnBench) -> None:
    """Made after the turn, bend 1 is gripped by the straight behind it: 30 mm are not the 32 mm."""
    on_bench(300, turned=True)
    short = body((300, 0, 90), (30, -90, 15), (100, -90, 90), last=300)
    assert rule(post(PATH, short))[0]["severity"] == "blocks"


def test_a_bender_that_does_not_let_the_tube_be_turned_has_two_orders(
    post: Post, on_bench: OnBench
) -> None:
    on_bench(300)
    answer = post(PATH, BOTH_LONG)
    assert [order["free"] for order in orders(answer)] == [False, False]
    (check,) = rule(answer)
    assert check["severity"] == "blocks"
    assert check["cures"] == []
    assert answer["result"]["bending_order"]["not_tried"] == 0


def test_orders_that_were_left_out_are_counted(post: Post, on_bench: OnBench) -> None:
    on_bench(60, turned=True)
    rows = [(120.0, 0.0 if i == 0 else -90.0, 90.0) for i in range(14)]
    told = post(PATH, {**body(*rows, last=300), "most_variants": 0})["result"]["bending_order"]
    assert len(told["orders"]) + told["not_tried"] == 2 + 2 * 13
    assert told["not_tried"] > 0


@pytest.mark.parametrize("turned", [False, True])
def test_tube_to_be_rolled_the_long_way_round_needs_care(
    post: Post, on_bench: OnBench, *, turned: bool
) -> None:
    """By −170° the leg hangs down on the way; by +190° it stands up instead."""
    on_bench(200, turned=turned)
    answer = post(PATH, body((160, 0, 90), (60, -170, 90), last=90))
    clear, handled = rule(answer)
    assert (clear["severity"], orders(answer)[0]["rolled_back"]) == ("ok", [2])
    assert (handled["severity"], handled["code"], handled["bend"]) == (
        "needs_care",
        "review_roll_long_way",
        2,
    )
    assert handled["cures"][0]["change"] == "roll_long_way"
    assert answer["result"]["verdict"] == "can_be_made_with_care"


def test_tube_to_be_lifted_out_before_a_bend_needs_care(post: Post, on_bench: OnBench) -> None:
    """With a shelf above as well it can be rolled neither way, but lifted out it can be turned."""
    shelf = {"name": "shelf", "least": [-500, -500, 200], "greatest": [500, 500, 220]}
    rolled = body((160, 0, 90), (60, 180, 90), last=90)
    on_bench(200, turned=True, boxes=[shelf])
    answer = post(PATH, rolled)
    clear, handled = rule(answer)
    assert (clear["severity"], orders(answer)[0]["lifted_out"]) == ("ok", [2])
    assert (handled["code"], handled["bend"]) == ("review_tube_to_lift_out", 2)
    assert handled["cures"][0]["change"] == "lift_out"
    on_bench(200, boxes=[shelf])
    assert rule(post(PATH, rolled))[0]["severity"] == "blocks"


def test_allowances_reach_further(post: Post, on_bench: OnBench) -> None:
    on_bench(220)
    assert orders(post(PATH, HANGING))[0]["free"]
    longer = {**HANGING, "ends": {"end_1": [{"name": "grip", "length": 10}]}}
    struck = orders(post(PATH, longer))[0]
    assert not struck["free"]
    assert struck["nearest"]["position"] == pytest.approx(-10, abs=0.1)


# --- what is not judged --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"run": {"bends": [], "last_straight": 500}}, "no_bend"),
        (
            {
                "bender": {
                    "least_outside_diameter": 6,
                    "largest_outside_diameter": 25,
                    "largest_angle": 190,
                }
            },
            "not_stated",
        ),
        (
            {
                "run": {
                    "vertices": [
                        {"x": 0, "y": 0},
                        {"x": 100, "y": 0},
                        {"x": 100, "y": 50},
                        {"x": 300, "y": 50},
                    ],
                    "radius": 45,
                }
            },
            "cannot_be_built",
        ),
    ],
)
def test_where_it_cannot_be_judged_the_reason_is_told(
    post: Post, changes: dict[str, Any], reason: str
) -> None:
    answer = post(PATH, {**SHORT, **changes})
    assert {"rule": "bending_order", "reason": reason} in answer["result"]["not_checked"]
    assert answer["result"]["bending_order"] is None
    assert rule(answer) == []


# --- form of the answer --------------------------------------------------------------------------


def test_inch_gives_the_same_work_in_inches(post: Post) -> None:
    inch = copy.deepcopy(HANGING)
    inch["units"] = "inch"
    inch["tube"] = {
        "outside_diameter": 15 / 25.4,
        "wall_thickness": 1.5 / 25.4,
        "material": "e235-n",
    }
    for bend in inch["run"]["bends"]:
        bend["straight"] /= 25.4
        bend["radius"] /= 25.4
    inch["run"]["last_straight"] /= 25.4
    here, there = orders(post(PATH, HANGING)), orders(post(PATH, inch))
    assert [order["free"] for order in here] == [order["free"] for order in there]
    for one, other in zip(here, there, strict=True):
        assert other["nearest"]["angle"] == pytest.approx(one["nearest"]["angle"], abs=1e-6)
        for name in ("position", "clearance"):
            assert other["nearest"][name] * 25.4 == pytest.approx(one["nearest"][name], abs=1e-5)
        assert other["nearest"]["point"]["z"] * 25.4 == pytest.approx(
            one["nearest"]["point"]["z"], abs=1e-5
        )


@pytest.mark.parametrize("language", LANGUAGES)
def test_its_findings_are_whole_sentences_in_every_language(
    client: FlaskClient, on_bench: OnBench, language: str
) -> None:
    on_bench(200, turned=True)
    for asked in (HANGING, BOTH_LONG):
        response = client.post(PATH, json=asked, headers={"Accept-Language": language})
        findings = response.get_json()["findings"]
        assert any(told["code"].startswith("review_order") for told in findings)
        for told in findings:
            assert "{" not in told["text"] + told["cure"]
            assert "met_" not in told["text"]


def test_methods_are_in_the_basis(post: Post) -> None:
    assert {"bending-order", "swept-clearance"} <= {m["id"] for m in post(PATH, HANGING)["basis"]}


# --- the profile ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("below", "free"), [(212.4, False), (212.6, True)])
def test_bench_moved_by_a_tenth_or_two_turns_the_verdict(
    post: Post, on_bench: OnBench, below: float, *, free: bool
) -> None:
    """The leg of 160 reaches 45 + 160 + 7.5 below the tube."""
    on_bench(below)
    long = body((160, 0, 90), (60, -90, 90), last=300)
    answer = post(PATH, long)
    assert orders(answer)[0]["free"] == free
    assert answer["result"]["verdict"] == ("can_be_made" if free else "cannot_be_made")


# --- a bender by its values ----------------------------------------------------------------------


def by_values(client: FlaskClient, units: str = "metric") -> dict[str, Any]:
    """The small bender of the demo shop as a caller would send it."""
    query = {"units": units}
    listed = client.get("/v1/benders", query_string=query).get_json()["result"]["benders"]
    dies = client.get("/v1/dies", query_string=query).get_json()["result"]["dies"]
    one = next(bender for bender in listed if bender["id"] == "bench-25")
    told = {key: value for key, value in one.items() if key not in {"id", "note", "source"}}
    told["dies"] = [die["id"] for die in dies if "bench-25" in die["benders"]]
    told["rated_tubes"] = [
        {key: value for key, value in tube.items() if value is not None}
        for tube in one["rated_tubes"]
    ]
    return told


def same_order(one: dict[str, Any], other: dict[str, Any]) -> None:
    assert orders(one) == orders(other)
    assert rule(one) == rule(other)


@pytest.mark.parametrize("sent", [HANGING, STANDING, BOTH_LONG])
def test_a_bender_by_its_values_may_say_what_stands_round_it(
    client: FlaskClient, post: Post, sent: dict[str, Any]
) -> None:
    same_order(post(PATH, sent), post(PATH, {**sent, "bender": by_values(client)}))


def test_its_surroundings_are_read_in_the_units_of_the_request(
    client: FlaskClient, post: Post
) -> None:
    rows = [
        {**row, "straight": row["straight"] / 25.4, "radius": row["radius"] / 25.4}
        for row in HANGING["run"]["bends"]
    ]
    run = {"bends": rows, "last_straight": 90 / 25.4}
    tube = {**TUBE, "outside_diameter": 15 / 25.4, "wall_thickness": 1.5 / 25.4}
    bender = by_values(client, "inch")
    sent = {**HANGING, "units": "inch", "run": run, "tube": tube, "bender": bender}
    near, seen = orders(post(PATH, HANGING))[0]["nearest"], orders(post(PATH, sent))[0]["nearest"]
    assert seen["angle"] == pytest.approx(near["angle"], abs=1e-6)
    assert seen["position"] * 25.4 == pytest.approx(near["position"], abs=1e-6)


def test_without_surroundings_the_rule_is_not_applied(client: FlaskClient, post: Post) -> None:
    bender = by_values(client)
    del bender["surroundings"]
    answer = post(PATH, {**HANGING, "bender": bender})
    assert rule(answer) == []
    told = {one["rule"]: one["reason"] for one in answer["result"]["not_checked"]}
    assert told["bending_order"] == "not_stated"


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"bench_edges": {"greatest_x": -900}}, "bench_edges/greatest_x", "body_inside_out"),
        ({"bench_edges": {"greatest_y": -170}}, "bench_edges/greatest_y", "body_inside_out"),
        ({"floor_below": 179}, "floor_below", "floor_above_bench"),
        ({"bench_below": None}, "bench_below", "bench_edges_without_bench"),
        ({"boxes": {"greatest": [-420, 95, -48]}}, "boxes/0/greatest/0", "body_inside_out"),
        ({"boxes": {"greatest": [70, 95, -181]}}, "boxes/0/greatest/2", "body_inside_out"),
        ({"cylinders": {"start": [1, 2, 3], "end": [1, 2, 3]}}, "cylinders/0/end", None),
        ({"boxes": {"least": [0, 0]}}, "boxes/0/least", "array_length"),
        ({"boxes": {"least": [0, 0, -20_001]}}, "boxes/0/least/2", "out_of_range"),
        ({"cylinders": {"radius": 0}}, "cylinders/0/radius", "out_of_range"),
        ({"bench_below": -1}, "bench_below", "out_of_range"),
        ({"floor_below": 20_001}, "floor_below", "out_of_range"),
        ({"swings": "left"}, "swings", "not_a_choice"),
        ({"walls": 1}, "walls", "unknown_field"),
    ],
)
def test_surroundings_that_cannot_be_are_refused(
    client: FlaskClient, change: dict[str, Any], pointer: str, code: str | None
) -> None:
    bender = by_values(client)
    around = bender["surroundings"]
    for name, value in change.items():
        if isinstance(value, dict):
            part = around[name][0] if isinstance(around[name], list) else around[name]
            part.update(value)
        elif value is None:
            del around[name]
        else:
            around[name] = value
    response = client.post(PATH, json={**HANGING, "bender": bender})
    assert response.status_code == 422, response.get_data(as_text=True)
    entry = response.get_json()["errors"][0]
    assert entry["pointer"] == f"/bender/surroundings/{pointer}"
    assert entry["code"] == (code or "cylinder_without_length")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"boxes": [[0, 0, 0], [1, 0, 1]]}, "`greatest` lies at 0 in along y; it must lie beyond "),
        ({"bench_edges": {"least_x": 2, "greatest_x": 1}}, "`greatest_x` lies at 1 in along x"),
    ],
)
def test_a_body_inside_out_is_told_by_field_and_axis(
    client: FlaskClient, change: dict[str, Any], words: str
) -> None:
    around: dict[str, Any] = {"bench_below": 9}
    if "boxes" in change:
        least, greatest = change["boxes"]
        around["boxes"] = [{"name": "box", "least": least, "greatest": greatest}]
    else:
        around["bench_edges"] = {"least_y": 0, "greatest_y": 1, **change["bench_edges"]}
    bender = {**by_values(client, "inch"), "surroundings": around}
    response = client.post(PATH, json={**HANGING, "units": "inch", "bender": bender})
    assert words in response.get_json()["errors"][0]["detail"]


# --- the straight tube behind the die ------------------------------------------------------------

D20 = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
VICE = {"name": "vice", "least": [-300, -100, -50], "greatest": [-200, -20, 50]}


def behind(
    around: dict[str, Any], *, straight: float = 200, last: float = 800, pressure_die: float = 80
) -> dict[str, Any]:
    """One bend of R = 60 at a bender with little round it: the tube lies at y = −60 behind it."""
    die = {
        "tube_outside_diameter": 20,
        "radius": 60,
        "largest_angle": 190,
        "clamp_length": 40,
        "pressure_die_length": pressure_die,
    }
    bender = {
        "least_outside_diameter": 4,
        "largest_outside_diameter": 60,
        "largest_angle": 190,
        "dies": [die],
        "surroundings": around,
    }
    run = {"bends": [{"straight": straight, "angle": 90, "radius": 60}], "last_straight": last}
    return {"tube": D20, "bender": bender, "run": run, "springback": [{}]}


def test_a_body_in_the_way_of_the_tube_behind_blocks(post: Post) -> None:
    """From end 1 the tube reaches 894 mm back, from end 2 it reaches 294: into the vice as well."""
    answer = post(PATH, behind({"boxes": [VICE]}))
    (check,) = rule(answer)
    near = orders(answer)[0]["nearest"]
    assert (check["severity"], check["code"]) == ("blocks", "review_order_blocked_behind")
    assert (near["behind"], near["name"], near["movement"]) == (True, "vice", "bend")
    assert (near["angle"], near["clearance"]) == (0, 0)
    assert near["point"] == {"x": -200, "y": -60, "z": 0}
    assert near["position"] == pytest.approx(200 + 200)
    assert "lies in vice, 400 mm along it" in finding(answer, "review_order_blocked_behind")["text"]
    assert [order["free"] for order in orders(answer)] == [False, False]


def test_working_from_the_end_with_less_tube_behind_is_the_cure(post: Post) -> None:
    answer = post(PATH, behind({"boxes": [VICE]}, straight=90))
    (check,) = rule(answer)
    assert [(c["change"], c["end"]) for c in check["cures"]] == [("work_from", "end_2")]
    assert [order["free"] for order in orders(answer)] == [False, True]


@pytest.mark.parametrize(
    ("least", "greatest", "severity"),
    [
        # beside, above and below the tube: it fills y −70 to −50 and z −10 to 10
        ([-300, -49.9, -50], [-200, 0, 50], "ok"),
        ([-300, -50.1, -50], [-200, 0, 50], "blocks"),
        ([-300, -100, -50], [-200, -20, -10], "ok"),
        ([-300, -100, -50], [-200, -20, -9.9], "blocks"),
        # behind its end: 94.25 of arc and 400 lie behind, the end rounded off by 10
        ([-600, -100, -50], [-505, -20, 50], "ok"),
        ([-600, -100, -50], [-503, -20, 50], "blocks"),
    ],
)
def test_only_an_overlap_counts(
    post: Post, least: list[float], greatest: list[float], severity: str
) -> None:
    box = {"name": "support", "least": least, "greatest": greatest}
    for sign, swings in ((1, "anticlockwise"), (-1, "clockwise")):
        low, high = sorted((sign * least[1], sign * greatest[1]))
        mirrored = {
            "name": "support",
            "least": [least[0], low, least[2]],
            "greatest": [greatest[0], high, greatest[2]],
        }
        around = {"boxes": [box if sign == 1 else mirrored], "swings": swings}
        assert rule(post(PATH, behind(around, last=400)))[0]["severity"] == severity


@pytest.mark.parametrize(("radius", "severity"), [(39.9, "ok"), (40.1, "blocks")])
def test_a_cylinder_in_the_way_counts_too(post: Post, radius: float, severity: str) -> None:
    """A round column 50 mm beside the centre line."""
    column = {"name": "column", "start": [-250, -110, -99], "end": [-250, -110, 99]}
    around = {"cylinders": [{**column, "radius": radius}]}
    assert rule(post(PATH, behind(around)))[0]["severity"] == severity


def test_a_body_met_along_the_pressure_die_counts_as_clamping_and_is_told(post: Post) -> None:
    bracket = {"name": "guide", "least": [-260, -90, -48], "greatest": [-70, -55, 12]}
    answer = post(PATH, behind({"boxes": [bracket]}))
    assert rule(answer)[0]["severity"] == "ok"
    assert "in guide" in finding(answer, "body_counts_as_clamp")["text"]
    answer = post(PATH, behind({"boxes": [bracket]}, pressure_die=60))
    assert rule(answer)[0]["severity"] == "blocks"


def test_a_body_that_turns_with_the_die_is_not_in_the_way(post: Post) -> None:
    answer = post(PATH, behind({"boxes": [{**VICE, "turns_with_die": True}]}))
    assert rule(answer)[0]["severity"] == "ok"


@pytest.mark.parametrize("around", [{"bench_below": 5}, {"floor_below": 5}])
def test_a_bench_within_the_tube_is_met_before_anything_is_swung(
    post: Post, around: dict[str, Any]
) -> None:
    """The tube reaches 10 mm below its centre line, at every angle; it was told from 45° on."""
    answer = post(PATH, behind(around, straight=100, last=200))
    (check,) = rule(answer)
    near = orders(answer)[0]["nearest"]
    assert (check["severity"], check["code"]) == ("blocks", "review_order_blocked_behind")
    assert (near["angle"], near["position"]) == (0, 100)


def test_a_bench_that_ends_behind_the_die_is_met_at_the_start_of_the_swing(post: Post) -> None:
    """Bench top only in front of the die, 5 mm below: the leg of 100 lies in it from the start."""
    edges = {"least_x": 10, "greatest_x": 500, "least_y": -500, "greatest_y": 500}
    around = {"bench_below": 5, "bench_edges": edges}
    near = orders(post(PATH, behind(around, straight=100, last=200)))[0]["nearest"]
    assert (near["movement"], near["met"], near["behind"]) == ("bend", "bench", False)
    assert near["angle"] == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("bender", ["bench-25", "bench-42"])
def test_no_tube_of_the_demo_shop_lies_in_its_bender(post: Post, bender: str) -> None:
    """Bracket, housing and crank of the invented benders stand clear of every straight tube."""
    shop = reference.shop()
    for name in shop.benders[bender].dies:
        die = shop.dies[name]
        row = {"straight": 3 * die.radius, "angle": 20, "radius": die.radius}
        sent = {
            "tube": {"outside_diameter": die.tube_outside_diameter, "wall_thickness": 2},
            "bender": bender,
            "run": {"bends": [row], "last_straight": 2000},
            "springback": [{}],
        }
        answer = post(PATH, sent)
        assert not any(order["nearest"]["behind"] for order in orders(answer)), name
        codes = {one["code"] for one in answer["findings"]}
        assert not codes & {"review_order_blocked_behind", "body_counts_as_clamp"}
