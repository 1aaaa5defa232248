"""Whether a run can be made as drawn: every rule, its limit, and what would cure it.

Each rule is one of the other calculations, or a comparison of lengths. A run that cannot even be
built, because two intersection points are too close for their radii, is reviewed as far as it goes:
its legs, its radii, and each bend by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from service.calc import (
    bend_rules_forming,
    bend_rules_geometry,
    bending_sequence,
    drawn_run,
    review_suggestions,
)
from service.calc.bend_rules import Check, NotChecked, ReviewCase, worst
from service.calc.bend_rules_clearance import Clearances, Near, clearance_checks
from service.calc.bend_rules_forming import FormedBends, formed_bends_of
from service.calc.bend_rules_geometry import Measures, geometry_checks
from service.calc.bend_rules_sequence import Sequenced, sequence_checks
from service.calc.bending_sequence import BendingSequence
from service.calc.capacity_check import SpringbackFrom
from service.calc.developed_length import cut_length
from service.calc.review_suggestions import RunRow, Variant, variants
from service.calc.run_geometry import check_run
from service.errors import Word
from service.model import Finding, Severity, TubeSize

Verdict = Literal["can_be_made", "can_be_made_with_care", "cannot_be_made"]

METHODS = (
    *drawn_run.METHODS,
    *bend_rules_geometry.METHODS,
    *bend_rules_forming.METHODS,
    *bending_sequence.METHODS,
    *review_suggestions.METHODS,
)
VERDICTS: dict[Severity, Verdict] = {
    "ok": "can_be_made",
    "needs_care": "can_be_made_with_care",
    "blocks": "cannot_be_made",
}
# More would not be read; every check is in the answer anyway.
MOST_FINDINGS = 500
SUMMARIES = {
    "can_be_made": "review_can_be_made",
    "can_be_made_with_care": "review_can_be_made_with_care",
    "cannot_be_made": "review_cannot_be_made",
}


class ReviewedBend(NamedTuple):
    """One bend in short; ``severity`` is the worst of its checks.

    ``tube_behind`` is None for a run that cannot be built, ``die`` where there is none.
    """

    bend: int
    severity: Severity
    radius: float
    angle: float
    die: str | None
    set_angle: float | None
    tube_behind: float | None
    mandrel: str
    utilisation: float | None
    springback_from: SpringbackFrom


class ReviewedStraight(NamedTuple):
    """One straight in short; the length is below 0 where the leg is too short for its bends."""

    straight: int
    severity: Severity
    length: float
    leg: float


@dataclass(frozen=True, slots=True)
class BendReview:
    """The whole answer.

    Arguments:
        checks: every rule at every place, in the order of the run within each rule
        run, cut_length: None for a run that cannot be built
        near: places too near to each other, for the picture
        sequence: the orders tried of the work on the bench; None where that was not judged
        variants: what was tried and passes, nearest to the drawing first; empty where none does,
            or where nothing blocks
        tried: how many variants were tried
    """

    verdict: Verdict
    blocks: int
    needs_care: int
    ok: int
    run: RunRow | None
    cut_length: float | None
    bends: tuple[ReviewedBend, ...]
    straights: tuple[ReviewedStraight, ...]
    checks: tuple[Check, ...]
    not_checked: tuple[NotChecked, ...]
    near: tuple[Near, ...]
    sequence: BendingSequence | None
    variants: tuple[Variant, ...]
    tried: int
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


class _Group(Protocol):
    """What rules of one kind found."""

    @property
    def checks(self) -> tuple[Check, ...]: ...

    @property
    def not_checked(self) -> tuple[NotChecked, ...]: ...

    @property
    def methods(self) -> tuple[str, ...]: ...


class _Found(NamedTuple):
    """All groups of rules; one more group is one more member, named in ``groups``."""

    formed: FormedBends
    measures: Measures
    clearances: Clearances
    sequenced: Sequenced

    @property
    def groups(self) -> tuple[_Group, ...]:
        return (self.measures, self.formed, self.clearances, self.sequenced)

    @property
    def checks(self) -> tuple[Check, ...]:
        bends = [check for one in self.formed.bends for check in one.checks]
        return (*(check for group in self.groups for check in group.checks), *bends)

    @property
    def not_checked(self) -> tuple[NotChecked, ...]:
        missing = (one for group in self.groups for one in group.not_checked)
        return tuple(dict.fromkeys(missing))

    @property
    def methods(self) -> list[str]:
        return [method for group in self.groups for method in group.methods]


def bend_review(
    case: ReviewCase, *, sizes: Sequence[TubeSize] = (), most_variants: int = 3
) -> BendReview:
    """Review a run against every rule; where it blocks, look for variants that pass.

    Arguments:
        case: run, tube, bench, ends and demands
        sizes: standard sizes, to name a wall that would do
        most_variants: how many variants to return at most; 0 looks for none

    Raises:
        OutOfRangeError: an absurd bend angle, a radius within the tube, an absurd stretch,
            measures that cannot be
        NotDeterminedError: two springbacks for one radius
        MissingError: a stress or a material that a demand needs

    Source: those of the calculations called.
    """
    check_run(case.run, case.tube.outside_diameter)
    formed = formed_bends_of(case, sizes)
    found = _Found(
        formed,
        geometry_checks(case, formed.bends),
        clearance_checks(case),
        sequence_checks(case, formed.bends),
    )
    checks = found.checks
    severity = worst(check.severity for check in checks)
    most = most_variants if severity == "blocks" else 0
    sequence, room = found.sequenced.sequence, found.clearances.room
    tried = variants(case, formed.bends, checks, room, sequence, most)
    return BendReview(
        verdict=VERDICTS[severity],
        blocks=_count(checks, "blocks"),
        needs_care=_count(checks, "needs_care"),
        ok=_count(checks, "ok"),
        run=RunRow(case.run.bends, case.run.last_straight) if case.can_be_built else None,
        cut_length=cut_length(case.run, case.stretch, case.ends) if case.can_be_built else None,
        bends=_bends(case, found),
        straights=_straights(case, checks),
        checks=checks,
        not_checked=found.not_checked,
        near=found.clearances.places,
        sequence=sequence,
        variants=tried.found,
        tried=tried.tried,
        methods=tuple(dict.fromkeys([*found.methods, *_search_methods(checks, tried.tried)])),
        findings=(*findings_of(VERDICTS[severity], checks), *_notes(case, found)),
    )


def _count(checks: Sequence[Check], severity: Severity) -> int:
    return sum(check.severity == severity for check in checks)


def _search_methods(checks: Sequence[Check], tried: int) -> list[str]:
    cured = any(cure.change == "radius" for check in checks for cure in check.cures)
    used = ["review-next-radius", "radius-on-drawn-points"] * cured
    return used + ["review-variants", "radius-on-drawn-points", "developed-length"] * bool(tried)


def _bends(case: ReviewCase, found: _Found) -> tuple[ReviewedBend, ...]:
    behind = {row.number: row.tube_behind for row in found.measures.bends}
    by_bend: dict[int, list[Severity]] = {}
    for check in found.checks:
        if check.bend is not None:
            by_bend.setdefault(check.bend, []).append(check.severity)
    return tuple(
        ReviewedBend(
            bend=one.bend,
            severity=worst(by_bend.get(one.bend, ())),
            radius=one.radius,
            angle=case.run.bends[one.bend - 1].angle,
            die=one.die.id if one.die and one.die_fits else None,
            set_angle=one.set_angle,
            tube_behind=behind.get(one.bend),
            mandrel=one.mandrel,
            utilisation=one.utilisation,
            springback_from=one.springback_from,
        )
        for one in found.formed.bends
    )


def _straights(case: ReviewCase, checks: Sequence[Check]) -> tuple[ReviewedStraight, ...]:
    by_straight: dict[int, list[Severity]] = {}
    for check in checks:
        if check.straight is not None:
            by_straight.setdefault(check.straight, []).append(check.severity)
    return tuple(
        ReviewedStraight(number, worst(by_straight.get(number, ())), straight, leg)
        for number, (straight, leg) in enumerate(
            zip(case.straights, case.drawn.legs, strict=True), 1
        )
    )


# --- findings ------------------------------------------------------------------------------------


def findings_of(verdict: Verdict, checks: Sequence[Check]) -> tuple[Finding, ...]:
    """The verdict in one line, then what blocks, then what needs care, each in its order."""
    severity = next(name for name, told in VERDICTS.items() if told == verdict)
    blocking, careful = _count(checks, "blocks"), _count(checks, "needs_care")
    counts = {"blocking": blocking, "careful": careful, "checked": len(checks)}
    head = Finding(SUMMARIES[verdict], severity, values=dict(counts))
    return (head, *map(finding_of, failing(checks)))


def _notes(case: ReviewCase, found: _Found) -> Iterable[Finding]:
    """What set angles rest on, what was left out, whether the figures of the bench are made up."""
    predicted = [one.springback_from == "predicted" for one in found.formed.bends]
    if any(predicted):
        code = "springback_predicted" if all(predicted) else "springback_predicted_at_some"
        yield Finding(code, "ok", values={"count": sum(predicted)})
    sequence = found.sequenced.sequence
    for name in () if sequence is None else sequence.clamping:
        yield Finding("body_counts_as_clamp", "ok", values={"obstacle": name or Word("met_body")})
    if case.bench.invented:
        yield Finding("profile_invented", "ok")


def failing(checks: Sequence[Check]) -> list[Check]:
    """What blocks, then what needs care, each in its order; as many as an answer holds."""
    blocking = [check for check in checks if check.severity == "blocks"]
    careful = [check for check in checks if check.severity == "needs_care"]
    return [*blocking, *careful][:MOST_FINDINGS]


def finding_of(check: Check) -> Finding:
    """A check as a finding; its cures become text at the edge."""
    return Finding(
        check.code,
        check.severity,
        check.bend,
        check.value,
        check.limit,
        {
            **check.values,
            "straight": check.straight,
            "end": None if check.end is None else Word(check.end),
            "part": check.part,
        },
    )
