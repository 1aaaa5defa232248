"""Whether a bender can bend a tube: diameter, dies, angle, moment, crank effort.

Each question is answered by itself, with the number and its limit; the verdict is the worst of
them. What the comparison of moments rests on is in ``bender_load``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.calc import bender_load
from service.calc.bend_order import BendToMake
from service.calc.bender_load import (
    Band,
    CrankEffort,
    Rating,
    Strength,
    Utilisation,
    Work,
    crank_effort,
    held_moment,
    largest_walls,
    utilisation,
)
from service.calc.flow_curve import FlowCurve
from service.calc.mark_layout import Springback, crank_angle
from service.calc.section import (
    SectionProperties,
    bending_moment,
    flexural_rigidity,
    section_properties,
    springback_ratio,
)
from service.errors import Amount, NotDeterminedError, Value
from service.model import Bend, Bender, Die, Finding, Method, Severity, Tube

Verdict = Literal["can_bend", "can_bend_with_care", "cannot_bend", "not_determined"]
SpringbackFrom = Literal["given", "predicted", "none"]

# Two sizes that differ by less are the same size: 1 in is 25.4 mm and not a rounding more.
SAME = 1e-9
# A die whose groove or radius differs by less is made for it, as for the mark layout.
SAME_TOOL = 1e-3

METHODS = (
    Method(
        "die-at-hand",
        "Dies at hand for a tube and a radius",
        "fits where groove diameter and radius differ by less than 0.1 %; else the nearest, by "
        "diameter first",
        "dies that the bender lists",
        ("shop-profile", "common-practice"),
    ),
    Method(
        "set-angle",
        "Set angle against the reach of die and bender",
        "(θ + a)/(1 − b) with the springback given, else θ/K, K = 1 − M·R/(E·I) of the strongest "
        "tube",
        "springback from trial bends with this tube and die; the prediction has no constant part "
        "and, without a hardening law, uses the flow stress by convention",
        ("derived-here", "common-practice"),
    ),
    *bender_load.METHODS,
)


class DieMatch(NamedTuple):
    """A die that is made for this tube, or the nearest to it.

    ``diameter_difference`` is groove less tube, mm.
    """

    id: str
    name: str
    tube_outside_diameter: float
    radius: float
    largest_angle: float
    diameter_difference: float
    fits_tube: bool


class BendCapacity(NamedTuple):
    """One bend.

    Arguments:
        set_angle: angle to crank to, rad; None without an angle or where it cannot be told
        springback_from: what the set angle rests on
        die: id of the die to take, the nearest where none fits; None where there is none
        die_fits: whether that die is made for tube and radius
        die_diameter_difference, die_radius_difference: die less tube or drawing, mm
        moment_least, moment_largest: bending moment, N·mm; None where the strength is unknown
        torque_least, torque_largest: at the die with the friction that was stated, N·mm
        utilisation_least, utilisation: share of the capacity for the weakest and the strongest tube
        rated_tube: number of the rated tube that it is held against
        largest_wall: of this diameter and material, for the strongest tube, mm
    """

    bend: int
    radius: float
    angle: float | None
    set_angle: float | None
    springback_from: SpringbackFrom
    die: str | None
    die_fits: bool
    die_diameter_difference: float | None
    die_radius_difference: float | None
    moment_least: float | None
    moment_largest: float | None
    torque_least: float | None
    torque_largest: float | None
    utilisation_least: float | None
    utilisation: float | None
    rated_tube: int | None
    largest_wall: float | None
    crank: CrankEffort | None


class RatedMoment(NamedTuple):
    """A rated tube: its moment, and whether it is of the tube's own material."""

    number: int
    outside_diameter: float
    wall_thickness: float
    flow_stress: float
    flow_stress_stated: bool
    plastic_modulus: float
    moment: float
    same_material: bool


