"""Clearance of a tube to solid obstacles: boxes however turned, cylinders, and round bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.calc.centre_line_distance import (
    FULL_TURN,
    SAME_DISTANCE_DIGITS,
    Indices,
    Numbers,
    Parts,
    candidates,
    pair_distances,
    parts_from_frames,
    segments,
)
from service.calc.run_geometry import Frames, Vector, check_run, frames
from service.errors import Amount, GeometryError, OutOfRangeError
from service.model import Method, Run

METHODS = (
    Method(
        "obstacle-clearance",
        "Clearance of a tube to solid obstacles",
        "min |p − q| − D/2, p on the centre line, q in the obstacle: ends, crossings with and "
        "extremes towards its faces, least distances to its edges, rims and axis",
        "boxes, cylinders with flat ends, bars with round ends; R > D/2 in every bend",
        ("derived-here",),
    ),
)

# Axes given to a few digits are taken; a skewed box is not a box.
SQUARE = 1e-6
SIGNS = np.array([[a, b] for a in (-1.0, 1.0) for b in (-1.0, 1.0)])


@dataclass(frozen=True, slots=True)
class Box:
    """A solid box: centre, three unit axes square to one another, half of each size, mm.

    Raises:
        OutOfRangeError: a size that is not above 0
        GeometryError: axes that are not unit vectors square to one another
    """

    centre: Vector
    half_sizes: Vector
    axes: tuple[Vector, Vector, Vector] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

    def __post_init__(self) -> None:
        for index, half in enumerate(self.half_sizes):
            _check_size(half, ("half_sizes", index))
        rows = np.array(self.axes)
        if np.abs(rows @ rows.T - np.eye(3)).max() > SQUARE:
            raise GeometryError("obstacle_axes_not_square", ("axes",))


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A solid cylinder with flat ends: the ends of its axis and its radius, mm.

    Raises:
        OutOfRangeError: a radius or a length that is not above 0
    """

    start: Vector
    end: Vector
    radius: float

    def __post_init__(self) -> None:
        _check_size(self.radius, ("radius",))
        _check_size(math.dist(self.start, self.end), ("end",))


@dataclass(frozen=True, slots=True)
class Bar:
    """A round bar or a straight tube with ends rounded off: ends of its axis and radius, mm.

    A radius of 0 is a line, and no length a ball.

    Raises:
        OutOfRangeError: a radius below 0
    """

    start: Vector
    end: Vector
    radius: float = 0.0

    def __post_init__(self) -> None:
        if self.radius != 0:
            _check_size(self.radius, ("radius",))


Obstacle = Box | Cylinder | Bar


@dataclass(frozen=True, slots=True)
class ObstacleDistances:
    """Least distance of each of n parts to one obstacle, 0 where the centre line enters it.

    ``x`` is the length along the part where it is reached, (n,); ``points`` are the nearest points
    of the obstacle, (n, 3). All mm.
    """

    distance: Numbers
    x: Numbers
    points: Numbers


@dataclass(frozen=True, slots=True)
class ObstacleApproach:
    """Where a run comes nearest to one obstacle.

    ``obstacle`` counts from 0 in the order given, ``part`` as in ``self_clearance``; position is
    along the centre line from end 1, distance from the centre line, clearance from surface to
    surface, negative where the tube would have to pass through the obstacle. All mm.
    """

    obstacle: int
    part: int
    position: float
    point: Vector
    obstacle_point: Vector
    distance: float
    clearance: float


@dataclass(frozen=True, slots=True)
class ObstacleClearance:
    """Nearest approach to each obstacle, nearest first."""

    approaches: tuple[ObstacleApproach, ...]
    methods: tuple[str, ...]


def box_between(low: Vector, high: Vector) -> Box:
    """Box along the axes of the frame from its least to its greatest corner, mm."""
    centre = tuple((a + b) / 2 for a, b in zip(low, high, strict=True))
    half = tuple((b - a) / 2 for a, b in zip(low, high, strict=True))
    return Box((centre[0], centre[1], centre[2]), (half[0], half[1], half[2]))


