"""First-order covariance and Monte Carlo against independent walks and scipy.

The far end of each run is walked by tests/oracles/polyline.py, which integrates the direction of
travel with scipy's rotations; slopes are central differences of that walk.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from model_runs import run_of_table
from numpy.typing import NDArray
from oracles.polyline import integrate
from oracles.random_runs import Row, RunTable, run_of
from scipy import stats
from scipy.spatial.transform import Rotation

from service.calc.end_scatter import (
    FarEnds,
    draw,
    far_ends,
    largest_errors,
    normal_values,
    series_terms,
    sine_and_cosine,
    wilson_interval,
)
from service.calc.fit_tolerance import AGREE, Capture, Placing, fit_tolerance
from service.calc.mark_layout import Measure
from service.calc.port_balance import Ports, balance_residual, balancer
from service.calc.rigid_fit import rigid_fit
from service.calc.run_geometry import frames, reverse
from service.calc.run_sensitivity import BenchSpread, Spread, bench_effects, far_end_derivative
from service.model import Bend, End, Run

Array = NDArray[np.float64]
DEGREE = math.pi / 180
CAPTURE = Capture(1.5, 2.0, 1.0 * DEGREE)
TABLES = [
    run_of(bends, seed) for bends, seed in [(1, 3), (2, 5), (3, 8), (6, 13), (6, 21), (9, 34)]
]
SMALL = BenchSpread(Spread(0.1), Spread(0.05 * DEGREE), Spread(0.05 * DEGREE), Spread(0.1))
MIXED = BenchSpread(
    Spread(0.2, uniform=True),
    Spread(0.1 * DEGREE),
    Spread(0.15 * DEGREE, uniform=True),
    Spread(0.3),
)


def rows_of(run: Run) -> tuple[list[Row], float]:
    rows = [(b.straight, b.rotation / DEGREE, b.angle / DEGREE, b.radius) for b in run.bends]
    return rows, run.last_straight


def walked(run: Run) -> Array:
    """Position and direction of end 2 by the oracle, (6,)."""
    line = integrate(*rows_of(run))
    return np.concatenate([line.end_point, line.end_direction])


def changed(run: Run, straights: Array, rotations: Array, angles: Array) -> Run:
    """The run with errors; negative straights are walked backwards, as in the derivative."""
    bends = tuple(
        Bend(b.straight + s, b.rotation + r if i else 0.0, b.angle + a, b.radius)
        for i, (b, s, r, a) in enumerate(zip(run.bends, straights, rotations, angles, strict=False))
    )
    return Run(bends, run.last_straight + float(straights[-1]))


@pytest.mark.parametrize("table", TABLES)
def test_derivative_is_that_of_the_walk(table: RunTable) -> None:
    run = run_of_table(table)
    count = len(run.bends)
    exact = far_end_derivative(frames(run))
    step = 1e-4
    for column in range(3 * count + 1):
        if column == count + 1:  # the first rotation is 0 by definition
            continue
        error = np.zeros(3 * count + 1)
        error[column] = step
        parts = np.split(error, [count + 1, 2 * count + 1])
        slope = (walked(changed(run, *parts)) - walked(changed(run, *(-p for p in parts)))) / (
            2 * step
        )
        np.testing.assert_allclose(exact[:, column], slope, rtol=1e-5, atol=2e-5)


@pytest.mark.parametrize("measured_from", ["end_1", "end_2"])
@pytest.mark.parametrize("measure", ["from_end", "as_you_go"])
@pytest.mark.parametrize("trimmed", [False, True])
@pytest.mark.parametrize("table", TABLES[2:5])
def test_sampled_ends_are_those_of_the_walk(
    table: RunTable, measured_from: End, measure: Measure, trimmed: bool
) -> None:
    run = run_of_table(table)
    effects = bench_effects(
        run,
        MIXED,
        measured_from=measured_from,
        measure=measure,
        trimmed=trimmed,
    )
    errors = draw(effects, 12, np.random.default_rng(7))
    ends = far_ends(run, effects)(errors)
    for i in range(errors.shape[1]):
        bad = changed(
            run,
            effects.straights @ errors[:, i],
            effects.rotations @ errors[:, i],
            effects.angles @ errors[:, i],
        )
        found = np.concatenate([ends.position[:, i], ends.direction[:, i]])
        np.testing.assert_allclose(found, walked(bad), atol=1e-8)


def worked_run(
    marks: list[float], cranks: list[float], rolls: list[float], cut: float, *, each: bool = False
) -> Run:
    """What comes off a bench that sets start marks along the tube: an independent statement.

    Every bend begins at its mark on the tube and uses radius·angle of it; with ``each`` the mark
    is measured from the end of the bend before. The last straight is what is left of the cut.
    """
    bends, at = [], 0.0
    for mark, crank, roll in zip(marks, cranks, rolls, strict=True):
        straight = mark if each else mark - at
        bends.append(Bend(straight, roll, crank, 45.0))
        at += straight + 45.0 * crank
    return Run(tuple(bends), cut - at)


@pytest.mark.parametrize("measured_from", ["end_1", "end_2"])
@pytest.mark.parametrize("each", [False, True])
def test_errors_of_the_bench_do_what_a_bench_does(measured_from: End, each: bool) -> None:
    cranks, rolls = [1.5, 0.8, 1.1], [0.0, 1.0, -0.5]
    marks, cut = [100.0, 250.0, 400.0], 900.0
    forward = measured_from == "end_1"
    made = worked_run(marks, cranks, rolls, cut, each=each)
    nominal = made if forward else reverse(made)
    one = Spread(1.0)
    effects = bench_effects(
        nominal,
        BenchSpread(one, one, one, one),
        measured_from=measured_from,
        measure="as_you_go" if each else "from_end",
    )
    errors = np.array([0.01 * (k + 1) for k in range(len(effects.operations))])
    named = {(o.name, o.bend): e for o, e in zip(effects.operations, errors, strict=True)}
    order = [1, 2, 3] if forward else [3, 2, 1]
    bad = worked_run(
        [m + named["mark", bend] for m, bend in zip(marks, order, strict=True)],
        [c + named["crank", bend] for c, bend in zip(cranks, order, strict=True)],
        [r + named.get(("rotation", bend), 0.0) for r, bend in zip(rolls, order, strict=True)],
        cut + named["cut", None],
        each=each,
    )
    bad = bad if forward else reverse(bad)
    found = changed(
        nominal, effects.straights @ errors, effects.rotations @ errors, effects.angles @ errors
    )
    for ours, theirs in zip(found.bends, bad.bends, strict=True):
        assert ours.straight == pytest.approx(theirs.straight, abs=1e-12)
        assert (ours.rotation, ours.angle) == pytest.approx((theirs.rotation, theirs.angle))
    assert found.last_straight == pytest.approx(bad.last_straight, abs=1e-12)


@pytest.mark.parametrize("placing", ["end_1_held", "between_ports"])
@pytest.mark.parametrize("spread", [SMALL, MIXED])
@pytest.mark.parametrize("table", TABLES)
def test_first_order_agrees_with_monte_carlo_within_three_percent(
    table: RunTable, spread: BenchSpread, placing: Placing
) -> None:
    run = run_of_table(table)
    found = fit_tolerance(run, spread, CAPTURE, placing=placing, samples=100_000, seed=11)
    for first, sampled in zip(found.first_order, found.monte_carlo.ends, strict=True):
        a, b = np.array(first.covariance), np.array(sampled.covariance)
        assert np.abs(a - b).max() <= 0.03 * np.trace(a)
        assert sampled.position == pytest.approx(first.position, rel=0.03)
        for name in ("along", "across", "tilt"):
            expected = getattr(first, name)
            assert getattr(sampled, name) == pytest.approx(expected, rel=0.03, abs=1e-3 * expected)
    assert found.monte_carlo.disagreement < AGREE
    assert not [f for f in found.findings if f.code == "first_order_differs"]


def test_warns_where_first_order_no_longer_holds() -> None:
    run = run_of_table(TABLES[3])
    codes = {}
    for degrees in (0.2, 1, 5, 10):
        spread = BenchSpread(crank=Spread(degrees * DEGREE), rotation=Spread(degrees * DEGREE))
        found = fit_tolerance(run, spread, CAPTURE, samples=50_000)
        first, sampled = found.first_order[0], found.monte_carlo.ends[0]
        off = abs(sampled.position / first.position - 1)
        codes[degrees] = (off, any(f.code == "first_order_differs" for f in found.findings))
    assert codes[0.2][0] < 0.03
    assert not codes[0.2][1]
    assert codes[10][0] > 0.015  # of a standard deviation: 3 % of a variance
    assert codes[10][1]
    # wherever the standard deviations differ by more than the draw can explain, the answer warns
    assert all(warned for off, warned in codes.values() if off > 0.03)


@pytest.mark.parametrize("table", TABLES[1:5])
def test_balance_between_ports_is_the_fit_that_scipy_finds(table: RunTable) -> None:
    run = run_of_table(table)
    at, w = frames(run), CAPTURE.arm
    effects = bench_effects(run, MIXED)
    errors = 5 * draw(effects, 8, np.random.default_rng(5))
    ends = far_ends(run, effects)(errors)
    found = balancer(Ports(at.tip, at.root_direction, at.tip_direction, w, 1e-12))(ends)
    for i in range(errors.shape[1]):
        tip, ahead = ends.position[:, i], ends.direction[:, i]
        # points about their middle, and directions of length w, as vectors of one alignment
        nominal = np.vstack([-at.tip / 2, at.tip / 2, w * at.root_direction, w * at.tip_direction])
        made = np.vstack([-tip / 2, tip / 2, w * at.root_direction, w * ahead])
        turn, _ = Rotation.align_vectors(nominal, made)
        np.testing.assert_allclose(found.misfit[:, i], turn.apply(tip / 2) - at.tip / 2, atol=1e-5)
        np.testing.assert_allclose(found.turns[:, i], turn.apply(ahead), atol=1e-8)
        np.testing.assert_allclose(found.root[:, i], turn.apply(at.root_direction), atol=1e-8)


@pytest.mark.parametrize("size", [0.01, 1, 5])
def test_balance_stops_close_enough(size: float) -> None:
    run = run_of_table(TABLES[3])
    at, w = frames(run), CAPTURE.arm
    effects = bench_effects(run, MIXED)
    ends = far_ends(run, effects)(size * draw(effects, 500, np.random.default_rng(5)))
    soon, late = (
        balancer(Ports(at.tip, at.root_direction, at.tip_direction, w, left))(ends)
        for left in (1e-4, 1e-12)
    )
    off = np.abs(soon.misfit - late.misfit).max()
    assert off < 1e-3 * np.abs(late.misfit).max()


def test_first_order_balance_is_the_slope_of_the_exact_one() -> None:
    run = run_of_table(TABLES[3])
    at, w = frames(run), CAPTURE.arm
    left = balance_residual(Ports(at.tip, at.root_direction, at.tip_direction, w))
    step = 1e-5
    for column in range(6):
        move = np.zeros(6)
        move[column] = step
        # a direction can only turn: what lies along it is of second order and left out
        move[3:] -= (move[3:] @ at.tip_direction) * at.tip_direction
        ends = FarEnds((at.tip + move[:3])[:, None], (at.tip_direction + move[3:])[:, None])
        found = balancer(Ports(at.tip, at.root_direction, at.tip_direction, w, 1e-12))(ends)
        seen = np.concatenate(
            [
                -found.misfit[:, 0],
                found.root[:, 0] - at.root_direction,
                found.misfit[:, 0],
                found.turns[:, 0] - at.tip_direction,
            ]
        )
        np.testing.assert_allclose(seen, left @ move, atol=1e-8)


def test_balanced_straight_line_keeps_its_spin_and_halves_the_error() -> None:
    run = Run((), 500.0)
    found = fit_tolerance(
        run, BenchSpread(cut=Spread(1.0)), CAPTURE, placing="between_ports", samples=5000
    )
    for end in (*found.first_order, *found.monte_carlo.ends):
        assert end.along == pytest.approx(0.5, rel=0.05)
        assert end.across == pytest.approx(0, abs=1e-9)
        assert end.tilt == pytest.approx(0, abs=1e-12)


def test_normal_errors_are_normal() -> None:
    # scipy.stats: distance of Kolmogorov and Smirnov, moments, quantiles
    values = normal_values()
    assert len(values) == 65_536
    np.testing.assert_allclose(values, -values[::-1], atol=1e-12)
    middles = stats.norm.ppf((np.arange(65_536) + 0.5) / 65_536)
    np.testing.assert_allclose(values[100:-100], middles[100:-100], rtol=2e-3, atol=1e-6)
    assert values.var() == pytest.approx(1, rel=1e-12)
    assert (values**4).mean() == pytest.approx(3, rel=1e-3)
    run = Run((), 10.0)
    effects = bench_effects(run, BenchSpread(cut=Spread(2.0)))
    drawn = draw(effects, 200_000, np.random.Generator(np.random.PCG64(3)))[0]
    assert stats.kstest(drawn / 2, "norm").pvalue > 0.01


def test_uniform_errors_are_uniform() -> None:
    effects = bench_effects(Run((), 10.0), BenchSpread(cut=Spread(2.0, uniform=True)))
    drawn = draw(effects, 200_000, np.random.Generator(np.random.PCG64(4)))[0]
    half = 2 * math.sqrt(3)
    assert np.abs(drawn).max() <= half
    assert stats.kstest(drawn, "uniform", args=(-half, 2 * half)).pvalue > 0.01


@pytest.mark.parametrize(("hits", "samples"), [(0, 100), (1, 100), (57, 100), (9500, 10_000)])
def test_interval_is_wilsons(hits: int, samples: int) -> None:
    expected = stats.binomtest(hits, samples).proportion_ci(0.95, method="wilson")
    assert wilson_interval(hits, samples) == pytest.approx(
        (expected.low, expected.high), rel=1e-9, abs=1e-12
    )


@pytest.mark.parametrize("largest", [1e-6, 0.01, 0.02, 0.021, 0.1, 0.11, 0.5, 0.51, 3.0])
def test_sine_and_cosine_are_those_of_numpy(largest: float) -> None:
    angles = np.linspace(-largest, largest, 10_001)
    sine, cosine = sine_and_cosine(angles, series_terms(largest))
    np.testing.assert_allclose(sine, np.sin(angles), atol=3e-14)
    np.testing.assert_allclose(cosine, np.cos(angles), atol=3e-14)


def test_errors_stay_within_the_bounds_that_choose_the_series() -> None:
    effects = bench_effects(run_of_table(TABLES[3]), MIXED)
    drawn = draw(effects, 300_000, np.random.default_rng(2))
    assert (np.abs(drawn).max(axis=1) <= largest_errors(effects)).all()


def test_probability_of_a_straight_line_is_that_of_the_normal_distribution() -> None:
    # a straight tube of wrong length only: P(|cut| ≤ a) from scipy.stats
    for sigma in (0.5, 1.0, 3.0):
        found = fit_tolerance(
            Run((), 300.0),
            BenchSpread(cut=Spread(sigma)),
            Capture(1.0, 1.2, 0.01),
            samples=100_000,
        ).monte_carlo
        expected = stats.norm.cdf(1.2 / sigma) - stats.norm.cdf(-1.2 / sigma)
        # four standard errors of 100,000 samples
        assert found.probability == pytest.approx(expected, abs=0.0064)
        assert found.position_95 == pytest.approx(1.959964 * sigma, rel=0.02)


def test_probability_in_a_plane_is_that_of_rayleigh() -> None:
    # one bend, far end 1000 mm on: crank and rotation errors carry it square to the tube, in its
    # plane and out of it, by 1000·δθ and 1000·sin(90°)·δφ; Rayleigh when both have one deviation
    sigma = 0.05 * DEGREE
    run = Run((Bend(0.0, 0.0, math.pi / 2, 1.0), Bend(0.0, 0.0, math.pi / 2, 1.0)), 1000.0)
    spread = BenchSpread(crank=Spread(sigma), rotation=Spread(sigma))
    found = fit_tolerance(run, spread, Capture(1.5, 50.0, 0.5), samples=100_000)
    out = found.first_order[0]
    assert out.tilt == pytest.approx(sigma * math.sqrt(2 + 1), rel=1e-9)
    covariance = np.array(out.covariance)
    assert math.sqrt(np.trace(covariance)) == pytest.approx(out.position)
    lateral = sorted(math.sqrt(v) for v in np.linalg.eigvalsh(covariance)[1:])
    assert lateral == pytest.approx([1001 * sigma, 1001 * sigma * math.sqrt(2)], rel=2e-3)


def test_rigid_fit_and_balance_agree_on_positions_alone() -> None:
    # with hardly any weight on directions the balance puts the middle on the middle and the line
    # through the ends on the line, as the best fit of two points does
    run = run_of_table(TABLES[3])
    at = frames(run)
    ends = FarEnds((at.tip * 1.01 + [1.0, -2.0, 0.5])[:, None], at.tip_direction[:, None])
    found = balancer(Ports(at.tip, at.root_direction, at.tip_direction, 1e-3, 1e-12))(ends)
    fit = rigid_fit(np.array([[0, 0, 0], ends.position[:, 0]]), np.array([[0, 0, 0], at.tip]))
    np.testing.assert_allclose(found.misfit[:, 0], fit.residuals[1], atol=1e-3)
