"""The motions of a tube on a bench bender, bend by bend, and what each of its parts may meet.

Rotary draw: the clamp holds the tube ahead of the bend to the die, the die turns and swings all
that is ahead of the bend, while the straight tube behind is drawn in. Before the next bend the tube
is fed along itself and rolled about itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from service.calc.bench_obstacles import (
    BenchBodies,
    DieSolids,
    die_solids,
    extents,
    seen_along_tube,
)
from service.calc.centre_line_distance import Indices, Numbers, Parts, parts_from_frames
from service.calc.run_geometry import Frames, Vector, frames
from service.calc.swept_clearance import HALF_TURN, Mask, Motions, Pairs, Solids, point_in_motion
from service.model import Die, Run

Movement = Literal["feed", "roll", "bend"]
MOVEMENTS: tuple[Movement, ...] = ("feed", "roll", "bend")
FEED, ROLL, BEND = range(3)

# Straight in outside diameters that clamp and pressure die hold where the die states none: common
# practice, no published source.
HELD_BY_TRADE = 2.0
# mm and rad; less is no motion and no part
NO_MOTION = 1e-9
RIGHT_ANGLE = math.pi / 2


class Step(NamedTuple):
    """One bend to be made, counted from 0 in the order of the work of its ``Work``.

    Arguments:
        first: the first bend made so far; tube ahead of it is still straight
        bend: the bend to be made now, ``first`` or later; all between are made
        carried_on: whether the tube is fed and rolled on from the bend before
        swung: whether the bend itself is looked at
    """

    first: int
    bend: int
    carried_on: bool = False
    swung: bool = True


@dataclass(frozen=True, slots=True)
class Work:
    """A run as it is worked from one end, with all that does not change from step to step.

    Arguments:
        run: travelled from the end worked first; mirrored for a bender that swings clockwise
        parts: its straights and arcs, 2n + 1, then n straights: the unbent tube ahead of each bend
            were it the first to be made, with the allowance at that end
        begins: (3n + 1,); length along the run where each of these begins, mm, below 0 within the
            allowance
        turned: (3n + 1,); bending before each of these, rad
        swing: (n,); angle through which each bend is cranked, rad
        held: (n,); straight in front of each bend that the clamp holds, mm
        behind: (n,); tube behind the die as each bend is begun, mm
        pressed: (n,); tube behind the start of each bend that the pressure die bears on, mm
    """

    run: Run
    outside_diameter: float
    at: Frames
    parts: Parts
    begins: Numbers
    turned: Numbers
    swing: Numbers
    held: Numbers
    behind: Numbers
    pressed: Numbers
    dies: DieSolids
    radius: Numbers
    straight: Numbers


def work_of(
    run: Run,
    outside_diameter: float,
    dies: Sequence[Die | None],
    set_angles: Sequence[float | None],
    allowances: tuple[float, float],
) -> Work:
    """Prepare the work on a run from its end 1.

    Arguments:
        dies: of each bend, from that end; None where not known
        set_angles: angle to which each bend is cranked, rad; None for the bend angle
        allowances: tube beyond the run at that end and at the other, mm
    """
    at = frames(run)
    parts, bends = parts_from_frames(at, run), run.bends
    begins = np.cumsum(parts.length) - parts.length
    turned = np.cumsum(parts.angle) - parts.angle
    ahead, rear = max(allowances[0], -begins[1]), max(allowances[1], -run.last_straight)
    starts = begins[1::2]
    lead = Parts(
        at.start - (starts + ahead)[:, None] * at.before,
        at.before,
        np.zeros_like(at.before),
        np.zeros(len(bends)),
        starts + ahead,
    )
    radius = np.array([bend.radius for bend in bends])
    straight = np.array([bend.straight for bend in bends])
    height = np.array([math.nan if d is None or d.height is None else d.height for d in dies])
    return Work(
        run=run,
        outside_diameter=outside_diameter,
        at=at,
        parts=_joined_parts(parts, lead),
        begins=np.concatenate([begins, np.full(len(bends), -ahead)]),
        turned=np.concatenate([turned, turned[1::2]]),
        swing=np.array([max(b.angle, s or 0.0) for b, s in zip(bends, set_angles, strict=True)]),
        held=np.array([_held(die, outside_diameter) for die in dies]),
        behind=begins[-1] + run.last_straight - starts + rear,
        pressed=np.array([_pressed(die, outside_diameter) for die in dies]),
        dies=die_solids(radius, height, straight, outside_diameter),
        radius=radius,
        straight=straight,
    )


def _held(die: Die | None, outside_diameter: float) -> float:
    if die is None or die.clamp_length is None:
        return HELD_BY_TRADE * outside_diameter
    return die.clamp_length


def _pressed(die: Die | None, outside_diameter: float) -> float:
    if die is None or die.pressure_die_length is None:
        return HELD_BY_TRADE * outside_diameter
    return die.pressure_die_length


def _joined_parts(a: Parts, b: Parts) -> Parts:
    return Parts(
        np.concatenate([a.origin, b.origin]),
        np.concatenate([a.u, b.u]),
        np.concatenate([a.v, b.v]),
        np.concatenate([a.radius, b.radius]),
        np.concatenate([a.length, b.length]),
    )


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that moves past something in some steps, as the search takes it.

    Arguments:
        step, bend, movement: (m,); of each motion: index into the steps, the bend, the movement
        other_way: (m,); whether it is a roll the long way round
        part: (n,); of each pair: index into ``Work.parts``
        body: (n,); index into the bodies of the bench; one past them the die, two past them the
            tube behind
    """

    work: Work
    motions: Motions
    pairs: Pairs
    bound: Numbers
    step: Indices
    movement: Indices
    other_way: Mask
    part: Indices
    body: Indices
    bend: Indices

    def point(self, pair: int, x: float, at: float) -> Vector:
        """A place of a part in the frame of the bender (not mirrored back), mm."""
        point = point_in_motion(self.pairs, self.motions, pair, x, at)
        motion = self.pairs.motion[pair]
        if self.movement[motion] == BEND:
            return point
        radius = float(self.work.radius[self.bend[motion]])
        return (point[2], point[0] - radius, point[1])


