"""What a review is asked: the body, and the case that it makes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service import inputs, reference
from service.calc.bend_limits import STANDARDS
from service.calc.bend_rules import (
    Bench,
    NearbyPart,
    PressureDemand,
    QualityDemand,
    ReviewCase,
    box_axes,
)
from service.calc.bender_load import strength_of
from service.calc.capacity_check import LoadTerms
from service.calc.drawn_run import DrawnRun, drawn_from_run, drawn_from_vertices, run_with_radii
from service.calc.mandrel_criterion import limits_in_force
from service.calc.mandrel_lead import MandrelTool, Rod, mandrel_tool
from service.calc.obstacle_clearance import Bar, Box, Cylinder, Obstacle
from service.calc.pressure_rating import Stress
from service.calc.run_geometry import Placement, Vector, placement
from service.errors import CalculationError, GeometryError, MissingError
from service.model import EndFitting, Run, Tube
from service.web.fields import (
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
from service.web.operation import Ask
from service.web.schema import StrictSchema


class EndFittingSchema(StrictSchema):
    """What goes on an end of the tube; what is not stated is not reckoned with."""

    kind = Choice(
        "`flare`: the tube's own end is flared; `cone_24`: 24° cone connector; `compression`: any "
        "other that grips the plain tube",
        ("flare", "cone_24", "compression"),
        required=True,
    )
    name = Text("Name", load_default="")
    tube_outside_diameter = Length(
        "Tube that it is made for; this tube when left out", least=0.01, most=500.0
    )
    insertion = Length("How far the tube goes into it", most=10_000.0)
    nut_length = Length("Length of the nut", most=10_000.0)
    tool_length = Length("Straight tube that the flaring or assembly tool grips", most=10_000.0)
    least_straight = Length(
        "Straight from the end of the tube to the bend, instead of reckoning it", most=10_000.0
    )


def _fitting_field(end: str) -> Either:
    return Either(
        f"What goes on {end}: id of an end fitting of the shop profile (GET /v1/end-fittings), or "
        "its values",
        {"kind": EndFittingSchema},
        lambda: reference.shop().end_fittings,
    )


class RunFittingsSchema(StrictSchema):
    """What goes on the ends."""

    end_1 = _fitting_field("end 1")
    end_2 = _fitting_field("end 2")


class NearbyPoint(inputs.PointSent):
    """A point in the frame of the run."""


class NearbyDirection(StrictSchema):
    """A direction; its length does not matter."""

    x = Ratio("Component x", least=-1e6, most=1e6, required=True)
    y = Ratio("Component y", least=-1e6, most=1e6, required=True)
    z = Ratio("Component z; 0 when left out", least=-1e6, most=1e6, load_default=0.0)


class NearbySize(StrictSchema):
    """Edges of a box along its own axes."""

    x = Length("Along its x axis", least=0.001, required=True)
    y = Length("Along its y axis", least=0.001, required=True)
    z = Length("Along its z axis", least=0.001, required=True)


class BoxShape(StrictSchema):
    """A solid box."""

    centre = Part(NearbyPoint, "Middle of the box", required=True)
    size = Part(NearbySize, "Its edges", required=True)
    x_axis = Part(NearbyDirection, "Direction of its x axis; that of the run's frame if left out")
    y_axis = Part(
        NearbyDirection,
        "Direction of its y axis, made square to x; that of the run's frame if left out",
    )


class CylinderShape(StrictSchema):
    """A solid cylinder with flat ends."""

    start = Part(NearbyPoint, "Middle of one end", required=True)
    end = Part(NearbyPoint, "Middle of the other end", required=True)
    diameter = Length("Diameter", least=0.001, required=True)


class SegmentShape(StrictSchema):
    """A line, a bar or another tube, its ends rounded off."""

    start = Part(NearbyPoint, "One end of its axis", required=True)
    end = Part(NearbyPoint, "The other end of its axis", required=True)
    diameter = Length("Diameter; 0, a line, when left out", load_default=0.0)


def _part_name() -> Text:
    return Text("Name, for the answer", load_default="")


def _part_clearance() -> Length:
    return Length("Clearance wanted to it; the request's when left out", most=10_000.0)


class NearbyBox(StrictSchema):
    """A part as a box."""

    name = _part_name()
    clearance = _part_clearance()
    box = Part(BoxShape, "The box", required=True)


class NearbyCylinder(StrictSchema):
    """A part as a cylinder."""

    name = _part_name()
    clearance = _part_clearance()
    cylinder = Part(CylinderShape, "The cylinder", required=True)


class NearbySegment(StrictSchema):
    """A part as a segment."""

    name = _part_name()
    clearance = _part_clearance()
    segment = Part(SegmentShape, "The segment", required=True)


def _parts_field() -> Parts:
    part = Either(
        "A part as `box`, `cylinder` or `segment`",
        {"box": NearbyBox, "cylinder": NearbyCylinder, "segment": NearbySegment},
    )
    return Parts(
        part,
        "What stands near the run, in the frame of its vertices; for a bend table end 1 at the "
        "origin, travel along +x, the first bend towards +y. What an end is screwed into does not "
        "belong here",
        most=50,
        load_default=(),
    )


class BendReviewRequest(inputs.UnitsRequest):
    """A run, its tube, the bender, and what is asked of the finished line."""

    run = inputs.run_field()
    tube = inputs.tube_field()
    bender = inputs.bender_field(required=True)
    measured_from = inputs.measured_from_field(
        "End that work proceeds from; its straight is gripped first"
    )
    ends = inputs.ends_field()
    fittings = Part(RunFittingsSchema, "What goes on the ends", load_default={})
    stretch = inputs.stretch_field()
    springback = inputs.springback_field()
    flow_stress = inputs.flow_stress_field()
    strength_factor = inputs.strength_factor_field()
    load_factor = inputs.load_factor_field()
    mandrel_at_hand = Flag(
        "Whether there is a mandrel for this tube; when left out, whether the shop profile states "
        "a mandrel clearance"
    )
    measured = inputs.measured_field()
    largest_thinning = Quantity(
        "percent", "Largest loss of wall at the outside of a bend", least=0.0, most=100.0
    )
    required_wall = Length(
        "Wall that pressure needs in the straight tube, without allowances; it is held against the "
        "wall of each bend",
        least=0.0001,
        most=250.0,
    )
    standards = Parts(
        Choice("Standard", STANDARDS),
        "Standards that apply to wall and ovality; left out, all are compared and none blocks",
        most=len(STANDARDS),
    )
    wall_deduction = inputs.deduction_field()
    pressure = Quantity(
        "pressure",
        "Pressure that the line must bear; needs `allowable_stress` or `design_factor`",
        least=0.0001,
        most=1e6,
    )
    allowable_stress = Quantity(
        "pressure", "Allowable stress S at the temperature of use", least=0.01, most=1e6
    )
    design_factor = Ratio(
        "Design factor n of S = Rm/n on the least tensile strength", least=1.0, most=100.0
    )
    clearance = Length(
        "Clearance wanted of the tube to itself and to parts that state none, surface to surface; "
        "0 when left out",
        most=10_000.0,
        load_default=0.0,
    )
    parts = _parts_field()
    most_variants = Count(
        "How many variants to look for at most where the run blocks; 0 looks for none",
        most=10,
        load_default=3,
    )


def case_of(ask: Ask) -> ReviewCase:
    """What is to be reviewed, of a converted body.

    Raises:
        CalculationError: what tube, bender, run or fittings cannot be
    """
    tube = inputs.tube_of(ask)
    drawn, run = _runs(ask)
    return ReviewCase(
        drawn=drawn,
        run=run,
        tube=tube,
        bench=_bench(ask, tube),
        work_from=ask["measured_from"],
        stretch=ask["stretch"],
        ends=inputs.ends_of(ask["ends"]),
        fittings=_fittings(ask, tube),
        springback=inputs.springback_of(ask["springback"]),
        strength=strength_of(tube.material, ask["flow_stress"], ask["strength_factor"]),
        terms=LoadTerms(load_factor=ask["load_factor"]),
        quality=_quality(ask),
        clearance=ask["clearance"],
        parts=tuple(_part(given, index, ask) for index, given in enumerate(ask["parts"])),
        place=_placement(ask["run"]),
    )


def _runs(ask: Ask) -> tuple[DrawnRun, Run]:
    """The run as drawn and as a bend table; of one that cannot be built a straight is below 0."""
    try:
        run = inputs.run_of(ask)
    except GeometryError as error:
        if error.code != "vertices_too_close":
            raise
        drawn = _drawn(ask["run"])
        return drawn, run_with_radii(drawn, drawn.radii)
    return (_drawn(ask["run"]) if "vertices" in ask["run"] else drawn_from_run(run)), run


def _drawn(given: Ask) -> DrawnRun:
    inner = given["vertices"][1:-1]
    radii = [given["radius"] if p["radius"] is None else p["radius"] for p in inner]
    return drawn_from_vertices(inputs.points_of(given["vertices"]), radii)


def _placement(given: Ask) -> Placement | None:
    return placement(inputs.points_of(given["vertices"])) if "vertices" in given else None


def _bench(ask: Ask, tube: Tube) -> Bench:
    shop, bender = reference.shop(), inputs.bender_of(ask["bender"])
    assert bender is not None  # the schema requires it
    tool, at_hand = _mandrel(tube), ask["mandrel_at_hand"]
    rod = shop.mandrel_rod_length
    return Bench(
        bender=bender,
        dies=inputs.bender_dies(ask["bender"]),
        ratings=inputs.ratings_of(bender),
        mandrel_limits=limits_in_force(shop.mandrel_limits),
        mandrel_at_hand=tool is not None if at_hand is None else at_hand,
        mandrel_tool=tool,
        mandrel_rod=None if rod is None else Rod(rod, origin="shop"),
        invented=shop.invented,
    )


def _mandrel(tube: Tube) -> MandrelTool | None:
    """The shop's mandrel for this tube; None where its clearance leaves none."""
    clearance = reference.shop().mandrel_clearance
    if clearance is None or clearance >= tube.inside_diameter:
        return None
    return mandrel_tool(tube, shop_clearance=clearance)


