"""Calculated pressure rating of straight and bent tube.

A rating is a number from a formula and a stress. Shock, vibration, fittings, temperature and
outside loads are not in it, and nothing here says that a line may be used. No figure is a rating
to ISO 10763: the formula of that standard was not at hand.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from service.calc.bend_limits import ovality_of_nominal
from service.calc.bend_wall import (
    METHOD_IDS,
    NO_DEDUCTION,
    ROUNDING,
    FormedBend,
    MeasuredBend,
    WallDeduction,
    WallMethod,
    bend_factors,
    check_measured,
    check_radius,
    deformation_theory_covers,
    wall_after_bending,
)
from service.calc.tube_pressure import (
    barlow_pressure,
    code_coefficient,
    code_pressure,
    code_wall,
    en_pressure,
    en_wall,
    full_plastic_pressure,
    is_thin,
    lame_pressure,
    lame_wall,
    mean_diameter_pressure,
    mises_yield_pressure,
    out_of_round_ratio,
    tresca_yield_pressure,
)
from service.errors import (
    Amount,
    CalculationError,
    MissingError,
    NoMethodError,
    OutOfRangeError,
    Word,
)
from service.model import Finding, Material, Method, Tube, TubeSize

WallChoice = Literal["least", "held", "free", "deformation_theory"]
Place = Literal["straight", "outside", "side", "inside"]
POSITIONS: tuple[tuple[Place, float], ...] = (
    ("outside", 0.0),
    ("side", math.pi / 2),
    ("inside", math.pi),
)
# SAE J1065 rates hydraulic tube with 4:1 on the least tensile strength.
USUAL_DESIGN_FACTOR = 4.0
# An outside diameter of the series is the tube's when they agree to this share.
SAME_DIAMETER = 1e-6

METHODS = (
    Method(
        "design-factor",
        "Allowable stress from a design factor",
        "S = Rm/n, Rm least tensile strength at room temperature",
        "straight tube; n = 4 is usual for hydraulic tube, shock and vibration considered apart",
        ("sae-j1065",),
    ),
    Method(
        "pressure-bend-b31-3",
        "Bent tube by ASME B31.3 304.2.1 (3c)",
        "p = 2(SEW/I)t/(D − 2Yt) at outside, side and inside with the wall there; the least "
        "rules; Y the lesser of that of the straight tube and that of the wall there, unless sent",
        "wall and factor of the finished bend, R above D/2; which wall the code takes Y from at a "
        "bend was not at hand, so the lesser Y, which gives the lower pressure, is taken",
        ("asme-b31-3",),
    ),
    Method(
        "thinning-free-of-derating",
        "Thinning that does not lower the rating on the outside of a bend",
        "about 1 − I, I = (4R/D + 1)/(4R/D + 2)",
        "thin tube",
        ("derived-here", "asme-b31-3"),
    ),
    Method(
        "wall-bend-b31-3",
        "Wall of the finished bend by ASME B31.3 304.2.1 (3c)",
        "t = pD/(2(SEW/I + pY)), Y as in the pressure by (3c)",
        "as the pressure by (3c), for a bend of this tube",
        ("asme-b31-3",),
    ),
    Method(
        "test-pressure",
        "Test pressure by a stated factor",
        "test pressure = factor × pressure",
        "the factor is the caller's, from the code that applies",
        ("caller",),
    ),
)


class Stress(NamedTuple):
    """Allowable stress and what it comes from; MPa.

    Arguments:
        allowable: S; None to take it from ``design_factor``
        design_factor: n of S = Rm/n
        quality_factor, weld_factor: E and W of the code, 0–1; all formulas take S·E·W
        coefficient: Y of the code; None follows the code's rule for ductile metal
    """

    allowable: float | None = None
    design_factor: float | None = None
    quality_factor: float = 1.0
    weld_factor: float = 1.0
    coefficient: float | None = None


class Walls(NamedTuple):
    """Ordered wall, least wall as delivered, and what remains at the end of life; mm."""

    nominal: float
    least: float
    remaining: float


class PressureBy(NamedTuple):
    """Pressure by one method, MPa, and whether the tube lies in the method's range."""

    method: str
    pressure: float
    in_range: bool


