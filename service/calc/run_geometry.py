"""The centre line: bend table ↔ vertices, frames, reversal, mirror image, bounding box, offsets.

Frame of a bend table: end 1 at the origin, travel along +x, the first bend turns about +z (towards
+y). Rotation is the turn of the bend plane about the direction of travel by the right-hand rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.errors import Amount, GeometryError, MissingError, OutOfRangeError
from service.model import (
    LARGEST_BEND_ANGLE,
    LEAST_BEND_ANGLE,
    Bend,
    Finding,
    Method,
    Run,
)

Points = NDArray[np.float64]
Vector = tuple[float, float, float]
Frame = Literal["bend_table", "drawing"]

# A bend whose vertex lies this many radii away is no longer drawn by its vertex (about 179.4°).
LARGEST_VERTEX_ANGLE = math.pi - 0.01
# A straight may come out below zero by rounding alone when two arcs meet; this much is a slip of
# the drawing, in mm.
STRAIGHT_ROUNDING = 1e-9

METHODS = (
    Method(
        "tangent-set-back",
        "Set-back, arc and gain of a bend",
        "s = R·tan(θ/2); arc = Rθ; gain = 2s − arc",
        "0 < θ < 180° for set-back and gain; the arc for every θ",
        ("elementary-geometry",),
    ),
    Method(
        "vertices-to-bend-table",
        "Bend table from vertices",
        "θ = atan2(|u×v|, u·v); rotation = atan2(u·(n₀×n₁), n₀·n₁); straight = leg − set-backs",
        "no repeated vertex, no three in line, every straight ≥ 0, θ below 179.4°",
        ("elementary-geometry",),
    ),
    Method(
        "bend-table-to-vertices",
        "Frames along a bend table",
        "n ← Rot(u, rotation)·n; u ← Rot(n, θ)·u, from end 1 at the origin along +x",
        "every bend table; a vertex only below 179.4°",
        ("elementary-geometry",),
    ),
    Method(
        "run-reversal-and-mirror",
        "The run from end 2, and its mirror image",
        "reversed: order turned round, rotations keep their sign; mirrored: rotations change sign",
        "every bend table",
        ("elementary-geometry",),
    ),
    Method(
        "swept-tube-bounding-box",
        "Exact bounding box of the tube",
        "straight: p ± r√(1 − uᵢ²); arc: cᵢ ± (R·A·cos β + r√(1 − A² sin² β)), A² = aᵢ² + bᵢ²",
        "R ≥ D/2",
        ("derived-here",),
    ),
    Method(
        "offset-bends",
        "Offset and rolling offset of two equal bends",
        "T = √(rise² + roll²); travel = T/sin θ; advance = T/tan θ; roll angle = atan2(roll, rise)",
        "0 < θ ≤ 90°, T ≥ 2R(1 − cos θ)",
        ("elementary-geometry",),
    ),
)


def set_back(radius: float, angle: float) -> float:
    """Tangent set-back s = R·tan(θ/2), mm: from the tangent point to the vertex.

    Arguments:
        radius: centre-line radius R, mm
        angle: θ, rad; below π

    Raises:
        GeometryError: θ at or above 179.4°, where there is no usable vertex
    """
    if angle > LARGEST_VERTEX_ANGLE:
        raise GeometryError("no_vertex", ("angle",), {"value": Amount(angle, "angle")})
    return radius * math.tan(angle / 2)


def gain(radius: float, angle: float) -> float:
    """Gain g = 2R·tan(θ/2) − Rθ, mm: what the tube saves against the path over the vertex.

    Arguments and errors as ``set_back``.
    """
    return 2 * set_back(radius, angle) - radius * angle


def check_run(run: Run, outside_diameter: float | None = None) -> None:
    """Refuse a run that no bender could mean.

    Raises:
        OutOfRangeError: a bend angle below 0.0057° or above 350°, a radius of half the outside
            diameter or less
    """
    least = (outside_diameter or 0.0) / 2
    for index, bend in enumerate(run.bends):
        if not LEAST_BEND_ANGLE <= bend.angle <= LARGEST_BEND_ANGLE:
            raise OutOfRangeError(
                "bend_angle_absurd",
                ("run", "bends", index, "angle"),
                {
                    "value": Amount(bend.angle, "angle"),
                    "least": Amount(LEAST_BEND_ANGLE, "angle"),
                    "most": Amount(LARGEST_BEND_ANGLE, "angle"),
                    "bend": index + 1,
                },
            )
        if bend.radius <= least:
            raise OutOfRangeError(
                "radius_within_tube",
                ("run", "bends", index, "radius"),
                {
                    "value": Amount(bend.radius, "length"),
                    "limit": Amount(least, "length"),
                    "bend": index + 1,
                },
            )


@dataclass(frozen=True, slots=True)
class Frames:
    """Positions and directions along a run of n bends; arrays are (n, 3) unless marked.

    ``start``/``end`` are the tangent points, ``centre`` the centres of curvature, ``before`` and
    ``after`` the unit directions of travel, ``normal`` the axes of the bends; ``tip`` (3,) is
    end 2 and ``tip_direction`` (3,) the direction of travel there; ``root`` and
    ``root_direction`` (3,) are those of end 1.
    """

    start: Points
    end: Points
    centre: Points
    before: Points
    after: Points
    normal: Points
    tip: Points
    tip_direction: Points
    root: Points = field(default_factory=lambda: np.zeros(3))
    root_direction: Points = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))


def frames(run: Run) -> Frames:
    """Walk along the run: p ← p + straight·u; n ← Rot(u, φ)n; the arc; u ← Rot(n, θ)u.

    Returns:
        Frames in the frame of the bend table, mm
    """
    point, travel, normal = (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)
    rows: list[tuple[Vector, ...]] = []
    for bend in run.bends:
        start = _plus(point, bend.straight, travel)
        normal = _turned(normal, cross(travel, normal), bend.rotation)
        inward = cross(normal, travel)
        centre = _plus(start, bend.radius, inward)
        ahead = _turned(travel, inward, bend.angle)
        point = _plus(centre, -bend.radius, cross(normal, ahead))
        rows.append((start, point, centre, travel, ahead, normal))
        travel = ahead
    starts, ends, centres, before, after, normals = (
        np.array([row[i] for row in rows]).reshape(-1, 3) for i in range(6)
    )
    tip = np.array(_plus(point, run.last_straight, travel))
    return Frames(starts, ends, centres, before, after, normals, tip, np.array(travel))


def _plus(point: Vector, length: float, direction: Vector) -> Vector:
    x, y, z = direction
    return (point[0] + length * x, point[1] + length * y, point[2] + length * z)


def _turned(direction: Vector, towards: Vector, angle: float) -> Vector:
    """Turn a unit vector towards another that is square to it; unit length again at each step, so
    that 500 bends do not let the frame drift.
    """
    c, s = math.cos(angle), math.sin(angle)
    x, y, z = (c * a + s * b for a, b in zip(direction, towards, strict=True))
    length = math.hypot(x, y, z)
    return (x / length, y / length, z / length)


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the frame of the bend table lies in a drawing: origin, and its axes as rows (3, 3)."""

    origin: Points
    axes: Points


