"""From what a tape can take on the outside of a bent tube to centre-line values, and back.

Along a leg a tape or a straight-edge reaches from the tube's end, or from the corner that the
outsides of two legs would make, to the next corner; or square over the outermost point of a bend.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.calc.run_geometry import LARGEST_VERTEX_ANGLE, check_run
from service.errors import (
    Amount,
    CalculationError,
    GeometryError,
    MissingError,
    NoMethodError,
    OutOfRangeError,
    Value,
    Word,
)
from service.model import Bend, Finding, Method, Run, Tube

Taken = Literal["straight", "vertices", "outside_corners", "inside_corners", "outermost"]
RIGHT_ANGLE = math.pi / 2
# A tape over the two legs of a U-bend tells its radius only while the legs are parallel.
PARALLEL = math.radians(0.5)
ROUNDING = 1e-9

METHODS = (
    Method(
        "tape-over-corners",
        "Leg between outside or inside corners",
        "outside: leg + (D/2)·tan(θ/2) at each bend; inside: leg − (D/2)·tan(θ/2); "
        "straight = leg − R·tan(θ/2)",
        "below 179.4°; the corner is where straight-edges along the outsides of both legs meet",
        ("elementary-geometry",),
    ),
    Method(
        "tape-to-outermost-point",
        "End to the outside of a bend, square to the leg",
        "straight + R + D/2 at each bend",
        "θ from 90° to 270°: outside that the leg after the bend reaches further out than the bend",
        ("elementary-geometry",),
    ),
    Method(
        "tape-over-legs",
        "Over both legs of a U-bend",
        "2R + D",
        "θ within 0.5° of 180°",
        ("elementary-geometry",),
    ),
)


class TapedBend(NamedTuple):
    """One leg as taken by a tape, then the bend at its end: mm and rad.

    ``radius`` or, for a U-bend, ``over_legs`` is given, the other is None.
    """

    length: float
    taken: Taken
    rotation: float
    angle: float
    radius: float | None
    over_legs: float | None = None


class LegReading(NamedTuple):
    """One leg in every way that a tape can take it, mm; None where it cannot be taken so."""

    leg: int
    straight: float
    vertices: float | None
    outside_corners: float | None
    inside_corners: float | None
    outermost: float | None


class BendReading(NamedTuple):
    """One bend: angle between the legs, and the tape over both legs of a U-bend (else None)."""

    bend: int
    angle: float
    between_legs: float
    radius: float
    over_legs: float | None


@dataclass(frozen=True, slots=True)
class TapeMeasurements:
    """Centre-line values and every reading that goes with them."""

    run: Run
    legs: tuple[LegReading, ...]
    bends: tuple[BendReading, ...]
    methods: tuple[str, ...] = ("tape-over-corners", "tape-to-outermost-point", "tape-over-legs")
    findings: tuple[Finding, ...] = ()


def run_from_tape(
    taped: Sequence[TapedBend], last_length: float, last_taken: Taken, tube: Tube
) -> Run:
    """Centre-line bend table from tape measurements.

    straight = reading − what the reading holds beyond the tangent points at each end of the leg:
    R·tan(θ/2) to the vertex, (R ± D/2)·tan(θ/2) to the outside or inside corner, R + D/2 to the
    outermost point.

    Arguments:
        taped: legs and bends in order from end 1, mm and rad
        last_length, last_taken: the last leg, to end 2
        tube: D, mm

    Raises:
        MissingError: a bend with neither radius nor tape over its legs, or with both
        NoMethodError: a leg taken in a way that its bends do not allow
        GeometryError: a reading shorter than what its bends take up
        OutOfRangeError: an absurd bend, a tape over the legs of 2D or less

    Source: elementary geometry.
    """
    radii = [_radius(row, index, tube) for index, row in enumerate(taped)]
    bends = [(row.angle, radius) for row, radius in zip(taped, radii, strict=True)]
    lengths = [*((row.length, row.taken) for row in taped), (last_length, last_taken)]
    straights = [
        _straight(length, taken, index, bends, tube)
        for index, (length, taken) in enumerate(lengths)
    ]
    rows = zip(straights, taped, radii, strict=False)
    made = tuple(Bend(s, row.rotation, row.angle, radius) for s, row, radius in rows)
    return _checked(made, straights[-1], taped, tube)


def _checked(
    bends: tuple[Bend, ...], last_straight: float, taped: Sequence[TapedBend], tube: Tube
) -> Run:
    """The run, refused where no bender could mean it, with the field as it was sent."""
    try:
        run = Run(bends, last_straight)
        check_run(run, tube.outside_diameter)
    except CalculationError as error:
        index, name = error.field[-2:]
        over_legs = taped[int(index)].over_legs
        if name == "radius" and over_legs is not None:
            raise _legs_too_close(over_legs, int(index), tube) from None
        where = ("run", "taped_bends", index, name)
        raise type(error)(error.code, where, error.values) from None
    return run


def _legs_too_close(over_legs: float, index: int, tube: Tube) -> OutOfRangeError:
    """What is wrong with a tape over both legs of which R = (tape − D)/2 comes to D/2 or less."""
    parts: dict[str, Value] = {
        "bend": index + 1,
        "value": Amount(over_legs, "length"),
        "limit": Amount(2 * tube.outside_diameter, "length"),
    }
    where = ("run", "taped_bends", index, "over_legs")
    return OutOfRangeError("over_legs_within_tube", where, parts)


def _radius(row: TapedBend, index: int, tube: Tube) -> float:
    where = ("run", "taped_bends", index)
    if (row.radius is None) == (row.over_legs is None):
        sent = Word("no_radius_sent" if row.radius is None else "two_radii_sent")
        raise MissingError("radius_or_over_legs", where, {"bend": index + 1, "sent": sent})
    if row.radius is not None:
        return row.radius
    if abs(row.angle - math.pi) > PARALLEL:
        value = Amount(row.angle, "angle")
        raise NoMethodError(
            "legs_not_parallel", (*where, "over_legs"), {"bend": index + 1, "value": value}
        )
    return ((row.over_legs or 0.0) - tube.outside_diameter) / 2


_AngleAndRadius = tuple[float, float]


def _at_ends(index: int, bends: Sequence[_AngleAndRadius]) -> list[_AngleAndRadius]:
    """The bends at the two ends of a leg, none at an end of the tube."""
    return [bends[i] for i in (index - 1, index) if 0 <= i < len(bends)]


def _straight(
    length: float, taken: Taken, index: int, bends: Sequence[_AngleAndRadius], tube: Tube
) -> float:
    where = ("taped_bends", index) if index < len(bends) else ("last_leg",)
    beyond = 0.0
    for angle, radius in _at_ends(index, bends):
        more = beyond_tangent(taken, angle, radius, tube.outside_diameter)
        if more is None:
            parts: dict[str, Value] = {"leg": index + 1, "value": Amount(angle, "angle")}
            code = "no_outermost_point" if taken == "outermost" else "no_corner"
            raise NoMethodError(code, ("run", *where, "taken"), parts)
        beyond += more
    if length - beyond < -ROUNDING:
        taken_up = Amount(beyond, "length")
        given = Amount(length, "length")
        parts = {"leg": index + 1, "value": given, "least": taken_up}
        raise GeometryError("leg_too_short", ("run", *where, "length"), parts)
    return max(length - beyond, 0.0)


def beyond_tangent(taken: Taken, angle: float, radius: float, diameter: float) -> float | None:
    """How far beyond the tangent point a reading reaches at a bend, mm; None where it cannot.

    Arguments:
        taken: how the leg is taken
        angle: θ, rad
        radius: R, mm
        diameter: D, mm
    """
    if taken == "straight":
        return 0.0
    if taken == "outermost":
        square = RIGHT_ANGLE - ROUNDING <= angle <= 3 * RIGHT_ANGLE + ROUNDING
        return radius + diameter / 2 if square else None
    if angle > LARGEST_VERTEX_ANGLE:
        return None
    side = {"vertices": 0.0, "outside_corners": 0.5, "inside_corners": -0.5}[taken]
    return (radius + side * diameter) * math.tan(angle / 2)


def tape_measurements(run: Run, tube: Tube) -> TapeMeasurements:
    """Every reading that a tape could take of a run.

    Arguments:
        run: bend table, mm and rad
        tube: D, mm

    Raises:
        OutOfRangeError: as ``check_run``

    Source: elementary geometry.
    """
    check_run(run, tube.outside_diameter)
    bends = [(bend.angle, bend.radius) for bend in run.bends]
    straights = [*(bend.straight for bend in run.bends), run.last_straight]
    return TapeMeasurements(
        run=run,
        legs=tuple(
            _reading(index, straight, _at_ends(index, bends), tube)
            for index, straight in enumerate(straights)
        ),
        bends=tuple(_bend(index, bend, tube) for index, bend in enumerate(run.bends)),
    )


def _reading(
    index: int, straight: float, ends: Sequence[_AngleAndRadius], tube: Tube
) -> LegReading:
    def reading(taken: Taken) -> float | None:
        total = straight
        for angle, radius in ends:
            more = beyond_tangent(taken, angle, radius, tube.outside_diameter)
            if more is None:
                return None
            total += more
        return total

    return LegReading(
        leg=index + 1,
        straight=straight,
        vertices=reading("vertices"),
        outside_corners=reading("outside_corners"),
        inside_corners=reading("inside_corners"),
        outermost=reading("outermost") if ends else None,
    )


def _bend(index: int, bend: Bend, tube: Tube) -> BendReading:
    parallel = abs(bend.angle - math.pi) <= PARALLEL
    return BendReading(
        bend=index + 1,
        angle=bend.angle,
        between_legs=abs(math.pi - bend.angle),
        radius=bend.radius,
        over_legs=2 * bend.radius + tube.outside_diameter if parallel else None,
    )
