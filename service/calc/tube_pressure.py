"""Pressure that a straight tube bears, and the wall that a pressure needs, by named formulas.

Each takes the wall with all deductions made. Stress is what the caller allows; quality and weld
factors are in it.
"""

from __future__ import annotations

import math

from service.errors import Amount, OutOfRangeError
from service.model import Method

LARGEST_THIN_DIAMETER_RATIO = 1.7
# B31.3 takes this coefficient for ductile metal up to 482 °C while t < D/6.
DUCTILE_COEFFICIENT = 0.4

METHODS = (
    Method(
        "pressure-barlow",
        "Barlow's formula",
        "p = 2St/D",
        "thin tube; below Lamé's pressure for every wall",
        ("barlow",),
    ),
    Method(
        "pressure-mean-diameter",
        "Mean-diameter formula",
        "p = 2St/(D − t)",
        "D/d up to 1.7",
        ("iacs-ur-p1", "en-13480-3"),
    ),
    Method(
        "pressure-boardman",
        "Boardman's formula",
        "p = 2St/(D − 0.8t)",
        "t below D/6; equals (3a) of ASME B31.3 with Y = 0.4",
        ("boardman",),
    ),
    Method(
        "pressure-lame",
        "Lamé's formula, hoop stress at the bore",
        "p = S(D² − d²)/(D² + d²)",
        "elastic, every wall",
        ("lame",),
    ),
    Method(
        "pressure-b31-3",
        "Straight tube by ASME B31.3 304.1.2 (3a)",
        "p = 2SEWt/(D − 2Yt), Y = 0.4 while t < D/6, else d/(D + d) (from memory)",
        "ductile metal up to 482 °C; from t = D/6 on the code asks for special consideration",
        ("asme-b31-3",),
    ),
    Method(
        "pressure-en-13480",
        "Straight tube by EN 13480-3 6.1 (from memory)",
        "p = 2fzt/(D − t) up to D/d = 1.7, fz(D² − d²)/(D² + d²) above",
        "steel piping; f with the code's own factors comes from the caller",
        ("en-13480-3", "iacs-ur-p1"),
    ),
    Method(
        "first-yield-tresca",
        "First yield at the bore, closed ends, after Tresca",
        "p = (Y/2)(1 − d²/D²)",
        "round straight tube; Y the least yield strength",
        ("textbook-plasticity",),
    ),
    Method(
        "first-yield-mises",
        "First yield at the bore, closed ends, after von Mises",
        "p = (Y/√3)(1 − d²/D²)",
        "round straight tube; Y the least yield strength",
        ("textbook-plasticity",),
    ),
    Method(
        "full-plastic-pressure",
        "Full plastic pressure after von Mises",
        "p = (2Y/√3)·ln(D/d)",
        "round straight tube without hardening; Y the least yield strength",
        ("textbook-plasticity",),
    ),
    Method(
        "wall-barlow",
        "Wall by Barlow's formula",
        "t = pD/(2S)",
        "thin tube",
        ("barlow",),
    ),
    Method(
        "wall-b31-3",
        "Wall by ASME B31.3 304.1.2 (3a)",
        "t = pD/(2(SEW + pY)), Y = 0.4 while t < D/6; above as Lamé",
        "as the pressure by (3a)",
        ("asme-b31-3",),
    ),
    Method(
        "wall-en-13480",
        "Wall by EN 13480-3 6.1 (from memory)",
        "t = pD/(2fz + p) up to D/d = 1.7, (D/2)(1 − √((fz − p)/(fz + p))) above",
        "as the pressure by 6.1",
        ("en-13480-3", "iacs-ur-p1"),
    ),
    Method(
        "wall-lame",
        "Wall by Lamé's formula",
        "t = (D/2)(1 − √((S − p)/(S + p)))",
        "p below S",
        ("lame",),
    ),
    Method(
        "out-of-round-bending",
        "Hoop bending stress of an out-of-round tube",
        "σb/σm = 1.5u(D/t)/(1 + 0.5(1 − ν²)(p/E)(D/t)³), σm = pD/(2t), u = (Dmax − Dmin)/D",
        "elastic and local: it matters for fatigue under pulsing pressure, not for burst",
        ("haigh-1936", "derived-here"),
    ),
)


