"""Amounts that a fault is explained by, against figures from outside this project."""

from __future__ import annotations

import math
from typing import Any

import pytest
from conftest import Post

URL = "/v1/fault-finding"
Body = dict[str, Any]


def way(answer: Body, cause: str, test: str, code: str) -> float:
    """What one way of a cause makes of the measure."""
    row = next(c for c in answer["result"]["causes"] if c["cause"] == cause)
    evidence = next(e for e in row["evidence"] if e["test"] == test)
    amount: float = next(w["amount"]["value"] for w in evidence["ways"] if w["code"] == code)
    return amount


# Handbook trigonometry of a bend, R = 45 mm, θ = 60°: tangent length R·tan(θ/2) = 25.980762 mm, arc
# R·θ = 47.123890 mm, so the way over the apex is longer by 4.8376344 mm.
@pytest.mark.parametrize(
    ("cause", "code", "leg", "off"),
    [
        ("leg_off_by_set_back", "apex_mark_used_as_start", 1, 25.980762),
        ("leg_off_by_gain", "gain_of_bend_not_taken_off", 2, 4.8376344),
        ("leg_off_by_half_gain", "half_gain_not_taken_off", 2, 2.4188172),
        ("leg_off_by_arc", "end_mark_used_as_start", 1, 47.123890),
    ],
)
def test_amounts_of_a_bend_of_60_degrees(
    post: Post, cause: str, code: str, leg: int, off: float
) -> None:
    body = {
        "symptom": "leg_too_long",
        "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
        "radius": 45,
        "angle": 60,
        "measured": {"legs": [{"leg": leg, "measured": 200 + off, "wanted": 200}]},
    }
    answer = post(URL, body)
    assert way(answer, cause, "leg_amount", code) == pytest.approx(off, abs=5e-7)
    assert answer["result"]["causes"][0]["cause"] == cause


# Elastic unloading after bending (Timoshenko; Marciniak, Duncan and Hu), elastic–perfectly plastic
# tube 20 × 2, E = 210 000 MPa, Y = 235 MPa, die radius 60 mm, worked by hand and by quadrature:
# M = 152 905.254 N·mm, I = 4636.99076 mm⁴, K = 0.990578542, so 90° springs back by 0.847931° and
# the radius opens to 60.570664 mm.
STEEL: Body = {
    "name": "steel",
    "elastic_modulus": 210_000,
    "density": 7.85,
    "yield_strength": 235,
}


def test_springback_left_out_of_a_bend_of_90_degrees(post: Post) -> None:
    body = {
        "symptom": "angle_short",
        "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": STEEL},
        "radius": 60,
        "angle": 90,
        "set_up": {"angle": 90},
        "measured": {"angle": 90 - 0.847931},
        "reading": {"angle": 0.01},
    }
    answer = post(URL, body)
    assert answer["result"]["causes"][0]["cause"] == "springback_left_out"
    amount = way(answer, "springback_left_out", "angle_amount", "springback_left_out")
    assert amount == pytest.approx(-0.847931, abs=5e-7)


def test_radius_that_sprang_open(post: Post) -> None:
    body = {
        "symptom": "radius_wrong",
        "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": STEEL},
        "radius": 60,
        "measured": {"radius": 60.570664},
        "reading": {"length": 0.01},
    }
    answer = post(URL, body)
    assert answer["result"]["causes"][0]["cause"] == "springback_opens_the_radius"
    amount = way(answer, "springback_opens_the_radius", "radius_amount", "radius_sprung_open")
    assert amount == pytest.approx(0.570664, abs=5e-7)


def evidence_value(answer: Body, cause: str, test: str, name: str) -> float:
    row = next(c for c in answer["result"]["causes"] if c["cause"] == cause)
    evidence = next(e for e in row["evidence"] if e["test"] == test)
    value: float = evidence[name]["value"]
    return value


def test_contact_of_the_mandrel_nose(post: Post) -> None:
    # Drawn as circles: tube 38 × 1.5 (bore 35) on R = 76, mandrel 34.7 with a sharp nose, inner
    # face of the outer wall at R + 17.5, nose at R + 17.35: √(93.5² − 93.35²) = 5.294100
    body = {
        "symptom": "split_or_thinned_outside",
        "tube": {"outside_diameter": 38, "wall_thickness": 1.5},
        "radius": 76,
        "mandrel": {"lead": 6, "body_diameter": 34.7},
    }
    answer = post(URL, body)
    limit = evidence_value(answer, "nose_too_far_forward", "nose_ahead", "limit")
    assert limit == pytest.approx(math.sqrt(93.5**2 - 93.35**2), rel=1e-12)
    assert limit == pytest.approx(5.294100, abs=5e-7)


def test_wall_that_constant_volume_leaves(post: Post) -> None:
    # 20 × 2 on R = 60, section held: t·R/(R + r_m) = 120/69 = 1.739130 (constant volume)
    body = {
        "symptom": "split_or_thinned_outside",
        "tube": {"outside_diameter": 20, "wall_thickness": 2},
        "radius": 60,
        "measured": {"wall_outside": 1.7},
    }
    limit = evidence_value(post(URL, body), "drawn_thin", "wall_below_bounds", "limit")
    assert limit == pytest.approx(1.739130, abs=5e-7)


def test_flattening_against_the_limit_of_asme_b31_3(post: Post) -> None:
    # ASME B31.3 332.2.1 (from memory): (Dmax − Dmin)/D up to 8 % under internal pressure
    body = {
        "symptom": "flattened",
        "tube": {"outside_diameter": 50, "wall_thickness": 5},
        "radius": 150,
        "measured": {"largest_diameter": 52, "least_diameter": 48},
    }
    found = {f["code"]: f for f in post(URL, body)["findings"]}
    assert found["fault_ovality_within_limit"]["limit"]["value"] == pytest.approx(8)