@dataclass(frozen=True, slots=True)
class _Moves:
    """Motions with what they are, and the rows: each part that each of them moves."""

    motions: Motions
    step: Indices
    first: Indices
    bend: Indices
    movement: Indices
    other_way: Mask


@dataclass(frozen=True, slots=True)
class _Rows:
    """Parts in motion: motion, index of the part, the part in the frame of the motion, and ranges.

    ``low``/``high`` bound the height along the axis of motion over the whole motion, ``near``/
    ``far`` the distance from it, mm; ``end`` is the length of the part that may meet what stands.
    """

    motion: Indices
    part: Indices
    parts: Parts
    end: Numbers
    low: Numbers
    high: Numbers
    near: Numbers
    far: Numbers


class _Group(NamedTuple):
    """Pairs of one sort, with their bounds."""

    row: Indices
    body: Indices
    still: Mask
    end: Numbers
    solids: Solids
    skin: float
    cap: Numbers
    turned: Numbers
    bound: Numbers


def scene(work: Work, steps: Sequence[Step], bench: BenchBodies, limit: float) -> Scene:
    """All pairs of parts and bodies in some steps that may come nearer than ``limit``.

    Left out, because the machine puts them there for every tube: the straight within the clamp,
    the arc in the groove, and the tube behind among what moves past the bender. While the tube is
    fed and rolled the clamp stands open. The tube ahead is held against the tube behind only from
    half a turn of bending on, as for a finished run (see ``self_clearance``), and against a body
    that the die carries round from a right angle of bending on: until then it only leads away.

    Arguments:
        limit: clearance beyond which nothing matters, mm
    """
    moves = _moves(work, steps)
    rows = _rows(work, moves)
    groups = [
        _standing(work, moves, rows, bench),
        _carried(work, moves, rows, bench),
        _die(work, moves, rows, len(bench.bodies)),
        _tube_behind(work, moves, rows, len(bench.bodies) + 1),
    ]
    near = [_within(group, limit) for group in groups]
    row = np.concatenate([g.row for g in near])
    pairs = Pairs(
        motion=rows.motion[row],
        still=np.concatenate([g.still for g in near]),
        parts=rows.parts.take(row),
        low=np.zeros(len(row)),
        high=np.concatenate([g.end for g in near]),
        solids=_joined_solids([g.solids for g in near]),
        skin=np.concatenate([np.full(len(g.row), g.skin) for g in near]),
        cap=np.concatenate([g.cap for g in near]),
        turned=np.concatenate([g.turned for g in near]),
    )
    return Scene(
        work,
        moves.motions,
        pairs,
        np.concatenate([g.bound for g in near]),
        moves.step,
        moves.movement,
        moves.other_way,
        rows.part[row],
        np.concatenate([g.body for g in near]),
        moves.bend,
    )


