"""What must hold for every bender and tube: scaling, inverses, bands, like for like."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.calc.bend_order import BendToMake
from service.calc.bender_load import (
    Band,
    Rating,
    Strength,
    Work,
    crank_effort,
    held_moment,
    largest_walls,
    rating,
    strength_of,
    utilisation,
    wall_of_plastic_modulus,
)
from service.calc.capacity_check import LoadTerms, capacity_check
from service.calc.section import section_properties
from service.model import Bender, Die, Drive, Hardening, Material, RatedTube, Tube

diameters = st.floats(4.0, 60.0)
wall_ratios = st.floats(0.01, 0.45)
stresses = st.floats(100.0, 900.0)
factors = st.floats(1.0, 2.0)
forces = st.floats(0.0, 5000.0)
laws = st.builds(
    lambda strength, n: Hardening("hollomon", strength_coefficient=strength, exponent=n),
    st.floats(200.0, 1500.0),
    st.floats(0.05, 0.5),
)
STEEL = Material("steel", "Steel", 210_000.0, 7.85e-6, 235.0, None, 340.0, 480.0)


def rated(od: float, wall: float, stress: float) -> Rating:
    tube = Tube(od, wall)
    return rating(1, RatedTube(od, wall, flow_stress=stress), tube)


def used(tube: Tube, strength: Strength, work: Work, one: Rating) -> Band:
    held = held_moment(tube, strength, work.radius)
    assert held is not None
    found = utilisation(tube, strength, held.band, work, [one])
    assert found is not None
    return Band(found.least, found.largest)


def stated(stress: float, factor: float | None = None) -> Strength:
    made = strength_of(None, stress, factor)
    assert made is not None
    return made


@given(diameters, wall_ratios)
def test_wall_and_plastic_modulus_are_inverse(od: float, ratio: float) -> None:
    tube = Tube(od, od * ratio)
    modulus = section_properties(tube).plastic_modulus
    assert wall_of_plastic_modulus(od, modulus) == pytest.approx(tube.wall_thickness, rel=1e-8)


@given(diameters, wall_ratios, stresses, stresses, factors, forces)
def test_the_largest_wall_uses_the_whole_capacity(
    od: float, ratio: float, own: float, other: float, factor: float, force: float
) -> None:
    one, tube = rated(20.0, 2.5, other), Tube(od, od * ratio)
    work = Work(3 * od, force, factor)
    walls = largest_walls(tube, stated(own), work, [one])
    assert walls is not None
    assert walls.least == walls.largest
    assume(1e-6 * od < walls.least < 0.4999 * od)
    full = used(Tube(od, walls.least), stated(own), work, one)
    assert full.largest == pytest.approx(1.0, rel=1e-6)


@given(laws, st.floats(1.0, 1.5), st.floats(1.5, 6.0))
def test_the_largest_wall_of_a_hardening_tube_too(
    law: Hardening, factor: float, bend_ratio: float
) -> None:
    material = Material("inline", "Steel", 210_000.0, 7.85e-6, hardening=law)
    strength = strength_of(material, None, factor)
    assert strength is not None
    work, one = Work(20 * bend_ratio, 300.0, 1.1), rated(20.0, 2.0, 400.0)
    walls = largest_walls(Tube(20.0, 1.0), strength, work, [one])
    assert walls is not None
    assert walls.least <= walls.largest
    assume(walls.largest < 9.99)
    strongest = used(Tube(20.0, walls.least), strength, work, one)
    weakest = used(Tube(20.0, walls.largest), strength, work, one)
    assert strongest.largest == pytest.approx(1.0, rel=1e-7)
    assert weakest.least == pytest.approx(1.0, rel=1e-7)


@given(diameters, wall_ratios, stresses, st.floats(0.2, 5.0))
def test_moments_scale_with_the_cube_and_utilisation_stays(
    od: float, ratio: float, stress: float, k: float
) -> None:
    tube, large = Tube(od, od * ratio), Tube(k * od, k * od * ratio)
    small_load = held_moment(tube, stated(stress), None)
    large_load = held_moment(large, stated(stress), None)
    assert small_load is not None
    assert large_load is not None
    assert large_load.band.largest == pytest.approx(k**3 * small_load.band.largest, rel=1e-9)
    share = used(tube, stated(stress), Work(), rated(od, od * 0.2, 300.0))
    assert used(large, stated(stress), Work(), rated(k * od, k * od * 0.2, 300.0)).largest == (
        pytest.approx(share.largest, rel=1e-9)
    )


@given(diameters, wall_ratios, stresses, factors, factors, forces)
def test_factors_and_friction_only_ever_raise_the_load(
    od: float, ratio: float, stress: float, scatter: float, load: float, force: float
) -> None:
    tube, one = Tube(od, od * ratio), rated(20.0, 2.0, 400.0)
    bare = used(tube, stated(stress), Work(2 * od), one)
    band = used(tube, stated(stress, scatter), Work(2 * od, force, load), one)
    assert band.least <= band.largest
    assert band.least >= bare.least * (1 - 1e-12)
    assert bare.largest * scatter * load == pytest.approx(
        used(tube, stated(stress, scatter), Work(2 * od, 0.0, load), one).largest
    )


@given(diameters, wall_ratios, st.floats(0.5, 2.0))
def test_the_rated_tube_itself_is_the_whole_capacity(od: float, ratio: float, k: float) -> None:
    tube = Tube(od, od * ratio, STEEL)
    one = rating(1, RatedTube(od, od * ratio, "steel"), tube)
    strength = strength_of(STEEL)
    assert strength is not None
    assert strength.largest is not None
    assert strength.least is not None
    assert strength.largest > strength.least
    # one material, one scatter: the band falls out
    assert used(tube, strength, Work(), one) == pytest.approx((1.0, 1.0))
    wider = Tube(k * od, k * od * ratio, STEEL)
    assert used(wider, strength, Work(), one) == pytest.approx((k**3, k**3), rel=1e-9)


@given(st.floats(1.0, 1e6), st.floats(0.01, 6.0), st.floats(0.1, 200.0), st.floats(0.05, 1.0))
def test_work_at_the_hand_is_work_at_the_die(
    torque: float, angle: float, gear: float, efficiency: float
) -> None:
    drive = Drive(gear, 350.0, efficiency)
    crank = crank_effort(Band(torque / 2, torque), angle, drive)
    assert crank.turns is not None
    hand = crank.force_largest * 2 * math.pi * crank.turns * 350.0
    assert efficiency * hand == pytest.approx(crank.work, rel=1e-9)
    assert crank.force_least == pytest.approx(crank.force_largest / 2)


@given(
    st.floats(10.0, 24.0),
    st.floats(0.5, 2.5),
    st.lists(st.floats(0.5, 2.0), min_size=1, max_size=4),
    forces,
)
def test_another_rated_tube_never_takes_capacity(
    od: float, wall: float, moments: list[float], force: float
) -> None:
    bender = Bender("b", "B", 10.0, 25.0, math.pi, ())
    die = Die("d", "D", od, 3 * od, math.pi)
    ratings = [rated(20.0, 2.0 * share, 300.0) for share in moments]

    def answer(number: int) -> float:
        made = capacity_check(
            Tube(od, wall),
            bender,
            [die],
            [BendToMake(1, 3 * od, 1.0)],
            ratings=ratings[:number],
            strength=stated(300.0),
            terms=LoadTerms(force),
        )
        assert made.utilisation is not None
        assert made.largest_wall is not None
        assert (made.utilisation <= 1) == (wall <= made.largest_wall) or (
            made.utilisation == pytest.approx(1.0)
        )
        return made.utilisation

    shares = [answer(number) for number in range(1, len(ratings) + 1)]
    assert shares == sorted(shares, reverse=True)