class StrengthUsed(NamedTuple):
    """The strength that the load rests on.

    Arguments:
        basis: stated, hardening, maximum (of the standard) or factor_on_minimum
        law: hardening law; None without one
        least_flow_stress, largest_flow_stress: MPa; None with a hardening law
        factor: strongest over weakest tube where a factor was used, else 1
    """

    basis: str
    law: str | None
    least_flow_stress: float | None
    largest_flow_stress: float | None
    factor: float


@dataclass(frozen=True, slots=True)
class CapacityCheck:
    """The whole answer; utilisation and largest wall are those of the most demanding bend.

    Arguments:
        moment_capacity: of the rated tube that the most demanding bend is held against, N·mm
        largest_wall: for the strongest tube, mm; D/2 where even a solid bar is within the capacity
        largest_wall_of_weakest: the same for the weakest tube, mm
        largest_standard_wall: largest standard wall up to ``largest_wall``; None where none is
    """

    verdict: Verdict
    bender: str
    bender_name: str
    least_outside_diameter: float
    largest_outside_diameter: float
    diameter_fits: bool
    section: SectionProperties
    strength: StrengthUsed | None
    rated_tubes: tuple[RatedMoment, ...]
    moment_capacity: float | None
    deciding_bend: int | None
    utilisation_least: float | None
    utilisation: float | None
    largest_wall: float | None
    largest_wall_of_weakest: float | None
    largest_standard_wall: float | None
    dies: tuple[DieMatch, ...]
    bends: tuple[BendCapacity, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


class _Load(NamedTuple):
    """What one radius asks of the bender; nothing where the strength is unknown."""

    moment: Band | None = None
    torque: Band | None = None
    used: Utilisation | None = None
    walls: Band | None = None
    methods: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for every bend."""

    tube: Tube
    bender: Bender
    dies: Sequence[Die]
    die: Die | None
    strength: Strength | None
    ratings: Sequence[Rating]
    work: Work
    laws: dict[float | None, Springback]


class LoadTerms(NamedTuple):
    """What raises the load.

    Arguments:
        pressure_die_friction, mandrel_drag: N; None where not stated, counted as 0
        load_factor: f, 1 or more
    """

    pressure_die_friction: float | None = None
    mandrel_drag: float | None = None
    load_factor: float = 1.0

    @property
    def axial_force(self) -> float:
        """Axial pull F, N."""
        return (self.pressure_die_friction or 0.0) + (self.mandrel_drag or 0.0)


NO_TERMS = LoadTerms()


def capacity_check(
    tube: Tube,
    bender: Bender,
    dies: Sequence[Die],
    bends: Sequence[BendToMake],
    *,
    ratings: Sequence[Rating],
    strength: Strength | None = None,
    die: Die | None = None,
    springback: Sequence[Springback] = (),
    terms: LoadTerms = NO_TERMS,
    standard_walls: Sequence[float] = (),
    invented: bool = False,
) -> CapacityCheck:
    """Check a tube against a bender: diameter, dies, angle, moment, effort.

    The moment is σ·Zp by convention or M(1/R) of the hardening law at the radius of each bend; it
    is held, with friction as torque, against the rated tube that leaves the most.

    Arguments:
        tube: D and t, mm
        bender, dies: the bender and the dies at hand for it
        bends: what is to be bent; empty asks for the tube alone, and the tightest die that is made
            for it stands in
        ratings: rated tubes of the bender as moments
        strength: from ``bender_load.strength_of``; None gives no load
        die: the die to use; else one is chosen from ``dies``
        springback: a and b per die radius; else the set angle is predicted
        terms: friction and load factor
        standard_walls: walls made in this diameter, mm
        invented: whether the bender's figures are made up

    Raises:
        NotDeterminedError: two springbacks for one radius
        OutOfRangeError: what the set angle refuses

    Source: comparison by section moment, derived here; fit of dies is common practice.
    """
    matches = _matches(tube, dies)
    asked = tuple(bends) or _stand_in(dies, matches)
    work = Work(None, terms.axial_force, terms.load_factor)
    job = _Job(tube, bender, dies, die, strength, ratings, work, _laws(springback))
    radii: list[float | None] = [bend.radius for bend in asked]
    loads = {radius: _load(radius, job) for radius in dict.fromkeys(radii or [None])}
    rows = tuple(_row(bend, loads[bend.radius], job) for bend in asked)
    findings = tuple(_findings(rows, asked, loads, matches, terms, job))
    findings += _about_inputs(job, terms, stood_in=not bends and bool(asked), invented=invented)
    return _answer(job, loads, rows, matches, findings, standard_walls)


def _answer(
    job: _Job,
    loads: Mapping[float | None, _Load],
    rows: tuple[BendCapacity, ...],
    matches: tuple[DieMatch, ...],
    findings: tuple[Finding, ...],
    standard_walls: Sequence[float],
) -> CapacityCheck:
    tube, bender = job.tube, job.bender
    used = max((one.used for one in loads.values() if one.used), key=_largest, default=None)
    walls = [one.walls for one in loads.values() if one.walls]
    wall = min((band.least for band in walls), default=None)
    return CapacityCheck(
        verdict=_verdict(findings, used is not None),
        bender=bender.id,
        bender_name=bender.name,
        least_outside_diameter=bender.least_outside_diameter,
        largest_outside_diameter=bender.largest_outside_diameter,
        diameter_fits=_diameter_finding(tube, bender).severity == "ok",
        section=section_properties(tube),
        strength=_strength_used(job.strength),
        rated_tubes=tuple(_rated(one, job) for one in job.ratings),
        moment_capacity=used and used.moment_capacity,
        deciding_bend=_deciding(rows),
        utilisation_least=used and used.least,
        utilisation=used and used.largest,
        largest_wall=wall,
        largest_wall_of_weakest=min((band.largest for band in walls), default=None),
        largest_standard_wall=_standard_wall(wall, standard_walls),
        dies=matches,
        bends=rows,
        methods=_methods(loads, rows),
        findings=findings,
    )


def _largest(used: Utilisation) -> float:
    return used.largest


def _deciding(rows: Sequence[BendCapacity]) -> int | None:
    known = [row for row in rows if row.utilisation is not None]
    if not known:
        return None
    return max(known, key=lambda row: row.utilisation or 0.0).bend


def _standard_wall(wall: float | None, standard_walls: Sequence[float]) -> float | None:
    if wall is None:
        return None
    return max((one for one in standard_walls if not _above(one, wall)), default=None)


def _verdict(findings: Iterable[Finding], known: bool) -> Verdict:
    severities = {finding.severity for finding in findings}
    if "blocks" in severities:
        return "cannot_bend"
    if not known:
        return "not_determined"
    return "can_bend_with_care" if "needs_care" in severities else "can_bend"


def _strength_used(strength: Strength | None) -> StrengthUsed | None:
    if strength is None:
        return None
    law = strength.curve.law if strength.curve else None
    return StrengthUsed(strength.basis, law, strength.least, strength.largest, strength.factor)


def _rated(one: Rating, job: _Job) -> RatedMoment:
    same = job.strength is not None and one.same_material(job.tube, job.strength)
    size, plastic = one.tube, one.plastic_modulus
    return RatedMoment(
        one.number,
        size.outside_diameter,
        size.wall_thickness,
        one.flow_stress,
        one.stated,
        plastic,
        one.moment,
        same,
    )


def _above(value: float, limit: float) -> bool:
    return value > limit * (1 + SAME)


def _below(value: float, limit: float) -> bool:
    return value < limit * (1 - SAME)


# --- dies ----------------------------------------------------------------------------------------


def _matches(tube: Tube, dies: Sequence[Die]) -> tuple[DieMatch, ...]:
    """All dies made for this tube by rising radius; where there is none, the nearest ones."""
    od = tube.outside_diameter
    found = [
        DieMatch(
            id=die.id,
            name=die.name,
            tube_outside_diameter=die.tube_outside_diameter,
            radius=die.radius,
            largest_angle=die.largest_angle,
            diameter_difference=die.tube_outside_diameter - od,
            fits_tube=math.isclose(die.tube_outside_diameter, od, rel_tol=SAME_TOOL),
        )
        for die in dies
    ]
    made_for_it = [match for match in found if match.fits_tube]
    if not made_for_it and found:
        nearest = min(abs(match.diameter_difference) for match in found)
        made_for_it = [m for m in found if abs(m.diameter_difference) <= nearest * (1 + SAME)]
    return tuple(sorted(made_for_it, key=lambda match: (match.radius, match.id)))


def _stand_in(dies: Sequence[Die], matches: Sequence[DieMatch]) -> tuple[BendToMake, ...]:
    """The bend of the tightest die made for this tube, where the caller named no radius."""
    fitting = {match.id for match in matches if match.fits_tube}
    radii = [die.radius for die in dies if die.id in fitting]
    return (BendToMake(1, min(radii)),) if radii else ()


def _die_for(bend: BendToMake, job: _Job) -> Die | None:
    """The die named; else the one nearest by diameter, then by radius."""
    if job.die is not None:
        return job.die
    od = job.tube.outside_diameter

    def distance(die: Die) -> tuple[float, float, str]:
        across = abs(die.tube_outside_diameter - od)
        # grooves within the same tool tolerance are one size: the radius decides among them
        return 0.0 if across <= SAME_TOOL * od else across, abs(die.radius - bend.radius), die.id

    return min(job.dies, key=distance, default=None)


def _fits(die: Die, tube: Tube) -> bool:
    return math.isclose(die.tube_outside_diameter, tube.outside_diameter, rel_tol=SAME_TOOL)


def _makes(die: Die, radius: float) -> bool:
    return math.isclose(die.radius, radius, rel_tol=SAME_TOOL)


# --- angle ---------------------------------------------------------------------------------------


def _laws(given: Sequence[Springback]) -> dict[float | None, Springback]:
    by_radius: dict[float | None, Springback] = {}
    for index, one in enumerate(given):
        if one.radius in by_radius:
            radius = None if one.radius is None else Amount(one.radius, "length")
            raise NotDeterminedError("springback_twice", ("springback", index), {"radius": radius})
        by_radius[one.radius] = one
    return by_radius


def _set_angle(
    bend: BendToMake, moment: Band | None, job: _Job
) -> tuple[float | None, SpringbackFrom]:
    if bend.angle is None:
        return None, "none"
    if bend.radius in job.laws or None in job.laws:
        formed = Bend(0.0, 0.0, bend.angle, bend.radius)
        return crank_angle(formed, job.laws, bend.number - 1), "given"
    remains = None if moment is None else _share_that_remains(bend.radius, moment.largest, job)
    if remains is None:
        return bend.angle, "none"
    reach = bend.angle / remains if remains > 0 else math.inf
    return (reach if reach <= 2 * math.pi else None), "predicted"


def _share_that_remains(radius: float, moment: float, job: _Job) -> float | None:
    """K = 1 − M·R/(E·I) of the strongest tube; None without an elastic modulus.

    By convention M is taken with its elastic core: near yield σ·Zp would overstate it.
    """
    tube, strength = job.tube, job.strength
    if tube.material is None or strength is None:
        return None
    curve = strength.curve
    if curve is None:
        curve = FlowCurve(tube.material.elastic_modulus, strength.largest)
        moment = bending_moment(tube, curve, radius).moment
    elastic = tube.outside_diameter / (2 * radius) <= curve.elastic_limit_strain
    return 0.0 if elastic else springback_ratio(moment, radius, flexural_rigidity(tube, curve))


# --- load ----------------------------------------------------------------------------------------


def _load(radius: float | None, job: _Job) -> _Load:
    if job.strength is None:
        return _Load()
    held = held_moment(job.tube, job.strength, radius)
    if held is None:
        return _Load()
    work = Work(radius, job.work.axial_force, job.work.load_factor)
    return _Load(
        held.band,
        held.band.map(work.torque),
        utilisation(job.tube, job.strength, held.band, work, job.ratings),
        largest_walls(job.tube, job.strength, work, job.ratings),
        held.methods,
        held.findings,
    )


def _row(bend: BendToMake, load: _Load, job: _Job) -> BendCapacity:
    tube, die = job.tube, _die_for(bend, job)
    angle, origin = _set_angle(bend, load.moment, job)
    moment, torque, used = load.moment, load.torque, load.used
    drive = job.bender.drive
    return BendCapacity(
        bend=bend.number,
        radius=bend.radius,
        angle=bend.angle,
        set_angle=angle,
        springback_from=origin,
        die=die.id if die else None,
        die_fits=die is not None and _fits(die, tube) and _makes(die, bend.radius),
        die_diameter_difference=die.tube_outside_diameter - tube.outside_diameter if die else None,
        die_radius_difference=die.radius - bend.radius if die else None,
        moment_least=moment and moment.least,
        moment_largest=moment and moment.largest,
        torque_least=torque and torque.least,
        torque_largest=torque and torque.largest,
        utilisation_least=used and used.least,
        utilisation=used and used.largest,
        rated_tube=used and used.rated_tube,
        largest_wall=load.walls and load.walls.least,
        crank=crank_effort(torque, angle, drive) if torque and drive else None,
    )


def _methods(loads: Mapping[float | None, _Load], rows: Sequence[BendCapacity]) -> tuple[str, ...]:
    used = ["tube-section", "die-at-hand"]
    if any(row.angle is not None for row in rows):
        used.append("set-angle")
    if any(row.springback_from == "predicted" for row in rows):
        used.append("springback-elastic-unloading")
    for load in loads.values():
        used += load.methods
    if any(load.used for load in loads.values()):
        used += ["capacity-by-rated-tube", "largest-wall"]
    if any(load.torque for load in loads.values()):
        used.append("die-torque")
    if any(row.crank for row in rows):
        used.append("crank-effort")
    return tuple(dict.fromkeys(used))


# --- findings ------------------------------------------------------------------------------------


def _findings(
    rows: Sequence[BendCapacity],
    bends: Sequence[BendToMake],
    loads: Mapping[float | None, _Load],
    matches: Sequence[DieMatch],
    terms: LoadTerms,
    job: _Job,
) -> Iterable[Finding]:
    yield _diameter_finding(job.tube, job.bender)
    yield from _die_findings(rows, matches, job)
    yield from _angle_findings(rows, job)
    yield from _stop_findings(bends, job.bender)
    yield from _load_findings(rows, loads, terms)
    # the tightest bend strains the tube the most; what is true of it is said once
    yield from min(loads.items(), key=lambda item: item[0] or 0.0)[1].findings
    yield from _crank_findings(rows, job.bender)


def _diameter_finding(tube: Tube, bender: Bender) -> Finding:
    value = Amount(tube.outside_diameter, "length")
    least = Amount(bender.least_outside_diameter, "length")
    most = Amount(bender.largest_outside_diameter, "length")
    if _below(value.value, least.value):
        return Finding("tube_below_bender_range", "blocks", value=value, limit=least)
    if _above(value.value, most.value):
        return Finding("tube_above_bender_range", "blocks", value=value, limit=most)
    return Finding(
        "tube_within_bender_range", "ok", value=value, limit=most, values={"least": least}
    )


def _die_findings(
    rows: Sequence[BendCapacity], matches: Sequence[DieMatch], job: _Job
) -> Iterable[Finding]:
    if job.die is not None:
        yield from _named_die_findings(rows, job.die, job)
        return
    od = Amount(job.tube.outside_diameter, "length")
    if not matches:
        yield Finding("no_dies_stated", "needs_care")
        return
    nearest = min(matches, key=lambda match: abs(match.diameter_difference))
    if not nearest.fits_tube:
        groove = Amount(nearest.tube_outside_diameter, "length")
        apart = Amount(abs(nearest.diameter_difference), "length")
        parts: dict[str, Value] = {"die": nearest.id, "difference": apart}
        yield Finding("no_die_for_tube", "blocks", value=od, limit=groove, values=parts)
        return
    yield from _radius_findings(rows, job)


def _radius_findings(rows: Sequence[BendCapacity], job: _Job) -> Iterable[Finding]:
    by_id = {die.id: die for die in job.dies}
    for row in rows:
        if not row.die_fits and row.die is not None:
            value, limit = Amount(row.radius, "length"), Amount(by_id[row.die].radius, "length")
            parts = {"die": row.die}
            yield Finding("no_die_for_radius", "blocks", row.bend, value, limit, parts)
    if rows and all(row.die_fits for row in rows):
        names = ", ".join(dict.fromkeys(str(row.die) for row in rows))
        yield Finding("die_at_hand", "ok", values={"die": _brief(names)})


def _brief(names: str) -> str:
    return names if len(names) <= 200 else names[:197] + "..."


def _named_die_findings(rows: Sequence[BendCapacity], die: Die, job: _Job) -> Iterable[Finding]:
    if die.id != "inline" and die.id not in {one.id for one in job.dies}:
        yield Finding("die_not_on_bender", "blocks", values={"die": die.id})
    if not _fits(die, job.tube):
        value = Amount(job.tube.outside_diameter, "length")
        limit = Amount(die.tube_outside_diameter, "length")
        yield Finding("die_tube_differs", "blocks", value=value, limit=limit)
    for row in rows:
        if not _makes(die, row.radius):
            value, limit = Amount(row.radius, "length"), Amount(die.radius, "length")
            yield Finding("die_radius_differs", "blocks", row.bend, value, limit)


def _angle_findings(rows: Sequence[BendCapacity], job: _Job) -> Iterable[Finding]:
    by_id = {die.id: die for die in (*job.dies, *((job.die,) if job.die else ()))}
    asked = [row for row in rows if row.angle is not None]
    for row in asked:
        yield from _reach_findings(row, by_id, job.bender)
    if asked and all(row.springback_from == "predicted" for row in asked):
        yield Finding("springback_predicted", "ok")
    elif any(row.springback_from == "none" for row in asked):
        yield Finding("springback_not_given", "needs_care")


def _reach_findings(
    row: BendCapacity, by_id: Mapping[str, Die], bender: Bender
) -> Iterable[Finding]:
    if row.set_angle is None:
        yield Finding("springs_back_too_far", "blocks", row.bend, Amount(row.radius, "length"))
        return
    value, die = Amount(row.set_angle, "angle"), by_id.get(row.die or "")
    if die is not None and row.die_fits and _above(row.set_angle, die.largest_angle):
        limit = Amount(die.largest_angle, "angle")
        yield Finding("crank_past_die", "blocks", row.bend, value, limit)
    limit = Amount(bender.largest_angle, "angle")
    if _above(row.set_angle, bender.largest_angle):
        yield Finding("crank_past_bender", "blocks", row.bend, value, limit)


def _stop_findings(bends: Sequence[BendToMake], bender: Bender) -> Iterable[Finding]:
    if bender.longest_tube is None:
        return
    limit = Amount(bender.longest_tube, "length")
    for bend in bends:
        if bend.tube_behind is not None and _above(bend.tube_behind, bender.longest_tube):
            value = Amount(bend.tube_behind, "length")
            yield Finding("tube_past_stop", "blocks", bend.number, value, limit)


def _load_findings(
    rows: Sequence[BendCapacity], loads: Mapping[float | None, _Load], terms: LoadTerms
) -> Iterable[Finding]:
    shares: list[tuple[int | None, float | None, float | None]]
    shares = [(row.bend, row.utilisation_least, row.utilisation) for row in rows]
    if not rows:
        shares = [(None, one.used.least, one.used.largest) for one in loads.values() if one.used]
    whole, within = Amount(1.0, "percent"), []
    parts: dict[str, Value] = {"factor": terms.load_factor}
    for bend, least, largest in shares:
        if least is None or largest is None:
            continue
        if _above(least, 1.0):
            code = "load_above_capacity" if bend else "tube_above_capacity"
            yield Finding(code, "blocks", bend, Amount(least, "percent"), whole, parts)
        elif _above(largest, 1.0):
            code = "load_may_pass_capacity" if bend else "tube_may_pass_capacity"
            yield Finding(code, "needs_care", bend, Amount(largest, "percent"), whole, parts)
        else:
            within.append(largest)
    if within and len(within) == len(shares):
        value = Amount(max(within), "percent")
        yield Finding("load_within_capacity", "ok", value=value, limit=whole)


def _crank_findings(rows: Sequence[BendCapacity], bender: Bender) -> Iterable[Finding]:
    drive, light = bender.drive, []
    if drive is None or drive.comfortable_force is None:
        return
    limit = Amount(drive.comfortable_force, "force")
    for row in rows:
        if row.crank and _above(row.crank.force_largest, drive.comfortable_force):
            value, least = (
                Amount(row.crank.force_largest, "force"),
                Amount(row.crank.force_least, "force"),
            )
            yield Finding("crank_heavy", "needs_care", row.bend, value, limit, {"least": least})
        elif row.crank:
            light.append(row.crank.force_largest)
    if light and len(light) == len(rows):
        yield Finding("crank_comfortable", "ok", value=Amount(max(light), "force"), limit=limit)


def _about_inputs(
    job: _Job, terms: LoadTerms, *, stood_in: bool, invented: bool
) -> tuple[Finding, ...]:
    """What the answer rests on, and what was not known."""
    found = list(_strength_findings(job))
    if not job.ratings:
        found.append(Finding("no_rated_tube", "needs_care"))
    if job.bender.drive is None:
        found.append(Finding("drive_not_stated", "ok"))
    if terms.pressure_die_friction is None and terms.mandrel_drag is None:
        found.append(Finding("friction_not_given", "ok"))
    elif job.ratings:
        value = Amount(terms.axial_force, "force")
        found.append(Finding("rating_without_friction", "ok", value=value))
    if stood_in:
        found.append(Finding("radius_from_die", "ok"))
    if invented:
        found.append(Finding("profile_invented", "ok"))
    return tuple(found)


def _strength_findings(job: _Job) -> Iterable[Finding]:
    strength = job.strength
    if strength is None:
        code = "material_not_given" if job.tube.material is None else "flow_stress_unknown"
        yield Finding(code, "needs_care")
        return
    if strength.curve is not None:
        if not strength.factor_stated:
            yield Finding("no_scatter_on_hardening", "needs_care")
        return
    code, severity = _BASIS[strength.basis]
    if strength.basis == "factor_on_minimum" and not strength.factor_stated:
        code = "strength_scatter_assumed"
    low, high = Amount(strength.least or 0.0, "pressure"), strength.largest or 0.0
    parts: dict[str, Value] = {"factor": strength.factor, "least": low}
    yield Finding(code, severity, value=Amount(high, "pressure"), values=parts)
    if strength.yield_from_maximum:
        yield Finding("yield_from_maximum", "ok")


_BASIS: dict[str, tuple[str, Severity]] = {
    "stated": ("flow_stress_stated", "ok"),
    "maximum": ("flow_stress_by_convention", "ok"),
    "factor_on_minimum": ("strength_factor_stated", "ok"),
}