# --- pressure -----------------------------------------------------------------------------------


def barlow_pressure(outside_diameter: float, wall: float, stress: float) -> float:
    """Pressure p = 2St/D, MPa.

    Arguments:
        outside_diameter: D, mm
        wall: t, mm, all deductions made, below D/2
        stress: S, MPa

    Valid: thin tube; for every wall it lies below Lamé's.
    Source: textbook (from memory).
    """
    return 2 * stress * wall / outside_diameter


def mean_diameter_pressure(outside_diameter: float, wall: float, stress: float) -> float:
    """Pressure p = 2St/(D − t), MPa; arguments as ``barlow_pressure``.

    Valid: D/d ≤ 1.7.
    Source: IACS UR P1 P1.2.2; EN 13480-3 6.1 (from memory).
    """
    return 2 * stress * wall / (outside_diameter - wall)


def code_pressure(
    outside_diameter: float, wall: float, stress: float, coefficient: float = 0.4
) -> float:
    """Pressure p = 2St/(D − 2Yt), MPa; arguments as ``barlow_pressure``.

    Arguments:
        coefficient: Y of the code; 0.4 gives Boardman's formula

    Valid: Y = 0.4 while t < D/6; above see ``code_coefficient``.
    Source: ASME B31.3 304.1.2 (3a) (restated), solved for the pressure.
    """
    return 2 * stress * wall / (outside_diameter - 2 * coefficient * wall)


def lame_pressure(outside_diameter: float, wall: float, stress: float) -> float:
    """Pressure p = S(D² − d²)/(D² + d²), MPa, at hoop stress S at the bore.

    Arguments as ``barlow_pressure``.

    Valid: elastic, every wall.
    Source: Lamé; derived again here.
    """
    inside = outside_diameter - 2 * wall
    squares = outside_diameter**2 + inside**2
    return stress * 4 * wall * (outside_diameter - wall) / squares


def en_pressure(outside_diameter: float, wall: float, stress: float) -> float:
    """Pressure 2fzt/(D − t) up to D/d = 1.7, as Lamé above, MPa; f·z is ``stress``.

    Arguments as ``barlow_pressure``. The branches do not meet: at D/d = 1.7 the pressure falls by
    6 %, so that a slightly thinner wall can be given more.

    Source: EN 13480-3 6.1 (from memory); the branch above 1.7 derived from it.
    """
    if is_thin(outside_diameter, wall):
        return mean_diameter_pressure(outside_diameter, wall, stress)
    return lame_pressure(outside_diameter, wall, stress)


def is_thin(outside_diameter: float, wall: float) -> bool:
    """Whether D/d ≤ 1.7, to which the mean-diameter formula holds; D and t in mm."""
    return outside_diameter <= LARGEST_THIN_DIAMETER_RATIO * (outside_diameter - 2 * wall)


def code_coefficient(outside_diameter: float, wall: float) -> float:
    """Coefficient Y of ASME B31.3 for ductile metal: 0.4 while t < D/6, else d/(D + d), d = D − 2t.

    The code writes (d + 2c)/(D + d + 2c) with the diameter before corrosion; d here is that after
    it. At t = D/6 both branches give 0.4, and above, (3a) becomes Lamé's formula.

    Arguments:
        outside_diameter: D, mm
        wall: t, mm, all deductions made, below D/2

    Valid: ferritic, austenitic and other ductile metal up to 482 °C.
    Raises:
        OutOfRangeError: t ≥ D/2
    Source: ASME B31.3, table of Y (0.4 read; the branch t ≥ D/6 from memory).
    """
    if not 0 < 2 * wall < outside_diameter:
        limit = Amount(outside_diameter / 2, "length")
        parts = {"value": Amount(wall, "length"), "limit": limit}
        raise OutOfRangeError("wall_not_below_half_diameter", ("wall_thickness",), parts)
    if wall < outside_diameter / 6:
        return DUCTILE_COEFFICIENT
    inside = outside_diameter - 2 * wall
    return inside / (outside_diameter + inside)