def placement(points: Sequence[Vector]) -> Placement:
    """The frame of the bend table in the frame of the drawing that gives these vertices.

    x runs from the first vertex to the second, z is the axis of the first bend. A run without a
    bend has no bend plane: its y and z are square to it and otherwise of no meaning.

    Arguments:
        points: vertices from end 1, mm, as ``run_from_vertices`` takes and has checked them
    """
    legs = _legs(points[:3])
    travel = legs[0][0]
    least = min(range(3), key=lambda i: abs(travel[i]))
    other = legs[1][0] if len(legs) > 1 else tuple(float(i == least) for i in range(3))
    normal = np.cross(travel, other)
    normal /= np.linalg.norm(normal)
    return Placement(np.array(points[0]), np.array([travel, np.cross(normal, travel), normal]))


def placed(at: Frames, place: Placement) -> Frames:
    """The same frames, moved from the frame of the bend table into that of the drawing."""

    def point(p: Points) -> Points:
        return place.origin + p @ place.axes

    def direction(u: Points) -> Points:
        return u @ place.axes

    return Frames(
        start=point(at.start),
        end=point(at.end),
        centre=point(at.centre),
        before=direction(at.before),
        after=direction(at.after),
        normal=direction(at.normal),
        tip=point(at.tip),
        tip_direction=direction(at.tip_direction),
        root=point(at.root),
        root_direction=direction(at.root_direction),
    )


