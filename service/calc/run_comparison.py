"""A measured run laid over the nominal one: best fit, every deviation, and what is out.

A rigid fit smears one wrong angle over all points, so straights, angles and rotations, which no
fit touches, are compared beside the points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.mark_layout import wrap
from service.calc.measured_run import LocatedRun
from service.calc.rigid_fit import RigidFit, rigid_fit
from service.errors import Amount, GeometryError
from service.model import Finding, InspectionTolerances, Method

Points = NDArray[np.float64]
Compare = Literal["vertices", "tangent_points"]
Hold = Literal["none", "end_1", "end_2", "end_1_and_direction", "end_2_and_direction", "both_ends"]
Place = Literal["end_1", "vertex", "bend_start", "bend_end", "end_2"]

METHODS = (
    Method(
        "run-deviations",
        "Deviations of a measured run",
        "points: fitted − nominal; straights, angles and rotations: measured − nominal, rotation "
        "in (−180°, 180°]; ends: along and across the tube, and angle between the directions",
        "the same number of bends, measured from the same end",
        ("elementary-geometry",),
    ),
)


@dataclass(frozen=True, slots=True)
class How:
    """How two runs are laid over each other and judged."""

    compare: Compare = "vertices"
    hold: Hold = "none"
    weights: tuple[float, ...] | None = None
    tolerances: InspectionTolerances = field(default_factory=InspectionTolerances)


class Xyz(NamedTuple):
    """A point or a difference of points, mm."""

    x: float
    y: float
    z: float


class PointDeviation(NamedTuple):
    """One compared point after the fit, mm; ``bend`` is None at the ends."""

    place: Place
    bend: int | None
    nominal: Xyz
    measured: Xyz
    deviation: Xyz
    distance: float
    within: bool | None


class StraightDeviation(NamedTuple):
    """One straight, counted from end 1, mm."""

    number: int
    nominal: float
    measured: float
    deviation: float
    within: bool | None


class AngleDeviation(NamedTuple):
    """One bend angle or rotation, rad."""

    nominal: float
    measured: float
    deviation: float
    within: bool | None


class BendDeviation(NamedTuple):
    """One bend; radii in mm."""

    bend: int
    angle: AngleDeviation
    rotation: AngleDeviation
    radius: float
    measured_radius: float


class EndDeviation(NamedTuple):
    """One end after the fit, mm and rad.

    ``along`` is positive where the tube reaches too far out of its end, ``across`` is square to
    the nominal direction, ``turn`` the angle between the directions.
    """

    end: Literal["end_1", "end_2"]
    distance: float
    along: float
    across: float
    turn: float
    within_position: bool | None
    within_direction: bool | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs laid over each other."""

    fit: RigidFit
    points: tuple[PointDeviation, ...]
    straights: tuple[StraightDeviation, ...]
    bends: tuple[BendDeviation, ...]
    ends: tuple[EndDeviation, EndDeviation]
    findings: tuple[Finding, ...]

    @property
    def worst(self) -> float:
        """Largest distance of a point from its nominal place, mm."""
        return max(point.distance for point in self.points)


def compare_runs(nominal: LocatedRun, measured: LocatedRun, how: How) -> Comparison:
    """Lay the measured run over the nominal one and take every deviation.

    Arguments:
        nominal, measured: runs with the same number of bends, each in its own frame
        how: points compared, weights, what is held, tolerances

    Raises:
        GeometryError: another number of bends; a bend without a vertex where vertices are compared
        OutOfRangeError, NotDeterminedError: as ``rigid_fit``

    Source: elementary geometry.
    """
    if len(nominal.run.bends) != len(measured.run.bends):
        parts = {"value": len(measured.run.bends), "needed": len(nominal.run.bends)}
        raise GeometryError("measured_bends_differ", ("measured",), parts)
    fit = fit_runs(nominal, measured, how)
    points = _points(nominal, measured, fit, how)
    straights = _straights(nominal, measured, how.tolerances)
    bends = _bends(nominal, measured, how.tolerances)
    ends = _ends(nominal, measured, fit, how.tolerances)
    found = (
        *_point_findings(points, how.tolerances),
        *_straight_findings(straights, how.tolerances),
        *_bend_findings(bends, how.tolerances),
        *_end_findings(ends, how.tolerances),
    )
    return Comparison(fit, points, straights, bends, ends, found)