def _within(group: _Group, limit: float) -> _Group:
    near = np.nonzero((group.bound < np.minimum(limit, group.cap)) & (group.end > NO_MOTION))[0]
    return _Group(
        group.row[near],
        group.body[near],
        group.still[near],
        group.end[near],
        group.solids.take(near),
        group.skin,
        group.cap[near],
        group.turned[near],
        group.bound[near],
    )


def _joined_solids(solids: Sequence[Solids]) -> Solids:
    return Solids(
        np.concatenate([s.a for s in solids]),
        np.concatenate([s.b for s in solids]),
        np.concatenate([s.radius for s in solids]),
        np.concatenate([s.is_round for s in solids]),
        np.concatenate([s.drawn_in for s in solids]),
    )


# --- what moves --------------------------------------------------------------------------------


class _Move(NamedTuple):
    item: int
    step: int
    movement: int
    start: float
    span: float
    other_way: bool = False


def _moves(work: Work, steps: Sequence[Step]) -> _Moves:
    listed: list[_Move] = []
    item = 0
    for index, step in enumerate(steps):
        for ways in _ways(work, step):
            listed += [_Move(item, index, *way) for way in ways]
            item += 1
    columns = [np.array(column) for column in zip(*listed, strict=True)] or [np.zeros(0)] * 6
    which, step_of, movement = (column.astype(int) for column in columns[:3])
    motions = Motions(which, columns[3], columns[4], movement != FEED)
    first = np.array([step.first for step in steps], dtype=int)[step_of]
    bend = np.array([step.bend for step in steps], dtype=int)[step_of]
    return _Moves(motions, step_of, first, bend, movement, columns[5].astype(bool))


Way = tuple[int, float, float, bool]


def _ways(work: Work, step: Step) -> Iterable[list[Way]]:
    """Movements of a step, each with the ways to do it: a tube can be rolled either way round.

    A roll is seen from its end, where the tube lies as it is bent: it begins at −rotation.
    """
    bend = work.run.bends[step.bend]
    if step.carried_on and bend.straight > NO_MOTION:
        yield [(FEED, 0.0, bend.straight, False)]
    if step.carried_on and abs(bend.rotation) > NO_MOTION:
        other = bend.rotation - math.copysign(2 * math.pi, bend.rotation)
        yield [(ROLL, -bend.rotation, bend.rotation, False), (ROLL, -other, other, True)]
    if step.swung:
        yield [(BEND, 0.0, float(work.swing[step.bend]), False)]


def _rows(work: Work, moves: _Moves) -> _Rows:
    """Every part that every motion moves: what is ahead, and while bending the straight held.

    While the tube is fed or rolled that straight only slides, or turns about itself.
    """
    count = 2 * (moves.bend - moves.first) + (moves.movement == BEND)
    motion = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(motion)) - np.repeat(np.cumsum(count) - count, count)
    first, bend = moves.first[motion], moves.bend[motion]
    plain = 2 * len(work.run.bends) + 1
    part = np.where(nth == 0, plain + first, 2 * first + nth)
    held = np.where(nth == 2 * (bend - first), work.held[bend], 0.0)
    end = work.parts.length[part] - held
    there = np.nonzero(work.parts.length[part] > NO_MOTION)[0]
    motion, part, end = motion[there], part[there], end[there]
    parts = _posed(work, moves, motion, part)
    return _Rows(motion, part, parts, end, *_ranges(parts, moves.motions, motion))


