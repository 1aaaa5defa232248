"""How hard a tube is to bend against what a bender is known to bend: moments, walls, crank effort.

A bender is rated by tubes that it is known to bend; each gives a moment. Another wall or material
is compared by the moment of its own section. What a standard guarantees as a minimum is no safe
value here, since stronger tube is harder to bend: the load is a band from the weakest to the
strongest tube of its material, and the upper end is held against the rating. A rated tube of the
same material was bent out of the same scatter; there the scatter falls out of the comparison.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, NamedTuple

from service.calc.flow_curve import FlowCurve
from service.calc.section import bending_moment, bending_work, die_torque, section_properties
from service.errors import Amount, MissingError, OutOfRangeError
from service.model import Drive, Finding, Material, Method, RatedTube, Tube

Basis = Literal["stated", "hardening", "maximum", "factor_on_minimum"]

# Real yield strength is often 1.2 to 1.6 times the minimum (from memory); the upper end stands in
# where a material states no maximum and the caller no factor.
USUAL_STRENGTH_FACTOR = 1.6

METHODS = (
    Method(
        "moment-flow-stress",
        "Bending moment at one flow stress",
        "M = σ·Zp, σ = (Y + Rm)/2 unless stated; Zp = (D³ − d³)/6",
        "bend well past yield; the flow stress is a convention (from memory), not a flow curve",
        ("flow-stress-convention", "textbook-mechanics"),
    ),
    Method(
        "strength-band",
        "Weakest and strongest tube of a material",
        "least from the minimum yield and tensile strength; largest from the maxima, else a factor "
        "on the minimum, 1.6 unless stated",
        "delivered tube as the standard or the caller states it; the factor is from memory",
        ("strength-scatter", "caller"),
    ),
    Method(
        "capacity-by-rated-tube",
        "Capacity of a bender from the tubes that it is known to bend",
        "f·(M + F·R) ≤ σref·Zp,ref for at least one rated tube",
        "moment only: clamp, dies and frame are not checked; a rating states no friction of its "
        "own, so the tube's is counted in full",
        ("derived-here", "common-practice", "shop-profile"),
    ),
    Method(
        "largest-wall",
        "Largest wall that the capacity allows",
        "d³ = D³ − 6·(σref·Zp,ref/f − F·R)/σ; with a hardening law the root of the moment",
        "same outside diameter, material and radius",
        ("derived-here",),
    ),
    Method(
        "crank-effort",
        "Hand force and turns at the crank",
        "force = T/(i·η·l); turns = i·θ/2π",
        "steady cranking; gear ratio i, efficiency η and crank radius l as stated",
        ("textbook-mechanics", "shop-profile"),
    ),
)


# --- strength ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Strength:
    """How strong the tube is, from the weakest to the strongest of its kind.

    Arguments:
        basis: where the upper end comes from
        least, largest: flow stress, MPa; None with a hardening law
        factor: largest over least where a factor was used, else 1
        factor_stated: whether the caller stated it
        curve: the flow curve of a hardening law
        yield_from_maximum: whether the material states no minimum yield, so that the largest
            stands in
    """

    basis: Basis
    least: float | None
    largest: float | None
    factor: float = 1.0
    factor_stated: bool = False
    curve: FlowCurve | None = None
    yield_from_maximum: bool = False


def convention_flow_stress(material: Material) -> float | None:
    """Flow stress (Y + Rm)/2 of the least strengths, MPa; None where the material lacks one.

    Where no minimum yield is stated, the largest stands in.

    Source: a convention, from memory.
    """
    low = material.yield_strength
    low = material.yield_strength_max if low is None else low
    tensile = material.tensile_strength
    return None if low is None or tensile is None else (low + tensile) / 2


def strength_of(
    material: Material | None, flow_stress: float | None = None, factor: float | None = None
) -> Strength | None:
    """The strength of a tube: what is stated, else its hardening law, else the convention.

    Arguments:
        material: minimum (and maximum) strengths and hardening law, MPa
        flow_stress: stated for this tube, MPa
        factor: strongest over weakest tube, 1 or more, stated by the caller

    Returns:
        None where nothing is known

    Raises:
        OutOfRangeError: a flow stress not below the elastic modulus, a coefficient of the law
            outside its range; the field is that of the material
        MissingError: a coefficient or the yield strength that the law needs

    Source: convention and scatter from memory; hardening from the caller's tests.
    """
    if flow_stress is not None:
        return _checked(_stated(flow_stress, factor), material, ("flow_stress",))
    if material is None:
        return None
    if material.hardening is not None:
        curve = FlowCurve(material.elastic_modulus, material.yield_strength, material.hardening)
        return Strength("hardening", None, None, factor or 1.0, factor is not None, curve)
    made = _by_convention(material, factor)
    return made and _checked(made, material, ("tube", "material"))


def _stated(flow_stress: float, factor: float | None) -> Strength:
    used = factor or 1.0
    return Strength("stated", flow_stress, used * flow_stress, used, factor is not None)


def _by_convention(material: Material, factor: float | None) -> Strength | None:
    least = convention_flow_stress(material)
    if least is None:
        return None
    from_maximum = material.yield_strength is None
    if factor is not None:
        return Strength(
            "factor_on_minimum", least, factor * least, factor, True, None, from_maximum
        )
    high, tensile = material.yield_strength_max, material.tensile_strength_max
    if high is not None and tensile is not None:
        largest = (high + tensile) / 2
        return Strength("maximum", least, largest, yield_from_maximum=from_maximum)
    # what the standard bounds is taken from it; only the rest gets the factor
    usual = USUAL_STRENGTH_FACTOR
    high = usual * (material.yield_strength or 0.0) if high is None else high
    tensile = usual * (material.tensile_strength or 0.0) if tensile is None else tensile
    largest = (high + tensile) / 2
    return Strength("factor_on_minimum", least, largest, usual, yield_from_maximum=from_maximum)


def _checked(
    strength: Strength, material: Material | None, where: tuple[str | int, ...]
) -> Strength:
    largest = strength.largest or 0.0
    if material is not None and not largest < material.elastic_modulus:
        parts = {
            "value": Amount(largest, "pressure"),
            "limit": Amount(material.elastic_modulus, "pressure"),
        }
        raise OutOfRangeError("flow_stress_not_below_modulus", where, parts)
    return strength


# --- moment and rating ---------------------------------------------------------------------------


class Band(NamedTuple):
    """A figure for the weakest and the strongest tube of the material."""

    least: float
    largest: float

    def map(self, function: Callable[[float], float]) -> Band:
        """The band of ``function``, which must not fall."""
        return Band(function(self.least), function(self.largest))


class HeldMoment(NamedTuple):
    """Bending moment, N·mm, the ids of the methods it came by, and what is to be said of it."""

    band: Band
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = ()


def held_moment(tube: Tube, strength: Strength, radius: float | None) -> HeldMoment | None:
    """Bending moment: σ·Zp, or M(1/R) of the hardening law at the actual radius.

    Arguments:
        tube: D and t, mm
        strength: from ``strength_of``
        radius: R, mm, above D/2; a hardening law gives None without one

    Valid: pure bending, bend well past yield.
    Source: flow stress by convention, from memory; hardening from the caller's tests.
    """
    scatter = () if strength.basis == "stated" and strength.factor == 1 else ("strength-band",)
    if strength.curve is None:
        plastic = section_properties(tube).plastic_modulus
        band = Band((strength.least or 0.0) * plastic, (strength.largest or 0.0) * plastic)
        return HeldMoment(band, ("moment-flow-stress", *scatter))
    if radius is None:
        return None
    held = bending_moment(tube, strength.curve, radius)
    band = Band(held.moment, strength.factor * held.moment)
    methods = (*held.methods, *(scatter if strength.factor_stated else ()))
    return HeldMoment(band, methods, held.findings)


@dataclass(frozen=True)
class Rating:
    """A tube that the bender is known to bend, as a moment.

    Arguments:
        number: place in the bender's list, from 1
        tube: D and t, mm; its material where one is named
        flow_stress: σref, MPa
        stated: whether the flow stress is stated, not (Y + Rm)/2 of the minimum
        radius: R of that bend, mm; None where not stated. It has no part in the comparison
    """

    number: int
    tube: Tube
    flow_stress: float
    stated: bool
    radius: float | None

    @cached_property
    def plastic_modulus(self) -> float:
        """Zp,ref, mm³."""
        return section_properties(self.tube).plastic_modulus

    @property
    def moment(self) -> float:
        """Moment σref·Zp,ref, N·mm, that the bender is known to give."""
        return self.flow_stress * self.plastic_modulus

    def same_material(self, tube: Tube, strength: Strength) -> bool:
        """Whether the tube comes out of the same scatter of strength as the rated one."""
        if strength.curve or strength.basis == "stated" or strength.factor_stated:
            return False
        mine, other = self.tube.material, tube.material
        return mine is not None and other is not None and mine.id == other.id != "inline"

    def load(self, tube: Tube, strength: Strength, moment: Band) -> Band:
        """The moment to hold against this rating: of the rated tube's own strength if it can be."""
        if self.same_material(tube, strength):
            like = self.flow_stress * section_properties(tube).plastic_modulus
            return Band(like, like)
        return moment