def vertices(run: Run) -> Points:
    """End points and the intersection points between, (n + 2, 3), mm.

    Raises:
        GeometryError: a bend of 179.4° or more has no vertex; a bend table can hold it
    """
    for index, bend in enumerate(run.bends):
        if bend.angle > LARGEST_VERTEX_ANGLE:
            raise GeometryError(
                "no_vertex",
                ("run", "bends", index, "angle"),
                {"value": Amount(bend.angle, "angle"), "bend": index + 1},
            )
    at = frames(run)
    backs = np.array([set_back(b.radius, b.angle) for b in run.bends]).reshape(-1, 1)
    return np.vstack([at.root, at.start + backs * at.before, at.tip])


def run_from_vertices(points: Sequence[Vector], radii: Sequence[float]) -> Run:
    """Bend table from end points and intersection points.

    Arguments:
        points: at least two vertices, mm
        radii: centre-line radius at each intermediate vertex, mm, ``len(points) − 2``

    Raises:
        GeometryError: a repeated vertex, three in line, or vertices too close for their radius,
            each with which one and by how much
    """
    legs = _legs(points)
    turns = [_turn(a, b, i + 1) for i, (a, b) in enumerate(pairwise(legs))]
    backs = [
        0.0,
        *(radius * math.tan(turn[0] / 2) for radius, turn in zip(radii, turns, strict=True)),
        0.0,
    ]
    straights = [_straight(leg[1], backs[i], backs[i + 1], i) for i, leg in enumerate(legs)]
    bends: list[Bend] = []
    for i, (angle, axis) in enumerate(turns):
        rotation = 0.0 if i == 0 else _torsion(turns[i - 1][1], axis, legs[i][0])
        bends.append(Bend(straights[i], rotation, angle, radii[i]))
    return Run(tuple(bends), straights[-1])


def _legs(points: Sequence[Vector]) -> list[tuple[Vector, float]]:
    legs: list[tuple[Vector, float]] = []
    for index, (a, b) in enumerate(pairwise(points)):
        step = (b[0] - a[0], b[1] - a[1], b[2] - a[2])
        length = math.hypot(*step)
        if length < 1e-6:
            raise GeometryError(
                "repeated_vertex", ("run", "vertices", index + 1), {"vertex": index + 2}
            )
        legs.append(((step[0] / length, step[1] / length, step[2] / length), length))
    return legs


def _turn(
    before: tuple[Vector, float], after: tuple[Vector, float], index: int
) -> tuple[float, Vector]:
    axis = cross(before[0], after[0])
    sine = math.hypot(*axis)
    angle = math.atan2(sine, dot(before[0], after[0]))
    if angle < LEAST_BEND_ANGLE:
        raise GeometryError("vertices_in_line", ("run", "vertices", index), {"vertex": index + 1})
    if angle > LARGEST_VERTEX_ANGLE:
        raise GeometryError(
            "vertex_folds_back",
            ("run", "vertices", index),
            {"vertex": index + 1, "value": Amount(angle, "angle")},
        )
    return angle, (axis[0] / sine, axis[1] / sine, axis[2] / sine)


def _straight(leg: float, before: float, after: float, index: int) -> float:
    straight = leg - before - after
    if straight < -STRAIGHT_ROUNDING:
        raise GeometryError(
            "vertices_too_close",
            ("run", "vertices", index + 1),
            {
                "vertex": index + 1,
                "next": index + 2,
                "leg": Amount(leg, "length"),
                "needed": Amount(before + after, "length"),
                "short": Amount(-straight, "length"),
            },
        )
    return max(straight, 0.0)


