"""Least clearance of straights and arcs that turn or slide past solid bodies; no step is blind.

Each part is followed through its whole motion. Between two looks the motion is bounded, so that
nothing in between can be missed: length and motion are divided until every division is proved to
stay clear of what was found, or is finer than the resolution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.centre_line_distance import Indices, Numbers, Parts
from service.calc.run_geometry import Vector
from service.model import Method

Mask = NDArray[np.bool_]

METHODS = (
    Method(
        "swept-clearance",
        "Least clearance of tube in motion to solid bodies",
        "over a length x ± a and a motion ψ ± w: d ≥ d₀ − |∂d/∂x|·a − |∂d/∂ψ|·w − "
        "½(κa² + 2|n⊥||t⊥|aw + |n⊥|ρw²), n the direction of d, t the tangent, ⊥ square to the axis "
        "of the motion, ρ the distance from it; divided until proved",
        "rigid parts, one axis at a time, past boxes and cylinders; to 0.005 mm",
        ("derived-here",),
    ),
)

# mm; how far above the true least clearance the answer may lie
RESOLUTION = 5e-3
# mm; a clearance up to this counts as touching
TOUCH = 1e-3
# share of a motion to which the begin of a collision is told
CONTACT = 1e-3
# Divisions looked at in one go, and how often one is divided again. Past these the bound of a
# division counts as its clearance, which is never too much.
MOST_CELLS = 20_000
MOST_LEVELS = 40
# pairs looked at first, those with the least bound
FIRST_PAIRS = 100
HALF_TURN = math.pi
TURN_ROUNDING = 1e-9
# Taken off a motion so that what touches ranks before any clearance.
SURELY_FIRST = 1e9
# mm; nearer than this to a body there is no direction away from it
INSIDE = 1e-12

# Columns of the table of pairs. Points and directions take three each.
ORIGIN, U, V, A, B, AXIS = (slice(i, i + 3) for i in range(0, 18, 3))
BEND_RADIUS, CURVATURE, STRAIGHT, IS_ROUND, RADIUS, LENGTH = range(18, 24)
DRAWN_IN, START, WAY, TURNS = range(24, 28)


@dataclass(frozen=True, slots=True)
class Solids:
    """k solid bodies: boxes along the axes of the frame, or cylinders with flat ends.

    Arguments:
        a, b: (k, 3); least and greatest corner of a box, ends of the axis of a cylinder, mm; a box
            may be endless (±inf), which makes a half space of it
        radius: (k,), mm; 0 makes a line of a cylinder
        is_round: (k,); whether it is a cylinder
        drawn_in: (k,); by how much a cylinder grows shorter from ``b`` per unit of the motion
    """

    a: Numbers
    b: Numbers
    radius: Numbers
    is_round: Mask
    drawn_in: Numbers

    def take(self, index: Indices | Mask) -> Solids:
        """Copy the solids at ``index``, in that order."""
        return Solids(
            self.a[index],
            self.b[index],
            self.radius[index],
            self.is_round[index],
            self.drawn_in[index],
        )


@dataclass(frozen=True, slots=True)
class Motions:
    """m motions, each about or along the third axis of the frame that it is seen in.

    Arguments:
        item: (m,); motions of one item are ways to do the same thing, of which the best counts;
            items are numbered in the order of the work
        start, span: (m,); from ``start`` to ``start + span``, rad or mm
        turns: (m,); True for a turn about the axis, False for a slide along it
    """

    item: Indices
    start: Numbers
    span: Numbers
    turns: Mask


@dataclass(frozen=True, slots=True)
class Pairs:
    """n pairs of a part that moves and a solid that stands, in the frame of the motion.

    Arguments:
        motion: (n,); which motion
        still: (n,); True where the solid moves along with the part, so that one look is enough
        parts: as they lie at motion 0
        low, high: (n,); range of the length along the part that counts, mm
        solids: what they pass
        skin: (n,); taken off the distance: radius of the tube, and of the solid if it is a tube
        cap: (n,); clearances of this or more do not count, mm
        turned: (n,); bending between the end of the part and the solid, rad: only places with half
            a turn between count, motion included; inf where that does not matter
    """

    motion: Indices
    still: Mask
    parts: Parts
    low: Numbers
    high: Numbers
    solids: Solids
    skin: Numbers
    cap: Numbers
    turned: Numbers

    def take(self, index: Indices) -> Pairs:
        """Return the pairs at ``index``, in that order."""
        return Pairs(
            self.motion[index],
            self.still[index],
            self.parts.take(index),
            self.low[index],
            self.high[index],
            self.solids.take(index),
            self.skin[index],
            self.cap[index],
            self.turned[index],
        )


@dataclass(slots=True)
class Nearest:
    """What was found, by motion; (m,) each.

    Arguments:
        clearance: mm; inf where nothing came near enough to matter
        pair, x, at: where: pair, length along its part, motion done since its start (≥ 0); of a
            motion that touches, where it is first seen to
        touches: whether clearance is used up
    """

    clearance: Numbers
    pair: Indices
    x: Numbers
    at: Numbers
    touches: Mask


@dataclass(frozen=True, slots=True)
class _Cells:
    """Divisions: pair, and middle ± half of length along the part and of motion done."""

    pair: Indices
    x: Numbers
    a: Numbers
    t: Numbers
    w: Numbers

    def take(self, index: Indices | Mask) -> _Cells:
        return _Cells(self.pair[index], self.x[index], self.a[index], self.t[index], self.w[index])


class _Look(NamedTuple):
    """Places as they lie after the motion: columns of the table, point, tangent, turn, vector from
    the solid, distance from it; (…, k).
    """

    column: Numbers
    point: Numbers
    tangent: Numbers
    turn: tuple[Numbers, Numbers]
    away: Numbers
    distance: Numbers


class _Bounds(NamedTuple):
    """Of divisions: what length and motion can take off the distance, and what is left; (k,)."""

    distance: Numbers
    by_length: Numbers
    by_motion: Numbers
    least: Numbers
    towards_x: Numbers
    towards_t: Numbers


def nearest_in_motion(
    pairs: Pairs,
    motions: Motions,
    bound: Numbers,
    *,
    limit: float = math.inf,
    each: bool = False,
) -> Nearest:
    """Follow all motions at once and find where clearance is least, or where it is used up.

    The distance d of a point to a convex body is convex, so that with n its direction
    d(p + Δ) ≥ d(p) + n·Δ. A place of a part that is moved along by a and turned by w moves by its
    first derivatives and, beyond these, by no more than κa²/2 + |t⊥|aw + ρw²/2, of which only what
    lies along n counts. That bounds d over a whole division; a division whose bound is no less than
    what was found elsewhere needs no second look, the others are divided. Derived here.

    Arguments:
        bound: (n,); a lower bound of the clearance of each pair over its whole motion, mm
        limit: clearance already found elsewhere, mm; more than this does not matter
        each: judge every motion by itself, only whether it touches; otherwise find the least
            clearance of all items, or the first item that touches and where it begins to

    Returns:
        clearance to 0.005 mm where it is the least of all; of an item with several motions the
        largest of theirs counts
    """
    return _Search(pairs, motions, bound, limit, each).run()


def point_in_motion(pairs: Pairs, motions: Motions, pair: int, x: float, done: float) -> Vector:
    """Place of a part at length x when so much of its motion is done, in the frame of the motion.

    Arguments:
        done: rad or mm, from the start of the motion, 0 or more
    """
    column = _table(pairs.take(np.array([pair])), motions)
    point, *_ = _moved(column, np.array([x]), np.array([done]))
    return (float(point[0, 0]), float(point[1, 0]), float(point[2, 0]))


class _Search:
    """One search: the pairs as a table, one column a pair, and what was found so far."""

    def __init__(
        self, pairs: Pairs, motions: Motions, bound: Numbers, limit: float, each: bool
    ) -> None:
        count = len(motions.item)
        self.pairs, self.motions, self.bound = pairs, motions, bound
        self.limit, self.each = limit, each
        self.table = _table(pairs, motions)
        self.span, self.motion, self.cap = (
            np.abs(motions.span),
            pairs.motion,
            pairs.cap - RESOLUTION,
        )
        self.items = int(motions.item.max(initial=-1)) + 1
        self.has_ways = np.bincount(motions.item, minlength=self.items) > 1
        self.last = self.items
        self.waits = bool(np.isfinite(pairs.turned).any())
        self.found = Nearest(
            np.full(count, np.inf),
            np.full(count, -1),
            np.zeros(count),
            np.full(count, np.inf),
            np.zeros(count, dtype=bool),
        )

    def run(self) -> Nearest:
        order = np.argsort(self.bound, kind="stable")
        cells = self._divided_once(self._all_cells(order[:FIRST_PAIRS]))
        rest = order[FIRST_PAIRS:]
        useful = self.bound[rest] < np.minimum(self._limit(), self.cap[rest])
        rest = rest[useful & (self.motions.item[self.motion[rest]] <= self.last)]
        cells = _joined(cells, self._all_cells(rest))
        for _ in range(MOST_LEVELS):
            if not len(cells.pair):
                break
            cells = self._divided_once(cells)
        self._settle(cells)
        return self.found

    def _all_cells(self, index: Indices) -> _Cells:
        p = self.pairs
        low, high = p.low[index], p.high[index]
        half = np.where(p.still[index], 0.0, self.span[p.motion[index]] / 2)
        return _Cells(index, (low + high) / 2, (high - low) / 2, half, half)

    def _divided_once(self, cells: _Cells) -> _Cells:
        """Look at the divisions, keep those that may hold more, and divide them."""
        if not len(cells.pair):
            return cells
        bounds, skin = self._bounds(cells), self.pairs.skin[cells.pair]
        here, least = bounds.distance - skin, bounds.least - skin
        x, t = cells.x - bounds.towards_x * cells.a, cells.t - bounds.towards_t * cells.w
        ends = _Cells(cells.pair, x, cells.a, t, cells.w)
        fine = (here - least < TOUCH) & (least < TOUCH)
        self._offer(cells, np.where(fine, np.minimum(here, TOUCH), here))
        self._offer(ends, self._look(ends).distance - skin)
        self._offer_begins(cells, np.nonzero(fine & (cells.w > 0))[0])
        # what touches all along is divided only until it is known when it begins to
        late = fine & self.found.touches[self.motion[cells.pair]] & (cells.w > 0)
        kept = np.nonzero(self._kept(cells, least) & (~fine | late))[0]
        if len(kept) > MOST_CELLS:
            self._settle(cells.take(kept))
            kept = kept[:0]
        # what touches is looked at for when it begins to, which only shorter motions tell
        by_motion = np.where(here[kept] <= TOUCH, np.inf, bounds.by_motion[kept])
        return _split(cells.take(kept), by_motion >= bounds.by_length[kept])

    def _offer_begins(self, cells: _Cells, index: Indices) -> None:
        """Take note of where the motion of these divisions begins, all of it one clearance."""
        if len(index):
            some = cells.take(index)
            begins = _Cells(some.pair, some.x, some.a, some.t - some.w, some.w)
            self._offer(begins, self._look(begins).distance - self.pairs.skin[some.pair])

    def _look(self, cells: _Cells) -> _Look:
        column = np.take(self.table, cells.pair, axis=1)
        point, tangent, turn = _moved(column, cells.x, cells.t)
        away = point - np.minimum(np.maximum(point, column[A]), column[B])
        is_round = np.nonzero(column[IS_ROUND])[0]
        if len(is_round):
            away[:, is_round] = _from_cylinder(
                column[:, is_round], point[:, is_round], cells.t[is_round]
            )
        return _Look(column, point, tangent, turn, away, np.sqrt((away * away).sum(axis=0)))

    def _bounds(self, cells: _Cells) -> _Bounds:
        look, a, w = self._look(cells), cells.a, cells.w
        column, tangent, distance, (x, y, _) = look.column, look.tangent, look.distance, look.point
        away = look.away / np.maximum(distance, INSIDE)
        k, turns = column[CURVATURE], column[TURNS]
        by_x = (away * tangent).sum(axis=0)
        by_t = column[WAY] * np.where(turns > 0, away[1] * x - away[0] * y, away[2])
        across, reach = np.hypot(away[0], away[1]) * turns, np.hypot(x, y)
        curl = np.minimum(np.hypot(tangent[0], tangent[1]) + k * a, 1.0) * a + (reach + a) * w / 2
        inside, speed = distance < INSIDE, np.where(turns > 0, reach, 1.0)
        bow = k * _in_plane(look, away) * a * a / 2
        by_length = np.where(inside, a, np.abs(by_x) * a + bow)
        by_motion = np.where(inside, speed * w, (np.abs(by_t) + across * curl) * w)
        longer = column[DRAWN_IN] * w * np.maximum((away * column[AXIS]).sum(axis=0), 0.0)
        least = distance - np.minimum(by_length + by_motion, a + speed * w) - longer
        return _Bounds(distance, by_length, by_motion, least, np.sign(by_x), np.sign(by_t))

    def _offer(self, at: _Cells, clearance: Numbers) -> None:
        """Take note of places: the nearest of each motion, and where one first touches."""
        motion, found = self.motion[at.pair], self.found
        touching, touched = clearance <= TOUCH, found.touches[motion]
        # a touching place counts for when it touches, any other for how near it is
        nearer = (clearance < found.clearance[motion]) & ~touched
        counts = np.where(touching, ~touched | (at.t < found.at[motion]), nearer)
        counts &= clearance < self.cap[at.pair]
        if self.waits:
            counts &= self._turned(at.pair, at.x, at.t) >= HALF_TURN - TURN_ROUNDING
        index = np.nonzero(counts)[0]
        rank = np.where(touching[index], at.t[index] - SURELY_FIRST, clearance[index])
        seen: set[int] = set()
        for i in index[np.argsort(rank, kind="stable")].tolist():
            m = int(motion[i])
            if m not in seen:
                seen.add(m)
                found.clearance[m] = min(clearance[i], found.clearance[m])
                found.pair[m], found.x[m], found.at[m] = at.pair[i], at.x[i], at.t[i]
                found.touches[m] = touching[i]

    def _turned(self, pair: Indices, x: Numbers, t: Numbers) -> Numbers:
        """Bending between a place and the solid, motion included."""
        past = self.table[CURVATURE, pair] * (self.pairs.parts.length[pair] - x)
        turned: Numbers = self.pairs.turned[pair] + t + past
        return turned

    def _limit(self) -> float:
        """Clearance at which a division no longer matters."""
        touches = np.ones(self.items, dtype=bool)
        np.logical_and.at(touches, self.motions.item, self.found.touches)
        if self.each:
            return TOUCH
        if touches.any():
            self.last = int(np.argmax(touches))
            return TOUCH
        item = np.full(self.items, -np.inf)
        np.maximum.at(item, self.motions.item, self.found.clearance)
        least = min(float(item.min(initial=np.inf)), self.limit)
        return max(least - RESOLUTION, TOUCH)

    def _kept(self, cells: _Cells, least: Numbers) -> Mask:
        motion, found = self.motion[cells.pair], self.found
        item = self.motions.item[motion]
        own = np.maximum(found.clearance[motion] - RESOLUTION, TOUCH)
        kept = least < np.minimum(np.minimum(own, self.cap[cells.pair]), self._limit())
        earlier = cells.t - cells.w < found.at[motion] - CONTACT * self.span[motion]
        # whether another way is free may not be known yet
        wanted = earlier & ((item == self.last) | self.has_ways[item]) & (not self.each)
        kept &= (item <= self.last) & (~found.touches[motion] | wanted)
        if self.waits:
            first = self._turned(cells.pair, cells.x - cells.a, cells.t + cells.w)
            kept &= first >= HALF_TURN - TURN_ROUNDING
        return kept

    def _settle(self, cells: _Cells) -> None:
        """Let the bound of each division count as its clearance."""
        if len(cells.pair):
            least = self._bounds(cells).least - self.pairs.skin[cells.pair]
            # the place of a division with the most bending before it counts if any does
            x, t = cells.x - cells.a, cells.t + cells.w
            self._offer(_Cells(cells.pair, x, cells.a, t, cells.w), least)


def _table(pairs: Pairs, motions: Motions) -> Numbers:
    p, s, m = pairs.parts, pairs.solids, pairs.motion
    axis = np.where(s.is_round[:, None], s.b - s.a, 0.0) if len(m) else np.zeros((0, 3))
    length = np.sqrt((axis * axis).sum(axis=1))
    axis /= np.where(length > 0, length, 1.0)[:, None]
    way = np.where(motions.span < 0, -1.0, 1.0)[m]
    rows = [p.radius, p.curvature, p.radius == 0, s.is_round, s.radius, length]
    rows += [s.drawn_in, motions.start[m], way, motions.turns[m]]
    return np.vstack([p.origin.T, p.u.T, p.v.T, s.a.T, s.b.T, axis.T, *rows]).astype(float)


def _moved(c: Numbers, x: Numbers, t: Numbers) -> tuple[Numbers, Numbers, tuple[Numbers, Numbers]]:
    """Points and tangents of parts at lengths x after motion t, (3, k) each, and cosine and sine of
    the turn in it.
    """
    bend, straight, radius = c[CURVATURE] * x, c[STRAIGHT], c[BEND_RADIUS]
    cosine, sine = np.cos(bend), np.sin(bend)
    point = c[ORIGIN] + (radius * cosine + x * straight) * c[U] + (radius * sine) * c[V]
    tangent = (straight - sine) * c[U] + (cosine - straight) * c[V]
    motion = c[START] + c[WAY] * t
    turn = motion * c[TURNS]
    cosine, sine = np.cos(turn), np.sin(turn)
    moved = _turned_by(point, cosine, sine)
    moved[2] += motion - turn
    return moved, _turned_by(tangent, cosine, sine), (cosine, sine)


def _in_plane(look: _Look, direction: Numbers) -> Numbers:
    """Share of a direction that lies in the plane of the part; only there an arc curves."""
    cosine, sine = look.turn
    back = _turned_by(direction, cosine, -sine)
    u, v = look.column[U], look.column[V]
    in_plane: Numbers = np.hypot((back * u).sum(axis=0), (back * v).sum(axis=0))
    return in_plane


def _turned_by(vector: Numbers, cosine: Numbers, sine: Numbers) -> Numbers:
    turned = np.empty_like(vector)
    turned[0] = cosine * vector[0] - sine * vector[1]
    turned[1] = sine * vector[0] + cosine * vector[1]
    turned[2] = vector[2]
    return turned


def _from_cylinder(c: Numbers, point: Numbers, t: Numbers) -> Numbers:
    """Vectors from the nearest points of cylinders, (3, k); zero inside."""
    axis, from_a = c[AXIS], point - c[A]
    height = (from_a * axis).sum(axis=0)
    outward = from_a - height * axis
    away = np.sqrt((outward * outward).sum(axis=0))
    length = np.maximum(c[LENGTH] - c[DRAWN_IN] * t, 0.0)
    past = height - np.minimum(np.maximum(height, 0.0), length)
    share = np.maximum(1.0 - c[RADIUS] / np.maximum(away, INSIDE), 0.0)
    from_solid: Numbers = past * axis + share * outward
    return from_solid


def _split(cells: _Cells, by_motion: Mask) -> _Cells:
    """Divide by length or by motion; few divisions into many, which takes fewer rounds."""
    count = len(cells.pair)
    pieces = 7 if count < 40 else 3
    offset = ((2 * np.arange(pieces) + 1) / pieces - 1)[:, None]
    a, w = np.where(by_motion, 0.0, cells.a), np.where(by_motion & (cells.w > 0), cells.w, 0.0)
    return _Cells(
        np.tile(cells.pair, pieces),
        (cells.x + offset * a).ravel(),
        np.tile(np.where(a > 0, cells.a / pieces, cells.a), pieces),
        (cells.t + offset * w).ravel(),
        np.tile(np.where(w > 0, cells.w / pieces, cells.w), pieces),
    )


def _joined(a: _Cells, b: _Cells) -> _Cells:
    return _Cells(
        np.concatenate([a.pair, b.pair]),
        np.concatenate([a.x, b.x]),
        np.concatenate([a.a, b.a]),
        np.concatenate([a.t, b.t]),
        np.concatenate([a.w, b.w]),
    )