def rating(number: int, rated: RatedTube, tube: Tube) -> Rating:
    """A rated tube as a moment.

    Arguments:
        number: place in the bender's list, from 1
        rated: as the bender states it
        tube: its size with the material it names

    Raises:
        MissingError: neither a flow stress nor a material with yield and tensile strength
    """
    flow = rated.flow_stress
    if flow is None and tube.material is not None:
        flow = convention_flow_stress(tube.material)
    if flow is None:
        where = ("bender", "rated_tubes", number - 1)
        raise MissingError("rated_tube_without_strength", where, {"number": number})
    return Rating(number, tube, flow, rated.flow_stress is not None, rated.radius)


class Utilisation(NamedTuple):
    """Share of the capacity that is used, by the rated tube that leaves the most."""

    rated_tube: int
    moment_capacity: float
    least: float
    largest: float


@dataclass(frozen=True, slots=True)
class Work:
    """What the bender is asked to do, but for the moment.

    Arguments:
        radius: R, mm; None where none is known
        axial_force: F, pressure-die friction and mandrel drag, N
        load_factor: f, by which the load is raised before it is held against the rating
    """

    radius: float | None = None
    axial_force: float = 0.0
    load_factor: float = 1.0

    def torque(self, moment: float) -> float:
        """Die torque M + F·R, N·mm; the moment alone where no radius is known."""
        if self.radius is None:
            return moment
        return die_torque(moment, self.axial_force, self.radius)


