"""Springback and stretch fitted to a shop's own trial bends, with what the fit is worth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from statistics import median

from service.calc.mark_layout import Springback
from service.errors import Amount, NotDeterminedError, OutOfRangeError, Value
from service.model import Finding, Method

# A line needs two points; the third tells how far to trust it.
LEAST_TRIALS = 3
# Set angles closer than this together cannot tell the constant from the proportional part.
LEAST_SPREAD = math.radians(5)
# A trial further out than this many robust standard deviations is named (Iglewicz and Hoaglin).
OUTLIER = 3.5
MAD_TO_DEVIATION = 1.4826
# No protractor at a bench reads finer; a residual below it is no outlier, however good the rest.
READING = math.radians(0.05)

METHODS = (
    Method(
        "springback-fit",
        "Least-squares springback from trial bends",
        "Δθ = a + b·θ0; b = Sxy/Sxx, a = mean Δθ − b·mean θ0; s² = Σ residual²/(n − 2)",
        "three trials or more at set angles 5° or more apart; independent errors of equal size",
        ("least-squares-textbook", "nist-handbook"),
    ),
    Method(
        "stretch-fit",
        "Least-squares stretch from trial parts",
        "measured − cut = s·arc; s = Σ arc·(measured − cut)/Σ arc²",
        "two trials or more; independent errors of equal size",
        ("least-squares-textbook", "nist-handbook"),
    ),
    Method(
        "robust-outlier",
        "Outlying trials",
        "|residual from the median slope line| > 3.5·1.4826·median |residual|",
        "four trials or more; names trials, removes none",
        ("iglewicz-hoaglin",),
    ),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial bend: set angle θ0 and measured angle θf, rad, at one die radius, mm.

    ``group`` is the caller's name for tube and material; ``place`` the trial's place as sent.
    """

    place: int
    group: str
    radius: float
    set_angle: float
    measured_angle: float


@dataclass(frozen=True, slots=True)
class StretchTrial:
    """One trial part: cut length, developed length measured after bending, arc length, mm."""

    place: int
    group: str
    cut_length: float
    measured_length: float
    arc_length: float


@dataclass(frozen=True, slots=True)
class Interval:
    """95 % confidence interval."""

    least: float
    most: float