# --- yielding -----------------------------------------------------------------------------------


def tresca_yield_pressure(outside_diameter: float, wall: float, yield_strength: float) -> float:
    """Pressure (Y/2)(1 − d²/D²) at first yield, closed ends, MPa.

    Arguments:
        outside_diameter, wall: D and t, mm
        yield_strength: Y, MPa

    Source: textbook (from memory).
    """
    share = 4 * wall * (outside_diameter - wall) / outside_diameter**2
    return yield_strength / 2 * share


def mises_yield_pressure(outside_diameter: float, wall: float, yield_strength: float) -> float:
    """Pressure (Y/√3)(1 − d²/D²) at first yield, closed ends, MPa.

    Arguments and source as ``tresca_yield_pressure``.
    """
    return 2 / math.sqrt(3) * tresca_yield_pressure(outside_diameter, wall, yield_strength)


def full_plastic_pressure(outside_diameter: float, wall: float, yield_strength: float) -> float:
    """Pressure (2Y/√3)·ln(D/d) at which the whole wall yields, MPa.

    Arguments and source as ``tresca_yield_pressure``.
    """
    thinned = math.log1p(-2 * wall / outside_diameter)
    return -2 / math.sqrt(3) * yield_strength * thinned


# --- wall ---------------------------------------------------------------------------------------


def code_wall(
    outside_diameter: float, pressure: float, stress: float, coefficient: float | None = None
) -> float | None:
    """Wall t = pD/(2(S + pY)), mm; None where no wall below D/2 does.

    Arguments:
        outside_diameter: D, mm
        pressure: p, MPa
        stress: S, MPa
        coefficient: Y; None follows the code: 0.4 while t < D/6, above as ``lame_wall``

    Source: ASME B31.3 304.1.2 (3a) (restated).
    """
    y = DUCTILE_COEFFICIENT if coefficient is None else coefficient
    wall = pressure * outside_diameter / (2 * (stress + pressure * y))
    if coefficient is None and wall >= outside_diameter / 6:
        return lame_wall(outside_diameter, pressure, stress)
    return wall if 2 * wall < outside_diameter else None


def en_wall(outside_diameter: float, pressure: float, stress: float) -> float | None:
    """Wall pD/(2fz + p) up to D/d = 1.7, above as ``lame_wall``, mm; f·z is ``stress``.

    Arguments as ``code_wall``. Source: EN 13480-3 6.1 (from memory).
    """
    wall = pressure * outside_diameter / (2 * stress + pressure)
    if is_thin(outside_diameter, wall):
        return wall
    return lame_wall(outside_diameter, pressure, stress)


def lame_wall(outside_diameter: float, pressure: float, stress: float) -> float | None:
    """Wall (D/2)(1 − √((S − p)/(S + p))), mm; None for p ≥ S, which no wall bears.

    Arguments as ``code_wall``. Source: Lamé; derived again here.
    """
    if pressure >= stress:
        return None
    return outside_diameter / 2 * (1 - math.sqrt((stress - pressure) / (stress + pressure)))


# --- out of round -------------------------------------------------------------------------------


def out_of_round_ratio(
    ovality: float,
    wall_factor: float,
    pressure: float,
    elastic_modulus: float,
    poisson_ratio: float = 0.3,
) -> float:
    """Hoop bending over membrane stress, σb/σm = 1.5u(D/t)/(1 + 0.5(1 − ν²)(p/E)(D/t)³).

    The pressure itself rounds the section, which the second term of the divisor counts.

    Arguments:
        ovality: u = (Dmax − Dmin)/D
        wall_factor: D/t
        pressure: p, MPa
        elastic_modulus: E, MPa
        poisson_ratio: ν

    Valid: elastic; a local stress that matters for fatigue, not for burst.
    Source: Haigh 1936; derived again here.
    """
    rounding = (1 - poisson_ratio**2) / 2 * pressure / elastic_modulus * wall_factor**3
    return 1.5 * ovality * wall_factor / (1 + rounding)
