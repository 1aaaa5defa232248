"""How good a bend comes out: wall round the section, neutral axis, ovality, against limits.

The wall is given by three named methods, two of them bounds. The ovality of a bend formed on a die
has no sound method: only what was measured is compared with limits, and the answer says so. An
estimate exists for a long free tube that stays elastic, and for nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from service.calc import local_buckling as buckling
from service.calc.bend_limits import (
    STANDARDS,
    LimitCase,
    OvalityLimit,
    PressureSide,
    WallLimit,
    ovality_limits,
    ovality_of_mean,
    ovality_of_nominal,
    wall_factor_before_bending,
    wall_limits,
)
from service.calc.bend_wall import (
    METHOD_IDS,
    NO_DEDUCTION,
    WALL_METHODS,
    FormedBend,
    MeasuredBend,
    WallDeduction,
    WallMethod,
    bend_factors,
    check_measured,
    check_radius,
    deformation_theory_covers,
    neutral_axis_shift_first_order,
    neutral_axis_shift_paper,
    wall_after_bending,
)
from service.errors import Amount, MissingError, OutOfRangeError
from service.model import Finding, Material, Method, Severity, Tube, WallAllowance

OUTSIDE, SIDE, INSIDE = 0.0, math.pi / 2, math.pi

METHODS = (
    Method(
        "ovality-elastic-free-tube",
        "Ovality of a free elastic tube bent to a radius",
        "u = 4ζ·r/D, ζ = (1 − ν²)·κ²·r⁴/t²; neglected terms of order ζ + t/r",
        "long free tube, D/(2R) below Y/E and ζ below 2/9; never a bend formed on a die",
        ("brazier-1927", "derived-here"),
    ),
)


@dataclass(frozen=True, slots=True)
class Unsupported:
    """What the indicators for a free, unsupported tube need; never used for a verdict.

    Arguments:
        pressure: internal pressure, MPa, 0 or more
        yield_to_tensile: largest ratio of yield to tensile strength, above 0, to 1
        exponent: n of σ = K·εⁿ, above 0, to 1
    """

    pressure: float = 0.0
    yield_to_tensile: float | None = None
    exponent: float | None = None


class WallAt(NamedTuple):
    """Wall at a position round the section: rad from the outside of the bend, mm."""

    position: float
    wall: float | None


class WallEstimate(NamedTuple):
    """Wall by one method, mm, and its change as a fraction; None outside the method's range."""

    method: str
    outside: float | None
    side: float | None
    inside: float | None
    thinning_outside: float | None
    thickening_inside: float | None
    at: tuple[WallAt, ...]


class NeutralAxisShift(NamedTuple):
    """Shift towards the bend centre, mm, and the stretch e/R of the centre line it goes with."""

    method: str
    shift: float
    stretch: float


class OvalityEstimate(NamedTuple):
    """Computed ovality of the nominal diameter with the order of what the method neglects."""

    method: str
    value: float
    least: float
    most: float


class BendMeasures(NamedTuple):
    """What the measures of a bend come to, fractions; None where not measured."""

    ovality_of_nominal: float | None
    ovality_of_mean: float | None
    least_diameter_share: float | None
    thinning_outside: float | None
    thinning_side: float | None
    thickening_inside: float | None


class BendForm(NamedTuple):
    """One bend."""

    bend: int
    radius: float
    angle: float | None
    bend_ratio: float
    fibre_strain: float
    factor_outside: float
    factor_inside: float
    walls: tuple[WallEstimate, ...]
    neutral_axis: tuple[NeutralAxisShift, ...]
    ovality: OvalityEstimate | None
    measured: BendMeasures | None
    ovality_limits: tuple[OvalityLimit, ...]
    wall_limits: tuple[WallLimit, ...]


class KinkRow(NamedTuple):
    """Strain at which a free tube would kink, and the radius D/(2ε) that reaches it.

    None outside the method's range.
    """

    method: str
    strain: float | None
    radius: float | None


