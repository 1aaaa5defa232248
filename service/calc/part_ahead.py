"""How far the part ahead of the die reaches from it at each bend, and swings round with it.

At a rotary-draw bender the clamp holds the tube ahead of the bend to the die: the die turns, and
all that is ahead turns with it as one rigid body, while the straight tube behind is drawn in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.calc.run_geometry import frames
from service.model import Method, Run

Numbers = NDArray[np.float64]
# mm; nearer to the axis of an arc every point of it is equally far
ON_AXIS = 1e-9

METHODS = (
    Method(
        "reach-of-the-part-ahead",
        "Reach of the part ahead of the die",
        "greatest distance of its centre line from the centre of the bend, straights at their "
        "ends, arcs √(h² + (q + R)²) where their furthest point lies on them, and half the outside "
        "diameter",
        "what is ahead as it stands after the bends before; no less than how far it swings round",
        ("derived-here",),
    ),
)


def reach_of_part_ahead(run: Run, outside_diameter: float, allowance: float = 0.0) -> list[float]:
    """Greatest distance of the part ahead from the centre of each bend, mm.

    The part ahead turns about the axis of the die, so its distances from the centre of the bend do
    not change while it swings. The distance in space is no less than that from the axis, which is
    the radius of what it sweeps, and no less than its height above the plane of bending.

    A straight is furthest at one of its ends. From a point at the height h over the plane of an arc
    and q from its axis, a circle of radius R is furthest on the other side of the axis:
    √(h² + (q + R)²); where that place is not on the arc, one of its ends is furthest. Half the
    outside diameter is added for the surface of the tube.

    Arguments:
        run: from the end that is worked first, mm and rad
        outside_diameter: D, mm
        allowance: tube added at that end, mm; below 0 what is taken off

    Source: derived here.
    """
    at, bends = frames(run), run.bends
    begin = at.root - max(allowance, -bends[0].straight) * at.root_direction
    square = _squares(at.centre[:, None, :] - at.start[None, :, :])
    # of bend i only what comes before it is ahead: starts up to its own, arcs and ends before it
    until = np.tri(len(bends), dtype=bool)
    before = np.tri(len(bends), k=-1, dtype=bool)
    greatest = np.maximum(
        _squares(at.centre - begin), np.where(until, square, 0.0).max(axis=1, initial=0.0)
    )
    ends = _squares(at.centre[:, None, :] - at.end[None, :, :])
    greatest = np.maximum(greatest, np.where(before, ends, 0.0).max(axis=1, initial=0.0))
    radius = np.array([bend.radius for bend in bends])
    angle = np.array([bend.angle for bend in bends])
    offset = at.centre[:, None, :] - at.centre[None, :, :]
    height = np.einsum("ijk,jk->ij", offset, at.normal)
    outward = np.einsum("ijk,jk->ij", offset, at.start - at.centre) / radius
    along = np.einsum("ijk,jk->ij", offset, at.before)
    apart = np.hypot(outward, along)
    furthest = np.mod(np.arctan2(-along, -outward), 2 * np.pi)
    on_arc = before & ((furthest <= angle) | (apart < ON_AXIS))
    arcs = np.where(on_arc, height**2 + (apart + radius) ** 2, 0.0)
    greatest = np.maximum(greatest, arcs.max(axis=1, initial=0.0))
    found: list[float] = (np.sqrt(greatest) + outside_diameter / 2).tolist()
    return found


def _squares(vectors: Numbers) -> Numbers:
    squares: Numbers = np.einsum("...k,...k->...", vectors, vectors)
    return squares
