"""A run where it lies: the bend table with its vertices and tangent points in one frame.

What was measured comes as vertices, as tangent points, or as a table of straights, angles and
rotations; each becomes the same thing, so that it can be held against the nominal run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.calc.run_geometry import (
    LARGEST_VERTEX_ANGLE,
    Frames,
    Placement,
    Vector,
    frames,
    placed,
    placement,
    run_from_vertices,
)
from service.errors import Amount, GeometryError
from service.model import LEAST_BEND_ANGLE, Bend, Method, Run

Points = NDArray[np.float64]

# Two straights that are within this of opposite directions no longer give the bend plane; the
# chord of the bend does.
NEARLY_OPPOSITE = math.radians(170.0)

METHODS = (
    Method(
        "tangent-points-to-bend-table",
        "Bend table from measured tangent points",
        "straight = |end of bend − next start|; θ = atan2(|u×v|, u·v), turned on past 180° by the "
        "chord; radius = chord/(2 sin(θ/2)); rotation = atan2(u·(n₀×n₁), n₀·n₁)",
        "no tangent points that coincide: every straight and every bend has a length",
        ("elementary-geometry",),
    ),
)


@dataclass(frozen=True, slots=True)
class LocatedRun:
    """A run in the frame that it was drawn or measured in.

    Arguments:
        run: bend table, mm and rad; a measured straight may come out a little below 0
        at: frames along it
        vertices: end points and intersection points, (n + 2, 3), mm; None with a bend past 179.4°
        tangents: end 1, start and end of each bend, end 2, (2n + 2, 3), mm
        root_direction, tip_direction: directions of travel at the ends, (3,)
    """

    run: Run
    at: Frames
    vertices: Points | None
    tangents: Points
    root_direction: Points
    tip_direction: Points


def located(run: Run, drawn: Sequence[Vector] | None = None) -> LocatedRun:
    """The run in the frame of its bend table, or in that of the vertices it was drawn by.

    Arguments:
        run: bend table
        drawn: the vertices that it was made from, mm
    """
    at = frames(run)
    return _at(run, at if drawn is None else placed(at, placement(drawn)))


def _at(run: Run, at: Frames) -> LocatedRun:
    bends = np.stack([at.start, at.end], axis=1).reshape(-1, 3)
    tangents = np.vstack([at.root, bends, at.tip])
    return LocatedRun(run, at, _vertices(run, at), tangents, at.root_direction, at.tip_direction)


def _vertices(run: Run, at: Frames) -> Points | None:
    if any(bend.angle > LARGEST_VERTEX_ANGLE for bend in run.bends):
        return None
    backs = np.array([b.radius * math.tan(b.angle / 2) for b in run.bends]).reshape(-1, 1)
    return np.vstack([at.root, at.start + backs * at.before, at.tip])


def from_vertices(points: Sequence[Vector], radii: Sequence[float]) -> LocatedRun:
    """A measured run from its end points and intersection points.

    Straights are legs less set-backs; other than in a drawing, one may come out below 0 by the
    error of the measurement.

    Arguments:
        points: vertices from end 1, mm
        radii: centre-line radius at each intermediate vertex, mm, ``len(points) − 2``

    Raises:
        GeometryError: a repeated vertex, three in line, or a run that folds back on itself
    """
    bare = run_from_vertices(points, [0.0] * len(radii))
    backs = [r * math.tan(b.angle / 2) for r, b in zip(radii, bare.bends, strict=True)]
    before, after = [0.0, *backs], [*backs, 0.0]
    legs = [*(b.straight for b in bare.bends), bare.last_straight]
    straights = [leg - a - b for leg, a, b in zip(legs, before, after, strict=True)]
    rows = zip(straights, bare.bends, radii, strict=False)
    bends = tuple(Bend(s, b.rotation, b.angle, r) for s, b, r in rows)
    return located(Run(bends, straights[-1]), points)


def from_tangent_points(points: Sequence[Vector]) -> LocatedRun:
    """A measured run from end 1, start and end of each bend in order, and end 2.

    Directions are those of the straights; the radius is chord/(2 sin(θ/2)); past 180° the chord
    tells which way round the bend goes.

    Arguments:
        points: 2n + 2 points for n bends, mm

    Raises:
        GeometryError: two of them coincide, or a bend does not turn

    Source: elementary geometry.
    """
    given = np.array(points, dtype=float)
    steps = np.diff(given, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    for index in np.flatnonzero(lengths < 1e-6):
        where = ("measured", "tangent_points", int(index) + 1)
        raise GeometryError("tangent_points_coincide", where, {"point": int(index) + 2})
    unit = steps / lengths[:, None]
    bends, normal = [], None
    for i in range(1, len(unit), 2):
        angle, axis = _turn(unit[i - 1], unit[i], unit[i + 1], i)
        rotation = 0.0 if normal is None else _torsion(normal, axis, unit[i - 1])
        radius = float(lengths[i]) / (2 * math.sin(angle / 2))
        bends.append(Bend(float(lengths[i - 1]), rotation, angle, radius))
        normal = axis
    run = Run(tuple(bends), float(lengths[-1]))
    return _as_measured(run, given, unit)


def _as_measured(run: Run, given: Points, unit: Points) -> LocatedRun:
    first = _turn(unit[0], unit[1], unit[2], 1)[1] if run.bends else None
    at = placed(frames(run), _frame(given[0], unit[0], first))
    return LocatedRun(run, at, _vertices(run, at), given, unit[0], unit[-1])


def _frame(origin: Points, travel: Points, normal: Points | None) -> Placement:
    if normal is None:
        normal = np.cross(travel, np.eye(3)[int(np.argmin(np.abs(travel)))])
        normal = normal / np.linalg.norm(normal)
    return Placement(origin, np.array([travel, np.cross(normal, travel), normal]))


def _turn(before: Points, chord: Points, after: Points, index: int) -> tuple[float, Points]:
    """Bend angle and axis from the directions before and after it and that of its chord."""
    across, cosine = np.cross(before, after), float(before @ after)
    by_chord = np.cross(before, chord)
    axis = by_chord
    if np.linalg.norm(across) > 0 and cosine > math.cos(NEARLY_OPPOSITE):
        axis = across if across @ by_chord >= 0 else -across
    size = float(np.linalg.norm(axis))
    angle = math.atan2(float(across @ axis) / size, cosine) % (2 * math.pi) if size else 0.0
    if angle < LEAST_BEND_ANGLE:
        where = ("measured", "tangent_points", index)
        raise GeometryError(
            "measured_bend_straight",
            where,
            {"bend": (index + 1) // 2, "value": Amount(angle, "angle")},
        )
    return angle, axis / size


def _torsion(before: Points, after: Points, travel: Points) -> float:
    rotation = math.atan2(float(travel @ np.cross(before, after)), float(before @ after))
    return rotation if rotation > -math.pi else math.pi