@dataclass(frozen=True, slots=True)
class UnsupportedTube:
    """What a long tube without tools would stand: indicators, and elastic collapse by flattening.

    ``collapse_moment`` in N·mm; None without a material.
    """

    indicators: tuple[KinkRow, ...]
    collapse_curvature: float
    collapse_radius: float
    collapse_moment: float | None


@dataclass(frozen=True, slots=True)
class BendQuality:
    """All bends, in order from end 1; ``least_wall`` is that before bending, tolerance deducted."""

    least_wall: float
    bends: tuple[BendForm, ...]
    unsupported: UnsupportedTube
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for every bend."""

    tube: Tube
    positions: tuple[float, ...]
    stretch: float
    case: LimitCase
    severity: Severity


def bend_quality(
    tube: Tube,
    bends: Sequence[FormedBend],
    *,
    measured: Sequence[MeasuredBend] = (),
    positions: Sequence[float] = (),
    stretch: float = 0.0,
    deduction: WallDeduction = NO_DEDUCTION,
    required_wall: float | None = None,
    pressure_side: PressureSide = "internal",
    standards: Sequence[str] | None = None,
    wall_table: Sequence[WallAllowance] = (),
    unsupported: Unsupported | None = None,
) -> BendQuality:
    """Wall, neutral axis and ovality of each bend, compared with the limits of named standards.

    Arguments:
        tube: D and t, mm; the material serves the elastic ovality and the free-tube indicators only
        bends: radius (mm) and angle (rad) of each; no method here depends on the angle, all hold
            for the middle of a bend long enough for its section to settle
        measured: diameters and walls of finished bends, mm, at most one entry a bend
        positions: where round the section to give the wall too, rad from the outside, 0–π
        stretch: fraction of arc length by which bending lengthens the tube, 0–0.2
        deduction: wall tolerance and corrosion allowance
        required_wall: pressure design thickness of the straight tube without allowances, mm
        pressure_side: for the flattening limit of ASME B31.3
        standards: ids to compare with, as those that apply; None compares with all
        wall_table: ASME B31.1 Table 102.4.5 by rising R/D
        unsupported: what the indicators for a free tube need beyond the tube

    Raises:
        OutOfRangeError: a radius of D/2 or less, measures that cannot be, a needed wall of half
            the diameter or more, deductions that leave no wall
        MissingError: pressure on a free tube without a material, one diameter without the other

    Source: those of the single methods.
    """
    deduction.check(tube.wall_thickness)
    measures = tuple(measured)
    for number, bend in enumerate(bends, 1):
        check_radius(tube, bend.radius, bend.field, number)
    check_measured(tube, len(bends), measures)
    chosen = STANDARDS if standards is None else tuple(standards)
    case = LimitCase(required_wall, deduction, pressure_side, chosen, wall_table)
    severity: Severity = "needs_care" if standards is None else "blocks"
    job = _Job(tube, tuple(positions), stretch, case, severity)
    by_bend = {one.bend: one for one in measures}
    rows = tuple(_form(n, bend, by_bend.get(n), job) for n, bend in enumerate(bends, 1))
    free = unsupported_tube(tube, unsupported or Unsupported())
    return BendQuality(
        least_wall=deduction.least_wall(tube.wall_thickness),
        bends=rows,
        unsupported=free,
        methods=tuple(dict.fromkeys(_methods(rows, free))),
        findings=tuple(_findings(rows, free, by_bend, job)),
    )


def _form(number: int, bend: FormedBend, measured: MeasuredBend | None, job: _Job) -> BendForm:
    tube, radius = job.tube, bend.radius
    factors = bend_factors(tube, radius)
    walls = tuple(_estimate(method, radius, job) for method in WALL_METHODS)
    return BendForm(
        bend=number,
        radius=radius,
        angle=bend.angle,
        bend_ratio=radius / tube.outside_diameter,
        fibre_strain=tube.outside_diameter / (2 * radius),
        factor_outside=factors.outside,
        factor_inside=factors.inside,
        walls=walls,
        neutral_axis=neutral_axis(tube, radius),
        ovality=elastic_ovality(tube, radius),
        measured=_measures(tube, measured),
        ovality_limits=ovality_limits(tube, radius, measured, job.case),
        wall_limits=wall_limits(tube, radius, _least_walls(walls, job), measured, job.case),
    )


def _estimate(method: WallMethod, radius: float, job: _Job) -> WallEstimate:
    name, tube = METHOD_IDS[method], job.tube
    if method == "deformation_theory" and not deformation_theory_covers(tube, radius):
        at = tuple(WallAt(position, None) for position in job.positions)
        return WallEstimate(name, None, None, None, None, None, at)

    def wall(position: float) -> float:
        return wall_after_bending(method, tube, radius, position, job.stretch)

    outside, inside = wall(OUTSIDE), wall(INSIDE)
    return WallEstimate(
        name,
        outside,
        wall(SIDE),
        inside,
        1 - outside / tube.wall_thickness,
        inside / tube.wall_thickness - 1,
        tuple(WallAt(position, wall(position)) for position in job.positions),
    )


def _least_walls(walls: Iterable[WallEstimate], job: _Job) -> tuple[float, float]:
    """Thinner bound on either side of the bend, of the least wall before bending."""
    share = job.case.deduction.least_wall(job.tube.wall_thickness) / job.tube.wall_thickness
    outside = min(wall.outside for wall in walls if wall.outside is not None)
    inside = min(wall.inside for wall in walls if wall.inside is not None)
    return outside * share, inside * share


def neutral_axis(tube: Tube, radius: float) -> tuple[NeutralAxisShift, ...]:
    """Shift of the neutral axis by each method in its range, with the stretch e/R.

    Arguments:
        tube: D, mm
        radius: R, mm, above D/2
    """
    shifts = {"neutral-axis-shift-first-order": neutral_axis_shift_first_order(tube, radius)}
    if deformation_theory_covers(tube, radius):
        shifts["neutral-axis-shift-paper"] = neutral_axis_shift_paper(tube, radius)
    return tuple(NeutralAxisShift(name, e, e / radius) for name, e in shifts.items())


def elastic_ovality(tube: Tube, radius: float) -> OvalityEstimate | None:
    """Ovality u = 4ζ·r/D of a free tube that stays elastic; None for every other bend.

    Inextensional flattening moves the top and the bottom in by ζr and both sides out by as much.
    The theory neglects terms of the order ζ and t/r: that is the uncertainty given.

    Arguments:
        tube: D and t, mm; its material gives E, Y and ν
        radius: R, mm

    Valid: long free tube with D/(2R) ≤ Y/E and ζ ≤ 2/9; never a bend formed on a die.
    Source: Brazier 1927, derived again here.
    """
    material = tube.material
    if material is None or not _stays_elastic(tube, radius, material):
        return None
    flattening = buckling.brazier_flattening(tube, 1 / radius, material.poisson_ratio)
    value = 4 * flattening * tube.mean_radius / tube.outside_diameter
    order = flattening + tube.wall_thickness / tube.mean_radius
    name = "ovality-elastic-free-tube"
    return OvalityEstimate(name, value, value * max(0.0, 1 - order), value * (1 + order))


def _stays_elastic(tube: Tube, radius: float, material: Material) -> bool:
    if material.yield_strength is None:
        return False
    strain = tube.outside_diameter / (2 * radius)
    elastic = strain * material.elastic_modulus <= material.yield_strength
    return elastic and 1 / radius <= buckling.brazier_curvature(tube, material.poisson_ratio)


def _measures(tube: Tube, one: MeasuredBend | None) -> BendMeasures | None:
    if one is None:
        return None
    od, wall = tube.outside_diameter, tube.wall_thickness
    largest, least = one.largest_diameter, one.least_diameter
    round_, of_mean, share = None, None, None
    if largest is not None and least is not None:
        round_, of_mean = ovality_of_nominal(largest, least, od), ovality_of_mean(largest, least)
        share = least / od
    return BendMeasures(
        round_,
        of_mean,
        share,
        None if one.wall_outside is None else 1 - one.wall_outside / wall,
        None if one.wall_side is None else 1 - one.wall_side / wall,
        None if one.wall_inside is None else one.wall_inside / wall - 1,
    )


# --- free tube ----------------------------------------------------------------------------------


def unsupported_tube(tube: Tube, given: Unsupported) -> UnsupportedTube:
    """Strains at which a long free tube would kink, by every method that covers it.

    Arguments:
        tube: D and t, mm; the material gives E and ν (without it ν = 0.3)
        given: pressure, ratio of yield to tensile strength, hardening exponent

    Valid: indicators only, no criterion for a bend formed on a die.
    Raises:
        MissingError: pressure without a material
    Source: ``service.calc.local_buckling``.
    """
    material = tube.material
    if material is None and given.pressure > 0:
        raise MissingError("material_for_pressure_missing", ("tube", "material"))
    poisson = material.poisson_ratio if material else 0.3
    curvature = buckling.brazier_curvature(tube, poisson)
    moment = None
    if material is not None:
        moment = buckling.brazier_limit(tube, material.elastic_modulus, poisson).moment
    rows = tuple(_kink(tube, name, made) for name, made in _kinks(tube, given, poisson).items())
    return UnsupportedTube(rows, curvature, 1 / curvature, moment)


def _kinks(tube: Tube, given: Unsupported, poisson: float) -> dict[str, Callable[[], float]]:
    modulus = tube.material.elastic_modulus if tube.material else 1.0
    yield_strength = tube.material.yield_strength if tube.material else None
    p = given.pressure
    found: dict[str, Callable[[], float]] = {
        "kink-bending-strain": lambda: buckling.bending_strain_limit(tube),
        "kink-gresnigt": lambda: buckling.gresnigt_strain(tube, modulus, p),
        "kink-csa": lambda: buckling.csa_strain(tube, modulus, p, yield_strength).strain,
        "kink-ala": lambda: buckling.ala_strain(tube, modulus, p),
        "buckling-elastic": lambda: buckling.elastic_buckling_strain(tube, poisson),
    }
    ratio, exponent = given.yield_to_tensile, given.exponent
    if ratio is not None:
        # without a burst pressure the method has no pressure term; left out, it errs low
        found["kink-dnv"] = lambda: buckling.dnv_strain(tube, ratio)
    if exponent is not None:
        found["buckling-plastic"] = lambda: buckling.plastic_buckling_strain(tube, exponent)
    return found


def _kink(tube: Tube, name: str, strain_of: Callable[[], float]) -> KinkRow:
    try:
        strain = strain_of()
    except OutOfRangeError:
        return KinkRow(name, None, None)
    if not 0 < strain < 1:  # a formula far outside what it was fitted to
        return KinkRow(name, None, None)
    return KinkRow(name, strain, tube.outside_diameter / (2 * strain))


# --- methods and findings -----------------------------------------------------------------------


def _methods(rows: Sequence[BendForm], free: UnsupportedTube) -> list[str]:
    used: list[str] = []
    for row in rows:
        used += [wall.method for wall in row.walls if wall.outside is not None]
        used += [shift.method for shift in row.neutral_axis]
        used += [row.ovality.method] if row.ovality else []
        used += [limit.method for limit in row.ovality_limits]
        used += [limit.method for limit in row.wall_limits]
        used.append("bend-pressure-factor")
    if any(row.measured and row.measured.ovality_of_nominal is not None for row in rows):
        used += ["ovality-of-nominal", "ovality-of-mean"]
    used.append("brazier-flattening")
    used += [row.method for row in free.indicators if row.strain is not None]
    return used


def _findings(
    rows: Sequence[BendForm],
    free: UnsupportedTube,
    measured: dict[int, MeasuredBend],
    job: _Job,
) -> list[Finding]:
    found = _ovality_findings(rows)
    if not rows:
        return found
    tightest = min(rows, key=lambda row: row.bend_ratio)
    found += _range_findings(rows, tightest, job)
    found += _kink_findings(tightest, free)
    if job.case.required_wall is not None:
        found += _wall_source_findings(rows, job)
    for row in rows:
        found += _limit_findings(row, job.severity)
        found += _measured_findings(row, measured.get(row.bend), job)
    return found


def _ovality_findings(rows: Sequence[BendForm]) -> list[Finding]:
    """Say once that no method gives the ovality, and of how many bends it was not measured."""
    without = [row for row in rows if row.ovality is None]
    if not without:
        return []
    bare = [r for r in without if r.measured is None or r.measured.ovality_of_nominal is None]
    if not bare:
        return [Finding("ovality_from_measures_only", "ok", values={"count": len(without)})]
    values = {"count": len(without), "not_measured": len(bare)}
    return [Finding("no_ovality_method", "needs_care", values=values)]


def _range_findings(rows: Sequence[BendForm], tightest: BendForm, job: _Job) -> list[Finding]:
    found = []
    theory = METHOD_IDS["deformation_theory"]
    for row in rows:
        if any(wall.method == theory and wall.outside is None for wall in row.walls):
            value = Amount(row.bend_ratio, "ratio")
            found.append(Finding("deformation_theory_silent", "ok", row.bend, value))
            break
    if job.stretch > 0:
        value = Amount(job.stretch, "percent")
        found.append(Finding("deformation_theory_without_stretch", "ok", value=value))
    table = job.case.wall_table
    silent = wall_factor_before_bending(tightest.bend_ratio, table) is None
    if "asme-b31-1" in job.case.standards and table and silent:
        value, limit = Amount(tightest.bend_ratio, "ratio"), Amount(table[0].bend_ratio, "ratio")
        found.append(Finding("wall_table_silent", "needs_care", tightest.bend, value, limit))
    return found


def _kink_findings(tightest: BendForm, free: UnsupportedTube) -> list[Finding]:
    """State how far past a free tube's limit the tightest bend is; information, no verdict."""
    strains = [row.strain for row in free.indicators if row.strain is not None]
    if not strains or tightest.fibre_strain <= min(strains):
        return []
    value, limit = Amount(tightest.fibre_strain, "percent"), Amount(min(strains), "percent")
    return [Finding("unsupported_kink", "ok", value=value, limit=limit)]