def utilisation(
    tube: Tube, strength: Strength, moment: Band, work: Work, ratings: Iterable[Rating]
) -> Utilisation | None:
    """Utilisation f·(M + F·R)/(σref·Zp,ref) against the rating that leaves the most.

    Arguments:
        tube, strength: the tube
        moment: from ``held_moment``, N·mm
        work: radius, axial force and load factor
        ratings: every one is by itself a proof of what the bender can do

    Returns:
        None without ratings

    Source: comparison by section moment, derived here.
    """
    found = []
    for one in ratings:
        load = one.load(tube, strength, moment).map(work.torque)
        shares = load.map(lambda torque: work.load_factor * torque / one.moment)  # noqa: B023
        found.append(Utilisation(one.number, one.moment, shares.least, shares.largest))
    return min(found, key=lambda row: row.largest, default=None)


# --- largest wall --------------------------------------------------------------------------------


def largest_walls(
    tube: Tube, strength: Strength, work: Work, ratings: Iterable[Rating]
) -> Band | None:
    """Largest wall of this diameter and material that the ratings allow, mm.

    ``least`` is that of the strongest tube, ``largest`` that of the weakest. D/2 means that even a
    solid bar is within the capacity, 0 that friction alone uses it up.

    Arguments:
        tube: D, mm; its wall has no part
        strength, work, ratings: as for ``utilisation``

    Returns:
        None without ratings, or for a hardening law without a radius

    Source: d³ = D³ − 6Zp, derived here; with a hardening law by bracketing.
    """
    rated = sorted(ratings, key=lambda one: one.moment)
    # a hardening law looks only at the moment: the largest one settles it, at one search
    held_against = rated[-1:] if strength.curve else rated
    found = [_walls(tube, strength, work, one) for one in held_against]
    known = [band for band in found if band is not None]
    if not known:
        return None
    return Band(max(band.least for band in known), max(band.largest for band in known))


