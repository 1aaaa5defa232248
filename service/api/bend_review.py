"""POST /v1/bend-review."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, get_args

from service import inputs, reference
from service.calc import bend_review as calc
from service.calc.bench_obstacles import BodyKind
from service.calc.bend_limits import STANDARDS
from service.calc.bend_rules import (
    Bench,
    Change,
    Check,
    Cure,
    NearbyPart,
    NotChecked,
    PressureDemand,
    QualityDemand,
    Reason,
    ReviewCase,
    Rule,
    box_axes,
)
from service.calc.bender_load import strength_of
from service.calc.bending_sequence import BendingSequence, OrderKind
from service.calc.capacity_check import LoadTerms
from service.calc.centre_line_path import centre_line_path
from service.calc.drawn_run import DrawnRun, drawn_from_run, drawn_from_vertices, run_with_radii
from service.calc.mandrel_criterion import limits_in_force
from service.calc.mandrel_lead import MandrelTool, Rod, mandrel_tool
from service.calc.obstacle_clearance import Bar, Box, Cylinder, Obstacle
from service.calc.pressure_rating import Stress
from service.calc.review_suggestions import RunRow, Variant
from service.calc.run_geometry import Placement, Vector, placement
from service.errors import Amount, CalculationError, GeometryError, MissingError, Value, Word
from service.model import EndFitting, Finding, Run, Severity, Tube
from service.web import drawing, texts, units
from service.web.answer import CODE_PATTERN, SEVERITIES, FindingValue
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
from service.web.operation import DEFAULT_CAUTIONS, Ask, blueprint, calculation
from service.web.run_picture import Mark, PictureWords, run_picture
from service.web.schema import StrictSchema

blp = blueprint("Bend review", "Whether a run can be made, rule by rule, and what would cure it.")

ENDS = ("end_1", "end_2")
MANDREL_VERDICTS = ("not_needed", "advised", "required")
VERDICTS = ("can_be_made", "can_be_made_with_care", "cannot_be_made")
VIEWS: tuple[drawing.View, ...] = ("isometric", "top", "front", "side")
# More marks than this hide the run; the rest is told by its number.
LETTERS = "ABCDEFGHIJKL"
LONGEST = 1e9
# A run of 500 bends has some 15 checks a bend.
MOST_CHECKS = 20_000


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


class NearbyPoint(StrictSchema):
    """A point in the frame of the run."""

    x = Length("Coordinate x", least=-100_000.0, required=True)
    y = Length("Coordinate y", least=-100_000.0, required=True)
    z = Length("Coordinate z; 0 when left out", least=-100_000.0, load_default=0.0)


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
    measured_from = Choice(
        "End that work proceeds from; its straight is gripped first", ENDS, load_default="end_1"
    )
    ends = Part(inputs.EndAllowancesSchema, "End allowances and trim")
    fittings = Part(RunFittingsSchema, "What goes on the ends", load_default={})
    stretch = inputs.stretch_field()
    springback = inputs.springback_field()
    flow_stress = Quantity(
        "pressure",
        "Mean stress of this tube while it bends, from the caller's own figures",
        least=0.1,
        most=1e6,
    )
    strength_factor = Ratio(
        "Strongest over weakest tube to reckon with; without it the maxima of the material, else "
        "1.6 on its minimum",
        least=1.0,
        most=10.0,
    )
    load_factor = Ratio(
        "Factor by which the load is raised before it is held against the rating",
        least=1.0,
        most=10.0,
        load_default=1.0,
    )
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


class ReviewCure(StrictSchema):
    """One change that satisfies the rule where it stands."""

    change = Choice("What to change", get_args(Change), required=True)
    bend = Count(
        "Bend to change, where that is not the place of the check", allow_none=True, required=True
    )
    straight = Count("Straight to change, from end 1", allow_none=True, required=True)
    end = Choice("End to work from, or to lengthen", ENDS, allow_none=True, required=True)
    value = Part(
        FindingValue, "What to change it to; null without a number", allow_none=True, required=True
    )
    number = Count("A count, as of rods", most=10**9, allow_none=True, required=True)
    text = Text("The same in words", most=200, required=True)


class ReviewCheck(StrictSchema):
    """What one rule found at one place, also where all is well."""

    rule = Choice("The rule", get_args(Rule), required=True)
    severity = Choice("blocks, needs_care or ok", SEVERITIES, required=True)
    bend = Count("Bend number from end 1; null where none", allow_none=True, required=True)
    straight = Count(
        "Straight from end 1, the last one after the last bend; null where none",
        allow_none=True,
        required=True,
    )
    end = Choice("End of the tube; null where none", ENDS, allow_none=True, required=True)
    part = Count("Nearby part, from 1; null where none", allow_none=True, required=True)
    value = Part(FindingValue, "The number found; null where none", allow_none=True, required=True)
    limit = Part(
        FindingValue, "What it is held against; null where none", allow_none=True, required=True
    )
    margin = Part(
        FindingValue,
        "What is left to the limit; below 0 past it, or by how much a size is missed that must be "
        "met",
        allow_none=True,
        required=True,
    )
    code = Text(
        "Code of the finding that it gives where it is not ok",
        pattern=CODE_PATTERN,
        most=64,
        required=True,
    )
    cures = Parts(
        ReviewCure, "Changes that would do, each by itself; empty where ok", most=20, required=True
    )


class ReviewNotChecked(StrictSchema):
    """A rule that was not applied."""

    rule = Choice("The rule", get_args(Rule), required=True)
    reason = Choice(
        "`not_asked`: the request sets no such demand; `not_stated`: bender, dies or material say "
        "nothing of it; `not_measured`; `no_springback`: neither sent nor to be predicted, so that "
        "the finished angle stands in; `cannot_be_built`: the run has no bend table; `no_bend`",
        get_args(Reason),
        required=True,
    )


class ReviewRunRow(StrictSchema):
    """One row of a bend table."""

    straight = Length("Straight before the bend", most=LONGEST, required=True)
    rotation = Angle("Turn of the bend plane", least=-180.0, most=180.0, required=True)
    angle = Angle("Bend angle", required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)


class ReviewRun(StrictSchema):
    """A run as a bend table; it can be sent as `run` to every other operation."""

    bends = Parts(ReviewRunRow, "Bends in order from end 1", required=True)
    last_straight = Length("Straight after the last bend, to end 2", most=LONGEST, required=True)


class ReviewBend(StrictSchema):
    """One bend in short."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    severity = Choice("The worst of its checks", SEVERITIES, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    angle = Angle("Finished bend angle", required=True)
    die = Text("Id of the die to take; null where none fits", allow_none=True, required=True)
    set_angle = Angle(
        "Angle to crank to; null where the tube springs back too far",
        most=370.0,
        allow_none=True,
        required=True,
    )
    tube_behind = Length(
        "Tube behind the start tangent point as the bend is begun; null for a run that cannot be "
        "built",
        least=-LONGEST,
        most=LONGEST,
        allow_none=True,
        required=True,
    )
    mandrel = Choice("Whether a mandrel is needed", MANDREL_VERDICTS, required=True)
    utilisation = Quantity(
        "percent",
        "Share of the bender's capacity for the strongest tube; null where the strength is unknown",
        least=0.0,
        most=1e12,
        allow_none=True,
        required=True,
    )


