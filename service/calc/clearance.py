"""Clearance of a tube to itself: which places of a run can meet, and how near they come."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.calc.centre_line_distance import (
    Derivatives,
    Indices,
    LeastPlaces,
    Numbers,
    PairDistances,
    Parts,
    candidates,
    derivatives,
    parts_from_frames,
    segments,
)
from service.calc.run_geometry import Frames, Vector, check_run, frames
from service.model import Method, Run

Mask = NDArray[np.bool_]

METHODS = (
    Method(
        "self-clearance",
        "Clearance of a tube to itself",
        "min |q − p| − D over places p, q from which neither can be slid along the tube to come "
        "nearer; at least 180° of bending lies between two such places",
        "R > D/2 in every bend; a round tube of constant outside diameter",
        ("fenchel-1929", "schur-1921", "durumeric-2007", "derived-here"),
    ),
)

HALF_TURN = math.pi
# Two right angles make a half turn only up to rounding.
TURN_ROUNDING = 1e-6
# A place counts as stationary when sliding it changes the distance d, to first order, by less than
# the fraction STATIONARY + NO_DIRECTION/d of the slide. Candidates are stationary to about 1e-9; a
# lesser one let through is still a true distance of two places with half a turn between them.
STATIONARY = 1e-3
# mm; distance over which rounding can turn the direction between two places
NO_DIRECTION = 1e-4
# Second derivative of half the squared distance down to which a place counts as level, as all
# along parallel legs; it is 1 between crossing straights.
LEVEL = 1e-3
# mm; places nearer than this to each other along the run are one place
COINCIDENT = 1e-6
# mm; approaches of which both places differ by less are one approach, found in parts that meet:
# along touching legs its place is known less well than its distance
SAME_APPROACH = 1e-3
NEIGHBOURS = tuple((i, j) for i in (-1, 0, 1) for j in (-1, 0, 1))
# mm; distances that differ by less are equal
SAME_DISTANCE = 1e-9
# mm; a straight below this is only the point where two bends meet
SHORTEST_PART = 1e-9
# Pairs of parts in the first batch; each further one is twice as large.
FIRST_BATCH = 256
# A run wound up on itself comes near itself in thousands of places; nobody reads them all.
MOST_LISTED = 200


@dataclass(frozen=True, slots=True)
class Approach:
    """Two places of a run that come near each other.

    Part 2k is the straight before bend k + 1 (the last one closes the run), part 2k + 1 is bend
    k + 1. Positions are along the centre line from end 1, points in the frame of the run, distance
    from centre line to centre line, clearance from surface to surface: negative where the tube
    would have to pass through itself. All mm.
    """

    part_a: int
    part_b: int
    position_a: float
    position_b: float
    point_a: Vector
    point_b: Vector
    distance: float
    clearance: float


@dataclass(frozen=True, slots=True)
class SelfClearance:
    """Nearest approach of a run to itself, None where it nowhere turns back on itself.

    ``below`` holds the approaches with less clearance than was asked for, nearest first, and of
    more than 200 the nearest 200.
    """

    nearest: Approach | None
    below: tuple[Approach, ...]
    methods: tuple[str, ...]


def self_clearance(
    run: Run, outside_diameter: float, least: float = 0.0, at: Frames | None = None
) -> SelfClearance:
    """Clearance of a tube to itself, from surface to surface.

    Neighbours are told by bending, not by counting parts: two places of a run are neighbours when
    less than 180° of bending lies between them, added up whatever the planes. The reason: take two
    places from which neither can be slid along the tube, either way, to come nearer (at a tube end:
    back from the end). The straight line between them meets the tube at no less than a right angle
    at both, so line and tube close to a loop with two corners of at most 90°. By Fenchel's theorem
    a closed curve turns by at least 360°, which leaves at least 180° for the tube between. Places
    nearer along the run than that are near only because the tube leads from one to the other,
    whether through a short straight, a zero straight or several slight bends.

    Nothing is missed by this. Places with exactly 180° between them are at least 2R apart, R the
    least radius between (by Schur's comparison theorem no less than if all bends lay in one plane,
    and then at least as far as across a half circle of R), and 2R > D. So if any two places with
    more bending between are nearer than D, the nearest two of all are such a pair. The legs of a U
    of 180° count, with 2R − D between them; the legs of a bend below 180° only move apart.

    For closed curves this is the doubly critical self-distance of the theory of thick curves; the
    two tube ends are added here. An end counts as rounded off by D/2, so that the clearance of one
    cut square is never overstated.

    Arguments:
        outside_diameter: D, mm
        least: clearance asked for, mm, 0 or more
        at: frames of the run where it lies elsewhere than in the frame of its bend table

    Raises:
        OutOfRangeError: a radius of half the diameter or less, an absurd bend angle
    """
    check_run(run, outside_diameter)
    parts = parts_from_frames(at or frames(run), run)
    found = approaches(parts, outside_diameter, least)
    below = tuple(f for f in found if f.clearance < max(least, 0.0))
    methods = ("self-clearance", "centre-line-distance")
    return SelfClearance(found[0] if found else None, below, methods)


def approaches(parts: Parts, outside_diameter: float, least: float = 0.0) -> list[Approach]:
    """The nearest approach of a smooth run of parts to itself and the others below ``least``.

    Pairs are taken by rising lower bound of their distance until the bound passes what was found.

    Arguments:
        parts: in order, each starting where and in the direction in which the one before ends
        outside_diameter, least: mm

    Returns:
        nearest first, at most 200; empty where the run nowhere turns back on itself
    """
    a, b = _pairs_that_may_approach(parts)
    bound = _lower_bounds(parts.take(a), parts.take(b))
    order = np.argsort(bound, kind="stable")
    a, b, bound = a[order], b[order], bound[order]
    limit, found = math.inf, []
    for batch in _batches(len(a)):
        if bound[batch.start] > limit:
            break
        near = _stationary_distances(parts, a[batch], b[batch])
        found.append((a[batch], b[batch], near))
        nearest = min(float(f.distance.min()) for *_, f in found)
        limit = max(nearest, outside_diameter + least)
    return _listed(parts, found, limit, outside_diameter)


def _batches(count: int) -> Iterator[slice]:
    start, size = 0, FIRST_BATCH
    while start < count:
        yield slice(start, min(start + size, count))
        start, size = start + size, 2 * size


# --- which pairs can hold such a place ---------------------------------------------------------


def _pairs_that_may_approach(parts: Parts) -> tuple[Indices, Indices]:
    """Pairs a ≤ b with half a turn from start of a to end of b, and tangents that can be square.

    Let E lead from the middle of a to the middle of b, each part within a sphere round its middle.
    The line between any two of their points is E give or take the sum s of the sphere radii. Where
    the tangent T is square to that line, |T·E| ≤ s.
    """
    middle, reach = _spheres(parts)
    turned = np.cumsum(parts.angle)
    enough = turned[None, :] - (turned - parts.angle)[:, None] >= HALF_TURN - TURN_ROUNDING
    there = parts.length > SHORTEST_PART
    slack = reach[:, None] + reach[None, :]
    leaves = _can_be_square(parts, middle, slack)
    # seen from end 2 the run is the same with all tangents turned round: E and T both change sign
    meets = _can_be_square(_reversed(parts), middle[::-1], slack[::-1, ::-1])[::-1, ::-1].T
    a, b = np.nonzero(np.triu(enough & leaves & meets) & there[:, None] & there[None, :])
    return a, b


def _can_be_square(parts: Parts, middle: Numbers, slack: Numbers) -> Mask:
    """Whether a tangent of row a can be square to the line to column b, (n, n).

    Along an arc T·E is a sinusoid, whose range follows from T and its change half way. At a tube
    end it is enough that the tangent points away from the other place.
    """
    _, tangent, bow = (of[:, 0] for of in parts.at(parts.length[:, None] / 2))
    inward = bow * parts.radius[:, None]
    along, across = (t @ middle.T - _own(t, middle) for t in (tangent, inward))
    size, phase = np.hypot(along, across), np.abs(np.arctan2(across, along))
    half = parts.angle[:, None] / 2
    least = size * np.cos(np.minimum(phase + half, math.pi))
    most = size * np.cos(np.maximum(phase - half, 0.0))
    at_end = (np.cumsum(parts.length) - parts.length <= SHORTEST_PART)[:, None]
    square: Mask = (least <= slack) & ((most >= -slack) | at_end)
    return square


def _own(direction: Numbers, middle: Numbers) -> Numbers:
    own: Numbers = np.einsum("nk,nk->n", direction, middle)[:, None]
    return own


def _reversed(parts: Parts) -> Parts:
    """The same parts from end 2 to end 1, each travelled the other way."""
    bent = parts.radius[:, None] > 0
    end, tangent, bow = (of[:, 0] for of in parts.at(parts.length[:, None]))
    origin = np.where(bent, parts.origin, end)
    outward = -parts.radius[:, None] * bow
    u, v = np.where(bent, outward, -tangent), np.where(bent, -tangent, 0.0)
    return Parts(origin, u, v, parts.radius, parts.length).take(slice(None, None, -1))


def _spheres(parts: Parts) -> tuple[Numbers, Numbers]:
    """Middle of the chord of each part, and the radius round it that holds the part."""
    chord, bulge = _chords(parts)
    middle = chord.points(chord.length[:, None] / 2)[:, 0]
    return middle, np.maximum(chord.length / 2, bulge)


def _chords(parts: Parts) -> tuple[Parts, Numbers]:
    """Chords, and how far a part leaves its own: R(1 − cos(θ/2)), for every θ below a turn."""
    ends = parts.points(np.stack([np.zeros_like(parts.length), parts.length], axis=1))
    return segments(ends[:, 0], ends[:, 1]), parts.radius * (1 - np.cos(parts.angle / 2))


def _lower_bounds(a: Parts, b: Parts) -> Numbers:
    """Distance of the chords less what the parts leave them by; none needed for a single batch."""
    if len(a.length) <= FIRST_BATCH:
        return np.zeros(len(a.length))
    (chord_a, bulge_a), (chord_b, bulge_b) = _chords(a), _chords(b)
    bound = -bulge_a - bulge_b - COINCIDENT
    for rows, x, y in candidates(chord_a, chord_b):
        apart = chord_b.take(rows).points(y) - chord_a.take(rows).points(x)
        bound[rows] += np.linalg.norm(apart, axis=2).min(axis=1)
    return bound


# --- the places themselves ---------------------------------------------------------------------


def _stationary_distances(parts: Parts, a: Indices, b: Indices) -> PairDistances:
    """Least distance of places that count, for each pair; infinite where it has none."""
    least = LeastPlaces(parts.take(a), parts.take(b))
    for rows, x, y in candidates(least.a, least.b):
        least.offer(rows, _counting(parts, a[rows], b[rows], x, y), (x, y))
    return least.settled()


def _counting(parts: Parts, a: Indices, b: Indices, x: Numbers, y: Numbers) -> Numbers:
    """Distances of places, infinite where one can be slid nearer or half a turn is lacking."""
    at = derivatives(parts.take(a), parts.take(b), x, y)
    turned = np.cumsum(parts.angle) - parts.angle
    turn = turned[b, None] + parts.curvature[b, None] * y
    turn -= turned[a, None] + parts.curvature[a, None] * x
    begins = np.cumsum(parts.length) - parts.length
    at_end_1 = begins[a, None] + x <= SHORTEST_PART
    at_end_2 = begins[-1] + parts.length[-1] - begins[b, None] - y <= SHORTEST_PART
    counts = (turn >= HALF_TURN - TURN_ROUNDING) & _held(at, at_end_1, at_end_2) & _least(at)
    return np.where(counts, at.distance, np.inf)


def _held(at: Derivatives, at_end_1: Mask, at_end_2: Mask) -> Mask:
    """Whether sliding brings neither place nearer: T·r = 0, or at its tube end T·r ≤ 0."""
    allowed = STATIONARY * at.distance + NO_DIRECTION
    held_a = (at.towards_a <= allowed) & ((at.towards_a >= -allowed) | at_end_1)
    held_b = (at.towards_b <= allowed) & ((at.towards_b >= -allowed) | at_end_2)
    held: Mask = held_a & held_b
    return held


def _least(at: Derivatives) -> Mask:
    """Whether the distance is least there, or level, and not greatest one way along the tube.

    A place kept back by its tube end cannot be slid, so its second derivatives do not matter.
    """
    allowed = STATIONARY * at.distance + NO_DIRECTION
    kept_a, kept_b = at.towards_a < -allowed, at.towards_b < -allowed
    along_a, along_b = np.where(kept_a, 1.0, at.along_a), np.where(kept_b, 1.0, at.along_b)
    mixed = np.where(kept_a | kept_b, 0.0, at.mixed)
    # lesser eigenvalue of the second derivatives: below 0 at a saddle and at a greatest distance
    least: Mask = (along_a + along_b) / 2 - np.hypot((along_a - along_b) / 2, mixed) >= -LEVEL
    return least


def _listed(
    parts: Parts,
    found: list[tuple[Indices, Indices, PairDistances]],
    limit: float,
    outside_diameter: float,
) -> list[Approach]:
    """Approaches up to the limit, nearest first; one seen from parts that meet is listed once."""
    if not found:
        return []
    a, b, distance, x, y = (np.concatenate(of) for of in zip(*map(_flat, found), strict=True))
    begins = np.cumsum(parts.length) - parts.length
    from_a, from_b = begins[a] + x, begins[b] + y
    # equal distances, as of parallel legs, are settled by position, not by their last digit
    order = np.lexsort((from_b, from_a, np.round(distance / SAME_DISTANCE)))
    listed: dict[tuple[int, int], int] = {}
    for row in order[distance[order] <= limit + SAME_DISTANCE].tolist():
        i, j = int(from_a[row] // SAME_APPROACH), int(from_b[row] // SAME_APPROACH)
        near = (listed.get((i + di, j + dj)) for di, dj in NEIGHBOURS)
        if any(k is not None and _same(from_a, from_b, k, row) for k in near):
            continue
        listed[i, j] = row
        if len(listed) == MOST_LISTED:
            break
    return [
        _approach(parts, (int(a[k]), int(b[k])), (x[k], y[k]), distance[k], outside_diameter)
        for k in listed.values()
    ]


def _same(from_a: Numbers, from_b: Numbers, one: int, other: int) -> bool:
    apart = max(abs(from_a[one] - from_a[other]), abs(from_b[one] - from_b[other]))
    return bool(apart < SAME_APPROACH)


def _flat(found: tuple[Indices, Indices, PairDistances]) -> tuple[NDArray[Any], ...]:
    """Columns of a batch without the pairs in which nothing counts."""
    a, b, near = found
    columns = (a, b, near.distance, near.x_a, near.x_b)
    return tuple(column[np.isfinite(near.distance)] for column in columns)


def _approach(
    parts: Parts,
    pair: tuple[int, int],
    at: tuple[float, float],
    distance: float,
    outside_diameter: float,
) -> Approach:
    return Approach(
        part_a=pair[0],
        part_b=pair[1],
        position_a=float(parts.length[: pair[0]].sum() + at[0]),
        position_b=float(parts.length[: pair[1]].sum() + at[1]),
        point_a=_point(parts, pair[0], at[0]),
        point_b=_point(parts, pair[1], at[1]),
        distance=float(distance),
        clearance=float(distance) - outside_diameter,
    )


def _point(parts: Parts, part: int, x: float) -> Vector:
    point = parts.take(slice(part, part + 1)).points(np.array([[x]]))[0, 0]
    return (float(point[0]), float(point[1]), float(point[2]))
