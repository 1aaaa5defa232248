"""What bending does to the wall of a round tube, and what a bend needs of its wall for pressure.

The tube keeps its volume. Outside of that nothing is certain: how much of the lengthening on the
outside of the bend is paid for by the wall and how much by the girth depends on the tools. Two
bounds enclose it, and one approximate theory lies between them. A fibre at the position φ round the
section (0 on the outside of the bend, 90° at the side, 180° on the inside) is stretched by
λ = (R + r_m·cos φ)/((1 − stretch)·R).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.errors import Amount, MissingError, OutOfRangeError, Pointer
from service.model import Bend, Method, Run, Tube

WallMethod = Literal["held", "free", "deformation_theory"]
WALL_METHODS: tuple[WallMethod, ...] = ("held", "free", "deformation_theory")
METHOD_IDS = {
    "held": "wall-held-section",
    "free": "wall-free-hoop",
    "deformation_theory": "wall-deformation-theory",
}

# R/D for which the deformation theory was published.
LEAST_BEND_RATIO = 1.4
LARGEST_BEND_RATIO = 30.0
# Neutral-axis shift over r/k: as remembered from the paper, and as derived here.
PAPER_SHIFT = 0.42
FIRST_ORDER_SHIFT = math.pi / 8
# 1.5 in over 0.5 in need not come out as 3 in binary: a value on its limit must not fail by that.
ROUNDING = 1e-9

METHODS = (
    Method(
        "wall-held-section",
        "Wall of a bend whose section is held (no hoop strain)",
        "t′ = t/λ, λ = (R + r_m·cos φ)/((1 − stretch)·R)",
        "volume constant, section held by a mandrel; the thinner bound on the outside of a bend",
        ("derived-here",),
    ),
    Method(
        "wall-free-hoop",
        "Wall of a bend whose girth is free (uniaxial)",
        "t′ = t/√λ, λ = (R + r_m·cos φ)/((1 − stretch)·R)",
        "volume constant, girth free to shrink; the thicker bound on the outside of a bend",
        ("derived-here",),
    ),
    Method(
        "wall-deformation-theory",
        "Wall of a bend by deformation theory",
        "outside half t′/t = 1 − c(2k + c)/(2k(4k + 3 − c)); inside half "
        "t′/t = 1 + c(2k − c)/(2k(4k − 3 + c)); c = |cos φ|, k = R/D",
        "k = 1.4 to 30, no stretch of the whole tube; strains taken as small",
        ("tang-2000", "derived-here"),
    ),
    Method(
        "neutral-axis-shift-paper",
        "Shift of the neutral axis towards the bend centre (constant from memory)",
        "e = 0.42·(D/2)/k, k = R/D",
        "k = 1.4 to 30; the constant is remembered from the paper, not checked",
        ("tang-2000",),
    ),
    Method(
        "neutral-axis-shift-first-order",
        "Shift of the neutral axis towards the bend centre, first order",
        "e = (π/8)·(D/2)/k, k = R/D",
        "rigid, perfectly plastic, thin tube without axial pull; first order in 1/k",
        ("derived-here",),
    ),
    Method(
        "bend-pressure-factor",
        "Factor on the wall that pressure needs in a bend",
        "outside I = (4R/D + 1)/(4R/D + 2); inside I = (4R/D − 1)/(4R/D − 2); side I = 1",
        "R above D/2; these are the membrane stresses of a torus",
        ("asme-b31-3", "en-13480-3", "derived-here"),
    ),
)


class FormedBend(NamedTuple):
    """A bend of which only the form matters here.

    Arguments:
        radius: centre-line radius R, mm
        angle: θ, rad; None where the caller gave none
        field: where it stands in the request
    """

    radius: float
    angle: float | None = None
    field: tuple[str | int, ...] = ()


class MeasuredBend(NamedTuple):
    """What was measured on a finished bend, mm; None where it was not.

    ``bend`` counts from 1 at end 1; diameters are the largest and the least outside diameter of one
    section.
    """

    bend: int
    largest_diameter: float | None = None
    least_diameter: float | None = None
    wall_outside: float | None = None
    wall_side: float | None = None
    wall_inside: float | None = None


@dataclass(frozen=True, slots=True)
class WallDeduction:
    """What is taken off the ordered wall.

    Arguments:
        tolerance_share: minus tolerance of the wall as a fraction of it, 0–0.5; None if not given
        tolerance: the same as a length, mm; None if not given
        corrosion_allowance: corrosion, erosion and wear, mm

    Raises:
        OutOfRangeError: both tolerances given
    """

    tolerance_share: float | None = None
    tolerance: float | None = None
    corrosion_allowance: float = 0.0

    def __post_init__(self) -> None:
        if self.tolerance_share is not None and self.tolerance is not None:
            raise OutOfRangeError(
                "two_wall_tolerances",
                ("wall_deduction", "tolerance"),
                {"value": Amount(self.tolerance, "length")},
            )

    @property
    def has_tolerance(self) -> bool:
        """Whether a tolerance was given; 0 counts."""
        return self.tolerance_share is not None or self.tolerance is not None

    def least_wall(self, wall_thickness: float) -> float:
        """Least wall of the tube as delivered, mm: the ordered wall less its tolerance."""
        return wall_thickness * (1 - (self.tolerance_share or 0.0)) - (self.tolerance or 0.0)

    def remaining_wall(self, wall_thickness: float) -> float:
        """Least wall at the end of life, mm: tolerance and corrosion taken off."""
        return self.least_wall(wall_thickness) - self.corrosion_allowance

    def wall_to_order(self, needed: float) -> float:
        """The ordered wall, mm, that leaves ``needed``; the inverse of ``remaining_wall``."""
        before = needed + self.corrosion_allowance + (self.tolerance or 0.0)
        return before / (1 - (self.tolerance_share or 0.0))

    def check(self, wall_thickness: float) -> None:
        """Refuse deductions that leave no wall.

        Raises:
            OutOfRangeError: nothing is left
        """
        left = self.remaining_wall(wall_thickness)
        if left <= 0:
            parts = {"value": Amount(left, "length"), "wall": Amount(wall_thickness, "length")}
            raise OutOfRangeError("no_wall_left", ("wall_deduction",), parts)


NO_DEDUCTION = WallDeduction()


class BendFactors(NamedTuple):
    """Factors I on the wall that pressure needs, at outside, side and inside of a bend."""

    outside: float
    side: float
    inside: float


def formed_bends(run: Run) -> tuple[FormedBend, ...]:
    """The bends of a run, each with its place in the request."""
    return tuple(_formed(bend, index) for index, bend in enumerate(run.bends))


def _formed(bend: Bend, index: int) -> FormedBend:
    return FormedBend(bend.radius, bend.angle, ("run", "bends", index))


def check_radius(tube: Tube, radius: float, field: Pointer = (), bend: int = 1) -> None:
    """Refuse a radius of half the outside diameter or less.

    Arguments:
        tube: D, mm
        radius: R, mm
        field: where the bend stands in the request
        bend: its number, for the text

    Raises:
        OutOfRangeError: R ≤ D/2
    """
    if not radius > tube.outside_diameter / 2:
        limit = Amount(tube.outside_diameter / 2, "length")
        raise OutOfRangeError(
            "radius_within_tube",
            (*field, "radius"),
            {"value": Amount(radius, "length"), "limit": limit, "bend": bend},
        )


# --- wall after bending -------------------------------------------------------------------------


def fibre_stretch(tube: Tube, radius: float, position: float, stretch: float = 0.0) -> float:
    """Stretch ratio λ = (R + r_m·cos φ)/((1 − stretch)·R) of a fibre in the middle of the wall.

    Arguments:
        tube: D and t, mm
        radius: R, mm, above D/2
        position: φ, rad; 0 outside of the bend, π/2 side, π inside
        stretch: fraction of arc length by which bending lengthens the tube, 0–0.2

    Raises:
        OutOfRangeError: R ≤ D/2
    Source: elementary geometry.
    """
    check_radius(tube, radius)
    return (radius + tube.mean_radius * math.cos(position)) / ((1 - stretch) * radius)


def held_section_wall(
    tube: Tube, radius: float, position: float = 0.0, stretch: float = 0.0
) -> float:
    """Wall t/λ of a bend whose section is held, mm: the whole stretch comes out of the wall.

    Arguments and errors as ``fibre_stretch``. On the outside tR/(R + r_m), on the inside
    tR/(R − r_m) without stretch.

    Valid: constant volume, no hoop strain. Bound: the thinnest outside, the thickest inside.
    Source: derived here from constant volume.
    """
    return tube.wall_thickness / fibre_stretch(tube, radius, position, stretch)


def free_hoop_wall(tube: Tube, radius: float, position: float = 0.0, stretch: float = 0.0) -> float:
    """Wall t/√λ of a bend whose girth is free, mm: wall and girth share the stretch alike.

    Arguments and errors as ``fibre_stretch``. To first order t(1 ∓ D/(4R)).

    Valid: constant volume, uniaxial stress. Bound: the thickest outside, the thinnest inside.
    Source: derived here from constant volume.
    """
    return tube.wall_thickness / math.sqrt(fibre_stretch(tube, radius, position, stretch))


def deformation_theory_covers(tube: Tube, radius: float) -> bool:
    """Whether k = R/D lies in the published range, 1.4 to 30."""
    k = radius / tube.outside_diameter
    return LEAST_BEND_RATIO * (1 - ROUNDING) <= k <= LARGEST_BEND_RATIO * (1 + ROUNDING)


def deformation_theory_wall(tube: Tube, radius: float, position: float = 0.0) -> float:
    """Wall of a bend by deformation theory, mm.

    With c = |cos φ| and k = R/D: outside half t′/t = 1 − c(2k + c)/(2k(4k + 3 − c)), inside half
    t′/t = 1 + c(2k − c)/(2k(4k − 3 + c)); at outside and inside 1 ∓ 1/(4k), at the side 1. Follows
    from the hoop stress σ_c = −σ_x·(1 − c)/(2k + 1) of the paper (outside; on the inside
    +σ_x·(1 − c)/(2k − 1)) and ε_t/ε_x = −(σ_x + σ_c)/(2σ_x − σ_c), ε_x = ±c/(2k).

    Arguments:
        tube: D and t, mm
        radius: R, mm
        position: φ, rad; 0 outside of the bend, π inside

    Valid: k = 1.4 to 30, no stretch of the whole tube; strains are taken as small.
    Raises:
        OutOfRangeError: k outside its range
    Source: Tang, Int. J. Press. Vess. Piping 77 (2000) 751–759, equation (8); the wall is derived
    here from it.
    """
    k = radius / tube.outside_diameter
    if not deformation_theory_covers(tube, radius):
        parts = {
            "value": Amount(k, "ratio"),
            "least": Amount(LEAST_BEND_RATIO, "ratio"),
            "most": Amount(LARGEST_BEND_RATIO, "ratio"),
        }
        raise OutOfRangeError("bend_ratio_not_covered", ("radius",), parts)
    cosine = math.cos(position)
    c = abs(cosine)
    if cosine >= 0:
        ratio = 1 - c * (2 * k + c) / (2 * k * (4 * k + 3 - c))
    else:
        ratio = 1 + c * (2 * k - c) / (2 * k * (4 * k - 3 + c))
    return tube.wall_thickness * ratio


def wall_after_bending(
    method: WallMethod, tube: Tube, radius: float, position: float = 0.0, stretch: float = 0.0
) -> float:
    """Wall by the named method, mm; arguments, validity and errors are those of the method.

    The deformation theory takes no account of ``stretch``.
    """
    if method == "deformation_theory":
        return deformation_theory_wall(tube, radius, position)
    if method == "held":
        return held_section_wall(tube, radius, position, stretch)
    return free_hoop_wall(tube, radius, position, stretch)


# --- neutral axis -------------------------------------------------------------------------------


def neutral_axis_shift_paper(tube: Tube, radius: float) -> float:
    """Shift e = 0.42·(D/2)/k of the neutral axis towards the bend centre, mm; k = R/D.

    Arguments:
        tube: D, mm
        radius: R, mm

    Valid: k = 1.4 to 30.
    Raises:
        OutOfRangeError: k outside its range
    Source: Tang 2000 (the constant from memory).
    """
    deformation_theory_wall(tube, radius)
    return PAPER_SHIFT * tube.outside_diameter**2 / (2 * radius)


def neutral_axis_shift_first_order(tube: Tube, radius: float) -> float:
    """Shift e = (π/8)·(D/2)/k of the neutral axis towards the bend centre, mm; k = R/D.

    The outside half is thinner and, under its hoop stress, weaker; the axis moves until the pull of
    both halves is the same again. The centre line then lengthens by e/R, the stretch at the bench.

    Arguments:
        tube: D, mm
        radius: R, mm, above D/2

    Valid: first order in 1/k, rigid and perfectly plastic, no axial pull by the tools.
    Raises:
        OutOfRangeError: R ≤ D/2
    Source: derived here.
    """
    check_radius(tube, radius)
    return FIRST_ORDER_SHIFT * tube.outside_diameter**2 / (2 * radius)


# --- pressure in a bend -------------------------------------------------------------------------


def bend_factors(tube: Tube, radius: float) -> BendFactors:
    """Factors I on the wall that pressure needs in a bend.

    I = (4R/D + 1)/(4R/D + 2) outside, (4R/D − 1)/(4R/D − 2) inside, 1 at the side: the stresses
    (2R ± r)/(2(R ± r)) of a torus with r = D/2.

    Arguments:
        tube: D, mm
        radius: R, mm, above D/2

    Raises:
        OutOfRangeError: R ≤ D/2
    Source: ASME B31.3 304.2.1 (3d), (3e); EN 13480-3 6.2.3 (from memory) is the same.
    """
    check_radius(tube, radius)
    od, four = tube.outside_diameter, 4 * radius
    # not by 4R/D, which rounds to 2 just above R = D/2
    return BendFactors((four + od) / (four + 2 * od), 1.0, (four - od) / (four - 2 * od))


# --- measures -----------------------------------------------------------------------------------


def check_measured(tube: Tube, count: int, measured: tuple[MeasuredBend, ...]) -> None:
    """Refuse what cannot have been measured on these bends.

    Arguments:
        tube: D and t, mm
        count: number of bends
        measured: at most one entry a bend

    Raises:
        OutOfRangeError: no such bend, a bend twice, the least diameter above the largest, a
            diameter below 2t or above πD/2 (a tube pressed flat), a wall outside t/4 to 4t
        MissingError: one diameter without the other
    """
    seen: set[int] = set()
    for index, one in enumerate(measured):
        if one.bend > count or one.bend in seen:
            code = "measured_bend_twice" if one.bend in seen else "measured_bend_unknown"
            parts = {"value": one.bend, "most": count}
            raise OutOfRangeError(code, ("measured", index, "bend"), parts)
        seen.add(one.bend)
        _check_diameters(tube, one, index)
        _check_walls(tube, one, index)


def _check_diameters(tube: Tube, one: MeasuredBend, index: int) -> None:
    largest, least = one.largest_diameter, one.least_diameter
    if (largest is None) != (least is None):
        name = "largest_diameter" if largest is None else "least_diameter"
        raise MissingError("one_diameter_only", ("measured", index, name), {"bend": one.bend})
    if largest is None or least is None:
        return
    low, high = 2 * tube.wall_thickness, math.pi / 2 * tube.outside_diameter
    for name, value, at_least, at_most in (
        ("largest_diameter", largest, least, high),
        ("least_diameter", least, low, largest),
    ):
        _check_measure(("measured", index, name), value, at_least, at_most, one.bend)


def _check_walls(tube: Tube, one: MeasuredBend, index: int) -> None:
    low, high = tube.wall_thickness / 4, tube.wall_thickness * 4
    for name in ("wall_outside", "wall_side", "wall_inside"):
        value = getattr(one, name)
        if value is not None:
            _check_measure(("measured", index, name), value, low, high, one.bend)


def _check_measure(field: Pointer, value: float, least: float, most: float, bend: int) -> None:
    if not least <= value <= most:
        raise OutOfRangeError(
            "measure_absurd",
            field,
            {
                "bend": bend,
                "value": Amount(value, "length"),
                "least": Amount(least, "length"),
                "most": Amount(most, "length"),
            },
        )
