"""Whether a bend needs a mandrel, which one, and how it is set up.

Whether one is needed is a matter of practice: no published standard fixes a limit. The wall ratio
t/D sets the verdict, the bend ratio R/D moves it one step, and what is known of the finished bend
(outer wall, ovality) can move it further. The geometry of nose and rod is in ``mandrel_lead``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.calc import mandrel_lead
from service.calc.bend_limits import FLATTENING_LIMITS, ovality_of_nominal
from service.calc.bend_order import BendToMake
from service.calc.bend_wall import MeasuredBend, check_measured, wall_after_bending
from service.calc.mandrel_lead import (
    SAME,
    LeadSetting,
    MandrelTool,
    Origin,
    Rod,
    RodSetting,
    lead_setting,
    rod_setting,
)
from service.errors import Amount, OutOfRangeError, Value, Word
from service.model import Die, Finding, MandrelLimits, Method, Severity, Tube

Verdict = Literal["not_needed", "advised", "required"]

VERDICTS: tuple[Verdict, ...] = ("not_needed", "advised", "required")
# "Below 7 % of the outside diameter a mandrel is needed", and the bend ratios that sharpen or
# soften it: common practice, no published source.
TRADE_WALL_RATIO = 0.07
TRADE_TIGHT_BEND_RATIO = 2.0
TRADE_WIDE_BEND_RATIO = 5.0

METHODS = (
    Method(
        "mandrel-rule-of-the-trade",
        "Mandrel by wall ratio, the trade's rule",
        "needed where t/D < 7 %; one step more where R/D ≤ 2, one step less where R/D > 5",
        "a rule of thumb for tube bent cold; the shop's own trials come first",
        ("common-practice",),
    ),
    Method(
        "mandrel-limits-of-the-shop",
        "Mandrel by wall ratio, the shop's own limits",
        "required where t/D lies below the first limit, advised below the second; one step more "
        "where R/D is tight, one step less where it is wide",
        "the tube, dies and material that the shop found its limits with",
        ("shop-profile", "common-practice"),
    ),
    Method(
        "mandrel-limits-of-the-caller",
        "Mandrel by wall ratio, the caller's limits",
        "required where t/D lies below the first limit, advised below the second; one step more "
        "where R/D is tight, one step less where it is wide",
        "whatever the caller found them with",
        ("caller", "common-practice"),
    ),
    Method(
        "mandrel-for-bend-quality",
        "Mandrel for the outer wall and the roundness of the bend",
        "advised where the outer wall falls below its least, required where the ovality passes its "
        "largest",
        "outer wall measured, else its thinner bound; ovality only where it was measured on a bend "
        "made without a mandrel. A mandrel keeps the bend round but does not thicken its wall",
        ("common-practice", "caller"),
    ),
    *mandrel_lead.METHODS,
)
_OF_ORIGIN: dict[Origin, str] = {
    "shop": "mandrel-limits-of-the-shop",
    "request": "mandrel-limits-of-the-caller",
}
# How the origin of a limit is told in a finding.
_TOLD: dict[Origin, Word] = {
    "request": Word("limit_sent"),
    "shop": Word("limit_of_shop"),
    "trade": Word("limit_of_trade"),
}


# --- limits --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LimitsInForce:
    """The limits that hold, and where they come from. None: there is no such limit.

    Arguments:
        required_below_wall_ratio, advised_below_wall_ratio: t/D
        tight_bend_ratio: R/D at or below which the verdict moves one step towards a mandrel
        none_above_bend_ratio: R/D above which it moves one step away from it
        wall_origin, bend_origin: who stated the two pairs
    """

    required_below_wall_ratio: float | None
    advised_below_wall_ratio: float | None
    tight_bend_ratio: float | None
    none_above_bend_ratio: float | None
    wall_origin: Origin
    bend_origin: Origin

    def wall_ratios(self, shift: int = 0) -> tuple[float | None, float | None]:
        """Wall ratios below which a mandrel is required, and at least advised, at this shift.

        ``shift`` is what the bend ratio adds: +1 tight, −1 wide. None for "required" where no wall
        requires one, None for "advised" where every wall asks for one.
        """
        required = self.required_below_wall_ratio or 0.0
        advised = self.advised_below_wall_ratio
        advised = required if advised is None else advised
        if shift > 0:
            return advised, None
        return (None, required) if shift < 0 else (required, advised)

    def shift(self, bend_ratio: float) -> int:
        """Steps by which the bend ratio R/D moves the verdict: +1 tight, −1 wide, 0 between."""
        tight, wide = self.tight_bend_ratio, self.none_above_bend_ratio
        if tight is not None and not _above(bend_ratio, tight):
            return 1
        return -1 if wide is not None and _above(bend_ratio, wide) else 0


def limits_in_force(shop: MandrelLimits, request: MandrelLimits | None = None) -> LimitsInForce:
    """The limits that hold: the caller's, else the shop's, else the trade's.

    The two limits of wall and the two of bend ratio are pairs. The trade's rule stands in for a
    pair of which nothing is stated; where one of a pair is stated, the other does not exist.

    Arguments:
        shop, request: t/D and R/D; None where nothing is stated

    Raises:
        OutOfRangeError: limits that cross (required above advised, tight above wide)

    Source: common practice, no published source.
    """
    given = request or MandrelLimits()
    walls = ("required_below_wall_ratio", "advised_below_wall_ratio")
    ratios = ("tight_bend_ratio", "none_above_bend_ratio")
    low, high, wall = _pair(given, shop, walls, (TRADE_WALL_RATIO, TRADE_WALL_RATIO))
    trade = (TRADE_TIGHT_BEND_RATIO, TRADE_WIDE_BEND_RATIO)
    tight, wide, bend = _pair(given, shop, ratios, trade)
    return LimitsInForce(low, high, tight, wide, wall, bend)


def _pair(
    given: MandrelLimits, shop: MandrelLimits, names: tuple[str, str], trade: tuple[float, float]
) -> tuple[float | None, float | None, Origin]:
    asked = [getattr(given, name) for name in names]
    stated = [getattr(shop, name) for name in names]
    low, high = (s if a is None else a for a, s in zip(asked, stated, strict=True))
    if low is None and high is None:
        return *trade, "trade"
    if low is not None and high is not None and low > high:
        name = names[1] if asked[0] is None else names[0]
        parts = {"low": Amount(low, "ratio"), "high": Amount(high, "ratio")}
        raise OutOfRangeError("mandrel_limits_cross", ("limits", name), parts)
    return low, high, "shop" if asked == [None, None] else "request"


# --- the answer ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class QualityDemand:
    """What is known and asked of the finished bends.

    Arguments:
        measured: diameters and outer walls of bends made without a mandrel, mm
        least_outer_wall: wall that must remain at the outside of the bend, mm
        largest_ovality: (D_max − D_min)/D that is allowed, fraction; None takes the flattening
            that ASME B31.3 allows under internal pressure (from memory)
        stretch: fraction of arc length, 0–0.2, for the wall of the bend
    """

    measured: tuple[MeasuredBend, ...] = ()
    least_outer_wall: float | None = None
    largest_ovality: float | None = None
    stretch: float = 0.0

    @property
    def ovality_limit(self) -> float:
        """The ovality allowed, fraction."""
        if self.largest_ovality is None:
            return FLATTENING_LIMITS["internal"]
        return self.largest_ovality


class BendForm(NamedTuple):
    """What the bend becomes without a mandrel.

    Arguments:
        outer_wall_least, outer_wall_most: wall at the outside of the bend, mm: what was measured,
            else both bounds of an unchanged volume
        thinning: 1 − least/t
        outer_wall_measured: whether it was measured
        ovality: (D_max − D_min)/D as measured; None where it was not
    """

    outer_wall_least: float
    outer_wall_most: float
    thinning: float
    outer_wall_measured: bool
    ovality: float | None


class BendVerdict(NamedTuple):
    """One bend.

    Arguments:
        reasons: codes of the findings that the verdict rests on
        not_needed_from_wall_ratio: t/D from which no mandrel is needed at this bend ratio; None
            where every wall calls for one
        required_below_wall_ratio: t/D below which one is required here; None where none is
        margin: t/D less ``not_needed_from_wall_ratio``; below 0 a mandrel is called for
        least_wall: the wall that would do without, mm
    """

    bend: int
    radius: float
    angle: float | None
    bend_ratio: float
    verdict: Verdict
    reasons: tuple[str, ...]
    not_needed_from_wall_ratio: float | None
    required_below_wall_ratio: float | None
    margin: float | None
    least_wall: float | None
    form: BendForm
    lead: LeadSetting | None
    rod: RodSetting | None


@dataclass(frozen=True, slots=True)
class TradeRule:
    """The trade's rule by itself: t/D against 7 %."""

    wall_ratio_limit: float
    margin: float
    mandrel_needed: bool


