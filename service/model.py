"""Frozen dataclasses that several calculations share. mm, rad, MPa, N·mm, N, kg throughout.

Each class refuses what cannot exist (a wall of half the diameter), with the field named below
itself, so that whoever builds it only adds where it stands in the request.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from service.errors import Amount, GeometryError, OutOfRangeError, Value

Severity = Literal["blocks", "needs_care", "ok"]
End = Literal["end_1", "end_2"]
Trust = Literal["verified", "restated", "derived", "memory", "common practice", "invented"]

# A hydraulic or instrument line; past this a number is a slip of the keyboard or of the unit.
LEAST_OUTSIDE_DIAMETER = 0.5
LARGEST_OUTSIDE_DIAMETER = 500.0
LARGEST_LENGTH = 100_000.0
# Below this turn a "bend" is a straight tube within what any bench or drawing can show (0.0057°).
LEAST_BEND_ANGLE = 1e-4
LARGEST_BEND_ANGLE = math.radians(350.0)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a value or a formula comes from, and how far it can be trusted."""

    id: str
    title: str
    trust: Trust
    note: str = ""
    author: str = ""
    year: int | None = None


@dataclass(frozen=True, slots=True)
class Method:
    """One named way of computing something: its formula, its range of validity, its sources."""

    id: str
    title: str
    formula: str
    valid: str
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the caller must know, kept in parts; the edge turns it into text.

    ``code`` is the key of the text (and of the cure) in ``shared/texts``. ``bend`` counts from 1
    at end 1. ``value`` and ``limit`` are the two numbers compared.
    """

    code: str
    severity: Severity
    bend: int | None = None
    value: Amount | None = None
    limit: Amount | None = None
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hardening:
    """A strain-hardening law with its coefficients, from the caller's or the shop's own tests.

    True stress σ over total strain ε; E and Y stand elsewhere: ``calc.flow_curve.FlowCurve``
    joins them and checks the ranges. A coefficient its law does not have is refused there.

    Arguments:
        law: bilinear σ = Y + Et·(ε − Y/E); hollomon σ = K·εⁿ; swift σ = K·(ε0 + ε)ⁿ;
            ludwik σ = Y + K·(ε − Y/E)ⁿ; ramberg_osgood ε = σ/E + 0.002·(σ/Y)^N
        strength_coefficient: K, MPa, below E; hollomon, swift, ludwik
        exponent: n, above 0, to 1; for ramberg_osgood N, 1 to 200
        prestrain: ε0, 0 to 1; swift
        tangent_modulus: Et, MPa, 0 or more, below E; bilinear
    """

    law: Literal["hollomon", "swift", "ludwik", "ramberg_osgood", "bilinear"]
    strength_coefficient: float | None = None
    exponent: float | None = None
    prestrain: float | None = None
    tangent_modulus: float | None = None


@dataclass(frozen=True, slots=True)
class Material:
    """Minimum values of a standard at room temperature, or what the caller measured.

    Arguments:
        yield_strength, yield_strength_max: MPa; the minimum, and the largest where it is known
        tensile_strength, tensile_strength_max: MPa; the minimum and the maximum
        elongation: fraction after fracture
        density: kg/mm³
        elastic_modulus: MPa
        place, trust, note: page or table in the source, how far the row can be trusted, remarks
        small_tube_yield_strength: MPa; the minimum where the standard lowers it for small tube,
            that is for D ≤ ``small_tube_outside_diameter`` with t ≤ ``small_tube_wall_thickness``
            (both mm)
    """

    id: str
    name: str
    elastic_modulus: float
    density: float
    yield_strength: float | None = None
    yield_strength_max: float | None = None
    tensile_strength: float | None = None
    tensile_strength_max: float | None = None
    elongation: float | None = None
    poisson_ratio: float = 0.3
    standard: str = ""
    source: str = ""
    hardening: Hardening | None = None
    place: str = ""
    trust: Trust | None = None
    note: str = ""
    small_tube_yield_strength: float | None = None
    small_tube_outside_diameter: float | None = None
    small_tube_wall_thickness: float | None = None

    def __post_init__(self) -> None:
        for low, high in (
            ("yield_strength", "yield_strength_max"),
            ("tensile_strength", "tensile_strength_max"),
        ):
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and most < least:
                raise OutOfRangeError(
                    "maximum_below_minimum",
                    (high,),
                    {"value": Amount(most, "pressure"), "least": Amount(least, "pressure")},
                )


@dataclass(frozen=True, slots=True)
class Tube:
    """A round tube: outside diameter D, wall thickness t (mm), and the material where it matters.

    Raises:
        OutOfRangeError: D outside 0.5–500 mm, or a wall of half the diameter or more
    """

    outside_diameter: float
    wall_thickness: float
    material: Material | None = None

    def __post_init__(self) -> None:
        od, wall = self.outside_diameter, self.wall_thickness
        if not LEAST_OUTSIDE_DIAMETER <= od <= LARGEST_OUTSIDE_DIAMETER:
            raise OutOfRangeError(
                "outside_diameter_absurd",
                ("outside_diameter",),
                {
                    "value": Amount(od, "length"),
                    "least": Amount(LEAST_OUTSIDE_DIAMETER, "length"),
                    "most": Amount(LARGEST_OUTSIDE_DIAMETER, "length"),
                },
            )
        if not 0 < 2 * wall < od:
            raise OutOfRangeError(
                "wall_not_below_half_diameter",
                ("wall_thickness",),
                {"value": Amount(wall, "length"), "limit": Amount(od / 2, "length")},
            )

    @property
    def inside_diameter(self) -> float:
        """Inside diameter d = D − 2t, mm."""
        return self.outside_diameter - 2 * self.wall_thickness

    @property
    def mean_radius(self) -> float:
        """Mean radius r_m = (D − t)/2, mm."""
        return (self.outside_diameter - self.wall_thickness) / 2

    @property
    def wall_ratio(self) -> float:
        """Wall ratio t/D."""
        return self.wall_thickness / self.outside_diameter

    @property
    def wall_factor(self) -> float:
        """Wall factor D/t."""
        return self.outside_diameter / self.wall_thickness

    @property
    def metal_area(self) -> float:
        """Cross-section of metal A = π(D² − d²)/4 = π(D − t)t, mm²."""
        return math.pi * (self.outside_diameter - self.wall_thickness) * self.wall_thickness


@dataclass(frozen=True, slots=True)
class Bend:
    """One row of a bend table: the straight before the bend, then the bend.

    Arguments:
        straight: tangent length before the bend, mm, ≥ 0
        rotation: turn of the bend plane about the direction of travel, rad, (−π, π]; 0 at the first
        angle: bend angle θ, rad
        radius: centre-line radius R, mm
    """

    straight: float
    rotation: float
    angle: float
    radius: float

    @property
    def arc(self) -> float:
        """Arc length on the centre line, Rθ, mm."""
        return self.radius * self.angle


@dataclass(frozen=True, slots=True)
class Run:
    """A centre line from end 1 to end 2: bends in order, then one last straight.

    Raises:
        GeometryError: a straight below 0, a first rotation other than 0, an angle outside the range
    """

    bends: tuple[Bend, ...]
    last_straight: float

    def __post_init__(self) -> None:
        if self.bends and self.bends[0].rotation != 0.0:
            raise GeometryError(
                "first_rotation_not_zero",
                ("bends", 0, "rotation"),
                {"value": Amount(self.bends[0].rotation, "angle")},
            )


@dataclass(frozen=True, slots=True)
class Die:
    """A bend die (the grooved former) with the pressure die and clamp that go with it.

    Arguments:
        tube_outside_diameter: the tube its groove is made for, mm
        radius: centre-line radius of the bend it makes, mm
        largest_angle: largest set angle, rad
        clamp_length, pressure_die_length: straight tube each needs, mm; None where not stated
        mark_offset: distance from the die's zero mark to the start of bend, mm, positive when the
            zero mark lies ahead of the tangent point (towards the bend)
        has_angle_marks: whether the die carries angle marks, to which the apex is set
        groove_length: straight part of the groove before the start of bend, against which the
            clamp holds the tube, mm; None where not stated
        stretch: fraction of arc length by which a bend in this die usually lengthens the tube, from
            the shop's trial bends; None where the shop states none
        height: height of the die along its axis, half of it on either side of the bend plane, mm;
            None where not stated
    """

    id: str
    name: str
    tube_outside_diameter: float
    radius: float
    largest_angle: float
    clamp_length: float | None = None
    pressure_die_length: float | None = None
    mark_offset: float = 0.0
    has_angle_marks: bool = False
    groove_length: float | None = None
    stretch: float | None = None
    height: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class RatedTube:
    """A tube that the bender is stated to bend: its section and flow stress give a moment.

    ``flow_stress`` in MPa is stated by the profile; without it (Y + Rm)/2 of the material is used
    and the answer says so.
    """

    outside_diameter: float
    wall_thickness: float
    material: str | None = None
    flow_stress: float | None = None
    radius: float | None = None


@dataclass(frozen=True, slots=True)
class Drive:
    """The hand crank: turns and effort follow from it.

    Arguments:
        gear_ratio: crank turns per turn of the die
        lever_length: crank radius, mm
        efficiency: output work over input work, 0–1
        comfortable_force: hand force that the shop allows, N
    """

    gear_ratio: float
    lever_length: float
    efficiency: float
    comfortable_force: float | None = None


@dataclass(frozen=True, slots=True)
class BoxBody:
    """A box of the bender or beside it: two opposite corners in the frame of the bender, mm.

    ``turns_with_die`` tells a body that the die carries round, as a clamp, from one that stands.
    """

    name: str
    least: tuple[float, float, float]
    greatest: tuple[float, float, float]
    turns_with_die: bool = False


@dataclass(frozen=True, slots=True)
class CylinderBody:
    """A cylinder of the bender or beside it: ends of its axis and radius in its frame, mm.

    The sweep of a hand crank is one: its axis is the crank's, its radius the reach of the handle.
    """

    name: str
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    radius: float
    turns_with_die: bool = False


@dataclass(frozen=True, slots=True)
class BenchEdges:
    """Where the bench top ends, in the frame of the bender, mm."""

    least_x: float
    greatest_x: float
    least_y: float
    greatest_y: float


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a tube may run into while it is bent, in the frame of the bender, mm.

    Frame of the bender: origin on the axis of the die, as high as the centre line of the tube; x
    the way in which the tube is fed, z up, y to the left of x. Before a bend the tube lies straight
    along x, one radius off the axis: at y = −R where the leg is swung anticlockwise seen from
    above, at y = R where clockwise.

    Arguments:
        swings: the way in which the leg ahead is swung, seen from above
        bench_below: how far the bench top lies below the centre line of the tube; None where there
            is none
        bench_edges: None for a bench top without end
        floor_below: how far the floor lies below the centre line; None where not stated
        boxes, cylinders: body of the bender, sweep of its handle, posts, walls
    """

    swings: Literal["anticlockwise", "clockwise"] = "anticlockwise"
    bench_below: float | None = None
    bench_edges: BenchEdges | None = None
    floor_below: float | None = None
    boxes: tuple[BoxBody, ...] = ()
    cylinders: tuple[CylinderBody, ...] = ()


