"""What several endpoints accept: tube, material, run, die, bender, ends; schema and conversion.

Each is given inline or, where the shop profile or the shipped data hold it, by id.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from typing import Any, TypeVar

from service import reference
from service.calc.bend_order import BendToMake, bends_of_run
from service.calc.bend_wall import FormedBend, MeasuredBend, WallDeduction, formed_bends
from service.calc.bender_load import Rating, Strength, rating, strength_of
from service.calc.developed_length import Allowance, Ends, Tolerances
from service.calc.mandrel_lead import MandrelTool, Rod, mandrel_tool
from service.calc.mark_layout import Bench, Springback
from service.calc.run_geometry import Vector, check_run, run_from_vertices
from service.errors import (
    Amount,
    CalculationError,
    MissingError,
    NotDeterminedError,
    OutOfRangeError,
)
from service.inputs_bench import SurroundingsSchema, surroundings_of
from service.model import (
    Bend,
    Bender,
    Die,
    Drive,
    Hardening,
    Material,
    RatedTube,
    Run,
    Tube,
)
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Either,
    Flag,
    Length,
    Part,
    Parts,
    Quantity,
    Ratio,
    Text,
)
from service.web.schema import RequestSchema, StrictSchema
from service.web.units import INCH

MOST_BENDS = 500
ENDS = ("end_1", "end_2")
NOSES = ("sharp", "rounded", "hemisphere")
Ask = Mapping[str, Any]
Made = TypeVar("Made")


class UnitsRequest(RequestSchema):
    """Base of every request: the unit system."""

    units = Choice(
        "Unit system of every number in this request and its answer; metric when left out",
        ("metric", "inch"),
        load_default="metric",
    )


LAWS = ("bilinear", "hollomon", "swift", "ludwik", "ramberg_osgood")


class HardeningSchema(StrictSchema):
    """A law of stress over strain from the caller's own tests; no tube standard holds one."""

    law = Choice(
        "`bilinear` (tangent_modulus), `hollomon` (K, n), `swift` (K, n, prestrain), `ludwik` "
        "(K, n), `ramberg_osgood` (exponent N)",
        LAWS,
        required=True,
    )
    strength_coefficient = Quantity("pressure", "Strength coefficient K", least=0.1, most=1e7)
    exponent = Ratio("Exponent n, or N of Ramberg and Osgood", least=0.001, most=200.0)
    prestrain = Ratio("Prestrain of Swift's law")
    tangent_modulus = Quantity("pressure", "Tangent modulus", least=0.0, most=1e8)


class MaterialSchema(StrictSchema):
    """A material by its values, from a standard, a certificate or the caller's own tests."""

    name = Text("Name", required=True)
    elastic_modulus = Quantity("pressure", "Elastic modulus E", least=1.0, most=1e8, required=True)
    density = Quantity("density", "Density", least=0.001, most=30.0, required=True)
    yield_strength = Quantity(
        "pressure", "Least yield or 0.2 % proof strength", least=0.1, most=1e6
    )
    yield_strength_max = Quantity("pressure", "Largest yield strength known", least=0.1, most=1e6)
    tensile_strength = Quantity("pressure", "Least tensile strength", least=0.1, most=1e6)
    tensile_strength_max = Quantity("pressure", "Largest tensile strength", least=0.1, most=1e6)
    elongation = Quantity("percent", "Elongation after fracture", least=0.0, most=100.0)
    poisson_ratio = Ratio("Poisson's ratio", least=0.0, most=0.5)
    hardening = Part(HardeningSchema, "Strain hardening")


class TubeSchema(StrictSchema):
    """A round tube."""

    outside_diameter = Length("Outside diameter D", least=0.01, most=500.0, required=True)
    wall_thickness = Length("Wall thickness t, below D/2", least=0.001, most=250.0, required=True)
    material = Either(
        "Id of a shipped material (GET /v1/materials), or a material by its values",
        {"elastic_modulus": MaterialSchema},
        reference.materials,
    )


def rotation_field(
    description: str = "Rotation before the bend; 0 or left out at the first",
) -> Angle:
    """The rotation before a bend as a field."""
    return Angle(description, least=-180.0, most=180.0, load_default=0.0)