@dataclass(frozen=True, slots=True)
class MandrelCriterion:
    """The verdict on the whole work, which is that of its most demanding bend."""

    verdict: Verdict
    deciding_bend: int
    wall_ratio: float
    wall_factor: float
    inside_diameter: float
    trade_rule: TradeRule
    limits: LimitsInForce
    mandrel: MandrelTool | None
    rod: Rod | None
    bends: tuple[BendVerdict, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for every bend."""

    tube: Tube
    limits: LimitsInForce
    tool: MandrelTool | None
    lead: float | None
    rod: Rod | None
    die: Die | None
    longest_tube: float | None
    quality: QualityDemand
    measured: dict[int, MeasuredBend]


def mandrel_criterion(
    tube: Tube,
    bends: Sequence[BendToMake],
    *,
    limits: LimitsInForce,
    tool: MandrelTool | None = None,
    lead: float | None = None,
    rod: Rod | None = None,
    die: Die | None = None,
    longest_tube: float | None = None,
    quality: QualityDemand = QualityDemand(),
    invented: bool = False,
) -> MandrelCriterion:
    """Judge every bend, and set up the mandrel for it.

    Base verdict by t/D: required below the first limit, advised below the second. One step towards
    a mandrel where R/D is tight, one step away where it is wide; at least advised where the outer
    wall falls below its least, required where the ovality passes its largest.

    Arguments:
        tube: D and t, mm
        bends: at least one, radii above D/2
        limits: from ``limits_in_force``
        tool: from ``mandrel_tool``; None gives no setting of the nose
        lead: lead e to check, mm; below 0 the nose stands behind the tangent point. Without one
            the nose begins at the tangent point, and rods are counted for the largest lead
        rod: the shop's or the caller's; None gives no count of rods
        die: checked against tube and radius
        longest_tube: longest tube before the stop of the bender, mm
        quality: what is known and asked of the finished bends
        invented: whether the shop's figures are made up

    Raises:
        OutOfRangeError: a radius of D/2 or less, a lead past the bend, measures that cannot be
        MissingError: one measured diameter without the other

    Source: common practice, no published source; geometry derived here.
    """
    _check_radii(tube, bends)
    check_measured(tube, len(bends), quality.measured)
    by_bend = {one.bend: one for one in quality.measured}
    job = _Job(tube, limits, tool, lead, rod, die, longest_tube, quality, by_bend)
    rows = tuple(_judged(bend, job) for bend in bends)
    worst = max(rows, key=lambda row: (VERDICTS.index(row.verdict), -row.bend_ratio))
    return MandrelCriterion(
        verdict=worst.verdict,
        deciding_bend=worst.bend,
        wall_ratio=tube.wall_ratio,
        wall_factor=tube.wall_factor,
        inside_diameter=tube.inside_diameter,
        trade_rule=_trade_rule(tube),
        limits=limits,
        mandrel=tool,
        rod=rod,
        bends=rows,
        methods=_methods(job, rows),
        findings=tuple(_findings(job, bends, rows, invented)),
    )


def _check_radii(tube: Tube, bends: Sequence[BendToMake]) -> None:
    least = tube.outside_diameter / 2
    for bend in bends:
        if bend.radius <= least:
            parts = {"value": Amount(bend.radius, "length"), "limit": Amount(least, "length")}
            raise OutOfRangeError("radius_within_tube", ("radius",), {**parts, "bend": bend.number})


def _trade_rule(tube: Tube) -> TradeRule:
    ratio = tube.wall_ratio
    return TradeRule(TRADE_WALL_RATIO, ratio - TRADE_WALL_RATIO, _below(ratio, TRADE_WALL_RATIO))


def _below(value: float, limit: float) -> bool:
    return value < limit * (1 - SAME)


def _above(value: float, limit: float) -> bool:
    return value > limit * (1 + SAME)


def _form(bend: BendToMake, job: _Job) -> BendForm:
    tube, one = job.tube, job.measured.get(bend.number)
    walls = [
        wall_after_bending(method, tube, bend.radius, stretch=job.quality.stretch)
        for method in ("held", "free")
    ]
    gauged = one.wall_outside if one else None
    least, most = (min(walls), max(walls)) if gauged is None else (gauged, gauged)
    ovality = None
    if one and one.largest_diameter is not None and one.least_diameter is not None:
        od = tube.outside_diameter
        ovality = ovality_of_nominal(one.largest_diameter, one.least_diameter, od)
    return BendForm(least, most, 1 - least / tube.wall_thickness, gauged is not None, ovality)


def _judged(bend: BendToMake, job: _Job) -> BendVerdict:
    tube, ratio = job.tube, bend.radius / job.tube.outside_diameter
    required, spared = job.limits.wall_ratios(job.limits.shift(ratio))
    form, lead = _form(bend, job), None
    step, reasons = _step(ratio, form, job)
    if job.tool is not None:
        lead = lead_setting(tube, bend.radius, job.tool, job.lead, form.outer_wall_most)
    return BendVerdict(
        bend=bend.number,
        radius=bend.radius,
        angle=bend.angle,
        bend_ratio=ratio,
        verdict=VERDICTS[step],
        reasons=reasons,
        not_needed_from_wall_ratio=spared,
        required_below_wall_ratio=required,
        margin=None if spared is None else tube.wall_ratio - spared,
        least_wall=None if spared is None else spared * tube.outside_diameter,
        form=form,
        lead=lead,
        rod=_rod(bend, lead, job.rod),
    )


def _step(bend_ratio: float, form: BendForm, job: _Job) -> tuple[int, tuple[str, ...]]:
    """Place in ``VERDICTS`` and the codes of its reasons."""
    shift = job.limits.shift(bend_ratio)
    base, reason, _ = _wall_step(job.tube.wall_ratio, job.limits)
    reasons, step = [reason], min(max(base + shift, 0), 2)
    if shift:
        reasons.append("bend_ratio_tight" if shift > 0 else "bend_ratio_wide")
    for code, least_step in _quality_reasons(form, job):
        reasons.append(code)
        step = max(step, least_step)
    return step, tuple(reasons)


def _wall_step(wall_ratio: float, limits: LimitsInForce) -> tuple[int, str, float]:
    """Place in ``VERDICTS`` by the wall alone, the code of its reason, and the limit compared."""
    required, advised = (limit or 0.0 for limit in limits.wall_ratios())
    if _below(wall_ratio, required):
        return 2, "wall_below_required_limit", required
    if _below(wall_ratio, advised):
        return 1, "wall_below_advised_limit", advised
    return 0, "wall_above_mandrel_limits", advised


def _quality_reasons(form: BendForm, job: _Job) -> Iterable[tuple[str, int]]:
    """Codes with the place in ``VERDICTS`` that each at least asks for."""
    least = job.quality.least_outer_wall
    if least is not None and _below(form.outer_wall_least, least):
        yield "outer_wall_below_least", 1
    if form.ovality is not None and _above(form.ovality, job.quality.ovality_limit):
        yield "ovality_above_largest", 2


def _rod(bend: BendToMake, lead: LeadSetting | None, rod: Rod | None) -> RodSetting | None:
    if bend.tube_behind is None or lead is None:
        return None
    return rod_setting(bend.tube_behind, lead.start, rod, lead.furthest)


def _methods(job: _Job, rows: Sequence[BendVerdict]) -> tuple[str, ...]:
    origins = {job.limits.wall_origin, job.limits.bend_origin}
    used = ["mandrel-rule-of-the-trade", *(m for o, m in _OF_ORIGIN.items() if o in origins)]
    oval = any(row.form.ovality is not None for row in rows)
    if oval or job.quality.least_outer_wall is not None:
        used.append("mandrel-for-bend-quality")
    if not all(row.form.outer_wall_measured for row in rows):
        used += ["wall-held-section", "wall-free-hoop"]
    if oval:
        used.append("ovality-of-nominal")
        used += ["limit-b31-3-flattening"] * (job.quality.largest_ovality is None)
    if job.tool is not None:
        used += ["mandrel-lead"] + ["outer-wall-fall"] * (job.lead is not None)
    if any(row.rod for row in rows):
        used.append("mandrel-rod")
    return tuple(used)


# --- findings ------------------------------------------------------------------------------------


def _findings(
    job: _Job,
    bends: Sequence[BendToMake],
    rows: Sequence[BendVerdict],
    invented: bool,
) -> Iterable[Finding]:
    yield _wall_finding(job)
    value, limit = Amount(job.tube.wall_ratio, "percent"), Amount(TRADE_WALL_RATIO, "percent")
    if _trade_rule(job.tube).mandrel_needed and all(r.verdict == "not_needed" for r in rows):
        yield Finding("trade_rule_asks_for_mandrel", "needs_care", value=value, limit=limit)
    yield from _tool_findings(job, any(bend.tube_behind is not None for bend in bends))
    yield from _die_findings(job.tube, job.die)
    for bend, row in zip(bends, rows, strict=True):
        yield from _ratio_findings(job.limits, row)
        yield from _quality_findings(row, job)
        yield from _lead_findings(row)
        yield from _place_findings(bend, row, job)
    if invented and "shop" in _origins(job):
        yield Finding("profile_invented", "ok")


def _origins(job: _Job) -> set[str]:
    parts = (job.tool, job.rod)
    named = {part.origin for part in parts if part is not None}
    return named | {job.limits.wall_origin, job.limits.bend_origin}


def _wall_finding(job: _Job) -> Finding:
    step, code, limit = _wall_step(job.tube.wall_ratio, job.limits)
    return Finding(
        code,
        "needs_care" if step else "ok",
        value=Amount(job.tube.wall_ratio, "percent"),
        limit=Amount(limit, "percent"),
        values={
            "origin": _TOLD[job.limits.wall_origin],
            "least_wall": Amount(limit * job.tube.outside_diameter, "length"),
        },
    )


def _tool_findings(job: _Job, placed: bool) -> Iterable[Finding]:
    if job.tool is None:
        yield Finding("mandrel_clearance_unknown", "needs_care")
        return
    if job.tool.clearance <= SAME * job.tube.inside_diameter:
        value = Amount(job.tool.clearance, "length")
        yield Finding("mandrel_without_clearance", "needs_care", value=value)
    if placed and job.rod is None:
        yield Finding("rod_length_unknown", "ok")


def _die_findings(tube: Tube, die: Die | None) -> Iterable[Finding]:
    if die and not math.isclose(die.tube_outside_diameter, tube.outside_diameter, rel_tol=1e-3):
        value = Amount(tube.outside_diameter, "length")
        limit = Amount(die.tube_outside_diameter, "length")
        yield Finding("die_tube_differs", "blocks", value=value, limit=limit)


def _ratio_findings(limits: LimitsInForce, row: BendVerdict) -> Iterable[Finding]:
    ratio = Amount(row.bend_ratio, "ratio")
    if "bend_ratio_tight" in row.reasons:
        limit = Amount(limits.tight_bend_ratio or 0.0, "ratio")
        yield Finding("bend_ratio_tight", "needs_care", row.bend, ratio, limit)
    if "bend_ratio_wide" in row.reasons:
        limit = Amount(limits.none_above_bend_ratio or 0.0, "ratio")
        yield Finding("bend_ratio_wide", "ok", row.bend, ratio, limit)


def _quality_findings(row: BendVerdict, job: _Job) -> Iterable[Finding]:
    form = row.form
    if "outer_wall_below_least" in row.reasons:
        value = Amount(form.outer_wall_least, "length")
        limit = Amount(job.quality.least_outer_wall or 0.0, "length")
        how = Word("measured" if form.outer_wall_measured else "thinner_of_two_bounds")
        yield Finding("outer_wall_below_least", "needs_care", row.bend, value, limit, {"how": how})
    if form.ovality is not None:
        code, severity = _OVALITY["ovality_above_largest" in row.reasons]
        value, limit = Amount(form.ovality, "percent"), Amount(job.quality.ovality_limit, "percent")
        yield Finding(code, severity, row.bend, value, limit)


_OVALITY: dict[bool, tuple[str, Severity]] = {
    True: ("ovality_above_largest", "needs_care"),
    False: ("ovality_within_largest", "ok"),
}


def _lead_findings(row: BendVerdict) -> Iterable[Finding]:
    lead = row.lead
    if lead is None or lead.given is None:
        return
    value, limit = Amount(lead.given, "length"), Amount(lead.largest, "length")
    if lead.given < 0:
        yield Finding("lead_behind_tangent", "needs_care", row.bend, value, Amount(0.0, "length"))
    elif not _above(lead.given, lead.largest):
        yield Finding("lead_within_contact", "ok", row.bend, value, limit)
    elif lead.largest_thinned is not None and not _above(lead.given, lead.largest_thinned):
        # a thinned wall leaves more room; how much of it there is at the nose is found by trial
        thinned = {"thinned": Amount(lead.largest_thinned, "length")}
        yield Finding("lead_needs_thinned_wall", "needs_care", row.bend, value, limit, thinned)
    else:
        yield Finding("lead_past_contact", "blocks", row.bend, value, limit)


def _place_findings(bend: BendToMake, row: BendVerdict, job: _Job) -> Iterable[Finding]:
    if job.die and not math.isclose(bend.radius, job.die.radius, rel_tol=1e-3):
        radius, of_die = Amount(bend.radius, "length"), Amount(job.die.radius, "length")
        yield Finding("die_radius_differs", "blocks", row.bend, radius, of_die)
    if bend.tube_behind is None:
        return
    behind = Amount(bend.tube_behind, "length")
    if bend.angle is not None and _below(bend.tube_behind, bend.radius * bend.angle):
        arc = Amount(bend.radius * bend.angle, "length")
        yield Finding("tube_ends_in_bend", "blocks", row.bend, behind, arc)
    if job.longest_tube is not None and _above(bend.tube_behind, job.longest_tube):
        limit = Amount(job.longest_tube, "length")
        yield Finding("tube_past_stop", "blocks", row.bend, behind, limit)
    if job.rod and row.rod and row.lead and (row.rod.rods or 1) > 1:
        lead = row.lead.furthest
        needed = Amount(row.rod.stop_to_tangent + lead, "length")
        limit, rods = Amount(job.rod.length, "length"), row.rod.rods
        parts: dict[str, Value] = {"rods": rods, "lead": Amount(lead, "length")}
        yield Finding("rod_too_short", "needs_care", row.bend, needed, limit, parts)
