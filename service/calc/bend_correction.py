"""What to change at the bench so that the next part comes out right.

The part was made with a crank angle, a rotation and a mark for each bend, and a cut length. What
it came out as shows the error of each of them. The next part is set up by the nominal run less
that error; a springback or stretch fitted from the part says how much of it one figure explains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.calc.developed_length import MOST_STRETCH, NO_ALLOWANCES, Ends, cut_length
from service.calc.mark_layout import (
    Bench,
    BendMarks,
    Mark,
    MarkLayout,
    Measure,
    Springback,
    mark_layout,
    marker,
    wrap,
)
from service.calc.run_geometry import reverse
from service.errors import Amount, GeometryError, NotDeterminedError, Value
from service.model import Bend, Die, End, Finding, Method, Run, Tube

# Crank angles that lie closer than this do not tell a constant springback from a proportional one.
LEAST_CRANK_SPREAD = math.radians(5.0)
LARGEST_PROPORTIONAL = 0.5
# A line goes through any two bends; from the third on it explains something.
FEW_BENDS = 3

METHODS = (
    Method(
        "corrected-bend-table",
        "Corrected set-up of the next part",
        "crank = was + (θ − θ′)/(1 − b); rotation = was − (rotation′ − rotation); "
        "mark = nominal mark − (mark that the part shows − was)",
        "errors that repeat from part to part; crank exact where springback is a + b·crank",
        ("derived-here",),
    ),
    Method(
        "springback-from-part",
        "Springback fitted from the bends of one part",
        "least squares of crank − θ′ = a + b·crank over the bends of one radius",
        "crank angles at least 5° apart, otherwise a alone with b as given; 0 ≤ b < 0.5; two bends "
        "always lie on a line",
        ("derived-here", "common-practice"),
    ),
    Method(
        "stretch-from-part",
        "Stretch fitted from the marks of one part",
        "least squares through 0 of (Σ straights′ + Σ Rθ′ before − mark as worked) = stretch·Σ Rθ′",
        "marks from one end, or a cut length not trimmed afterwards",
        ("derived-here",),
    ),
)


class Worked(NamedTuple):
    """How one bend was really worked, where it was not as laid out: rad, and mm along the tube."""

    bend: int
    crank: float | None = None
    rotation: float | None = None
    start: float | None = None


@dataclass(frozen=True, slots=True)
class SetUp:
    """How the measured part was laid out and worked.

    Arguments:
        measured_from, measure, bench, stretch, ends, springback, die, mark_offset: as for the
            mark layout that the part was made by
        worked: what differed from that layout
        cut_length: length it was cut to, mm; as laid out when None
        recalibrate: correct by the springback and stretch that this part shows instead of those
            given
    """

    measured_from: End = "end_1"
    measure: Measure = "from_end"
    bench: Bench = field(default_factory=Bench)
    stretch: float = 0.0
    ends: Ends = NO_ALLOWANCES
    springback: tuple[Springback, ...] = ()
    die: Die | None = None
    mark_offset: float | None = None
    worked: tuple[Worked, ...] = ()
    cut_length: float | None = None
    recalibrate: bool = False


class Split(NamedTuple):
    """A deviation, and how it divides between the calibration and the bend itself, rad or mm."""

    deviation: float
    explained: float
    own: float


class TurnCorrection(NamedTuple):
    """An angle as it was set, the change, and what to set next: exact and to the bench step."""

    was: float
    change: float
    exact: float
    bench: float


class MarkCorrection(NamedTuple):
    """A length along the tube as it was, the change, and the next, mm."""

    was: float
    change: float
    next: Mark


class CorrectedBend(NamedTuple):
    """One bend in the order of the work."""

    step: int
    bend: int
    measured_from: str
    crank: TurnCorrection
    rotation: TurnCorrection
    start: MarkCorrection
    zero_mark: Mark
    angle: Split
    mark: Split


class CalibratedSpringback(NamedTuple):
    """Springback fitted from this part, in the form in which it can be sent back.

    ``proportional_fitted`` is False where the crank angles lie too close to tell b, which is then
    the one given. ``scatter`` is the root mean square of what the fit leaves, rad.
    """

    radius: float
    constant: float
    proportional: float
    proportional_fitted: bool
    bends: int
    scatter: float


class PartTrial(NamedTuple):
    """One bend as a trial bend: radius (mm), angle cranked to and angle that came out (rad)."""

    radius: float
    set_angle: float
    measured_angle: float


class PartStretchTrial(NamedTuple):
    """The part as a trial of its stretch, mm: cut for it without allowances, and as measured."""

    cut_length: float
    measured_length: float
    arc_length: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the part says about springback and stretch.

    Arguments:
        springback: one a radius
        stretch: fraction of arc length; None where the part does not tell
        trials, stretch_trial: the part as trials; the second is None where it was trimmed
        used: whether the correction is made with springback and stretch as fitted
    """

    springback: tuple[CalibratedSpringback, ...]
    stretch: float | None
    trials: tuple[PartTrial, ...]
    stretch_trial: PartStretchTrial | None
    used: bool

    @property
    def fits(self) -> tuple[CalibratedSpringback, ...]:
        """How each springback was fitted."""
        return self.springback


