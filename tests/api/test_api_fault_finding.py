"""Fault finding and upkeep over the app: evidence on both sides, fields, refusals, languages."""

from __future__ import annotations

import copy
import math
from typing import Any, get_args

import pytest
from conftest import Post
from endpoints import Body, Field, changed, code_and_pointer, codes, in_inches, pointer_past
from flask.testing import FlaskClient

from service.api import fault_finding
from service.api.fault_finding import EXAMPLE
from service.model_bench import Symptom
from service.reference_bench import faults, upkeep

URL = "/v1/fault-finding"

# Steel tube of the invented shop; the thin one calls for a mandrel, the thick one does not.
THIN: Body = {
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5, "material": "e235-n"},
    "radius": 76,
    "angle": 90,
    "die": "d38-r76",
    "bender": "bench-42",
    "tube_behind": 900,
}
SOUND: Body = {
    "tube": {"outside_diameter": 20, "wall_thickness": 2.5, "material": "e235-n"},
    "radius": 60,
    "angle": 90,
    "die": "d20-r60",
    "bender": "bench-25",
    "tube_behind": 600,
    "springback": [{"constant": 0.8, "proportional": 0.016}],
}
RUN: Body = {
    "bends": [
        {"straight": 120, "angle": 90, "radius": 60},
        {"straight": 150, "rotation": 60, "angle": 45, "radius": 60},
        {"straight": 90, "rotation": -100, "angle": 60, "radius": 60},
    ],
    "last_straight": 210,
}
LINE: Body = {
    "tube": SOUND["tube"],
    "run": RUN,
    "die": "d20-r60",
    "bender": "bench-25",
    "springback": SOUND["springback"],
}
# 60·tan(45°) + 60·tan(22.5°)
LEG_2 = 150 + 60 + 60 * math.tan(math.pi / 8)


def merged(body: Body, changes: Body) -> Body:
    new = copy.deepcopy(body)
    for name, value in changes.items():
        if isinstance(value, dict) and isinstance(new.get(name), dict) and name != "die":
            new[name] = merged(new[name], value)
        else:
            new[name] = value
    return new


def row_of(answer: Body, cause: str) -> Body:
    row: Body = next(c for c in answer["result"]["causes"] if c["cause"] == cause)
    return row


def evidence_of(answer: Body, cause: str, test: str) -> Body:
    found: Body = next(e for e in row_of(answer, cause)["evidence"] if e["test"] == test)
    return found


def die(**values: Any) -> Body:
    return {"die": {"tube_outside_diameter": 20, "radius": 60, "largest_angle": 190, **values}}


def drive(**values: Any) -> Body:
    """A bender with a crank."""
    crank = {"gear_ratio": 6, "lever_length": 350, "efficiency": 0.85, "comfortable_force": 250}
    bender = {
        "least_outside_diameter": 6,
        "largest_outside_diameter": 25,
        "largest_angle": 190,
        "rated_tubes": [{"outside_diameter": 20, "wall_thickness": 3, "material": "e235-n"}],
        "drive": crank,
        "support_from": 900,
    }
    return {"bender": {**bender, **values}}


def seen(place: str, member: str, supports: Any, contradicts: Any) -> tuple[Body, Body, str]:
    return {place: {member: supports}}, {place: {member: contradicts}}, f"/{place}/{member}"


