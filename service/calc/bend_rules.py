"""What every rule of a review works on, and how it says what it found.

A rule gives one ``Check`` for each bend, straight, end or part that it looks at, also where all is
well: value, limit, severity, and what would cure it, as numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from service.calc.bend_limits import PressureSide
from service.calc.bend_wall import NO_DEDUCTION, MeasuredBend, WallDeduction
from service.calc.bender_load import Rating, Strength
from service.calc.capacity_check import NO_TERMS, SAME_TOOL, LoadTerms
from service.calc.developed_length import NO_ALLOWANCES, Ends
from service.calc.drawn_run import DrawnRun, can_be_built
from service.calc.mandrel_criterion import LimitsInForce
from service.calc.mandrel_lead import MandrelTool, Rod
from service.calc.mark_layout import Springback
from service.calc.obstacle_clearance import Obstacle
from service.calc.pressure_rating import Stress
from service.calc.run_geometry import Frames, Placement, Vector, cross, frames, placed
from service.errors import Amount, GeometryError, Kind, Value
from service.model import Bender, Die, End, EndFitting, Run, Severity, Tube, WallAllowance

Rule = Literal[
    "leg_for_set_backs",
    "straight_for_clamp",
    "end_straight_to_grip",
    "tube_behind_for_pressure_die",
    "tail_on_pressure_die",
    "end_straight_for_fitting",
    "fitting_for_tube",
    "tube_in_bender_range",
    "radius_at_hand",
    "set_angle",
    "tube_before_stop",
    "mandrel",
    "mandrel_rod",
    "capacity",
    "crank_force",
    "thinning",
    "wall_for_pressure",
    "ovality",
    "pressure",
    "clearance_to_itself",
    "clearance_to_parts",
    "bending_order",
]
Change = Literal[
    "straight",
    "leg",
    "end_length",
    "radius",
    "work_from",
    "thicker_wall",
    "thinner_wall",
    "angle",
    "tube_length",
    "outside_diameter",
    "pressure",
    "mandrel",
    "rods",
    "move_apart",
    "begin_at",
    "lift_out",
    "roll_long_way",
]
Reason = Literal[
    "not_asked", "not_stated", "not_measured", "no_springback", "cannot_be_built", "no_bend"
]

# Two sizes that differ by less are the same size: 1 in is 25.4 mm and not a rounding more.
SAME = 1e-9


class Cure(NamedTuple):
    """One change that would satisfy the rule where it stands.

    Arguments:
        change: what to change
        value: what to change it to: the least straight, the next radius that works, …; None where
            the change has no number, or where none can be told
        bend, straight: where, where that is not the place of the check itself
        end: the end to work from, or to lengthen
        number: a count, as of rods
    """

    change: Change
    value: Amount | None = None
    bend: int | None = None
    straight: int | None = None
    end: End | None = None
    number: int | None = None


class Check(NamedTuple):
    """What one rule found at one place.

    Arguments:
        code: key of the finding's text; the rule may have several
        bend, straight: place, counted from 1 at end 1; straight n + 1 closes a run of n bends
        part: number of a nearby part, from 1
        end: the end that the check is about
        value, limit: the two numbers compared; None where there is none
        least: whether ``limit`` is the least that will do, or the most; None where it must be met
        cures: what would cure it; empty where all is well
        values: further parts of the text
    """

    rule: Rule
    code: str
    severity: Severity
    value: Amount | None = None
    limit: Amount | None = None
    bend: int | None = None
    straight: int | None = None
    part: int | None = None
    end: End | None = None
    least: bool | None = True
    cures: tuple[Cure, ...] = ()
    values: Mapping[str, Value] = {}

    @property
    def margin(self) -> Amount | None:
        """What is left until the limit, in the unit of the value; below 0 past or off it."""
        if self.value is None or self.limit is None:
            return None
        left = self.value.value - self.limit.value
        if self.least is None:
            left = -abs(left)
        return Amount(-left if self.least is False else left, self.value.kind)


class NotChecked(NamedTuple):
    """A rule that was not applied, and why."""

    rule: Rule
    reason: Reason


@dataclass(frozen=True, slots=True)
class PressureDemand:
    """The pressure that the line must bear, MPa, and the stress to rate it with."""

    pressure: float
    stress: Stress


@dataclass(frozen=True, slots=True)
class QualityDemand:
    """What is known and asked of the finished bends.

    Arguments:
        measured: diameters and walls of finished bends, mm
        largest_thinning: share of the wall that the outside of a bend may lose
        required_wall: wall that pressure needs in the straight tube, without allowances, mm
        standards: ids of the standards that apply; None compares with all and blocks on none
        pressure_side: for the flattening that ASME B31.3 allows
        wall_table: ASME B31.1 Table 102.4.5
        deduction: tolerance and corrosion allowance of the wall
        pressure: None where none is asked for
    """

    measured: tuple[MeasuredBend, ...] = ()
    largest_thinning: float | None = None
    required_wall: float | None = None
    standards: tuple[str, ...] | None = None
    pressure_side: PressureSide = "internal"
    wall_table: Sequence[WallAllowance] = ()
    deduction: WallDeduction = NO_DEDUCTION
    pressure: PressureDemand | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """What the shop has: bender, dies, ratings, mandrel; and whether its figures are made up."""

    bender: Bender
    dies: tuple[Die, ...]
    ratings: tuple[Rating, ...]
    mandrel_limits: LimitsInForce
    mandrel_at_hand: bool = False
    mandrel_tool: MandrelTool | None = None
    mandrel_rod: Rod | None = None
    invented: bool = False


class NearbyPart(NamedTuple):
    """A solid near the run, in its frame, and the clearance wanted to it, mm."""

    name: str
    solid: Obstacle
    clearance: float = 0.0


@dataclass(frozen=True, slots=True)
class ReviewCase:
    """Everything that a review judges.

    Arguments:
        drawn: the run as drawn
        run: its bend table with the radii under review; of one that cannot be built a straight is
            below 0
        work_from: the end from which work proceeds; its straight is gripped first
        fittings: what goes on end 1 and on end 2
        strength: None where nothing is known of the material
        clearance: wanted between parts of the tube, mm
        parts: what stands near the run
        place: where the run lies in its drawing; None leaves end 1 at the origin, along +x
    """

    drawn: DrawnRun
    run: Run
    tube: Tube
    bench: Bench
    work_from: End = "end_1"
    stretch: float = 0.0
    ends: Ends = NO_ALLOWANCES
    fittings: tuple[EndFitting | None, EndFitting | None] = (None, None)
    springback: tuple[Springback, ...] = ()
    strength: Strength | None = None
    terms: LoadTerms = NO_TERMS
    quality: QualityDemand = field(default_factory=QualityDemand)
    clearance: float = 0.0
    parts: tuple[NearbyPart, ...] = ()
    place: Placement | None = None

    @property
    def can_be_built(self) -> bool:
        """Whether no straight is below 0."""
        return can_be_built(self.run)

    @property
    def frames(self) -> Frames:
        """Frames of the run where it lies: as drawn, else with end 1 at the origin."""
        at = frames(self.run)
        return at if self.place is None else placed(at, self.place)

    @property
    def straights(self) -> tuple[float, ...]:
        """All straights from end 1, mm."""
        return (*(bend.straight for bend in self.run.bends), self.run.last_straight)


def box_axes(x: Vector, y: Vector) -> tuple[Vector, Vector, Vector]:
    """Unit axes of a box from the directions of x and y; y is made square to x, z = x×y.

    Raises:
        GeometryError: a direction without length, or y along x
    """
    along = _unit(x, "x_axis")
    up = _unit(cross(along, _unit(y, "y_axis")), "y_axis")
    return along, cross(up, along), up


def _unit(direction: Vector, field: str) -> Vector:
    size = math.hypot(*direction)
    if size < SAME:
        raise GeometryError("axis_without_direction", (field,))
    return (direction[0] / size, direction[1] / size, direction[2] / size)


def other_end(end: End) -> End:
    """The end that it is not."""
    return "end_2" if end == "end_1" else "end_1"


def below(value: float, limit: float) -> bool:
    """Whether a value is less than its limit by more than rounding."""
    return value < limit - SAME * max(abs(limit), 1.0)


def above(value: float, limit: float) -> bool:
    """Whether a value is more than its limit by more than rounding."""
    return value > limit + SAME * max(abs(limit), 1.0)


def same_radius(a: float, b: float) -> bool:
    """Whether one die makes both radii, which are then no change of one another."""
    return math.isclose(a, b, rel_tol=SAME_TOOL)


def length(value: float) -> Amount:
    """A length, mm."""
    return Amount(value, "length")


def amount(value: float | None, kind: Kind) -> Amount | None:
    """A value that may not be known."""
    return None if value is None else Amount(value, kind)


def dies_by_radius(tube: Tube, dies: Iterable[Die]) -> dict[float, Die]:
    """The dies that are made for this tube, by radius, mm; of two alike the first by id."""
    od = tube.outside_diameter
    fitting = [d for d in dies if math.isclose(d.tube_outside_diameter, od, rel_tol=SAME_TOOL)]
    fitting.sort(key=lambda die: (die.radius, die.id))
    return {die.radius: die for die in reversed(fitting)}


def radii_at_hand(tube: Tube, dies: Iterable[Die]) -> tuple[float, ...]:
    """Radii of the dies that are made for this tube, rising, mm."""
    return tuple(sorted(dies_by_radius(tube, dies)))


def worst(severities: Iterable[Severity]) -> Severity:
    """The worst of them; ok where there is none."""
    found = set(severities)
    if "blocks" in found:
        return "blocks"
    return "needs_care" if "needs_care" in found else "ok"
