"""From a symptom and a set-up to ranked causes, each with its evidence.

Every cause has tests. A test speaks for it (+1), against it (−1) or is silent (0), and has a
weight: 3 the number alone brings the fault about or explains it exactly, 2 a limit is passed that
is known to bring it about, 1 it favours the fault. The score of a cause is the sum of weight ×
verdict; causes of equal score share their rank. Among them stand first those that leave less of the
measure unexplained, then those that are quicker to check. What would have spoken, had a datum been
sent, is listed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.calc import fault_angles, fault_legs, fault_load, fault_section, fault_tools
from service.calc.bend_limits import FLATTENING_LIMITS, ovality_of_nominal
from service.calc.fault_angles import angle_deviation, radius_deviation, rotation_deviation
from service.calc.fault_case import FaultCase, Found, Speaks, within
from service.calc.fault_legs import check_legs, leg_deviations, telling_legs
from service.calc.mark_layout import springback_laws
from service.errors import Amount, MissingError, NotDeterminedError, OutOfRangeError, Value, Word
from service.model import Finding, Method
from service.model_bench import FaultCause, Symptom

State = Literal["supported", "open", "contradicted"]

METHODS = (
    Method(
        "fault-score",
        "Rank of the causes of a fault",
        "score = Σ weight × (+1 supports, −1 contradicts, 0 silent); equal scores share a rank; "
        "among them the smaller unexplained rest first, then the quicker check",
        "an order in which to look, no probability; causes and weights are common practice",
        ("common-practice",),
    ),
    *fault_tools.METHODS,
    *fault_section.METHODS,
    *fault_load.METHODS,
    *fault_angles.METHODS,
    *fault_legs.METHODS,
)
TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    **fault_tools.TESTS,
    **fault_section.TESTS,
    **fault_load.TESTS,
    **fault_angles.TESTS,
    **fault_legs.TESTS,
}
# These predict an amount, which differs from cause to cause.
CAUSE_TESTS: Mapping[str, Callable[[FaultCase, str], Found]] = {
    **fault_angles.CAUSE_TESTS,
    **fault_legs.CAUSE_TESTS,
}
_SPEAKS: Mapping[Speaks, int] = {"supports": 1, "contradicts": -1, "silent": 0}


class Evidence(NamedTuple):
    """What one test found, with its weight for this cause."""

    test: str
    weight: int
    found: Found


class RankedCause(NamedTuple):
    """One cause.

    Arguments:
        rank: from 1; equal scores share it
        tied: whether another cause has this score
        residual: what it leaves unexplained of the measure, mm or rad; None where it predicts none
    """

    rank: int
    tied: bool
    cause: FaultCause
    state: State
    score: int
    residual: float | None
    evidence: tuple[Evidence, ...]


class MissingDatum(NamedTuple):
    """A datum that was not sent, and the causes that it would have let be judged."""

    pointer: str
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FaultFinding:
    """The whole answer; deviations are measured less wanted, mm and rad, None where unknown.

    Arguments:
        leg: number from end 1 of the leg that ``leg_deviation`` is about
        telling_legs: legs, from end 1, that the tied first causes would change differently
    """

    symptom: Symptom
    bend: int | None
    leg: int | None
    leg_deviation: float | None
    angle_deviation: float | None
    rotation_deviation: float | None
    radius_deviation: float | None
    telling_legs: tuple[int, ...]
    causes: tuple[RankedCause, ...]
    missing: tuple[MissingDatum, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def find_fault(
    case: FaultCase, suspects: Sequence[FaultCause], *, invented: bool = False
) -> FaultFinding:
    """Rank the causes of a fault by what the set-up says of them.

    score = Σ weight × (+1, −1, 0); see the module for order and ties.

    Arguments:
        case: symptom and set-up
        suspects: causes with their tests and weights, in the order in which they are quickest to
            check
        invented: whether figures of an invented shop were used

    Raises:
        OutOfRangeError: a bend or leg that is not there, a symptom that the measure contradicts,
            what the calculations asked refuse
        NotDeterminedError, MissingError, GeometryError: a leg that cannot be judged as it was sent

    Source: common practice for the list of causes; each test has its own.
    """
    check_case(case)
    judged = [_judged(case, cause) for cause in suspects]
    ranked = _ranked(judged)
    missing = _missing(ranked)
    deviations = leg_deviations(case)
    leg, leg_off = deviations[0] if deviations else (None, None)
    findings = tuple(_findings(case, ranked, missing, invented))
    return FaultFinding(
        symptom=case.symptom,
        bend=case.bend.number if case.bend else None,
        leg=leg,
        leg_deviation=leg_off,
        angle_deviation=angle_deviation(case),
        rotation_deviation=rotation_deviation(case),
        radius_deviation=radius_deviation(case),
        telling_legs=_telling_legs(case, ranked),
        causes=ranked,
        missing=missing,
        methods=tuple(dict.fromkeys(("fault-score", *case.used))),
        findings=findings,
    )


# --- the case ------------------------------------------------------------------------------------


def check_case(case: FaultCase) -> None:
    """Refuse a case that contradicts itself.

    Raises:
        OutOfRangeError: a run without a bend, a bend that is not there, a symptom that the measure
            contradicts
        MissingError: one measured diameter without the other
        NotDeterminedError: a mandrel described that was not used, two springbacks for one radius
        others: as ``fault_legs.check_legs``
    """
    if case.run is not None and not case.run.bends:
        raise OutOfRangeError("fault_run_without_bend", ("run",))
    if case.number > max(len(case.bends), 1):
        parts = {"value": case.number, "most": max(len(case.bends), 1)}
        raise OutOfRangeError("fault_bend_unknown", ("bend",), parts)
    if case.mandrel.used is False and case.mandrel.lead is not None:
        raise NotDeterminedError("mandrel_described_but_not_used", ("mandrel_used",))
    springback_laws(case.laws)
    if case.mandrel.lead is not None:
        _ = case.mandrel_answer  # refuses a lead past the bend, whatever the symptom asks for
    _check_diameters(case)
    check_legs(case)
    _check_symptom(case)


def _check_diameters(case: FaultCase) -> None:
    largest, least = case.measured.largest_diameter, case.measured.least_diameter
    if (largest is None) != (least is None):
        name = "largest_diameter" if largest is None else "least_diameter"
        raise MissingError("one_diameter_only", ("measured", name), {"bend": case.number})
    if largest is not None and least is not None and least > largest:
        parts = {"value": Amount(least, "length"), "most": Amount(largest, "length")}
        raise OutOfRangeError("fault_diameters_crossed", ("measured", "least_diameter"), parts)


def _check_symptom(case: FaultCase) -> None:
    """A leg said to be long that was measured short, and the like."""
    deviations = leg_deviations(case)
    leg_off = Amount(deviations[0][1], "length") if deviations else None
    off = angle_deviation(case)
    angle_off = None if off is None else Amount(off, "angle")
    said = {
        "leg_too_long": (leg_off, 1, case.reading.length),
        "leg_too_short": (leg_off, -1, case.reading.length),
        "angle_past": (angle_off, 1, case.reading.angle),
        "angle_short": (angle_off, -1, case.reading.angle),
    }.get(case.symptom)
    amount, sign, reading = said or (None, 0, 0.0)
    if amount is not None and sign * amount.value < 0 and not within(amount.value, reading):
        parts: dict[str, Value] = {"value": amount, "symptom": Word(case.symptom)}
        raise OutOfRangeError("symptom_not_as_measured", ("symptom",), parts)


# --- score and rank ------------------------------------------------------------------------------


def _judged(case: FaultCase, cause: FaultCause) -> RankedCause:
    evidence = tuple(
        Evidence(test, weight, _tested(case, test, cause.id)) for test, weight in cause.tests
    )
    score = sum(one.weight * _SPEAKS[one.found.speaks] for one in evidence)
    state: State = "supported" if score > 0 else "contradicted" if score < 0 else "open"
    residuals = [one.found.residual for one in evidence if one.found.residual is not None]
    return RankedCause(0, False, cause, state, score, min(residuals, default=None), evidence)


def _tested(case: FaultCase, test: str, cause: str) -> Found:
    if test in CAUSE_TESTS:
        return CAUSE_TESTS[test](case, cause)
    return TESTS[test](case)


def _ranked(judged: Sequence[RankedCause]) -> tuple[RankedCause, ...]:
    scores = [one.score for one in judged]
    order = sorted(judged, key=_order)  # stable: the order of the table decides what is left equal
    return tuple(
        one._replace(
            rank=1 + sum(score > one.score for score in scores),
            tied=scores.count(one.score) > 1,
        )
        for one in order
    )


def _order(one: RankedCause) -> tuple[int, bool, float]:
    # rounded, so that the last digit of a sum does not decide between equals
    residual = one.residual if one.score > 0 else None
    return -one.score, residual is None, round(residual or 0.0, 6)


def _telling_legs(case: FaultCase, ranked: Sequence[RankedCause]) -> tuple[int, ...]:
    first = [one.cause.id for one in ranked if one.rank == 1 and one.score > 0]
    return telling_legs(case, first) if len(first) > 1 else ()


def _missing(ranked: Iterable[RankedCause]) -> tuple[MissingDatum, ...]:
    causes: dict[str, dict[str, None]] = {}
    for one in ranked:
        for evidence in one.evidence:
            for pointer in evidence.found.missing:
                causes.setdefault(pointer, {})[one.cause.id] = None
    return tuple(MissingDatum(pointer, tuple(ids)) for pointer, ids in causes.items())


# --- findings ------------------------------------------------------------------------------------


def _findings(
    case: FaultCase,
    ranked: Sequence[RankedCause],
    missing: Sequence[MissingDatum],
    invented: bool,
) -> Iterable[Finding]:
    yield from _verdict(ranked)
    yield from _within_reading(case)
    yield from _roundness(case)
    if missing:
        yield Finding("fault_data_missing", "ok", values={"count": len(missing)})
    if invented:
        yield Finding("profile_invented", "ok")


def _verdict(ranked: Sequence[RankedCause]) -> Iterable[Finding]:
    best = ranked[0].score
    first = [one for one in ranked if one.score == best]
    parts = {"score": best, "count": len(first)}
    if best <= 0:
        yield Finding("fault_not_explained", "needs_care", values=parts)
    elif len(first) > 1:
        yield Finding("fault_causes_tied", "needs_care", values=parts)
    else:
        yield Finding("fault_one_cause_ahead", "ok", values=parts)


def _within_reading(case: FaultCase) -> Iterable[Finding]:
    """What was measured lies within the reading: the numbers show no fault."""
    deviations = leg_deviations(case)
    of_legs = case.symptom in ("leg_too_long", "leg_too_short")
    of_angle = case.symptom in ("angle_short", "angle_past")
    of_plane = case.symptom in ("twisted_between_bends", "out_of_plane")
    length, angle = case.reading.length, case.reading.angle
    leg = deviations[0][1] if of_legs and deviations else None
    radius = radius_deviation(case) if case.symptom == "radius_wrong" else None
    turned = angle_deviation(case) if of_angle else rotation_deviation(case) if of_plane else None
    for off in (leg, radius):
        if off is not None and within(off, length):
            value, limit = Amount(off, "length"), Amount(length, "length")
            yield Finding("fault_within_reading", "ok", value=value, limit=limit)
    if turned is not None and within(turned, angle):
        value, limit = Amount(turned, "angle"), Amount(angle, "angle")
        yield Finding("fault_within_reading", "ok", value=value, limit=limit)


def _roundness(case: FaultCase) -> Iterable[Finding]:
    """Ovality that was measured, against what is widely allowed."""
    largest, least = case.measured.largest_diameter, case.measured.least_diameter
    if case.symptom not in ("flattened", "kinked") or largest is None or least is None:
        return
    ovality = ovality_of_nominal(largest, least, case.tube.outside_diameter)
    limit = FLATTENING_LIMITS["internal"]
    case.used.extend(("ovality-of-nominal", "limit-b31-3-flattening"))
    round_enough = within(ovality, limit)
    yield Finding(
        "fault_ovality_within_limit" if round_enough else "fault_ovality_past_limit",
        "ok" if round_enough else "needs_care",
        case.bend.number if case.bend else None,
        Amount(ovality, "percent"),
        Amount(limit, "percent"),
    )