def _wall_source_findings(rows: Sequence[BendForm], job: _Job) -> list[Finding]:
    found = []
    if not job.case.deduction.has_tolerance:
        found.append(Finding("wall_tolerance_not_given", "needs_care"))
    after = [limit for row in rows for limit in row.wall_limits if limit.place != "before_bending"]
    if any(not limit.measured for limit in after):
        found.append(Finding("wall_estimated", "needs_care"))
    return found


def _limit_findings(row: BendForm, severity: Severity) -> list[Finding]:
    found = []
    for limit in row.ovality_limits:
        if limit.verdict == "outside" and limit.value is not None:
            value, most = Amount(limit.value, "percent"), Amount(limit.limit, "percent")
            code = f"ovality_above_{limit.standard.replace('-', '_')}"
            found.append(Finding(code, severity, row.bend, value, most))
    for wall in row.wall_limits:
        value = Amount(wall.value, "length")
        if wall.verdict == "outside" and wall.limit is None:
            found.append(Finding("no_wall_for_bend", severity, row.bend, value))
        elif wall.verdict == "outside" and wall.limit is not None:
            least = Amount(wall.limit, "length")
            code = f"wall_{wall.place}_below_{wall.standard.replace('-', '_')}"
            found.append(Finding(code, severity, row.bend, value, least))
    return found


def _measured_findings(row: BendForm, one: MeasuredBend | None, job: _Job) -> list[Finding]:
    """A wall thinner than both bounds allow: the tools stretched the tube, or it is eccentric."""
    if one is None or one.wall_outside is None:
        return []
    tube = replace(job.tube, wall_thickness=job.case.deduction.least_wall(job.tube.wall_thickness))
    bound = wall_after_bending("held", tube, row.radius, OUTSIDE, job.stretch)
    if one.wall_outside >= bound:
        return []
    value, limit = Amount(one.wall_outside, "length"), Amount(bound, "length")
    return [Finding("wall_below_bound", "needs_care", row.bend, value, limit)]
