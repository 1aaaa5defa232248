"""What a review says in words is on the safe side: whoever sets the number that is printed passes.

Each cure that has a number is read from its sentence as a person reads it, in mm or in inches, put
into the body, and the body is sent again: the check that failed fails no longer.
"""

from __future__ import annotations

import copy
import math
import re
from decimal import Decimal
from typing import Any

import pytest
from conftest import Post
from flask.testing import FlaskClient
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.api.bend_review.numbers import compared_numbers
from service.calc.bend_rules import Check, above, below
from service.errors import Amount, Kind

PATH = "/v1/bend-review"
INCH = 25.4
PSI = 4.4482216152605 / INCH**2
RANK = {"ok": 0, "needs_care": 1, "blocks": 2}
NUMBER = re.compile(r"(\d+(?:\.\d+)?) ?(?:mm|in|MPa|psi|°)(?![a-z])")
RADII = (40.0, 60.0, 120.0)
# enough for a fault at one number in a hundred; each example is some requests
SOME = settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


class Units:
    """Numbers of this test, in mm and MPa, as a body has them."""

    def __init__(self, system: str) -> None:
        self.system = system
        self.length, self.pressure = (1.0, 1.0) if system == "metric" else (INCH, PSI)

    def mm(self, value: float) -> float:
        return value / self.length

    def mpa(self, value: float) -> float:
        return value / self.pressure


each_system = pytest.mark.parametrize("system", ["metric", "inch"])


def bender(units: Units, **more: Any) -> dict[str, Any]:
    mm = units.mm
    dies = [
        {
            "tube_outside_diameter": mm(20),
            "radius": mm(radius),
            "largest_angle": 175,
            "clamp_length": mm(clamp),
            "pressure_die_length": mm(110),
        }
        for radius, clamp in zip(RADII, (50, 42, 71.37), strict=True)
    ]
    return {
        "least_outside_diameter": mm(6),
        "largest_outside_diameter": mm(25),
        "largest_angle": 180,
        "dies": dies,
        "rated_tubes": [
            {"outside_diameter": mm(20), "wall_thickness": mm(2.2), "material": "e235-n"}
        ],
        "longest_tube": mm(3000),
        **more,
    }


def check_of(answer: dict[str, Any], like: dict[str, Any]) -> dict[str, Any]:
    names = ("rule", "bend", "straight", "end")
    found = [c for c in answer["result"]["checks"] if all(c[n] == like[n] for n in names)]
    assert len(found) == 1, like
    only: dict[str, Any] = found[0]
    return only


def number_in(text: str) -> float:
    (number,) = NUMBER.findall(text)
    return float(number)


def put_into(body: dict[str, Any], check: dict[str, Any], cure: dict[str, Any]) -> bool:
    """Do what the sentence says; False for a cure of another sort."""
    if cure["value"] is None or cure["change"] in {"move_apart", "tube_length", "radius", "leg"}:
        return False
    value, run = number_in(cure["text"]), body["run"]
    if cure["change"] == "straight":
        rows, number = run["bends"], cure["straight"]
        if number <= len(rows):
            rows[number - 1]["straight"] = value
        else:
            run["last_straight"] = value
    elif cure["change"] == "end_length":
        entry = {"name": "grip", "length": value}
        body.setdefault("ends", {}).setdefault(cure["end"], []).append(entry)
    elif cure["change"] == "angle":
        run["bends"][check["bend"] - 1]["angle"] = value
    elif cure["change"] == "pressure":
        body["pressure"] = value
    elif cure["change"] in {"thinner_wall", "thicker_wall"}:
        body["tube"]["wall_thickness"] = value
    else:
        assert cure["change"] == "outside_diameter"
        body["tube"]["outside_diameter"] = value
    return True


def followed(post: Post, body: dict[str, Any]) -> int:
    """Follow every cure of every check that fails, each by itself; how many were followed."""
    answer, done = post(PATH, body), 0
    for check in answer["result"]["checks"]:
        for cure in check["cures"]:
            changed = copy.deepcopy(body)
            if put_into(changed, check, cure):
                after = check_of(post(PATH, changed), check)
                assert RANK[after["severity"]] < RANK[check["severity"]], (cure, check, after)
                done += 1
    return done