MEASURED_90 = {"measured": {"angle": 87.8}}
# symptom, cause, test, base, what supports the cause, what contradicts it, and the datum without
# which the test is silent; numbers stand on either side of the limit that the comment names
CASES: list[tuple[str, str, str, Body, Body, Body, str]] = [
    ("slips_in_clamp", "clamp_oily", "clamp_dry", SOUND, *seen("set_up", "clamp_dry", False, True)),
    (
        "slips_in_clamp",
        "clamp_not_tight",
        "clamp_marks",
        SOUND,
        *seen("measured", "clamp_marks", True, False),
    ),
    # the die's clamp takes 42 mm
    (
        "slips_in_clamp",
        "clamp_straight_short",
        "clamp_straight",
        SOUND,
        *seen("set_up", "clamped_length", 41.9, 42.0),
    ),
    # 1 % of 20 mm
    (
        "slips_in_clamp",
        "groove_too_wide",
        "groove_wide",
        SOUND,
        *seen("set_up", "groove_clearance", 0.201, 0.199),
    ),
    (
        "slips_in_clamp",
        "pull_too_high",
        "pressure_die_tight",
        SOUND,
        *seen("set_up", "pressure_die", "tight", "snug"),
    ),
    # R/D ≤ 2.5 is tight in this shop: 50 mm is, 50.1 mm is not
    (
        "slips_in_clamp",
        "pull_too_high",
        "bend_tight",
        {**SOUND, "die": None},
        {"radius": 50},
        {"radius": 50.1},
        "",
    ),
    # below 8 % a mandrel is advised in this shop, from R/D 5 downwards: 20 × 1.6
    (
        "flattened",
        "mandrel_missing",
        "mandrel_needed",
        {**SOUND, "mandrel_used": False},
        {"tube": {"wall_thickness": 1.59}},
        {"tube": {"wall_thickness": 1.6}},
        "",
    ),
    (
        "flattened",
        "mandrel_missing",
        "mandrel_needed",
        THIN,
        {"mandrel_used": False},
        {"mandrel_used": True},
        "/mandrel_used",
    ),
    (
        "flattened",
        "nose_too_far_back",
        "nose_behind",
        THIN,
        {"mandrel": {"lead": -0.01}},
        {"mandrel": {"lead": 0.0}},
        "/mandrel_used",
    ),
    # half of √(93.5² − 93.35²) = 5.2941, where a sharp nose touches the outer wall
    (
        "flattened",
        "nose_too_far_back",
        "nose_far_from_contact",
        THIN,
        {"mandrel": {"lead": 2.640}},
        {"mandrel": {"lead": 2.654}},
        "/mandrel_used",
    ),
    # the shop uses 0.3 mm
    (
        "flattened",
        "mandrel_too_loose",
        "clearance_large",
        {**THIN, "mandrel_used": True},
        {"mandrel": {"clearance": 0.301}},
        {"mandrel": {"clearance": 0.3}},
        "/mandrel/clearance",
    ),
    (
        "flattened",
        "pressure_die_loose",
        "pressure_die_loose",
        SOUND,
        *seen("set_up", "pressure_die", "loose", "tight"),
    ),
    # the pressure die takes 110 mm, the arc 94.2 mm
    (
        "flattened",
        "rear_straight_short",
        "rear_straight",
        {**SOUND, "tube_behind": None},
        {"tube_behind": 109.9},
        {"tube_behind": 110},
        "/tube_behind",
    ),
    (
        "flattened",
        "wall_too_thin",
        "wall_thin",
        SOUND,
        {"tube": {"wall_thickness": 1.59}},
        {"tube": {"wall_thickness": 1.6}},
        "",
    ),
    (
        "flattened",
        "bend_too_tight",
        "bend_tight",
        {**SOUND, "die": None},
        {"radius": 50},
        {"radius": 50.1},
        "",
    ),
    (
        "wrinkled_inside",
        "tube_slipped",
        "clamp_marks",
        SOUND,
        *seen("measured", "clamp_marks", True, False),
    ),
    (
        "wrinkled_inside",
        "inside_not_supported",
        "wall_thin",
        SOUND,
        {"tube": {"wall_thickness": 1.59}},
        {"tube": {"wall_thickness": 1.6}},
        "",
    ),
    (
        "split_or_thinned_outside",
        "seam_in_the_bend",
        "seam",
        SOUND,
        *seen("set_up", "seam", "outside", "side"),
    ),
    (
        "split_or_thinned_outside",
        "not_lubricated",
        "lubrication",
        SOUND,
        *seen("set_up", "lubricated", False, True),
    ),
    # r_m/R = 18.25/76 = 24.01 %; elongation 24 % and 48.1 % (its half is above the stretch)
    (
        "split_or_thinned_outside",
        "stretched_too_far",
        "strain_above_elongation",
        THIN,
        {
            "tube": {
                "material": {"name": "m", "elastic_modulus": 2e5, "density": 8, "elongation": 24}
            }
        },
        {
            "tube": {
                "material": {"name": "m", "elastic_modulus": 2e5, "density": 8, "elongation": 49}
            }
        },
        "",
    ),
    (
        "split_or_thinned_outside",
        "stretched_too_far",
        "strain_near_elongation",
        THIN,
        {
            "tube": {
                "material": {"name": "m", "elastic_modulus": 2e5, "density": 8, "elongation": 48}
            }
        },
        {
            "tube": {
                "material": {"name": "m", "elastic_modulus": 2e5, "density": 8, "elongation": 48.1}
            }
        },
        "",
    ),
    # t·R/(R + r_m) = 1.5·76/94.25 = 1.20955
    (
        "split_or_thinned_outside",
        "drawn_thin",
        "wall_below_bounds",
        THIN,
        *seen("measured", "wall_outside", 1.2095, 1.2096),
    ),
    (
        "split_or_thinned_outside",
        "thinned_as_the_radius_asks",
        "wall_within_bounds",
        THIN,
        *seen("measured", "wall_outside", 1.2096, 1.2095),
    ),
    # contact of a sharp nose at 5.2941 mm
    (
        "split_or_thinned_outside",
        "nose_too_far_forward",
        "nose_ahead",
        THIN,
        {"mandrel": {"lead": 5.295}},
        {"mandrel": {"lead": 5.293}},
        "/mandrel_used",
    ),
    # t/(2D) = 2.5/40 = 6.25 %; D/(2R) is that at R = 160
    (
        "kinked",
        "bent_outside_the_tools",
        "free_tube_kinks",
        {**SOUND, "die": None},
        {"radius": 159},
        {"radius": 161},
        "",
    ),
    (
        "kinked",
        "bent_outside_the_tools",
        "rear_straight",
        {**SOUND, "tube_behind": None},
        {"tube_behind": 109.9},
        {"tube_behind": 110},
        "/tube_behind",
    ),
    ("scratched", "tools_dirty", "cleaning", SOUND, *seen("set_up", "cleaned", False, True)),
    # −0.1 % of 20 mm
    (
        "scratched",
        "groove_too_narrow",
        "groove_narrow",
        SOUND,
        {"set_up": {"groove_clearance": -0.021}},
        {"set_up": {"groove_clearance": -0.019}},
        "",
    ),
    (
        "scratched",
        "pressure_die_too_tight",
        "pressure_die_tight",
        SOUND,
        *seen("set_up", "pressure_die", "tight", "loose"),
    ),
    # friction left out, same diameter and material: (20³ − (20 − 2t)³)/(20³ − 14³) of the capacity
    (
        "hard_to_crank",
        "load_too_high",
        "load_above_capacity",
        merged(SOUND, drive()),
        {"tube": {"wall_thickness": 3.01}},
        {"tube": {"wall_thickness": 3.0}},
        "",
    ),
    # (8000 − 1000·(2 − t/5)³)/5256 = 80 % at t = 2.2034
    (
        "hard_to_crank",
        "load_too_high",
        "load_high",
        merged(SOUND, drive()),
        {"tube": {"wall_thickness": 2.21}},
        {"tube": {"wall_thickness": 2.2}},
        "",
    ),
    (
        "hard_to_crank",
        "crank_too_heavy",
        "crank_heavy",
        SOUND,
        drive(
            drive={"gear_ratio": 1, "lever_length": 350, "efficiency": 1, "comfortable_force": 250}
        ),
        drive(
            drive={"gear_ratio": 9, "lever_length": 350, "efficiency": 1, "comfortable_force": 250}
        ),
        "",
    ),
    # a rated tube of another material: the scatter of strength counts
    (
        "hard_to_crank",
        "tube_stronger_than_its_minimum",
        "strength_decides",
        SOUND,
        drive(rated_tubes=[{"outside_diameter": 20, "wall_thickness": 3, "flow_stress": 330}]),
        drive(rated_tubes=[{"outside_diameter": 20, "wall_thickness": 3, "flow_stress": 900}]),
        "",
    ),
    # 0.8° + 0.016·90° = 2.24° below 90°
    (
        "angle_short",
        "springback_left_out",
        "angle_amount",
        SOUND,
        {"measured": {"angle": 87.76}},
        {"measured": {"angle": 87.2}},
        "/measured/angle",
    ),
    (
        "angle_short",
        "springback_left_out",
        "set_to_wanted",
        merged(SOUND, MEASURED_90),
        *seen("set_up", "angle", 90.4, 90.6),
    ),
    # 85° springs back to 85·0.984 − 0.8 = 82.84°
    (
        "angle_short",
        "set_to_another_angle",
        "angle_follows_setting",
        merged(SOUND, {"set_up": {"angle": 85}}),
        {"measured": {"angle": 82.84}},
        {"measured": {"angle": 82.2}},
        "/measured/angle",
    ),
    # 88° springs back by 0.8° + 0.016·88° = 2.208°
    (
        "angle_short",
        "springback_larger",
        "springback_differs",
        merged(SOUND, {"set_up": {"angle": 88}}),
        {"measured": {"angle": 85.28}},
        {"measured": {"angle": 85.30}},
        "/measured/angle",
    ),
    # 180° − 100° − 100°
    (
        "angle_short",
        "included_angle_taken",
        "angle_amount",
        {**SOUND, "angle": 100},
        {"measured": {"angle": 80.4}},
        {"measured": {"angle": 80.6}},
        "/measured/angle",
    ),
    (
        "angle_short",
        "angle_of_another_bend",
        "angle_amount",
        LINE,
        {"measured": {"angle": 60.4}},
        {"measured": {"angle": 60.6}},
        "/measured/angle",
    ),
    # (90° + 0.8°)/0.984 = 92.276°
    (
        "angle_short",
        "past_reach",
        "past_reach",
        {**SOUND, "bender": None},
        die(largest_angle=92.27),
        die(largest_angle=92.28),
        "",
    ),
    ("angle_short", "zero_not_set", "zero_set", SOUND, *seen("set_up", "zero_set", False, True)),
    (
        "angle_past",
        "springback_counted_twice",
        "angle_amount",
        SOUND,
        {"measured": {"angle": 92.276}},
        {"measured": {"angle": 92.8}},
        "/measured/angle",
    ),
    (
        "angle_past",
        "springback_counted_twice",
        "set_past_crank_angle",
        merged(SOUND, {"measured": {"angle": 92}}),
        *seen("set_up", "angle", 92.8, 92.7),
    ),
    (
        "angle_past",
        "springback_smaller",
        "springback_differs",
        # 95° springs back by 2.32°
        merged(SOUND, {"set_up": {"angle": 95}}),
        {"measured": {"angle": 93.19}},
        {"measured": {"angle": 93.17}},
        "/measured/angle",
    ),
    # rotations of bend 2: 60° wanted
    (
        "twisted_between_bends",
        "rotation_wrong_way",
        "rotation_amount",
        {**LINE, "bend": 2},
        {"measured": {"rotation": -60.4}},
        {"measured": {"rotation": -60.6}},
        "/measured/rotation",
    ),
    (
        "twisted_between_bends",
        "half_turn_out",
        "rotation_amount",
        {**LINE, "bend": 2},
        {"measured": {"rotation": -119.6}},
        {"measured": {"rotation": -119.4}},
        "/measured/rotation",
    ),
    (
        "twisted_between_bends",
        "rotation_arc_doubled",
        "rotation_amount",
        {**LINE, "bend": 2},
        {"measured": {"rotation": 120.4}},
        {"measured": {"rotation": 120.6}},
        "/measured/rotation",
    ),
    (
        "twisted_between_bends",
        "rotation_arc_doubled",
        "rotation_amount",
        {**LINE, "bend": 2},
        {"measured": {"rotation": 30.4}},
        {"measured": {"rotation": 30.6}},
        "/measured/rotation",
    ),
    (
        "twisted_between_bends",
        "rotation_of_another_bend",
        "rotation_amount",
        {**LINE, "bend": 2},
        {"measured": {"rotation": -100.4}},
        {"measured": {"rotation": -100.6}},
        "/measured/rotation",
    ),
    # bend 3: −100° after 60°, so −40° from the first
    (
        "out_of_plane",
        "rotation_from_first",
        "rotation_amount",
        {**LINE, "bend": 3},
        {"measured": {"rotation": -40.4}},
        {"measured": {"rotation": -40.6}},
        "/measured/rotation",
    ),
    (
        "out_of_plane",
        "rotation_from_first",
        "rotation_amount",
        {**LINE, "bend": 3},
        {"measured": {"rotation": -160.4}},
        {"measured": {"rotation": -160.6}},
        "/measured/rotation",
    ),
    (
        "out_of_plane",
        "tube_turned_in_the_tools",
        "clamp_marks",
        LINE,
        *seen("measured", "clamp_marks", True, False),
    ),
    # this bender asks for a support from 900 mm
    (
        "out_of_plane",
        "long_tube_sagged",
        "long_tube",
        {**SOUND, "tube_behind": None},
        {"tube_behind": 900.1},
        {"tube_behind": 900},
        "/tube_behind",
    ),
    (
        "out_of_plane",
        "long_tube_sagged",
        "long_tube",
        {**SOUND, "tube_behind": 1500},
        {"set_up": {"supported": False}},
        {"set_up": {"supported": True}},
        "",
    ),
    (
        "radius_wrong",
        "another_die",
        "radius_amount",
        {**SOUND, "die": None, **die(radius=65), "springback": []},
        {"measured": {"radius": 65.4}},
        {"measured": {"radius": 64.4}},
        "/measured/radius",
    ),
    (
        "radius_wrong",
        "another_die",
        "die_radius",
        {**SOUND, "die": None},
        die(radius=60.1),
        die(radius=60.05),
        "/die",
    ),
    # 60/(1 − 0.016) = 60.9756
    (
        "radius_wrong",
        "springback_opens_the_radius",
        "radius_amount",
        SOUND,
        {"measured": {"radius": 61.4}},
        {"measured": {"radius": 61.5}},
        "/measured/radius",
    ),
    # half the outside diameter
    (
        "radius_wrong",
        "radius_to_the_surface",
        "radius_amount",
        SOUND,
        {"measured": {"radius": 50.4}},
        {"measured": {"radius": 50.6}},
        "/measured/radius",
    ),
]


