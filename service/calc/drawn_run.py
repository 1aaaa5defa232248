"""A run as it is drawn: its intersection points stay where they are when a radius changes.

A run that cannot be built, because two intersection points are too close for their radii, still
has legs, angles and rotations; that is what a review works on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.calc.run_geometry import (
    LARGEST_VERTEX_ANGLE,
    STRAIGHT_ROUNDING,
    Vector,
    run_from_vertices,
)
from service.model import Bend, Method, Run

METHODS = (
    Method(
        "radius-on-drawn-points",
        "Straights that remain when a radius changes",
        "straight = leg − R·tan(θ/2) at either end; intersection points, angles and rotations stay",
        "bends below 179.4°; a bend of more keeps its straights and moves what follows it",
        ("elementary-geometry",),
    ),
)


@dataclass(frozen=True, slots=True)
class DrawnRun:
    """Legs between intersection points, mm; angles and rotations, rad.

    ``corners`` are rows of a bend table whose ``straight`` is the leg before the corner, and whose
    ``radius`` is the one drawn. Where a bend has no vertex, the leg ends at its tangent point.
    ``from_vertices`` tells whether vertices were given.
    """

    corners: tuple[Bend, ...]
    last_leg: float
    from_vertices: bool = False

    @property
    def legs(self) -> tuple[float, ...]:
        """All legs from end 1, mm."""
        return (*(corner.straight for corner in self.corners), self.last_leg)

    @property
    def radii(self) -> tuple[float, ...]:
        """The radii drawn, mm."""
        return tuple(corner.radius for corner in self.corners)


def set_back_or_zero(radius: float, angle: float) -> float:
    """Set-back R·tan(θ/2), mm; 0 for a bend without a vertex, whose legs end at its tangents."""
    return radius * math.tan(angle / 2) if angle <= LARGEST_VERTEX_ANGLE else 0.0


def drawn_from_run(run: Run) -> DrawnRun:
    """The legs of a bend table."""
    backs = [0.0, *(set_back_or_zero(b.radius, b.angle) for b in run.bends), 0.0]
    corners = tuple(
        replace(bend, straight=bend.straight + backs[i] + backs[i + 1])
        for i, bend in enumerate(run.bends)
    )
    return DrawnRun(corners, run.last_straight + backs[len(run.bends)])


def drawn_from_vertices(points: Sequence[Vector], radii: Sequence[float]) -> DrawnRun:
    """The legs of vertices, also of those too close for their radii.

    Arguments:
        points: end 1, intersection points, end 2, mm
        radii: centre-line radius at each intersection point, mm

    Raises:
        GeometryError: a repeated vertex, three in line, or a leg that folds back
    """
    # with no radius at all every straight is its whole leg, so that nothing can be too close
    sharp = run_from_vertices(points, [0.0] * len(radii))
    corners = tuple(replace(b, radius=r) for b, r in zip(sharp.bends, radii, strict=True))
    return DrawnRun(corners, sharp.last_straight, from_vertices=True)


def straights(drawn: DrawnRun, radii: Sequence[float]) -> tuple[float, ...]:
    """Straights between tangent points with these radii, mm; below 0 where a leg is too short."""
    angles = [corner.angle for corner in drawn.corners]
    backs = [0.0, *map(set_back_or_zero, radii, angles), 0.0]
    return tuple(leg - backs[i] - backs[i + 1] for i, leg in enumerate(drawn.legs))


def run_with_radii(drawn: DrawnRun, radii: Sequence[float]) -> Run:
    """The bend table of a drawn run with these radii; a straight may come out below 0.

    Arguments:
        radii: one a corner, mm
    """
    left = [0.0 if -STRAIGHT_ROUNDING <= s < 0 else s for s in straights(drawn, radii)]
    rows = zip(drawn.corners, left, radii, strict=False)
    bends = tuple(Bend(straight, c.rotation, c.angle, radius) for c, straight, radius in rows)
    return Run(bends, left[-1])


def can_be_built(run: Run) -> bool:
    """Whether no straight is below 0."""
    return run.last_straight >= 0 and all(bend.straight >= 0 for bend in run.bends)
