"""Inspection over the app: fields, units, refusals, findings, drawing."""

from __future__ import annotations

import copy
import math
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
    pointer_to,
    two_bends,
)
from flask.testing import FlaskClient

from service import reference
from service.api import inspection

PATH = "/v1/inspection"
TABLE = two_bends(45, 45)
POINTS: list[dict[str, float]] = [
    {"x": 0, "y": 0, "z": 0},
    {"x": 145, "y": 0, "z": 0},
    {"x": 145, "y": 137, "z": 0},
    {"x": 110, "y": 277, "z": -69},
]
FULL: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
    "run": TABLE,
    "measured": copy.deepcopy(TABLE),
    "compare": "vertices",
    "hold": "none",
    "weights": [1, 1, 1, 1],
    "tolerances": {
        "point": 1,
        "straight": 1,
        "angle": 1,
        "rotation": 1,
        "end_position": 1,
        "end_direction": 1,
    },
    "set_up": {
        "measured_from": "end_1",
        "measure": "from_end",
        "mark_offset": 2,
        "springback": [{"constant": 1, "proportional": 0.02}],
        "stretch": 0.02,
        "ends": {"end_1": [{"name": "flare", "length": 4}], "trim": 0},
        "bench": {"step": 0.5, "angle_step": 0.5},
        "worked": [{"bend": 1, "crank": 93, "rotation": 0, "start": 104}],
        "cut_length": 420,
        "recalibrate": False,
    },
    "largest_hand_correction": 2,
}
PLAIN: dict[str, Any] = {key: FULL[key] for key in ("tube", "run", "measured", "tolerances")}


BOUNDARIES: list[tuple[Field, float, float]] = [
    (("measured", "bends", 0, "straight"), 0, -1e-9),
    (("measured", "bends", 0, "straight"), 100_000, 100_001),
    (("measured", "bends", 1, "rotation"), -180, -180.001),
    (("measured", "bends", 1, "rotation"), 180, 180.001),
    (("measured", "bends", 0, "angle"), 0.01, 0.0099),
    (("measured", "bends", 0, "angle"), 179.4, 350.001),
    (("measured", "bends", 0, "radius"), 0.01, 0.0099),
    (("measured", "bends", 0, "radius"), 10_000, 10_001),
    (("measured", "last_straight"), 0, -1e-9),
    (("measured", "last_straight"), 100_000, 100_001),
    (("weights", 1), 0, -1e-9),
    (("weights", 1), 1e6, 1.001e6),
    (("tolerances", "point"), 0, -1e-9),
    (("tolerances", "point"), 1000, 1001),
    (("tolerances", "straight"), 0, -1e-9),
    (("tolerances", "straight"), 1000, 1001),
    (("tolerances", "angle"), 0, -1e-9),
    (("tolerances", "angle"), 90, 90.1),
    (("tolerances", "rotation"), 0, -1e-9),
    (("tolerances", "rotation"), 90, 90.1),
    (("tolerances", "end_position"), 1000, 1001),
    (("tolerances", "end_position"), 0, -0.1),
    (("tolerances", "end_direction"), 90, 90.1),
    (("tolerances", "end_direction"), 0, -0.1),
    (("set_up", "mark_offset"), -1000, -1000.1),
    (("set_up", "mark_offset"), 1000, 1000.1),
    (("set_up", "springback", 0, "constant"), 30, 30.1),
    (("set_up", "stretch"), 0, -0.001),
    (("set_up", "stretch"), 0.2, 0.201),
    (("set_up", "ends", "trim"), 0, -0.1),
    (("set_up", "worked", 0, "bend"), 1, 0),
    (("set_up", "worked", 0, "bend"), 2, 3),
    (("set_up", "worked", 0, "crank"), 0.01, 0.009),
    (("set_up", "worked", 0, "crank"), 360, 360.1),
    (("set_up", "worked", 0, "rotation"), 180, 180.1),
    (("set_up", "worked", 0, "rotation"), -180, -180.1),
    (("set_up", "worked", 0, "start"), -100_000, -100_001),
    (("set_up", "worked", 0, "start"), 100_000, 100_001),
    (("set_up", "cut_length"), 0.01, 0.009),
    (("set_up", "cut_length"), 100_000, 100_001),
    (("set_up", "bench", "step"), 0.001, 0.0009),
    (("set_up", "bench", "angle_step"), 10, 10.1),
    (("largest_hand_correction",), 0, -0.1),
    (("largest_hand_correction",), 10, 10.1),
]