class ReviewStraight(StrictSchema):
    """One straight in short."""

    straight = Count("Number from end 1", least=1, most=501, required=True)
    severity = Choice("The worst of its checks", SEVERITIES, required=True)
    length = Length(
        "Between tangent points; below 0 where its leg is too short for the radii",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    leg = Length("Between intersection points", most=LONGEST, required=True)


class ReviewRadiusChange(StrictSchema):
    """A bend made with another radius."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    drawn = Length("Radius as drawn", most=10_000.0, required=True)
    radius = Length("Radius of the variant", most=10_000.0, required=True)
    die = Text("Id of its die", allow_none=True, required=True)


class ReviewVariant(StrictSchema):
    """A variant that was reviewed in full: nothing blocks it. Intersection points stay."""

    work_from = Choice("End to work from", ENDS, required=True)
    end_changed = Flag("Whether that is another end than asked for", required=True)
    changes = Parts(ReviewRadiusChange, "Bends with another radius", required=True)
    cut_length = Length("Its own cut length", least=-LONGEST, most=LONGEST, required=True)
    needs_care = Count("Checks of it that need care", most=MOST_CHECKS, required=True)
    run = Part(ReviewRun, "Its bend table", required=True)
    text = Text("The same in words", most=400, required=True)


class ReviewPoint(StrictSchema):
    """A point in the frame of the bender."""

    x = Length(
        "Along the way in which the tube is fed", least=-LONGEST, most=LONGEST, required=True
    )
    y = Length("To the left of it", least=-LONGEST, most=LONGEST, required=True)
    z = Length("Up", least=-LONGEST, most=LONGEST, required=True)


class ReviewEncounter(StrictSchema):
    """Where the tube comes nearest to something on the bench, or strikes it."""

    step = Count("Place in the order of the work", least=1, most=500, required=True)
    bend = Count("Bend that is to be made, from end 1", least=1, most=500, required=True)
    movement = Choice(
        "`feed` and `roll` come before the bend, `bend` is the bend itself",
        ("feed", "roll", "bend"),
        required=True,
    )
    angle = Angle(
        "How far the leg is swung, or the tube rolled (right-hand rule along the work); null for a "
        "feed",
        least=-360.0,
        allow_none=True,
        required=True,
    )
    travel = Length(
        "How far the tube is fed; null for a turn", most=LONGEST, allow_none=True, required=True
    )
    met = Choice("What it comes near to", get_args(BodyKind), required=True)
    name = Text("Its name in the shop profile; else empty", most=120, required=True)
    position = Length(
        "Place on the tube, along the run from end 1; outside the run within an allowance",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    point = Part(
        ReviewPoint,
        "That place at that moment; origin on the axis of the die, as high as the tube",
        required=True,
    )
    clearance = Length("From surface to surface; 0 where it strikes", most=LONGEST, required=True)


class ReviewOrder(StrictSchema):
    """One order of the work that was tried."""

    kind = Choice("How the work proceeds", get_args(OrderKind), required=True)
    bends = Parts(Count("Bend", least=1, most=500), "Bends as they are made", required=True)
    ahead = Parts(
        Choice("End", ENDS), "The end that is ahead, and is swung, at each of them", required=True
    )
    turned_before = Count(
        "Step before which the tube is turned end for end; null where it is not",
        most=500,
        allow_none=True,
        required=True,
    )
    free = Flag("Whether the tube strikes nothing", required=True)
    nearest = Part(
        ReviewEncounter,
        "The tightest place, null where nothing comes within 500 mm; where the order is not free, "
        "where it first strikes",
        allow_none=True,
        required=True,
    )
    rolled_back = Parts(
        Count("Step", least=1, most=500),
        "Steps before which the tube is to be rolled the long way round",
        required=True,
    )
    lifted_out = Parts(
        Count("Step", least=1, most=500),
        "Steps before which the tube is to be lifted out",
        required=True,
    )


class ReviewBendingOrder(StrictSchema):
    """Orders of the work that were tried on the bench, up to the first that is free."""

    orders = Parts(ReviewOrder, "In the order in which they were tried", most=20, required=True)
    not_tried = Count("How many more there would be", required=True)


class BendReviewResult(StrictSchema):
    """The verdict, and every rule at every place."""

    verdict = Choice("Whether the run can be made as drawn", VERDICTS, required=True)
    summary = Text("The verdict in one line", most=1000, required=True)
    blocks = Count("Checks that block", most=MOST_CHECKS, required=True)
    needs_care = Count("Checks that need care", most=MOST_CHECKS, required=True)
    ok = Count("Checks that are satisfied", most=MOST_CHECKS, required=True)
    run = Part(ReviewRun, "The run; null where it cannot be built", allow_none=True, required=True)
    cut_length = Length(
        "Length to cut; null where the run cannot be built",
        least=-LONGEST,
        most=LONGEST,
        allow_none=True,
        required=True,
    )
    bends = Parts(ReviewBend, "Bends from end 1", required=True)
    straights = Parts(ReviewStraight, "Straights from end 1", most=501, required=True)
    checks = Parts(ReviewCheck, "Every rule at every place", most=MOST_CHECKS, required=True)
    not_checked = Parts(ReviewNotChecked, "Rules that were not applied", most=50, required=True)
    bending_order = Part(
        ReviewBendingOrder,
        "The work on the bench; null where the bender does not state what stands round it",
        allow_none=True,
        required=True,
    )
    variants = Parts(
        ReviewVariant,
        "Variants that pass, nearest to the drawing first; empty where nothing blocks or none was "
        "found",
        most=10,
        required=True,
    )
    tried = Count("How many variants were tried", most=1000, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"},
    "run": {
        "vertices": [
            {"x": 0, "y": 0},
            {"x": 95, "y": 0},
            {"x": 95, "y": 150},
            {"x": 320, "y": 150, "z": 0},
            {"x": 320, "y": 150, "z": 260},
        ],
        "radius": 60,
    },
    "bender": "bench-25",
    "fittings": {"end_2": "cone-20"},
    "springback": [{"constant": 0.8, "proportional": 0.014}],
    "pressure": 16,
    "design_factor": 4,
}


# --- the case ------------------------------------------------------------------------------------


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
    return drawn_from_vertices(_points(given), radii)


def _points(given: Ask) -> list[Vector]:
    return [(p["x"], p["y"], p["z"]) for p in given["vertices"]]


def _placement(given: Ask) -> Placement | None:
    return placement(_points(given)) if "vertices" in given else None


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


# --- the answer in the caller's units ------------------------------------------------------------


class ToldAmount(NamedTuple):
    """A number with its unit, as the caller sees it."""

    value: float
    unit: str


class ToldCure(NamedTuple):
    """A cure as the caller sees it."""

    change: str
    bend: int | None
    straight: int | None
    end: str | None
    value: ToldAmount | None
    number: int | None
    text: str


class ToldCheck(NamedTuple):
    """A check as the caller sees it."""

    rule: str
    severity: Severity
    bend: int | None
    straight: int | None
    end: str | None
    part: int | None
    value: ToldAmount | None
    limit: ToldAmount | None
    margin: ToldAmount | None
    code: str
    cures: list[ToldCure]


class ToldVariant(NamedTuple):
    """A variant with its words."""

    work_from: str
    end_changed: bool
    changes: Sequence[Any]
    cut_length: float
    needs_care: int
    run: RunRow
    text: str


@dataclass(frozen=True, slots=True)
class ToldReview:
    """The review with what has a unit of its own in the caller's units, and in words.

    ``case`` and ``review`` are what was reviewed and what was found, for the picture.
    """

    case: ReviewCase
    review: calc.BendReview

    verdict: str
    summary: str
    blocks: int
    needs_care: int
    ok: int
    run: RunRow | None
    cut_length: float | None
    bends: Sequence[Any]
    straights: Sequence[Any]
    checks: list[ToldCheck]
    not_checked: Sequence[NotChecked]
    bending_order: BendingSequence | None
    variants: list[ToldVariant]
    tried: int
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def told(case: ReviewCase, review: calc.BendReview, system: str) -> ToldReview:
    """The review as it is answered."""
    findings = _findings(review, system)
    head = findings[0]
    return ToldReview(
        case=case,
        review=review,
        verdict=review.verdict,
        summary=texts.fill(texts.text("findings", f"{head.code}.text"), head.values, system),
        blocks=review.blocks,
        needs_care=review.needs_care,
        ok=review.ok,
        run=review.run,
        cut_length=review.cut_length,
        bends=review.bends,
        straights=review.straights,
        checks=[_check(check, system) for check in review.checks],
        not_checked=review.not_checked,
        bending_order=review.sequence,
        variants=[_variant(one, system) for one in review.variants],
        tried=review.tried,
        methods=review.methods,
        findings=findings,
    )


def _check(check: Check, system: str) -> ToldCheck:
    return ToldCheck(
        check.rule,
        check.severity,
        check.bend,
        check.straight,
        check.end,
        check.part,
        _amount(check.value, system),
        _amount(check.limit, system),
        _amount(check.margin, system),
        check.code,
        [_cure(cure, system) for cure in check.cures],
    )


def _amount(amount: Amount | None, system: str) -> ToldAmount | None:
    if amount is None:
        return None
    value = units.outward(amount.value, amount.kind, units.FACTORS[system])
    return ToldAmount(value, units.NAMES[system][amount.kind])


def _cure(cure: Cure, system: str) -> ToldCure:
    return ToldCure(
        cure.change,
        cure.bend,
        cure.straight,
        cure.end,
        _amount(cure.value, system),
        cure.number,
        _sentence([cure], system),
    )


def _sentence(cures: Sequence[Cure], system: str) -> str:
    """Cures as one sentence."""
    either = texts.text("cures", "or")
    words = either.join(_words(cure, system) for cure in cures) or texts.text("cures", "none")
    return f"{words[0].upper()}{words[1:]}."


def _words(cure: Cure, system: str) -> str:
    values: dict[str, Value] = {
        "value": cure.value,
        "bend": cure.bend,
        "straight": cure.straight,
        "end": None if cure.end is None else Word(cure.end),
        "number": cure.number,
    }
    place = "_at_straight" if cure.change == "radius" and cure.straight is not None else ""
    return texts.fill(texts.text("cures", f"{cure.change}{place}"), values, system)


def _findings(review: calc.BendReview, system: str) -> tuple[Finding, ...]:
    """The findings with their cures in words."""
    failing = calc.failing(review.checks)
    head, rest = review.findings[0], review.findings[1:]
    told_with_cures = (
        replace(finding, values={**finding.values, "cures": _sentence(check.cures, system)})
        for finding, check in zip(rest, failing, strict=False)
    )
    return (head, *told_with_cures, *rest[len(failing) :])


def _variant(one: Variant, system: str) -> ToldVariant:
    parts = [
        texts.fill(
            texts.text("variants", "radius"),
            {"bend": change.bend, "value": Amount(change.radius, "length")},
            system,
        )
        for change in one.changes[:8]
    ]
    if len(one.changes) > 8:
        parts.append(texts.text("variants", "further"))
    values: dict[str, Value] = {"end": Word(one.work_from), "cut": Amount(one.cut_length, "length")}
    parts.append(texts.fill(texts.text("variants", "end"), values, system))
    words = ", ".join(parts)
    return ToldVariant(*one, text=f"{words[0].upper()}{words[1:]}.")


# --- the picture ---------------------------------------------------------------------------------


def picture(ask: Ask, answer: ToldReview) -> str:
    """The run in three views, with the places that fail marked and told."""
    system, case = ask["units"], answer.case
    path = _path(ask, case)
    failing = list(zip(calc.failing(answer.review.checks), answer.findings[1:], strict=False))
    near = {id(one.check): (one.point_a, one.point_b) for one in answer.review.near}
    marks = []
    for letter, (check, finding) in zip(LETTERS, failing, strict=False):
        points = near.get(id(check), ())
        marks.append(_mark(letter, check, _text_of(finding, system), path, points))
    left_out = len(failing) - len(marks)
    notes = [_picture_words("review_more", count=left_out)] * (left_out > 0)
    words = PictureWords(
        title=_picture_words("review_title"),
        description=answer.summary,
        verdict=answer.summary,
        views={view: _picture_words(f"review_{view}") for view in VIEWS},
        end_1=texts.text("words", "end_1"),
        end_2=texts.text("words", "end_2"),
        notes=[*notes, _picture_words("review_lines")],
    )
    return run_picture(path.points, marks, words)


def _picture_words(code: str, **values: str | int) -> str:
    return texts.fill(texts.text("pictures", code), values, "metric")


def _text_of(finding: Finding, system: str) -> str:
    values = {
        "bend": finding.bend,
        "value": finding.value,
        "limit": finding.limit,
        **finding.values,
    }
    return texts.fill(texts.text("findings", f"{finding.code}.text"), values, system)


class _Path(NamedTuple):
    """Points along the centre line, and how many steps an arc has; 0 where legs are drawn."""

    points: list[Vector]
    steps: int

    def straight(self, number: int) -> list[Vector]:
        """The straight with this number from end 1."""
        if not self.steps:
            return self.points[number - 1 : number + 1]
        per_bend = self.steps + 1
        start = per_bend * (number - 1)
        return [self.points[start], self.points[start + 1]]

    def bend(self, number: int) -> list[Vector]:
        """The arc with this number from end 1."""
        if not self.steps:
            return self.points[number : number + 1]
        start = 1 + (self.steps + 1) * (number - 1)
        return self.points[start : start + self.steps + 1]


def _path(ask: Ask, case: ReviewCase) -> _Path:
    if not case.can_be_built:
        return _Path(_points(ask["run"]), 0)
    steps = 12 if len(case.run.bends) <= 50 else 4
    points = centre_line_path(case.run, case.frames, steps).tolist()
    return _Path([(x, y, z) for x, y, z in points], steps)


def _mark(letter: str, check: Check, words: str, path: _Path, points: Sequence[Vector]) -> Mark:
    strokes, label = _place(check, path)
    spots = list(points) or [_middle(strokes[0])]
    told_as = _picture_words(f"review_{check.severity}", letter=letter)
    return Mark(
        kind="blocks" if check.severity == "blocks" else "care",
        letter=letter,
        label=f"{letter}: {label}",
        words=f"{told_as} {words}",
        strokes=[] if points else strokes,
        points=spots,
    )


def _place(check: Check, path: _Path) -> tuple[list[list[Vector]], str]:
    """The parts of the centre line that a check is about, and their name."""
    if check.straight is not None:
        name = _picture_words("review_straight", straight=check.straight)
        return [path.straight(check.straight)], name
    if check.bend is not None:
        return [path.bend(check.bend)], _picture_words("review_bend", bend=check.bend)
    if check.end is not None:
        spot = path.points[0 if check.end == "end_1" else -1]
        return [[spot]], texts.text("words", check.end)
    return [path.points], _picture_words("review_tube")


def _middle(stroke: Sequence[Vector]) -> Vector:
    if len(stroke) == 2:
        (a, b, c), (x, y, z) = stroke
        return ((a + x) / 2, (b + y) / 2, (c + z) / 2)
    return stroke[len(stroke) // 2]


@calculation(
    blp,
    "/bend-review",
    name="BendReview",
    ask=BendReviewRequest,
    result=BendReviewResult,
    example=EXAMPLE,
    cautions=("review_is_no_release", *DEFAULT_CAUTIONS),
    pictures={drawing.MEDIA_TYPE: picture},
)
def bend_review(ask: Ask) -> ToldReview:
    """Review a whole run: can it be made, bend by bend, and what would cure it.

    Lists every rule at every bend, straight and end with value, limit, margin and severity: grip,
    dies, reach, fittings, mandrel, capacity, wall, roundness, rating, clearance to itself and to
    nearby parts. The work is played through on the bench of the shop profile, in the orders that
    the bender allows, and the first that strikes nothing is told. What blocks comes with its cures
    as numbers, and with the nearest variants that were tried and pass. A run whose vertices are too
    close for its radii is answered too, as blocked.
    """
    case = case_of(ask)
    review = calc.bend_review(
        case,
        sizes=tuple(reference.tube_sizes().values()),
        most_variants=ask["most_variants"],
    )
    return told(case, review, ask["units"])