def compared_points(run: LocatedRun, compare: Compare) -> Points:
    """The points of a run that are compared, (m, 3), mm; raises GeometryError without a vertex."""
    if compare == "tangent_points":
        return run.tangents
    if run.vertices is None:
        raise GeometryError("no_vertex_to_compare", ("compare",))
    return run.vertices


def fit_runs(
    nominal: LocatedRun, measured: LocatedRun, how: How, *, turned: bool = False
) -> RigidFit:
    """Best fit of the measured run; with ``turned`` as if it had been measured from end 2."""
    points = compared_points(measured, how.compare)[:: -1 if turned else 1]
    targets = compared_points(nominal, how.compare)
    first, last = (points[0], targets[0]), (points[-1], targets[-1])
    pivot = along = None
    if how.hold == "both_ends":
        pivot = (points[0] + points[-1]) / 2, (targets[0] + targets[-1]) / 2
        along = _unit(points[-1] - points[0]), _unit(targets[-1] - targets[0])
    elif how.hold.startswith("end_1"):
        pivot, along = first, (measured.root_direction, nominal.root_direction)
    elif how.hold.startswith("end_2"):
        pivot, along = last, (measured.tip_direction, nominal.tip_direction)
    if how.hold in ("end_1", "end_2"):
        along = None
    return rigid_fit(points, targets, how.weights, pivot=pivot, along=along)


def _unit(step: Points) -> Points:
    length = float(np.linalg.norm(step))
    if length < 1e-6:
        raise GeometryError("ends_coincide", ("hold",))
    return step / length


def places(bends: int, compare: Compare) -> list[tuple[Place, int | None]]:
    """What each compared point is."""
    found: list[tuple[Place, int | None]] = [("end_1", None)]
    for bend in range(1, bends + 1):
        if compare == "vertices":
            found.append(("vertex", bend))
        else:
            found += [("bend_start", bend), ("bend_end", bend)]
    return [*found, ("end_2", None)]


def _points(
    nominal: LocatedRun, measured: LocatedRun, fit: RigidFit, how: How
) -> tuple[PointDeviation, ...]:
    targets = compared_points(nominal, how.compare)
    fitted = fit.move(compared_points(measured, how.compare))
    distances = np.linalg.norm(fitted - targets, axis=1).tolist()
    named = places(len(nominal.run.bends), how.compare)
    rows = zip(named, targets, fitted, distances, strict=True)
    limit = how.tolerances.point
    return tuple(
        PointDeviation(*name, _xyz(q), _xyz(p), _xyz(p - q), far, _within(far, limit))
        for name, q, p, far in rows
    )


def _straights(
    nominal: LocatedRun, measured: LocatedRun, tolerances: InspectionTolerances
) -> tuple[StraightDeviation, ...]:
    pairs = zip(straights_of(nominal), straights_of(measured), strict=True)
    return tuple(
        StraightDeviation(number, a, b, b - a, _within(b - a, tolerances.straight))
        for number, (a, b) in enumerate(pairs, 1)
    )


def straights_of(located: LocatedRun) -> list[float]:
    """All straights from end 1, mm."""
    return [*(bend.straight for bend in located.run.bends), located.run.last_straight]


def _bends(
    nominal: LocatedRun, measured: LocatedRun, tolerances: InspectionTolerances
) -> tuple[BendDeviation, ...]:
    pairs = zip(nominal.run.bends, measured.run.bends, strict=True)
    return tuple(
        BendDeviation(
            bend=number,
            angle=_angle(a.angle, b.angle, b.angle - a.angle, tolerances.angle),
            rotation=_angle(
                a.rotation, b.rotation, wrap(b.rotation - a.rotation), tolerances.rotation
            ),
            radius=a.radius,
            measured_radius=b.radius,
        )
        for number, (a, b) in enumerate(pairs, 1)
    )