def obstacle_clearance(
    run: Run,
    outside_diameter: float,
    obstacles: Sequence[Obstacle],
    at: Frames | None = None,
) -> ObstacleClearance:
    """Clearance of a tube to obstacles, from surface to surface: least distance less D/2.

    A tube end counts as rounded off by D/2, so that the clearance of one cut square is never
    overstated. An obstacle that an end is meant to touch, as the block it is screwed into, does not
    belong in the list.

    Arguments:
        outside_diameter: D, mm
        obstacles: in the frame of ``at``
        at: frames of the run where it lies elsewhere than in the frame of its bend table

    Raises:
        OutOfRangeError: a radius of half the diameter or less, an absurd bend angle
    """
    check_run(run, outside_diameter)
    parts = parts_from_frames(at or frames(run), run)
    found = [_approach(parts, o, i, outside_diameter) for i, o in enumerate(obstacles)]
    found.sort(key=lambda f: (round(f.clearance, SAME_DISTANCE_DIGITS), f.obstacle))
    return ObstacleClearance(tuple(found), ("obstacle-clearance", "centre-line-distance"))


def obstacle_distances(parts: Parts, obstacle: Obstacle) -> ObstacleDistances:
    """Least distance of each part to a solid obstacle.

    The nearest point of a convex solid lies in a face, on an edge or at a corner. Places of a part
    tried are therefore its ends, where it crosses a face, where it is nearest to the plane of a
    face, and its least distances to edges and corners; for a cylinder, to its rims and to its axis.
    The distance of each place to the solid is exact, so the least of them is the answer.

    Returns:
        distances accurate to about 1e-9 mm; 1e-6 mm where a part touches without entering
    """
    if isinstance(obstacle, Bar):
        return _to_bar(parts, obstacle)
    centre, axes = _frame(obstacle)
    local = Parts(
        (parts.origin - centre) @ axes.T,
        parts.u @ axes.T,
        parts.v @ axes.T,
        parts.radius,
        parts.length,
    )
    index, x = _places(local, obstacle)
    points = local.take(index).points(x[:, None])[:, 0]
    nearest = _nearest_in(obstacle, points)
    distance = np.linalg.norm(points - nearest, axis=1)
    order = np.lexsort((x, np.round(distance, SAME_DISTANCE_DIGITS), index))
    first = order[np.searchsorted(index[order], np.arange(len(parts.length)))]
    return ObstacleDistances(distance[first], x[first], nearest[first] @ axes + centre)


def _check_size(size: float, field: tuple[str | int, ...]) -> None:
    if not size > 0:
        values = {"value": Amount(size, "length"), "limit": Amount(0.0, "length")}
        raise OutOfRangeError("obstacle_size_not_positive", field, values)


def _approach(
    parts: Parts, obstacle: Obstacle, number: int, outside_diameter: float
) -> ObstacleApproach:
    found = obstacle_distances(parts, obstacle)
    part = int(np.argmin(np.round(found.distance, SAME_DISTANCE_DIGITS)))
    x, distance = float(found.x[part]), float(found.distance[part])
    point = parts.take(slice(part, part + 1)).points(np.array([[x]]))[0, 0]
    return ObstacleApproach(
        obstacle=number,
        part=part,
        position=float(parts.length[:part].sum()) + x,
        point=_vector(point),
        obstacle_point=_vector(found.points[part]),
        distance=distance,
        clearance=distance - outside_diameter / 2,
    )


def _vector(point: Numbers) -> Vector:
    return (float(point[0]), float(point[1]), float(point[2]))


# --- solids in their own frame -----------------------------------------------------------------


def _to_bar(parts: Parts, bar: Bar) -> ObstacleDistances:
    """Least distance to the axis less the radius; the point of the bar lies towards the part."""
    count = len(parts.length)
    axis = segments(np.tile(bar.start, (count, 1)), np.tile(bar.end, (count, 1)))
    found = pair_distances(parts, axis)
    place, foot = parts.points(found.x_a[:, None])[:, 0], axis.points(found.x_b[:, None])[:, 0]
    reach = np.minimum(bar.radius / np.maximum(found.distance, 1e-12), 1.0)
    points = foot + reach[:, None] * (place - foot)
    return ObstacleDistances(np.maximum(found.distance - bar.radius, 0.0), found.x_a, points)


def _frame(solid: Box | Cylinder) -> tuple[Numbers, Numbers]:
    """Centre and axes (rows) of the frame where the solid lies round the origin, axis along z."""
    if isinstance(solid, Box):
        return np.array(solid.centre), np.array(solid.axes)
    start, end = np.array(solid.start), np.array(solid.end)
    z = (end - start) / np.linalg.norm(end - start)
    x = np.cross(z, np.eye(3)[np.argmin(np.abs(z))])
    x /= np.linalg.norm(x)
    return (start + end) / 2, np.array([x, np.cross(z, x), z])