def _fittings(ask: Ask, tube: Tube) -> tuple[EndFitting | None, EndFitting | None]:
    given = ask["fittings"]
    return _fitting(given.get("end_1"), tube), _fitting(given.get("end_2"), tube)


def _fitting(given: Any, tube: Tube) -> EndFitting | None:
    if given is None:
        return None
    if isinstance(given, str):
        return reference.shop().end_fittings[given]
    made_for = given["tube_outside_diameter"]
    od = tube.outside_diameter if made_for is None else made_for
    return EndFitting(id="inline", **{**given, "tube_outside_diameter": od})


def _part(given: Ask, index: int, ask: Ask) -> NearbyPart:
    clearance = ask["clearance"] if given["clearance"] is None else given["clearance"]
    kind = next(kind for kind in _SOLIDS if kind in given)
    try:
        solid = _SOLIDS[kind](given[kind])
    except CalculationError as error:
        raise error.below("parts", index, kind) from None
    return NearbyPart(given["name"], solid, clearance)


def _vector(given: Ask) -> Vector:
    return (given["x"], given["y"], given["z"])


def _box(given: Ask) -> Box:
    x = (1.0, 0.0, 0.0) if given["x_axis"] is None else _vector(given["x_axis"])
    y = (0.0, 1.0, 0.0) if given["y_axis"] is None else _vector(given["y_axis"])
    half = [edge / 2 for edge in _vector(given["size"])]
    return Box(_vector(given["centre"]), (half[0], half[1], half[2]), box_axes(x, y))


def _cylinder(given: Ask) -> Cylinder:
    return Cylinder(_vector(given["start"]), _vector(given["end"]), given["diameter"] / 2)


def _segment(given: Ask) -> Bar:
    return Bar(_vector(given["start"]), _vector(given["end"]), given["diameter"] / 2)


_SOLIDS: dict[str, Callable[[Ask], Obstacle]] = {
    "box": _box,
    "cylinder": _cylinder,
    "segment": _segment,
}


def _quality(ask: Ask) -> QualityDemand:
    pressure, standards = ask["pressure"], ask["standards"]
    for name in ("allowable_stress", "design_factor"):
        if pressure is None and ask[name] is not None:
            raise MissingError("pressure_to_rate_missing", ("pressure",), {"name": name})
    stress = Stress(ask["allowable_stress"], ask["design_factor"])
    return QualityDemand(
        measured=inputs.measured_of(ask["measured"]),
        largest_thinning=ask["largest_thinning"],
        required_wall=ask["required_wall"],
        standards=None if standards is None else tuple(standards),
        wall_table=reference.wall_allowance(),
        deduction=inputs.deduction_of(ask["wall_deduction"]),
        pressure=None if pressure is None else PressureDemand(pressure, stress),
    )
