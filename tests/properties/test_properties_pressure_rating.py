"""Pressure rating: inverses, order of the formulas, scaling, what thinning and deductions do."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service import reference
from service.calc.bend_wall import FormedBend, WallDeduction
from service.calc.pressure_rating import PressureRating, Stress, WallChoice, pressure_rating
from service.calc.tube_pressure import (
    barlow_pressure,
    code_pressure,
    code_wall,
    en_pressure,
    en_wall,
    full_plastic_pressure,
    lame_pressure,
    lame_wall,
    mises_yield_pressure,
    out_of_round_ratio,
    tresca_yield_pressure,
)
from service.model import Tube

DIAMETERS = st.floats(4, 50)
WALL_RATIOS = st.floats(0.01, 0.45)
THIN = st.floats(0.01, 0.15)
STRESSES = st.floats(20, 300)
BEND_RATIOS = st.floats(1.4, 30)
SCALES = st.floats(0.2, 5)
CHOICES: tuple[WallChoice, ...] = ("least", "held", "free", "deformation_theory")
NO_TOLERANCE = WallDeduction(0.0)


def rating(tube: Tube, stress: float, *ratios: float, **more: object) -> PressureRating:
    bends = [FormedBend(k * tube.outside_diameter) for k in ratios]
    options = {"deduction": NO_TOLERANCE, **more}
    return pressure_rating(tube, Stress(stress), bends=bends, **options)  # type: ignore[arg-type]


@given(DIAMETERS, WALL_RATIOS, STRESSES)
def test_walls_undo_pressures(od: float, share: float, stress: float) -> None:
    wall = od * share
    pressure = lame_pressure(od, wall, stress)
    assert lame_wall(od, pressure, stress) == pytest.approx(wall, rel=1e-6)
    # EN 13480-3 falls by 6 % at D/d = 1.7, so there two walls bear one pressure
    pressure = en_pressure(od, wall, stress)
    least = en_wall(od, pressure, stress)
    assert least is not None
    assert least <= wall * (1 + 1e-9)
    assert en_pressure(od, least, stress) == pytest.approx(pressure, rel=1e-9)


@given(DIAMETERS, THIN, STRESSES, st.floats(0, 0.7))
def test_code_wall_undoes_the_code_pressure(
    od: float, share: float, stress: float, coefficient: float
) -> None:
    wall = od * share
    pressure = code_pressure(od, wall, stress)
    assert code_wall(od, pressure, stress) == pytest.approx(wall, rel=1e-9)
    own = code_pressure(od, wall, stress, coefficient)
    assert code_wall(od, own, stress, coefficient) == pytest.approx(wall, rel=1e-9)


@given(DIAMETERS, WALL_RATIOS, STRESSES)
def test_formulas_keep_their_order(od: float, share: float, stress: float) -> None:
    wall = od * share
    barlow, lame = barlow_pressure(od, wall, stress), lame_pressure(od, wall, stress)
    assert barlow < lame < stress
    assert barlow < code_pressure(od, wall, stress)
    tresca = tresca_yield_pressure(od, wall, stress)
    assert tresca < mises_yield_pressure(od, wall, stress) < full_plastic_pressure(od, wall, stress)


@given(DIAMETERS, st.floats(0.17, 0.45), STRESSES)
def test_the_thick_branch_of_the_code_is_lames(od: float, share: float, stress: float) -> None:
    found = rating(Tube(od, od * share), stress).rating.pressure
    assert found == pytest.approx(lame_pressure(od, od * share, stress), rel=1e-12)


@given(DIAMETERS, st.floats(1e-6, 1e-5), STRESSES)
def test_a_thin_tube_has_one_pressure(od: float, share: float, stress: float) -> None:
    rows = rating(Tube(od, od * share), stress).straight
    for row in rows:
        assert row.pressure == pytest.approx(2 * stress * share, rel=1e-4)


@given(DIAMETERS, THIN, STRESSES, BEND_RATIOS, SCALES)
def test_lengths_leave_the_rating_and_stress_scales_it(
    od: float, share: float, stress: float, k: float, scale: float
) -> None:
    one = rating(Tube(od, od * share), stress, k).rating.pressure
    larger = Tube(od * scale, od * share * scale)
    assert rating(larger, stress, k).rating.pressure == pytest.approx(one)
    assert rating(Tube(od, od * share), stress * scale, k).rating.pressure == pytest.approx(
        scale * one
    )


@given(DIAMETERS, THIN, STRESSES)
def test_a_large_radius_rates_as_straight_tube(od: float, share: float, stress: float) -> None:
    tube = Tube(od, od * share)
    straight = rating(tube, stress).rating.pressure
    assert rating(tube, stress, 1e9).rating.pressure == pytest.approx(straight, rel=1e-6)


@given(DIAMETERS, THIN, STRESSES, st.lists(BEND_RATIOS, min_size=1, max_size=5))
def test_bends_never_raise_the_rating_and_their_order_is_nothing(
    od: float, share: float, stress: float, ratios: list[float]
) -> None:
    tube = Tube(od, od * share)
    found = rating(tube, stress, *ratios)
    assert found.rating.pressure <= found.straight[0].pressure
    assert found.rating.pressure == min(
        [found.straight[0].pressure, *(bend.pressure for bend in found.bends)]
    )
    back = rating(tube, stress, *ratios[::-1])
    assert back.rating.pressure == pytest.approx(found.rating.pressure, rel=1e-12)
    for choice in CHOICES[1:3]:
        other = rating(tube, stress, *ratios, wall_method=choice)
        assert found.rating.pressure <= other.rating.pressure * (1 + 1e-12)


@given(DIAMETERS, THIN, STRESSES, BEND_RATIOS, st.floats(0, 0.3), st.floats(0, 0.3))
def test_deductions_and_stretch_lower_the_rating(
    od: float, share: float, stress: float, k: float, tolerance: float, corrosion: float
) -> None:
    tube = Tube(od, od * share)
    plain = rating(tube, stress, k).rating.pressure
    taken = WallDeduction(tolerance, None, corrosion * tube.wall_thickness)
    assert rating(tube, stress, k, deduction=taken).rating.pressure <= plain * (1 + 1e-12)
    assert rating(tube, stress, k, stretch=0.05).rating.pressure < plain


@given(DIAMETERS, THIN, STRESSES, st.floats(0.3, 1), st.floats(0.3, 1))
def test_factors_of_the_code_multiply_the_stress(
    od: float, share: float, stress: float, quality: float, weld: float
) -> None:
    tube = Tube(od, od * share)
    found = pressure_rating(tube, Stress(stress, None, quality, weld))
    assert found.stress == pytest.approx(stress * quality * weld)
    assert found.rating.pressure == pytest.approx(
        rating(tube, stress * quality * weld).rating.pressure
    )


@settings(max_examples=60)
@given(
    st.sampled_from([6.0, 10.0, 12.0, 20.0, 25.0, 42.0, 12.7]),
    st.floats(5, 60),
    st.floats(1.5, 10),
)
def test_the_standard_wall_is_the_least_that_does(od: float, pressure: float, k: float) -> None:
    sizes = list(reference.tube_sizes().values())
    tube = Tube(od, od / 10)
    found = rating(tube, 100, k, pressure=pressure, sizes=sizes).wanted
    assert found is not None
    walls = sorted(s.wall_thickness for s in sizes if math.isclose(s.outside_diameter, od))
    by_wall = {w: rating(Tube(od, w), 100, k).rating.pressure for w in walls}
    enough = [w for w in walls if by_wall[w] >= pressure]
    if not enough:
        assert found.standard_wall is None
        return
    assert found.standard_wall is not None
    assert found.standard_wall.wall_thickness == enough[0]
    assert found.standard_wall.pressure == pytest.approx(by_wall[enough[0]])


@given(DIAMETERS, THIN, STRESSES, BEND_RATIOS)
def test_a_pressure_equal_to_the_rating_has_no_margin_left(
    od: float, share: float, stress: float, k: float
) -> None:
    tube = Tube(od, od * share)
    reached = rating(tube, stress, k).rating.pressure
    found = rating(tube, stress, k, pressure=reached)
    assert found.wanted is not None
    assert found.wanted.margin == pytest.approx(0, abs=1e-12)
    assert "pressure_above_rating" not in {f.code for f in found.findings}
    more = rating(tube, stress, k, pressure=reached * 1.0001)
    assert "pressure_above_rating" in {f.code for f in more.findings}


@given(DIAMETERS, st.floats(0.01, 0.3), STRESSES, st.floats(2, 30))
def test_walls_needed_in_a_bend_undo_its_pressures(
    od: float, share: float, stress: float, k: float
) -> None:
    tube = Tube(od, od * share)
    straight = rating(tube, stress).coefficient
    for place in rating(tube, stress, k).bends[0].places:
        assert place.coefficient <= straight
        found = rating(tube, stress, k, pressure=place.pressure).wanted
        assert found is not None
        needed = getattr(found.after_bending[0], place.place)
        assert needed == pytest.approx(place.wall, rel=1e-6)


@given(st.floats(0, 0.2), st.floats(5, 100), st.floats(0.1, 50))
def test_pressure_rounds_the_section(ovality: float, factor: float, pressure: float) -> None:
    """Doubling u doubles the bending; more pressure lowers its share; none leaves 1.5uD/t."""
    ratio = out_of_round_ratio(ovality, factor, pressure, 210_000.0)
    assert out_of_round_ratio(2 * ovality, factor, pressure, 210_000.0) == pytest.approx(2 * ratio)
    assert out_of_round_ratio(ovality, factor, 2 * pressure, 210_000.0) <= ratio
    assert out_of_round_ratio(ovality, factor, 0.0, 210_000.0) == pytest.approx(
        1.5 * ovality * factor
    )