def _torsion(axis_before: Vector, axis: Vector, travel: Vector) -> float:
    return _half_turn(math.atan2(dot(travel, cross(axis_before, axis)), dot(axis_before, axis)))


def cross(a: Vector, b: Vector) -> Vector:
    """Vector product a×b of two triples."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def dot(a: Vector, b: Vector) -> float:
    """Scalar product a·b of two triples."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def reverse(run: Run) -> Run:
    """The same run travelled from end 2: the order turns round, rotations keep their sign."""
    straights = [b.straight for b in run.bends] + [run.last_straight]
    rotations = [b.rotation for b in run.bends[1:]] + [0.0]
    bends = tuple(
        Bend(straight, rotation, b.angle, b.radius)
        for straight, rotation, b in zip(
            reversed(straights[1:]),
            (rotations[i] for i in range(len(run.bends) - 1, -1, -1)),
            reversed(run.bends),
            strict=True,
        )
    )
    return Run(bends, straights[0])


def mirror(run: Run) -> Run:
    """The mirror image in the plane of the first bend: every rotation changes its sign."""
    bends = tuple(
        Bend(b.straight, _half_turn(0.0 - b.rotation), b.angle, b.radius) for b in run.bends
    )
    return Run(bends, run.last_straight)


def _half_turn(rotation: float) -> float:
    """Half a turn counts as +180°, so that a rotation has one value only."""
    return rotation if rotation > -math.pi else math.pi


def developed_length(run: Run) -> float:
    """Developed length L = Σ straights + Σ R·θ, mm."""
    return sum(b.straight + b.arc for b in run.bends) + run.last_straight


def bounding_box(run: Run, outside_diameter: float) -> tuple[Vector, Vector]:
    """Least and greatest corner of the tube in the frame of the bend table; see ``frames_box``."""
    return frames_box(frames(run), run, outside_diameter)


def frames_box(at: Frames, run: Run, outside_diameter: float) -> tuple[Vector, Vector]:
    """Exact least and greatest corner of the tube, ends cut square, mm.

    A straight reaches pᵢ ± r√(1 − uᵢ²) at its ends. On an arc, with A² = aᵢ² + bᵢ² of the in-plane
    axes and β measured from its furthest point, the outline is cᵢ + R·A·cos β + r√(1 − A² sin² β),
    which only falls as |β| grows while R ≥ r: the maximum is at β = 0 or at an end of the arc.
    Derived here.

    Arguments:
        at: frames of the run, in whichever frame the box is to be square to
        outside_diameter: D, mm; 0 gives the box of the centre line
    """
    radius = outside_diameter / 2
    points = np.vstack([at.root, at.end, at.start, at.tip])
    travel = np.vstack([at.root_direction, at.after, at.before, at.tip_direction])
    reach = radius * np.sqrt(np.clip(1 - travel**2, 0, None))
    low, high = (points - reach).min(axis=0), (points + reach).max(axis=0)
    if run.bends:
        least, greatest = _furthest_on_arcs(at, run, radius)
        low, high = np.minimum(low, least), np.maximum(high, greatest)
    return _point(low), _point(high)


def _furthest_on_arcs(at: Frames, run: Run, radius: float) -> tuple[Points, Points]:
    """Least and greatest coordinates where β = 0 lies on an arc; infinite where it lies on none."""
    bend_radius = np.array([[bend.radius] for bend in run.bends])
    angle = np.array([[bend.angle] for bend in run.bends])
    outer = (at.start - at.centre) / bend_radius
    peak = np.arctan2(at.before, outer)
    extent = bend_radius * np.hypot(outer, at.before) + radius
    on_high, on_low = (np.mod(turn, 2 * math.pi) <= angle for turn in (peak, peak + math.pi))
    greatest = np.where(on_high, at.centre + extent, -math.inf).max(axis=0)
    least = np.where(on_low, at.centre - extent, math.inf).min(axis=0)
    return least, greatest