@pytest.mark.parametrize(("field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, FULL, field, inside, outside)
    assert pointer == pointer_to(field)


@pytest.mark.parametrize("name", ["vertices", "tangent_points"])
@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_measured_coordinates_at_their_boundary(client: FlaskClient, name: str, axis: str) -> None:
    # a screw line that runs along the axis asked for, so that no far end folds it back
    others = [other for other in "xyz" if other != axis]
    points = [
        {axis: 100.0 * i, others[0]: 60 * math.cos(i), others[1]: 60 * math.sin(i)}
        for i in range(4 if name == "vertices" else 6)
    ]
    body = {**PLAIN, "measured": {name: points}}
    for place, end in ((len(points) - 1, 100_000), (0, -100_000)):
        far = changed(body, ("measured", name, place, axis), end)
        accepted = client.post(PATH, json=far)
        assert accepted.status_code == 200, accepted.get_data(as_text=True)
        further = changed(body, ("measured", name, place, axis), end * 1.00001)
        assert code_and_pointer(client, PATH, further) == (
            "out_of_range",
            f"/measured/{name}/{place}/{axis}",
        )


@pytest.mark.parametrize(
    ("field", "value", "code", "pointer"),
    [
        (("units",), "furlong", "not_a_choice", "/units"),
        (("compare",), "all", "not_a_choice", "/compare"),
        (("hold",), "end_3", "not_a_choice", "/hold"),
        (("measured",), {"points": []}, "no_shape", "/measured"),
        (("measured",), {"vertices": POINTS[:1]}, "array_length", "/measured/vertices"),
        (
            ("measured",),
            {"vertices": POINTS[:3]},
            "measured_points_differ",
            "/measured/vertices",
        ),
        (
            ("measured",),
            {"tangent_points": POINTS},
            "measured_points_differ",
            "/measured/tangent_points",
        ),
        (
            ("measured",),
            {"bends": TABLE["bends"][:1], "last_straight": 1},
            "measured_bends_differ",
            "/measured/bends",
        ),
        (
            ("measured",),
            {"vertices": [POINTS[0], POINTS[1], POINTS[1], POINTS[3]]},
            "repeated_vertex",
            "/measured/vertices/2",
        ),
        (
            ("measured",),
            {"vertices": [POINTS[0], POINTS[1], {"x": 200, "y": 0, "z": 0}, POINTS[3]]},
            "vertices_in_line",
            "/measured/vertices/1",
        ),
        (
            ("measured",),
            {"tangent_points": [{"x": 10 * i, "y": i * i} for i in (0, 1, 2, 2, 4, 5)]},
            "tangent_points_coincide",
            "/measured/tangent_points/3",
        ),
        (
            ("measured",),
            {"tangent_points": [{"x": 10 * i, "y": max(i - 3, 0)} for i in range(6)]},
            "measured_bend_straight",
            "/measured/tangent_points/1",
        ),
        (("weights",), [1, 1, 1], "weights_differ", "/weights"),
        (("weights",), [0, 0, 0, 0], "weights_all_zero", "/weights"),
        (("set_up", "worked"), [{"bend": 3}], "no_such_bend", "/set_up/worked/0/bend"),
        (
            ("set_up", "worked"),
            [{"bend": 2}, {"bend": 2}],
            "bend_told_twice",
            "/set_up/worked/1/bend",
        ),
        (("set_up", "die"), "no-such-die", "unknown_name", "/set_up/die"),
        (("set_up", "speed"), 3, "unknown_field", "/set_up/speed"),
    ],
)
def test_each_refusal(
    client: FlaskClient, field: Field, value: Any, code: str, pointer: str
) -> None:
    assert code_and_pointer(client, PATH, changed(FULL, field, value)) == (code, pointer)


def test_a_half_turn_is_compared_by_its_tangent_points(client: FlaskClient, post: Post) -> None:
    body = changed(changed(PLAIN, ("run", "bends", 0, "angle"), 180), ("measured",), None)
    body["measured"] = copy.deepcopy(body["run"])
    assert code_and_pointer(client, PATH, body) == ("no_vertex_to_compare", "/compare")
    answer = post(PATH, {**body, "compare": "tangent_points"})
    assert answer["result"]["verdict"] == "within"
    assert [p["place"] for p in answer["result"]["points"]] == [
        "end_1",
        "bend_start",
        "bend_end",
        "bend_start",
        "bend_end",
        "end_2",
    ]


def test_ends_in_one_place_cannot_both_be_held(client: FlaskClient) -> None:
    square: dict[str, Any] = {
        "bends": [
            {"straight": 100, "angle": 90, "radius": 45},
            {"straight": 100, "angle": 90, "radius": 45},
            {"straight": 100, "angle": 90, "radius": 45},
            {"straight": 100, "angle": 90, "radius": 45},
        ],
        "last_straight": 0,
    }
    square["bends"][0]["straight"] = 50
    square["last_straight"] = 50
    body = {**PLAIN, "run": square, "measured": square, "hold": "both_ends"}
    assert code_and_pointer(client, PATH, body) == ("ends_coincide", "/hold")


@pytest.mark.parametrize(
    ("tolerance", "measured", "code"),
    [
        ("point", ("bends", 0, "angle", 91.5), "vertex_out"),
        ("straight", ("bends", 1, "straight", 81.0), "straight_out"),
        ("angle", ("bends", 0, "angle", 91.5), "angle_out"),
        ("rotation", ("bends", 1, "rotation", -121.5), "rotation_out"),
        ("end_position", ("bends", 0, "angle", 91.5), "end_position_out"),
        ("end_direction", ("bends", 0, "angle", 91.5), "end_direction_out"),
    ],
)
def test_each_tolerance_on_both_sides_of_its_limit(
    post: Post, tolerance: str, measured: tuple[Any, ...], code: str
) -> None:
    body = changed(PLAIN, ("measured", *measured[:3]), measured[3])
    wide = {"point": 99, "straight": 99, "angle": 45, "rotation": 45}
    result = post(PATH, {**body, "tolerances": wide})["result"]
    worst = {
        "point": max(p["distance"] for p in result["points"]),
        "straight": max(abs(s["deviation"]) for s in result["straights"]),
        "angle": max(abs(b["angle"]["deviation"]) for b in result["bends"]),
        "rotation": max(abs(b["rotation"]["deviation"]) for b in result["bends"]),
        "end_position": max(e["distance"] for e in result["ends"]),
        "end_direction": max(e["turn"] for e in result["ends"]),
    }[tolerance]
    just = post(PATH, {**body, "tolerances": {tolerance: worst * 1.001}})
    assert just["result"]["verdict"] == "within"
    assert code not in codes(just)
    over = post(PATH, {**body, "tolerances": {tolerance: worst * 0.999}})
    assert over["result"]["verdict"] == "outside"
    assert code in codes(over) or (code == "vertex_out" and "end_point_out" in codes(over))


def test_tangent_points_out_of_tolerance_are_told_as_such(post: Post) -> None:
    body = changed(PLAIN, ("measured", "bends", 0, "straight"), 110)
    found = post(PATH, {**body, "compare": "tangent_points", "tolerances": {"point": 0.5}})
    assert codes(found) >= {"bend_start_out", "bend_end_out", "end_point_out"}


def test_without_tolerances_the_shop_profile_judges(post: Post) -> None:
    limits = reference.shop().inspection
    assert limits.angle is not None
    degrees = math.degrees(limits.angle)
    body = {key: value for key, value in PLAIN.items() if key != "tolerances"}
    inside = changed(body, ("measured", "bends", 0, "angle"), 90 + 0.9 * degrees)
    assert "angle_out" not in codes(post(PATH, inside))
    outside = changed(body, ("measured", "bends", 0, "angle"), 90 + 1.1 * degrees)
    assert "angle_out" in codes(post(PATH, outside))


def test_empty_tolerances_judge_nothing(post: Post) -> None:
    answer = post(PATH, {**PLAIN, "tolerances": {}})
    assert answer["result"]["verdict"] == "not_judged"
    assert "no_tolerances" in codes(answer)
    assert "no_tolerances" not in codes(post(PATH, PLAIN))


def test_a_straight_tube_leaves_its_spin_open(post: Post) -> None:
    straight = {"bends": [], "last_straight": 300}
    answer = post(PATH, {**PLAIN, "run": straight, "measured": straight})
    assert not answer["result"]["spin_determined"]
    assert "spin_undetermined" in codes(answer)
    assert post(PATH, PLAIN)["result"]["spin_determined"]


def test_mirrored_and_turned_parts_are_named(post: Post) -> None:
    third = {"straight": 70, "rotation": 50, "angle": 60, "radius": 45}
    run: dict[str, Any] = {"bends": [*TABLE["bends"], third], "last_straight": 150}
    mirrored = copy.deepcopy(run)
    for bend in mirrored["bends"][1:]:
        bend["rotation"] = -bend["rotation"]
    answer = post(PATH, {**PLAIN, "run": run, "measured": mirrored})
    assert "looks_mirrored" in codes(answer)
    rows = run["bends"][::-1]
    rotations = [0, *(bend["rotation"] for bend in rows[:-1])]
    straights = [150, *(bend["straight"] for bend in rows[:-1])]
    turned = {
        "bends": [
            {"straight": s, "rotation": r, "angle": b["angle"], "radius": 45}
            for s, r, b in zip(straights, rotations, rows, strict=True)
        ],
        "last_straight": rows[-1]["straight"],
    }
    assert "(0 mm) than" in _text(answer, "looks_mirrored")
    answer = post(PATH, {**PLAIN, "run": run, "measured": turned})
    assert "looks_turned" in codes(answer)
    # a part that is the drawing, read from its other end: what is left is rounding
    assert "(0 mm instead of" in _text(answer, "looks_turned")
    assert not codes(post(PATH, {**PLAIN, "run": run, "measured": run})) & {
        "looks_turned",
        "looks_mirrored",
    }


def _text(answer: dict[str, Any], code: str) -> str:
    return next(str(f["text"]) for f in answer["findings"] if f["code"] == code)


def test_a_part_as_drawn_has_no_rounding_in_its_picture(client: FlaskClient) -> None:
    drawn = client.post(PATH, json=FULL, headers={"Accept": "image/svg+xml"}).get_data(as_text=True)
    assert "Worst point 0 mm, root mean square 0 mm." in drawn
    assert "Deviations drawn 1 times as large." in drawn
    assert "e-1" not in drawn


def test_bending_by_hand_on_both_sides_of_its_limits(post: Post) -> None:
    limits = {"angle": 0.5, "point": 50}

    def found(angle: float, **more: Any) -> set[str]:
        body = changed(PLAIN, ("measured", "bends", 0, "angle"), angle)
        return codes(post(PATH, {**body, "tolerances": limits, **more}))

    assert found(90.49) & {"open_by_hand", "close_by_hand"} == set()
    assert found(90.51) >= {"open_by_hand", "saved_by_hand"}
    assert found(89.4) >= {"close_by_hand", "saved_by_hand"}
    assert "open_by_hand" in found(91.99)
    assert "open_by_hand" not in found(92.01)
    assert "open_by_hand" in found(92.01, largest_hand_correction=3)
    tight = {**limits, "rotation": 0.5}
    body = changed(PLAIN, ("measured", "bends", 0, "angle"), 91)
    twisted = changed(body, ("measured", "bends", 1, "rotation"), -121)
    answer = post(PATH, {**twisted, "tolerances": tight})
    assert answer["result"]["by_hand"]["saves_part"] is False
    assert "saved_by_hand" not in codes(answer)


def test_with_too_many_bends_out_nothing_is_saved_by_hand(post: Post) -> None:
    def found(count: int) -> dict[str, Any]:
        bend = {"straight": 60, "angle": 20, "radius": 45}
        run = {"bends": [bend] * count, "last_straight": 60}
        bad = {"bends": [{**bend, "angle": 21}] * count, "last_straight": 60}
        body = {**PLAIN, "run": run, "measured": bad, "tolerances": {"angle": 0.5}}
        return post(PATH, body)

    assert len(found(12)["result"]["by_hand"]["bends"]) == 12
    assert found(13)["result"]["by_hand"]["bends"] == []
    assert "too_many_by_hand" in codes(found(13))
    assert "too_many_by_hand" not in codes(found(12))


def test_findings_of_the_correction_on_both_sides(post: Post) -> None:
    law = [{"constant": 1, "proportional": 0.02}]
    plain = {**PLAIN, "set_up": {"springback": law}}
    assert codes(post(PATH, plain)) == set()
    again = {**plain, "set_up": {"springback": law, "recalibrate": True}}
    assert codes(post(PATH, again)) == {"springback_fit_of_few_bends"}
    # one bend comes out 40° too small: the line through both bends makes no sense
    off = changed(again, ("measured", "bends", 0, "angle"), 30)
    assert "springback_fit_absurd" in codes(post(PATH, off))
    assert "springback_fit_absurd" not in codes(post(PATH, again))
    longer = changed(again, ("measured", "last_straight"), 250)
    assert "stretch_fit_absurd" in codes(post(PATH, longer))
    trimmed = {**plain, "set_up": {"springback": law, "ends": {"trim": 5}}}
    assert codes(post(PATH, trimmed)) == {"trim_hides_cut_error"}
    die = {"tube_outside_diameter": 15, "radius": 45, "largest_angle": 93}
    short = {**plain, "set_up": {"springback": law, "die": die}}
    # laid out at 92.86°; a part that came out at 89.9° must be cranked 0.1°/0.98 further
    assert "crank_past_die" not in codes(
        post(PATH, changed(short, ("measured", "bends", 0, "angle"), 89.9))
    )
    assert "crank_past_die" in codes(
        post(PATH, changed(short, ("measured", "bends", 0, "angle"), 89.8))
    )
    bad = changed(plain, ("measured", "bends", 0, "angle"), 350)
    bad = {**bad, "compare": "tangent_points"}
    assert "crank_cannot_be" in codes(post(PATH, bad))
    early = {**plain, "set_up": {"springback": law, "mark_offset": -100}}
    assert "mark_off_tube" not in codes(post(PATH, early))
    late = changed(early, ("measured", "bends", 0, "straight"), 101)
    assert "mark_off_tube" in codes(post(PATH, late))


def test_correction_of_one_known_error(post: Post) -> None:
    # a bend that sprang back 1° further with b = 0.02 must be cranked 1°/0.98 further
    body = changed(PLAIN, ("measured", "bends", 0, "angle"), 89)
    body = {**body, "set_up": {"springback": [{"constant": 1, "proportional": 0.02}]}}
    first = post(PATH, body)["result"]["correction"]["bends"][0]
    assert first["crank"]["was"] == pytest.approx(91 / 0.98)
    assert first["crank"]["change"] == pytest.approx(1 / 0.98)
    assert first["crank"]["bench"] == 94.0
    assert first["start"]["change"] == pytest.approx(0)
    assert first["start"]["next"]["label"] == "100 mm"


def test_calibration_can_be_sent_on(post: Post, client: FlaskClient) -> None:
    answer = post(PATH, inspection.EXAMPLE)["result"]["correction"]["calibration"]
    trials = answer["trials"]
    body = {"trials": trials}
    fitted = client.post("/v1/springback/calibration", json=body)
    assert fitted.status_code == 200, fitted.get_data(as_text=True)
    # two independent least squares of the same trials
    ours, theirs = answer["springback"][0], fitted.get_json()["result"]["springback"][0]["law"]
    for name in ("constant", "proportional", "radius"):
        assert ours[name] == pytest.approx(theirs[name], rel=1e-6, abs=1e-9)
    stretch = {"stretch_trials": [answer["stretch_trial"]] * 2}
    assert client.post("/v1/springback/calibration", json=stretch).status_code == 200


ANGLES = {"turn", "by", "end_turns"}


def factor(names: Names) -> float:
    return 1.0 if names[-1] in ANGLES else 25.4


@pytest.mark.parametrize("body", [FULL, changed(FULL, ("measured",), {"vertices": POINTS})])
def test_inches_and_millimetres_agree(post: Post, body: dict[str, Any]) -> None:
    metric = post(PATH, body)
    inch = post(PATH, in_inches(body))
    assert inch["units"] == "inch"
    assert codes(inch) == codes(metric)
    for name in ("points", "straights", "ends", "root_mean_square", "worst", "by_hand"):
        one, other = metric["result"][name], inch["result"][name]
        assert_agree(one, other, factor, rel=1e-7, absolute=1e-7, names=(name,))
    for a, b in zip(
        metric["result"]["correction"]["bends"],
        inch["result"]["correction"]["bends"],
        strict=True,
    ):
        assert b["start"]["change"] * 25.4 == pytest.approx(a["start"]["change"], abs=1e-7)
        assert b["crank"]["exact"] == pytest.approx(a["crank"]["exact"])


def test_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    assert client.post(PATH, json=FULL).data == client.post(PATH, json=FULL).data


def test_example_runs(post: Post) -> None:
    answer = post(PATH, inspection.EXAMPLE)
    assert answer["result"]["verdict"] == "outside"
    assert {"rigid-best-fit", "corrected-bend-table"} <= {m["id"] for m in answer["basis"]}