class BendSchema(StrictSchema):
    """One row of a bend table: the straight before the bend, then the bend."""

    straight = Length("Straight before the bend, between tangent points", required=True)
    rotation = rotation_field(
        "Turn of the bend plane from the bend before, about the direction of travel, right-hand "
        "rule; 0 or left out at the first bend"
    )
    angle = Angle("Bend angle θ", least=0.01, most=350.0, required=True)
    radius = Length("Centre-line radius R", least=0.01, most=10_000.0, required=True)


class BendTableSchema(StrictSchema):
    """A run as a bend table, from end 1."""

    bends = Parts(BendSchema, "Bends in order from end 1", most=MOST_BENDS, required=True)
    last_straight = Length("Straight after the last bend, to end 2", required=True)


class PointSent(StrictSchema):
    """Base of a point that is sent."""

    x = Length("Coordinate x", least=-100_000.0, required=True)
    y = Length("Coordinate y", least=-100_000.0, required=True)
    z = Length("Coordinate z; 0 when left out", least=-100_000.0, load_default=0.0)


class VertexSchema(PointSent):
    """An end point or an intersection point."""

    radius = Length("Centre-line radius here, instead of the run's", least=0.01, most=10_000.0)


class VertexRunSchema(StrictSchema):
    """A run as its end points and the intersection points between; bends below 179.4°."""

    vertices = Parts(
        VertexSchema,
        "End 1, intersection points, end 2",
        least=2,
        most=MOST_BENDS + 2,
        required=True,
    )
    radius = Length(
        "Centre-line radius of every bend that has none of its own", least=0.01, most=10_000.0
    )


def run_field(**kwargs: Any) -> Either:
    """The run as a field: a bend table or vertices."""
    return Either(
        "The centre line as a bend table (`bends`, `last_straight`) or as `vertices`",
        {"bends": BendTableSchema, "vertices": VertexRunSchema},
        **{"required": True, **kwargs},
    )


def run_of(ask: Ask) -> Run:
    """The run of a converted body.

    Raises:
        MissingError: an intersection point without a radius
        OutOfRangeError: a radius at an end point
        GeometryError: what ``run_from_vertices`` refuses
    """
    given = ask["run"]
    if "bends" in given:
        rows = tuple(
            [Bend(b["straight"], b["rotation"], b["angle"], b["radius"]) for b in given["bends"]]
        )
        return _below(lambda: Run(rows, given["last_straight"]), "run")
    points = given["vertices"]
    radii = [_radius_at(given, index) for index in range(1, len(points) - 1)]
    for index in (0, len(points) - 1):
        if points[index]["radius"] is not None:
            raise OutOfRangeError("radius_at_end", ("run", "vertices", index, "radius"))
    return run_from_vertices(points_of(points), radii)


def points_of(given: Any) -> list[Vector]:
    """Points of a converted body."""
    return [(point["x"], point["y"], point["z"]) for point in given]


def drawn_points(ask: Ask) -> list[Vector] | None:
    """The vertices of the run in the frame they were sent in; None for a bend table."""
    return points_of(ask["run"]["vertices"]) if "vertices" in ask["run"] else None


def _radius_at(given: Ask, index: int) -> float:
    radius = given["vertices"][index]["radius"]
    radius = given["radius"] if radius is None else radius
    if radius is None:
        raise MissingError(
            "vertex_without_radius", ("run", "vertices", index), {"vertex": index + 1}
        )
    return float(radius)


def _below(make: Callable[[], Made], *prefix: str | int) -> Made:
    """Call ``make``; an error it raises gets its field placed below ``prefix``."""
    try:
        return make()
    except CalculationError as error:
        raise error.below(*prefix) from None


def tube_field(description: str = "The tube", **kwargs: Any) -> Part:
    """The tube as a field."""
    return Part(TubeSchema, description, **{"required": True, **kwargs})


def tube_of(ask: Ask, name: str = "tube") -> Tube:
    """The tube of a converted body, with its material's minimum for small tube where there is one.

    Raises what Tube and Material refuse.
    """
    given = ask[name]
    material = material_of(given["material"], name, "material")
    od, wall = given["outside_diameter"], given["wall_thickness"]
    if material is not None and _is_small(material, od, wall):
        material = _small_tube(material.id)
    return _below(lambda: Tube(od, wall, material), name)