def _posed(work: Work, moves: _Moves, motion: Indices, part: Indices) -> Parts:
    """Parts where they lie at motion 0, in the frame of their motion.

    The tube at the tangent point is turned so that its travel is −x, for it is worked from its end
    1 on, and the axis of the bend −z; the centre of the bend is then towards +y.
    """
    at, bend, feed = work.at, moves.bend, moves.movement == FEED
    before = np.maximum(bend - 1, 0)
    point = np.where(feed[:, None], at.end[before], at.start[bend])
    travel = np.where(feed[:, None], at.after[before], at.before[bend])
    normal = np.where(feed[:, None], at.normal[before], at.normal[bend])
    x, y, z = -travel, _cross(normal, travel), -normal
    swung = (moves.movement == BEND)[:, None]
    axes = np.stack([np.where(swung, x, y), np.where(swung, y, z), np.where(swung, z, x)], axis=1)
    shift = np.zeros((len(bend), 3))
    shift[:, 1] = np.where(swung[:, 0], -work.radius[bend], 0.0)
    axes, parts = axes[motion], work.parts.take(part)
    return Parts(
        np.einsum("rij,rj->ri", axes, parts.origin - point[motion]) + shift[motion],
        np.einsum("rij,rj->ri", axes, parts.u),
        np.einsum("rij,rj->ri", axes, parts.v),
        parts.radius,
        parts.length,
    )


def _cross(a: Numbers, b: Numbers) -> Numbers:
    (ax, ay, az), (bx, by, bz) = a.T, b.T
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)


def _ranges(
    parts: Parts, motions: Motions, motion: Indices
) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    """Ranges of height along, and of distance from, the axis; those of the chord give or take how
    far an arc leaves it, R(1 − cos(θ/2)).
    """
    ends = parts.points(np.stack([np.zeros_like(parts.length), parts.length], axis=1))
    bulge = parts.radius * (1 - np.cos(parts.angle / 2))
    height = ends[:, :, 2]
    slide = np.where(motions.turns, 0.0, motions.span)[motion]
    low = height.min(axis=1) - bulge + np.minimum(slide, 0.0)
    high = height.max(axis=1) + bulge + np.maximum(slide, 0.0)
    a, chord = ends[:, 0, :2], ends[:, 1, :2] - ends[:, 0, :2]
    square = np.maximum((chord * chord).sum(axis=1), NO_MOTION**2)
    foot = np.clip(-(a * chord).sum(axis=1) / square, 0.0, 1.0)[:, None]
    near = np.sqrt(((a + foot * chord) ** 2).sum(axis=1)) - bulge
    far = np.sqrt((ends[:, :, :2] ** 2).sum(axis=2)).max(axis=1) + bulge
    return low, high, near, far


# --- what it may meet --------------------------------------------------------------------------


def _standing(work: Work, moves: _Moves, rows: _Rows, bench: BenchBodies) -> _Group:
    """Every part in motion with every body that stands."""
    bodies = bench.standing
    row = np.repeat(np.arange(len(rows.motion)), len(bodies))
    body = np.tile(bodies, len(rows.motion))
    solids, least, greatest = bench.solids.take(body), bench.least[body], bench.greatest[body]
    solids, least, greatest = _in_frame(work, moves, rows.motion[row], solids, least, greatest)
    skin, free = work.outside_diameter / 2, np.full(len(row), np.inf)
    bound = _bound(rows, row, least, greatest) - skin
    still = np.zeros(len(row), dtype=bool)
    return _Group(row, body, still, rows.end[row], solids, skin, free, free, bound)


def _carried(work: Work, moves: _Moves, rows: _Rows, bench: BenchBodies) -> _Group:
    """What is ahead, while bending, with bodies that the die carries round."""
    bodies = bench.turning
    end = _counting(work, moves, rows, np.full(len(work.radius), RIGHT_ANGLE))
    swung = np.nonzero((moves.movement[rows.motion] == BEND) & (end > NO_MOTION))[0]
    row, body = np.repeat(swung, len(bodies)), np.tile(bodies, len(swung))
    skin, free = work.outside_diameter / 2, np.full(len(row), np.inf)
    bound = _bound(rows, row, bench.least[body], bench.greatest[body]) - skin
    still = np.ones(len(row), dtype=bool)
    return _Group(row, body, still, end[row], bench.solids.take(body), skin, free, free, bound)