# Rows are named tuples: a frozen dataclass takes four times as long to make.
class Point(NamedTuple):
    """A point, mm, or a unit direction."""

    x: float
    y: float
    z: float


class BendPlaces(NamedTuple):
    """Where one bend is: tangent points, vertex (None from 179.4°), arc centre, axis."""

    bend: int
    start: Point
    end: Point
    vertex: Point | None
    arc_centre: Point
    axis: Point


class TubeEnd(NamedTuple):
    """An end of the run: its point and the direction of travel from end 1 to end 2 there."""

    point: Point
    direction: Point


class Box(NamedTuple):
    """A box square to the frame: corners, size, and the outside diameter it is made for."""

    least: Point
    greatest: Point
    size: Point
    outside_diameter: float


@dataclass(frozen=True, slots=True)
class RunGeometry:
    """A run in both forms, with its points in space.

    ``vertices`` has end 1, one entry a bend (None where it has no vertex), end 2; ``at`` has the
    same as arrays, for a picture.
    """

    frame: Frame
    run: Run
    vertices: tuple[Point | None, ...]
    bends: tuple[BendPlaces, ...]
    end_1: TubeEnd
    end_2: TubeEnd
    bounding_box: Box
    developed_length: float
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]
    at: Frames = field(compare=False, repr=False)


def run_geometry(
    run: Run,
    *,
    drawn: Sequence[Vector] | None = None,
    frame: Frame = "bend_table",
    outside_diameter: float | None = None,
    reversed_run: bool = False,
    mirrored: bool = False,
) -> RunGeometry:
    """Bend table, vertices, tangent points, arc centres, ends and bounding box of a run.

    A reversed run is the same tube travelled from end 2; a mirrored one is its image in the plane
    of its first bend. With both, the run is reversed first.

    Arguments:
        run: bend table from end 1, mm and rad
        drawn: the vertices that the run was made from, mm; None where it came as a bend table
        frame: ``bend_table`` (end 1 at the origin, along +x, the first bend towards +y) or
            ``drawing`` (that of ``drawn``)
        outside_diameter: D, mm, for the bounding box and the least radius; None gives the box of
            the centre line

    Raises:
        MissingError: the frame of the drawing is asked for and there are no vertices
        OutOfRangeError: as ``check_run``
    """
    check_run(run, outside_diameter)
    turned = reverse(run) if reversed_run else run
    turned = mirror(turned) if mirrored else _one_value(turned)
    at = frames(turned)
    if frame == "drawing":
        at = placed(at, _placement(drawn, reversed_run))
    places = _bend_places(at, turned)
    end_1 = TubeEnd(_point(at.root), _point(at.root_direction))
    end_2 = TubeEnd(_point(at.tip), _point(at.tip_direction))
    return RunGeometry(
        frame=frame,
        run=turned,
        vertices=(end_1.point, *(place.vertex for place in places), end_2.point),
        bends=places,
        end_1=end_1,
        end_2=end_2,
        bounding_box=_box(at, turned, outside_diameter or 0.0),
        developed_length=developed_length(turned),
        methods=_methods(drawn is not None, reversed_run or mirrored),
        findings=_without_vertex(turned),
        at=at,
    )


def _placement(drawn: Sequence[Vector] | None, reversed_run: bool) -> Placement:
    if drawn is None:
        raise MissingError("no_drawing_frame", ("frame",))
    return placement(drawn[::-1] if reversed_run else drawn)


def _one_value(run: Run) -> Run:
    rows = (replace(bend, rotation=_half_turn(bend.rotation)) for bend in run.bends)
    return Run(tuple(rows), run.last_straight)


def _bend_places(at: Frames, run: Run) -> tuple[BendPlaces, ...]:
    rows = zip(at.start, at.end, at.centre, at.before, at.normal, run.bends, strict=True)
    return tuple(
        BendPlaces(
            bend=number,
            start=_point(start),
            end=_point(end),
            vertex=_vertex(start, before, bend),
            arc_centre=_point(centre),
            axis=_point(normal),
        )
        for number, (start, end, centre, before, normal, bend) in enumerate(rows, 1)
    )