def of_leg(
    cause: str, off: float, base: Body = LINE, leg: int = 2, wanted: float = LEG_2
) -> tuple[str, str, str, Body, Body, Body, str]:
    """A leg off by ``off``, and one off by 0.6 mm more, past the reading of 0.5 mm."""
    symptom = "leg_too_long" if off > 0 else "leg_too_short"
    further = off + math.copysign(0.6, off)
    bodies = [
        {"measured": {"legs": [{"leg": leg, "measured": wanted + by}]}} for by in (off, further)
    ]
    return symptom, cause, "leg_amount", base, bodies[0], bodies[1], "/measured/legs"


OFFSET = merged(LINE, die(mark_offset=7))
SETBACK_1, SETBACK_2 = 60.0, 60 * math.tan(math.pi / 8)
ARC_1 = 60 * math.pi / 2
GAIN_1 = 2 * SETBACK_1 - ARC_1
ENDS = {"end_1": [{"name": "flare", "length": 13}], "end_2": [], "trim": 17}
CASES += [
    of_leg("leg_off_by_set_back", SETBACK_2),
    of_leg("leg_off_by_set_back", -SETBACK_1),
    of_leg("leg_off_by_set_back", SETBACK_2 - 7, OFFSET),  # apex mark against the zero mark
    of_leg("leg_off_by_gain", GAIN_1),
    of_leg("leg_off_by_gain", -GAIN_1),
    of_leg("leg_off_by_half_gain", GAIN_1 / 2),
    of_leg("leg_off_by_die_offset", -7, OFFSET),
    of_leg("leg_off_by_die_offset", -14, OFFSET),
    # (90.8°/0.984 − 90°) on 60 mm
    of_leg("leg_off_by_springback", 60 * math.radians(90.8 / 0.984 - 90)),
    of_leg("leg_off_by_springback", -60 * math.radians(90.8 / 0.984 - 90)),
    of_leg("leg_off_by_end_allowance", -13, {**LINE, "ends": ENDS}, 1, 180),
    of_leg("leg_off_by_end_allowance", 17, {**LINE, "ends": ENDS}, 4, 210 + 60 / math.sqrt(3)),
    of_leg("leg_off_by_stretch", 0.04 * ARC_1, {**LINE, "stretch": 0.04}),
    of_leg("leg_off_by_arc", -60 * math.pi / 4 / 2),
    # leg 2 from the other end is leg 3
    of_leg("leg_from_wrong_end", 90 + SETBACK_2 + 60 / math.sqrt(3) - LEG_2),
    # R + 8 at both ends: (R′ − R)(tan 45° + tan 22.5° − π/2)
    of_leg(
        "leg_with_another_radius",
        8 * (1 + math.tan(math.pi / 8) - math.pi / 2),
        merged(LINE, die(radius=68)),
    ),
    # bend 1 at 100° instead of 90°: R(tan 50° − tan 45° − 10°)
    of_leg(
        "leg_with_another_angle",
        60 * (math.tan(math.radians(50)) - 1 - math.radians(10)),
        merged(LINE, {"measured": {"angle": 100}}),
    ),
    of_leg(
        "leg_sprung_open",
        60 * 0.1 / 0.9 * (1 + math.tan(math.pi / 8) - math.pi / 2),
        {**LINE, "springback": [{"proportional": 0.1}]},
    ),
    of_leg("leg_measured_to_the_surface", 20),
    of_leg("leg_measured_to_the_surface", -10),
    of_leg("leg_from_a_begun_rule", -100),
    of_leg("leg_from_a_begun_rule", 25.4),
]
TWO_LEGS = {"measured": {"legs": [{"leg": 2, "measured": LEG_2 - 30}, {"leg": 3, "measured": 0}]}}


