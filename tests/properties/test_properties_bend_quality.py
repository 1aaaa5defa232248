"""Wall and limits of bends: scaling, limits at large radius, order of the bounds, inverses."""

from __future__ import annotations

import math
from dataclasses import astuple

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service import reference
from service.calc.bend_limits import (
    LimitCase,
    ovality_limits,
    ovality_of_mean,
    ovality_of_nominal,
    wall_factor_before_bending,
    wall_limits,
    wall_needed_in_bend,
)
from service.calc.bend_quality import bend_quality, neutral_axis
from service.calc.bend_wall import (
    FormedBend,
    MeasuredBend,
    WallDeduction,
    bend_factors,
    deformation_theory_wall,
    free_hoop_wall,
    held_section_wall,
)
from service.calc.tube_pressure import code_coefficient
from service.model import Tube

DIAMETERS = st.floats(4, 50)
WALL_RATIOS = st.floats(0.01, 0.3)
BEND_RATIOS = st.floats(1.4, 30)
POSITIONS = st.floats(0, math.pi)
STRETCHES = st.floats(0, 0.1)
SCALES = st.floats(0.2, 5)
TABLE = reference.wall_allowance()


def tube_of(od: float, wall_ratio: float) -> Tube:
    return Tube(od, od * wall_ratio)


@given(DIAMETERS, WALL_RATIOS, BEND_RATIOS, POSITIONS, STRETCHES, SCALES)
def test_all_lengths_scale_the_wall(
    od: float, share: float, k: float, position: float, stretch: float, scale: float
) -> None:
    small, large = tube_of(od, share), tube_of(od * scale, share)
    for wall in (held_section_wall, free_hoop_wall):
        one = wall(small, k * od, position, stretch)
        assert wall(large, k * od * scale, position, stretch) == pytest.approx(scale * one)


@given(DIAMETERS, WALL_RATIOS, BEND_RATIOS, STRETCHES)
def test_bounds_keep_their_order(od: float, share: float, k: float, stretch: float) -> None:
    tube, radius = tube_of(od, share), k * od
    held, free = held_section_wall(tube, radius), free_hoop_wall(tube, radius)
    assert held < free < tube.wall_thickness
    assert deformation_theory_wall(tube, radius) < free
    assert held_section_wall(tube, radius, math.pi) > free_hoop_wall(tube, radius, math.pi)
    # stretching the whole tube thins every place
    assert held_section_wall(tube, radius, 0.0, stretch) <= held
    assert free_hoop_wall(tube, radius, math.pi, stretch) <= free_hoop_wall(tube, radius, math.pi)


@given(DIAMETERS, WALL_RATIOS, BEND_RATIOS, POSITIONS, STRETCHES)
def test_free_hoop_is_the_mean_of_held_and_straight(
    od: float, share: float, k: float, position: float, stretch: float
) -> None:
    """Half of the logarithmic strain goes into the wall: t_free = √(t·t_held)."""
    tube = tube_of(od, share)
    held = held_section_wall(tube, k * od, position, stretch)
    free = free_hoop_wall(tube, k * od, position, stretch)
    assert free == pytest.approx(math.sqrt(tube.wall_thickness * held), rel=1e-12)


@given(DIAMETERS, WALL_RATIOS, POSITIONS)
def test_a_large_radius_changes_nothing(od: float, share: float, position: float) -> None:
    tube, radius = tube_of(od, share), od * 1e9
    assert held_section_wall(tube, radius, position) == pytest.approx(tube.wall_thickness)
    assert free_hoop_wall(tube, radius, position) == pytest.approx(tube.wall_thickness)
    assert tuple(bend_factors(tube, radius)) == pytest.approx((1, 1, 1))


@given(DIAMETERS, WALL_RATIOS, BEND_RATIOS)
def test_deformation_theory_thins_most_on_the_outside(od: float, share: float, k: float) -> None:
    tube = tube_of(od, share)
    walls = [deformation_theory_wall(tube, k * od, math.radians(a)) for a in range(0, 181, 5)]
    assert walls[0] == pytest.approx(tube.wall_thickness * (1 - 1 / (4 * k)))
    assert walls[-1] == pytest.approx(tube.wall_thickness * (1 + 1 / (4 * k)))
    assert walls[18] == pytest.approx(tube.wall_thickness)
    assert min(walls) == walls[0]


@given(DIAMETERS, WALL_RATIOS, BEND_RATIOS)
def test_shift_lies_on_the_side_of_the_centre(od: float, share: float, k: float) -> None:
    for row in neutral_axis(tube_of(od, share), k * od):
        assert 0 < row.shift < od / 2
        assert row.stretch == pytest.approx(row.shift / (k * od))


@given(st.floats(10, 60), st.floats(0.2, 1), st.floats(0.01, 0.3))
def test_ovality_of_a_section_flattened_alike_is_the_same_by_both(
    od: float, share: float, flat: float
) -> None:
    """Sides that move out as the top moves in keep the mean diameter."""
    move = od * flat * share / 2
    largest, least = od + move, od - move
    nominal = ovality_of_nominal(largest, least, od)
    assert ovality_of_mean(largest, least) == pytest.approx(nominal)
    assert nominal == pytest.approx(2 * move / od)