def _is_small(material: Material, od: float, wall: float) -> bool:
    within = od <= (material.small_tube_outside_diameter or 0.0)
    return within and wall <= (material.small_tube_wall_thickness or 0.0)


@cache
def _small_tube(name: str) -> Material:
    """Some standards allow a lower yield strength for small tube; it is the minimum there."""
    material = reference.materials()[name]
    return replace(material, yield_strength=material.small_tube_yield_strength)


def material_of(given: Any, *field: str | int) -> Material | None:
    """A shipped material by id, or one by its values."""
    if given is None:
        return None
    if isinstance(given, str):
        return reference.materials()[given]
    values = {key: value for key, value in given.items() if value is not None}
    if "hardening" in values:
        values["hardening"] = hardening_of(values["hardening"])
    return _below(lambda: Material(id="inline", source="caller", **values), *field)


def hardening_of(given: Any) -> Hardening | None:
    """A hardening law of a converted body; its coefficients are checked where it is used."""
    return None if given is None else Hardening(**given)


class DieSchema(StrictSchema):
    """A bend die with the pressure die and clamp that go with it."""

    name = Text("Name", load_default="")
    tube_outside_diameter = Length(
        "Tube that its groove is made for", least=0.01, most=500.0, required=True
    )
    radius = Length(
        "Centre-line radius, above half that tube", least=0.01, most=10_000.0, required=True
    )
    largest_angle = Angle("Largest set angle", least=1.0, required=True)
    clamp_length = Length("Straight tube that the clamp needs", most=10_000.0)
    pressure_die_length = Length("Straight tube that the pressure die needs", most=10_000.0)
    mark_offset = Length(
        "Zero mark minus start of bend, positive towards the bend",
        least=-1000.0,
        most=1000.0,
        load_default=0.0,
    )
    has_angle_marks = Flag("Whether the die carries angle marks", load_default=False)


def die_field(**kwargs: Any) -> Either:
    """The die as a field: an id of the shop profile, or its values."""
    return Either(
        "Id of a die of the shop profile (GET /v1/dies), or a die by its values",
        {"tube_outside_diameter": DieSchema},
        lambda: reference.shop().dies,
        **kwargs,
    )


def die_of(given: Any, *field: str | int) -> Die | None:
    """A die of the shop profile by id, or one by its values.

    Arguments:
        field: where the die stands in the request; ``die`` when left out

    Raises:
        OutOfRangeError: a radius of half the diameter of its tube or less
    """
    if given is None:
        return None
    if isinstance(given, str):
        return reference.shop().dies[given]
    least = given["tube_outside_diameter"] / 2
    if given["radius"] <= least:
        parts = {"value": Amount(given["radius"], "length"), "limit": Amount(least, "length")}
        raise OutOfRangeError("die_radius_within_tube", (*(field or ("die",)), "radius"), parts)
    return Die(id="inline", **given)


class RatedTubeSchema(StrictSchema):
    """A tube that the bender is known to bend, with its material or its flow stress."""

    outside_diameter = Length("Outside diameter D", least=0.01, most=500.0, required=True)
    wall_thickness = Length("Wall thickness t, below D/2", least=0.001, most=250.0, required=True)
    material = Either("Id of a shipped material (GET /v1/materials)", {}, reference.materials)
    flow_stress = Quantity(
        "pressure",
        "Mean stress of that tube while it bends; half the sum of least yield and tensile strength "
        "of its material when left out",
        least=0.1,
        most=1e6,
    )
    radius = Length("Centre-line radius of that bend", least=0.01, most=10_000.0)


class HandCrankSchema(StrictSchema):
    """The hand crank."""

    gear_ratio = Ratio("Crank turns per turn of the die", least=0.05, most=5000.0, required=True)
    lever_length = Length("Crank radius", least=0.1, most=5000.0, required=True)
    efficiency = Ratio("Output work over input work", least=0.05, required=True)
    comfortable_force = Quantity("force", "Hand force that is allowed", least=0.1, most=10_000.0)


