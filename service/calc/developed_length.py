"""Developed length and cut length of one run, with its parts, mass and tolerance stack."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from service.calc.run_geometry import LARGEST_VERTEX_ANGLE, check_run
from service.errors import Amount, OutOfRangeError
from service.model import Bend, Finding, Method, Run, Tube

METHODS = (
    Method(
        "developed-length",
        "Developed length and cut length",
        "L = Σ straights + Σ Rθ; cut = L − stretch·Σ Rθ + end allowances + trim",
        "every run; stretch is the shop's own figure from trial bends, 0 to 0.2",
        ("elementary-geometry",),
    ),
    Method(
        "metal-mass",
        "Mass of metal",
        "m = π(D − t)t·ρ·cut length",
        "nominal size and density",
        ("elementary-geometry",),
    ),
    Method(
        "tolerance-stack",
        "Tolerance of the developed length",
        "δ = Σ δstraight + Σ(R·δθ + θ·δR) + δcut; root sum square of the same terms",
        "small tolerances; worst case is arithmetic, root sum square supposes independent errors",
        ("elementary-geometry",),
    ),
)
MOST_STRETCH = 0.2


@dataclass(frozen=True, slots=True)
class Allowance:
    """Tube added (or, below 0, saved) at an end for what the caller names: flare, insertion, …"""

    name: str
    length: float


@dataclass(frozen=True, slots=True)
class Ends:
    """Allowances at both ends and the trim, mm."""

    end_1: tuple[Allowance, ...] = ()
    end_2: tuple[Allowance, ...] = ()
    trim: float = 0.0

    @property
    def length_1(self) -> float:
        """Allowances at end 1 in all, mm."""
        return sum(a.length for a in self.end_1)

    @property
    def length_2(self) -> float:
        """Allowances at end 2 in all, mm."""
        return sum(a.length for a in self.end_2)


NO_ALLOWANCES = Ends()


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Plus-minus tolerances: straights, radii and the cut in mm, angles in rad."""

    straight: float = 0.0
    angle: float = 0.0
    radius: float = 0.0
    cut: float = 0.0


@dataclass(frozen=True, slots=True)
class StraightPart:
    """One straight: its number from end 1 and its length, mm."""

    number: int
    length: float


@dataclass(frozen=True, slots=True)
class ArcPart:
    """One bend: arc, set-back and gain in mm; the last two are None where there is no vertex."""

    bend: int
    radius: float
    angle: float
    arc: float
    set_back: float | None
    gain: float | None
    stretch: float


@dataclass(frozen=True, slots=True)
class Stack:
    """Plus-minus tolerance of the cut length, mm."""

    worst_case: float
    root_sum_square: float


@dataclass(frozen=True, slots=True)
class DevelopedLength:
    """Lengths in mm, mass in kg (None without a material)."""

    straights: tuple[StraightPart, ...]
    bends: tuple[ArcPart, ...]
    straight_length: float
    arc_length: float
    gain: float | None
    developed_length: float
    stretch: float
    end_1_allowance: float
    end_2_allowance: float
    trim: float
    cut_length: float
    mass: float | None
    tolerance: Stack | None
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = field(default=())


def developed_length(
    run: Run,
    tube: Tube,
    stretch: float = 0.0,
    ends: Ends = NO_ALLOWANCES,
    tolerances: Tolerances | None = None,
) -> DevelopedLength:
    """Length of tube to cut for a run.

    L = Σ straights + Σ R·θ; cut length = L − stretch·Σ R·θ + end allowances + trim.

    Arguments:
        run: bend table, mm and rad
        tube: D and t in mm; with a material the mass of metal is given
        stretch: fraction of arc length by which bending lengthens the tube, from the shop's trials
        ends: tube to add at each end and for trimming, mm
        tolerances: plus-minus figures; gives the tolerance of the cut length

    Raises:
        OutOfRangeError: an absurd bend, stretch outside 0–0.2, or a cut length not above 0

    Source: elementary geometry; stretch is the caller's own figure.
    """
    check_run(run, tube.outside_diameter)
    check_stretch(stretch)
    arcs = [_arc(i + 1, b, stretch) for i, b in enumerate(run.bends)]
    straights = [b.straight for b in run.bends] + [run.last_straight]
    straight_length, arc_length = math.fsum(straights), math.fsum(a.arc for a in arcs)
    cut = cut_length(run, stretch, ends)
    material = tube.material
    return DevelopedLength(
        straights=tuple(StraightPart(i + 1, s) for i, s in enumerate(straights)),
        bends=tuple(arcs),
        straight_length=straight_length,
        arc_length=arc_length,
        gain=_total_gain(arcs),
        developed_length=straight_length + arc_length,
        stretch=stretch * arc_length,
        end_1_allowance=ends.length_1,
        end_2_allowance=ends.length_2,
        trim=ends.trim,
        cut_length=cut,
        mass=tube.metal_area * cut * material.density if material else None,
        tolerance=_stack(run, tolerances) if tolerances else None,
        methods=_methods(material is not None, tolerances is not None),
        findings=tuple(_findings(run)),
    )


def check_stretch(stretch: float) -> None:
    """Refuse a stretch outside 0–0.2 of arc length."""
    if not 0 <= stretch <= MOST_STRETCH:
        raise OutOfRangeError(
            "stretch_absurd",
            ("stretch",),
            {"value": Amount(stretch, "ratio"), "most": Amount(MOST_STRETCH, "ratio")},
        )


def cut_length(run: Run, stretch: float, ends: Ends) -> float:
    """Cut length in mm; raises OutOfRangeError when allowances leave nothing to cut."""
    straights = math.fsum([b.straight for b in run.bends] + [run.last_straight])
    arcs = math.fsum(b.radius * b.angle for b in run.bends)
    cut = straights + arcs - stretch * arcs + ends.length_1 + ends.length_2 + ends.trim
    if cut <= 0:
        raise OutOfRangeError("nothing_to_cut", ("run",), {"value": Amount(cut, "length")})
    return cut


def _arc(number: int, bend: Bend, stretch: float) -> ArcPart:
    arc = bend.radius * bend.angle
    back = None
    if bend.angle <= LARGEST_VERTEX_ANGLE:
        back = bend.radius * math.tan(bend.angle / 2)
    saved = None if back is None else 2 * back - arc
    return ArcPart(number, bend.radius, bend.angle, arc, back, saved, stretch * arc)


def _total_gain(arcs: Sequence[ArcPart]) -> float | None:
    gains = [a.gain for a in arcs if a.gain is not None]
    return math.fsum(gains) if len(gains) == len(arcs) else None


def _stack(run: Run, given: Tolerances) -> Stack:
    terms = [given.straight] * (len(run.bends) + 1) + [given.cut]
    for bend in run.bends:
        terms += [bend.radius * given.angle, bend.angle * given.radius]
    return Stack(math.fsum(terms), math.hypot(*terms))


def _methods(mass: bool, stack: bool) -> tuple[str, ...]:
    used = ("developed-length", "tangent-set-back")
    return used + ("metal-mass",) * mass + ("tolerance-stack",) * stack


def _findings(run: Run) -> list[Finding]:
    return [
        Finding("no_vertex_at_bend", "ok", i + 1, Amount(b.angle, "angle"))
        for i, b in enumerate(run.bends)
        if b.angle > LARGEST_VERTEX_ANGLE
    ]
