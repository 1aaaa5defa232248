"""A measured part against its nominal run: deviations, verdict, corrected bend table, hand work."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.calc.bend_correction import Correction, SetUp, correct
from service.calc.hand_correction import MOST_BY_HAND, HandCorrections, hand_corrections
from service.calc.measured_run import LocatedRun
from service.calc.run_comparison import (
    BendDeviation,
    Comparison,
    EndDeviation,
    How,
    PointDeviation,
    StraightDeviation,
    compare_runs,
    fit_runs,
)
from service.errors import Amount
from service.model import Finding, Tube

Verdict = Literal["within", "outside", "not_judged"]
# What a shop opens or closes by hand where it states nothing; common practice, no published source.
LARGEST_HAND_CORRECTION = math.radians(2.0)
# What is less than this, mm, comes from rounding in double precision and is told as 0.
NOISE = 1e-7
# How much better the part must fit when mirrored or turned end for end before that is told.
CLEARLY_BETTER = 0.25


@dataclass(frozen=True, slots=True)
class Inspection:
    """The whole inspection; lengths mm, angles rad.

    ``nominal``, ``measured`` and ``comparison`` are kept for the picture.
    """

    verdict: Verdict
    root_mean_square: float
    worst: float
    spin_determined: bool
    points: tuple[PointDeviation, ...]
    straights: tuple[StraightDeviation, ...]
    bends: tuple[BendDeviation, ...]
    ends: tuple[EndDeviation, ...]
    correction: Correction
    by_hand: HandCorrections
    nominal: LocatedRun
    measured: LocatedRun
    comparison: Comparison
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def inspection(
    nominal: LocatedRun,
    measured: LocatedRun,
    tube: Tube,
    *,
    how: How,
    set_up: SetUp,
    largest_hand_correction: float = LARGEST_HAND_CORRECTION,
    measured_by: Sequence[str] = (),
) -> Inspection:
    """Inspect a measured part and say what to change for the next one.

    Arguments:
        nominal, measured: runs with the same number of bends, each in its own frame, mm and rad
        tube: for rotations as arc length
        how: points compared, weights, held end, tolerances
        set_up: how the part was laid out and worked
        largest_hand_correction: largest angle that the shop bends by hand, rad
        measured_by: methods by which the measured run was made

    Raises:
        GeometryError, OutOfRangeError, NotDeterminedError: as ``compare_runs`` and ``correct``

    Source: Kabsch 1976 and 1978 for the fit; the rest is derived here.
    """
    now = compare_runs(nominal, measured, how)
    correction = correct(nominal.run, measured.run, tube, set_up)
    by_hand = hand_corrections(nominal, measured, now, how, largest_hand_correction)
    return Inspection(
        verdict=_verdict(now, how),
        root_mean_square=now.fit.root_mean_square,
        worst=now.worst,
        spin_determined=now.fit.determined,
        points=now.points,
        straights=now.straights,
        bends=now.bends,
        ends=now.ends,
        correction=correction,
        by_hand=by_hand,
        nominal=nominal,
        measured=measured,
        comparison=now,
        methods=(*_methods(how, by_hand), *measured_by, *correction.methods),
        findings=(
            *now.findings,
            *_fit_findings(nominal, measured, now, how),
            *_hand_findings(by_hand),
            *correction.findings,
        ),
    )


def _verdict(now: Comparison, how: How) -> Verdict:
    if not how.tolerances.judges:
        return "not_judged"
    return "outside" if now.findings else "within"


def _methods(how: How, by_hand: HandCorrections) -> tuple[str, ...]:
    held = how.hold != "none"
    hand = bool(by_hand.bends)
    return (
        ("rigid-best-fit", "run-deviations")
        + ("held-best-fit",) * held
        + ("hand-correction",) * hand
    )


def _fit_findings(
    nominal: LocatedRun, measured: LocatedRun, now: Comparison, how: How
) -> list[Finding]:
    found = [] if how.tolerances.judges else [Finding("no_tolerances", "needs_care")]
    if not now.fit.determined:
        found.append(Finding("spin_undetermined", "needs_care"))
    rms, limit = now.fit.root_mean_square, how.tolerances.point or 0.0
    value = _told(rms)
    clear = CLEARLY_BETTER * rms
    if how.hold == "none" and rms > limit:
        mirror = now.fit.mirror_root_mean_square
        turned = fit_runs(nominal, measured, how, turned=True).root_mean_square
        if mirror < clear and mirror <= turned:
            found.append(Finding("looks_mirrored", "blocks", None, value, _told(mirror)))
        elif turned < clear:
            found.append(Finding("looks_turned", "blocks", None, value, _told(turned)))
    return found


def beyond_noise(length: float) -> float:
    """A length of 0 or more as it is told to people, mm: 0 where it is less than ``NOISE``."""
    return 0.0 if length < NOISE else length


def _told(length: float) -> Amount:
    return Amount(beyond_noise(length), "length")


def _hand_findings(by_hand: HandCorrections) -> list[Finding]:
    found = []
    if by_hand.out > MOST_BY_HAND:
        value, limit = Amount(by_hand.out, "count"), Amount(MOST_BY_HAND, "count")
        found.append(Finding("too_many_by_hand", "needs_care", None, value, limit))
    for row in by_hand.bends:
        parts = {"moves": Amount(row.end_moves, "length")}
        value = Amount(row.by, "angle")
        found.append(Finding(f"{row.way}_by_hand", "needs_care", row.bend, value, None, parts))
    if by_hand.saves_part:
        before, after = _told(by_hand.worst_before), _told(by_hand.worst_after)
        found.append(Finding("saved_by_hand", "ok", None, after, before))
    return found