@dataclass(frozen=True, slots=True)
class Correction:
    """The corrected bend table."""

    measured_from: End
    cut_length: MarkCorrection
    bends: tuple[CorrectedBend, ...]
    calibration: Calibration
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class _Row:
    """One bend in the order of the work: nominal, measured, and as it was set."""

    laid: BendMarks
    nominal: Bend
    measured: Bend
    crank: float
    rotation: float
    start: float


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for the whole part: nominal and measured in the order of the work."""

    set_up: SetUp
    rows: tuple[_Row, ...]
    nominal: Run
    measured: Run
    allowance: float
    total: float
    cut_was: float


def correct(nominal: Run, measured: Run, tube: Tube, set_up: SetUp) -> Correction:
    """Corrected set-up from what the part came out as.

    crank = was + (θ − θ′)/(1 − b); rotation = was − (rotation′ − rotation). The part shows where
    each bend really began on the unbent tube, mark′ = allowance + Σ straights′ + Σ(1 − stretch)Rθ′;
    the next mark is the nominal one less (mark′ − was), and so is the cut length.

    Arguments:
        nominal, measured: bend tables from end 1 with the same number of bends, mm and rad; the
            measured ends are those of the nominal run, so what was trimmed is not in it
        tube: for rotations as arc length
        set_up: how the part was laid out and worked

    Raises:
        GeometryError: a bend in ``worked`` that the run does not have
        NotDeterminedError: a bend told twice in ``worked``
        OutOfRangeError: as ``mark_layout``

    Source: derived here from the mark layout.
    """
    layout = mark_layout(
        nominal,
        tube,
        measured_from=set_up.measured_from,
        measure=set_up.measure,
        bench=set_up.bench,
        stretch=set_up.stretch,
        ends=set_up.ends,
        springback=set_up.springback,
        die=set_up.die,
        mark_offset=set_up.mark_offset,
    )
    job = _job(nominal, measured, layout, set_up)
    laws, stretch = _fit_springback(job), _fit_stretch(job)
    used = _used(laws, stretch, set_up)
    *marks, (cut, _) = _marks(job, used)
    rows = tuple(
        _correct_row(row, *mark, job, used) for row, mark in zip(job.rows, marks, strict=True)
    )
    return Correction(
        measured_from=set_up.measured_from,
        cut_length=cut,
        bends=rows,
        calibration=_calibration(job, laws, stretch),
        methods=("corrected-bend-table", "springback-from-part", *layout.methods)
        + ("stretch-from-part",) * (stretch is not None),
        findings=(*_findings(job, rows, cut), *_law_findings(laws, stretch, set_up)),
    )


def _job(nominal: Run, measured: Run, layout: MarkLayout, set_up: SetUp) -> _Job:
    forward = set_up.measured_from == "end_1"
    first, second = (nominal, measured) if forward else (reverse(nominal), reverse(measured))
    told = _told(set_up.worked, len(first.bends))
    pairs = zip(layout.bends, first.bends, second.bends, strict=True)
    rows = tuple(_row(laid, a, b, told.get(laid.bend)) for laid, a, b in pairs)
    ends, cut_was = set_up.ends, set_up.cut_length
    return _Job(
        set_up=set_up,
        rows=rows,
        nominal=first,
        measured=second,
        allowance=ends.length_1 if forward else ends.length_2,
        total=ends.length_1 + ends.length_2 + ends.trim,
        cut_was=layout.cut_length.exact if cut_was is None else cut_was,
    )


def _told(worked: Sequence[Worked], count: int) -> Mapping[int, Worked]:
    told: dict[int, Worked] = {}
    for index, row in enumerate(worked):
        where = ("set_up", "worked", index, "bend")
        if row.bend > count:
            raise GeometryError("no_such_bend", where, {"value": row.bend, "most": count})
        if row.bend in told:
            raise NotDeterminedError("bend_told_twice", where, {"value": row.bend})
        told[row.bend] = row
    return told


def _row(laid: BendMarks, nominal: Bend, measured: Bend, told: Worked | None) -> _Row:
    crank, rotation, start = laid.crank.exact, laid.rotation.angle, laid.start.exact
    if told is not None:
        crank = crank if told.crank is None else told.crank
        rotation = rotation if told.rotation is None else told.rotation
        start = start if told.start is None else told.start
    return _Row(laid, nominal, measured, crank, rotation, start)


@dataclass(frozen=True, slots=True)
class _Used:
    """The figures that the correction is made with, and those that explain."""

    proportional: Mapping[float, float]
    stretch: float
    fitted: Mapping[float, CalibratedSpringback]
    fitted_stretch: float


def _used(
    laws: Mapping[float, CalibratedSpringback], stretch: float | None, set_up: SetUp
) -> _Used:
    fitted = set_up.stretch if stretch is None else stretch
    given = {radius: _given_law(radius, set_up.springback).proportional for radius in laws}
    if not set_up.recalibrate:
        return _Used(given, set_up.stretch, laws, fitted)
    own = {r: law.proportional if _usable(law) else given[r] for r, law in laws.items()}
    usable = 0 <= fitted <= MOST_STRETCH
    return _Used(own, fitted if usable else set_up.stretch, laws, fitted)


def _usable(law: CalibratedSpringback) -> bool:
    return 0 <= law.proportional < LARGEST_PROPORTIONAL


def _given_law(radius: float, given: Sequence[Springback]) -> Springback:
    by_radius = {law.radius: law for law in given}
    return by_radius.get(radius) or by_radius.get(None) or Springback(0.0, 0.0)


def _fit_springback(job: _Job) -> dict[float, CalibratedSpringback]:
    radii = dict.fromkeys(row.nominal.radius for row in job.rows)
    return {radius: _fit_law(radius, job) for radius in radii}


def _fit_law(radius: float, job: _Job) -> CalibratedSpringback:
    rows = [row for row in job.rows if row.nominal.radius == radius]
    cranks = [row.crank for row in rows]
    back = [row.crank - row.measured.angle for row in rows]
    mean_crank, mean_back = math.fsum(cranks) / len(rows), math.fsum(back) / len(rows)
    spread = max(cranks) - min(cranks) >= LEAST_CRANK_SPREAD
    slope = _given_law(radius, job.set_up.springback).proportional
    if spread:
        off = [c - mean_crank for c in cranks]
        slope = math.fsum(o * s for o, s in zip(off, back, strict=True))
        slope /= math.fsum(o * o for o in off)
    constant = mean_back - slope * mean_crank
    left = (s - constant - slope * c for c, s in zip(cranks, back, strict=True))
    scatter = math.sqrt(math.fsum(x * x for x in left) / len(rows))
    return CalibratedSpringback(radius, constant, slope, spread, len(rows), scatter)


def _shown_marks(job: _Job, stretch: float) -> list[float]:
    """Where the part shows that each bend began, from the datum of its mark, and its cut length."""
    at, shown = job.allowance, []
    as_you_go = job.set_up.measure == "as_you_go"
    for row in job.rows:
        at += row.measured.straight
        shown.append(at)
        at = 0.0 if as_you_go else at + (1 - stretch) * row.measured.arc
    total = math.fsum([b.straight for b in job.measured.bends] + [job.measured.last_straight])
    arcs = math.fsum(b.arc for b in job.measured.bends)
    return [*shown, total + (1 - stretch) * arcs + job.total]


def _fit_stretch(job: _Job) -> float | None:
    unstretched = _shown_marks(job, 0.0)
    stretched = _shown_marks(job, 1.0)
    was = [*(row.start for row in job.rows), job.cut_was]
    if job.set_up.ends.trim > 0:  # what was trimmed off is not known well enough
        unstretched, stretched, was = unstretched[:-1], stretched[:-1], was[:-1]
    arcs = [a - b for a, b in zip(unstretched, stretched, strict=True)]
    weight = math.fsum(arc * arc for arc in arcs)
    if not weight > 0:
        return None
    excess = (arc * (m - w) for arc, m, w in zip(arcs, unstretched, was, strict=True))
    return math.fsum(excess) / weight


def _nominal_marks(job: _Job, stretch: float) -> list[float]:
    at, marks = job.allowance, []
    as_you_go = job.set_up.measure == "as_you_go"
    for row in job.rows:
        at += row.nominal.straight
        marks.append(at)
        at = 0.0 if as_you_go else at + (1 - stretch) * row.nominal.arc
    return [*marks, cut_length(job.nominal, stretch, job.set_up.ends)]


def _marks(job: _Job, used: _Used) -> list[tuple[MarkCorrection, Split]]:
    """The corrected mark of each bend and, last, the cut length, with what explains its error."""
    mark = marker(job.set_up.bench)
    was = [*(row.start for row in job.rows), job.cut_was]
    columns = zip(
        was,
        _nominal_marks(job, used.stretch),
        _shown_marks(job, used.stretch),
        _shown_marks(job, job.set_up.stretch),
        _shown_marks(job, used.fitted_stretch),
        strict=True,
    )
    made = []
    for before, nominal, shown, by_given, by_fitted in columns:
        exact = nominal - (shown - before)
        split = Split(by_given - before, by_given - by_fitted, by_fitted - before)
        made.append((MarkCorrection(before, exact - before, mark(exact)), split))
    return made


def _correct_row(
    row: _Row, start: MarkCorrection, split: Split, job: _Job, used: _Used
) -> CorrectedBend:
    radius, step = row.nominal.radius, job.set_up.bench.angle_step
    change = (row.nominal.angle - row.measured.angle) / (1 - used.proportional[radius])
    roll = wrap(row.nominal.rotation - row.measured.rotation)
    offset = row.laid.zero_mark.exact - row.laid.start.exact
    return CorrectedBend(
        step=row.laid.step,
        bend=row.laid.bend,
        measured_from=row.laid.measured_from,
        crank=_turn(row.crank, change, row.crank + change, step),
        rotation=_turn(row.rotation, roll, wrap(row.rotation + roll), step),
        start=start,
        zero_mark=marker(job.set_up.bench)(start.next.exact + offset),
        angle=_split_angle(row, used.fitted[radius]),
        mark=split,
    )


def _turn(was: float, change: float, exact: float, step: float) -> TurnCorrection:
    return TurnCorrection(was, change, exact, math.floor(exact / step + 0.5) * step)


def _split_angle(row: _Row, law: CalibratedSpringback) -> Split:
    by_law = row.crank * (1 - law.proportional) - law.constant
    deviation = row.measured.angle - row.nominal.angle
    return Split(deviation, by_law - row.nominal.angle, row.measured.angle - by_law)


def _calibration(
    job: _Job, laws: Mapping[float, CalibratedSpringback], stretch: float | None
) -> Calibration:
    trials = (
        PartTrial(row.nominal.radius, row.crank, row.measured.angle)
        for row in sorted(job.rows, key=lambda row: row.laid.bend)
    )
    return Calibration(
        springback=tuple(laws.values()),
        stretch=stretch,
        trials=tuple(trials),
        stretch_trial=_stretch_trial(job),
        used=job.set_up.recalibrate,
    )


def _stretch_trial(job: _Job) -> PartStretchTrial | None:
    if job.set_up.ends.trim > 0 or not job.rows:
        return None
    arcs = math.fsum(bend.arc for bend in job.measured.bends)
    straights = [*(bend.straight for bend in job.measured.bends), job.measured.last_straight]
    return PartStretchTrial(job.cut_was - job.total, math.fsum(straights) + arcs, arcs)


def _findings(job: _Job, rows: Sequence[CorrectedBend], cut: MarkCorrection) -> list[Finding]:
    found = []
    die, length = job.set_up.die, cut.next.exact
    for row in rows:
        exact = row.crank.exact
        if not 0 < exact < 2 * math.pi:
            found.append(Finding("crank_cannot_be", "blocks", row.bend, Amount(exact, "angle")))
        elif die is not None and exact > die.largest_angle:
            value, limit = Amount(exact, "angle"), Amount(die.largest_angle, "angle")
            found.append(Finding("crank_past_die", "blocks", row.bend, value, limit))
        at = row.zero_mark.exact
        if job.set_up.measure == "from_end" and not 0 <= at <= length:
            value, limit = Amount(at, "length"), Amount(length, "length")
            found.append(Finding("mark_off_tube", "blocks", row.bend, value, limit))
    return found


def _law_findings(
    laws: Mapping[float, CalibratedSpringback], stretch: float | None, set_up: SetUp
) -> list[Finding]:
    found = [Finding("trim_hides_cut_error", "ok")] if set_up.ends.trim > 0 else []
    if not set_up.recalibrate:
        return found
    for law in laws.values():
        parts: dict[str, Value] = {"radius": Amount(law.radius, "length"), "bends": law.bends}
        value, most = Amount(law.proportional, "ratio"), Amount(LARGEST_PROPORTIONAL, "ratio")
        if not _usable(law):
            found.append(Finding("springback_fit_absurd", "needs_care", None, value, most, parts))
        elif law.proportional_fitted and law.bends < FEW_BENDS:
            found.append(Finding("springback_fit_of_few_bends", "needs_care", values=parts))
    if stretch is not None and not 0 <= stretch <= MOST_STRETCH:
        value, most = Amount(stretch, "ratio"), Amount(MOST_STRETCH, "ratio")
        found.append(Finding("stretch_fit_absurd", "needs_care", None, value, most))
    return found
