"""What wall, radius, mandrel and stretch say of a fault in the section of a bend."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from service.calc.bend_wall import fibre_stretch, wall_after_bending
from service.calc.fault_case import FaultCase, Found, compared, silent
from service.calc.local_buckling import unsupported_kink
from service.calc.mandrel_criterion import BendVerdict
from service.errors import Amount
from service.model import Method

METHODS = (
    Method(
        "fault-elongation",
        "Stretch of the outside of the bend against the elongation of the material",
        "(R + r_m)/R − 1 against A, and against half of it",
        "elongation after fracture holds its gauge length and necking, so less is borne in a bend; "
        "half of it is common practice",
        ("derived-here", "common-practice"),
    ),
    Method(
        "fault-wall",
        "Wall measured at the outside against both bounds of constant volume",
        "below t·R/(R + r_m) the tube was also pulled longer",
        "wall and diameter as ordered; the minus tolerance of the wall can look like a pull",
        ("derived-here",),
    ),
)


def mandrel_needed(case: FaultCase) -> Found:
    """Wall ratio and bend ratio against the mandrel criterion, where none was used."""
    row, used = case.verdict, case.mandrel.used
    if used:
        return Found("mandrel_was_used", "contradicts")
    if row is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    value, limit = Amount(case.tube.wall_ratio, "percent"), _wall_limit(row)
    if row.verdict == "not_needed":
        return Found("mandrel_not_asked_for", "contradicts", value, limit)
    if used is None:
        return Found(
            "mandrel_asked_for_use_unknown", "silent", value, limit, missing=("/mandrel_used",)
        )
    code = "mandrel_asked_for" if limit else "mandrel_asked_for_at_any_wall"
    return Found(code, "supports", value, limit, {"bend_ratio": row.bend_ratio})


def _wall_limit(row: BendVerdict) -> Amount | None:
    limit = row.not_needed_from_wall_ratio
    return None if limit is None else Amount(limit, "percent")


def wall_thin(case: FaultCase) -> Found:
    """Wall ratio against what does without a mandrel at this radius."""
    row = case.verdict
    if row is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    value, limit = Amount(case.tube.wall_ratio, "percent"), _wall_limit(row)
    if limit is None:
        return Found("wall_is_thin_at_this_radius", "supports", value)
    return compared(value.value < limit.value, "wall_is_thin", "wall_is_not_thin", value, limit)


def bend_tight(case: FaultCase) -> Found:
    """Bend ratio R/D against the ratio from which a bend counts as tight."""
    row, tight = case.verdict, case.mandrel_limits.tight_bend_ratio
    if row is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    if tight is None:
        return silent("tight_radius_not_stated")
    value, limit = Amount(row.bend_ratio, "ratio"), Amount(tight, "ratio")
    return compared(row.bend_ratio <= tight, "bend_is_tight", "bend_is_not_tight", value, limit)


def _nose(case: FaultCase) -> tuple[float, float] | Found:
    """Lead and largest lead, mm; or what stands in the way of judging."""
    if case.mandrel.used is False:
        return Found("no_mandrel_was_used", "contradicts")
    if case.mandrel.used is None:
        return silent("mandrel_use_unknown", "/mandrel_used")
    lead = case.verdict.lead if case.verdict else None
    if lead is None or lead.given is None:
        needed = ["/mandrel/lead"] * (case.mandrel.lead is None)
        needed += ["/mandrel/clearance"] * (case.mandrel.tool is None)
        needed += ["/radius", "/run"] * (case.verdict is None)
        return silent("nose_unknown", *needed)
    return lead.given, lead.largest


def nose_ahead(case: FaultCase) -> Found:
    """Lead of the nose against its contact with the outer wall."""
    known = _nose(case)
    if isinstance(known, Found):
        return known
    value, limit = Amount(known[0], "length"), Amount(known[1], "length")
    return compared(
        known[0] > known[1], "nose_is_too_far_ahead", "nose_is_within_contact", value, limit
    )


def nose_behind(case: FaultCase) -> Found:
    """Nose behind the tangent point."""
    known = _nose(case)
    if isinstance(known, Found):
        return known
    value, limit = Amount(known[0], "length"), Amount(0.0, "length")
    return compared(known[0] < 0, "nose_is_behind", "nose_is_not_behind", value, limit)


def nose_far_from_contact(case: FaultCase) -> Found:
    """Lead of the nose against half of its largest."""
    known = _nose(case)
    if isinstance(known, Found):
        return known
    value, limit = Amount(known[0], "length"), Amount(known[1] / 2, "length")
    far = known[0] < known[1] / 2
    return compared(far, "nose_is_in_the_lower_half", "nose_is_in_the_upper_half", value, limit)


def clearance_large(case: FaultCase) -> Found:
    """Clearance of the mandrel used against the shop's own."""
    mandrel = case.mandrel
    if mandrel.used is False:
        return Found("no_mandrel_was_used", "contradicts")
    if mandrel.used is None:
        return silent("mandrel_use_unknown", "/mandrel_used")
    if mandrel.tool is None or mandrel.tool.origin != "request" or mandrel.shop_clearance is None:
        return silent("mandrel_clearance_not_sent", "/mandrel/clearance")
    value, limit = mandrel.tool.clearance, mandrel.shop_clearance
    return compared(
        value > limit,
        "mandrel_is_loose",
        "mandrel_is_not_loose",
        Amount(value, "length"),
        Amount(limit, "length"),
    )