@given(st.floats(3, 12), st.floats(3, 12))
def test_table_falls_with_the_radius_and_stays_between_its_rows(one: float, other: float) -> None:
    low, high = sorted((one, other))
    factor_low, factor_high = (wall_factor_before_bending(k, TABLE) for k in (low, high))
    assert factor_low is not None
    assert factor_high is not None
    assert 1.06 <= factor_high <= factor_low <= 1.25


@given(DIAMETERS, st.floats(0.005, 0.45), BEND_RATIOS)
def test_wall_needed_in_a_bend_bears_the_pressure_of_the_straight_one(
    od: float, share: float, k: float
) -> None:
    def bears(wall: float) -> float:  # (3a) at S = 1
        return 2 * wall / (od - 2 * code_coefficient(od, wall) * wall)

    tube = tube_of(od, share)
    for factor in bend_factors(tube, k * od):
        needed = wall_needed_in_bend(od, tube.wall_thickness, factor)
        if needed is None:
            assert bears(od * 0.4999999) / factor < bears(tube.wall_thickness) * (1 + 1e-6)
        else:
            assert bears(needed) / factor == pytest.approx(bears(tube.wall_thickness), rel=1e-9)


@given(DIAMETERS, st.floats(0.005, 0.14), BEND_RATIOS)
def test_wall_needed_in_a_bend_in_closed_form(od: float, share: float, k: float) -> None:
    for factor in bend_factors(tube_of(od, share), k * od):
        needed = factor * share / (1 + 2 * share * 0.4 * (factor - 1))
        if needed < 1 / 6:
            assert wall_needed_in_bend(od, od * share, factor) == pytest.approx(needed * od)


@given(DIAMETERS, st.floats(0.001, 0.499))
def test_code_coefficient_is_continuous_and_falls(od: float, share: float) -> None:
    assert code_coefficient(od, od / 6 * (1 - 1e-12)) == pytest.approx(0.4)
    assert code_coefficient(od, od / 6 * (1 + 1e-12)) == pytest.approx(0.4)
    assert 0 < code_coefficient(od, od * share) <= 0.4


@given(
    st.floats(0.5, 5),
    st.floats(0, 0.5),
    st.floats(0, 1),
    st.booleans(),
)
def test_wall_to_order_undoes_the_deductions(
    needed: float, share: float, corrosion: float, as_length: bool
) -> None:
    deduction = (
        WallDeduction(None, share, corrosion)
        if as_length
        else WallDeduction(share, None, corrosion)
    )
    assert deduction.remaining_wall(deduction.wall_to_order(needed)) == pytest.approx(needed)


@given(DIAMETERS, st.floats(0.03, 0.2), BEND_RATIOS, st.floats(0.2, 0.9))
def test_verdict_follows_the_sign_of_the_margin(
    od: float, share: float, k: float, needed: float
) -> None:
    tube = tube_of(od, share)
    case = LimitCase(required_wall=tube.wall_thickness * needed, wall_table=TABLE)
    walls = (held_section_wall(tube, k * od), free_hoop_wall(tube, k * od, math.pi))
    for row in wall_limits(tube, k * od, walls, None, case):
        if row.margin is not None and row.limit is not None:
            assert (row.verdict == "within") == (row.value >= row.limit)
            assert row.margin * row.limit == pytest.approx(row.value - row.limit, abs=1e-12)


@given(st.floats(0, 0.3), BEND_RATIOS)
def test_a_limit_is_passed_on_it_and_missed_past_it(over: float, k: float) -> None:
    tube = Tube(20.0, 2.0)
    limit = 0.2 / k
    assume(limit + over < 0.4)
    on = MeasuredBend(1, 20 + 10 * limit, 20 - 10 * limit)
    rows = {r.standard: r for r in ovality_limits(tube, 20 * k, on, LimitCase())}
    assert rows["ibr-361"].verdict == "within"
    past = MeasuredBend(1, 20 + 10 * (limit + over), 20 - 10 * limit)
    rows = {r.standard: r for r in ovality_limits(tube, 20 * k, past, LimitCase())}
    assert rows["ibr-361"].verdict == ("within" if over < 1e-11 else "outside")


@settings(max_examples=30)
@given(st.lists(st.floats(1.4, 30), min_size=1, max_size=6))
def test_each_bend_stands_alone(ratios: list[float]) -> None:
    """A run gives for each bend what that bend gives alone, whichever way round."""
    tube = Tube(20.0, 2.0)
    bends = [FormedBend(20 * k) for k in ratios]
    forward = bend_quality(tube, bends, wall_table=TABLE, required_wall=1.0).bends
    back = bend_quality(tube, bends[::-1], wall_table=TABLE, required_wall=1.0).bends
    for row, mirrored in zip(forward, back[::-1], strict=True):
        assert row[1:] == mirrored[1:]
    alone = bend_quality(tube, bends[:1], wall_table=TABLE, required_wall=1.0)
    assert alone.bends[0] == forward[0]
    assert astuple(alone.unsupported)
