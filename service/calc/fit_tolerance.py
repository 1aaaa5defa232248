"""How far the free end of a line strays with the tolerances of the bench, and whether it fits.

Exact first-order covariance through the chain of frames, and Monte Carlo beside it. Deviations
are told at each end as five numbers: along the tube, across it in two directions, and the tilt in
the same two.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.end_scatter import FarEnds, draw, far_ends, pieces, wilson_interval
from service.calc.mark_layout import Measure
from service.calc.port_balance import Balanced, Ports, balance_residual, balancer
from service.calc.run_geometry import Frames, check_run, frames
from service.calc.run_sensitivity import (
    BenchSpread,
    Effects,
    OperationName,
    bench_effects,
    far_end_derivative,
)
from service.errors import Amount, NotDeterminedError, OutOfRangeError, Word
from service.model import End, Finding, Method, Run

Array = NDArray[np.float64]
Placing = Literal["end_1_held", "between_ports"]

# Samples times bends that one request may ask for: a second or so of work.
MOST_SAMPLED_BENDS = 2_000_000
# First order and Monte Carlo are said to agree while they differ by no more than this.
AGREE = 0.03
ROWS = 5  # along, across (2), tilt (2)
# As many samples are walked to first order too; a difference of 3 % shows in far fewer.
COMPARED = 16_384
MOST_DRAWN = 400
# A product of matrices below this many multiplications does not make BLAS start threads, which
# cost more than they save and take the other core from the other worker.
SMALL_PRODUCT = 200_000

METHODS = (
    Method(
        "far-end-covariance",
        "First-order covariance of the far end",
        "C = J·diag(σ²)·Jᵀ, J the exact derivative along the chain of frames",
        "small, independent errors; told apart from Monte Carlo by no more than 3 %",
        ("jcgm-100", "derived-here"),
    ),
    Method(
        "standard-deviation-of-limits",
        "Standard deviation from limits",
        "uniform between ±a: a/√3; normal with limits ±a: a/3",
        "limits of a normal spread taken to hold 99.73 % of all parts",
        ("jcgm-100",),
    ),
    Method(
        "capture-probability",
        "Probability that the end falls inside the fitting's capture tolerance",
        "share of samples with |along| ≤ axial, across ≤ radial and tilt ≤ angle at every free end",
        "as far as the tolerances given are those of the bench",
        ("jcgm-101", "wilson-1927"),
    ),
)


@dataclass(frozen=True, slots=True)
class Capture:
    """What a fitting still takes: across and along the tube (mm, to either side), tilt (rad)."""

    radial: float
    axial: float
    angle: float

    @property
    def arm(self) -> float:
        """Radial over angular tolerance, mm per rad: what weighs a tilt against a misfit."""
        return self.radial / self.angle


class Direction(NamedTuple):
    """A unit vector."""

    x: float
    y: float
    z: float


class Axis(NamedTuple):
    """A principal axis of the cloud of an end: standard deviation (mm) and direction."""

    sigma: float
    direction: Direction


@dataclass(frozen=True, slots=True)
class EndScatter:
    """How an end strays: standard deviations in mm and rad, covariance in mm².

    Arguments:
        position: square root of the trace of ``covariance``
        along, across: along the tube, and across it in both directions together
        tilt: of the direction, both ways together
        covariance: of the position, (3, 3) rows, in the frame of the answer
        axes: principal axes of the cloud, the longest first
    """

    end: End
    position: float
    along: float
    across: float
    tilt: float
    covariance: tuple[tuple[float, ...], ...]
    axes: tuple[Axis, ...]


@dataclass(frozen=True, slots=True)
class Sampled:
    """Monte Carlo: the scatter, and the distance and tilt that 95 % of the samples stay within.

    ``mean_offset`` is how far the mean lies from the nominal end, mm.
    """

    samples: int
    seed: int
    ends: tuple[EndScatter, ...]
    mean_offset: float
    position_95: float
    tilt_95: float
    disagreement: float
    probability: float
    probability_low: float
    probability_high: float


class Contribution(NamedTuple):
    """One operation: its standard deviation as a length or an angle, and what it does to end 2.

    ``share`` is its part of the variance, position and tilt each measured by what the fitting
    takes.
    """

    operation: OperationName
    bend: int | None
    sigma_length: float | None
    sigma_angle: float | None
    position: float
    tilt: float
    share: float


@dataclass(frozen=True, slots=True)
class Tightening:
    """What halving the spread of the largest contribution would gain."""

    operation: OperationName
    bend: int | None
    position: float
    position_halved: float
    tilt: float
    tilt_halved: float
    probability_halved: float


@dataclass(frozen=True, slots=True)
class FitTolerance:
    """The whole answer.

    For the picture: ``local`` is the first-order covariance of end 2 along, across (2) and in tilt
    (2), (5, 5); ``cloud`` the same five of some samples, (5, m).
    """

    placing: Placing
    first_order: tuple[EndScatter, ...]
    monte_carlo: Sampled
    contributions: tuple[Contribution, ...]
    tightening: Tightening
    local: Array
    cloud: Array
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def fit_tolerance(
    run: Run,
    spread: BenchSpread,
    capture: Capture,
    *,
    placing: Placing = "end_1_held",
    samples: int = 10_000,
    seed: int = 1,
    measured_from: End = "end_1",
    measure: Measure = "from_end",
    trimmed: bool = False,
    outside_diameter: float | None = None,
    shown: Frames | None = None,
) -> FitTolerance:
    """How far the free end strays, whether it falls inside its fitting, and what would help.

    C = J·diag(σ²)·Jᵀ with J the exact derivative of the far end along the chain of frames. Beside
    it as many parts as asked for are made with errors drawn at random, and walked exactly.

    Arguments:
        run: nominal bend table, mm and rad
        spread: of marks, cranks, rotations and cut
        capture: what the fitting at each free end still takes
        placing: end 1 held in its port, or the line balanced between both ports
        samples, seed: of the Monte Carlo; the same seed gives the same answer
        measured_from, measure, trimmed: how the tube is worked, as for ``bench_effects``
        outside_diameter: for the least radius, mm
        shown: frames in which the covariance is told; those of the bend table when None

    Raises:
        NotDeterminedError: no operation of this run has a spread
        OutOfRangeError: an absurd bend, or more samples than the number of bends allows

    Source: JCGM 100 and 101 for the propagation; the derivative is derived here.
    """
    check_run(run, outside_diameter)
    _check_samples(samples, len(run.bends))
    work = {"measured_from": measured_from, "measure": measure, "trimmed": trimmed}
    effects = bench_effects(run, spread, **work)  # type: ignore[arg-type]
    if not effects.operations:
        raise NotDeterminedError("no_spread", ("spread",), {"why": _why_no_spread(run, spread)})
    job = _job(run, effects, capture, placing, shown)
    rows = _contributions(job)
    sampled, halved, cloud = _sample(job, samples, seed)
    return FitTolerance(
        placing=placing,
        first_order=_scatters(job, _products(job.slope * effects.sigmas)),
        monte_carlo=sampled,
        contributions=rows,
        tightening=_tightening(job, halved),
        local=_products(job.slope * effects.sigmas)[-1],
        cloud=cloud,
        methods=_methods(placing),
        findings=tuple(_findings(sampled)),
    )


def _why_no_spread(run: Run, spread: BenchSpread) -> Word:
    """What was sent has nothing in this run to act on, or nothing above 0 was sent."""
    sent = [spread.mark, spread.crank, spread.rotation, spread.cut]
    if not any(one.sigma > 0 for one in sent):
        return Word("no_tolerance_above_zero")
    # a cut always acts, and so do mark and crank where there is a bend
    return Word("only_one_bend_to_stray" if run.bends else "no_bend_to_stray")


def _check_samples(samples: int, bends: int) -> None:
    most = MOST_SAMPLED_BENDS // max(bends, 1)
    if samples > most:
        parts = {"value": samples, "bends": bends, "most": most}
        raise OutOfRangeError("too_many_samples", ("samples",), parts)


@dataclass(frozen=True, slots=True)
class _Job:
    """What the parts of the calculation share.

    ``slope`` is (5e, k): the deviations of e free ends per unit of error of k operations; ``axes``
    and ``shown_axes`` are, for each free end, along, across, across as rows (3, 3).
    """

    run: Run
    effects: Effects
    capture: Capture
    placing: Placing
    at: Frames
    shown: Frames
    slope: Array
    worst: int

    @property
    def free(self) -> tuple[End, ...]:
        return ("end_2",) if self.placing == "end_1_held" else ("end_1", "end_2")


def _job(
    run: Run, effects: Effects, capture: Capture, placing: Placing, shown: Frames | None
) -> _Job:
    at = frames(run)
    errors = np.vstack([effects.straights, effects.rotations, effects.angles])
    moved = far_end_derivative(at) @ errors
    if placing == "end_1_held":
        slope = _local("end_2", at) @ moved
    else:
        left = balance_residual(_ports(at, capture)) @ moved
        slope = np.vstack([_local("end_1", at) @ left[:6], _local("end_2", at) @ left[6:]])
    weighed = _weighed(slope, capture) * effects.sigmas
    worst = int(np.argmax((weighed**2).sum(axis=0)))
    return _Job(run, effects, capture, placing, at, shown or at, slope, worst)


def _ports(at: Frames, capture: Capture) -> Ports:
    return Ports(at.tip, at.root_direction, at.tip_direction, capture.arm)


def end_axes(end: End, at: Frames) -> Array:
    """Axes at an end as rows: outwards along the tube, towards the nearest bend's centre, third."""
    outward = -at.root_direction if end == "end_1" else at.tip_direction
    if len(at.normal):
        normal = at.normal[0] if end == "end_1" else at.normal[-1]
    else:
        normal = np.eye(3)[int(np.argmin(np.abs(outward)))]
    side = np.cross(normal, outward)
    side = side / np.linalg.norm(side)
    return np.array([outward, side, np.cross(outward, side)])