class BenderSchema(StrictSchema):
    """A bench bender by its values."""

    name = Text("Name", load_default="")
    least_outside_diameter = Length("Smallest tube", least=0.01, most=500.0, required=True)
    largest_outside_diameter = Length("Largest tube", least=0.01, most=500.0, required=True)
    largest_angle = Angle("Largest set angle", least=1.0, required=True)
    dies = Parts(die_field(), "Dies at hand", most=200, load_default=())
    rated_tubes = Parts(
        RatedTubeSchema, "Tubes that it is known to bend", most=200, load_default=()
    )
    drive = Part(HandCrankSchema, "Hand crank")
    longest_tube = Length("Longest tube that fits before the stop", least=0.01)
    brace_from = Length("Tube from which its support brace is fitted", least=0.01, most=500.0)
    support_from = Length("Tube behind the die from which it is to be supported", least=0.01)
    lubricant = Text("What groove and tube are lubricated with", most=200, load_default="")
    tube_can_be_turned = Flag(
        "Whether the tube may be lifted out between two bends and put in again, rolled or end for "
        "end",
        load_default=False,
    )
    surroundings = Part(SurroundingsSchema, "What a tube may run into while it is bent")


def bender_field(**kwargs: Any) -> Either:
    """The bender as a field: an id of the shop profile, or its values."""
    return Either(
        "Id of a bender of the shop profile (GET /v1/benders), or a bender by its values",
        {"largest_outside_diameter": BenderSchema},
        lambda: reference.shop().benders,
        **kwargs,
    )


def bender_of(given: Any) -> Bender | None:
    """A bender of the shop profile by id, or one by its values.

    Raises:
        OutOfRangeError, GeometryError: the smallest tube above the largest; as ``bender_dies`` and
            ``surroundings_of``
    """
    if given is None:
        return None
    if isinstance(given, str):
        return reference.shop().benders[given]
    least, most = given["least_outside_diameter"], given["largest_outside_diameter"]
    if least > most:
        parts = {"value": Amount(most, "length"), "least": Amount(least, "length")}
        where = ("bender", "largest_outside_diameter")
        raise OutOfRangeError("bender_range_crossed", where, parts)
    made = {
        "dies": tuple(die.id for die in bender_dies(given)),
        "rated_tubes": tuple(RatedTube(**tube) for tube in given["rated_tubes"]),
        "drive": Drive(**given["drive"]) if given["drive"] else None,
        "surroundings": surroundings_of(given["surroundings"]),
    }
    return Bender(id="inline", **{**given, **made})


def bender_dies(given: Any) -> tuple[Die, ...]:
    """The dies of a bender, in its own order; those by values are numbered ``inline-1``, …

    Raises:
        OutOfRangeError: as ``die_of``
    """
    if isinstance(given, str):
        shop = reference.shop()
        return tuple(shop.dies[name] for name in shop.benders[given].dies)
    dies = [die_of(die, "bender", "dies", index) for index, die in enumerate(given["dies"])]
    return tuple(
        replace(die, id=f"inline-{number}") if die.id == "inline" else die
        for number, die in enumerate(dies, 1)
        if die is not None
    )


class AllowanceSchema(StrictSchema):
    """Tube to add at an end, named by the caller: flare, insertion, squaring."""

    name = Text("What it is for", required=True)
    length = Length(
        "Length to add; below 0 to take off", least=-10_000.0, most=10_000.0, required=True
    )


class EndAllowancesSchema(StrictSchema):
    """Tube to add at each end, and to trim."""

    end_1 = Parts(AllowanceSchema, "Allowances at end 1", most=10, load_default=())
    end_2 = Parts(AllowanceSchema, "Allowances at end 2", most=10, load_default=())
    trim = Length(
        "Tube to add for trimming after bending, at the end worked last",
        most=10_000.0,
        load_default=0.0,
    )


def ends_field(description: str = "End allowances and trim") -> Part:
    """End allowances as a field."""
    return Part(EndAllowancesSchema, description)


def ends_of(given: Any) -> Ends:
    """End allowances of a converted body."""
    if given is None:
        return Ends()
    sides = [tuple(Allowance(a["name"], a["length"]) for a in given[end]) for end in ENDS]
    return Ends(sides[0], sides[1], given["trim"])


def stretch_field() -> Ratio:
    """Stretch as a field."""
    return Ratio(
        "Fraction of arc length by which bending lengthens the tube, from the shop's own trials; "
        "0 when left out",
        most=0.2,
        load_default=0.0,
    )


