"""Certified least distances of straights and arcs by subdivision: slow, simple, with proof.

Each arc is cut into pieces. A piece of turn a and radius R stays within R(1 − cos(a/2)) of its
chord, so chords give a lower bound of the distance and points give an upper bound. Pairs of pieces
that cannot hold the least distance are dropped, the others cut in half, until the bounds meet.
Nothing is solved for, so nothing can be missed. Curves are given by points, not by formulas:
a straight by its ends, an arc by start, middle and end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from oracles.polyline import integrate
from oracles.random_runs import Row

Vector = NDArray[np.float64]
MOST_PAIRS = 60_000


@dataclass(frozen=True)
class Curve:
    """A straight (``axis`` zero) or an arc: start turned about the centre by up to ``turn``."""

    start: Vector
    end: Vector
    centre: Vector = field(default_factory=lambda: np.zeros(3))
    axis: Vector = field(default_factory=lambda: np.zeros(3))
    turn: float = 0.0

    def points(self, fraction: Vector) -> Vector:
        """Points at fractions 0 to 1 of the length; (n,) gives (n, 3)."""
        if not self.turn:
            return self.start + fraction[:, None] * (self.end - self.start)
        spin = Rotation.from_rotvec(fraction[:, None] * self.turn * self.axis)
        turned: Vector = self.centre + spin.apply(self.start - self.centre)
        return turned

    def sagitta(self, share: float) -> float:
        """How far a piece of this share of the curve can leave its chord."""
        return self.radius * (1 - float(np.cos(self.turn * share / 2)))

    @property
    def radius(self) -> float:
        """Radius of an arc, 0 of a straight."""
        return float(np.linalg.norm(self.start - self.centre)) if self.turn else 0.0

    @property
    def length(self) -> float:
        """Length along the curve."""
        if self.turn:
            return self.radius * self.turn
        return float(np.linalg.norm(self.end - self.start))


def arc_through(start: Vector, middle: Vector, end: Vector) -> Curve:
    """The arc from start through middle to end."""
    first, second = middle - start, end - start
    normal = np.cross(first, second)
    square = float(normal @ normal)
    to_centre = np.cross((first @ first) * second - (second @ second) * first, normal) / (
        2 * square
    )
    centre, axis = start + to_centre, normal / np.sqrt(square)
    from_start, to_end = start - centre, end - centre
    turn = np.arctan2(axis @ np.cross(from_start, to_end), from_start @ to_end) % (2 * np.pi)
    return Curve(start, end, centre, axis, float(turn))


def curves_of_run(rows: Sequence[Row], last_straight: float) -> list[Curve | None]:
    """Straight, arc, straight, … of an integrated run; None where a straight is zero."""
    line = integrate(rows, last_straight)
    curves: list[Curve | None] = []
    before = np.zeros(3)
    for bend in line.bends:
        curves += [_straight(before, bend.start), arc_through(bend.start, bend.middle, bend.end)]
        before = bend.end
    return [*curves, _straight(before, line.end_point)]


def least_distance(a: Curve, b: Curve, gap: float = 1e-8) -> tuple[float, float]:
    """Lower and upper bound of the least distance, ``gap`` apart unless too many pieces tie."""
    pieces = [16 if curve.turn else 1 for curve in (a, b)]
    first, second = (m.ravel() for m in np.meshgrid(*(np.arange(n) for n in pieces)))
    while True:
        lower, upper = _bounds((a, b), (first, second), pieces)
        keep = lower <= upper.min()
        if upper.min() - lower.min() <= gap or keep.sum() * 4 > MOST_PAIRS:
            return max(float(lower.min()), 0.0), float(upper.min())
        first, second = first[keep], second[keep]
        if a.turn:
            first, second, pieces[0] = *_halved(first, second), 2 * pieces[0]
        if b.turn:
            second, first = _halved(second, first)
            pieces[1] *= 2


@dataclass(frozen=True)
class Samples:
    """Points along a run with the bending (rad) and the length (mm) before each."""

    points: Vector
    turned: Vector
    distances: Vector

    def nearest(self, least_turn: float) -> tuple[float, int, int]:
        """Least distance of two samples with at least ``least_turn`` between, and which two."""
        best = (np.inf, -1, -1)
        for index, point in enumerate(self.points):
            later = int(np.searchsorted(self.turned, self.turned[index] + least_turn))
            if later < len(self.points):
                apart = np.linalg.norm(self.points[later:] - point, axis=1)
                nearest = int(apart.argmin())
                best = min(best, (float(apart[nearest]), index, later + nearest))
        return best

    def nearest_around(self, first: float, second: float, reach: float, least_turn: float) -> float:
        """Least distance of samples within ``reach`` of two distances along the run."""
        here, there = (np.abs(self.distances - at) <= reach for at in (first, second))
        apart = np.linalg.norm(self.points[here][:, None] - self.points[there], axis=2)
        turn = self.turned[there] - self.turned[here][:, None]
        return float(apart[turn >= least_turn].min(initial=np.inf))


def samples_of_run(rows: Sequence[Row], last_straight: float, spacing: float) -> Samples:
    """Points not more than ``spacing`` apart, both ends of every straight and arc among them."""
    pieces, turned, distances, turn, length = [], [], [], 0.0, 0.0
    for curve in curves_of_run(rows, last_straight):
        if curve is not None:
            fraction = np.linspace(0.0, 1.0, int(np.ceil(curve.length / spacing)) + 1)
            pieces.append(curve.points(fraction))
            turned.append(turn + fraction * curve.turn)
            distances.append(length + fraction * curve.length)
            turn, length = turn + curve.turn, length + curve.length
    return Samples(*(np.concatenate(of) for of in (pieces, turned, distances)))


def _straight(start: Vector, end: Vector) -> Curve | None:
    return Curve(start, end) if np.linalg.norm(end - start) > 1e-9 else None


def _halved(cut: NDArray[np.intp], other: NDArray[np.intp]) -> tuple[NDArray[np.intp], ...]:
    return np.concatenate([2 * cut, 2 * cut + 1]), np.concatenate([other, other])


def _bounds(
    curves: tuple[Curve, Curve], at: tuple[NDArray[np.intp], NDArray[np.intp]], pieces: list[int]
) -> tuple[Vector, Vector]:
    (p, u), (q, v) = (
        (c.points(i / n), c.points((i + 1) / n) - c.points(i / n))
        for c, i, n in zip(curves, at, pieces, strict=True)
    )
    s, t = _nearest_on_chords(p, u, q, v)
    chords = np.linalg.norm(q + t[:, None] * v - p - s[:, None] * u, axis=1)
    leave = sum(c.sagitta(1 / n) for c, n in zip(curves, pieces, strict=True))
    on_a = curves[0].points((at[0] + s) / pieces[0])
    on_b = curves[1].points((at[1] + t) / pieces[1])
    # a chord's own foot is found to rounding only
    return chords - leave - 1e-11, np.linalg.norm(on_b - on_a, axis=1)


def _nearest_on_chords(p: Vector, u: Vector, q: Vector, v: Vector) -> tuple[Vector, Vector]:
    """Fractions of nearest points on p + s·u and q + t·v: the best of nine feet, by brute force."""
    w = q - p
    uu, vv, uv = (np.einsum("nk,nk->n", *pair) for pair in ((u, u), (v, v), (u, v)))
    uw, vw = np.einsum("nk,nk->n", u, w), np.einsum("nk,nk->n", v, w)
    det = uu * vv - uv**2
    with np.errstate(divide="ignore", invalid="ignore"):
        free = np.where(det > 0, (uw * vv - vw * uv) / det, 0.0)
    tries = [(s, _foot(uv * s - vw, vv)) for s in (np.clip(free, 0, 1), 0 * uu, 0 * uu + 1)]
    tries += [(_foot(uv * t + uw, uu), t) for t in (0 * uu, 0 * uu + 1)]
    apart = [np.linalg.norm(w + t[:, None] * v - s[:, None] * u, axis=1) for s, t in tries]
    best = np.argmin(apart, axis=0)
    column = np.arange(len(best))
    return np.array([s for s, _ in tries])[best, column], np.array([t for _, t in tries])[
        best, column
    ]


def _foot(along: Vector, square: Vector) -> Vector:
    foot: Vector = np.clip(along / square, 0.0, 1.0)
    return foot
