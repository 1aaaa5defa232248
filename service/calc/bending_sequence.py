"""The order in which the bends of a run are made, and whether the tube clears the bench in it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from service.calc import swept_clearance
from service.calc.bench_obstacles import Body, BodyKind, bench_bodies
from service.calc.bending_motions import (
    MOVEMENTS,
    Movement,
    Scene,
    Step,
    Work,
    scene,
    work_of,
)
from service.calc.developed_length import NO_ALLOWANCES, Ends
from service.calc.run_geometry import Point, check_run, developed_length, mirror, reverse
from service.calc.swept_clearance import TOUCH, Nearest, nearest_in_motion
from service.calc.tube_behind_die import Behind, tube_behind_die
from service.model import Bender, Die, End, Method, Run

OrderKind = Literal["end_1_first", "end_2_first", "from_the_middle"]

METHODS = (
    Method(
        "bending-order",
        "Order of the bends on the bench",
        "end 1 first, end 2 first, and where the tube may be turned round: bends m to n from one "
        "end, the rest from the other; the first order in which nothing touches",
        "rotary draw, the tube ahead of the bend is swung, the tube behind is drawn in straight; "
        "the tube behind is held against what stands only for overlap, as each bend is begun, and "
        "not against bodies that it meets along the pressure die already, which clamp it; "
        "springback of bends made before is not reckoned with",
        ("derived-here", "shop-profile"),
    ),
    *swept_clearance.METHODS,
)

# Starts in the middle that are tried, those nearest the middle bend first.
MOST_MIDDLE_STARTS = 12
# mm; what stays further away than this is not near
FAR = 500.0
# mm; beyond this nothing matters where only touching is asked for
NEAR = 10 * TOUCH
ENDS: tuple[End, End] = ("end_1", "end_2")
# Parts in motion that are looked at together; runs of many bends are taken a few steps at a time.
MOST_ROWS = 4000


class Encounter(NamedTuple):
    """Where a tube comes nearest to something in an order of work, or touches it.

    Arguments:
        step: place in the order of the work, from 1
        bend: the bend that the movement belongs to, from 1 at end 1
        movement: ``feed`` and ``roll`` come before the bend, ``bend`` is the bend itself
        angle: rad; how far the leg is swung, or the tube rolled, right-hand rule along the work;
            None for a feed
        travel: mm; how far the tube is fed; None for a turn
        whole: how far the whole movement goes, rad or mm
        met, name: what it comes near to, with its name in the shop profile
        position: of the place on the tube, along the run from end 1, mm; outside the run within an
            allowance
        part: 2k for the straight before bend k + 1, 2k + 1 for bend k + 1, as drawn
        point: that place in the frame of the bender, mm
        clearance: from surface to surface, mm; of what touches no more is known than that it does
        behind: whether it is the straight tube behind the die that lies in something as the bend is
            begun, before anything is swung
    """

    step: int
    bend: int
    movement: Movement
    angle: float | None
    travel: float | None
    whole: float
    met: BodyKind
    name: str
    position: float
    part: int
    point: Point
    clearance: float
    behind: bool = False


class OrderTried(NamedTuple):
    """One order of the work.

    Arguments:
        bends: bends as they are made, from 1 at end 1
        ahead: the end that is ahead of each of them, and is swung
        turned_before: step before which the tube is turned end for end; None where it is not
        free: whether nothing touches
        nearest: the tightest place where it is free, None where nothing comes within 500 mm; else
            where it first touches
        rolled_back: steps before which the tube is to be rolled the long way round
        lifted_out: steps before which the tube is to be lifted out, because it cannot be fed and
            rolled in place
    """

    kind: OrderKind
    bends: tuple[int, ...]
    ahead: tuple[End, ...]
    turned_before: int | None
    free: bool
    nearest: Encounter | None
    rolled_back: tuple[int, ...] = ()
    lifted_out: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class BendingSequence:
    """Orders tried, up to the first that is free.

    Arguments:
        orders: in the order in which they were tried; empty for a run without a bend
        free: the first that is free; None where none is
        not_tried: how many orders were left out, because there are too many
        surroundings_stated: whether the bender states what stands round it; else only the die and
            the tube behind were reckoned with
        clamping: names of bodies in which the tube behind lies and which count as what clamps it,
            worked from the end tried first
    """

    orders: tuple[OrderTried, ...]
    free: OrderTried | None
    not_tried: int
    surroundings_stated: bool
    clamping: tuple[str, ...] = ()
    methods: tuple[str, ...] = ("bending-order", "swept-clearance")


def bending_sequence(
    run: Run,
    outside_diameter: float,
    bender: Bender,
    *,
    dies: Sequence[Die | None] | None = None,
    set_angles: Sequence[float | None] | None = None,
    ends: Ends = NO_ALLOWANCES,
    work_from: End = "end_1",
    other_orders: bool = True,
) -> BendingSequence:
    """Find an order of the work in which the tube touches neither bench nor bender nor itself.

    The bench is simulated bend by bend. For each bend the tube is fed by its straight and rolled by
    its rotation, the short way round or, where that is tighter, the long way; then the die turns
    through the angle to which the bend is cranked and swings all that is ahead of it about its
    axis, while the straight tube behind is drawn in. What is ahead may meet the bench top within
    its edges, the floor, the bodies of the bender, the sweep of its handle, the die, and the tube
    behind. In all this no step is blind (see ``nearest_in_motion``). The tube behind itself must
    not overlap what stands as the bend is begun (see ``tube_behind_die``); how near it comes to
    what it clears is not told. What is not reckoned with: the tube sagging, springback of the bends
    already made, the lips of a die whose height is not stated, and the way in which the tube is
    taken out in the end.

    Orders, tried in this order: from the end that work proceeds from, from the other one, and,
    where the bender lets the tube be turned round, from each bend but the first and the last, those
    nearest the middle first: the tube is bent from there to its end, turned end for end, and bent
    to its other end. Where it may be turned it may be lifted out as well: feeding and rolling in
    place then block no order; before which steps it is to be lifted is told.

    Arguments:
        run: bend table from end 1, mm and rad
        outside_diameter: D, mm; ends count as rounded off by D/2
        bender: with its surroundings; without them only die and tube behind are reckoned with
        dies: of each bend from end 1; None where not known: the clamp then holds 2·D (common
            practice, no published source)
        set_angles: to which each bend is cranked, rad; the bend angle where None
        ends: allowances lengthen the tube that is swung and the tube behind, mm
        work_from: the end that is tried first
        other_orders: whether to try others when it is not free

    Raises:
        OutOfRangeError: a radius of half the diameter or less, an absurd bend angle

    Source: derived here.
    """
    check_run(run, outside_diameter)
    stated = bender.surroundings is not None
    if not run.bends:
        return BendingSequence((), None, 0, stated)
    job = _Job(run, outside_diameter, bender, dies, set_angles, ends)
    orders: list[OrderTried] = []
    not_tried = 0
    for end in (work_from, _other(work_from))[: 2 if other_orders else 1]:
        kind: OrderKind = "end_1_first" if end == "end_1" else "end_2_first"
        orders.append(_judged(job, kind, [_Phase(end, 0, 0)]))
        if orders[-1].free:
            break
    else:
        if other_orders and bender.tube_can_be_turned:
            struck = {order.ahead[0]: order.nearest for order in orders if order.nearest}
            middle, not_tried = _from_the_middle(job, struck)
            orders += middle
    free = orders[-1] if orders[-1].free else None
    clamping = tuple(job.bodies[body].name for body in sorted(job.behind(work_from).clamping))
    return BendingSequence(tuple(orders), free, not_tried, stated, clamping)


class _Phase(NamedTuple):
    """Bends made one after another from one end, counted from 0 in the work from that end.

    Arguments:
        first: the first bend made ahead of all that are made now
        begin: the first bend made in this phase; it goes on to the other end
    """

    end: End
    first: int
    begin: int


class _Job:
    """What holds for every order; the work from each end is prepared when it is needed."""

    def __init__(
        self,
        run: Run,
        outside_diameter: float,
        bender: Bender,
        dies: Sequence[Die | None] | None,
        set_angles: Sequence[float | None] | None,
        ends: Ends,
    ) -> None:
        around, count = bender.surroundings, len(run.bends)
        self.clockwise = around is not None and around.swings == "clockwise"
        self.run, self.outside_diameter = run, outside_diameter
        self.dies = dies or [None] * count
        self.set_angles = set_angles or [None] * count
        self.ends = ends
        self.lifts = bender.tube_can_be_turned
        self.bench = bench_bodies(around)
        self.bodies = (*self.bench.bodies, Body("die"), Body("tube_behind"))

    @property
    def count(self) -> int:
        return len(self.run.bends)

    def work(self, end: End) -> Work:
        return self._from_end_1 if end == "end_1" else self._from_end_2

    def behind(self, end: End) -> Behind:
        """What the tube behind lies in at each bend of the work from an end."""
        return self._behind_from_end_1 if end == "end_1" else self._behind_from_end_2

    @cached_property
    def _behind_from_end_1(self) -> Behind:
        return tube_behind_die(self.work("end_1"), self.bench)

    @cached_property
    def _behind_from_end_2(self) -> Behind:
        return tube_behind_die(self.work("end_2"), self.bench)

    @cached_property
    def _from_end_1(self) -> Work:
        run = mirror(self.run) if self.clockwise else self.run
        allowances = self.ends.length_1, self.ends.length_2 + self.ends.trim
        return work_of(run, self.outside_diameter, self.dies, self.set_angles, allowances)

    @cached_property
    def _from_end_2(self) -> Work:
        run = reverse(mirror(self.run) if self.clockwise else self.run)
        allowances = self.ends.length_2, self.ends.length_1 + self.ends.trim
        angles = self.set_angles[::-1]
        return work_of(run, self.outside_diameter, self.dies[::-1], angles, allowances)

    def number(self, end: End, bend: int) -> int:
        """Number of a bend from end 1, from 1."""
        return bend + 1 if end == "end_1" else self.count - bend


# --- one order ---------------------------------------------------------------------------------


class _Task(NamedTuple):
    """Steps of the work from one end, with their numbers in the order of the work, from 1."""

    end: End
    steps: Sequence[Step]
    numbers: Sequence[int]


def _tasks(
    job: _Job, phases: Sequence[_Phase], *, carried: bool, swung: bool = True
) -> Iterator[_Task]:
    """The steps of an order.

    Arguments:
        carried: whether feeding and rolling are looked at
        swung: whether bending is looked at
    """
    number = 1
    for phase in phases:
        bends = range(phase.begin, job.count)
        steps = [Step(phase.first, b, carried and b > phase.begin, swung) for b in bends]
        yield _Task(phase.end, steps, range(number, number + len(steps)))
        number += len(steps)


class _Look(NamedTuple):
    """Some steps of one phase, as they were looked at.

    ``numbers`` are those of the steps in the order of the work, from 1; ``way`` is the motion that
    counts of each item, by item.
    """

    end: End
    numbers: Sequence[int]
    steps: Sequence[Step]
    scene: Scene
    found: Nearest
    way: dict[int, int]

    @property
    def first_touching(self) -> int | None:
        """The motion that first touches, however it is done."""
        return next((m for m in self.way.values() if self.found.touches[m]), None)

    @property
    def nearest(self) -> int | None:
        """The motion that comes nearest to something."""
        clearance = self.found.clearance
        least = min(self.way.values(), key=lambda m: (clearance[m], m), default=None)
        return None if least is None or math.isinf(clearance[least]) else least


def _looks(job: _Job, task: _Task, limit: float, *, each: bool = False) -> Iterator[_Look]:
    """Look at steps some at a time, as many as are well looked at together.

    Arguments:
        limit, each: as ``nearest_in_motion``
    """
    done = 0
    for steps in _chunks(task.steps):
        numbers = task.numbers[done : done + len(steps)]
        done += len(steps)
        look = _look(job, task.end, numbers, steps, limit, each)
        yield look
        if look.nearest is not None and not each:
            limit = min(limit, float(look.found.clearance[look.nearest]))


def _chunks(steps: Sequence[Step]) -> Iterator[list[Step]]:
    some: list[Step] = []
    rows = 0
    for step in steps:
        own = (8 if step.carried_on else 2) * (step.bend - step.first) + 1
        if some and rows + own > MOST_ROWS:
            yield some
            some, rows = [], 0
        some.append(step)
        rows += own
    yield some


def _look(
    job: _Job, end: End, numbers: Sequence[int], steps: Sequence[Step], limit: float, each: bool
) -> _Look:
    seen = scene(job.work(end), steps, job.bench, limit)
    found = nearest_in_motion(seen.pairs, seen.motions, seen.bound, limit=limit, each=each)
    way: dict[int, int] = {}
    room = np.where(found.touches, -math.inf, found.clearance)
    for motion, item in enumerate(seen.motions.item.tolist()):
        # of two ways that are as good the short one, which comes first
        if item not in way or room[motion] > room[way[item]]:
            way[item] = motion
    return _Look(end, numbers, steps, seen, found, way)


def _judged(job: _Job, kind: OrderKind, phases: Sequence[_Phase]) -> OrderTried:
    """Follow an order until something touches; else tell its tightest place."""
    tightest, limit = None, FAR
    rolls: list[tuple[int, float]] = []
    for task in _tasks(job, phases, carried=not job.lifts):
        for look in _looks(job, task, limit):
            touching, nearest = look.first_touching, look.nearest
            at = None if touching is None else _encounter(job, look, touching)
            behind = _behind(job, look)
            if behind is not None and (at is None or behind.step <= at.step):
                at = behind
            if at is not None:
                rolls += [roll for roll in _rolls(look) if roll[0] < at.step]
                order = _order(job, kind, phases, at, free=False)
                return order._replace(rolled_back=_back(rolls, NEAR))
            if nearest is not None and look.found.clearance[nearest] < limit:
                limit = float(look.found.clearance[nearest])
                tightest = _encounter(job, look, nearest)
            rolls += _rolls(look)
    order = _order(job, kind, phases, tightest, free=True)
    if job.lifts:
        return _carried_on(job, order, phases)
    return order._replace(rolled_back=_back(rolls, limit))


def _back(rolls: Sequence[tuple[int, float]], limit: float) -> tuple[int, ...]:
    """Steps whose roll is tighter the short way round than the whole order is."""
    return tuple(step for step, clearance in rolls if clearance < limit)


def _order(
    job: _Job, kind: OrderKind, phases: Sequence[_Phase], at: Encounter | None, *, free: bool
) -> OrderTried:
    made = [(p.end, job.number(p.end, b)) for p in phases for b in range(p.begin, job.count)]
    turned = job.count - phases[0].begin + 1 if len(phases) > 1 else None
    ahead, bends = zip(*made, strict=True)
    return OrderTried(kind, bends, ahead, turned, free, at)


def _rolls(look: _Look) -> Iterator[tuple[int, float]]:
    """Steps whose roll may better be done the long way round, with the clearance of the short."""
    for motion in look.way.values():
        if look.scene.other_way[motion]:
            step = look.scene.step[motion]
            yield look.numbers[step], float(look.found.clearance[motion - 1])


def _carried_on(job: _Job, order: OrderTried, phases: Sequence[_Phase]) -> OrderTried:
    """Tell before which steps the tube cannot be fed and rolled in place, or only the long way."""
    back: set[int] = set()
    lifted: set[int] = set()
    for task in _tasks(job, phases, carried=True, swung=False):
        for look in _looks(job, task, NEAR, each=True):
            for motion in look.way.values():
                step = look.numbers[look.scene.step[motion]]
                if look.found.touches[motion]:
                    lifted.add(step)
                elif look.scene.other_way[motion]:
                    back.add(step)
    return order._replace(
        rolled_back=tuple(sorted(back - lifted)), lifted_out=tuple(sorted(lifted))
    )


def _encounter(job: _Job, look: _Look, motion: int) -> Encounter:
    seen, found = look.scene, look.found
    pair, x, done = int(found.pair[motion]), float(found.x[motion]), float(found.at[motion])
    # the ends of divisions are found to rounding only
    x, done = max(x, 0.0), max(done, 0.0)
    body = job.bodies[seen.body[pair]]
    movement = MOVEMENTS[seen.movement[motion]]
    # on a bender that swings clockwise all is mirrored, and rolls with it
    against = (seen.motions.span[motion] < 0) != (job.clockwise and movement == "roll")
    turn = -done if against else done
    position, part = _place(job, look.end, int(seen.part[pair]), x)
    px, py, pz = seen.point(pair, x, done)
    return Encounter(
        step=look.numbers[seen.step[motion]],
        bend=job.number(look.end, int(seen.bend[motion])),
        movement=movement,
        angle=None if movement == "feed" else turn,
        travel=done if movement == "feed" else None,
        whole=abs(float(seen.motions.span[motion])),
        met=body.kind,
        name=body.name,
        position=position,
        part=part,
        point=Point(px, -py if job.clockwise else py, pz),
        clearance=0.0 if found.touches[motion] else float(found.clearance[motion]),
    )


def _behind(job: _Job, look: _Look) -> Encounter | None:
    """What the straight tube behind lies in at the first of these steps at which it does."""
    struck = job.behind(look.end).struck
    found = (
        (number, step.bend, struck[step.bend])
        for number, step in zip(look.numbers, look.steps, strict=True)
    )
    number, bend, hit = next((one for one in found if one[2] is not None), (0, 0, None))
    if hit is None:
        return None
    work, body = job.work(look.end), job.bodies[hit.body]
    position, part = _place(job, look.end, None, float(work.begins[2 * bend + 1]) + hit.behind)
    y = -float(work.radius[bend])
    return Encounter(
        step=number,
        bend=job.number(look.end, bend),
        movement="bend",
        angle=0.0,
        travel=None,
        whole=float(work.swing[bend]),
        met=body.kind,
        name=body.name,
        position=position,
        part=part,
        point=Point(-hit.behind, -y if job.clockwise else y, 0.0),
        clearance=0.0,
        behind=True,
    )


def _place(job: _Job, end: End, part: int | None, x: float) -> tuple[float, int]:
    """Position from end 1 and number of the part as drawn, of a place in the work from an end.

    Arguments:
        part: index into the parts of the work; None where ``x`` is the position from that end
    """
    work, last = job.work(end), 2 * job.count
    position = x if part is None else float(work.begins[part]) + x
    if part is None or part > last:  # not bent yet: where it lies once it is
        part = max(int(np.searchsorted(work.begins[: last + 1], position, side="right")) - 1, 0)
    if end == "end_1":
        return position, part
    return developed_length(job.run) - position, last - part


# --- starting in the middle --------------------------------------------------------------------


class _Start(NamedTuple):
    """An order that starts in the middle: at which bend of the work from which end."""

    end: End
    begin: int


def _from_the_middle(job: _Job, struck: dict[End, Encounter]) -> tuple[list[OrderTried], int]:
    """Orders that start in the middle, up to the first that is free, and how many were left out.

    Arguments:
        struck: where the order that starts from each end first touches
    """
    every = [_Start(end, begin) for begin in range(1, job.count) for end in ENDS]
    every.sort(key=lambda start: (abs(2 * start.begin - job.count), start.end))
    starts, orders = every[:MOST_MIDDLE_STARTS], []
    touching = _touching_in_the_middle(job, starts, struck)
    for start in starts:
        phases = (
            _Phase(start.end, start.begin, start.begin),
            _Phase(_other(start.end), 0, job.count - start.begin),
        )
        at = touching.get(start)
        if at is None:
            orders.append(_judged(job, "from_the_middle", phases))
        else:
            orders.append(_order(job, "from_the_middle", phases, at, free=False))
        if orders[-1].free:
            break
    return orders, len(every) - len(starts)


def _touching_in_the_middle(
    job: _Job, starts: Sequence[_Start], struck: dict[End, Encounter]
) -> dict[_Start, Encounter]:
    """A place where each order touches.

    The second half of an order is the end of the one that starts from the other end. Of that one
    it is known where it first touches; only what comes later, and then the first halves of the
    orders that are left, are looked at.
    """
    touching: dict[_Start, Encounter] = {}
    for end in ENDS:
        here = [start for start in starts if start.end == end]
        _rule_out(touching, here, {(0, struck[_other(end)].step - 1): struck[_other(end)]}, job)
        left = [start for start in here if start not in touching]
        begin = max((start.begin for start in left), default=0)
        steps = [Step(0, bend) for bend in range(job.count - begin, job.count)] if left else []
        numbers = [step.bend + 1 for step in steps]
        _rule_out(touching, left, _touching(job, _Task(_other(end), steps, numbers)), job)
        left = [start for start in here if start not in touching]
        steps = [Step(s.begin, bend) for s in left for bend in range(s.begin, job.count)]
        numbers = [step.bend - step.first + 1 for step in steps]
        for (first, _), at in _touching(job, _Task(end, steps, numbers)).items():
            touching.setdefault(_Start(end, first), at)
    return touching


def _rule_out(
    touching: dict[_Start, Encounter],
    starts: Sequence[_Start],
    found: dict[tuple[int, int], Encounter],
    job: _Job,
) -> None:
    """Note the starts in whose second half a bend of those found is made."""
    for start in starts:
        for (_, bend), at in found.items():
            if bend >= job.count - start.begin:
                touching.setdefault(start, at)


def _touching(job: _Job, task: _Task) -> dict[tuple[int, int], Encounter]:
    """Where bends touch, by first bend made and bend; of each first bend made one is enough."""
    found: dict[tuple[int, int], Encounter] = {}
    seen: set[int] = set()
    for look in _looks(job, task, NEAR, each=True) if task.steps else ():
        for motion in look.way.values():
            step = look.steps[look.scene.step[motion]]
            if look.found.touches[motion] and step.first not in seen:
                seen |= {step.first} if step.first else set()
                found[step.first, step.bend] = _encounter(job, look, motion)
    return found


def _other(end: End) -> End:
    return "end_2" if end == "end_1" else "end_1"