class SpringbackSchema(StrictSchema):
    """Springback = constant + proportional × set angle, from trial bends with this tube and die."""

    constant = Angle("Constant part a", least=-10.0, most=30.0, load_default=0.0)
    proportional = Ratio("Proportional part b", most=0.5, load_default=0.0)
    radius = Length(
        "Die radius that it holds for; left out, it holds for every radius not named",
        least=0.01,
        most=10_000.0,
    )
    band = Angle("Half width in which one more bend falls, from the trials", most=30.0)


def springback_field() -> Parts:
    """Springback as a field."""
    return Parts(
        SpringbackSchema, "Springback, at most one per die radius", most=50, load_default=()
    )


def springback_of(given: Any) -> tuple[Springback, ...]:
    """Springbacks of a converted body."""
    return tuple([Springback(**law) for law in given])


def measured_from_field(
    description: str = "End from which marks are measured and work proceeds",
) -> Choice:
    """The end that is worked first as a field."""
    return Choice(description, ENDS, load_default="end_1")


def measure_field(
    description: str = "`from_end`: every mark from that end, so that errors do not add; "
    "`as_you_go`: each from the end of the bend made before",
) -> Choice:
    """What marks are measured from as a field."""
    return Choice(description, ("from_end", "as_you_go"), load_default="from_end")


def mark_offset_field(
    description: str = "Zero mark of the die minus start of bend, positive towards the bend; "
    "instead of the die's",
) -> Length:
    """The mark of a die that was measured anew as a field."""
    return Length(description, least=-1000.0, most=1000.0)


class BenchSchema(StrictSchema):
    """What the rule and the protractor at the bench show."""

    step = Length("Step of the rule; 0.5 mm or 1/32 in when left out", least=0.001, most=10.0)
    angle_step = Angle("Step of the protractor; 0.5° when left out", least=0.01, most=10.0)


def bench_field() -> Part:
    """Rounding at the bench as a field."""
    return Part(BenchSchema, "Rounding at the bench")


def bench_of(given: Any, system: str) -> Bench:
    """Rounding of rule and protractor, with the shop's own step where the body names none."""
    inch = system == "inch"
    step = given["step"] if given else None
    if step is None:
        step = INCH / 32 if inch else reference.shop().bench_step
    angle = given["angle_step"] if given else None
    unit = INCH if inch else 1.0
    return Bench(unit, step / unit, **({} if angle is None else {"angle_step": angle}))


class TolerancesSchema(StrictSchema):
    """Plus-minus tolerances."""

    straight = Length("Of each straight", most=100.0, load_default=0.0)
    angle = Angle("Of each bend angle", most=45.0, load_default=0.0)
    radius = Length("Of each radius", most=100.0, load_default=0.0)
    cut = Length("Of the cut", most=100.0, load_default=0.0)


def tolerances_of(given: Any) -> Tolerances | None:
    """Tolerances of a converted body."""
    return None if given is None else Tolerances(**given)


def flow_stress_field() -> Quantity:
    """The stress of the tube while it bends as a field."""
    return Quantity(
        "pressure",
        "Mean stress of this tube while it bends, from the caller's own figures",
        least=0.1,
        most=1e6,
    )


def strength_factor_field() -> Ratio:
    """The scatter of the strength as a field."""
    return Ratio(
        "Strongest over weakest tube to reckon with; without it the maxima of the material, else "
        "1.6 on its minimum",
        least=1.0,
        most=10.0,
    )


def load_factor_field() -> Ratio:
    """The factor on the load as a field."""
    return Ratio(
        "Factor by which the load is raised before it is held against the rating",
        least=1.0,
        most=10.0,
        load_default=1.0,
    )


def pull_fields() -> tuple[Quantity, Quantity]:
    """The fields `pressure_die_friction` and `mandrel_drag`."""
    return (
        Quantity("force", "Axial pull of pressure-die friction", least=0.0, most=1e7),
        Quantity("force", "Axial pull of mandrel drag", least=0.0, most=1e7),
    )