def _local(end: End, at: Frames) -> Array:
    """From position and direction of travel (6) to along, across (2) and tilt (2), (5, 6)."""
    axes = end_axes(end, at)
    sign = -1.0 if end == "end_1" else 1.0
    made = np.zeros((ROWS, 6))
    made[:3, :3] = axes
    made[3:, 3:] = sign * axes[1:]
    return made


def _weighed(slope: Array, capture: Capture) -> Array:
    ends = len(slope) // ROWS
    takes = [capture.axial, capture.radial, capture.radial, capture.angle, capture.angle]
    weighed: Array = slope / np.array(takes * ends)[:, None]
    return weighed


def _scatters(job: _Job, covariances: Array) -> tuple[EndScatter, ...]:
    pairs = zip(job.free, covariances, strict=True)
    return tuple(_scatter(end, covariance, job) for end, covariance in pairs)


def _scatter(end: End, covariance: Array, job: _Job) -> EndScatter:
    axes = end_axes(end, job.shown)
    position = axes.T @ covariance[:3, :3] @ axes
    squares, directions = np.linalg.eigh(position)
    order = (2, 1, 0)
    spread = np.diag(covariance)
    return EndScatter(
        end=end,
        position=_root(spread[:3].sum()),
        along=_root(spread[0]),
        across=_root(spread[1] + spread[2]),
        tilt=_root(spread[3] + spread[4]),
        covariance=tuple(tuple(row) for row in position.tolist()),
        axes=tuple(Axis(_root(squares[i]), Direction(*_pointing(directions[:, i]))) for i in order),
    )