def _stretched(case: FaultCase, share: float, for_it: str, against_it: str) -> Found:
    material = case.tube.material
    if case.bend is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    if material is None or material.elongation is None:
        return silent("elongation_unknown", "/tube/material")
    case.used.append("fault-elongation")
    strain = fibre_stretch(case.tube, case.bend.radius, 0.0) - 1
    value, limit = Amount(strain, "percent"), Amount(share * material.elongation, "percent")
    if material.elongation / 2 < strain <= limit.value:
        return Found("stretch_between", "silent", value, limit)
    return compared(strain > limit.value, for_it, against_it, value, limit)


def strain_above_elongation(case: FaultCase) -> Found:
    """Stretch of the outside of the bend against the elongation after fracture."""
    return _stretched(case, 1.0, "stretch_above_elongation", "stretch_below_elongation")


def strain_near_elongation(case: FaultCase) -> Found:
    """Stretch of the outside of the bend against half the elongation after fracture."""
    return _stretched(case, 0.5, "stretch_above_half_elongation", "stretch_below_half_elongation")


def _held_wall(case: FaultCase) -> tuple[float, float] | Found:
    """Wall measured at the outside and the thinner bound, mm; or what is missing."""
    wall = case.measured.wall_outside
    if wall is None:
        return silent("wall_not_measured", "/measured/wall_outside")
    if case.bend is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    case.used.extend(("fault-wall", "wall-held-section"))
    return wall, wall_after_bending("held", case.tube, case.bend.radius)


def wall_below_bounds(case: FaultCase) -> Found:
    """Wall at the outside against the thinner of both bounds."""
    known = _held_wall(case)
    if isinstance(known, Found):
        return known
    value, limit = Amount(known[0], "length"), Amount(known[1], "length")
    return compared(
        known[0] < known[1], "wall_is_below_its_bound", "wall_is_within_its_bounds", value, limit
    )


def wall_within_bounds(case: FaultCase) -> Found:
    """The same, turned round: the thinning is what this radius asks for."""
    found = wall_below_bounds(case)
    turned = {"supports": "contradicts", "contradicts": "supports", "silent": "silent"}
    return replace(found, speaks=turned[found.speaks])  # type: ignore[arg-type]


def free_tube_kinks(case: FaultCase) -> Found:
    """Whether a tube without tools would kink at this radius; an indicator, no criterion."""
    if case.bend is None:
        return silent("bend_unknown", "/radius", "/run", "/die")
    poisson = case.tube.material.poisson_ratio if case.tube.material else 0.3
    answer = unsupported_kink(case.tube, case.bend.radius, poisson)
    case.used.extend(answer.methods)
    least = min(row.strain for row in answer.indicators)
    value, limit = Amount(answer.fibre_strain, "percent"), Amount(least, "percent")
    return compared(
        answer.fibre_strain > least,
        "free_tube_would_kink",
        "free_tube_would_not_kink",
        value,
        limit,
    )


TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    "mandrel_needed": mandrel_needed,
    "wall_thin": wall_thin,
    "bend_tight": bend_tight,
    "nose_ahead": nose_ahead,
    "nose_behind": nose_behind,
    "nose_far_from_contact": nose_far_from_contact,
    "clearance_large": clearance_large,
    "strain_above_elongation": strain_above_elongation,
    "strain_near_elongation": strain_near_elongation,
    "wall_below_bounds": wall_below_bounds,
    "wall_within_bounds": wall_within_bounds,
    "free_tube_kinks": free_tube_kinks,
}
