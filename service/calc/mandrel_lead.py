"""Mandrel and rod: body, nose, how far the nose may lead the tangent point, what rod reaches it.

The mandrel is straight and lies on the axis of the straight tube; its nose stands ahead of the
tangent point by the lead e. There the inner face of the outer wall is a circle of radius R + d/2
about the centre of the bend and falls towards the axis; the nose touches it at the largest lead.
The inside of the bend falls away from the mandrel, so only the outside is checked. The tube's rear
end lies against the stop as the bend is begun.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.errors import Amount, MissingError, OutOfRangeError
from service.model import Method, Tube

Origin = Literal["request", "shop", "trade"]
Nose = Literal["sharp", "rounded", "hemisphere"]

# Two sizes that differ by less are the same size: keeps 1.4/20 from falling below 0.07.
SAME = 1e-9

METHODS = (
    Method(
        "mandrel-lead",
        "Largest lead of the mandrel nose",
        "e = ρ + √((R + d/2 + Δ − ρ)² − (R + dm/2 − ρ)²); sharp nose ρ = 0, hemisphere ρ = dm/2; "
        "Δ = t − te of a thinned outer wall",
        "contact of a straight mandrel on the axis with a round tube; Δ = 0 is the unchanged wall. "
        "Spring of a loose fit and flattening of the bend take lead back; set it by trial",
        ("derived-here",),
    ),
    Method(
        "outer-wall-fall",
        "Fall of the outer wall at the nose",
        "f = (R + d/2) − √((R + d/2)² − e²)",
        "0 ≤ e ≤ R + d/2, unchanged wall",
        ("derived-here",),
    ),
    Method(
        "mandrel-rod",
        "Mandrel rod from the stop to the nose",
        "stop to nose = tube behind the tangent point + lead; n rods reach n·l − (n − 1)·overlap, "
        "n enough for the furthest lead",
        "rear end of the tube against the stop as the bend is begun, rod held at the stop, lengths "
        "measured to the tip of the nose",
        ("elementary-geometry",),
    ),
)


@dataclass(frozen=True, slots=True)
class MandrelTool:
    """The mandrel: body diameter d_m, clearance c = d − d_m and corner radius ρ of the nose, mm."""

    body_diameter: float
    clearance: float
    origin: Origin
    nose: Nose
    corner_radius: float


@dataclass(frozen=True, slots=True)
class Rod:
    """A mandrel rod: its length to the tip of the nose, and what each coupling overlaps, mm.

    Raises:
        OutOfRangeError: an overlap of the whole length or more
    """

    length: float
    overlap: float = 0.0
    origin: Origin = "request"

    def __post_init__(self) -> None:
        if self.overlap >= self.length:
            parts = {
                "value": Amount(self.overlap, "length"),
                "limit": Amount(self.length, "length"),
            }
            raise OutOfRangeError("rod_overlap_too_long", ("mandrel", "rod_overlap"), parts)


def mandrel_tool(
    tube: Tube,
    *,
    clearance: float | None = None,
    body_diameter: float | None = None,
    shop_clearance: float | None = None,
    nose: Nose = "sharp",
    corner_radius: float | None = None,
) -> MandrelTool | None:
    """The mandrel from a stated clearance or body diameter; None where neither is known.

    Body diameter d_m = d − c.

    Arguments:
        clearance, body_diameter: the caller's, mm; one of them at most
        shop_clearance: holds where the caller states neither, mm
        corner_radius: ρ of a rounded nose, mm, to d_m/2

    Raises:
        OutOfRangeError: both stated, a body that does not fit into the tube, or a corner radius
            past half the body or on a nose that has none
        MissingError: a rounded nose without a corner radius
    """
    if clearance is not None and body_diameter is not None:
        raise OutOfRangeError("clearance_and_body", ("mandrel", "body_diameter"))
    used = shop_clearance if clearance is None else clearance
    if body_diameter is None and used is None:
        return None
    inside = tube.inside_diameter
    body = inside - (used or 0.0) if body_diameter is None else body_diameter
    _check_body(tube, body, "clearance" if body_diameter is None else "body_diameter")
    rho = _corner(nose, corner_radius, body)
    stated = clearance is not None or body_diameter is not None
    return MandrelTool(body, inside - body, "request" if stated else "shop", nose, rho)


def _check_body(tube: Tube, body: float, name: str) -> None:
    inside = tube.inside_diameter
    if not 0 < body <= inside * (1 + SAME):
        parts = {"value": Amount(body, "length"), "limit": Amount(inside, "length")}
        raise OutOfRangeError("mandrel_does_not_fit", ("mandrel", name), parts)


def _corner(nose: Nose, corner_radius: float | None, body: float) -> float:
    where = ("mandrel", "corner_radius")
    if nose != "rounded":
        if corner_radius is not None:
            raise OutOfRangeError("corner_radius_unused", where, {"nose": nose})
        return body / 2 if nose == "hemisphere" else 0.0
    if corner_radius is None:
        raise MissingError("corner_radius_missing", where)
    if corner_radius > body / 2 * (1 + SAME):
        parts = {"value": Amount(corner_radius, "length"), "limit": Amount(body / 2, "length")}
        raise OutOfRangeError("corner_radius_too_large", where, parts)
    return corner_radius


# --- lead ----------------------------------------------------------------------------------------


def largest_lead(
    tube: Tube,
    radius: float,
    body_diameter: float,
    corner_radius: float = 0.0,
    thinning: float = 0.0,
) -> float:
    """Lead e at which the nose touches the outer wall, mm.

    e = ρ + √((R + d/2 + Δ − ρ)² − (R + d_m/2 − ρ)²), taken as a product so that a small clearance
    loses no digits.

    Arguments:
        tube: D and t, mm
        radius: centre-line radius R, mm, above D/2
        body_diameter: d_m, mm, above 0, to the inside diameter d
        corner_radius: ρ, mm: 0 a sharp nose, d_m/2 a hemisphere
        thinning: Δ, what the outer wall has lost in thickness, mm; 0 is the unchanged wall, below
            0 a wall that has thickened

    Valid: straight mandrel on the tube's axis, round section; conservative for a bend that ends
        before the point of contact. A wall thickened past the clearance gives the corner radius,
        since the corner then touches at the tangent point.
    Source: derived here.
    """
    gap = (tube.inside_diameter - body_diameter) / 2 + thinning
    across = 2 * radius + (tube.inside_diameter + body_diameter) / 2 + thinning - 2 * corner_radius
    return corner_radius + math.sqrt(max(gap, 0.0) * across)


def outer_wall_fall(tube: Tube, radius: float, lead: float) -> float:
    """How far the inner face of the outer wall has come towards the axis at the nose, mm.

    f = (R + d/2) − √((R + d/2)² − e²) = e²/((R + d/2) + √(…)); 0 behind the tangent point.

    Arguments:
        tube: D and t, mm
        radius: R, mm
        lead: e, mm, to R + d/2

    Raises:
        OutOfRangeError: e past R + d/2, where there is no wall any more

    Source: derived here.
    """
    outer = radius + tube.inside_diameter / 2
    if lead > outer:
        parts = {"value": Amount(lead, "length"), "limit": Amount(outer, "length")}
        raise OutOfRangeError("lead_past_bend", ("mandrel", "lead"), parts)
    ahead = max(lead, 0.0)
    return ahead * ahead / (outer + math.sqrt(outer * outer - ahead * ahead))


def nose_gap(
    tube: Tube, radius: float, body_diameter: float, corner_radius: float, lead: float
) -> float:
    """Free space between nose and outer wall at the lead e, mm; below 0 the nose presses into it.

    g = (R + d/2 − ρ) − √((e − ρ)² + (R + d_m/2 − ρ)²); c/2 where the corner begins behind the
    tangent point. Unchanged wall.

    Arguments:
        tube: D and t, mm
        radius: R, mm
        body_diameter, corner_radius: d_m and ρ, mm
        lead: e, mm

    Source: derived here.
    """
    rho = corner_radius
    corner = math.hypot(max(lead - rho, 0.0), radius + body_diameter / 2 - rho)
    return radius + tube.inside_diameter / 2 - rho - corner


class LeadSetting(NamedTuple):
    """Setting of the nose at one radius, mm. The adjustment range runs from 0 to ``largest``.

    Arguments:
        largest: contact limit of this nose with an unchanged wall
        largest_sharp, largest_hemisphere: the same for the two extremes of nose
        largest_thinned: contact limit with the outer wall that was stated; None without one
        given: the lead that was to be checked; None without one
        adjustment: what remains to the limit, below 0 where it is passed; None without a lead
        fall, gap: at that lead
    """

    largest: float
    largest_sharp: float
    largest_hemisphere: float
    largest_thinned: float | None
    given: float | None
    adjustment: float | None
    fall: float | None
    gap: float | None

    @property
    def start(self) -> float:
        """Lead at which the nose is set to begin with: the one given, else none, mm."""
        return 0.0 if self.given is None else self.given

    @property
    def furthest(self) -> float:
        """Lead that the rod must reach: the one given, else the largest, mm."""
        return self.largest if self.given is None else self.given

    @property
    def outside(self) -> bool:
        """Whether the lead given lies outside the adjustment range."""
        return not 0.0 <= self.start <= self.largest * (1 + SAME)


def lead_setting(
    tube: Tube,
    radius: float,
    tool: MandrelTool,
    given: float | None = None,
    outer_wall: float | None = None,
) -> LeadSetting:
    """Every limit of the lead at one radius, and how a given lead stands to them.

    Arguments:
        tube: D and t, mm
        radius: R, mm
        tool: from ``mandrel_tool``
        given: a lead e, mm; below 0 the nose stands behind the tangent point
        outer_wall: wall left at the outside of the bend, mm

    Raises:
        OutOfRangeError: a lead past the bend

    Source: derived here.
    """
    body, rho = tool.body_diameter, tool.corner_radius
    limit, thinned = largest_lead(tube, radius, body, rho), None
    if outer_wall is not None:
        thinned = largest_lead(tube, radius, body, rho, tube.wall_thickness - outer_wall)
    return LeadSetting(
        largest=limit,
        largest_sharp=largest_lead(tube, radius, body),
        largest_hemisphere=largest_lead(tube, radius, body, body / 2),
        largest_thinned=thinned,
        given=given,
        adjustment=None if given is None else limit - given,
        fall=None if given is None else outer_wall_fall(tube, radius, given),
        gap=None if given is None else nose_gap(tube, radius, body, rho, given),
    )


# --- rod -----------------------------------------------------------------------------------------


class RodSetting(NamedTuple):
    """Rod and stop for one bend, mm.

    Arguments:
        stop_to_tangent: from the stop (rear end of the tube) to the start tangent point
        nose_to_stop: from the stop to the nose at its lead
        rods: how many rods are coupled; None without a rod length
        reach: how far they reach; None without a rod length
        remaining: reach − nose_to_stop, rod that stands out behind the stop
    """

    stop_to_tangent: float
    nose_to_stop: float
    rods: int | None = None
    reach: float | None = None
    remaining: float | None = None


def rod_setting(
    tube_behind: float, lead: float, rod: Rod | None, furthest: float | None = None
) -> RodSetting:
    """Stop and rods for a bend with this much tube behind its start tangent point.

    Stop to nose = tube behind + lead; n coupled rods reach n·l − (n − 1)·overlap, n the least
    number that is enough for the furthest lead.

    Arguments:
        tube_behind: start tangent point to rear end, straight, mm
        lead: e at which the nose is set, mm
        rod: None where its length is not known
        furthest: lead to which the nose may be moved forward, mm; None for no further

    Valid: rear end of the tube against the stop as the bend is begun, rod held at the stop.
    Source: elementary geometry.
    """
    to_nose = tube_behind + lead
    if rod is None:
        return RodSetting(tube_behind, to_nose)
    needed = to_nose if furthest is None else tube_behind + max(lead, furthest)
    further = (needed - rod.length) / (rod.length - rod.overlap)
    count = 1 + max(0, math.ceil(further - SAME))
    reach = count * rod.length - (count - 1) * rod.overlap
    return RodSetting(tube_behind, to_nose, count, reach, reach - to_nose)