def _pointing(direction: Array) -> list[float]:
    """An axis has no sense; the largest component is made positive."""
    sign = 1.0 if direction[int(np.argmax(np.abs(direction)))] > 0 else -1.0
    return [sign * float(value) + 0.0 for value in direction]


def _root(square: float) -> float:
    return math.sqrt(max(float(square), 0.0))


def _contributions(job: _Job) -> tuple[Contribution, ...]:
    moved = (job.slope * job.effects.sigmas) ** 2
    weighed = (_weighed(job.slope, job.capture) * job.effects.sigmas) ** 2
    shares = weighed.sum(axis=0)
    total = float(shares.sum())
    shares = shares / total if total > 0 else shares
    last = moved[-ROWS:]
    position, tilt = np.sqrt(last[:3].sum(axis=0)), np.sqrt(last[3:].sum(axis=0))
    order = np.argsort(-shares, kind="stable").tolist()
    return tuple(_contribution(job, k, position[k], tilt[k], shares[k]) for k in order)


def _contribution(
    job: _Job, index: int, position: float, tilt: float, share: float
) -> Contribution:
    operation = job.effects.operations[index]
    is_length = operation.name in ("mark", "cut")
    return Contribution(
        operation=operation.name,
        bend=operation.bend,
        sigma_length=operation.sigma if is_length else None,
        sigma_angle=None if is_length else operation.sigma,
        position=float(position),
        tilt=float(tilt),
        share=float(share),
    )