def _vertex(start: Points, before: Points, bend: Bend) -> Point | None:
    if bend.angle > LARGEST_VERTEX_ANGLE:
        return None
    return _point(start + set_back(bend.radius, bend.angle) * before)


def _box(at: Frames, run: Run, outside_diameter: float) -> Box:
    least, greatest = frames_box(at, run, outside_diameter)
    size = Point(*(high - low for low, high in zip(least, greatest, strict=True)))
    return Box(Point(*least), Point(*greatest), size, outside_diameter)


def _methods(drawn: bool, turned: bool) -> tuple[str, ...]:
    return (
        *(("vertices-to-bend-table",) if drawn else ()),
        *(("run-reversal-and-mirror",) if turned else ()),
        "bend-table-to-vertices",
        "tangent-set-back",
        "swept-tube-bounding-box",
    )


def _without_vertex(run: Run) -> tuple[Finding, ...]:
    return tuple(
        Finding("no_vertex_at_bend", "ok", number, Amount(bend.angle, "angle"))
        for number, bend in enumerate(run.bends, 1)
        if bend.angle > LARGEST_VERTEX_ANGLE
    )


def _point(point: Points) -> Point:
    # + 0.0 makes of the minus zero that a product leaves a plain zero
    return Point(*(float(value) + 0.0 for value in point))


@dataclass(frozen=True, slots=True)
class Offset:
    """Two equal bends that carry a tube round an offset, lengths mm, angles rad.

    ``run`` is the bend table of it: the second bend turns back, at a rotation of half a turn.
    """

    true_offset: float
    roll_angle: float
    travel: float
    advance: float
    set_back: float
    gain: float
    straight: float
    shrink: float
    extra_tube: float
    least_offset: float
    run: Run
    methods: tuple[str, ...] = ("offset-bends", "tangent-set-back")
    findings: tuple[Finding, ...] = ()


def offset(
    rise: float,
    roll: float,
    angle: float,
    radius: float,
    *,
    first_straight: float = 0.0,
    last_straight: float = 0.0,
) -> Offset:
    """Offset (roll = 0) or rolling offset by two equal bends.

    T = √(rise² + roll²); travel T/sin θ (vertex to vertex); advance T/tan θ; roll angle
    atan2(roll, rise); shrink T·tan(θ/2) is travel − advance; the straight between the bends is
    travel − 2R·tan(θ/2) and must not be negative, so T ≥ 2R(1 − cos θ); the extra tube over the
    advance is T·tan(θ/2) − 2g. Any trigonometry text.

    Arguments:
        rise, roll: offsets in two perpendicular directions, mm, not both zero
        angle: θ of each bend, rad, up to 90°
        radius: R, mm
        first_straight, last_straight: straights before and after, mm; they only enter ``run``

    Raises:
        GeometryError: the offset is too small for the radius and angle
    """
    true_offset = math.hypot(rise, roll)
    back, saved = set_back(radius, angle), gain(radius, angle)
    travel, shrink = true_offset / math.sin(angle), true_offset * math.tan(angle / 2)
    least = 2 * radius * (1 - math.cos(angle))
    if true_offset <= 0 or travel - 2 * back < -STRAIGHT_ROUNDING:
        raise GeometryError(
            "offset_too_small",
            ("rise",),
            {"value": Amount(true_offset, "length"), "least": Amount(least, "length")},
        )
    straight = max(travel - 2 * back, 0.0)
    there, back_again = (
        Bend(first_straight, 0.0, angle, radius),
        Bend(straight, math.pi, angle, radius),
    )
    return Offset(
        true_offset=true_offset,
        roll_angle=math.atan2(roll, rise),
        travel=travel,
        advance=true_offset / math.tan(angle),
        set_back=back,
        gain=saved,
        straight=straight,
        shrink=shrink,
        extra_tube=shrink - 2 * saved,
        least_offset=least,
        run=Run((there, back_again), last_straight),
    )