def strength_to_bend(
    tube: Tube, flow_stress: float | None = None, factor: float | None = None, *own: str
) -> Strength | None:
    """The strength of a tube as it bends; a refusal points to where its figure was sent.

    Arguments:
        flow_stress, factor: as ``strength_of`` takes them
        own: members of the request, beside ``flow_stress``, that stand for the material's figures

    Raises what ``strength_of`` refuses.
    """
    try:
        return strength_of(tube.material, flow_stress, factor)
    except CalculationError as error:
        if error.field[:1] in {("tube",), ("flow_stress",), *((name,) for name in own)}:
            raise
        raise error.below("tube", "material") from None


def ratings_of(bender: Bender) -> tuple[Rating, ...]:
    """The rated tubes of a bender as moments, with the materials they name.

    Raises:
        OutOfRangeError: a wall of half the diameter or more
        MissingError: neither a flow stress nor a material with yield and tensile strength
    """
    return tuple(_rating(number, rated) for number, rated in enumerate(bender.rated_tubes, 1))


def _rating(number: int, rated: RatedTube) -> Rating:
    material = reference.materials()[rated.material] if rated.material else None
    od, wall = rated.outside_diameter, rated.wall_thickness
    if material is not None and _is_small(material, od, wall):
        material = _small_tube(material.id)
    where = ("bender", "rated_tubes", number - 1)
    return rating(number, rated, _below(lambda: Tube(od, wall, material), *where))


def standard_walls(outside_diameter: float) -> tuple[float, ...]:
    """Walls of the shipped tube sizes in this outside diameter, mm."""
    return tuple(
        size.wall_thickness
        for size in reference.tube_sizes().values()
        if math.isclose(size.outside_diameter, outside_diameter, rel_tol=1e-6)
    )


class BendsRequest(UnitsRequest):
    """Base of a request about single bends: one radius, that of a die, or every bend of a run."""

    tube = tube_field()
    run = run_field(required=False)
    radius = Length(
        "Centre-line radius of one bend, instead of a run; the die's when left out",
        least=0.01,
        most=10_000.0,
    )
    angle = Angle("Bend angle of that one bend", least=0.01, most=350.0)
    tube_behind = Length(
        "Tube from the start tangent point of that one bend to its rear end, straight and unbent"
    )
    die = die_field()
    measured_from = measured_from_field(
        "End of the run from which work proceeds; the other one is the rear end"
    )
    stretch = stretch_field()
    ends = ends_field("End allowances and trim of the run")


def bends_of(ask: Ask, tube: Tube, die: Die | None) -> tuple[BendToMake, ...]:
    """The bends asked about, in the order of the work; none where neither run nor radius is known.

    Raises:
        NotDeterminedError: a run together with what belongs to a single bend
        OutOfRangeError: a radius of half the diameter or less
    """
    if ask["run"] is not None:
        for name in ("radius", "angle", "tube_behind"):
            if ask[name] is not None:
                raise NotDeterminedError("run_and_single_bend", (name,), {"name": name})
        return bends_of_run(
            run_of(ask),
            tube,
            measured_from=ask["measured_from"],
            stretch=ask["stretch"],
            ends=ends_of(ask["ends"]),
        )
    radius, where = ask["radius"], "radius"
    if radius is None and die is not None:
        radius, where = die.radius, "die"
    if radius is None:
        return ()
    if radius <= tube.outside_diameter / 2:
        limit = Amount(tube.outside_diameter / 2, "length")
        raise OutOfRangeError(
            "radius_within_tube",
            (where,),
            {"value": Amount(radius, "length"), "limit": limit, "bend": 1},
        )
    return (BendToMake(1, radius, ask["angle"], ask["tube_behind"]),)


def bend_fields() -> tuple[Either, Length, Angle]:
    """The fields of a request about the form of bends: `run`, or `radius` and `angle`."""
    return (
        run_field(required=False),
        Length("Centre-line radius R of one bend, instead of a run", least=0.01, most=10_000.0),
        Angle("Bend angle of that one bend, for the record", least=0.01, most=350.0),
    )


def formed_bends_of(ask: Ask, tube: Tube) -> tuple[FormedBend, ...]:
    """The bend of `radius` or those of `run`; none where neither was sent.

    Raises:
        NotDeterminedError: a run together with what belongs to a single bend
        MissingError: an angle without a radius
        OutOfRangeError, GeometryError: a bend that no bender could mean
    """
    if ask["run"] is not None:
        for name in ("radius", "angle"):
            if ask[name] is not None:
                raise NotDeterminedError("run_and_single_bend", (name,), {"name": name})
        run = run_of(ask)
        check_run(run, tube.outside_diameter)
        return formed_bends(run)
    if ask["radius"] is not None:
        return (FormedBend(ask["radius"], ask["angle"]),)
    if ask["angle"] is not None:
        raise MissingError("radius_of_bend_missing", ("radius",))
    return ()


