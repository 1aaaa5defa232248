"""The bends to be made, one by one: number, radius, angle, and the tube still straight behind.

A calculation that judges single bends (mandrel, capacity) takes them from here, whether the caller
asked for one radius or for a whole run.
"""

from __future__ import annotations

from typing import NamedTuple

from service.calc.developed_length import NO_ALLOWANCES, Ends
from service.calc.mark_layout import Bench, mark_layout
from service.model import End, Run, Tube


class BendToMake(NamedTuple):
    """One bend of the work.

    Arguments:
        number: from end 1, counted from 1; 1 where a single radius was asked for
        radius: centre-line radius R, mm
        angle: finished bend angle θ, rad; None where only a radius was asked for
        tube_behind: tube from the start tangent point to its rear end before this bend is made, mm,
            straight and unbent; None where unknown
    """

    number: int
    radius: float
    angle: float | None = None
    tube_behind: float | None = None


def bends_of_run(
    run: Run,
    tube: Tube,
    *,
    measured_from: End = "end_1",
    stretch: float = 0.0,
    ends: Ends = NO_ALLOWANCES,
) -> tuple[BendToMake, ...]:
    """The bends of a run in the order of the work, each with the tube behind it.

    Tube behind = cut length − start tangent point, both on the unbent tube.

    Arguments:
        run, tube: mm and rad
        measured_from: the end from which work proceeds; the other one is the rear end
        stretch, ends: as for the mark layout, whose start tangent points these are

    Raises:
        OutOfRangeError: what the mark layout refuses

    Source: elementary geometry.
    """
    layout = mark_layout(
        run, tube, measured_from=measured_from, bench=Bench(), stretch=stretch, ends=ends
    )
    cut = layout.cut_length.exact
    return tuple(
        BendToMake(row.bend, row.radius, row.angle, cut - row.start.exact) for row in layout.bends
    )
