"""A bend that went wrong: what was set, what came out, and what the other calculations say of it.

Each test of a fault takes a case and gives a ``Found``: what was found speaks for a cause, against
it, or says nothing, and then names the data that it would have needed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, NamedTuple

from service.calc.bend_order import BendToMake
from service.calc.bender_load import Rating, Strength
from service.calc.capacity_check import CapacityCheck, capacity_check
from service.calc.developed_length import NO_ALLOWANCES, Ends
from service.calc.mandrel_criterion import (
    BendVerdict,
    LimitsInForce,
    MandrelCriterion,
    mandrel_criterion,
)
from service.calc.mandrel_lead import MandrelTool
from service.calc.mark_layout import Measure, Springback
from service.calc.run_geometry import reverse
from service.calc.springback import Asked, SprungBend, run_springback
from service.errors import Amount, CalculationError, OutOfRangeError, Value
from service.model import Bend, Bender, Die, End, Run, Tube
from service.model_bench import Symptom

Speaks = Literal["supports", "contradicts", "silent"]
Reference = Literal["start", "zero_mark", "arc_centre", "apex", "end"]
LegsTo = Literal["apex", "tangent"]
PressureDie = Literal["loose", "snug", "tight"]
Seam = Literal["outside", "inside", "side", "none"]
Scope = Literal["in_marks_only", "in_cut_only"]

# Width of the groove over the tube, as a share of its diameter, from which a tube wanders or
# flattens in it; share of the capacity from which a tube is hard to bend. Both are common practice,
# no published source.
TRADE_GROOVE_CLEARANCE = 0.01
TRADE_HIGH_UTILISATION = 0.8
# 90.5° less 90° is half a degree and not a rounding more.
SAME = 1e-9


class Way(NamedTuple):
    """One way in which a cause brings about what was measured.

    Arguments:
        code: key of its text
        amount: what it makes of the measure, mm or rad
        bend: the bend at which it happened, from end 1; None where there is no single one
        scope: whether it stands in the marks alone or in the cut alone
        values: further parts of the text
    """

    code: str
    amount: Amount
    bend: int | None = None
    scope: Scope | None = None
    values: Mapping[str, Value] = {}


@dataclass(frozen=True, slots=True)
class Found:
    """What one test found.

    Arguments:
        code: key of its text
        speaks: for the cause, against it, or not at all
        value, limit: the two numbers compared
        values: further parts of the text
        missing: pointers to the data without which the test is silent
        residual: what a cause that predicts an amount leaves unexplained of it, mm or rad
        ways: how the cause brings the amount about, the nearest first
    """

    code: str
    speaks: Speaks
    value: Amount | None = None
    limit: Amount | None = None
    values: Mapping[str, Value] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    residual: float | None = None
    ways: tuple[Way, ...] = ()


@dataclass(frozen=True, slots=True)
class SetUp:
    """How the bend was set, mm and rad; None where nothing is known.

    Arguments:
        angle: that it was cranked to
        marked: the point of the bend that was marked on the tube
        set_at: the mark of the die that it was set at
        marked_from: the end from which the marks were measured
        groove_clearance: width of the groove less D, as gauged
        clamped_length: straight tube that lay in the clamp
        clamp_dry, lubricated, cleaned, zero_set, supported: whether it was so
    """

    angle: float | None = None
    marked: Reference | None = None
    set_at: Reference | None = None
    marked_from: End | None = None
    groove_clearance: float | None = None
    clamped_length: float | None = None
    pressure_die: PressureDie | None = None
    seam: Seam | None = None
    clamp_dry: bool | None = None
    lubricated: bool | None = None
    cleaned: bool | None = None
    zero_set: bool | None = None
    supported: bool | None = None


class MeasuredLeg(NamedTuple):
    """A leg from end 1, measured and wanted, mm; ``wanted`` is None where the run gives it."""

    leg: int
    measured: float
    wanted: float | None = None


@dataclass(frozen=True, slots=True)
class Measures:
    """What came out, mm and rad; None where it was not measured.

    Arguments:
        legs: the leg that is wrong, then others
        legs_to: whether legs run to the apex (intersection point) or to the tangent point
        clamp_marks: whether the clamp left drag marks
    """

    angle: float | None = None
    radius: float | None = None
    rotation: float | None = None
    largest_diameter: float | None = None
    least_diameter: float | None = None
    wall_outside: float | None = None
    legs: tuple[MeasuredLeg, ...] = ()
    legs_to: LegsTo = "apex"
    clamp_marks: bool | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """How near to the truth a measure is, mm and rad: what differs by less is not told apart."""

    length: float = 0.5
    angle: float = math.radians(0.5)


@dataclass(frozen=True, slots=True)
class FaultLimits:
    """Limits of the trade that a shop may set for itself, both fractions."""

    groove_clearance: float = TRADE_GROOVE_CLEARANCE
    high_utilisation: float = TRADE_HIGH_UTILISATION


@dataclass(frozen=True, slots=True)
class MandrelUse:
    """Whether a mandrel was used (None: not known), which, and how far its nose led, mm."""

    used: bool | None = None
    tool: MandrelTool | None = None
    lead: float | None = None
    shop_clearance: float | None = None


@dataclass(frozen=True, slots=True)
class BenderUse:
    """The bender, its dies, and what it is known to bend."""

    bender: Bender
    dies: tuple[Die, ...] = ()
    ratings: tuple[Rating, ...] = ()


@dataclass(frozen=True)
class FaultCase:
    """Everything that is known of a fault.

    What the other calculations say of it is computed when a test asks for it, and once.

    Arguments:
        bends: bends of the run in the order of the work, or the one bend that was sent
        number: the bend that shows the fault, from end 1
        run: from end 1; None where a single bend was sent
        laws: springback that was reckoned with
        strength: of the tube; None where it is not known
    """

    symptom: Symptom
    tube: Tube
    mandrel_limits: LimitsInForce
    bends: tuple[BendToMake, ...] = ()
    number: int = 1
    run: Run | None = None
    measured_from: End = "end_1"
    measure: Measure = "from_end"
    stretch: float = 0.0
    ends: Ends = NO_ALLOWANCES
    die: Die | None = None
    bender: BenderUse | None = None
    strength: Strength | None = None
    mandrel: MandrelUse = MandrelUse()
    laws: tuple[Springback, ...] = ()
    set_up: SetUp = SetUp()
    measured: Measures = Measures()
    reading: Reading = Reading()
    limits: FaultLimits = FaultLimits()
    # methods as they come to be used, and what several tests of one cause share
    used: list[str] = field(default_factory=list, compare=False)
    kept: dict[str, Any] = field(default_factory=dict, compare=False)

    @cached_property
    def bend(self) -> BendToMake | None:
        """The bend that shows the fault."""
        return next((bend for bend in self.bends if bend.number == self.number), None)

    @cached_property
    def worked(self) -> tuple[Bend, ...]:
        """The bends in the order of the work; none where an angle or radius is not known."""
        if self.run is not None:
            return (self.run if self.measured_from == "end_1" else reverse(self.run)).bends
        one = self.bend
        if one is None or one.angle is None:
            return ()
        return (Bend(0.0, 0.0, one.angle, one.radius),)

    def number_of(self, step: int) -> int:
        """Number from end 1 of the bend that is made as ``step`` (from 1)."""
        return step if self.measured_from == "end_1" else len(self.worked) + 1 - step

    @property
    def step(self) -> int:
        """Place of the bend that shows the fault in the order of the work, from 1."""
        return self.number_of(self.number)  # counting from the other end is its own inverse

    @cached_property
    def mandrel_answer(self) -> MandrelCriterion | None:
        """The mandrel criterion for this bend; None where no radius is known."""
        if self.bend is None:
            return None
        return mandrel_criterion(
            self.tube,
            (self.bend,),
            limits=self.mandrel_limits,
            tool=self.mandrel.tool,
            lead=self.mandrel.lead,
        )

    @property
    def verdict(self) -> BendVerdict | None:
        """The mandrel criterion's row of this bend."""
        answer = self.mandrel_answer
        if answer is None:
            return None
        self.used.extend(answer.methods)
        return answer.bends[0]

    @cached_property
    def capacity(self) -> CapacityCheck | None:
        """The capacity check for this bend; None where no bender was named."""
        if self.bender is None:
            return None
        bends = (self.bend,) if self.bend else ()
        answer = capacity_check(
            self.tube,
            self.bender.bender,
            self.bender.dies,
            bends,
            ratings=self.bender.ratings,
            strength=self.strength,
            die=self.die,
            springback=self.laws,
        )
        self.used.extend(answer.methods)
        return answer

    def sprung(self, angle: float, radius: float, *, given: Literal["finished", "set"]) -> Sprung:
        """Springback of one bend, by the laws reckoned with, else predicted; None where unknown.

        Raises:
            OutOfRangeError: by the laws sent, the bend springs back wholly or passes 360°
        """
        calibrated = any(law.radius in (None, radius) for law in self.laws)
        try:
            asked = Asked(self.number, angle, radius)
            answer = run_springback([asked], self.tube, given=given, laws=self.laws)
        except OutOfRangeError as error:
            if calibrated:
                raise OutOfRangeError(error.code, ("springback",), error.values) from None
            return None
        except CalculationError:
            return None
        self.used.extend(answer.methods)
        return answer.bends[0]

    @cached_property
    def springs(self) -> tuple[Sprung, ...]:
        """Springback of each bend in the order of the work, finished as drawn."""
        return tuple(self.sprung(b.angle, b.radius, given="finished") for b in self.worked)