def two(leg: int, wanted: float, off: float) -> Body:
    legs = [{"leg": 2, "measured": LEG_2 - 33}, {"leg": leg, "measured": wanted + off}]
    return {"measured": {"legs": legs}}


LEG_3 = 90 + SETBACK_2 + 60 / math.sqrt(3)
SHORT = merged(LINE, {"measured": {"legs": [{"leg": 2, "measured": LEG_2 - 33}]}})
LONG_1 = merged(LINE, {"measured": {"legs": [{"leg": 2, "measured": LEG_2 + SETBACK_2}]}})
CASES += [
    (
        "leg_too_short",
        "leg_lost_by_slip",
        "legs_trade",
        LINE,
        two(3, LEG_3, 33.9),
        two(3, LEG_3, 34.1),
        "/measured/legs",
    ),
    (
        "leg_too_short",
        "leg_lost_by_slip",
        "slip_side",
        LINE,
        {"measured": {"legs": [{"leg": 1, "measured": 178}]}},
        {"measured": {"legs": [{"leg": 4, "measured": 240}]}},  # the last leg is never clamped
        "/measured/legs",
    ),
    (
        "leg_too_short",
        "leg_lost_by_slip",
        "clamp_marks",
        SHORT,
        *seen("measured", "clamp_marks", True, False),
    ),
    (
        "leg_too_short",
        "leg_errors_added_up",
        "marked_as_you_go",
        SHORT,
        {"measure": "as_you_go"},
        {"measure": "from_end"},
        "",
    ),
    (
        "leg_too_long",
        "leg_off_by_set_back",
        "mark_reference",
        LONG_1,
        {"set_up": {"marked": "apex", "set_at": "start"}},
        {"set_up": {"marked": "apex", "set_at": "apex"}},
        "/set_up/marked",
    ),
    (
        "leg_too_long",
        "leg_off_by_half_gain",
        "mark_reference",
        LONG_1,
        {"set_up": {"marked": "apex", "set_at": "arc_centre"}},
        {"set_up": {"marked": "end", "set_at": "arc_centre"}},
        "/set_up/set_at",
    ),
    (
        "leg_too_long",
        "leg_off_by_arc",
        "mark_reference",
        LONG_1,
        {"set_up": {"marked": "end", "set_at": "start"}},
        {"set_up": {"marked": "start", "set_at": "zero_mark"}},
        "/set_up/set_at",
    ),
    (
        "leg_too_long",
        "leg_from_wrong_end",
        "end_marked_from",
        LONG_1,
        *seen("set_up", "marked_from", "end_2", "end_1"),
    ),
    # bend 2 alone a set-back on: leg 3 lost what leg 2 gained
    (
        "leg_too_long",
        "leg_off_by_set_back",
        "other_legs",
        LINE,
        {
            "measured": {
                "legs": [
                    {"leg": 2, "measured": LEG_2 + SETBACK_2},
                    {"leg": 3, "measured": LEG_3 - SETBACK_2 + 0.4},
                ]
            }
        },
        {
            "measured": {
                "legs": [
                    {"leg": 2, "measured": LEG_2 + SETBACK_2},
                    {"leg": 3, "measured": LEG_3 - SETBACK_2 + 0.6},
                ]
            }
        },
        "/measured/legs",
    ),
]
NAMES = [f"{case[0]}: {case[1]} by {case[2]}" for case in CASES]