def _die(work: Work, moves: _Moves, rows: _Rows, number: int) -> _Group:
    """What is ahead with the die, which turns along in bending and stands in rolling.

    It counts only where it is nearer than the straight in front of the bend leaves it.
    """
    bend, movement = moves.bend[rows.motion], moves.movement[rows.motion]
    held = (rows.part == 2 * bend) | (moves.first[rows.motion] == bend)
    ahead = np.nonzero((movement != FEED) & ~held)[0]
    row = np.repeat(ahead, 3)
    die = 3 * bend[row] + np.tile(np.arange(3), len(ahead))
    row, die = row[work.dies.there[die]], die[work.dies.there[die]]
    own = work.dies.solids.take(die)
    solids, least, greatest = _in_frame(work, moves, rows.motion[row], own, *extents(own))
    skin, free = work.outside_diameter / 2, np.full(len(row), np.inf)
    bound = _bound(rows, row, least, greatest) - skin
    still, body, cap = movement[row] == BEND, np.full(len(row), number), work.dies.clear_at[die]
    return _Group(row, body, still, rows.end[row], solids, skin, cap, free, bound)


def _tube_behind(work: Work, moves: _Moves, rows: _Rows, number: int) -> _Group:
    """What is ahead, while bending, with the straight tube behind, which grows shorter by R·ψ.

    It counts only where it is nearer than the legs of the tightest bend between are to each other.
    """
    end = _counting(work, moves, rows, HALF_TURN - work.swing)
    row = np.nonzero((moves.movement[rows.motion] == BEND) & (end > NO_MOTION))[0]
    motion = rows.motion[row]
    bend, radius = moves.bend[motion], work.radius[moves.bend[motion]]
    a = np.stack([np.zeros_like(radius), -radius, np.zeros_like(radius)], axis=1)
    b = a - np.stack([work.behind[bend], np.zeros_like(radius), np.zeros_like(radius)], axis=1)
    line = Solids(a, b, np.zeros_like(radius), np.ones(len(row), dtype=bool), radius)
    tightest = [work.radius[f : b + 1].min() for f, b in zip(moves.first, moves.bend, strict=True)]
    skin, cap = work.outside_diameter, 2 * np.array(tightest)[motion] - work.outside_diameter
    between = work.turned[2 * bend] - work.turned[rows.part[row]] - rows.parts.angle[row]
    bound = _bound(rows, row, *extents(line)) - skin
    still, body = np.zeros(len(row), dtype=bool), np.full(len(row), number)
    return _Group(row, body, still, end[row], line, skin, cap, between, bound)


def _counting(work: Work, moves: _Moves, rows: _Rows, least: Numbers) -> Numbers:
    """Length along each part up to where so much bending lies between it and the die, mm.

    Arguments:
        least: (n,); for each bend that is being made, rad
    """
    bend = moves.bend[rows.motion]
    more = work.turned[2 * bend] - work.turned[rows.part] - least[bend] + NO_MOTION
    bent = rows.parts.radius > 0
    length = np.where(bent, rows.parts.radius * more, np.where(more >= 0, np.inf, 0.0))
    return np.minimum(length, rows.end)


def _in_frame(
    work: Work, moves: _Moves, motion: Indices, solids: Solids, least: Numbers, greatest: Numbers
) -> tuple[Solids, Numbers, Numbers]:
    """Solids and the boxes round them in the frame of the motion of each."""
    along = np.nonzero(moves.movement[motion] != BEND)[0]
    radius = work.radius[moves.bend[motion[along]]]
    corners = (solids.a, solids.b, least, greatest)
    for points in corners:
        points[along] = seen_along_tube(points[along], radius)
    return solids, least, greatest


def _bound(rows: _Rows, row: Indices, least: Numbers, greatest: Numbers) -> Numbers:
    """Distance that a part keeps in any motion about or along the axis: what lies between the
    ranges of height along the axis and of distance from it.
    """
    outside = np.maximum(np.maximum(least[:, :2], -greatest[:, :2]), 0.0)
    near = np.hypot(outside[:, 0], outside[:, 1])
    across = np.maximum(np.abs(least[:, :2]), np.abs(greatest[:, :2]))
    far = np.hypot(across[:, 0], across[:, 1])
    up = np.maximum(rows.low[row] - greatest[:, 2], least[:, 2] - rows.high[row])
    out = np.maximum(near - rows.far[row], rows.near[row] - far)
    return np.hypot(np.maximum(up, 0.0), np.maximum(out, 0.0))
