"""Strain at which a long, free, unsupported tube would kink: indicators, never a verdict.

Everything here is for a tube that nothing supports from outside or inside. A bend made on a die
reaches outer fibre strains D/(2R) of 10 to 30 %, far above each of these limits, because the groove
of the die, the wiper and the mandrel hold the wall and keep the wave from growing. The figures show
how much a bend leans on its tools; they must not be used to accept or to refuse a tooled bend.

The pipeline formulas are recalled from memory and fitted to line pipe, mostly thinner than a bench
tube; check a current copy before relying on one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.calc.ranges import above_zero, outside_tube, zero_or_more
from service.errors import Amount, OutOfRangeError
from service.model import Finding, Method, Tube

# Gresnigt's formula changes its branch here; both branches give 1/600.
GRESNIGT_SLENDERNESS = 60.0
LARGEST_DNV_WALL_FACTOR = 45.0
# CSA Z662 counts the stiffening by pressure only up to this share of the yield strength.
CSA_HOOP_SHARE = 0.4
# Flattening δ/r at which Brazier's moment is greatest.
BRAZIER_FLATTENING = 2 / 9

METHODS = (
    Method(
        "brazier-flattening",
        "Flattening collapse of a free elastic tube",
        "ζ = (1 − ν²)·κ²·r⁴/t²; M = π·E·r³·t·κ·(1 − 1.5ζ); greatest at ζ = 2/9",
        "elastic, long, thin, free tube; not for plastic or mandrel-held bends",
        ("brazier-1927", "derived-here"),
    ),
    Method(
        "kink-gresnigt",
        "Compressive strain at kinking, buried line pipe",
        "ε = 0.25·t/r − 0.0025 + 3000·(p·r/(E·t))²·sgn p up to r/t = 60; 0.10·t/r above",
        "long unsupported line pipe; an indicator only, no criterion for a tooled bend",
        ("gresnigt-1986", "nen-3650"),
    ),
    Method(
        "kink-csa",
        "Compressive strain at kinking, pipeline code of Canada",
        "ε = 0.5·t/D − 0.0025 + 3000·(p·D/(2·t·E))², hoop stress counted up to 0.4·Y",
        "long unsupported line pipe, D/t up to 120; an indicator only",
        ("csa-z662",),
    ),
    Method(
        "kink-ala",
        "Compressive strain at kinking, buried pipe guideline",
        "ε = 0.75·[0.5·t/D′ − 0.0025 + 3000·(p·D/(2·E·t))²], D′ = D/(1 − 3·(D − Dmin)/D)",
        "long unsupported buried pipe; an indicator only",
        ("ala-2001",),
    ),
    Method(
        "kink-dnv",
        "Compressive strain at kinking, submarine pipeline standard",
        "ε = 0.78·(t/D − 0.01)·(1 + 5.75·p/p_b)·α_h^−1.5·α_gw",
        "long unsupported line pipe under displacement control, D/t up to 45; an indicator only",
        ("dnv-f101",),
    ),
    Method(
        "kink-bending-strain",
        "Bending strain at kinking, offshore practice",
        "ε = t/(2D)",
        "long unsupported line pipe; an indicator only",
        ("murphey-langner-1985", "api-rp-1111"),
    ),
    Method(
        "buckling-elastic",
        "Classical elastic buckling strain of a cylinder",
        "ε = t/(r·√(3·(1 − ν²)))",
        "perfect thin elastic cylinder in compression; real ones buckle far earlier",
        ("timoshenko-gere",),
    ),
    Method(
        "buckling-plastic",
        "Plastic bifurcation strain of a cylinder",
        "ε = (2/3)·√n·t/r",
        "perfect cylinder in compression, power-law hardening, deformation theory, ν = 1/2",
        ("gerard-batdorf", "derived-here"),
    ),
)


# --- Brazier ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BrazierLimit:
    """Where a free elastic tube collapses: κ (1/mm), M (N·mm) and flattening ζ = δ/r = 2/9."""

    curvature: float
    moment: float
    flattening: float


def brazier_flattening(tube: Tube, curvature: float, poisson_ratio: float = 0.3) -> float:
    """Flattening ζ = δ/r of a free elastic tube, ζ = (1 − ν²)·κ²·r⁴/t².

    Arguments:
        tube: D and t, mm; r is the mean radius (D − t)/2
        curvature: κ, 1/mm, 0 or more
        poisson_ratio: ν, 0 to 0.5

    Valid: elastic, long, thin, free tube, up to ζ = 2/9, where it collapses.
    Raises:
        OutOfRangeError: κ below 0 or past collapse, ν outside its range
    Source: Brazier 1927, derived again here.
    """
    zero_or_more(curvature, "curvature", "curvature")
    limit = brazier_curvature(tube, poisson_ratio)
    if curvature > limit:
        raise OutOfRangeError(
            "past_flattening_collapse",
            ("curvature",),
            {"value": Amount(curvature, "curvature"), "limit": Amount(limit, "curvature")},
        )
    return BRAZIER_FLATTENING * (curvature / limit) ** 2


def brazier_curvature(tube: Tube, poisson_ratio: float = 0.3) -> float:
    """Curvature at collapse, κ = √2·t/(3·r²·√(1 − ν²)), 1/mm.

    Arguments, validity and source as for ``brazier_flattening``.
    """
    zero_or_more(poisson_ratio, "poisson_ratio", "ratio", most=0.5)
    plate = math.sqrt(1 - poisson_ratio**2)
    return math.sqrt(2) * tube.wall_thickness / (3 * tube.mean_radius**2 * plate)


def brazier_moment(
    tube: Tube, elastic_modulus: float, curvature: float, poisson_ratio: float = 0.3
) -> float:
    """Moment of a free elastic tube that flattens, M = π·E·r³·t·κ·(1 − 1.5ζ), N·mm.

    Arguments:
        tube, curvature, poisson_ratio: as for ``brazier_flattening``
        elastic_modulus: E, MPa, above 0

    Valid and source as for ``brazier_flattening``.
    Raises:
        OutOfRangeError: an argument outside its range
    """
    above_zero(elastic_modulus, "elastic_modulus", "pressure")
    flattening = brazier_flattening(tube, curvature, poisson_ratio)
    stiffness = math.pi * elastic_modulus * tube.mean_radius**3 * tube.wall_thickness
    return stiffness * curvature * (1 - 1.5 * flattening)


def brazier_limit(tube: Tube, elastic_modulus: float, poisson_ratio: float = 0.3) -> BrazierLimit:
    """Collapse of a free elastic tube, M = (2√2/9)·π·E·r·t²/√(1 − ν²) at ζ = 2/9.

    Arguments, validity, errors and source as for ``brazier_moment``.
    """
    above_zero(elastic_modulus, "elastic_modulus", "pressure")
    curvature = brazier_curvature(tube, poisson_ratio)
    plate = math.sqrt(1 - poisson_ratio**2)
    hoop = math.pi * elastic_modulus * tube.mean_radius * tube.wall_thickness**2
    return BrazierLimit(curvature, 2 * math.sqrt(2) / 9 * hoop / plate, BRAZIER_FLATTENING)


# --- line pipe ----------------------------------------------------------------------------------


def gresnigt_strain(
    tube: Tube, elastic_modulus: float, pressure: float = 0.0, flattening: float = 0.0
) -> float:
    """Compressive strain at which free line pipe kinks, after Gresnigt.

    ε = 0.25·t/r′ − 0.0025 + 3000·(p·r/(E·t))²·sgn p for r′/t ≤ 60, and 0.10·t/r′ above, with
    r = D/2 and r′ = r/(1 − 3a/r).

    Arguments:
        tube: D and t, mm
        elastic_modulus: E, MPa, above 0
        pressure: p inside less outside, MPa; below 0 it lowers the strain. Must be 0 past r′/t = 60
        flattening: a, how far the radius is pressed in, (D − Dmin)/2, mm, 0 ≤ a < r/3

    Valid: long unsupported line pipe; never a criterion for a tooled bend.
    Raises:
        OutOfRangeError: an argument outside its range, or pressure that takes the strain below 0
    Source: Gresnigt, HERON 31-4 (1986); NEN 3650 (both from memory).
    """
    above_zero(elastic_modulus, "elastic_modulus", "pressure")
    radius = tube.outside_diameter / 2
    local = radius / _flattened(flattening, radius)
    slenderness = local / tube.wall_thickness
    if slenderness > GRESNIGT_SLENDERNESS:
        _check_no_pressure(pressure, slenderness)
        return 0.10 / slenderness
    hoop = pressure * radius / (elastic_modulus * tube.wall_thickness)
    strain = 0.25 / slenderness - 0.0025 + math.copysign(3000 * hoop**2, pressure)
    return _above_zero(strain, pressure)


@dataclass(frozen=True, slots=True)
class CsaStrain:
    """Compressive strain at kinking, and whether the hoop stress was counted only up to 0.4·Y."""

    strain: float
    hoop_capped: bool


def csa_strain(
    tube: Tube,
    elastic_modulus: float,
    pressure: float = 0.0,
    yield_strength: float | None = None,
) -> CsaStrain:
    """Compressive strain at which free line pipe kinks, after CSA Z662.

    ε = 0.5·t/D − 0.0025 + 3000·(p·D/(2·t·E))²; the formula itself counts the hoop stress p·D/(2t)
    only up to 0.4·Y, and the result says where it did.

    Arguments:
        tube: D and t, mm
        elastic_modulus: E, MPa, above 0
        pressure: p inside less outside, MPa, 0 or more
        yield_strength: Y, MPa, for the cap; without it nothing is capped

    Valid: long unsupported line pipe, D/t ≤ 120; never a criterion for a tooled bend.
    Raises:
        OutOfRangeError: an argument outside its range
    Source: CSA Z662, Annex C (from memory).
    """
    above_zero(elastic_modulus, "elastic_modulus", "pressure")
    zero_or_more(pressure, "pressure", "pressure")
    if tube.wall_factor > 120:
        raise _wall_factor_error(tube, 120)
    hoop = pressure * tube.wall_factor / 2
    cap = math.inf
    if yield_strength is not None:
        cap = CSA_HOOP_SHARE * above_zero(yield_strength, "yield_strength", "pressure")
    stiffening = 3000 * (min(hoop, cap) / elastic_modulus) ** 2
    return CsaStrain(0.5 * tube.wall_ratio - 0.0025 + stiffening, hoop > cap)


def ala_strain(
    tube: Tube, elastic_modulus: float, pressure: float = 0.0, flattening: float = 0.0
) -> float:
    """Compressive strain at which buried pipe kinks, after the American Lifelines Alliance.

    ε = 0.75·[0.5·t/D′ − 0.0025 + 3000·(p·D/(2·E·t))²], D′ = D/(1 − 3·(D − Dmin)/D).

    Arguments:
        tube, elastic_modulus: as for ``gresnigt_strain``
        pressure: p inside less outside, MPa, 0 or more
        flattening: (D − Dmin)/2, mm, below D/6

    Valid: long unsupported buried pipe; never a criterion for a tooled bend.
    Raises:
        OutOfRangeError: an argument outside its range, or a tube so flat or thin that nothing is
            left
    Source: American Lifelines Alliance 2001 (from memory).
    """
    above_zero(elastic_modulus, "elastic_modulus", "pressure")
    zero_or_more(pressure, "pressure", "pressure")
    share = _flattened(flattening, tube.outside_diameter / 2)
    hoop = pressure * tube.wall_factor / (2 * elastic_modulus)
    strain = 0.75 * (0.5 * tube.wall_ratio * share - 0.0025 + 3000 * hoop**2)
    return _above_zero(strain, pressure)


def dnv_strain(
    tube: Tube,
    yield_to_tensile: float,
    girth_weld_factor: float = 1.0,
    pressure: float = 0.0,
    burst_pressure: float | None = None,
) -> float:
    """Compressive strain at which free line pipe kinks under displacement control, after DNV.

    ε = 0.78·(t/D − 0.01)·(1 + 5.75·p/p_b)·α_h^−1.5·α_gw; no safety factor is in it. Older issues
    have 5·(hoop stress)/(yield) in the bracket instead.

    Arguments:
        tube: D and t, mm
        yield_to_tensile: α_h, largest ratio of yield to tensile strength, above 0, to 1
        girth_weld_factor: α_gw, above 0, to 1; 1 for a tube without girth weld
        pressure: p inside less outside, MPa, 0 or more
        burst_pressure: p_b, MPa, above 0; needed with a pressure

    Valid: long unsupported line pipe, D/t ≤ 45; never a criterion for a tooled bend.
    Raises:
        OutOfRangeError: an argument outside its range
    Source: DNV-ST-F101 (numbers from memory).
    """
    if tube.wall_factor > LARGEST_DNV_WALL_FACTOR:
        raise _wall_factor_error(tube, LARGEST_DNV_WALL_FACTOR)
    zero_or_more(pressure, "pressure", "pressure")
    for name, value in (
        ("yield_to_tensile", yield_to_tensile),
        ("girth_weld_factor", girth_weld_factor),
    ):
        above_zero(value, name, "ratio", most=1.0)
    stiffening = 0.0
    if pressure > 0:
        burst = above_zero(burst_pressure or 0.0, "burst_pressure", "pressure")
        stiffening = 5.75 * pressure / burst
    wall = 0.78 * (tube.wall_ratio - 0.01) * (1 + stiffening)
    return wall * math.pow(yield_to_tensile, -1.5) * girth_weld_factor


def bending_strain_limit(tube: Tube) -> float:
    """Bending strain t/(2D) at which free line pipe kinks.

    Arguments:
        tube: D and t, mm

    Valid: long unsupported line pipe; never a criterion for a tooled bend.
    Source: Murphey and Langner 1985; API RP 1111 (both from memory).
    """
    return tube.wall_ratio / 2


# --- cylinders ----------------------------------------------------------------------------------


def elastic_buckling_strain(tube: Tube, poisson_ratio: float = 0.3) -> float:
    """Classical elastic buckling strain t/(r·√(3·(1 − ν²))) of a cylinder, r = (D − t)/2.

    Arguments:
        tube: D and t, mm
        poisson_ratio: ν, 0 to 0.5

    Valid: perfect thin elastic cylinder; real ones buckle far earlier, and a tube yields first.
    Raises:
        OutOfRangeError: ν outside its range
    Source: Timoshenko and Gere (from memory).
    """
    zero_or_more(poisson_ratio, "poisson_ratio", "ratio", most=0.5)
    return tube.wall_thickness / (tube.mean_radius * math.sqrt(3 * (1 - poisson_ratio**2)))


def plastic_buckling_strain(tube: Tube, exponent: float) -> float:
    """Plastic bifurcation strain (2/3)·√n·t/r of a cylinder, r = (D − t)/2.

    Arguments:
        tube: D and t, mm
        exponent: n of σ = K·εⁿ, above 0, to 1

    Valid: perfect cylinder in compression, deformation theory, ν = 1/2, well past yield.
    Raises:
        OutOfRangeError: n outside its range
    Source: Gerard; Batdorf (from memory); this form derived here.
    """
    above_zero(exponent, "exponent", "ratio", most=1.0)
    return 2 / 3 * math.sqrt(exponent) * tube.wall_thickness / tube.mean_radius


# --- all together -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KinkIndicator:
    """One method's strain at kinking, and the strain of the bend as a multiple of it."""

    method: str
    strain: float
    times_exceeded: float