@pytest.mark.parametrize(
    ("symptom", "cause", "test", "base", "supports", "contradicts", "silent"), CASES, ids=NAMES
)
def test_evidence_on_both_sides_of_its_limit(
    post: Post,
    *,
    symptom: str,
    cause: str,
    test: str,
    base: Body,
    supports: Body,
    contradicts: Body,
    silent: str,
) -> None:
    start = {k: v for k, v in {**base, "symptom": symptom}.items() if v is not None}
    speaking = post(URL, merged(start, supports))
    assert evidence_of(speaking, cause, test)["verdict"] == "supports"
    against = post(URL, merged(start, contradicts))
    assert evidence_of(against, cause, test)["verdict"] == "contradicts"
    assert row_of(speaking, cause)["score"] > row_of(against, cause)["score"]
    if silent:
        without = post(URL, start)
        found = evidence_of(without, cause, test)
        assert found["verdict"] == "silent"
        assert silent in found["missing"]
        listed = {one["pointer"]: one for one in without["result"]["missing"]}
        assert cause in listed[silent]["causes"]
        assert len(listed[silent]["text"]) > 10


def test_every_symptom_and_every_test_is_tried_on_both_sides() -> None:
    assert {case[0] for case in CASES} == set(get_args(Symptom))
    weighed = {(c.id, t) for c in faults().causes.values() for t, _ in c.tests}
    assert {test for _, test in weighed} == {case[2] for case in CASES}
    # every cause that predicts an amount, by its own prediction
    amounts = {pair for pair in weighed if pair[1].endswith("_amount")}
    assert amounts - {(case[1], case[2]) for case in CASES} == set()


# --- rank and ties -------------------------------------------------------------------------------


def test_gain_next_to_the_die_offset_is_told_as_a_tie(post: Post) -> None:
    # R = 45 mm, 60°: gain 4.8376 mm (handbook trigonometry); a die offset of 4.8 mm is as near
    run = {
        "bends": [
            {"straight": 100, "angle": 60, "radius": 45},
            {"straight": 100, "rotation": 90, "angle": 80, "radius": 45},
        ],
        "last_straight": 100,
    }
    wanted = 100 + 45 * (math.tan(math.radians(30)) + math.tan(math.radians(40)))
    body: Body = {
        "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
        "run": run,
        "die": {
            "tube_outside_diameter": 15,
            "radius": 45,
            "largest_angle": 190,
            "mark_offset": 4.8,
        },
        "symptom": "leg_too_long",
        "measured": {"legs": [{"leg": 2, "measured": wanted + 4.82}]},
    }
    answer = post(URL, body)
    first = [c for c in answer["result"]["causes"] if c["rank"] == 1]
    # 0.018 mm from the gain, 0.02 mm from the offset
    assert [c["cause"] for c in first] == ["leg_off_by_gain", "leg_off_by_die_offset"]
    assert all(c["tied"] for c in first)
    codes = {f["code"]: f for f in answer["findings"]}
    assert codes["fault_causes_tied"]["severity"] == "needs_care"
    # one mark displaced spoils two legs, a gain left in and cut off spoils one
    assert answer["result"]["telling_legs"] == [1, 3]
    nominal = {leg: 100 + 45 * math.tan(math.radians(a)) for leg, a in ((1, 30), (3, 40))}

    def first_with(**off: float) -> list[str]:
        more = [{"leg": int(k[-1]), "measured": nominal[int(k[-1])] + by} for k, by in off.items()]
        measured = {"legs": [*body["measured"]["legs"], *more]}
        causes = post(URL, {**body, "measured": measured})["result"]["causes"]
        return [c["cause"] for c in causes if c["rank"] == 1]

    assert first_with(leg_1=0.2, leg_3=-0.2) == ["leg_off_by_gain"]
    # a gain left in the marks and not in the cut looks the same as the offset there, too
    assert set(first_with(leg_1=0.2, leg_3=-4.8)) == {"leg_off_by_gain", "leg_off_by_die_offset"}


