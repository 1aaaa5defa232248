"""The part as it is after each bend, as points to draw it by."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from service.calc.centre_line_path import centre_line_path
from service.calc.run_geometry import frames
from service.model import Run

Space = tuple[float, float, float]
PER_BEND = 10


class BentStage(NamedTuple):
    """The part after one bend, in the frame of the bend table, mm.

    Arguments:
        bend: its number in the order of the work
        legs: straights and arcs in turn, each as points; the last is the straight up to where the
            next bend will begin, or to the end of the part
        ahead: direction of the tube that is still straight; None after the last bend
    """

    bend: int
    legs: tuple[tuple[Space, ...], ...]
    ahead: Space | None


def bent_stages(run: Run) -> Iterator[BentStage]:
    """The part after each bend; bends are worked in the order of ``run``.

    Source: elementary geometry.
    """
    at = frames(run)
    step = PER_BEND + 1
    points: list[Space] = [(x, y, z) for x, y, z in centre_line_path(run, at, PER_BEND).tolist()]
    legs: list[tuple[Space, ...]] = [(points[0], points[1])]
    for index in range(len(run.bends)):
        arc = points[1 + index * step : 1 + (index + 1) * step]
        straight = (arc[-1], points[1 + (index + 1) * step])
        legs += [tuple(arc), straight]
        last = index == len(run.bends) - 1
        x, y, z = at.after[index].tolist()
        yield BentStage(index + 1, tuple(legs), None if last else (x, y, z))