def _angle(
    nominal: float, measured: float, deviation: float, limit: float | None
) -> AngleDeviation:
    return AngleDeviation(nominal, measured, deviation, _within(deviation, limit))


def _ends(
    nominal: LocatedRun, measured: LocatedRun, fit: RigidFit, tolerances: InspectionTolerances
) -> tuple[EndDeviation, EndDeviation]:
    moved = fit.move(measured.tangents)
    first = moved[0] - nominal.tangents[0]
    last = moved[-1] - nominal.tangents[-1]
    turned_root, turned_tip = fit.turn(measured.root_direction), fit.turn(measured.tip_direction)
    return (
        _end("end_1", first, -nominal.root_direction, -turned_root, tolerances),
        _end("end_2", last, nominal.tip_direction, turned_tip, tolerances),
    )


def _end(
    end: Literal["end_1", "end_2"],
    step: Points,
    outward: Points,
    turned: Points,
    tolerances: InspectionTolerances,
) -> EndDeviation:
    distance, along = float(np.linalg.norm(step)), float(step @ outward)
    across = float(np.linalg.norm(step - along * outward))
    turn = math.atan2(float(np.linalg.norm(np.cross(outward, turned))), float(outward @ turned))
    position = _within(distance, tolerances.end_position)
    direction = _within(turn, tolerances.end_direction)
    return EndDeviation(end, distance, along, across, turn, position, direction)


def _within(deviation: float, limit: float | None) -> bool | None:
    # a part in a million of the tolerance is rounding, not a bad part
    return None if limit is None else abs(deviation) <= limit * (1 + 1e-6) + 1e-12


def _xyz(point: Points) -> Xyz:
    x, y, z = point.tolist()
    return Xyz(x, y, z)


def _out(code: str, bend: int | None, value: Amount, limit: float | None, **parts: int) -> Finding:
    return Finding(code, "blocks", bend, value, Amount(limit or 0.0, value.kind), parts)


def _point_findings(
    points: Sequence[PointDeviation], tolerances: InspectionTolerances
) -> list[Finding]:
    found = []
    for p in points:
        if p.within is False:
            parts = {"number": int(p.place[-1])} if p.bend is None else {}
            code = "end_point_out" if p.bend is None else f"{p.place}_out"
            value = Amount(p.distance, "length")
            found.append(_out(code, p.bend, value, tolerances.point, **parts))
    return found


def _straight_findings(
    rows: Sequence[StraightDeviation], tolerances: InspectionTolerances
) -> list[Finding]:
    return [
        _out(
            "straight_out",
            None,
            Amount(row.deviation, "length"),
            tolerances.straight,
            number=row.number,
        )
        for row in rows
        if row.within is False
    ]


def _bend_findings(
    rows: Sequence[BendDeviation], tolerances: InspectionTolerances
) -> list[Finding]:
    found = []
    for row in rows:
        if row.angle.within is False:
            value = Amount(row.angle.deviation, "angle")
            found.append(_out("angle_out", row.bend, value, tolerances.angle))
        if row.rotation.within is False:
            value = Amount(row.rotation.deviation, "angle")
            found.append(_out("rotation_out", row.bend, value, tolerances.rotation))
    return found


def _end_findings(rows: Sequence[EndDeviation], tolerances: InspectionTolerances) -> list[Finding]:
    found = []
    for row in rows:
        number = 1 if row.end == "end_1" else 2
        if row.within_position is False:
            value = Amount(row.distance, "length")
            limit = tolerances.end_position
            found.append(_out("end_position_out", None, value, limit, number=number))
        if row.within_direction is False:
            value = Amount(row.turn, "angle")
            limit = tolerances.end_direction
            found.append(_out("end_direction_out", None, value, limit, number=number))
    return found
