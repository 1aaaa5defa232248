"""What a review asks of the work on the bench: that the tube clears bench and bender meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from service.calc.bend_rules import (
    Check,
    Cure,
    NotChecked,
    Reason,
    ReviewCase,
    below,
    length,
    other_end,
)
from service.calc.bend_rules_forming import Formed
from service.calc.bend_rules_geometry import straight_for_clamp
from service.calc.bending_sequence import (
    BendingSequence,
    Encounter,
    OrderTried,
    bending_sequence,
)
from service.errors import Amount, Kind, Value, Word


class Sequenced(NamedTuple):
    """What was found, with all orders that were tried; None where none could be."""

    checks: tuple[Check, ...] = ()
    not_checked: tuple[NotChecked, ...] = ()
    methods: tuple[str, ...] = ()
    sequence: BendingSequence | None = None


def sequence_checks(
    case: ReviewCase, formed: Sequence[Formed], *, other_orders: bool = True
) -> Sequenced:
    """Judge the order of the work from the end that it proceeds from; where it blocks, seek others.

    A run that only clears the bench begun in the middle needs care, if each straight that the clamp
    then grips is long enough.

    Arguments:
        case: the case; of a run that cannot be built, or a bender that does not state what stands
            round it, nothing can be told
        formed: its bends as judged, from end 1, with their dies
        other_orders: whether to seek other orders

    Raises:
        OutOfRangeError: what the sequence refuses
    """
    reason = _reason(case)
    if reason is not None:
        return Sequenced(not_checked=(NotChecked("bending_order", reason),))
    found = bending_sequence(
        case.run,
        case.tube.outside_diameter,
        case.bench.bender,
        dies=[one.die if one.die_fits else None for one in formed],
        set_angles=[one.set_angle for one in formed],
        ends=case.ends,
        work_from=case.work_from,
        other_orders=other_orders,
    )
    return Sequenced(tuple(_checks(case, formed, found)), (), found.methods, found)


def _reason(case: ReviewCase) -> Reason | None:
    if not case.can_be_built:
        return "cannot_be_built"
    if not case.run.bends:
        return "no_bend"
    return None if case.bench.bender.surroundings else "not_stated"


def _checks(case: ReviewCase, formed: Sequence[Formed], found: BendingSequence) -> Iterable[Check]:
    first, free = found.orders[0], found.free
    if first.free:
        yield _clear(case, first)
        yield from _by_the_way(first)
        return
    assert first.nearest is not None  # something touches
    if free is None or free.kind != "from_the_middle" or not _gripped(case, formed, free):
        other = Cure("work_from", end=other_end(case.work_from))
        cures = (other,) if free is not None and free.kind != "from_the_middle" else ()
        yield _struck(case, first.nearest, cures=cures)
        return
    begin = Cure("begin_at", bend=free.bends[0])
    yield _struck(case, first.nearest, cures=(begin,), order=free)
    yield from _by_the_way(free)


def _clear(case: ReviewCase, order: OrderTried) -> Check:
    near = order.nearest
    return Check(
        "bending_order",
        "review_order_clear",
        "ok",
        None if near is None else length(near.clearance),
        length(0.0),
        bend=None if near is None else near.bend,
        end=case.work_from,
        values={} if near is None else _told(near),
    )


def _struck(
    case: ReviewCase, near: Encounter, *, cures: tuple[Cure, ...], order: OrderTried | None = None
) -> Check:
    """The first order strikes something; ``order`` is the one begun in the middle that does not."""
    if near.behind and order is None:
        return _struck_behind(case, near, cures)
    kind: Kind = "length" if near.movement == "feed" else "angle"
    done = near.travel if near.angle is None else abs(near.angle)
    middle: dict[str, Value] = {}
    if order is not None and order.turned_before is not None:
        middle = {"first": order.bends[0], "step": order.turned_before}
    return Check(
        "bending_order",
        "review_order_collides" if order is None else "review_order_from_the_middle",
        "blocks" if order is None else "needs_care",
        Amount(done or 0.0, kind),
        Amount(near.whole, kind),
        bend=near.bend,
        end=case.work_from,
        cures=cures,
        values={**_told(near), **middle},
    )


def _struck_behind(case: ReviewCase, near: Encounter, cures: tuple[Cure, ...]) -> Check:
    """The straight tube behind the die lies in something before anything is swung."""
    return Check(
        "bending_order",
        "review_order_blocked_behind",
        "blocks",
        bend=near.bend,
        end=case.work_from,
        cures=cures,
        values=_told(near),
    )


def _told(near: Encounter) -> dict[str, Value]:
    return {
        "obstacle": near.name or Word(f"met_{near.met}"),
        "movement": Word("movement_behind" if near.behind else f"movement_{near.movement}"),
        "position": length(near.position),
    }


def _by_the_way(order: OrderTried) -> Iterable[Check]:
    """Before which bends the tube is to be lifted out, or rolled the long way round."""
    for step in order.lifted_out:
        yield _handled(order.bends[step - 1], "review_tube_to_lift_out", Cure("lift_out"))
    for step in order.rolled_back:
        yield _handled(order.bends[step - 1], "review_roll_long_way", Cure("roll_long_way"))


def _handled(bend: int, code: str, cure: Cure) -> Check:
    return Check("bending_order", code, "needs_care", bend=bend, cures=(cure,))


def _gripped(case: ReviewCase, formed: Sequence[Formed], order: OrderTried) -> bool:
    """Whether each straight that is gripped in an order from the middle is long enough.

    The bend made first has unbent tube in front of it, and so all that is needed.
    """
    for bend, end in zip(order.bends[1:], order.ahead[1:], strict=True):
        one = formed[bend - 1]
        needed = straight_for_clamp(case.tube, one.radius, one.die if one.die_fits else None)
        if below(case.straights[bend - 1 if end == "end_1" else bend], needed.least):
            return False
    return True