lengths = st.floats(1, 110)


@each_system
@SOME
@given(
    straights=st.lists(lengths, min_size=2, max_size=4),
    radii=st.lists(st.sampled_from(RADII), min_size=3, max_size=3),
    angle=st.floats(5, 179),
    extra=st.floats(0, 3),
)
def test_a_straight_an_allowance_or_an_angle_as_printed_passes(
    post: Post,
    system: str,
    straights: list[float],
    radii: list[float],
    angle: float,
    extra: float,
) -> None:
    units = Units(system)
    *before, last = straights
    rows = [
        {"straight": units.mm(s), "angle": angle, "rotation": 40.0 * bool(i), "radius": units.mm(r)}
        for i, (s, r) in enumerate(zip(before, radii, strict=False))
    ]
    fitting = {"kind": "cone_24", "nut_length": units.mm(17 + extra), "insertion": units.mm(7.1)}
    body = {
        "units": system,
        "tube": {
            "outside_diameter": units.mm(20),
            "wall_thickness": units.mm(2),
            "material": "e235-n",
        },
        "bender": bender(units),
        "run": {"bends": rows, "last_straight": units.mm(last)},
        "ends": {"end_1": [{"name": "face", "length": units.mm(extra)}]},
        "fittings": {"end_1": fitting, "end_2": fitting},
        "springback": [{"constant": 0.8137, "proportional": 0.01423}],
        "stretch": 0.021,
        "most_variants": 0,
    }
    followed(post, body)


@each_system
@SOME
@given(
    diameter=st.floats(19.0, 27.0),
    wall=st.floats(0.4, 4.5),
    pressure=st.floats(1, 90),
    design_factor=st.floats(2, 6),
    bent=st.booleans(),
)
def test_a_wall_a_pressure_or_a_diameter_as_printed_passes(
    post: Post,
    system: str,
    diameter: float,
    wall: float,
    pressure: float,
    design_factor: float,
    *,
    bent: bool,
) -> None:
    units = Units(system)
    rows = [{"straight": units.mm(150), "angle": 100, "radius": units.mm(60)}] if bent else []
    body = {
        "units": system,
        "tube": {
            "outside_diameter": units.mm(diameter),
            "wall_thickness": units.mm(wall),
            "material": "e235-n",
        },
        "bender": bender(units),
        "run": {"bends": rows, "last_straight": units.mm(300)},
        "springback": [{}],
        "mandrel_at_hand": False,
        "pressure": units.mpa(pressure),
        "design_factor": design_factor,
        "most_variants": 0,
    }
    followed(post, body)


@each_system
@SOME
@given(
    legs=st.lists(st.floats(60, 260), min_size=3, max_size=4),
    radii=st.lists(st.sampled_from(RADII), min_size=3, max_size=3),
)
def test_a_leg_or_a_radius_as_printed_passes(
    post: Post, system: str, legs: list[float], radii: list[float]
) -> None:
    """Stairs of right angles in a plane; a leg is lengthened by moving all that follows it."""
    units = Units(system)
    own = [units.mm(radius) for radius in radii[: len(legs) - 1]]
    legs = [units.mm(leg) for leg in legs]
    body = {
        "units": system,
        "tube": {"outside_diameter": units.mm(20), "wall_thickness": units.mm(2)},
        "bender": bender(units),
        "springback": [{}],
        "most_variants": 0,
    }
    answer = post(PATH, {**body, "run": stairs(legs, own)})
    for check in answer["result"]["checks"]:
        for cure in check["cures"]:
            if cure["change"] not in {"leg", "radius"}:
                continue
            moved, bent, value = list(legs), list(own), number_in(cure["text"])
            if cure["change"] == "leg":
                moved[check["straight"] - 1] = value
            elif cure["straight"] is None:
                bent[check["bend"] - 1] = value
            else:
                near = (cure["straight"] - 2, cure["straight"] - 1)
                bent = [value if i in near else radius for i, radius in enumerate(bent)]
            after = post(PATH, {**body, "run": stairs(moved, bent)})
            fails = failing_at(after, check)
            assert fails < RANK[check["severity"]], (cure, check)


