"""What named standards allow a bend: its ovality, its wall before and after bending.

Standards define ovality differently, so each limit carries its definition. A limit that its
standard does not state for this bend is ``not_covered``, never passed; one for which nothing was
measured or given is ``unknown``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

from service.calc.bend_wall import (
    NO_DEDUCTION,
    ROUNDING,
    MeasuredBend,
    WallDeduction,
    bend_factors,
)
from service.calc.tube_pressure import code_coefficient, code_pressure, code_wall
from service.errors import Amount, OutOfRangeError
from service.model import Method, Trust, Tube, WallAllowance

Definition = Literal["of_nominal_diameter", "of_mean_diameter", "flattened_from_nominal"]
Verdict = Literal["within", "outside", "unknown", "not_covered"]
Place = Literal["before_bending", "outside", "inside"]
PressureSide = Literal["internal", "external"]
Head = tuple[str, str, Trust]  # standard, method, trust
STANDARDS = ("asme-b31-3", "asme-b31-1", "iacs-ur-p1", "ibr-361", "faa-aircraft-maintenance")

# Flattening of B31.3 by the side the pressure acts on; recalled from memory.
FLATTENING_LIMITS = {"internal": 0.08, "external": 0.03}
# Flattened minor diameter at least 75 % of the original.
LARGEST_MINOR_LOSS = 0.25
LARGEST_IACS_DIAMETER_RATIO = 1.7

METHODS = (
    Method(
        "ovality-of-nominal",
        "Ovality of the nominal diameter",
        "u = (Dmax − Dmin)/D",
        "D nominal outside diameter; both diameters from one section",
        ("asme-b31-3", "asme-b16-49", "ibr-361"),
    ),
    Method(
        "ovality-of-mean",
        "Ovality of the mean diameter (definition from memory)",
        "u = 2(Dmax − Dmin)/(Dmax + Dmin)",
        "both diameters from one section",
        ("en-12952-3", "en-13480-4"),
    ),
    Method(
        "limit-b31-3-flattening",
        "Flattening allowed by ASME B31.3 332.2.1 (from memory)",
        "(Dmax − Dmin)/D ≤ 8 % under internal, 3 % under external pressure",
        "process piping; limits recalled, check a copy of the code",
        ("asme-b31-3",),
    ),
    Method(
        "limit-ibr-361",
        "Ovality allowed by the Indian Boiler Regulations, 361(b)",
        "100·(Dmax − Dmin)/D ≤ 20·D/R",
        "boiler tube",
        ("ibr-361",),
    ),
    Method(
        "limit-faa-minor-diameter",
        "Flattening tolerated in US aircraft maintenance (restated)",
        "Dmin ≥ 75 % of D",
        "aircraft fluid lines; a very loose limit",
        ("faa-aircraft-maintenance",),
    ),
    Method(
        "limit-b31-1-wall-before-bending",
        "Wall before bending recommended by ASME B31.1 Table 102.4.5",
        "least wall before bending ≥ factor·t_m; R ≥ 6 D 1.06, 5 D 1.08, 4 D 1.14, 3 D 1.25, "
        "linear between",
        "R from 3 D; a recommendation; t_m with allowances; below 3 D the table says nothing",
        ("asme-b31-1", "ufc-4-159-01"),
    ),
    Method(
        "limit-iacs-p1-bending-allowance",
        "Bending allowance of IACS UR P1",
        "wall before bending ≥ t0 + b + c, b = (1/2.5)·(D/R)·t0",
        "D/d up to 1.7; where b is not determined more accurately",
        ("iacs-ur-p1",),
    ),
    Method(
        "limit-b31-3-bend-wall",
        "Wall of the finished bend that ASME B31.3 304.2.1 needs",
        "t_I = I·t0/(1 + 2(t0/D)·Y·(I − 1)), wall ≥ t_I + c; as Lamé from D/6 on",
        "(3c) with the pressure of the straight wall t0; Y = 0.4 for ductile metal, t0 < D/6",
        ("asme-b31-3", "derived-here"),
    ),
)


class OvalityLimit(NamedTuple):
    """One limit on ovality; ``margin`` is the share of the limit that is left."""

    standard: str
    method: str
    definition: Definition
    trust: Trust
    value: float | None
    limit: float
    margin: float | None
    verdict: Verdict


class WallLimit(NamedTuple):
    """One limit on a wall; mm, ``margin`` is what exceeds the limit as a share of it.

    ``factor`` is what the standard multiplies the straight wall with; ``measured`` says whether
    ``value`` was measured.
    """

    standard: str
    method: str
    place: Place
    trust: Trust
    factor: float | None
    value: float
    measured: bool
    limit: float | None
    margin: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class LimitCase:
    """What the limits are held against.

    Arguments:
        required_wall: t0, pressure design thickness of the straight tube without allowances, mm
        deduction: wall tolerance and corrosion allowance
        pressure_side: side that the pressure acts on
        standards: ids of the standards to compare with
        wall_table: rows of ASME B31.1 Table 102.4.5 by rising R/D
    """

    required_wall: float | None = None
    deduction: WallDeduction = NO_DEDUCTION
    pressure_side: PressureSide = "internal"
    standards: Sequence[str] = STANDARDS
    wall_table: Sequence[WallAllowance] = ()


def ovality_of_nominal(largest: float, least: float, outside_diameter: float) -> float:
    """Ovality (Dmax − Dmin)/D of the nominal outside diameter; mm in, fraction out.

    Source: ASME B16.49, Indian Boiler Regulations 361(b); ASME B31.3.
    """
    return (largest - least) / outside_diameter


def ovality_of_mean(largest: float, least: float) -> float:
    """Ovality 2(Dmax − Dmin)/(Dmax + Dmin) of the mean diameter; mm in, fraction out.

    Source: EN 12952, EN 13480-4 (both from memory).
    """
    return 2 * (largest - least) / (largest + least)


def wall_factor_before_bending(
    bend_ratio: float, wall_table: Sequence[WallAllowance]
) -> float | None:
    """Factor on t_m that the wall before bending must reach; None where the table says nothing.

    Linear between its rows; the last row holds for its R/D and more.

    Arguments:
        bend_ratio: R/D
        wall_table: rows by rising R/D

    Source: ASME B31.1 Table 102.4.5 (interpolation allowed there).
    """
    if not wall_table or bend_ratio < wall_table[0].bend_ratio * (1 - ROUNDING):
        return None
    for low, high in pairwise(wall_table):
        if bend_ratio < high.bend_ratio:
            share = (bend_ratio - low.bend_ratio) / (high.bend_ratio - low.bend_ratio)
            step = high.wall_factor_before_bending - low.wall_factor_before_bending
            return low.wall_factor_before_bending + share * step
    return wall_table[-1].wall_factor_before_bending


def wall_needed_in_bend(
    outside_diameter: float, straight_wall: float, factor: float
) -> float | None:
    """Wall that a bend needs where the straight tube needs ``straight_wall``, mm.

    The pressure of the straight wall by (3a), put into (3c) t = PD/(2(S/I + PY)); the stress
    cancels: t_I = I·t/(1 + 2(t/D)·Y·(I − 1)) while both walls are below D/6.

    Arguments:
        outside_diameter: D, mm
        straight_wall: t, pressure design thickness of the straight tube, mm, below D/2
        factor: I at this place of the bend

    Returns:
        mm; None where no wall below D/2 does
    Raises:
        OutOfRangeError: t ≥ D/2
    Source: ASME B31.3 304.2.1 (3c); 304.1.2 (3a) as restated.
    """
    coefficient = code_coefficient(outside_diameter, straight_wall)
    pressure = code_pressure(outside_diameter, straight_wall, 1.0, coefficient)
    return code_wall(outside_diameter, pressure, 1.0 / factor)


def iacs_bending_allowance(outside_diameter: float, radius: float, straight_wall: float) -> float:
    """Bending allowance b = (1/2.5)·(D/R)·t0, mm.

    Arguments:
        outside_diameter: D, mm
        radius: R, mm
        straight_wall: t0, mm

    Source: IACS UR P1 (rev 5), P1.2.2.
    """
    return outside_diameter / radius / 2.5 * straight_wall


def ibr_ovality_limit(outside_diameter: float, radius: float) -> float:
    """Largest ovality 0.2·D/R, a fraction of D; D and R in mm.

    Source: Indian Boiler Regulations, regulation 361(b).
    """
    return 0.2 * outside_diameter / radius


def ovality_limits(
    tube: Tube, radius: float, measured: MeasuredBend | None, case: LimitCase
) -> tuple[OvalityLimit, ...]:
    """Compare a bend's measured ovality with every limit that the case names.

    Arguments:
        tube: D, mm
        radius: R, mm, above D/2
        measured: the bend's measures; without diameters every verdict is ``unknown``
        case: standards and side of the pressure
    """
    od = tube.outside_diameter
    of_nominal, flattened = None, None
    if measured and measured.largest_diameter is not None and measured.least_diameter is not None:
        largest, least = measured.largest_diameter, measured.least_diameter
        of_nominal = ovality_of_nominal(largest, least, od)
        flattened = (od - least) / od
    rows: tuple[tuple[str, str, Definition, Trust, float | None, float], ...] = (
        (
            "asme-b31-3",
            "limit-b31-3-flattening",
            "of_nominal_diameter",
            "memory",
            of_nominal,
            FLATTENING_LIMITS[case.pressure_side],
        ),
        (
            "ibr-361",
            "limit-ibr-361",
            "of_nominal_diameter",
            "verified",
            of_nominal,
            ibr_ovality_limit(od, radius),
        ),
        (
            "faa-aircraft-maintenance",
            "limit-faa-minor-diameter",
            "flattened_from_nominal",
            "restated",
            flattened,
            LARGEST_MINOR_LOSS,
        ),
    )
    return tuple(_ovality_limit(*row) for row in rows if row[0] in case.standards)


def _ovality_limit(
    standard: str,
    method: str,
    definition: Definition,
    trust: Trust,
    value: float | None,
    limit: float,
) -> OvalityLimit:
    margin = None if value is None else (limit - value) / limit
    verdict = _verdict(margin)
    return OvalityLimit(standard, method, definition, trust, value, limit, margin, verdict)


def wall_limits(
    tube: Tube,
    radius: float,
    walls: tuple[float, float],
    measured: MeasuredBend | None,
    case: LimitCase,
) -> tuple[WallLimit, ...]:
    """Compare the wall before and after bending with every limit that the case names.

    Arguments:
        tube: D and t, mm
        radius: R, mm, above D/2
        walls: least wall expected on the outside and on the inside of the bend, mm
        measured: the bend's measures; a measured wall takes the place of the expected one
        case: the wall that pressure needs, deductions, standards

    Raises:
        OutOfRangeError: a needed wall of half the diameter or more
    """
    check_required_wall(tube, case.required_wall)
    found: list[WallLimit] = []
    if "asme-b31-1" in case.standards:
        found.append(_table_limit(tube, radius, case))
    if "iacs-ur-p1" in case.standards:
        found.append(_iacs_limit(tube, radius, case))
    if "asme-b31-3" in case.standards:
        found += _bend_limits(tube, radius, walls, measured, case)
    return tuple(found)


def check_required_wall(tube: Tube, required: float | None) -> None:
    """Refuse a needed wall of half the diameter or more.

    Arguments:
        tube: D, mm
        required: t0, mm; None where none is given

    Raises:
        OutOfRangeError: 2·t0 ≥ D
    """
    if required is not None and 2 * required >= tube.outside_diameter:
        limit = Amount(tube.outside_diameter / 2, "length")
        parts = {"value": Amount(required, "length"), "limit": limit}
        raise OutOfRangeError("wall_not_below_half_diameter", ("required_wall",), parts)


def _table_limit(tube: Tube, radius: float, case: LimitCase) -> WallLimit:
    factor = wall_factor_before_bending(radius / tube.outside_diameter, case.wall_table)
    value = case.deduction.least_wall(tube.wall_thickness)
    limit = None
    if factor is not None and case.required_wall is not None:
        limit = factor * (case.required_wall + case.deduction.corrosion_allowance)
    head: Head = ("asme-b31-1", "limit-b31-1-wall-before-bending", "verified")
    return _wall_limit(head, "before_bending", factor, value, limit, covered=factor is not None)


def _iacs_limit(tube: Tube, radius: float, case: LimitCase) -> WallLimit:
    value, needed = case.deduction.least_wall(tube.wall_thickness), case.required_wall
    covered = tube.outside_diameter <= LARGEST_IACS_DIAMETER_RATIO * tube.inside_diameter
    factor = 1 + iacs_bending_allowance(tube.outside_diameter, radius, 1.0)
    limit = None
    if needed is not None and covered:
        limit = factor * needed + case.deduction.corrosion_allowance
    head: Head = ("iacs-ur-p1", "limit-iacs-p1-bending-allowance", "verified")
    return _wall_limit(head, "before_bending", factor, value, limit, covered=covered)


def _bend_limits(
    tube: Tube,
    radius: float,
    walls: tuple[float, float],
    measured: MeasuredBend | None,
    case: LimitCase,
) -> list[WallLimit]:
    factors = bend_factors(tube, radius)
    sides: tuple[tuple[Place, float, float, float | None], ...] = (
        ("outside", factors.outside, walls[0], measured.wall_outside if measured else None),
        ("inside", factors.inside, walls[1], measured.wall_inside if measured else None),
    )
    head: Head = ("asme-b31-3", "limit-b31-3-bend-wall", "restated")
    found = []
    for place, factor, expected, gauged in sides:
        limit = None
        if case.required_wall is not None:
            needed = wall_needed_in_bend(tube.outside_diameter, case.required_wall, factor)
            limit = None if needed is None else needed + case.deduction.corrosion_allowance
        value = expected if gauged is None else gauged
        row = _wall_limit(head, place, factor, value, limit, measured=gauged is not None)
        if case.required_wall is not None and limit is None:
            row = row._replace(verdict="outside")  # no wall at all does
        found.append(row)
    return found


def _wall_limit(
    head: Head,
    place: Place,
    factor: float | None,
    value: float,
    limit: float | None,
    *,
    covered: bool = True,
    measured: bool = False,
) -> WallLimit:
    margin = None if limit is None else (value - limit) / limit
    verdict = _verdict(margin) if covered else "not_covered"
    standard, method, trust = head
    return WallLimit(
        standard, method, place, trust, factor, value, measured, limit, margin, verdict
    )


def _verdict(margin: float | None) -> Verdict:
    if margin is None:
        return "unknown"
    return "within" if margin >= -ROUNDING else "outside"