class PlaceRating(NamedTuple):
    """Rating at one place of a bend: wall at the end of life (mm), factor I, Y, pressure (MPa)."""

    place: Place
    wall: float
    measured: bool
    factor: float
    coefficient: float
    pressure: float


class BendRating(NamedTuple):
    """Rating of a bend: the least of its three places. Thinning as fractions."""

    bend: int
    radius: float
    angle: float | None
    places: tuple[PlaceRating, ...]
    pressure: float
    thinning_outside: float
    thinning_free_of_derating: float


class Rating(NamedTuple):
    """The least pressure of straight tube and bends, MPa, and what governs it."""

    pressure: float
    place: Place
    bend: int | None
    wall: float


class PressureTest(NamedTuple):
    """Test pressure, MPa: factor × ``of``, and its share of the pressure at first yield."""

    factor: float
    of: Literal["rating", "pressure"]
    pressure: float
    share_of_first_yield: float | None


class WallBy(NamedTuple):
    """Wall by one method, mm: needed at the end of life, and to order; None where none does."""

    method: str
    wall: float | None
    wall_to_order: float | None


class WallAfterBending(NamedTuple):
    """Wall that the finished bend needs at the end of life, mm; None where none does."""

    bend: int
    outside: float | None
    side: float | None
    inside: float | None


class StandardWall(NamedTuple):
    """The least wall of the standard series that is rated at the pressure wanted, bends included.

    ``pressure`` is its own rating, MPa.
    """

    id: str
    wall_thickness: float
    pressure: float


class WantedPressure(NamedTuple):
    """What a wanted pressure needs; ``margin`` is rating over wanted pressure less 1."""

    pressure: float
    margin: float
    walls: tuple[WallBy, ...]
    after_bending: tuple[WallAfterBending, ...]
    standard_wall: StandardWall | None


class OutOfRound(NamedTuple):
    """Bending stress in the hoop direction of an out-of-round section, MPa.

    ``bend`` is None for the whole line; ``ovality`` is that of the nominal diameter.
    """

    bend: int | None
    ovality: float
    pressure: float
    hoop_stress: float
    bending_over_hoop: float
    bending_stress: float


