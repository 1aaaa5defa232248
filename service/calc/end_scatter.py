"""Monte Carlo of the far end: many runs with random errors at once, as arrays.

Each sample is one part made with its own errors of marks, cranks, rotations and cut. The far end
is walked to from end 2 backwards, so that only one point and one direction are turned at each
bend; samples go in pieces small enough for the processor's cache.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.run_sensitivity import Effects
from service.model import Method, Run

Array = NDArray[np.float64]

PIECE = 4096
# Normal errors are drawn as one of so many equally likely values, so none lies beyond 4.4 sigma; a
# table is five times as fast as drawing from the density.
SLICES = 65_536
# Up to this angle the series for the sine is exact to 2e-14 and costs a quarter of np.sin.
SERIES_TO = 0.5
NORMAL_REACH = 4.4
SINE_SERIES = (1.0, -1 / 6, 1 / 120, -1 / 5040, 1 / 362880, -1 / 39916800)

METHODS = (
    Method(
        "far-end-monte-carlo",
        "Monte Carlo of the far end",
        "independent errors of every operation, drawn by a seeded generator; exact frames for "
        "each sample; probability with its 95 % interval (Wilson)",
        "errors independent of one another; the scatter of a standard deviation from N samples is "
        "1/√(2N) of it",
        ("jcgm-101", "wilson-1927"),
    ),
)


class FarEnds(NamedTuple):
    """End 2 of m samples in the frame of the bend table, (3, m) each: position (mm), direction."""

    position: Array
    direction: Array


@cache
def normal_values() -> Array:
    """The mean of the standard normal within each of 65,536 equally likely slices, scaled to σ = 1.

    The mean of slice i between quantiles a and b is (φ(a) − φ(b))·65,536.
    """
    quantile = NormalDist().inv_cdf
    lower = [quantile(i / SLICES) for i in range(1, SLICES // 2)]
    edges = np.array([-np.inf, *lower, 0.0, *(-x for x in reversed(lower)), np.inf])
    density = np.exp(-(edges**2) / 2) / math.sqrt(2 * math.pi)
    values = (density[:-1] - density[1:]) * SLICES
    scaled: Array = values / values.std()
    return scaled


def draw(effects: Effects, count: int, source: np.random.Generator) -> Array:
    """Random errors of the k operations, (k, count), mm or rad."""
    sigmas = effects.sigmas
    uniform = np.array([operation.uniform for operation in effects.operations], dtype=bool)
    if uniform.all():
        even: Array = (source.random((len(sigmas), count)) - 0.5) * math.sqrt(12)
        return even * sigmas[:, None]
    slices = source.integers(0, SLICES, size=(len(sigmas), count), dtype=np.uint16)
    made = np.empty(slices.shape)
    np.take(normal_values(), slices, out=made, mode="clip")
    if uniform.any():
        made[uniform] = (source.random((int(uniform.sum()), count)) - 0.5) * math.sqrt(12)
    made *= sigmas[:, None]
    return made


def largest_errors(effects: Effects) -> Array:
    """Bounds of what ``draw`` gives for each operation, (k,): √3·σ uniform, 4.4·σ normal."""
    reach = [math.sqrt(3) if op.uniform else NORMAL_REACH for op in effects.operations]
    return np.array(reach) * effects.sigmas


@dataclass(frozen=True, slots=True)
class _Chain:
    """The nominal run and which errors act where; (row, factor) pairs for each straight.

    ``terms`` of the sine series are needed for each error, 0 where it can be too large for it.
    """

    run: Run
    terms: tuple[int, ...]
    straights: tuple[tuple[tuple[int, float], ...], ...]
    rotations: tuple[int | None, ...]
    angles: tuple[int | None, ...]


def far_ends(run: Run, effects: Effects) -> Callable[[Array], FarEnds]:
    """The function that walks from errors (k, m) to the far ends of m samples.

    Backwards from end 2: x ← sin(θ)·(R − y) + cos(θ)·x, y ← R + sin(θ)·x − cos(θ)·(R − y), then
    the turn by the rotation about x, then x ← x + straight.

    Arguments:
        run: nominal bend table, mm and rad
        effects: as ``bench_effects`` makes them
    """
    straights = tuple(
        tuple((int(k), float(row[k])) for k in np.flatnonzero(row)) for row in effects.straights
    )
    terms = tuple(series_terms(bound) for bound in largest_errors(effects).tolist())
    chain = _Chain(run, terms, straights, _rows(effects.rotations), _rows(effects.angles))

    def walk(errors: Array) -> FarEnds:
        return _walk(chain, errors)

    return walk


def _rows(effect: Array) -> tuple[int | None, ...]:
    return tuple(int(row.argmax()) if row.any() else None for row in effect)


def _walk(chain: _Chain, errors: Array) -> FarEnds:
    size = errors.shape[1]
    zero, one = np.zeros(size), np.ones(size)
    x, y, z = _straight(chain, len(chain.run.bends), errors) + zero, zero, zero
    u, v, w = one, zero, zero
    for i in range(len(chain.run.bends) - 1, -1, -1):
        bend = chain.run.bends[i]
        sine, cosine = _turned(bend.angle, chain.angles[i], chain, errors)
        arm = bend.radius - y
        x, y = sine * arm + cosine * x, bend.radius + sine * x - cosine * arm
        u, v = cosine * u - sine * v, sine * u + cosine * v
        sine, cosine = _turned(bend.rotation, chain.rotations[i], chain, errors)
        y, z = cosine * y - sine * z, sine * y + cosine * z
        v, w = cosine * v - sine * w, sine * v + cosine * w
        x = x + _straight(chain, i, errors)
    return FarEnds(np.array([x, y, z]), np.array([u, v, w]))


def _straight(chain: _Chain, index: int, errors: Array) -> Array | float:
    bends = chain.run.bends
    length: Array | float
    length = bends[index].straight if index < len(bends) else chain.run.last_straight
    for row, factor in chain.straights[index]:
        length = length + (errors[row] if factor == 1.0 else factor * errors[row])
    return length


def _turned(
    nominal: float, row: int | None, chain: _Chain, errors: Array
) -> tuple[Array | float, Array | float]:
    """Sine and cosine of the nominal angle plus its error."""
    s, c = math.sin(nominal), math.cos(nominal)
    if row is None:
        return s, c
    sine, cosine = sine_and_cosine(errors[row], chain.terms[row])
    return s * cosine + c * sine, c * cosine - s * sine


def series_terms(bound: float) -> int:
    """Terms of the sine series that are exact to 3e-14 up to ``bound`` rad; 0 past its use."""
    if bound > SERIES_TO:
        return 0
    return 3 if bound <= 0.02 else 4 if bound <= 0.1 else len(SINE_SERIES)


def sine_and_cosine(angle: Array, terms: int) -> tuple[Array, Array]:
    """Sine and cosine of angles, rad; by as many ``terms`` of the series, or in full with 0."""
    if not terms:
        return np.sin(angle), np.cos(angle)
    square = angle * angle
    sine = SINE_SERIES[terms - 1] * square
    for factor in SINE_SERIES[terms - 2 : 0 : -1]:
        sine += factor
        sine *= square
    sine += 1.0
    sine *= angle
    return sine, np.sqrt(1 - sine * sine)


def pieces(samples: int) -> Iterator[int]:
    """Sizes of the pieces that the samples are worked in."""
    while samples > 0:
        yield min(PIECE, samples)
        samples -= PIECE


def wilson_interval(hits: int, samples: int) -> tuple[float, float]:
    """95 % interval of a probability from ``hits`` of ``samples``.

    (p + z²/2N ± z·√(p(1 − p)/N + z²/4N²))/(1 + z²/N) with z = 1.959964.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    z = 1.959963984540054
    p, rate = hits / samples, z * z / samples
    centre = (p + rate / 2) / (1 + rate)
    half = z * math.sqrt(p * (1 - p) / samples + rate / (4 * samples)) / (1 + rate)
    return max(centre - half, 0.0), min(centre + half, 1.0)
