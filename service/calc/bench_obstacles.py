"""What stands round the die of a bender: bench top, floor, bodies, and the die itself.

Two frames are used, both of a bender that swings the leg ahead anticlockwise seen from above; one
that swings it clockwise is the mirror image, and so is the run on it.

Frame of the bender: origin on the axis of the die, as high as the centre line of the tube; x the
way in which the tube is fed, z up. The tube comes from behind along x at y = −R, R the centre-line
radius of the die, is tangent to the die at x = 0, and turns about z.

Frame of the tube: its third axis is the straight tube itself, along x; the first is y + R, the
second z. In it the tube rolls about, and is fed along, the third axis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from service.calc.centre_line_distance import Indices, Numbers
from service.calc.swept_clearance import Mask, Solids
from service.model import BoxBody, CylinderBody, Surroundings

BodyKind = Literal["bench", "floor", "body", "die", "tube_behind"]


class Body(NamedTuple):
    """What a tube may meet; ``name`` as the shop profile gives it, else empty."""

    kind: BodyKind
    name: str = ""


@dataclass(frozen=True, slots=True)
class BenchBodies:
    """All bodies but die and tube, in the frame of the bender.

    Arguments:
        bodies: what they are
        solids: their form, k of them
        turn: (k,); whether the die carries it round
        least, greatest: (k, 3); the box along the axes that holds each, mm
    """

    bodies: tuple[Body, ...]
    solids: Solids
    turn: Mask
    least: Numbers
    greatest: Numbers

    @property
    def standing(self) -> Indices:
        """Indices of the bodies that stand."""
        return np.nonzero(~self.turn)[0]

    @property
    def turning(self) -> Indices:
        """Indices of the bodies that the die carries round."""
        return np.nonzero(self.turn)[0]


def bench_bodies(surroundings: Surroundings | None) -> BenchBodies:
    """Bench top, floor and bodies as solids.

    The bench top is solid downwards without end, within its edges; so is the floor. A bender that
    swings clockwise is mirrored: y changes its sign.

    Arguments:
        surroundings: mm; None gives no bodies
    """
    around = surroundings or Surroundings()
    boxes = [*_planes(around), *((Body("body", b.name), b) for b in around.boxes)]
    rods = [(Body("body", c.name), c) for c in around.cylinders]
    solids = _solids([b for _, b in boxes], [c for _, c in rods])
    if around.swings == "clockwise":
        solids = _mirrored(solids)
    turn = [b.turns_with_die for _, b in boxes] + [c.turns_with_die for _, c in rods]
    bodies = tuple(body for body, _ in boxes) + tuple(body for body, _ in rods)
    return BenchBodies(bodies, solids, np.array(turn, dtype=np.bool_), *extents(solids))


def _planes(around: Surroundings) -> Sequence[tuple[Body, BoxBody]]:
    planes: list[tuple[Body, BoxBody]] = []
    endless, edges = math.inf, around.bench_edges
    x, y = (-endless, endless), (-endless, endless)
    if edges is not None:
        x, y = (edges.least_x, edges.greatest_x), (edges.least_y, edges.greatest_y)
    if around.bench_below is not None:
        top = (x[1], y[1], -around.bench_below)
        planes.append((Body("bench"), BoxBody("", (x[0], y[0], -endless), top)))
    if around.floor_below is not None:
        low, top = (-endless, -endless, -endless), (endless, endless, -around.floor_below)
        planes.append((Body("floor"), BoxBody("", low, top)))
    return planes


def _solids(boxes: Sequence[BoxBody], rods: Sequence[CylinderBody]) -> Solids:
    a = [b.least for b in boxes] + [c.start for c in rods]
    b = [b.greatest for b in boxes] + [c.end for c in rods]
    radius = [0.0] * len(boxes) + [c.radius for c in rods]
    return Solids(
        np.array(a, dtype=float).reshape(-1, 3),
        np.array(b, dtype=float).reshape(-1, 3),
        np.array(radius),
        np.array([False] * len(boxes) + [True] * len(rods), dtype=bool),
        np.zeros(len(radius)),
    )


def _mirrored(solids: Solids) -> Solids:
    flip = np.array([1.0, -1.0, 1.0])
    a, b = solids.a * flip, solids.b * flip
    box = ~solids.is_round
    a[box, 1], b[box, 1] = b[box, 1], a[box, 1].copy()
    return Solids(a, b, solids.radius, solids.is_round, solids.drawn_in)


def extents(solids: Solids) -> tuple[Numbers, Numbers]:
    """Least and greatest corner of the box along the axes that holds each solid, (k, 3), mm.

    A cylinder reaches radius·√(1 − e²) beyond the ends of its axis, e the share of x, y or z.
    """
    axis = np.where(solids.is_round[:, None], solids.b - solids.a, 0.0)
    length = np.sqrt((axis * axis).sum(axis=1))[:, None]
    share = axis / np.where(length > 0, length, 1.0)
    grown = np.where(solids.is_round, solids.radius, 0.0)[:, None] * np.sqrt(
        np.clip(1.0 - share * share, 0.0, 1.0)
    )
    return np.minimum(solids.a, solids.b) - grown, np.maximum(solids.a, solids.b) + grown


@dataclass(frozen=True, slots=True)
class DieSolids:
    """The die of each of n bends as three cylinders about its axis, in the frame of the bender.

    A groove takes half of the tube, so its bottom is a cylinder of radius R − D/2, and the flanges
    above and below the groove reach the centre line, R. A die whose height is not stated counts as
    the cylinder alone, as high as the tube is thick: the least that it can be. All mm.

    Arguments:
        solids: (3n); groove, upper and lower flange of bend 0, then of bend 1, …
        there: (3n,); whether the die is high enough to have it
        clear_at: (3n,); clearance of a tube that runs straight on from the die for the straight in
            front of the bend: it comes nearer only where the tube turns back
    """

    solids: Solids
    there: Mask
    clear_at: Numbers


def die_solids(
    radius: Numbers, height: Numbers, straight: Numbers, outside_diameter: float
) -> DieSolids:
    """Groove and flanges of the dies.

    Arguments:
        radius: (n,); centre-line radius R of each bend, mm
        height: (n,); of its die, mm; nan where not stated
        straight: (n,); straight in front of each bend, mm
        outside_diameter: D, mm
    """
    rim, zero = outside_diameter / 2, np.zeros_like(radius)
    half = np.fmax(height / 2, rim)
    edge = np.full_like(radius, rim)
    low = np.stack([-half, edge, -half], axis=1).ravel()
    high = np.stack([half, half, -edge], axis=1).ravel()
    reach = np.stack([radius - rim, radius, radius], axis=1).ravel()
    outward = np.repeat(np.hypot(radius, straight), 3) - reach
    beside = np.stack([zero, edge, edge], axis=1).ravel()
    flat = np.zeros_like(low)
    solids = Solids(
        np.stack([flat, flat, low], axis=1),
        np.stack([flat, flat, high], axis=1),
        reach,
        np.ones(len(flat), dtype=bool),
        flat,
    )
    return DieSolids(solids, high > low, np.hypot(outward, beside) - rim)


def seen_along_tube(points: Numbers, radius: Numbers) -> Numbers:
    """Points of the frame of the bender in the frame of the tube, (k, 3), mm.

    Arguments:
        radius: (k,); centre-line radius of the die, mm
    """
    seen = points[:, [1, 2, 0]]
    seen[:, 0] += radius
    return seen