@dataclass(frozen=True, slots=True)
class Bender:
    """A bench bender of the shop profile.

    Arguments:
        longest_tube: the longest tube that fits before the stop, mm; None where there is no stop
        brace_from: outside diameter from which its support brace is fitted, mm; None where it has
            none
        support_from: length of tube behind the die from which it is to be supported, mm; None where
            the shop states none
        lubricant: what groove and tube are lubricated with; empty where the shop states nothing
        tube_can_be_turned: whether the tube may be lifted out between two bends and put in again,
            rolled or end for end
        surroundings: what the tube may run into; None where the shop states nothing
    """

    id: str
    name: str
    least_outside_diameter: float
    largest_outside_diameter: float
    largest_angle: float
    dies: tuple[str, ...]
    rated_tubes: tuple[RatedTube, ...] = ()
    drive: Drive | None = None
    longest_tube: float | None = None
    brace_from: float | None = None
    support_from: float | None = None
    lubricant: str = ""
    tube_can_be_turned: bool = False
    surroundings: Surroundings | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class EndFitting:
    """What goes on an end of the tube, and the straight tube that it and its tool take, mm.

    Arguments:
        kind: ``flare`` (the tube's own end is flared), ``cone_24`` (24° cone connector),
            ``compression`` (any other that grips the plain tube)
        tube_outside_diameter: the tube that it is made for
        insertion: how far the tube goes into it
        nut_length: length of the nut; None where not stated
        tool_length: straight tube that the flaring or assembly tool grips
        least_straight: straight from the tube's end to the bend as the shop states it; where it
            does, the rest is not reckoned with
    """

    id: str
    name: str
    kind: Literal["flare", "cone_24", "compression"]
    tube_outside_diameter: float
    insertion: float | None = None
    nut_length: float | None = None
    tool_length: float | None = None
    least_straight: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class MandrelLimits:
    """The shop's own limits for the mandrel verdict; the trade's rule where it states none.

    Arguments:
        required_below_wall_ratio: t/D below which a mandrel is required
        advised_below_wall_ratio: t/D below which one is advised
        tight_bend_ratio: R/D at or below which the verdict moves one step towards a mandrel
        none_above_bend_ratio: R/D above which the verdict moves one step away from it
    """

    required_below_wall_ratio: float | None = None
    advised_below_wall_ratio: float | None = None
    tight_bend_ratio: float | None = None
    none_above_bend_ratio: float | None = None