@dataclass(frozen=True, slots=True)
class KinkIndicators:
    """How far a bend is past what a free tube would stand; ``fibre_strain`` is D/(2R)."""

    fibre_strain: float
    indicators: tuple[KinkIndicator, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def unsupported_kink(
    tube: Tube, radius: float, poisson_ratio: float = 0.3, exponent: float | None = None
) -> KinkIndicators:
    """Compare a bend's fibre strain D/(2R) with what an unsupported tube would stand.

    Line pipe after ``kink-bending-strain``, elastic and, with n, plastic buckling of a cylinder.
    The finding says what the figure is worth; it is no verdict, whatever the figure.

    Arguments:
        tube: D and t, mm
        radius: centre-line radius R, mm, above D/2
        poisson_ratio: ν, 0 to 0.5
        exponent: n of σ = K·εⁿ, if known

    Valid: as a measure of how much a bend relies on die, wiper and mandrel.
    Raises:
        OutOfRangeError: an argument outside its range
    Source: those of the single methods.
    """
    strain = tube.outside_diameter / (2 * outside_tube(radius, tube))
    limits = {
        "kink-bending-strain": bending_strain_limit(tube),
        "buckling-elastic": elastic_buckling_strain(tube, poisson_ratio),
    }
    if exponent is not None:
        limits["buckling-plastic"] = plastic_buckling_strain(tube, exponent)
    return KinkIndicators(
        fibre_strain=strain,
        indicators=tuple(KinkIndicator(m, e, strain / e) for m, e in limits.items()),
        methods=tuple(limits),
        findings=tuple(_kink_findings(strain, min(limits.values()))),
    )


def _kink_findings(strain: float, least: float) -> list[Finding]:
    """State the excess as information; its severity never rises above that."""
    if strain <= least:
        return []
    value, limit = Amount(strain, "percent"), Amount(least, "percent")
    return [Finding("unsupported_kink", "ok", value=value, limit=limit)]


# --- checks -------------------------------------------------------------------------------------


def _flattened(flattening: float, radius: float) -> float:
    """1 − 3a/r, the share of t/r that a flattened tube keeps."""
    if not 0 <= flattening < radius / 3:
        raise OutOfRangeError(
            "flattening_out_of_range",
            ("flattening",),
            {"value": Amount(flattening, "length"), "limit": Amount(radius / 3, "length")},
        )
    return 1 - 3 * flattening / radius


def _above_zero(strain: float, pressure: float) -> float:
    if not strain > 0:
        raise OutOfRangeError(
            "kink_strain_not_above_zero",
            ("pressure",),
            {"value": Amount(strain, "ratio"), "pressure": Amount(pressure, "pressure")},
        )
    return strain


def _check_no_pressure(pressure: float, slenderness: float) -> None:
    if pressure != 0:
        raise OutOfRangeError(
            "pressure_without_method",
            ("pressure",),
            {
                "value": Amount(pressure, "pressure"),
                "slenderness": Amount(slenderness, "ratio"),
                "limit": Amount(GRESNIGT_SLENDERNESS, "ratio"),
            },
        )


def _wall_factor_error(tube: Tube, most: float) -> OutOfRangeError:
    parts = {"value": Amount(tube.wall_factor, "ratio"), "limit": Amount(most, "ratio")}
    return OutOfRangeError("wall_factor_out_of_range", ("wall_thickness",), parts)