@dataclass(frozen=True, slots=True)
class SpringbackFit:
    """Springback of one group and die radius.

    Arguments:
        law: a (rad) and b of Δθ = a + b·θ0, and the band, the half width of the 95 % prediction
            interval of one more bend at the mean set angle; what to store and send later
        constant_error, proportional_error: standard errors
        deviation: s, standard deviation of a single bend, rad, with n − 2 degrees of freedom
        least_set_angle, largest_set_angle: range of the trials, rad
        outliers: places of trials far off the others
    """

    group: str
    trials: int
    law: Springback
    constant_error: float
    proportional_error: float
    constant_interval: Interval
    proportional_interval: Interval
    deviation: float
    least_set_angle: float
    largest_set_angle: float
    outliers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class StretchFit:
    """Stretch of one group: fraction of arc length, its standard error and 95 % interval."""

    group: str
    trials: int
    stretch: float
    stretch_error: float
    interval: Interval
    deviation: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """All fits."""

    springback: tuple[SpringbackFit, ...]
    stretch: tuple[StretchFit, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = field(default=())


def calibrate(
    trials: Sequence[Trial],
    stretch_trials: Sequence[StretchTrial],
    student_t: Mapping[int, float],
) -> Calibration:
    """Fit springback by group and die radius, and stretch by group.

    Ordinary least squares of Δθ = θ0 − θf = a + b·θ0, and of measured − cut = s·arc; intervals by
    Student's t with n − 2 and n − 1 degrees of freedom.

    Arguments:
        trials: trial bends, any number of groups and radii together
        stretch_trials: trial parts
        student_t: two-sided 95 % quantile by degrees of freedom, from a published table

    Valid: independent errors of equal size; not beyond the range of the trials.
    Raises:
        NotDeterminedError: too few trials, or all at one angle
        OutOfRangeError: a fit that no tube could follow (b of 1 or more)

    Source: least squares, any statistics text; NIST/SEMATECH e-Handbook, section 4.1.
    """
    fits, findings = [], []
    for members in _grouped(trials).values():
        fit = fit_springback(members, student_t)
        fits.append(fit)
        findings += _findings(fit, members)
    stretches = [fit_stretch(m, student_t) for m in _stretch_groups(stretch_trials).values()]
    used = ("springback-fit", "robust-outlier") * bool(fits) + ("stretch-fit",) * bool(stretches)
    return Calibration(tuple(fits), tuple(stretches), used, tuple(findings))


def _grouped(trials: Sequence[Trial]) -> dict[tuple[str, float], list[Trial]]:
    groups: dict[tuple[str, float], list[Trial]] = {}
    for trial in trials:
        groups.setdefault((trial.group, trial.radius), []).append(trial)
    return groups


def _stretch_groups(trials: Sequence[StretchTrial]) -> dict[str, list[StretchTrial]]:
    groups: dict[str, list[StretchTrial]] = {}
    for trial in trials:
        groups.setdefault(trial.group, []).append(trial)
    return groups


def quantile(table: Mapping[int, float], freedom: int) -> float:
    """Student's t from a table, interpolated in 1/ν between its rows, where t is nearly linear."""
    if freedom in table:
        return table[freedom]
    rows = sorted(table)
    low = max(row for row in rows if row < freedom)
    high = min((row for row in rows if row > freedom), default=None)
    if high is None:
        return table[low]
    share = (1 / low - 1 / freedom) / (1 / low - 1 / high)
    return table[low] + share * (table[high] - table[low])


def fit_springback(trials: Sequence[Trial], student_t: Mapping[int, float]) -> SpringbackFit:
    """Fit one group; arguments, range and errors as ``calibrate``."""
    x = [t.set_angle for t in trials]
    y = [t.set_angle - t.measured_angle for t in trials]
    _check_determined(trials, x)
    n, mean_x, mean_y = len(x), math.fsum(x) / len(x), math.fsum(y) / len(y)
    sxx = math.fsum((v - mean_x) ** 2 for v in x)
    slope = math.fsum((v - mean_x) * w for v, w in zip(x, y, strict=True)) / sxx
    constant = mean_y - slope * mean_x
    square = math.fsum((w - constant - slope * v) ** 2 for v, w in zip(x, y, strict=True))
    deviation = math.sqrt(square / (n - 2))
    t = quantile(student_t, n - 2)
    slope_error = deviation / math.sqrt(sxx)
    constant_error = deviation * math.sqrt(1 / n + mean_x**2 / sxx)
    _check_fit(trials, slope)
    return SpringbackFit(
        group=trials[0].group,
        trials=n,
        law=Springback(constant, slope, trials[0].radius, t * deviation * math.sqrt(1 + 1 / n)),
        constant_error=constant_error,
        proportional_error=slope_error,
        constant_interval=_interval(constant, t * constant_error),
        proportional_interval=_interval(slope, t * slope_error),
        deviation=deviation,
        least_set_angle=min(x),
        largest_set_angle=max(x),
        outliers=tuple(trials[i].place for i in outliers(x, y)),
    )


def _interval(middle: float, half: float) -> Interval:
    return Interval(middle - half, middle + half)


def _check_determined(trials: Sequence[Trial], x: Sequence[float]) -> None:
    at = ("trials", trials[0].place)
    if len(x) < LEAST_TRIALS:
        parts: dict[str, Value] = {"value": len(x), "least": LEAST_TRIALS, "group": trials[0].group}
        raise NotDeterminedError("trials_too_few", at, parts)
    if max(x) - min(x) < LEAST_SPREAD:
        raise NotDeterminedError(
            "trials_at_one_angle",
            at,
            {
                "value": Amount(max(x) - min(x), "angle"),
                "least": Amount(LEAST_SPREAD, "angle"),
                "group": trials[0].group,
            },
        )


def _check_fit(trials: Sequence[Trial], slope: float) -> None:
    if slope >= 1:
        parts: dict[str, Value] = {"value": Amount(slope, "ratio"), "group": trials[0].group}
        raise OutOfRangeError("trials_absurd", ("trials", trials[0].place), parts)


def outliers(x: Sequence[float], y: Sequence[float]) -> list[int]:
    """Places of points far from the line that most of them follow.

    The line has the median of all pairwise slopes (Theil and Sen) and the median offset; a point is
    named when its residual passes 3.5 robust standard deviations (1.4826 × median absolute
    residual, Iglewicz and Hoaglin) and 0.05°. Fewer than four points name nothing.
    """
    if len(x) < LEAST_TRIALS + 1:
        return []
    slopes = [
        (b[1] - a[1]) / (b[0] - a[0])
        for a, b in combinations(list(zip(x, y, strict=True)), 2)
        if a[0] != b[0]
    ]
    slope = median(slopes)
    offset = median(w - slope * v for v, w in zip(x, y, strict=True))
    residuals = [abs(w - slope * v - offset) for v, w in zip(x, y, strict=True)]
    limit = max(OUTLIER * MAD_TO_DEVIATION * median(residuals), READING)
    return [i for i, residual in enumerate(residuals) if residual > limit]


def fit_stretch(trials: Sequence[StretchTrial], student_t: Mapping[int, float]) -> StretchFit:
    """Fit the stretch of one group through the origin; range and errors as ``calibrate``."""
    at = ("stretch_trials", trials[0].place)
    if len(trials) < LEAST_TRIALS - 1:
        parts: dict[str, Value] = {
            "value": len(trials),
            "least": LEAST_TRIALS - 1,
            "group": trials[0].group,
        }
        raise NotDeterminedError("stretch_trials_too_few", at, parts)
    longer = [t.measured_length - t.cut_length for t in trials]
    sxx = math.fsum(t.arc_length**2 for t in trials)
    stretch = math.fsum(t.arc_length * d for t, d in zip(trials, longer, strict=True)) / sxx
    square = math.fsum(
        (d - stretch * t.arc_length) ** 2 for t, d in zip(trials, longer, strict=True)
    )
    deviation = math.sqrt(square / (len(trials) - 1))
    error = deviation / math.sqrt(sxx)
    half = quantile(student_t, len(trials) - 1) * error
    return StretchFit(
        trials[0].group, len(trials), stretch, error, _interval(stretch, half), deviation
    )


def _findings(fit: SpringbackFit, trials: Sequence[Trial]) -> list[Finding]:
    law, interval = fit.law, fit.proportional_interval
    parts: dict[str, Value] = {
        "group": fit.group,
        "radius": Amount(trials[0].radius, "length"),
    }
    found = []
    for trial in trials:
        if trial.place in fit.outliers:
            expected = law.constant + law.proportional * trial.set_angle
            off = trial.set_angle - trial.measured_angle - expected
            value, limit = Amount(abs(off), "angle"), Amount(law.band or 0.0, "angle")
            more = {**parts, "trial": trial.place + 1}
            found.append(Finding("trial_outlying", "needs_care", None, value, limit, more))
    if interval.least <= 0 <= interval.most:
        value = Amount(law.proportional, "ratio")
        found.append(Finding("proportional_part_unproven", "needs_care", None, value, None, parts))
    return found