def _nearest_in(solid: Box | Cylinder, points: Numbers) -> Numbers:
    """Nearest points of the solid; points inside are their own."""
    if isinstance(solid, Box):
        half = np.array(solid.half_sizes)
        return np.clip(points, -half, half)
    half_length = math.dist(solid.start, solid.end) / 2
    away = np.hypot(points[:, 0], points[:, 1])
    inward = np.minimum(solid.radius / np.maximum(away, solid.radius), 1.0)
    height = np.clip(points[:, 2], -half_length, half_length)
    return np.column_stack([points[:, :2] * inward[:, None], height])


def _places(parts: Parts, solid: Box | Cylinder) -> tuple[Indices, Numbers]:
    """All places tried, as part numbers and lengths along them, (k,) each."""
    heights = _face_heights(solid)
    columns = [_to_planes(parts, axis, half) for axis, half in heights]
    faces = np.concatenate(columns, axis=1)
    index = np.repeat(np.arange(len(parts.length)), faces.shape[1])
    places = [(index, faces.ravel())]
    edges = _edges(solid)
    count = len(edges.length)
    part, edge = (m.ravel() for m in np.indices((len(parts.length), count)))
    for rows, x, _ in candidates(parts.take(part), edges.take(edge)):
        places.append((np.repeat(part[rows], x.shape[1]), x.ravel()))
    return np.concatenate([i for i, _ in places]), np.concatenate([x for _, x in places])


def _face_heights(solid: Box | Cylinder) -> list[tuple[int, float]]:
    """Axes square to flat faces, and the height of the faces on either side."""
    if isinstance(solid, Box):
        return list(enumerate(solid.half_sizes))
    return [(2, math.dist(solid.start, solid.end) / 2)]


def _to_planes(parts: Parts, axis: int, half: float) -> Numbers:
    """Where parts cross the planes at ±half along an axis, or an arc that does not is nearest.

    An arc has the coordinate c + R·A·cos(φ − α), with A·cos α = u and A·sin α = v. Where it does
    not reach a plane the cosine is cut to ±1, which is its place nearest to the plane.
    """
    origin, u, v = parts.origin[:, axis], parts.u[:, axis], parts.v[:, axis]
    reach, phase = parts.radius * np.hypot(u, v), np.arctan2(v, u)
    turns, along = [], []
    for height in (-half, half):
        level = np.divide(height - origin, reach, out=np.ones_like(reach), where=reach > 1e-12)
        swing = np.arccos(np.clip(level, -1.0, 1.0))
        turns += [phase - swing, phase + swing]
        along.append(np.divide(height - origin, u, out=np.zeros_like(u), where=np.abs(u) > 1e-12))
    on_arc = parts.length_at(np.mod(np.stack(turns, axis=1), FULL_TURN))
    on_straight = np.clip(np.stack(along * 2, axis=1), 0.0, parts.length[:, None])
    return np.where(parts.radius[:, None] > 0, on_arc, on_straight)


def _edges(solid: Box | Cylinder) -> Parts:
    """Twelve edges of a box; the axis and both rims of a cylinder."""
    if isinstance(solid, Cylinder):
        return _axis_and_rims(solid.radius, math.dist(solid.start, solid.end) / 2)
    half = np.array(solid.half_sizes)
    ends = []
    for axis in range(3):
        corner = np.insert(SIGNS, axis, 1.0, axis=1) * half
        ends.append((corner * np.where(np.arange(3) == axis, -1.0, 1.0), corner))
    return segments(*(np.concatenate(of) for of in zip(*ends, strict=True)))


def _axis_and_rims(radius: float, half: float) -> Parts:
    axis = segments(np.array([[0.0, 0.0, -half]]), np.array([[0.0, 0.0, half]]))
    centres = np.array([[0.0, 0.0, -half], [0.0, 0.0, half]])
    x, y = np.tile([1.0, 0.0, 0.0], (2, 1)), np.tile([0.0, 1.0, 0.0], (2, 1))
    rim = np.full(2, radius)
    return replace(
        axis,
        origin=np.vstack([axis.origin, centres]),
        u=np.vstack([axis.u, x]),
        v=np.vstack([axis.v, y]),
        radius=np.concatenate([axis.radius, rim]),
        length=np.concatenate([axis.length, FULL_TURN * rim]),
    )