def _tightening(job: _Job, probability: float) -> Tightening:
    moved = ((job.slope * job.effects.sigmas) ** 2)[-ROWS:]
    halved = moved.copy()
    halved[:, job.worst] /= 4
    operation = job.effects.operations[job.worst]
    return Tightening(
        operation=operation.name,
        bend=operation.bend,
        position=_root(moved[:3].sum()),
        position_halved=_root(halved[:3].sum()),
        tilt=_root(moved[3:].sum()),
        tilt_halved=_root(halved[3:].sum()),
        probability_halved=probability,
    )


@dataclass(slots=True)
class _Tally:
    """Sums over the samples: deviations, their products at each end (e, 5, 5), and hits.

    ``paired`` and ``linear`` are products sampled and of first order, on the same samples.
    """

    total: Array
    products: Array
    paired: Array
    linear: Array
    hits: int = 0
    hits_halved: int = 0
    compared: int = 0
    distances: list[Array] = field(default_factory=list)
    tilts: list[Array] = field(default_factory=list)


def _sample(job: _Job, samples: int, seed: int) -> tuple[Sampled, float, Array]:
    source = np.random.Generator(np.random.PCG64(seed))
    walk, size = far_ends(job.run, job.effects), len(job.slope)
    balance = balancer(_ports(job.at, job.capture))
    nothing = np.zeros((size // ROWS, ROWS, ROWS))
    tally = _Tally(np.zeros(size), nothing, nothing.copy(), nothing.copy())
    cloud = None
    for count in pieces(samples):
        errors = draw(job.effects, count, source)
        seen = _deviations(job, walk(errors), balance)
        _count(tally, seen, errors, job)
        cloud = seen[-ROWS:, :MOST_DRAWN].copy() if cloud is None else cloud
        if tally.compared < COMPARED:
            _compare(tally, seen, errors, job)
    drawn = np.zeros((ROWS, 0)) if cloud is None else cloud
    return _sampled(job, tally, samples, seed), tally.hits_halved / samples, drawn


def _deviations(job: _Job, ends: FarEnds, balance: Callable[[FarEnds], Balanced]) -> Array:
    """Along, across (2) and tilt (2) at each free end, (5e, m)."""
    at, last = job.at, _local("end_2", job.at)
    if job.placing == "end_1_held":
        step = ends.position - at.tip[:, None]
        seen = last @ np.vstack([step, ends.direction])
        backward = at.tip_direction @ ends.direction <= 0
    else:
        fitted = balance(ends)
        first = _local("end_1", at) @ np.vstack([-fitted.misfit, fitted.root])
        seen = np.vstack([first, last @ np.vstack([fitted.misfit, fitted.turns])])
        backward = at.tip_direction @ fitted.turns <= 0
    seen[-2:, backward] = 1.0  # an end that points back into its tube fits nothing
    return seen


def _count(tally: _Tally, seen: Array, errors: Array, job: _Job) -> None:
    tally.total += seen.sum(axis=1)
    tally.products += _products(seen)
    halved = seen - 0.5 * job.slope[:, job.worst, None] * errors[job.worst]
    tally.hits += int(_captured(seen, job.capture).sum())
    tally.hits_halved += int(_captured(halved, job.capture).sum())
    squares = seen[-ROWS:] ** 2
    tally.distances.append(squares[:3].sum(axis=0))
    tally.tilts.append(squares[3:].sum(axis=0))


def _compare(tally: _Tally, seen: Array, errors: Array, job: _Job) -> None:
    """Add to the products sampled and of first order, on the same errors."""
    width = max(1, SMALL_PRODUCT // job.slope.size)
    cuts = range(width, errors.shape[1], width)
    linear = np.hstack([job.slope @ part for part in np.split(errors, list(cuts), axis=1)])
    tally.paired += _products(seen)
    tally.linear += _products(linear)
    tally.compared += errors.shape[1]


def _products(seen: Array) -> Array:
    return np.array([end @ end.T for end in seen.reshape(-1, ROWS, seen.shape[1])])


def _captured(seen: Array, capture: Capture) -> NDArray[np.bool_]:
    radial, tilt = capture.radial**2, math.sin(capture.angle) ** 2
    inside = np.ones(seen.shape[1], dtype=bool)
    for i in range(0, len(seen), ROWS):
        along, one, two, left, right = seen[i : i + ROWS]
        inside &= np.abs(along) <= capture.axial
        inside &= one * one + two * two <= radial
        inside &= left * left + right * right <= tilt
    return inside


def _sampled(job: _Job, tally: _Tally, samples: int, seed: int) -> Sampled:
    mean = (tally.total / samples).reshape(-1, ROWS)
    covariances = tally.products / samples - mean[:, :, None] * mean[:, None, :]
    low, high = wilson_interval(tally.hits, samples)
    tilt = min(math.sqrt(_percentile(tally.tilts)), 1.0)
    return Sampled(
        samples=samples,
        seed=seed,
        ends=_scatters(job, covariances),
        mean_offset=math.hypot(*mean[-1, :3]),
        position_95=math.sqrt(_percentile(tally.distances)),
        tilt_95=math.asin(tilt),
        disagreement=_disagreement(tally.paired, tally.linear),
        probability=tally.hits / samples,
        probability_low=low,
        probability_high=high,
    )


def _percentile(parts: Sequence[Array]) -> float:
    """The value that 95 % of the samples do not exceed."""
    values = np.concatenate(parts)
    place = math.ceil(0.95 * len(values)) - 1
    return float(np.partition(values, place)[place])


def _disagreement(products: Array, linear: Array) -> float:
    """Largest relative difference of mean products, sampled against first order on the same errors.

    The same errors on both sides take the chance of the draw out of it; positions and tilts are
    compared each for itself.
    """
    worst = 0.0
    for sampled, first in zip(products, linear, strict=True):
        for part in (slice(0, 3), slice(3, ROWS)):
            size = float(np.linalg.norm(first[part, part]))
            if size > 0:
                off = float(np.linalg.norm(sampled[part, part] - first[part, part]))
                worst = max(worst, off / size)
    return worst


def _methods(placing: Placing) -> tuple[str, ...]:
    return (
        "far-end-covariance",
        "chain-of-frames-derivative",
        "bench-errors-to-run",
        "far-end-monte-carlo",
        "capture-probability",
        "standard-deviation-of-limits",
    ) + ("balanced-between-ports",) * (placing == "between_ports")


def _findings(sampled: Sampled) -> list[Finding]:
    found = []
    off, agree = Amount(sampled.disagreement, "percent"), Amount(AGREE, "percent")
    if sampled.disagreement > AGREE:
        found.append(Finding("first_order_differs", "needs_care", None, off, agree))
    sure = Amount(0.95, "percent")
    if sampled.probability_high < sure.value:
        value = Amount(sampled.probability, "percent")
        found.append(Finding("line_may_not_fit", "needs_care", None, value, sure))
    return found
