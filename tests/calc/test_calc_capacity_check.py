"""Strength, dies, angles and findings of the capacity check, on both sides of each limit."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.calc.bend_order import BendToMake
from service.calc.bender_load import (
    Rating,
    Strength,
    convention_flow_stress,
    rating,
    strength_of,
)
from service.calc.capacity_check import CapacityCheck, LoadTerms, capacity_check
from service.calc.mark_layout import Springback
from service.errors import CalculationError, MissingError, NotDeterminedError, OutOfRangeError
from service.model import Bender, Die, Drive, Hardening, Material, RatedTube, Tube

QUARTER = math.pi / 2
DIES = (
    Die("d20-r60", "20 at 60", 20.0, 60.0, math.radians(100)),
    Die("d20-r40", "20 at 40", 20.0, 40.0, math.radians(180)),
    Die("d22-r65", "22 at 65", 22.0, 65.0, math.radians(180)),
)
DRIVE = Drive(6.0, 350.0, 0.85, 250.0)
BENDER = Bender("b", "B", 10.0, 25.0, math.radians(120), (), (), DRIVE, 1000.0)
STEEL = Material("steel", "Steel", 210_000.0, 7.85e-6, 235.0, None, 340.0, 480.0)
ZP = 650.0 + 2 / 3  # 20 × 2 mm: (20³ − 16³)/6


def rated(number: int = 1, wall: float = 2.0, stress: float = 300.0) -> Rating:
    return rating(number, RatedTube(20.0, wall, flow_stress=stress), Tube(20.0, wall))


def stated(stress: float = 300.0, factor: float | None = None) -> Strength:
    made = strength_of(None, stress, factor)
    assert made is not None
    return made


def check(tube: Tube | None = None, **more: Any) -> CapacityCheck:
    made: dict[str, Any] = {
        "bender": BENDER,
        "dies": DIES,
        "bends": [BendToMake(1, 60.0, QUARTER)],
        "ratings": [rated()],
        "strength": stated(),
        "springback": [Springback(0.0, 0.0)],
        **more,
    }
    return capacity_check(tube or Tube(20.0, 2.0), **made)


def codes(answer: CapacityCheck) -> dict[str, str]:
    return {finding.code: finding.severity for finding in answer.findings}


# --- strength -------------------------------------------------------------------------------------


def material(**parts: float | None) -> Material:
    return Material("m", "M", 210_000.0, 7.85e-6, **parts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("parts", "factor", "expected"),
    [
        # maxima of the material: (400 + 600)/2
        (
            {
                "yield_strength": 200,
                "yield_strength_max": 400,
                "tensile_strength": 300,
                "tensile_strength_max": 600,
            },
            None,
            (250, 500, "maximum", 1.0),
        ),
        # no maximum of yield: 1.6 × 235 stands in; the tensile maximum is the standard's
        (
            {"yield_strength": 235, "tensile_strength": 340, "tensile_strength_max": 480},
            None,
            (287.5, 428, "factor_on_minimum", 1.6),
        ),
        # no maximum at all: 1.6 on both
        (
            {"yield_strength": 200, "tensile_strength": 300},
            None,
            (250, 400, "factor_on_minimum", 1.6),
        ),
        # stated factor goes before everything
        (
            {"yield_strength": 235, "tensile_strength": 340, "tensile_strength_max": 480},
            1.25,
            (287.5, 359.375, "factor_on_minimum", 1.25),
        ),
        # only a largest yield: it stands in at both ends
        (
            {"yield_strength_max": 140, "tensile_strength": 220},
            None,
            (180, 246, "factor_on_minimum", 1.6),
        ),
    ],
)
def test_strength_by_convention(
    parts: dict[str, float], factor: float | None, expected: tuple[float, float, str, float]
) -> None:
    made = strength_of(material(**parts), None, factor)
    assert made is not None
    assert (made.least, made.largest) == pytest.approx(expected[:2])
    assert (made.basis, made.factor) == expected[2:]
    assert made.yield_from_maximum == ("yield_strength" not in parts)


def test_strength_unknown() -> None:
    assert strength_of(None) is None
    assert strength_of(material(tensile_strength=290)) is None
    assert strength_of(material(yield_strength=200)) is None
    assert convention_flow_stress(material(yield_strength=200)) is None


def test_stated_flow_stress_goes_before_the_material() -> None:
    made = strength_of(STEEL, 410.0, 1.1)
    assert made is not None
    assert made.basis == "stated"
    assert (made.least, made.largest) == pytest.approx((410.0, 451.0))


def test_flow_stress_must_stay_below_the_modulus() -> None:
    assert strength_of(STEEL, 209_999.0) is not None
    with pytest.raises(OutOfRangeError) as caught:
        strength_of(STEEL, 210_000.0)
    assert caught.value.field == ("flow_stress",)


def test_a_rated_tube_needs_a_strength() -> None:
    with pytest.raises(MissingError) as caught:
        rating(3, RatedTube(20.0, 2.0), Tube(20.0, 2.0))
    assert caught.value.field == ("bender", "rated_tubes", 2)
    of_material = rating(1, RatedTube(20.0, 2.0, "steel"), Tube(20.0, 2.0, STEEL))
    assert of_material.flow_stress == pytest.approx(287.5)
    assert of_material.moment == pytest.approx(287.5 * ZP)
    assert not of_material.stated


def test_same_material_takes_the_scatter_out() -> None:
    tube = Tube(20.0, 2.0, STEEL)
    like = rating(1, RatedTube(20.0, 2.0, "steel"), Tube(20.0, 2.0, STEEL))
    answer = check(tube, ratings=[like], strength=strength_of(STEEL))
    assert answer.utilisation == answer.utilisation_least == pytest.approx(1.0)
    assert answer.rated_tubes[0].same_material
    assert answer.largest_wall == pytest.approx(2.0)
    row = answer.bends[0]
    assert row.moment_largest == pytest.approx(428 * ZP)  # the band stays where the hand feels it
    other = check(tube, ratings=[rated(stress=287.5)], strength=strength_of(STEEL))
    assert other.utilisation_least == pytest.approx(1.0)
    assert other.utilisation == pytest.approx(428 / 287.5)
    # a stated factor is the caller's word on this batch, so it is not taken out
    own = check(tube, ratings=[like], strength=strength_of(STEEL, None, 1.25))
    assert own.utilisation == pytest.approx(1.25)


# --- findings on both sides -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("od", "code"),
    [
        (9.99, "tube_below_bender_range"),
        (10.0, "tube_within_bender_range"),
        (25.0, "tube_within_bender_range"),
        (25.01, "tube_above_bender_range"),
    ],
)
def test_outside_diameter_range(od: float, code: str) -> None:
    answer = check(Tube(od, 1.0))
    names = {"tube_below_bender_range", "tube_within_bender_range", "tube_above_bender_range"}
    assert names & codes(answer).keys() == {code}
    assert answer.diameter_fits == (code == "tube_within_bender_range")
    assert (answer.verdict == "cannot_bend") >= (not answer.diameter_fits)


@pytest.mark.parametrize(
    ("least", "factor", "code", "verdict"),
    [
        (300.0, None, "load_within_capacity", "can_bend"),
        (300.1, None, "load_above_capacity", "cannot_bend"),
        (200.0, 1.5, "load_within_capacity", "can_bend"),
        (200.0, 1.51, "load_may_pass_capacity", "can_bend_with_care"),
        (300.0, 1.51, "load_may_pass_capacity", "can_bend_with_care"),
        (300.1, 1.51, "load_above_capacity", "cannot_bend"),
    ],
)
def test_load_against_capacity(least: float, factor: float | None, code: str, verdict: str) -> None:
    # a crank without a limit of force, so that only the capacity speaks
    bender = Bender("b", "B", 10.0, 25.0, math.radians(120), (), (), Drive(6.0, 350.0, 0.85))
    answer = check(bender=bender, strength=stated(least, factor))
    names = {"load_within_capacity", "load_may_pass_capacity", "load_above_capacity"}
    assert names & codes(answer).keys() == {code}
    assert answer.verdict == verdict


def test_load_factor_and_friction_count() -> None:
    assert "load_within_capacity" in codes(
        check(strength=stated(250.0), terms=LoadTerms(None, None, 1.2))
    )
    assert "load_above_capacity" in codes(
        check(strength=stated(250.0), terms=LoadTerms(None, None, 1.21))
    )
    # 50 MPa of reserve over Zp is 32 533 N·mm: 542.2 N at 60 mm
    within = check(strength=stated(250.0), terms=LoadTerms(300.0, 242.0))
    past = check(strength=stated(250.0), terms=LoadTerms(300.0, 243.0))
    assert "load_within_capacity" in codes(within)
    assert "load_above_capacity" in codes(past)
    assert "rating_without_friction" in codes(within)
    assert "friction_not_given" not in codes(within)
    assert "friction_not_given" in codes(check())


def test_friction_alone_can_use_up_the_capacity() -> None:
    answer = check(terms=LoadTerms(10_000.0))
    assert answer.largest_wall == 0
    assert answer.largest_standard_wall is None


def test_a_solid_bar_within_the_capacity() -> None:
    answer = check(strength=stated(100.0), ratings=[rated(stress=900.0)], standard_walls=(2.0, 5.0))
    assert answer.largest_wall == 10.0
    assert answer.largest_standard_wall == 5.0


def test_largest_standard_wall_takes_its_limit() -> None:
    walls = (1.0, 2.0, 2.5)
    assert check(standard_walls=walls).largest_standard_wall == 2.0  # 300 MPa against 300 MPa
    assert check(strength=stated(301.0), standard_walls=walls).largest_standard_wall == 1.0


def test_the_rated_tube_that_leaves_the_most_counts() -> None:
    answer = check(ratings=[rated(1, 1.0), rated(2, 3.0), rated(3, 2.0)])
    assert answer.bends[0].rated_tube == 2
    assert answer.moment_capacity == pytest.approx(300 * (8000 - 14**3) / 6)
    assert answer.largest_wall == pytest.approx(3.0)


def test_the_most_demanding_bend_decides() -> None:
    law = Hardening("hollomon", strength_coefficient=600.0, exponent=0.2)
    steel = Material("m", "M", 210_000.0, 7.85e-6, 235.0, hardening=law)
    bends = [BendToMake(1, 60.0, QUARTER), BendToMake(2, 40.0, QUARTER)]
    answer = check(Tube(20.0, 2.0, steel), strength=strength_of(steel), bends=bends)
    shares = [row.utilisation or 0.0 for row in answer.bends]
    assert shares[1] > shares[0]
    assert (answer.deciding_bend, answer.utilisation) == (2, shares[1])
    assert answer.largest_wall == min(row.largest_wall or 0.0 for row in answer.bends)
    assert "no_scatter_on_hardening" in codes(answer)
    assert "true_strain_used" in codes(answer)
    assert "moment-hollomon" in answer.methods
    scattered = check(Tube(20.0, 2.0, steel), strength=strength_of(steel, None, 1.2), bends=bends)
    assert "no_scatter_on_hardening" not in codes(scattered)
    assert scattered.utilisation == pytest.approx(1.2 * shares[1])


def test_crank_effort_against_the_hand() -> None:
    # T = F·i·η·l = 250·6·0.85·350 = 446 250 N·mm, that is 685.8 MPa over Zp
    light = check(strength=stated(446_250 / ZP))
    heavy = check(strength=stated(446_251 / ZP))
    assert codes(light)["crank_comfortable"] == "ok"
    assert codes(heavy)["crank_heavy"] == "needs_care"
    assert "crank_comfortable" not in codes(heavy)
    without = Bender("b", "B", 10.0, 25.0, 2.0, ())
    assert "drive_not_stated" in codes(check(bender=without))
    assert check(bender=without).bends[0].crank is None


@pytest.mark.parametrize(("behind", "told"), [(1000.0, False), (1000.1, True)])
def test_tube_before_the_stop(behind: float, told: bool) -> None:
    answer = check(bends=[BendToMake(1, 60.0, QUARTER, behind)])
    assert ("tube_past_stop" in codes(answer)) == told


# --- dies and angles ------------------------------------------------------------------------------


def test_dies_that_fit_come_by_radius() -> None:
    answer = check()
    assert [die.id for die in answer.dies] == ["d20-r40", "d20-r60"]
    assert answer.bends[0].die == "d20-r60"
    assert answer.bends[0].die_fits
    assert "die_at_hand" in codes(answer)


@pytest.mark.parametrize(("od", "fits"), [(20.019, True), (20.03, False)])
def test_a_groove_fits_within_a_thousandth(od: float, fits: bool) -> None:
    answer = check(Tube(od, 2.0))
    assert ("no_die_for_tube" in codes(answer)) == (not fits)
    assert all(die.fits_tube == fits for die in answer.dies)


def test_the_nearest_die_where_none_fits() -> None:
    answer = check(Tube(21.5, 2.0))
    assert [die.id for die in answer.dies] == ["d22-r65"]
    assert answer.dies[0].diameter_difference == pytest.approx(0.5)
    assert answer.bends[0].die == "d22-r65"
    assert answer.bends[0].die_radius_difference == pytest.approx(5.0)
    assert codes(answer)["no_die_for_tube"] == "blocks"


@pytest.mark.parametrize(("radius", "fits"), [(60.05, True), (60.1, False), (51.0, False)])
def test_the_nearest_radius(radius: float, fits: bool) -> None:
    answer = check(bends=[BendToMake(1, radius, QUARTER)])
    row = answer.bends[0]
    assert (row.die, row.die_fits) == ("d20-r60", fits)
    assert row.die_radius_difference == pytest.approx(60.0 - radius)
    assert ("no_die_for_radius" in codes(answer)) == (not fits)


def test_a_named_die_is_checked() -> None:
    good = check(die=DIES[0])
    assert good.verdict == "can_bend"
    assert {"die_not_on_bender", "die_tube_differs", "die_radius_differs"}.isdisjoint(codes(good))
    other = Die("elsewhere", "E", 22.0, 70.0, 3.0)
    blocked = codes(check(die=other))
    assert {"die_not_on_bender", "die_tube_differs", "die_radius_differs"} <= blocked.keys()
    by_values = codes(check(die=Die("inline", "", 20.0, 60.0, 3.0)))
    assert "die_not_on_bender" not in by_values


def test_no_dies_at_all() -> None:
    answer = check(dies=())
    assert codes(answer)["no_dies_stated"] == "needs_care"
    assert answer.dies == ()
    assert answer.bends[0].die is None


def degrees(angle: float, springback: float, radius: float = 60.0) -> CapacityCheck:
    bends = [BendToMake(1, radius, math.radians(angle))]
    return check(bends=bends, springback=[Springback(math.radians(springback), 0.0)])


def test_set_angle_against_die_and_bender() -> None:
    assert "crank_past_die" not in codes(degrees(98, 2))  # 100° is the reach of this die
    assert "crank_past_die" in codes(degrees(98, 2.001))
    assert "crank_past_bender" not in codes(degrees(118, 2, 40.0))  # 120° that of the bender
    assert "crank_past_bender" in codes(degrees(118, 2.001, 40.0))
    assert degrees(98, 2).bends[0].springback_from == "given"


def test_set_angle_predicted_or_unknown() -> None:
    steel = Tube(20.0, 2.0, STEEL)
    predicted = check(steel, springback=[])
    row = predicted.bends[0]
    assert row.springback_from == "predicted"
    assert row.set_angle is not None
    assert row.set_angle > QUARTER
    assert codes(predicted)["springback_predicted"] == "ok"
    unknown = check(springback=[])
    assert unknown.bends[0].set_angle == QUARTER
    assert codes(unknown)["springback_not_given"] == "needs_care"


def test_a_tube_that_stays_elastic_springs_back_wholly() -> None:
    # first yield at 300 MPa where D/(2R) = 300/210 000: R = 7000 mm
    for radius, told in ((6900.0, True), (7100.0, True), (600.0, False)):
        answer = check(
            Tube(20.0, 2.0, STEEL), springback=[], bends=[BendToMake(1, radius, QUARTER)]
        )
        assert ("springs_back_too_far" in codes(answer)) == told


def test_two_springbacks_for_one_radius_are_refused() -> None:
    with pytest.raises(NotDeterminedError) as caught:
        check(springback=[Springback(0.0, 0.0, 60.0), Springback(0.0, 0.1, 60.0)])
    assert caught.value.field == ("springback", 1)


# --- what is not known ----------------------------------------------------------------------------


def test_without_radius_the_tightest_die_stands_in() -> None:
    answer = check(bends=[])
    assert [row.radius for row in answer.bends] == [40.0]
    assert "radius_from_die" in codes(answer)
    assert answer.bends[0].set_angle is None
    crank = answer.bends[0].crank
    assert crank is not None
    assert (crank.turns, crank.work) == (None, None)
    none = check(Tube(21.5, 2.0), bends=[])
    assert none.bends == ()
    assert none.deciding_bend is None
    assert none.utilisation is not None


def test_without_strength_or_rating_nothing_is_determined() -> None:
    bare = check(strength=None)
    assert bare.verdict == "not_determined"
    assert codes(bare)["material_not_given"] == "needs_care"
    assert (bare.utilisation, bare.largest_wall, bare.strength) == (None, None, None)
    named = check(Tube(20.0, 2.0, material(tensile_strength=290)), strength=None)
    assert "flow_stress_unknown" in codes(named)
    unrated = check(ratings=[])
    assert unrated.verdict == "not_determined"
    assert "no_rated_tube" in codes(unrated)
    assert unrated.bends[0].torque_largest == pytest.approx(300 * ZP)
    # what is certain stays certain
    assert check(Tube(26.0, 2.0), strength=None).verdict == "cannot_bend"


def test_what_the_strength_rests_on_is_told() -> None:
    steel = Tube(20.0, 2.0, STEEL)
    assert "flow_stress_stated" in codes(check())
    assert "strength_scatter_assumed" in codes(check(steel, strength=strength_of(STEEL)))
    assert "strength_factor_stated" in codes(check(steel, strength=strength_of(STEEL, None, 1.2)))
    both = material(
        yield_strength=200, yield_strength_max=300, tensile_strength=300, tensile_strength_max=400
    )
    known = check(Tube(20.0, 2.0, both), strength=strength_of(both))
    assert "flow_stress_by_convention" in codes(known)
    soft = material(yield_strength_max=140, tensile_strength=220)
    assert "yield_from_maximum" in codes(check(Tube(20.0, 2.0, soft), strength=strength_of(soft)))
    assert "profile_invented" in codes(check(invented=True))
    assert "profile_invented" not in codes(check())


def test_refusals_of_a_law_point_into_the_material() -> None:
    law = Hardening("ludwik", strength_coefficient=400.0)
    with pytest.raises(CalculationError) as caught:
        strength_of(Material("m", "M", 210_000.0, 7.85e-6, 235.0, hardening=law))
    assert caught.value.field == ("hardening", "exponent")


@pytest.mark.parametrize(
    ("strength", "code"),
    [
        (stated(300.0), "load_within_capacity"),
        (stated(300.0, 1.01), "tube_may_pass_capacity"),
        (stated(300.1), "tube_above_capacity"),
    ],
)
def test_a_tube_without_any_bend_is_held_against_the_capacity(
    strength: Strength, code: str
) -> None:
    answer = check(dies=(), bends=[], strength=strength)
    names = {"load_within_capacity", "tube_may_pass_capacity", "tube_above_capacity"}
    assert names & codes(answer).keys() == {code}