Sprung = SprungBend | None


def within(amount: float, limit: float) -> bool:
    """Whether an amount of either sign is no more than a limit, but for rounding."""
    return abs(amount) <= limit * (1 + SAME)


def silent(code: str, *missing: str) -> Found:
    """A test that cannot speak, and what it would have needed."""
    return Found(code, "silent", missing=missing)


def compared(
    supports: bool, for_it: str, against_it: str, value: Amount, limit: Amount | None
) -> Found:
    """A test that holds a number against a limit, with a text for each side."""
    if supports:
        return Found(for_it, "supports", value, limit)
    return Found(against_it, "contradicts", value, limit)


def explained(
    observed: float, ways: Iterable[Way], reading: float, codes: tuple[str, str, str]
) -> Found:
    """Hold an observed deviation against what a cause would make it.

    A way explains it where it comes within the reading; a way that would make less than the reading
    cannot be told from no fault at all, and is left out.

    Arguments:
        observed: deviation, mm or rad, larger than the reading
        ways: amounts of the same kind
        reading: how near to the truth the measure is
        codes: texts where a way explains it, where none does, and where there is none to try
    """
    worth = [way for way in ways if not within(way.amount.value, reading)]
    if not worth:
        return Found(codes[2], "contradicts")
    worth.sort(key=lambda way: round(abs(observed - way.amount.value), 9))
    nearest = worth[0].amount
    fitting = tuple(way for way in worth if within(observed - way.amount.value, reading))
    return Found(
        codes[0] if fitting else codes[1],
        "supports" if fitting else "contradicts",
        Amount(observed, nearest.kind),
        nearest,
        residual=abs(observed - nearest.value),
        ways=fitting,
    )
