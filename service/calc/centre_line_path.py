"""Points along a centre line, to draw it by: the same number for every run of the same form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.calc.run_geometry import Frames
from service.model import Run

Points = NDArray[np.float64]


def centre_line_path(run: Run, at: Frames, per_bend: int = 12) -> Points:
    """End 1, points along each arc including its tangent points, end 2, mm.

    Two runs with as many bends give points that belong together one by one.

    Arguments:
        run: bend table, mm and rad
        at: its frames, in whichever frame is wanted
        per_bend: equal steps that each arc is divided into

    Returns:
        (2 + (per_bend + 1)·n, 3)
    """
    parts = [at.root[None, :]]
    for i, bend in enumerate(run.bends):
        turned = np.linspace(0.0, bend.angle, per_bend + 1)[:, None]
        outward = (at.start[i] - at.centre[i]) / bend.radius
        arm = np.cos(turned) * outward + np.sin(turned) * at.before[i]
        parts.append(at.centre[i] + bend.radius * arm)
    return np.vstack([*parts, at.tip[None, :]])


def point_along(run: Run, at: Frames, position: float) -> Points:
    """The point of the centre line at a distance along it from end 1, mm.

    Outside the run the first and the last straight are drawn on, as an allowance lies.

    Arguments:
        run: bend table, mm and rad
        at: its frames, in whichever frame is wanted
        position: mm along the centre line

    Returns:
        (3,)
    """
    left, leg = position, at.root
    direction = at.root_direction
    for i, bend in enumerate(run.bends):
        if left <= bend.straight:
            break
        left -= bend.straight
        turned = left / bend.radius
        if turned <= bend.angle:
            outward = (at.start[i] - at.centre[i]) / bend.radius
            arm = np.cos(turned) * outward + np.sin(turned) * at.before[i]
            on_arc: Points = at.centre[i] + bend.radius * arm
            return on_arc
        left, leg, direction = left - bend.radius * bend.angle, at.end[i], at.after[i]
    on: Points = leg + left * direction
    return on