def _walls(tube: Tube, strength: Strength, work: Work, one: Rating) -> Band | None:
    friction = work.axial_force * (work.radius or 0.0)
    allowed = one.moment / work.load_factor - friction
    if strength.curve is not None:
        if work.radius is None:
            return None
        wall = _wall_of_moment(tube, strength.curve, work.radius, allowed)
        if strength.factor == 1:
            return Band(wall, wall)
        strongest = allowed / strength.factor
        return Band(_wall_of_moment(tube, strength.curve, work.radius, strongest), wall)
    od = tube.outside_diameter
    if one.same_material(tube, strength):
        wall = wall_of_plastic_modulus(od, allowed / one.flow_stress)
        return Band(wall, wall)
    return Band(
        wall_of_plastic_modulus(od, allowed / (strength.largest or math.inf)),
        wall_of_plastic_modulus(od, allowed / (strength.least or math.inf)),
    )


def wall_of_plastic_modulus(outside_diameter: float, plastic_modulus: float) -> float:
    """Wall t = (D − ∛(D³ − 6Zp))/2 of a tube with this Zp, mm; 0 to D/2.

    Arguments:
        outside_diameter: D, mm
        plastic_modulus: Zp, mm³; D³/6 and more is a solid bar, D/2; 0 and less no wall at all

    Source: derived here.
    """
    inside = outside_diameter**3 - 6 * plastic_modulus
    if inside <= 0:
        return outside_diameter / 2
    return max(0.0, (outside_diameter - math.cbrt(inside)) / 2)


def _wall_of_moment(tube: Tube, curve: FlowCurve, radius: float, allowed: float) -> float:
    """Wall at which the moment of the hardening law reaches ``allowed``, by bracketing.

    The mean stress of the section hardly changes with the wall, so that Zp found from the mean
    stress of the last wall converges at once; a bracket keeps it in.
    """
    od = tube.outside_diameter
    low, high = 0.0, od / 2 * (1 - 1e-9)
    if allowed <= 0:
        return 0.0

    def moment(wall: float) -> tuple[float, float]:
        made = replace(tube, wall_thickness=wall)
        plastic = section_properties(made).plastic_modulus
        return bending_moment(made, curve, radius).moment, plastic

    if moment(high)[0] <= allowed:
        return od / 2
    wall = min(tube.wall_thickness, high / 2)
    for _ in range(100):
        held, plastic = moment(wall)
        low, high = (wall, high) if held <= allowed else (low, wall)
        guess = wall_of_plastic_modulus(od, plastic * allowed / held)
        last, wall = wall, guess if low < guess < high else (low + high) / 2
        if abs(wall - last) <= 1e-12 * od:
            break
    return wall


# --- crank ---------------------------------------------------------------------------------------


class CrankEffort(NamedTuple):
    """What the hand feels.

    Arguments:
        turns: turns of the crank, None without an angle
        force_least, force_largest: hand force at the end of the lever, N
        work: of the die over the set angle for the strongest tube, N·mm; None without an angle
    """

    turns: float | None
    force_least: float
    force_largest: float
    work: float | None


def crank_effort(torque: Band, angle: float | None, drive: Drive) -> CrankEffort:
    """Hand force T/(i·η·l), turns i·θ/2π and work T·θ.

    Arguments:
        torque: at the die, N·mm, above 0
        angle: set angle θ, rad, above 0; None where unknown
        drive: gear ratio i (crank turns per turn of the die), lever l (mm), efficiency η

    Valid: steady cranking.
    Source: statics.
    """
    force = torque.map(lambda t: t / (drive.gear_ratio * drive.efficiency * drive.lever_length))
    return CrankEffort(
        turns=None if angle is None else drive.gear_ratio * angle / (2 * math.pi),
        force_least=force.least,
        force_largest=force.largest,
        work=None if angle is None else bending_work(torque.largest, angle),
    )