def test_a_stated_reference_decides_between_near_amounts(post: Post) -> None:
    body = merged(LONG_1, {"symptom": "leg_too_long"})
    plain = row_of(post(URL, body), "leg_off_by_set_back")
    body["set_up"] = {"marked": "apex", "set_at": "start"}
    stated = row_of(post(URL, body), "leg_off_by_set_back")
    assert stated["score"] == plain["score"] + 1
    ways = evidence_of(post(URL, body), "leg_off_by_set_back", "leg_amount")["ways"]
    assert "apex_mark_used_as_start" in {way["code"] for way in ways}
    assert any(way["bend"] == 2 for way in ways)


def test_predicted_springback_stands_with_its_band(post: Post) -> None:
    body = {**SOUND, "springback": [], "symptom": "angle_short", "set_up": {"angle": 90}}
    spread = []
    for angle in [x / 10 for x in range(860, 896)]:
        answer = post(URL, {**body, "measured": {"angle": angle}})
        if evidence_of(answer, "springback_left_out", "angle_amount")["verdict"] == "supports":
            spread.append(angle)
    # wider than the reading of ±0.5° alone
    assert max(spread) - min(spread) > 1.05


def test_groove_right_by_name_only_a_gauge_tells(post: Post) -> None:
    found = evidence_of(
        post(URL, {**SOUND, "symptom": "flattened"}), "groove_too_wide", "groove_wide"
    )
    assert (found["verdict"], found["code"]) == ("silent", "groove_right_by_name")
    other = {**SOUND, "symptom": "flattened", "die": "d22-r65"}
    assert evidence_of(post(URL, other), "groove_too_wide", "groove_wide")["verdict"] == "supports"


def test_limits_of_the_shop_move_the_evidence(post: Post) -> None:
    body = {**SOUND, "symptom": "flattened", "set_up": {"groove_clearance": 0.3}}
    wide = evidence_of(post(URL, body), "groove_too_wide", "groove_wide")
    body["limits"] = {"groove_clearance": 1.6}
    right = evidence_of(post(URL, body), "groove_too_wide", "groove_wide")
    assert (wide["verdict"], right["verdict"]) == ("supports", "contradicts")
    heavy = {**SOUND, "symptom": "hard_to_crank", "limits": {"high_utilisation": 50}}
    light = {**heavy, "limits": {"high_utilisation": 99}}
    verdicts = [
        evidence_of(post(URL, b), "load_too_high", "load_high")["verdict"] for b in (heavy, light)
    ]
    assert verdicts == ["supports", "contradicts"]


# --- findings ------------------------------------------------------------------------------------


def test_findings_on_each_side(post: Post) -> None:
    bare = {"symptom": "scratched", "tube": SOUND["tube"]}
    assert codes(post(URL, bare)) == {"fault_not_explained", "fault_data_missing"}
    dirty = {**bare, "set_up": {"cleaned": False}}
    assert "fault_one_cause_ahead" in codes(post(URL, dirty))
    both = {**bare, "set_up": {"cleaned": False, "lubricated": False}}
    assert "fault_causes_tied" in codes(post(URL, both))
    assert "profile_invented" in codes(post(URL, {**dirty, "die": "d20-r60"}))
    assert "profile_invented" not in codes(post(URL, dirty))


@pytest.mark.parametrize(
    ("symptom", "inside", "outside"),
    [
        ("angle_short", {"angle": 89.5}, {"angle": 89.49}),
        ("angle_past", {"angle": 90.5}, {"angle": 90.51}),
        ("radius_wrong", {"radius": 60.5}, {"radius": 60.51}),
        (
            "leg_too_long",
            {"legs": [{"leg": 1, "measured": 180.5}]},
            {"legs": [{"leg": 1, "measured": 180.51}]},
        ),
        (
            "leg_too_short",
            {"legs": [{"leg": 1, "measured": 179.5}]},
            {"legs": [{"leg": 1, "measured": 179.49}]},
        ),
    ],
)
def test_a_deviation_within_the_reading_is_no_fault(
    post: Post, symptom: str, inside: Body, outside: Body
) -> None:
    base = {**LINE, "symptom": symptom}
    assert "fault_within_reading" in codes(post(URL, {**base, "measured": inside}))
    assert "fault_within_reading" not in codes(post(URL, {**base, "measured": outside}))


def test_rotation_within_the_reading_is_no_fault(post: Post) -> None:
    base = {**LINE, "bend": 2, "symptom": "out_of_plane"}
    assert "fault_within_reading" in codes(post(URL, {**base, "measured": {"rotation": 60.5}}))
    assert "fault_within_reading" not in codes(post(URL, {**base, "measured": {"rotation": 60.51}}))


def test_ovality_is_held_against_its_limit(post: Post) -> None:
    # (Dmax − Dmin)/D: 3.04/38 = 8 %
    base = {**THIN, "symptom": "flattened"}
    within = {"largest_diameter": 39, "least_diameter": 35.961}
    past = {"largest_diameter": 39, "least_diameter": 35.959}
    assert "fault_ovality_within_limit" in codes(post(URL, {**base, "measured": within}))
    assert "fault_ovality_past_limit" in codes(post(URL, {**base, "measured": past}))


# --- fields --------------------------------------------------------------------------------------