class MeasuredBendSchema(StrictSchema):
    """What was measured on a finished bend; both diameters from the same section."""

    bend = Count("Bend number from end 1; 1 when left out", least=1, most=MOST_BENDS)
    largest_diameter = Length("Largest outside diameter Dmax", least=0.001, most=1000.0)
    least_diameter = Length("Least outside diameter Dmin", least=0.001, most=1000.0)
    wall_outside = Length("Wall on the outside of the bend", least=0.0001, most=1000.0)
    wall_side = Length("Wall at the side", least=0.0001, most=1000.0)
    wall_inside = Length("Wall on the inside of the bend", least=0.0001, most=1000.0)


def measured_field() -> Parts:
    """Measures of finished bends as a field."""
    return Parts(
        MeasuredBendSchema,
        "What was measured, at most one entry a bend",
        most=MOST_BENDS,
        load_default=(),
    )


def measured_of(given: Any) -> tuple[MeasuredBend, ...]:
    """Measures of a converted body."""
    return tuple(MeasuredBend(**{**one, "bend": one["bend"] or 1}) for one in given)


class WallDeductionSchema(StrictSchema):
    """What is taken off the ordered wall; the tolerance as a share or as a length, not both."""

    tolerance_share = Quantity(
        "percent", "Minus tolerance as a share of the wall", least=0.0, most=50.0
    )
    tolerance = Length("Minus tolerance as a length", most=100.0)
    corrosion_allowance = Length(
        "Allowance for corrosion, erosion and wear", most=100.0, load_default=0.0
    )


def deduction_field() -> Part:
    """What is taken off the wall as a field."""
    return Part(WallDeductionSchema, "What is taken off the ordered wall; nothing when left out")


def deduction_of(given: Any) -> WallDeduction:
    """What is taken off the wall, of a converted body."""
    return WallDeduction() if given is None else WallDeduction(**given)


class MandrelSchema(StrictSchema):
    """The mandrel and its rod."""

    clearance = Length(
        "Inside diameter of the tube less diameter of the mandrel; the shop's when left out",
        most=50.0,
    )
    body_diameter = Length("Diameter of the mandrel, instead of a clearance", most=500.0)
    nose = Choice(
        "Shape of the nose; sharp allows the least lead",
        NOSES,
        load_default="sharp",
    )
    corner_radius = Length("Corner radius of a rounded nose", most=250.0)
    lead = Length(
        "Lead to check: nose ahead of the tangent point; below 0 behind it",
        least=-1000.0,
        most=10_000.0,
    )
    rod_length = Length(
        "How far one rod reaches, to the tip of the nose; the shop's when left out", least=1.0
    )
    rod_overlap = Length("What each coupling of two rods overlaps", most=10_000.0, load_default=0.0)


def mandrel_field() -> Part:
    """The mandrel and its rod as a field."""
    return Part(MandrelSchema, "The mandrel and its rod", load_default={})


def mandrel_tool_of(given: Any, tube: Tube) -> MandrelTool | None:
    """The mandrel of a converted body, else by the clearance of the shop; None without both.

    A clearance of the shop that is as wide as the bore leaves no mandrel for this tube.

    Raises what ``mandrel_tool`` refuses.
    """
    names = ("clearance", "body_diameter", "nose", "corner_radius")
    parts = {name: given[name] for name in names}
    clearance = reference.shop().mandrel_clearance
    if clearance is not None and clearance >= tube.inside_diameter:
        clearance = None
    return mandrel_tool(tube, **parts, shop_clearance=clearance)


def mandrel_rod_of(given: Any) -> Rod | None:
    """The mandrel rod of a converted body, else the shop's; None where neither states one."""
    if given["rod_length"] is not None:
        return Rod(given["rod_length"], given["rod_overlap"], "request")
    length = reference.shop().mandrel_rod_length
    return None if length is None else Rod(length, given["rod_overlap"], "shop")
