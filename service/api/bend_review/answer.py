"""What a review answers: its schema, and its words in the units of the caller."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, get_args

from service import inputs
from service.api.bend_review.numbers import compared_numbers, cure_number
from service.calc import bend_review as calc
from service.calc.bench_obstacles import BodyKind
from service.calc.bend_rules import (
    Change,
    Check,
    Cure,
    NotChecked,
    Reason,
    ReviewCase,
    Rule,
)
from service.calc.bending_sequence import BendingSequence, OrderKind
from service.calc.capacity_check import SpringbackFrom
from service.calc.review_suggestions import RunRow, Variant
from service.errors import Amount, Value, Word
from service.model import Finding, Severity
from service.web import texts, units
from service.web.answer import CODE_PATTERN, SEVERITIES, FindingValue
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Flag,
    Length,
    Part,
    Parts,
    Quantity,
    Text,
)
from service.web.schema import StrictSchema

MANDREL_VERDICTS = ("not_needed", "advised", "required")
VERDICTS = ("can_be_made", "can_be_made_with_care", "cannot_be_made")
LONGEST = 1e9
# A run of 500 bends has some 15 checks a bend.
MOST_CHECKS = 20_000


class ReviewCure(StrictSchema):
    """One change that satisfies the rule where it stands."""

    change = Choice("What to change", get_args(Change), required=True)
    bend = Count(
        "Bend to change, where that is not the place of the check", allow_none=True, required=True
    )
    straight = Count("Straight to change, from end 1", allow_none=True, required=True)
    end = Choice("End to work from, or to lengthen", inputs.ENDS, allow_none=True, required=True)
    value = Part(
        FindingValue, "What to change it to; null without a number", allow_none=True, required=True
    )
    number = Count("A count, as of rods", most=10**9, allow_none=True, required=True)
    text = Text("The same in words", most=200, required=True)


class ReviewCheck(StrictSchema):
    """What one rule found at one place, also where all is well."""

    rule = Choice("The rule", get_args(Rule), required=True)
    severity = Choice("blocks, needs_care or ok", SEVERITIES, required=True)
    bend = Count("Bend number from end 1; null where none", allow_none=True, required=True)
    straight = Count(
        "Straight from end 1, the last one after the last bend; null where none",
        allow_none=True,
        required=True,
    )
    end = Choice("End of the tube; null where none", inputs.ENDS, allow_none=True, required=True)
    part = Count("Nearby part, from 1; null where none", allow_none=True, required=True)
    value = Part(
        FindingValue,
        "The number found; null where none, as of a centre line that passes through a part",
        allow_none=True,
        required=True,
    )
    limit = Part(
        FindingValue, "What it is held against; null where none", allow_none=True, required=True
    )
    margin = Part(
        FindingValue,
        "What is left to the limit; below 0 past it, or by how much a size is missed that must be "
        "met",
        allow_none=True,
        required=True,
    )
    code = Text(
        "Code of the finding that it gives where it is not ok",
        pattern=CODE_PATTERN,
        most=64,
        required=True,
    )
    cures = Parts(
        ReviewCure, "Changes that would do, each by itself; empty where ok", most=20, required=True
    )


class ReviewNotChecked(StrictSchema):
    """A rule that was not applied."""

    rule = Choice("The rule", get_args(Rule), required=True)
    reason = Choice(
        "`not_asked`: the request sets no such demand; `not_stated`: bender, dies or material say "
        "nothing of it; `not_measured`; `no_springback`: neither sent nor to be predicted, so that "
        "the finished angle stands in; `cannot_be_built`: the run has no bend table; `no_bend`",
        get_args(Reason),
        required=True,
    )


class ReviewRunRow(StrictSchema):
    """One row of a bend table."""

    straight = Length("Straight before the bend", most=LONGEST, required=True)
    rotation = Angle("Turn of the bend plane", least=-180.0, most=180.0, required=True)
    angle = Angle("Bend angle", required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)


class ReviewRun(StrictSchema):
    """A run as a bend table; it can be sent as `run` to every other operation."""

    bends = Parts(ReviewRunRow, "Bends in order from end 1", required=True)
    last_straight = Length("Straight after the last bend, to end 2", most=LONGEST, required=True)


class ReviewBend(StrictSchema):
    """One bend in short."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    severity = Choice("The worst of its checks", SEVERITIES, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    angle = Angle("Finished bend angle", required=True)
    die = Text("Id of the die to take; null where none fits", allow_none=True, required=True)
    set_angle = Angle(
        "Angle to crank to; null where the tube springs back too far",
        most=370.0,
        allow_none=True,
        required=True,
    )
    tube_behind = Length(
        "Tube behind the start tangent point as the bend is begun; null for a run that cannot be "
        "built",
        least=-LONGEST,
        most=LONGEST,
        allow_none=True,
        required=True,
    )
    mandrel = Choice("Whether a mandrel is needed", MANDREL_VERDICTS, required=True)
    utilisation = Quantity(
        "percent",
        "Share of the bender's capacity for the strongest tube; null where the strength is unknown",
        least=0.0,
        most=1e12,
        allow_none=True,
        required=True,
    )
    springback_from = Choice(
        "What the set angle rests on: `given`, `predicted` from the material, or `none`, the "
        "finished angle; mark layout and setup sheet crank to the finished angle unless springback "
        "is sent",
        get_args(SpringbackFrom),
        required=True,
    )