@dataclass(frozen=True, slots=True)
class InspectionTolerances:
    """Plus-minus tolerances of a bent part, mm and rad; None is not judged.

    Arguments:
        point: distance of a vertex or tangent point from its nominal place, after the fit
        straight, angle, rotation: of each straight, bend angle and rotation
        end_position, end_direction: of both ends, after the fit
    """

    point: float | None = None
    straight: float | None = None
    angle: float | None = None
    rotation: float | None = None
    end_position: float | None = None
    end_direction: float | None = None

    @property
    def judges(self) -> bool:
        """Whether there is anything to judge by."""
        given = (self.point, self.straight, self.angle, self.rotation)
        return any(t is not None for t in (*given, self.end_position, self.end_direction))


@dataclass(frozen=True, slots=True)
class Shop:
    """The loaded shop profile: what this shop has and its own limits.

    Arguments:
        mandrel_clearance: inside diameter of the tube less diameter of the mandrel, mm
        mandrel_rod_length: how far the mandrel rod reaches into the tube, mm
        bench_step: the smallest step of the rule at the bench, mm
        end_fittings: what goes on the ends of tubes, by id
        inspection: what the shop tolerates on a bent part where the drawing says nothing
        source: id of the source of all its values; ``demo-shop`` where they are invented
        invented: whether the profile says that its values are made up
    """

    id: str
    name: str
    benders: Mapping[str, Bender]
    dies: Mapping[str, Die]
    mandrel_limits: MandrelLimits
    mandrel_clearance: float | None = None
    mandrel_rod_length: float | None = None
    bench_step: float = 0.5
    end_fittings: Mapping[str, EndFitting] = field(default_factory=dict)
    inspection: InspectionTolerances = InspectionTolerances()
    source: str = "shop-profile"
    invented: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class TubeSize:
    """A standard size of tube; mm, with the inch size where it is an inch tube.

    Arguments:
        system: the system that the size is stated in
        outside_diameter_in, wall_thickness_in: in, exact; None for metric tube
        dash: outside diameter in sixteenths of an inch; None for metric tube
        gauge: Birmingham wire gauge number of the wall; None for metric tube
        cone_series: 24° cone connectors made for this outside diameter: light ("L"), heavy ("S")
    """

    id: str
    system: Literal["metric", "inch"]
    outside_diameter: float
    wall_thickness: float
    outside_diameter_in: float | None
    wall_thickness_in: float | None
    dash: int | None
    gauge: int | None
    cone_series: tuple[str, ...]
    source: str
    place: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class WallAllowance:
    """One row of a table of wall before bending: at R/D, the factor on the minimum wall."""

    bend_ratio: float
    wall_factor_before_bending: float
    source: str
    place: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class GeneralTolerance:
    """One row of a table of general tolerances.

    Arguments:
        quantity: ``linear`` (a length) or ``angular`` (an angle, ranged by its shorter leg)
        tolerance_class: f fine, m medium, c coarse, v very coarse
        over, up_to: range of the nominal length or shorter leg, mm: ``over`` < length ≤ ``up_to``;
            ``up_to`` may be infinite
        plus_minus: permitted deviation to either side, mm or rad
        over_included: whether ``over`` itself belongs to the range
    """

    quantity: Literal["linear", "angular"]
    tolerance_class: Literal["f", "m", "c", "v"]
    over: float
    up_to: float
    plus_minus: float
    source: str
    place: str
    trust: Trust
    over_included: bool = False