@dataclass(frozen=True, slots=True)
class PressureRating:
    """The whole answer. mm, MPa; ``stress`` is S·E·W, on which every pressure rests."""

    allowable_stress: float
    stress_from: Literal["caller", "design_factor"]
    stress: float
    coefficient: float
    wall: Walls
    straight: tuple[PressureBy, ...]
    yielding: tuple[PressureBy, ...]
    bends: tuple[BendRating, ...]
    rating: Rating
    test: PressureTest | None
    wanted: WantedPressure | None
    out_of_round: tuple[OutOfRound, ...]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for straight tube and every bend."""

    tube: Tube
    stress: float
    coefficient: float | None
    deduction: WallDeduction
    wall_method: WallChoice
    stretch: float


def allowable_stress(stress: Stress, material: Material | None) -> float:
    """Allowable stress S, MPa: the caller's, or the least tensile strength over the design factor.

    Arguments:
        stress: one of ``allowable`` and ``design_factor``
        material: gives the least tensile strength

    Raises:
        MissingError: neither given, or no tensile strength to divide
        OutOfRangeError: both given
    Source: SAE J1065 for the design factor.
    """
    if stress.allowable is not None and stress.design_factor is not None:
        parts = {"value": Amount(stress.design_factor, "ratio")}
        raise OutOfRangeError("two_allowable_stresses", ("design_factor",), parts)
    if stress.allowable is not None:
        return stress.allowable
    if stress.design_factor is None:
        raise MissingError("allowable_stress_missing", ("allowable_stress",))
    if material is None or material.tensile_strength is None:
        raise MissingError("tensile_strength_missing", ("tube", "material"))
    return material.tensile_strength / stress.design_factor


# --- the whole answer ---------------------------------------------------------------------------


def pressure_rating(
    tube: Tube,
    stress: Stress,
    *,
    bends: Sequence[FormedBend] = (),
    measured: Sequence[MeasuredBend] = (),
    wall_method: WallChoice = "least",
    stretch: float = 0.0,
    deduction: WallDeduction = NO_DEDUCTION,
    pressure: float | None = None,
    test_factor: float | None = None,
    ovality: float | None = None,
    sizes: Iterable[TubeSize] = (),
) -> PressureRating:
    """Calculated rating of a tube, straight and bent; names no line fit for use.

    The rating is the least of (3a) for the straight tube and (3c) at the outside, side and inside
    of each bend, with the wall there: the least wall as delivered, thinned by the named method (or
    measured), less the corrosion allowance. Y at a bend is the lesser of that of the straight tube
    and that of the wall there. The other formulas stand beside it for comparison.

    Arguments:
        tube: D and t, mm; the material gives Rm, Y, E and ν where they are needed
        stress: allowable stress or design factor, and the code's factors
        bends: radius (mm) and angle of each
        measured: walls and diameters of finished bends, mm; a measured wall takes the place of the
            computed one
        wall_method: ``least`` takes the thinner bound at each place, the others one method
        stretch: fraction of arc length by which bending lengthens the tube, 0–0.2
        deduction: wall tolerance and corrosion allowance
        pressure: the pressure wanted, MPa; gives the walls that it needs
        test_factor: test pressure over wanted pressure, or over the rating without one
        ovality: u of every bend without measured diameters, or of the straight tube
        sizes: standard sizes, from which the least wall is taken

    Raises:
        OutOfRangeError: deductions that leave no wall, a radius of D/2 or less, measures that
            cannot be, both kinds of stress given
        MissingError: neither kind of stress, or no tensile strength for the design factor
        NoMethodError: a bend outside the range of ``wall_method``, or so tight that its inside
            would come out half the diameter thick

    Source: ASME B31.3 304.1.2, 304.2.1; those of the single methods.
    """
    deduction.check(tube.wall_thickness)
    for number, bend in enumerate(bends, 1):
        check_radius(tube, bend.radius, bend.field, number)
    measures = tuple(measured)
    check_measured(tube, len(bends), measures)
    allowed = allowable_stress(stress, tube.material)
    factored = allowed * stress.quality_factor * stress.weld_factor
    job = _Job(tube, factored, stress.coefficient, deduction, wall_method, stretch)
    walls = _walls(tube, deduction)
    by_bend = {one.bend: one for one in measures}
    rated = tuple(_bend(n, bend, by_bend.get(n), job) for n, bend in enumerate(bends, 1))
    rating = _rating(job, walls, rated)
    wanted = None if pressure is None else _wanted(pressure, rating, bends, sizes, job)
    yielding = _yielding(tube, walls.remaining)
    base = rating.pressure if pressure is None else pressure
    oval = _out_of_round(job, walls, base, ovality, bends, by_bend)
    answer = PressureRating(
        allowable_stress=allowed,
        stress_from="caller" if stress.design_factor is None else "design_factor",
        stress=factored,
        coefficient=_coefficient(job, walls.remaining),
        wall=walls,
        straight=_straight(job, walls.remaining),
        yielding=yielding,
        bends=rated,
        rating=rating,
        test=_test(test_factor, base, pressure is not None, yielding),
        wanted=wanted,
        out_of_round=oval,
        methods=(),
        findings=(),
    )
    methods = tuple(dict.fromkeys(_methods(answer, wall_method)))
    found = _findings(answer, stress, job, ovality, by_bend)
    return replace(answer, methods=methods, findings=tuple(found))


def _walls(tube: Tube, deduction: WallDeduction) -> Walls:
    nominal = tube.wall_thickness
    return Walls(nominal, deduction.least_wall(nominal), deduction.remaining_wall(nominal))


def _coefficient(job: _Job, wall: float) -> float:
    if job.coefficient is not None:
        return job.coefficient
    return code_coefficient(job.tube.outside_diameter, wall)


def _coefficient_at_bend(job: _Job, wall: float) -> float:
    """The lesser Y of straight tube and wall there; no source at hand says which one is meant.

    From t = D/6 on Y falls with the wall, and so does the pressure with Y: a wall thinned by
    bending must not raise Y above that of the tube it was made from.
    """
    straight = job.deduction.remaining_wall(job.tube.wall_thickness)
    return min(_coefficient(job, straight), _coefficient(job, wall))


def _straight(job: _Job, wall: float) -> tuple[PressureBy, ...]:
    od, stress = job.tube.outside_diameter, job.stress
    thin, below_sixth = is_thin(od, wall), wall < od / 6
    code = code_pressure(od, wall, stress, _coefficient(job, wall))
    return (
        PressureBy("pressure-b31-3", code, True),
        PressureBy("pressure-barlow", barlow_pressure(od, wall, stress), True),
        PressureBy("pressure-mean-diameter", mean_diameter_pressure(od, wall, stress), thin),
        PressureBy("pressure-boardman", code_pressure(od, wall, stress), below_sixth),
        PressureBy("pressure-lame", lame_pressure(od, wall, stress), True),
        PressureBy("pressure-en-13480", en_pressure(od, wall, stress), True),
    )


def _yielding(tube: Tube, wall: float) -> tuple[PressureBy, ...]:
    material = tube.material
    if material is None or material.yield_strength is None:
        return ()
    od, strength = tube.outside_diameter, material.yield_strength
    return (
        PressureBy("first-yield-tresca", tresca_yield_pressure(od, wall, strength), True),
        PressureBy("first-yield-mises", mises_yield_pressure(od, wall, strength), True),
        PressureBy("full-plastic-pressure", full_plastic_pressure(od, wall, strength), True),
    )


def _bend(number: int, bend: FormedBend, measured: MeasuredBend | None, job: _Job) -> BendRating:
    factors = bend_factors(job.tube, bend.radius)
    places = []
    for (place, position), factor in zip(POSITIONS, factors, strict=True):
        gauged = getattr(measured, f"wall_{place}") if measured else None
        wall = _wall_at(bend, position, job) if gauged is None else gauged
        places.append(_place((number, bend), place, factor, wall, gauged is not None, job))
    outside = _wall_at(bend, 0.0, job) / job.deduction.least_wall(job.tube.wall_thickness)
    return BendRating(
        bend=number,
        radius=bend.radius,
        angle=bend.angle,
        places=tuple(places),
        pressure=min(place.pressure for place in places),
        thinning_outside=1 - outside,
        thinning_free_of_derating=1 - factors.outside,
    )


def _wall_at(bend: FormedBend, position: float, job: _Job) -> float:
    """Wall by the method chosen, from the least wall as delivered, before corrosion; mm."""
    tube = job.tube
    if job.wall_method == "deformation_theory" and not deformation_theory_covers(tube, bend.radius):
        parts = {"value": Amount(bend.radius / tube.outside_diameter, "ratio")}
        raise NoMethodError("wall_method_silent", (*bend.field, "radius"), parts)
    chosen: tuple[WallMethod, ...] = ("held", "free")
    if job.wall_method != "least":
        chosen = (job.wall_method,)
    walls = [wall_after_bending(m, tube, bend.radius, position, job.stretch) for m in chosen]
    return min(walls) * job.deduction.least_wall(tube.wall_thickness) / tube.wall_thickness


def _place(
    bend: tuple[int, FormedBend],
    place: Place,
    factor: float,
    wall: float,
    measured: bool,
    job: _Job,
) -> PlaceRating:
    od, left = job.tube.outside_diameter, wall - job.deduction.corrosion_allowance
    number, field = bend[0], bend[1].field
    if left <= 0:
        raise OutOfRangeError(
            "no_wall_left_in_bend",
            (*field, "radius"),
            {
                "bend": number,
                "value": Amount(left, "length"),
                "place": Word(f"place_{place}"),
            },
        )
    if 2 * left >= od:
        limit = Amount(od / 2, "length")
        raise NoMethodError(
            "bend_too_tight_to_rate",
            (*field, "radius"),
            {"bend": number, "value": Amount(left, "length"), "limit": limit},
        )
    coefficient = _coefficient_at_bend(job, left)
    pressure = code_pressure(od, left, job.stress / factor, coefficient)
    return PlaceRating(place, left, measured, factor, coefficient, pressure)


def _rating(job: _Job, walls: Walls, bends: Sequence[BendRating]) -> Rating:
    od, wall = job.tube.outside_diameter, walls.remaining
    straight = code_pressure(od, wall, job.stress, _coefficient(job, wall))
    found = Rating(straight, "straight", None, wall)
    for bend in bends:
        for place in bend.places:
            if place.pressure < found.pressure * (1 - ROUNDING):
                found = Rating(place.pressure, place.place, bend.bend, place.wall)
    return found


def _test(
    factor: float | None, base: float, is_wanted: bool, yielding: Sequence[PressureBy]
) -> PressureTest | None:
    if factor is None:
        return None
    pressure = factor * base
    share = pressure / yielding[0].pressure if yielding else None
    return PressureTest(factor, "pressure" if is_wanted else "rating", pressure, share)


# --- a wanted pressure --------------------------------------------------------------------------


def _wanted(
    pressure: float,
    rating: Rating,
    bends: Sequence[FormedBend],
    sizes: Iterable[TubeSize],
    job: _Job,
) -> WantedPressure:
    od, stress = job.tube.outside_diameter, job.stress
    barlow = pressure * od / (2 * stress)
    walls = {
        "wall-b31-3": code_wall(od, pressure, stress, job.coefficient),
        "wall-barlow": barlow if 2 * barlow < od else None,
        "wall-en-13480": en_wall(od, pressure, stress),
        "wall-lame": lame_wall(od, pressure, stress),
    }
    return WantedPressure(
        pressure=pressure,
        margin=rating.pressure / pressure - 1,
        walls=tuple(_wall_by(name, wall, job) for name, wall in walls.items()),
        after_bending=tuple(_after_bending(n, b, pressure, job) for n, b in enumerate(bends, 1)),
        standard_wall=_standard_wall(pressure, bends, sizes, job),
    )


def _wall_by(method: str, wall: float | None, job: _Job) -> WallBy:
    return WallBy(method, wall, None if wall is None else job.deduction.wall_to_order(wall))


def _after_bending(number: int, bend: FormedBend, pressure: float, job: _Job) -> WallAfterBending:
    factors = bend_factors(job.tube, bend.radius)
    return WallAfterBending(number, *(_wall_in_bend(pressure, i, job) for i in factors))


def _wall_in_bend(pressure: float, factor: float, job: _Job) -> float | None:
    """The larger of the walls by both Y, as the rating takes the lesser pressure; mm."""
    od, stress = job.tube.outside_diameter, job.stress / factor
    straight = job.deduction.remaining_wall(job.tube.wall_thickness)
    own = code_wall(od, pressure, stress, job.coefficient)
    of_tube = code_wall(od, pressure, stress, _coefficient(job, straight))
    return None if own is None or of_tube is None else max(own, of_tube)


def _standard_wall(
    pressure: float, bends: Sequence[FormedBend], sizes: Iterable[TubeSize], job: _Job
) -> StandardWall | None:
    distinct = [FormedBend(radius) for radius in sorted({bend.radius for bend in bends})]
    for size in _same_diameter(sizes, job.tube):
        rated = _rated(size, distinct, job)
        if rated is not None and rated >= pressure * (1 - ROUNDING):
            return StandardWall(size.id, size.wall_thickness, rated)
    return None


def _same_diameter(sizes: Iterable[TubeSize], tube: Tube) -> list[TubeSize]:
    od = tube.outside_diameter
    same = [s for s in sizes if math.isclose(s.outside_diameter, od, rel_tol=SAME_DIAMETER)]
    return sorted(same, key=lambda size: size.wall_thickness)


def _rated(size: TubeSize, bends: Sequence[FormedBend], job: _Job) -> float | None:
    """Rating of a standard size with the same bends; None where it cannot be rated."""
    tube = replace(job.tube, wall_thickness=size.wall_thickness)
    try:
        job.deduction.check(size.wall_thickness)
        own = replace(job, tube=tube)
        rated = [_bend(n, bend, None, own) for n, bend in enumerate(bends, 1)]
    except CalculationError:
        return None
    return _rating(own, _walls(tube, job.deduction), rated).pressure


# --- out of round -------------------------------------------------------------------------------


def _out_of_round(
    job: _Job,
    walls: Walls,
    pressure: float,
    ovality: float | None,
    bends: Sequence[FormedBend],
    measured: dict[int, MeasuredBend],
) -> tuple[OutOfRound, ...]:
    if job.tube.material is None:
        return ()
    if not bends:
        rows: list[tuple[int | None, float | None]] = [(None, ovality)]
    else:
        rows = [(n, _ovality(job.tube, measured.get(n), ovality)) for n in range(1, len(bends) + 1)]
    wall = walls.remaining
    return tuple(_oval(job.tube, wall, pressure, n, u) for n, u in rows if u is not None)


def _ovality(tube: Tube, one: MeasuredBend | None, given: float | None) -> float | None:
    if one is None or one.largest_diameter is None or one.least_diameter is None:
        return given
    return ovality_of_nominal(one.largest_diameter, one.least_diameter, tube.outside_diameter)


def _oval(tube: Tube, wall: float, pressure: float, bend: int | None, ovality: float) -> OutOfRound:
    material = tube.material
    assert material is not None  # the caller looked
    factor = tube.outside_diameter / wall
    ratio = out_of_round_ratio(
        ovality, factor, pressure, material.elastic_modulus, material.poisson_ratio
    )
    hoop = pressure * factor / 2
    return OutOfRound(bend, ovality, pressure, hoop, ratio, ratio * hoop)


# --- methods and findings -----------------------------------------------------------------------


def _methods(answer: PressureRating, wall_method: WallChoice) -> list[str]:
    used = [row.method for row in answer.straight + answer.yielding]
    if answer.stress_from == "design_factor":
        used.append("design-factor")
    if answer.bends:
        chosen = ("held", "free") if wall_method == "least" else (wall_method,)
        used += [METHOD_IDS[name] for name in chosen]
        used += ["bend-pressure-factor", "pressure-bend-b31-3", "thinning-free-of-derating"]
    if answer.wanted:
        used += [row.method for row in answer.wanted.walls]
        used += ["wall-bend-b31-3"] * bool(answer.bends)
    if answer.out_of_round:
        used += ["ovality-of-nominal", "out-of-round-bending"]
    return used + ["test-pressure"] * (answer.test is not None)


def _findings(
    answer: PressureRating,
    stress: Stress,
    job: _Job,
    ovality: float | None,
    measured: dict[int, MeasuredBend],
) -> list[Finding]:
    found = _stress_findings(answer, stress, job.tube.material)
    if not job.deduction.has_tolerance:
        found.append(Finding("wall_tolerance_not_given", "needs_care"))
    if 6 * answer.wall.remaining >= job.tube.outside_diameter:
        value, limit = (
            Amount(answer.wall.remaining, "length"),
            Amount(job.tube.outside_diameter / 6, "length"),
        )
        found.append(Finding("thick_wall_special_consideration", "needs_care", None, value, limit))
    found += _bend_findings(answer)
    found += _wanted_findings(answer)
    found += _oval_findings(answer, job, ovality, measured)
    return found


def _stress_findings(
    answer: PressureRating, stress: Stress, material: Material | None
) -> list[Finding]:
    found = []
    allowed = Amount(answer.allowable_stress, "pressure")
    if stress.design_factor is not None and stress.design_factor < USUAL_DESIGN_FACTOR:
        value = Amount(stress.design_factor, "ratio")
        limit = Amount(USUAL_DESIGN_FACTOR, "ratio")
        found.append(Finding("design_factor_below_usual", "needs_care", None, value, limit))
    if material is None or material.yield_strength is None:
        found.append(Finding("yield_strength_not_known", "ok"))
    elif answer.allowable_stress > material.yield_strength:
        limit = Amount(material.yield_strength, "pressure")
        found.append(Finding("allowable_stress_above_yield", "blocks", None, allowed, limit))
    if material and material.tensile_strength:
        most = material.tensile_strength / USUAL_DESIGN_FACTOR
        if stress.design_factor is None and answer.allowable_stress > most * (1 + ROUNDING):
            limit = Amount(most, "pressure")
            found.append(
                Finding("allowable_stress_above_usual", "needs_care", None, allowed, limit)
            )
    return found


def _bend_findings(answer: PressureRating) -> list[Finding]:
    if not answer.bends:
        return []
    found = []
    if answer.rating.bend is not None:
        value = Amount(answer.rating.pressure, "pressure")
        limit = Amount(answer.straight[0].pressure, "pressure")
        where = {"place": Word(f"place_{answer.rating.place}")}
        found.append(Finding("bend_governs", "ok", answer.rating.bend, value, limit, where))
    if any(not place.measured for bend in answer.bends for place in bend.places[::2]):
        found.append(Finding("wall_estimated", "needs_care"))
    return found


def _wanted_findings(answer: PressureRating) -> list[Finding]:
    found = []
    if answer.wanted:
        value = Amount(answer.wanted.pressure, "pressure")
        if answer.wanted.margin < -ROUNDING:
            limit = Amount(answer.rating.pressure, "pressure")
            found.append(
                Finding("pressure_above_rating", "blocks", answer.rating.bend, value, limit)
            )
        if answer.wanted.walls[0].wall is None:
            limit = Amount(answer.stress, "pressure")
            found.append(Finding("no_wall_for_pressure", "blocks", None, value, limit))
        elif answer.wanted.standard_wall is None:
            found.append(Finding("no_standard_wall", "needs_care", None, value))
    if answer.test and (answer.test.share_of_first_yield or 0.0) > 1:
        value = Amount(answer.test.pressure, "pressure")
        limit = Amount(answer.yielding[0].pressure, "pressure")
        found.append(Finding("test_pressure_above_first_yield", "blocks", None, value, limit))
    return found


def _oval_findings(
    answer: PressureRating,
    job: _Job,
    ovality: float | None,
    measured: dict[int, MeasuredBend],
) -> list[Finding]:
    if answer.out_of_round:
        worst = max(answer.out_of_round, key=lambda row: row.bending_stress)
        value = Amount(worst.bending_stress, "pressure")
        parts = {
            "ovality": Amount(worst.ovality, "percent"),
            "pressure": Amount(worst.pressure, "pressure"),
            "hoop": Amount(worst.hoop_stress, "pressure"),
        }
        return [Finding("out_of_round_bending", "needs_care", worst.bend, value, values=parts)]
    given = ovality is not None or any(m.largest_diameter is not None for m in measured.values())
    if given and job.tube.material is None:
        return [Finding("out_of_round_not_computed", "needs_care")]
    return []