class ReviewStraight(StrictSchema):
    """One straight in short."""

    straight = Count("Number from end 1", least=1, most=501, required=True)
    severity = Choice("The worst of its checks", SEVERITIES, required=True)
    length = Length(
        "Between tangent points; below 0 where its leg is too short for the radii",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    leg = Length("Between intersection points", most=LONGEST, required=True)


class ReviewRadiusChange(StrictSchema):
    """A bend made with another radius."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    drawn = Length("Radius as drawn", most=10_000.0, required=True)
    radius = Length("Radius of the variant", most=10_000.0, required=True)
    die = Text("Id of its die", allow_none=True, required=True)


class ReviewVariant(StrictSchema):
    """A variant that was reviewed in full: nothing blocks it. Intersection points stay."""

    work_from = Choice("End to work from", inputs.ENDS, required=True)
    end_changed = Flag("Whether that is another end than asked for", required=True)
    changes = Parts(ReviewRadiusChange, "Bends with another radius", required=True)
    cut_length = Length("Its own cut length", least=-LONGEST, most=LONGEST, required=True)
    needs_care = Count("Checks of it that need care", most=MOST_CHECKS, required=True)
    run = Part(ReviewRun, "Its bend table", required=True)
    text = Text("The same in words", most=400, required=True)


class ReviewPoint(StrictSchema):
    """A point in the frame of the bender."""

    x = Length(
        "Along the way in which the tube is fed", least=-LONGEST, most=LONGEST, required=True
    )
    y = Length("To the left of it", least=-LONGEST, most=LONGEST, required=True)
    z = Length("Up", least=-LONGEST, most=LONGEST, required=True)


class ReviewEncounter(StrictSchema):
    """Where the tube comes nearest to something on the bench, or strikes it."""

    step = Count("Place in the order of the work", least=1, most=500, required=True)
    bend = Count("Bend that is to be made, from end 1", least=1, most=500, required=True)
    movement = Choice(
        "`feed` and `roll` come before the bend, `bend` is the bend itself",
        ("feed", "roll", "bend"),
        required=True,
    )
    angle = Angle(
        "How far the leg is swung, or the tube rolled (right-hand rule along the work); null for a "
        "feed",
        least=-360.0,
        allow_none=True,
        required=True,
    )
    travel = Length(
        "How far the tube is fed; null for a turn", most=LONGEST, allow_none=True, required=True
    )
    met = Choice("What it comes near to", get_args(BodyKind), required=True)
    name = Text("Its name in the shop profile; else empty", most=120, required=True)
    position = Length(
        "Place on the tube, along the run from end 1; outside the run within an allowance",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    point = Part(
        ReviewPoint,
        "That place at that moment; origin on the axis of the die, as high as the tube",
        required=True,
    )
    clearance = Length("From surface to surface; 0 where it strikes", most=LONGEST, required=True)
    behind = Flag(
        "Whether the straight tube behind the die lies in it as the bend is begun; of that tube "
        "only overlap is told, never how near it comes",
        required=True,
    )


class ReviewOrder(StrictSchema):
    """One order of the work that was tried."""

    kind = Choice("How the work proceeds", get_args(OrderKind), required=True)
    bends = Parts(Count("Bend", least=1, most=500), "Bends as they are made", required=True)
    ahead = Parts(
        Choice("End", inputs.ENDS),
        "The end that is ahead, and is swung, at each of them",
        required=True,
    )
    turned_before = Count(
        "Step before which the tube is turned end for end; null where it is not",
        most=500,
        allow_none=True,
        required=True,
    )
    free = Flag("Whether the tube strikes nothing", required=True)
    nearest = Part(
        ReviewEncounter,
        "The tightest place, null where nothing comes within 500 mm; where the order is not free, "
        "where it first strikes",
        allow_none=True,
        required=True,
    )
    rolled_back = Parts(
        Count("Step", least=1, most=500),
        "Steps before which the tube is to be rolled the long way round",
        required=True,
    )
    lifted_out = Parts(
        Count("Step", least=1, most=500),
        "Steps before which the tube is to be lifted out",
        required=True,
    )


class ReviewBendingOrder(StrictSchema):
    """Orders of the work that were tried on the bench, up to the first that is free."""

    orders = Parts(ReviewOrder, "In the order in which they were tried", most=20, required=True)
    not_tried = Count("How many more there would be", required=True)


class BendReviewResult(StrictSchema):
    """The verdict, and every rule at every place."""

    verdict = Choice("Whether the run can be made as drawn", VERDICTS, required=True)
    summary = Text("The verdict in one line", most=1000, required=True)
    blocks = Count("Checks that block", most=MOST_CHECKS, required=True)
    needs_care = Count("Checks that need care", most=MOST_CHECKS, required=True)
    ok = Count("Checks that are satisfied", most=MOST_CHECKS, required=True)
    run = Part(ReviewRun, "The run; null where it cannot be built", allow_none=True, required=True)
    cut_length = Length(
        "Length to cut; null where the run cannot be built",
        least=-LONGEST,
        most=LONGEST,
        allow_none=True,
        required=True,
    )
    bends = Parts(ReviewBend, "Bends from end 1", required=True)
    straights = Parts(ReviewStraight, "Straights from end 1", most=501, required=True)
    checks = Parts(ReviewCheck, "Every rule at every place", most=MOST_CHECKS, required=True)
    not_checked = Parts(ReviewNotChecked, "Rules that were not applied", most=50, required=True)
    bending_order = Part(
        ReviewBendingOrder,
        "The work on the bench; null where the bender does not state what stands round it",
        allow_none=True,
        required=True,
    )
    variants = Parts(
        ReviewVariant,
        "Variants that pass, nearest to the drawing first; empty where nothing blocks or none was "
        "found",
        most=10,
        required=True,
    )
    tried = Count("How many variants were tried", most=1000, required=True)


class ToldAmount(NamedTuple):
    """A number with its unit, as the caller sees it."""

    value: float
    unit: str


class ToldCure(NamedTuple):
    """A cure as the caller sees it."""

    change: str
    bend: int | None
    straight: int | None
    end: str | None
    value: ToldAmount | None
    number: int | None
    text: str


class ToldCheck(NamedTuple):
    """A check as the caller sees it."""

    rule: str
    severity: Severity
    bend: int | None
    straight: int | None
    end: str | None
    part: int | None
    value: ToldAmount | None
    limit: ToldAmount | None
    margin: ToldAmount | None
    code: str
    cures: list[ToldCure]


class ToldVariant(NamedTuple):
    """A variant with its words."""

    work_from: str
    end_changed: bool
    changes: Sequence[Any]
    cut_length: float
    needs_care: int
    run: RunRow
    text: str


@dataclass(frozen=True, slots=True)
class ToldReview:
    """The review with what has a unit of its own in the caller's units, and in words.

    ``case`` and ``review`` are what was reviewed and what was found, for the picture.
    """

    case: ReviewCase
    review: calc.BendReview

    verdict: str
    summary: str
    blocks: int
    needs_care: int
    ok: int
    run: RunRow | None
    cut_length: float | None
    bends: Sequence[Any]
    straights: Sequence[Any]
    checks: list[ToldCheck]
    not_checked: Sequence[NotChecked]
    bending_order: BendingSequence | None
    variants: list[ToldVariant]
    tried: int
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def told(case: ReviewCase, review: calc.BendReview, system: str) -> ToldReview:
    """The review as it is answered."""
    findings = _findings(review, system)
    head = findings[0]
    return ToldReview(
        case=case,
        review=review,
        verdict=review.verdict,
        summary=texts.fill(texts.text("findings", f"{head.code}.text"), head.values, system),
        blocks=review.blocks,
        needs_care=review.needs_care,
        ok=review.ok,
        run=review.run,
        cut_length=review.cut_length,
        bends=review.bends,
        straights=review.straights,
        checks=[_check(check, system) for check in review.checks],
        not_checked=review.not_checked,
        bending_order=review.sequence,
        variants=[_variant(one, system) for one in review.variants],
        tried=review.tried,
        methods=review.methods,
        findings=findings,
    )


def _check(check: Check, system: str) -> ToldCheck:
    return ToldCheck(
        check.rule,
        check.severity,
        check.bend,
        check.straight,
        check.end,
        check.part,
        _amount(check.value, system),
        _amount(check.limit, system),
        _amount(check.margin, system),
        check.code,
        [_cure(cure, check, system) for cure in check.cures],
    )


def _amount(amount: Amount | None, system: str) -> ToldAmount | None:
    if amount is None:
        return None
    value = units.outward(amount.value, amount.kind, units.FACTORS[system])
    return ToldAmount(value, units.NAMES[system][amount.kind])


def _cure(cure: Cure, check: Check, system: str) -> ToldCure:
    return ToldCure(
        cure.change,
        cure.bend,
        cure.straight,
        cure.end,
        _amount(cure.value, system),
        cure.number,
        _sentence([cure], check, system),
    )


def _sentence(cures: Sequence[Cure], check: Check, system: str) -> str:
    """Cures of a check as one sentence."""
    either = texts.text("cures", "or")
    words = either.join(_words(cure, check, system) for cure in cures)
    words = words or texts.text("cures", "none")
    return f"{words[0].upper()}{words[1:]}."


def _words(cure: Cure, check: Check, system: str) -> str:
    values: dict[str, Value] = {
        "value": cure_number(cure, check, system),
        "bend": cure.bend,
        "straight": cure.straight,
        "end": None if cure.end is None else Word(cure.end),
        "number": cure.number,
    }
    place = "_at_straight" if cure.change == "radius" and cure.straight is not None else ""
    if cure.change == "move_apart" and cure.value is None:
        place = "_unknown"
    return texts.fill(texts.text("cures", f"{cure.change}{place}"), values, system)


def _findings(review: calc.BendReview, system: str) -> tuple[Finding, ...]:
    """The findings with their cures in words, and numbers that do not contradict one another."""
    failing = calc.failing(review.checks)
    head, rest = review.findings[0], review.findings[1:]
    told_with_cures = (
        replace(
            finding,
            values={
                **finding.values,
                **compared_numbers(check, system),
                "cures": _sentence(check.cures, check, system),
            },
        )
        for finding, check in zip(rest, failing, strict=False)
    )
    return (head, *told_with_cures, *rest[len(failing) :])


def _variant(one: Variant, system: str) -> ToldVariant:
    parts = [
        texts.fill(
            texts.text("variants", "radius"),
            {"bend": change.bend, "value": Amount(change.radius, "length")},
            system,
        )
        for change in one.changes[:8]
    ]
    if len(one.changes) > 8:
        parts.append(texts.text("variants", "further"))
    values: dict[str, Value] = {"end": Word(one.work_from), "cut": Amount(one.cut_length, "length")}
    parts.append(texts.fill(texts.text("variants", "end"), values, system))
    words = ", ".join(parts)
    return ToldVariant(*one, text=f"{words[0].upper()}{words[1:]}.")
