"""What the load on the bender says of a bend that is hard to crank."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from service.calc.capacity_check import BendCapacity
from service.calc.fault_case import FaultCase, Found, compared, silent
from service.errors import Amount
from service.model import Method

METHODS = (
    Method(
        "fault-load",
        "Load against capacity, as the cause of a hard crank",
        "share of the capacity that the strongest tube of this material uses: above 80 % hard to "
        "crank, above 100 % too hard",
        "friction not counted unless it was sent; 80 % is common practice, unless the caller says "
        "otherwise",
        ("common-practice", "derived-here"),
    ),
)


def _row(case: FaultCase) -> BendCapacity | Found:
    """The capacity check's row of this bend; or what is missing."""
    answer = case.capacity
    if answer is None:
        return silent("bender_unknown", "/bender")
    if case.strength is None:
        return silent("strength_unknown", "/tube/material")
    if not answer.bends:
        return silent("bend_unknown", "/radius", "/run", "/die")
    return answer.bends[0]


def _share(case: FaultCase, most: float, for_it: str, against_it: str) -> Found:
    row = _row(case)
    if isinstance(row, Found):
        return row
    if row.utilisation is None:
        return silent("capacity_unknown", "/bender/rated_tubes")
    case.used.append("fault-load")
    value, limit = Amount(row.utilisation, "percent"), Amount(most, "percent")
    return compared(row.utilisation > most, for_it, against_it, value, limit)


def load_above_capacity(case: FaultCase) -> Found:
    """Utilisation by the strongest tube against the whole capacity."""
    return _share(case, 1.0, "load_passes_capacity", "load_is_within_capacity")


def load_high(case: FaultCase) -> Found:
    """Utilisation by the strongest tube against what the trade calls high."""
    return _share(case, case.limits.high_utilisation, "load_is_high", "load_is_not_high")


def crank_heavy(case: FaultCase) -> Found:
    """Hand force for the strongest tube against what the shop allows."""
    row = _row(case)
    if isinstance(row, Found):
        return row
    drive = case.bender.bender.drive if case.bender else None
    if row.crank is None or drive is None or drive.comfortable_force is None:
        return silent("crank_unknown", "/bender/drive")
    value, limit = (
        Amount(row.crank.force_largest, "force"),
        Amount(drive.comfortable_force, "force"),
    )
    return compared(
        value.value > limit.value, "crank_force_is_high", "crank_force_is_comfortable", value, limit
    )


def strength_decides(case: FaultCase) -> Found:
    """Whether the weakest tube of the material is easy to bend and the strongest is not."""
    row = _row(case)
    if isinstance(row, Found):
        return row
    if row.utilisation is None or row.utilisation_least is None:
        return silent("capacity_unknown", "/bender/rated_tubes")
    case.used.append("fault-load")
    most = case.limits.high_utilisation
    between = row.utilisation_least <= most < row.utilisation
    found = compared(
        between,
        "strength_makes_it_hard",
        "strength_does_not_decide",
        Amount(row.utilisation, "percent"),
        Amount(most, "percent"),
    )
    return replace(found, values={"least": Amount(row.utilisation_least, "percent")})


TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    "load_above_capacity": load_above_capacity,
    "load_high": load_high,
    "crank_heavy": crank_heavy,
    "strength_decides": strength_decides,
}