FULL: Body = {
    **LINE,
    "symptom": "leg_too_long",
    "bend": 2,
    "stretch": 0.01,
    "ends": ENDS,
    "mandrel_used": True,
    "mandrel": {"clearance": 0.3, "lead": 2, "nose": "rounded", "corner_radius": 2},
    "set_up": {
        "angle": 47,
        "marked": "start",
        "set_at": "start",
        "marked_from": "end_1",
        "groove_clearance": 0.1,
        "clamped_length": 50,
        "pressure_die": "snug",
        "seam": "none",
        "clamp_dry": True,
        "lubricated": True,
        "cleaned": True,
        "zero_set": True,
        "supported": True,
    },
    "measured": {
        "angle": 45,
        "radius": 60,
        "rotation": 60,
        "largest_diameter": 20.5,
        "least_diameter": 19.5,
        "wall_outside": 2.2,
        "legs": [{"leg": 2, "measured": LEG_2 + 3}],
        "clamp_marks": False,
    },
    "reading": {"length": 0.5, "angle": 0.5},
    "limits": {"groove_clearance": 1, "high_utilisation": 80},
}
SINGLE: Body = merged(
    {**SOUND, "symptom": "leg_too_long"},
    {"measured": {"legs": [{"leg": 1, "measured": 300, "wanted": 295}]}},
)
BOUNDARIES: list[tuple[Body, Field, Any, Any]] = [
    (FULL, ("bend",), 3, 4),
    (FULL, ("bend",), 1, 0),
    (FULL, ("set_up", "angle"), 0.01, 0.009),
    (FULL, ("set_up", "angle"), 360, 360.01),
    (FULL, ("set_up", "groove_clearance"), -50, -50.1),
    (FULL, ("set_up", "groove_clearance"), 50, 50.1),
    (FULL, ("set_up", "clamped_length"), 0, -0.1),
    (FULL, ("set_up", "clamped_length"), 100_000, 100_001),
    (FULL, ("measured", "angle"), 0.01, 0.009),
    (FULL, ("measured", "angle"), 360, 360.01),
    (FULL, ("measured", "radius"), 0.01, 0.009),
    (FULL, ("measured", "radius"), 10_000, 10_001),
    (FULL, ("measured", "rotation"), -180, -180.1),
    (FULL, ("measured", "rotation"), 180, 180.1),
    (FULL, ("measured", "largest_diameter"), 1000, 1000.1),
    (FULL, ("measured", "least_diameter"), 0.001, 0.0009),
    (FULL, ("measured", "least_diameter"), 20.5, 20.6),
    (FULL, ("measured", "wall_outside"), 0.0001, 0.00009),
    (FULL, ("measured", "wall_outside"), 1000, 1000.1),
    (FULL, ("measured", "legs", 0, "leg"), 4, 5),
    (FULL, ("measured", "legs", 0, "leg"), 1, 0),
    (FULL, ("measured", "legs", 0, "measured"), 100_000, 100_001),
    (FULL, ("reading", "length"), 0.0001, 0.00009),
    (FULL, ("reading", "length"), 100, 100.1),
    (FULL, ("reading", "angle"), 0.001, 0.0009),
    (FULL, ("reading", "angle"), 20, 20.1),
    (FULL, ("limits", "groove_clearance"), 0, -0.1),
    (FULL, ("limits", "groove_clearance"), 100, 100.1),
    (FULL, ("limits", "high_utilisation"), 1, 0.9),
    (FULL, ("limits", "high_utilisation"), 1000, 1000.1),
    (FULL, ("mandrel", "lead"), 67.4, 67.6),  # R + d/2 = 60 + 7.5: past the bend
    (FULL, ("stretch",), 0.2, 0.21),
    (SINGLE, ("measured", "legs", 0, "wanted"), 0, -0.1),
    (SINGLE, ("measured", "legs", 0, "wanted"), 300.5, 100_001),
    (SINGLE, ("radius",), 10.1, 10),
    (SINGLE, ("angle",), 350, 350.1),
    (SINGLE, ("tube_behind",), 100_000, 100_001),
]


