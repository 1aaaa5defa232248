"""Mechanics of a round tube in bending: section, bending moment, springback, die torque.

The bend is taken as a circular arc of the whole tube in pure bending. Plane sections stay plane and
round, the axis of zero strain passes through the centroid, and a fibre's stress depends on its own
strain alone. Ovality, wall change and the friction at the tools are left out.

**Strain measure.** A fibre at y from the centroid has the engineering strain y/R. Past an outer
fibre strain D/(2R) of 10 % the default ``strain="auto"`` takes the true strain ln(1 + y/R) instead
and says so; ``"engineering"`` and ``"true"`` force one. With true strain the two halves of the
section differ; the axis is kept at the centroid, so that a small axial force remains in the
section. Moving the axis until that force vanishes changes the moment in the second order only: by
less than 0.03 % in a 3 D bend and 0.25 % in a 1 D bend for a power law with n up to 0.5 (derived
here).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from service.calc.flow_curve import (
    PROOF_STRAIN,
    Array,
    FlowCurve,
    coefficient,
    unchecked_stress,
    yield_of,
)
from service.calc.ranges import above_zero, outside_tube, zero_or_more
from service.errors import Amount, OutOfRangeError, Pointer
from service.model import Finding, Method, Tube

Measure = Literal["engineering", "true"]
StrainChoice = Literal["auto", "engineering", "true"]

# Outer fibre strain past which engineering and true strain differ enough to matter (5 % of it).
LARGE_STRAIN = 0.10
# Curvatures taken at once in the quadrature: keeps each of its arrays near 1 MB.
CHUNK = 512

METHODS = (
    Method(
        "tube-section",
        "Section of a round tube",
        "A = π(D² − d²)/4; I = π(D⁴ − d⁴)/64; Z = 2I/D; Zp = (D³ − d³)/6",
        "round tube of even wall",
        ("textbook-mechanics",),
    ),
    Method(
        "moment-perfectly-plastic",
        "Bending moment, elastic–perfectly plastic",
        "M = m(D/2) − m(d/2); m(r) = Y·r³·{asin(s)/(2s) + √(1 − s²)·(5 − 2s²)/6}, s = Y·R/(E·r)",
        "pure bending; no strain hardening, hence a lower bound for moment and springback",
        ("derived-here", "textbook-mechanics"),
    ),
    Method(
        "moment-bilinear",
        "Bending moment, bilinear hardening",
        "M = (1 − Et/E)·M(perfectly plastic) + Et·I/R",
        "pure bending; tangent modulus from the caller's own test",
        ("derived-here", "caller"),
    ),
    Method(
        "moment-hollomon",
        "Bending moment, power law",
        "σ = min(E·ε, K·εⁿ), integrated over the section; closed form for the power law alone",
        "pure bending; K and n from the caller's own test, within the strain it reached",
        ("hollomon-1945", "derived-here", "caller"),
    ),
    Method(
        "moment-swift",
        "Bending moment, power law with prestrain",
        "σ = min(E·ε, K·(ε0 + ε)ⁿ), integrated over the section",
        "pure bending; K, n and ε0 from the caller's own test, within the strain it reached",
        ("swift-1952", "derived-here", "caller"),
    ),
    Method(
        "moment-ludwik",
        "Bending moment, power law above yield",
        "σ = min(E·ε, Y + K·(ε − Y/E)ⁿ), integrated over the section",
        "pure bending; Y, K and n from the caller's own test, within the strain it reached",
        ("ludwik-1909", "derived-here", "caller"),
    ),
    Method(
        "moment-ramberg-osgood",
        "Bending moment, smooth knee",
        "ε = σ/E + 0.002·(σ/σ0.2)^N, integrated over the section",
        "pure bending; σ0.2 and N from the caller's own test, within the strain it reached",
        ("ramberg-osgood-1943", "derived-here", "caller"),
    ),
    Method(
        "true-fibre-strain",
        "True strain of a fibre",
        "ε = ln(1 + y/R), axis of zero strain through the centroid",
        "outer fibre strain D/(2R) above 10 %; R above D/2",
        ("derived-here",),
    ),
    Method(
        "springback-elastic-unloading",
        "Springback by elastic unloading",
        "1/Rf = 1/R0 − M/(E·I); θf = K·θ0 − a, K = R0/Rf = 1 − M·R0/(E·I)",
        "arc length kept, unloading elastic; a is the shop's own constant from a trial bend",
        ("timoshenko", "marciniak-duncan-hu", "derived-here"),
    ),
    Method(
        "die-torque",
        "Torque and work at the bend die",
        "T = M + F·R; W = T·θ",
        "statics; F is the axial pull of pressure-die friction and mandrel drag",
        ("textbook-mechanics",),
    ),
    Method(
        "sheet-springback",
        "Springback of a flat strip, for comparison only",
        "R0/Rf = 4x³ − 3x + 1, x = R0·Y/(E·T)",
        "elastic–perfectly plastic rectangle, 0 ≤ x ≤ 1/2; not for tube",
        ("marciniak-duncan-hu", "derived-here"),
    ),
)


# --- section ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SectionProperties:
    """Section of a round tube about any diameter.

    Arguments:
        area: A, mm²
        second_moment: I, mm⁴
        section_modulus: Z = 2I/D, mm³
        plastic_modulus: Zp, mm³
        shape_factor: Zp/Z; 4/π for a thin tube, 16/(3π) for a solid bar
    """

    area: float
    second_moment: float
    section_modulus: float
    plastic_modulus: float
    shape_factor: float

    def first_yield_moment(self, yield_strength: float) -> float:
        """Moment Y·Z at which the outermost fibre yields, N·mm; Y in MPa, above 0."""
        return above_zero(yield_strength, "yield_strength", "pressure") * self.section_modulus

    def full_plastic_moment(self, flow_stress: float) -> float:
        """Moment σ·Zp of a section wholly at one flow stress, N·mm; σ in MPa, above 0."""
        return above_zero(flow_stress, "flow_stress", "pressure") * self.plastic_modulus


def section_properties(tube: Tube) -> SectionProperties:
    """Area, second moment, elastic and plastic modulus of a round tube.

    A = π(D² − d²)/4; I = π(D⁴ − d⁴)/64; Z = 2I/D; Zp = (D³ − d³)/6. The differences of powers are
    taken in factors, so that a thin wall loses no digits.

    Arguments:
        tube: D and t in mm

    Valid: round tube of even wall.
    Source: any textbook on strength of materials.
    """
    outer, inner = tube.outside_diameter, tube.inside_diameter
    squares = 4 * tube.wall_thickness * (outer - tube.wall_thickness)
    second_moment = math.pi / 64 * squares * (outer * outer + inner * inner)
    section_modulus = 2 * second_moment / outer
    plastic_modulus = tube.wall_thickness * (outer * outer + outer * inner + inner * inner) / 3
    return SectionProperties(
        area=math.pi / 4 * squares,
        second_moment=second_moment,
        section_modulus=section_modulus,
        plastic_modulus=plastic_modulus,
        shape_factor=plastic_modulus / section_modulus,
    )


# --- bending moment -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BendingMoment:
    """Moment M (N·mm) that holds a tube at the radius R (mm).

    ``fibre_strain`` is D/(2R) of the outermost fibre, ``strain_measure`` what was integrated.
    """

    moment: float
    radius: float
    fibre_strain: float
    strain_measure: Measure
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def bending_moment(
    tube: Tube, curve: FlowCurve, radius: float, strain: StrainChoice = "auto"
) -> BendingMoment:
    """Bending moment of a tube held at the centre-line radius R; see ``moment``.

    Arguments:
        tube: D and t, mm
        curve: stress over strain, MPa
        radius: R, mm, above D/2; ``math.inf`` is a straight tube
        strain: which strain to integrate; "auto" takes true strain past a fibre strain of 10 %

    Raises:
        OutOfRangeError: R not above D/2
    """
    curvature = 1 / outside_tube(radius, tube)
    reach = tube.outside_diameter / 2 * curvature
    measure = _measure(curve, strain, reach)
    return BendingMoment(
        moment=moment(tube, curve, curvature, measure),
        radius=radius,
        fibre_strain=reach,
        strain_measure=measure,
        methods=_moment_methods(curve, measure),
        findings=tuple(_moment_findings(curve, measure, reach)),
    )


def moment(tube: Tube, curve: FlowCurve, curvature: float, strain: StrainChoice = "auto") -> float:
    """Bending moment M(κ) = ∫ σ(ε(y))·y dA of a round tube, N·mm.

    Closed forms with engineering strain for the perfectly plastic and the bilinear law, and for
    Hollomon's law alone (E infinite); otherwise Gauss–Legendre quadrature with a relative error
    below 1e-10 for walls down to D/100.

    Arguments:
        tube: D and t, mm
        curve: stress over strain, MPa
        curvature: κ = 1/R, 1/mm, 0 ≤ κ < 2/D
        strain: "auto", "engineering" or "true"; see the module

    Valid: pure bending of a tube that stays round, axis of zero strain through the centroid.
    Raises:
        OutOfRangeError: κ outside its range
    Source: the closed forms and the quadrature are derived here.
    """
    reach = _checked_reach(tube, curvature)
    if reach == 0:
        return 0.0
    measure = _measure(curve, strain, reach)
    closed = _closed_form(curve, measure)
    if closed is not None:
        return closed(tube, curve, curvature)
    return float(_integrated(tube, curve, np.array([curvature]), measure)[0])


def moments(
    tube: Tube, curve: FlowCurve, curvatures: ArrayLike, strain: StrainChoice = "auto"
) -> Array:
    """Bending moments of one tube at many curvatures; each as ``moment`` gives it.

    Arguments:
        tube, curve, strain: as for ``moment``
        curvatures: κ, 1/mm, shape (n,)

    Returns:
        M, N·mm, shape (n,)

    Raises:
        OutOfRangeError: a κ outside 0 ≤ κ < 2/D; the field holds its index
    """
    values = np.asarray(curvatures, dtype=float)
    reaches = tube.outside_diameter / 2 * values
    for index in np.flatnonzero(~((reaches >= 0) & (reaches < 1)))[:1]:
        raise _curvature_error(tube, float(values[index]), ("curvatures", int(index)))
    result = np.zeros_like(values)
    measures = np.array([_measure(curve, strain, reach) for reach in reaches], dtype=str)
    for measure in ("engineering", "true"):
        chosen = (measures == measure) & (values > 0)
        if chosen.any():
            result[chosen] = _many(tube, curve, values[chosen], measure)
    return result


def _many(tube: Tube, curve: FlowCurve, curvatures: Array, measure: Measure) -> Array:
    closed = _closed_form(curve, measure)
    if closed is not None:
        return np.array([closed(tube, curve, float(k)) for k in curvatures])
    parts = np.split(curvatures, range(CHUNK, len(curvatures), CHUNK))
    return np.concatenate([_integrated(tube, curve, part, measure) for part in parts])


def perfectly_plastic_moment(
    tube: Tube, yield_strength: float, elastic_modulus: float, curvature: float
) -> float:
    """Exact moment of an elastic–perfectly plastic tube, N·mm.

    With the elastic half depth c = Y/(E·κ) and s = c/r, a solid circle bears
    m(r) = Y·r³·{asin(s)/(2s) + √(1 − s²)·(5 − 2s²)/6} for s < 1 and Y·r³·π/(4s) above; the tube
    bears m(D/2) − m(d/2) at the same c.

    Arguments:
        tube: D and t, mm
        yield_strength, elastic_modulus: Y and E, MPa
        curvature: κ, 1/mm, above 0

    Valid: engineering strain, no hardening: a lower bound of the real moment.
    Source: derived here.
    """
    depth = yield_strength / (elastic_modulus * curvature)
    outer = _solid_perfectly_plastic(tube.outside_diameter / 2, depth)
    inner = _solid_perfectly_plastic(tube.inside_diameter / 2, depth)
    return yield_strength * (outer - inner)


def _solid_perfectly_plastic(radius: float, depth: float) -> float:
    """m(r)/Y of a solid circle with the elastic half depth ``depth``."""
    s = depth / radius
    if s >= 1:
        return radius**3 * math.pi / (4 * s)
    core = math.asin(s) / (2 * s) if s else 0.5  # the rigid limit of a vanishing core
    square = s * s
    return radius**3 * (core + math.sqrt(1 - square) * (5 - 2 * square) / 6)


def hollomon_moment(
    tube: Tube, strength_coefficient: float, exponent: float, curvature: float
) -> float:
    """Exact moment of a tube that follows σ = K·εⁿ from zero strain on, N·mm.

    M = 2√π·K·κⁿ·Γ(1 + n/2)/Γ(3/2 + n/2)·(r_o^(n+3) − r_i^(n+3))/(n + 3), r_o = D/2, r_i = d/2.

    Arguments:
        tube: D and t, mm
        strength_coefficient: K, MPa
        exponent: n, 0 < n ≤ 1
        curvature: κ, 1/mm

    Valid: engineering strain, well past yield; near yield the power law lies above the elastic
        line, and ``moment`` with a finite E keeps to the lower of the two.
    Source: derived here from the law of Hollomon 1945.
    """
    power = exponent + 3
    gammas = math.gamma(1 + exponent / 2) / math.gamma(1.5 + exponent / 2)
    outer, inner = tube.outside_diameter / 2, tube.inside_diameter / 2
    ring = (math.pow(outer, power) - math.pow(inner, power)) / power
    rate = strength_coefficient * math.pow(curvature, exponent)
    return 2 * math.sqrt(math.pi) * rate * gammas * ring


def thin_tube_moment_ratio(curvature_ratio: float) -> float:
    """M over the first-yield moment of a thin elastic–perfectly plastic tube.

    M/My = (2/π)·[asin(s)/s + √(1 − s²)], s = κ_y/κ the curvature at first yield over the present.

    Arguments:
        curvature_ratio: s, 0 < s ≤ 1; s → 0 gives 4/π

    Valid: wall thin against the diameter; pure bending without hardening.
    Raises:
        OutOfRangeError: s outside its range (above 1 the tube is elastic)
    Source: derived here.
    """
    s = curvature_ratio
    if not 0 < s <= 1:
        raise OutOfRangeError(
            "curvature_ratio_out_of_range",
            ("curvature_ratio",),
            {"value": Amount(s, "ratio"), "most": Amount(1.0, "ratio")},
        )
    return 2 / math.pi * (math.asin(s) / s + math.sqrt(1 - s * s))


_Closed = Callable[[Tube, FlowCurve, float], float]


def _closed_form(curve: FlowCurve, measure: Measure) -> _Closed | None:
    """Pick the closed form of this law and strain measure, if there is one."""
    if measure == "true":
        return None
    if curve.law == "perfectly_plastic":
        return _closed_perfectly_plastic
    if curve.law == "bilinear":
        return _closed_bilinear
    return _closed_hollomon if curve.law == "hollomon" and curve.rigid else None


def _closed_perfectly_plastic(tube: Tube, curve: FlowCurve, curvature: float) -> float:
    return perfectly_plastic_moment(tube, yield_of(curve), curve.elastic_modulus, curvature)


def _closed_bilinear(tube: Tube, curve: FlowCurve, curvature: float) -> float:
    tangent = coefficient(curve, "tangent_modulus")
    flat = _closed_perfectly_plastic(tube, curve, curvature)
    elastic = section_properties(tube).second_moment * curvature
    return (1 - tangent / curve.elastic_modulus) * flat + tangent * elastic


def _closed_hollomon(tube: Tube, curve: FlowCurve, curvature: float) -> float:
    strength = coefficient(curve, "strength_coefficient")
    return hollomon_moment(tube, strength, coefficient(curve, "exponent"), curvature)


# --- quadrature ---------------------------------------------------------------------------------
# The tube is the outer solid circle less the inner one. For each circle ``reach`` is κ·r, its
# outermost engineering strain. With engineering strain one row serves both halves; with true strain
# the half in compression is a row of its own, with −κ·r.


def _integrated(tube: Tube, curve: FlowCurve, curvatures: Array, measure: Measure) -> Array:
    """M, shape (n,), for curvatures of shape (n,), all above 0."""
    radii = np.array([tube.outside_diameter / 2, tube.inside_diameter / 2])
    cubes = radii**3 * np.array([1.0, -1.0])
    reach = curvatures[:, None] * radii
    if measure == "true":
        reach, cubes = np.concatenate((reach, -reach), axis=1), np.concatenate((cubes, cubes))
    else:
        cubes = 2 * cubes
    solid = _over_stress if curve.law == "ramberg_osgood" else _over_angle
    result: Array = solid(curve, reach, measure) @ cubes
    return result


def _fibre_strain(offset: Array, measure: Measure) -> Array:
    """Magnitude of strain at the signed relative offset y/R."""
    return np.abs(np.log1p(offset)) if measure == "true" else offset


def _offset(strain: Array | float, reach: Array, measure: Measure) -> Array:
    """Offset y/r of the fibre of a circle that has this magnitude of strain."""
    if measure == "true":
        return np.expm1(np.copysign(strain, reach)) / reach
    return strain / reach


def _over_angle(curve: FlowCurve, reach: Array, measure: Measure) -> Array:
    """Half-circle moment over r³: 2·∫ σ·sin φ·cos²φ dφ from 0 to π/2, with y = r·sin φ.

    The substitution takes the root out of the width of the circle. The elastic core and the rest
    have nodes of their own; those of the rest crowd as u⁴ towards the core, where a power law is
    steep.
    """
    core_node, core_weight, node, weight = _angle_nodes()
    limit = _offset(curve.elastic_limit_strain, reach, measure)
    start = np.arcsin(np.minimum(limit, 1.0))[..., None]
    span = math.pi / 2 - start
    sine = np.sin(start * core_node + span * node)
    stress = unchecked_stress(curve, _fibre_strain(reach[..., None] * sine, measure))
    weights = start * core_weight + span * weight
    result: Array = 2 * np.sum(weights * stress * sine * (1 - sine * sine), axis=-1)
    return result


def _over_stress(curve: FlowCurve, reach: Array, measure: Measure) -> Array:
    """Half-circle moment over r³ for the Ramberg–Osgood law, integrated by parts over the stress.

    ∫ σ·2y·√(r² − y²) dy = (2/3)·∫ (r² − y²)^(3/2) dσ: with σ as variable the law is explicit, and
    only the outermost stress has to be solved for.
    """
    modulus, proof, exponent = (
        curve.elastic_modulus,
        yield_of(curve),
        coefficient(curve, "exponent"),
    )
    node, weight = _stress_nodes(exponent)
    outermost = unchecked_stress(curve, _fibre_strain(reach, measure))
    stress = outermost[..., None] * node
    strain = stress / modulus + PROOF_STRAIN * (stress / proof) ** exponent
    offset = _offset(strain, reach[..., None], measure)
    rest = np.maximum(1 - offset * offset, 0.0)  # rounding at the outermost node
    result: Array = 2 / 3 * outermost * ((rest * np.sqrt(rest)) @ weight)
    return result


def _unit_gauss(count: int) -> tuple[Array, Array]:
    node, weight = np.polynomial.legendre.leggauss(count)
    return (node + 1) / 2, weight / 2


@cache
def _angle_nodes() -> tuple[Array, Array, Array, Array]:
    """Nodes and weights so that φ = start·core_node + span·node, likewise the weights."""
    core, core_weight = _unit_gauss(12)
    rest, rest_weight = _unit_gauss(24)
    return (
        np.concatenate((core, np.ones_like(rest))),
        np.concatenate((core_weight, np.zeros_like(rest))),
        np.concatenate((np.zeros_like(core), rest**4)),
        np.concatenate((np.zeros_like(core), 4 * rest**3 * rest_weight)),
    )


@lru_cache(maxsize=64)
def _stress_nodes(exponent: float) -> tuple[Array, Array]:
    """Nodes and weights of σ over its outermost value, on (0, 1).

    The plastic strain falls e-fold for each 1/N of ln σ: the last 16 folds, v = 16u², have 32
    nodes, the nearly elastic rest below has 20.
    """
    below, below_weight = _unit_gauss(20)
    above, above_weight = _unit_gauss(32)
    join, node = math.exp(-16 / exponent), np.exp(-16 * above**2 / exponent)
    weight = 32 / exponent * above * node * above_weight
    return np.concatenate((join * below, node)), np.concatenate((join * below_weight, weight))


# --- springback ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Springback:
    """What one tube does when it is let go from one radius; serves every bend at that radius.

    Arguments:
        moment: M that held it, N·mm
        loaded_radius, unloaded_radius: R0 and Rf, mm; Rf is infinite for a bend that stays elastic
        ratio: K = R0/Rf; the share of the angle that remains, but for the constant part
        fibre_strain: D/(2·R0)
        strain_measure: which strain was integrated
    """

    moment: float
    loaded_radius: float
    unloaded_radius: float
    ratio: float
    fibre_strain: float
    strain_measure: Measure
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def proportional(self) -> float:
        """Slope b = 1 − K of the springback Δθ = a + b·θ0."""
        return 1 - self.ratio

    def angle_change(self, loaded_angle: float, constant: float = 0.0) -> float:
        """Springback Δθ = a + b·θ0, rad.

        Arguments:
            loaded_angle: θ0 under load, rad, above 0
            constant: a, rad, from a trial bend: the tube bent elastically beside the tangent points
        """
        return constant + self.proportional * above_zero(loaded_angle, "loaded_angle", "angle")

    def unloaded_angle(self, loaded_angle: float, constant: float = 0.0) -> float:
        """Angle that remains, θf = K·θ0 − a, rad; arguments as for ``angle_change``.

        Raises:
            OutOfRangeError: θ0 not above 0, or so small that all of it springs back
        """
        change = self.angle_change(loaded_angle, constant)
        if not change < loaded_angle:
            raise OutOfRangeError(
                "bend_springs_back_wholly",
                ("loaded_angle",),
                {"value": Amount(loaded_angle, "angle"), "springback": Amount(change, "angle")},
            )
        return loaded_angle - change

    def loaded_angle(self, unloaded_angle: float, constant: float = 0.0) -> float:
        """Angle to bend to, θ0 = (θf + a)/K, rad, so that θf remains.

        Arguments:
            unloaded_angle: θf wanted, rad, above 0
            constant: a, rad

        Raises:
            OutOfRangeError: θf or θf + a not above 0, or a bend that stays elastic
        """
        wanted = above_zero(unloaded_angle, "unloaded_angle", "angle") + constant
        if not wanted > 0:
            parts = {
                "value": Amount(constant, "angle"),
                "limit": Amount(-unloaded_angle, "angle"),
            }
            raise OutOfRangeError("springback_constant_too_low", ("constant",), parts)
        if self.ratio <= 0:
            raise OutOfRangeError(
                "bend_stays_elastic",
                ("radius",),
                {"value": Amount(self.loaded_radius, "length")},
            )
        return wanted / self.ratio


def springback(
    tube: Tube, curve: FlowCurve, radius: float, strain: StrainChoice = "auto"
) -> Springback:
    """Springback of a tube let go from the centre-line radius R0.

    Unloading is elastic: 1/Rf = 1/R0 − M/(E·I), K = R0/Rf = 1 − M·R0/(E·I). The arc length is kept,
    so that θf = K·θ0; a constant part a is added by the methods of the result.

    Arguments:
        tube: D and t, mm
        curve: stress over strain, MPa, with a finite E
        radius: R0, mm, above D/2
        strain: as for ``moment``

    Valid: pure bending; no hardening data gives a lower bound, and the answer then says so.
    Raises:
        OutOfRangeError: R0 not above D/2 or not finite, E infinite
    Source: Timoshenko; Marciniak, Duncan and Hu (both from memory); derived again here.
    """
    above_zero(radius, "radius", "length")
    held = bending_moment(tube, curve, radius, strain)
    rigidity = flexural_rigidity(tube, curve)
    elastic = held.fibre_strain <= curve.elastic_limit_strain
    ratio = 0.0 if elastic else springback_ratio(held.moment, radius, rigidity)
    return Springback(
        moment=held.moment,
        loaded_radius=radius,
        unloaded_radius=radius / ratio if ratio > 0 else math.inf,
        ratio=ratio,
        fibre_strain=held.fibre_strain,
        strain_measure=held.strain_measure,
        methods=(*held.methods, "tube-section", "springback-elastic-unloading"),
        findings=(*held.findings, *_springback_findings(curve, radius, elastic)),
    )


def springback_ratio(moment: float, radius: float, flexural_rigidity: float) -> float:
    """Share K = 1 − M·R0/(E·I) of a bend angle that remains after elastic unloading.

    Arguments:
        moment: M, N·mm
        radius: R0 under load, mm
        flexural_rigidity: E·I, N·mm²
    """
    return 1 - moment * radius / flexural_rigidity


def springback_ratios(
    tube: Tube, curve: FlowCurve, radii: ArrayLike, strain: StrainChoice = "auto"
) -> Array:
    """K of one tube at many radii at once, without findings.

    Arguments:
        tube, curve, strain: as for ``springback``
        radii: R0, mm, shape (n,), each above D/2

    Returns:
        K, shape (n,); 0 where the bend stays elastic, but for rounding

    Raises:
        OutOfRangeError: a radius not above D/2 or E infinite
    """
    values = np.asarray(radii, dtype=float)
    for index in np.flatnonzero(~(values > tube.outside_diameter / 2))[:1]:
        outside_tube(float(values[index]), tube, ("radii", int(index)))
    held = moments(tube, curve, 1 / values, strain)
    result: Array = 1 - held * values / flexural_rigidity(tube, curve)
    return result


def flexural_rigidity(tube: Tube, curve: FlowCurve) -> float:
    """E·I, N·mm²; refuses (OutOfRangeError) a curve with infinite E, which cannot spring back."""
    if curve.rigid:
        raise OutOfRangeError("elastic_modulus_infinite", ("elastic_modulus",))
    return curve.elastic_modulus * section_properties(tube).second_moment


def loaded_radius(
    tube: Tube, curve: FlowCurve, unloaded_radius: float, strain: StrainChoice = "auto"
) -> float:
    """Centre-line radius R0 to bend to so that Rf remains, mm.

    Solves 1/R0 = 1/Rf + M(R0)/(E·I) by false position within a bracket.

    Arguments:
        tube: D and t, mm
        curve: stress over strain, MPa, with a finite E
        unloaded_radius: Rf wanted, mm, above D/2, finite
        strain: as for ``moment``

    Valid: as for ``springback``, whose inverse it is.
    Raises:
        OutOfRangeError: Rf not above D/2 or not finite, or so small that R0 would not be above D/2
    """
    above_zero(unloaded_radius, "unloaded_radius", "length")
    wanted = 1 / outside_tube(unloaded_radius, tube, ("unloaded_radius",))
    rigidity = flexural_rigidity(tube, curve)

    def excess(curvature: float) -> float:
        return curvature - moment(tube, curve, curvature, strain) / rigidity - wanted

    most = 2 / tube.outside_diameter * (1 - 1e-9)
    bracket = _bracket(excess, wanted, most)
    if bracket is None:
        raise OutOfRangeError(
            "unloaded_radius_out_of_reach",
            ("unloaded_radius",),
            {
                "value": Amount(unloaded_radius, "length"),
                "limit": Amount(tube.outside_diameter / 2, "length"),
            },
        )
    return 1 / _false_position(excess, *bracket)


_Point = tuple[float, float]


def _bracket(
    function: Callable[[float], float], start: float, most: float
) -> tuple[_Point, _Point] | None:
    """Two points with their values, below and not below 0; steps from ``start``, which is below."""
    low, stride = (start, function(start)), 1.5
    while low[0] < most:
        # one and a half times the shortfall is past the root at once unless the tube is near yield
        high_at = min(low[0] - stride * low[1] + 1e-15 * start, most)
        high = (high_at, function(high_at))
        if high[1] >= 0:
            return low, high
        low, stride = high, 2 * stride
    return None


def _false_position(function: Callable[[float], float], low: _Point, high: _Point) -> float:
    """Root in the bracket, to rounding, by false position with halved end values (Illinois)."""
    (a, at_a), (b, at_b) = low, high
    for _ in range(200):
        if at_b == 0 or abs(b - a) <= 1e-15 * b:
            break
        middle = b - at_b * (b - a) / (at_b - at_a)
        value = function(middle)
        a, at_a = (a, at_a / 2) if (value < 0) == (at_b < 0) else (b, at_b)
        b, at_b = middle, value
    return b


# --- torque, and the flat strip for comparison --------------------------------------------------


def die_torque(moment: float, axial_force: float, radius: float) -> float:
    """Torque that turns the bend die, T = M + F·R, N·mm.

    Arguments:
        moment: bending moment M, N·mm, 0 or more
        axial_force: F, pull along the tube from pressure-die friction and mandrel drag, N, 0 or
            more
        radius: centre-line radius R of the die, mm, above 0

    Valid: steady bending; bearing friction of the machine is not in it.
    Raises:
        OutOfRangeError: an argument outside its range
    Source: statics.
    """
    zero_or_more(moment, "moment", "moment")
    zero_or_more(axial_force, "axial_force", "force")
    return moment + axial_force * above_zero(radius, "radius", "length")


def bending_work(torque: float, angle: float) -> float:
    """Work at the die W = T·θ, N·mm, for the torque T (N·mm) over the angle θ (rad), both above 0.

    Raises:
        OutOfRangeError: an argument not above 0
    Source: statics.
    """
    return above_zero(torque, "torque", "moment") * above_zero(angle, "angle", "angle")


def sheet_springback_ratio(
    radius: float,
    thickness: float,
    yield_strength: float,
    elastic_modulus: float,
    plane_strain_poisson: float | None = None,
) -> float:
    """Springback ratio R0/Rf of a flat strip. **Not for tube**; for comparison only.

    R0/Rf = 4x³ − 3x + 1, x = R0·Y/(E·T). Exact for the elastic–perfectly plastic rectangle. Put to
    a tube with T = D it overstates the perfectly plastic springback by some 7 %, and like every
    perfectly plastic figure it leaves out hardening, which adds far more.

    Arguments:
        radius: R0 to mid-plane, mm
        thickness: T, mm
        yield_strength, elastic_modulus: Y and E, MPa
        plane_strain_poisson: ν of a wide sheet, with which E → E/(1 − ν²) and Y → 2Y/√3; None for
            a narrow strip

    Valid: 0 ≤ x ≤ 1/2 (above, the strip stays elastic).
    Raises:
        OutOfRangeError: an argument not above 0, ν outside 0–0.5, or x above 1/2
    Source: Marciniak, Duncan and Hu (form from memory); derived again here.
    """
    modulus, strength = elastic_modulus, above_zero(yield_strength, "yield_strength", "pressure")
    if plane_strain_poisson is not None:
        zero_or_more(plane_strain_poisson, "plane_strain_poisson", "ratio", most=0.5)
        modulus, strength = modulus / (1 - plane_strain_poisson**2), 2 * strength / math.sqrt(3)
    stiffness = above_zero(modulus, "elastic_modulus", "pressure")
    depth = stiffness * above_zero(thickness, "thickness", "length")
    x = above_zero(radius, "radius", "length") * strength / depth
    if x > 0.5:
        parts = {"value": Amount(x, "ratio"), "limit": Amount(0.5, "ratio")}
        raise OutOfRangeError("strip_stays_elastic", ("radius",), parts)
    return 4 * x**3 - 3 * x + 1


# --- choices, findings and checks ----------------------------------------------------------------


def _measure(curve: FlowCurve, choice: StrainChoice, reach: float) -> Measure:
    """Strain to integrate; a perfectly plastic stress does not depend on it, but for the core."""
    if choice != "auto":
        return choice
    large = reach > LARGE_STRAIN and curve.law != "perfectly_plastic"
    return "true" if large else "engineering"


def _moment_methods(curve: FlowCurve, measure: Measure) -> tuple[str, ...]:
    law = f"moment-{curve.law.replace('_', '-')}"
    return (law, "true-fibre-strain") if measure == "true" else (law,)


def _moment_findings(curve: FlowCurve, measure: Measure, reach: float) -> list[Finding]:
    if reach <= LARGE_STRAIN or curve.law == "perfectly_plastic":
        return []
    value, limit = Amount(reach, "percent"), Amount(LARGE_STRAIN, "percent")
    if measure == "true":
        return [Finding("true_strain_used", "ok", value=value, limit=limit)]
    return [Finding("engineering_strain_large", "needs_care", value=value, limit=limit)]


def _springback_findings(curve: FlowCurve, radius: float, elastic: bool) -> list[Finding]:
    found = []
    if curve.law == "perfectly_plastic":
        found.append(Finding("springback_without_hardening", "needs_care"))
    if elastic:
        value = Amount(radius, "length")
        found.append(Finding("bend_stays_elastic", "needs_care", value=value))
    return found


def _checked_reach(tube: Tube, curvature: float) -> float:
    reach = tube.outside_diameter / 2 * curvature
    if not 0 <= reach < 1:
        raise _curvature_error(tube, curvature, ("curvature",))
    return reach


def _curvature_error(tube: Tube, curvature: float, where: Pointer) -> OutOfRangeError:
    parts = {
        "value": Amount(curvature, "curvature"),
        "limit": Amount(2 / tube.outside_diameter, "curvature"),
    }
    return OutOfRangeError("curvature_out_of_range", where, parts)