def stairs(legs: list[float], radii: list[float]) -> dict[str, Any]:
    x, y = 0.0, 0.0
    points: list[dict[str, float]] = [{"x": x, "y": y}]
    for number, leg in enumerate(legs):
        x, y = (x, y + leg) if number % 2 else (x + leg, y)
        points.append({"x": x, "y": y})
    for point, radius in zip(points[1:], radii, strict=False):
        point["radius"] = radius
    return {"vertices": points}


def failing_at(answer: dict[str, Any], like: dict[str, Any]) -> int:
    """How badly a rule fails where it failed; a rule that no longer has a place does not."""
    names = ("rule", "bend", "straight", "end")
    found = [c for c in answer["result"]["checks"] if all(c[n] == like[n] for n in names)]
    return max((RANK[c["severity"]] for c in found), default=0)


def test_what_was_reported_passes_as_printed(post: Post) -> None:
    """A rating of 17.10999 MPa, a largest angle of 186.8009° and a wall of 0.924316 mm."""
    run = {"bends": [{"straight": 100, "angle": 90, "radius": 60}], "last_straight": 200}
    tube = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
    body = {"tube": tube, "bender": "bench-25", "run": run}
    assert followed(post, {**body, "pressure": 30, "design_factor": 4}) == 4
    far = {"bends": [{"straight": 100, "angle": 189, "radius": 60}], "last_straight": 400}
    assert followed(post, {**body, "run": far}) == 1
    large = {"bends": [{"straight": 300, "angle": 90, "radius": 115}], "last_straight": 500}
    strong = {"outside_diameter": 38, "wall_thickness": 6, "material": "e235-n"}
    heavy = {"tube": strong, "bender": "bench-42", "run": large, "load_factor": 2.5}
    assert followed(post, heavy) >= 1


def test_a_value_and_the_limit_that_it_misses_never_read_alike(client: FlaskClient) -> None:
    body = {
        "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"},
        "bender": "bench-25",
        "run": {
            "bends": [{"straight": 41.9999996, "angle": 90, "radius": 60}],
            "last_straight": 400,
        },
        "pressure": 17.11,
        "design_factor": 4,
        "springback": [{}],
    }
    english = client.post(PATH, json=body).get_json()
    texts = [f["text"] for f in english["findings"]]
    assert any("41.9999996 mm" in text and "takes 42 mm" in text for text in texts)
    # t = P·D/(2(S·E·W/I + P·Y)) of ASME B31.3 (3c) puts it just below 17.11 MPa
    assert any("rating is 17.1099" in text and "bear 17.11 MPa" in text for text in texts)
    german = client.post(PATH, json=body, headers={"Accept-Language": "de"}).get_json()
    assert any("41,9999996 mm" in f["text"] for f in german["findings"])


KINDS: tuple[Kind, ...] = ("length", "angle", "pressure", "force", "percent")


@each_system
@settings(deadline=None)
@given(
    limit=st.floats(1e-3, 1e5),
    past=st.floats(1e-12, 2),
    least=st.booleans(),
    kind=st.sampled_from(KINDS),
)
def test_the_limit_printed_is_safe_and_the_value_printed_past_it(
    system: str, limit: float, past: float, kind: Kind, *, least: bool
) -> None:
    value = limit * (1 - past) if least else limit * (1 + past)
    assume(below(value, limit) if least else above(value, limit))
    check = Check("pressure", "x", "blocks", Amount(value, kind), Amount(limit, kind), least=least)
    told = compared_numbers(check, system)
    shown, held = (Decimal(str(told[name]).split("°")[0].split(" ")[0]) for name in told)
    assert shown < held if least else shown > held
    factor = {
        ("inch", "length"): INCH,
        ("inch", "pressure"): PSI,
        ("inch", "force"): 4.4482216152605,
    }.get((system, kind), {"angle": math.pi / 180, "percent": 0.01}.get(kind, 1.0))
    exact = limit / factor
    assert float(held) >= exact * (1 - 2e-10) if least else float(held) <= exact * (1 + 2e-10)
    assert float(held) == pytest.approx(exact, rel=1e-2)