@pytest.mark.parametrize(("body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, body: Body, field: Field, inside: Any, outside: Any
) -> None:
    if field in {("measured", "legs", 0, "measured"), ("measured", "legs", 0, "leg")}:
        body = changed(body, ("measured", "legs", 0, "measured"), 2000)
    pointer = pointer_past(client, URL, body, field, inside, outside)
    assert pointer.startswith(f"/{field[0]}")


@pytest.mark.parametrize(
    ("changes", "code", "pointer"),
    [
        ({"symptom": "bent"}, "not_a_choice", "/symptom"),
        ({"bend": 4}, "fault_bend_unknown", "/bend"),
        ({"mandrel_used": False}, "mandrel_described_but_not_used", "/mandrel_used"),
        (
            {"measured": {"legs": [{"leg": 5, "measured": 9}]}},
            "fault_leg_unknown",
            "/measured/legs/0/leg",
        ),
        (
            {"measured": {"legs": [{"leg": 2, "measured": 400}] * 2}},
            "fault_leg_twice",
            "/measured/legs/1/leg",
        ),
        (
            {"measured": {"legs": [{"leg": 2, "measured": 400, "wanted": 300}]}},
            "fault_wanted_leg_with_run",
            "/measured/legs/0/wanted",
        ),
        (
            {"measured": {"least_diameter": 20.6}},
            "fault_diameters_crossed",
            "/measured/least_diameter",
        ),
        ({"symptom": "leg_too_short"}, "symptom_not_as_measured", "/symptom"),
        (
            {"symptom": "angle_past", "measured": {"angle": 44}},
            "symptom_not_as_measured",
            "/symptom",
        ),
        ({"radius": 60}, "run_and_single_bend", "/radius"),
        ({"springback": [{"constant": 1}] * 2}, "springback_twice", "/springback/1"),
        ({"set_up": {"pressure_die": "soft"}}, "not_a_choice", "/set_up/pressure_die"),
        ({"set_up": {"lubricated": "yes"}}, "not_a_flag", "/set_up/lubricated"),
        ({"surprise": 1}, "unknown_field", "/surprise"),
        ({"mandrel": {"clearance": 20}}, "mandrel_does_not_fit", "/mandrel/clearance"),
    ],
)
def test_each_refusal_names_code_and_pointer(
    client: FlaskClient, changes: Body, code: str, pointer: str
) -> None:
    response = client.post(URL, json=merged(FULL, changes))
    assert response.status_code == 422
    entries = {entry["code"]: entry for entry in response.get_json()["errors"]}
    assert code in entries, entries
    assert entries[code]["pointer"] == pointer
    assert len(entries[code]["detail"]) > 20


def test_refusals_that_need_another_body(client: FlaskClient) -> None:
    one_only = copy.deepcopy(FULL)
    del one_only["measured"]["least_diameter"]
    no_wanted = changed(SINGLE, ("measured", "legs"), [{"leg": 1, "measured": 300}])
    half_turn: Body = {
        "symptom": "leg_too_long",
        "tube": SOUND["tube"],
        "run": {"bends": [{"straight": 100, "angle": 180, "radius": 60}], "last_straight": 100},
        "measured": {"legs": [{"leg": 1, "measured": 105}]},
    }
    straight = {**LINE, "symptom": "leg_too_long", "run": {"bends": [], "last_straight": 300}}
    wanted = (
        (straight, "fault_run_without_bend", "/run"),
        (one_only, "one_diameter_only", "/measured/least_diameter"),
        (no_wanted, "fault_wanted_leg_missing", "/measured/legs/0/wanted"),
        (half_turn, "fault_leg_without_apex", "/measured/legs/0/leg"),
        (
            {**SINGLE, "springback": [{"constant": 30}], "angle": 340},
            "springback_out_of_range",
            "/springback",
        ),
    )
    for body, code, pointer in wanted:
        assert code_and_pointer(client, URL, body) == (code, pointer)
    # the straight of a half turn can be judged
    half_turn["measured"]["legs_to"] = "tangent"
    assert client.post(URL, json=half_turn).status_code == 200


def test_a_bare_symptom_is_answered_with_what_is_missing(post: Post) -> None:
    for symptom in get_args(Symptom):
        result = post(URL, {"symptom": symptom, "tube": SOUND["tube"]})["result"]
        assert {c["cause"] for c in result["causes"]} == set(faults().symptoms[symptom])
        assert result["missing"], symptom
        assert all(c["state"] != "supported" for c in result["causes"])


# --- units, bytes, languages ---------------------------------------------------------------------


def no_lengths(value: Any, key: str = "") -> Any:
    """The answer without what has a unit: lengths as numbers, texts, units."""
    if isinstance(value, dict):
        if value.keys() == {"value", "unit"}:
            factor = {"mm": 1, "in": 25.4, "N": 1, "lbf": 4.4482216152605}.get(value["unit"], 1)
            return pytest.approx(value["value"] * factor, rel=1e-9, abs=1e-9)
        skipped = {"text", "units", "version", "title", "cure", "basis"}
        return {k: no_lengths(v, k) for k, v in value.items() if k not in skipped}
    if isinstance(value, list):
        return [no_lengths(v) for v in value]
    if key in {"leg_deviation", "radius_deviation"} and value is not None:
        return None
    return pytest.approx(value, rel=1e-9, abs=1e-9) if isinstance(value, float) else value


@pytest.mark.parametrize("symptom", get_args(Symptom))
def test_inches_and_millimetres_agree(post: Post, symptom: str) -> None:
    off = -3 if symptom == "leg_too_short" else 3
    body = changed({**FULL, "symptom": symptom}, ("measured", "legs", 0, "measured"), LEG_2 + off)
    inch = post(URL, in_inches(body))
    metric = post(URL, body)
    assert inch["units"] == "inch"
    assert no_lengths(metric) == no_lengths(inch)
    assert inch["result"]["leg_deviation"] * 25.4 == pytest.approx(off)


def test_same_body_gives_the_same_bytes(client: FlaskClient) -> None:
    assert client.post(URL, json=FULL).data == client.post(URL, json=FULL).data


def test_the_example_names_its_cause(post: Post) -> None:
    answer = post(URL, EXAMPLE)
    first = answer["result"]["causes"][0]
    assert first["cause"] == "leg_off_by_gain"
    assert first["trust"] == "derived"
    assert answer["basis"][0]["id"] == "fault-score"
    assert "+1 supports" in answer["basis"][0]["formula"]
    assert fault_finding.fault_finding.__doc__


def test_german_is_german(client: FlaskClient) -> None:
    english = client.post(URL, json=FULL).get_json()
    response = client.post(URL, json=FULL, headers={"Accept-Language": "de"})
    german = response.get_json()
    assert response.headers["Content-Language"] == "de"
    for a, b in zip(english["result"]["causes"], german["result"]["causes"], strict=True):
        assert a["score"] == b["score"]
        for name in ("title", "check_first", "cure"):
            assert a[name] != b[name]
        for one, other in zip(a["evidence"], b["evidence"], strict=True):
            assert one["text"] != other["text"]
            assert one["value"] == other["value"]
    refused = client.post(
        URL, json={**FULL, "symptom": "leg_too_short"}, headers={"Accept-Language": "de"}
    )
    assert "Schenkel zu kurz" in refused.get_json()["errors"][0]["detail"]


# --- upkeep --------------------------------------------------------------------------------------


def test_upkeep_is_listed_with_its_source(client: FlaskClient) -> None:
    response = client.get("/v1/upkeep")
    answer = response.get_json()
    rows = {row["id"]: row for row in answer["result"]["upkeep"]}
    assert list(rows) == list(upkeep())
    assert rows["inspect-grooves"]["every_bends"] == 500
    assert rows["clean-grooves"]["every_hours"] is None
    assert {row["trust"] for row in rows.values()} == {"common practice"}
    assert [source["id"] for source in answer["sources"]] == ["common-practice"]
    assert answer["cautions"]
    again = client.get("/v1/upkeep", headers={"If-None-Match": response.headers["ETag"]})
    assert again.status_code == 304
    german = client.get("/v1/upkeep", headers={"Accept-Language": "de"})
    assert german.headers["ETag"] != response.headers["ETag"]
    assert (
        german.get_json()["result"]["upkeep"][0]["title"] != answer["result"]["upkeep"][0]["title"]
    )


def test_upkeep_of_a_cause_is_listed(client: FlaskClient, post: Post) -> None:
    listed = {row["id"] for row in client.get("/v1/upkeep").get_json()["result"]["upkeep"]}
    causes = post(URL, {**SOUND, "symptom": "scratched"})["result"]["causes"]
    named = {task for cause in causes for task in cause["upkeep"]}
    assert named
    assert named <= listed


def test_upkeep_takes_no_query(client: FlaskClient) -> None:
    assert client.get("/v1/upkeep?units=inch").status_code == 422
