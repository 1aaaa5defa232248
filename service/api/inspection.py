"""POST /v1/inspection."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service import inputs, reference
from service.calc import inspection as calc
from service.calc.bend_correction import SetUp, Worked
from service.calc.centre_line_path import centre_line_path
from service.calc.measured_run import LocatedRun, from_tangent_points, from_vertices, located
from service.calc.run_comparison import How
from service.calc.run_geometry import Vector, check_run
from service.errors import CalculationError, GeometryError
from service.model import Bend, InspectionTolerances, Run
from service.web import drawing
from service.web.examples import DRAWN_RUN, TUBE_15
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Either,
    Flag,
    Length,
    Part,
    Parts,
    Ratio,
    Text,
)
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Inspection", "A measured part against its drawing, and what to change next time.")
FAR = 1e9
PLACES = ("end_1", "vertex", "bend_start", "bend_end", "end_2")
ISOMETRIC_HEIGHT, PLANE_HEIGHT = 270.0, 150.0
MOST_LABELS = 12
HOLDS = ("none", "end_1", "end_2", "end_1_and_direction", "end_2_and_direction", "both_ends")


class InspectedPoint(inputs.PointSent):
    """A measured point, in any frame as long as it is one for all."""


class InspectedVertices(StrictSchema):
    """Measured end points and intersection points of the straights."""

    vertices = Parts(
        InspectedPoint,
        "End 1, intersection points, end 2",
        least=2,
        most=inputs.MOST_BENDS + 2,
        required=True,
    )


class InspectedTangentPoints(StrictSchema):
    """Measured tangent points."""

    tangent_points = Parts(
        InspectedPoint,
        "End 1, start and end of each bend in order, end 2",
        least=2,
        most=2 * inputs.MOST_BENDS + 2,
        required=True,
    )


class InspectedBend(StrictSchema):
    """A straight and the bend after it, from a tape and a protractor."""

    straight = Length("Straight before the bend, between tangent points", required=True)
    rotation = inputs.rotation_field()
    angle = Angle("Bend angle", least=0.01, most=350.0, required=True)
    radius = Length("Centre-line radius; the nominal one when left out", least=0.01, most=10_000.0)


class InspectedBendTable(StrictSchema):
    """A measured bend table."""

    bends = Parts(InspectedBend, "Bends in order from end 1", most=inputs.MOST_BENDS, required=True)
    last_straight = Length("Straight after the last bend, to end 2", required=True)


class InspectionTolerancesSchema(StrictSchema):
    """Plus-minus tolerances; what is left out is not judged."""

    point = Length("Distance of a compared point from its place", least=0.0, most=1000.0)
    straight = Length("Of each straight", most=1000.0)
    angle = Angle("Of each bend angle", most=90.0)
    rotation = Angle("Of each rotation", most=90.0)
    end_position = Length("Distance of each end from its place", most=1000.0)
    end_direction = Angle("Of the direction of each end", most=90.0)


class WorkedBend(StrictSchema):
    """How one bend was really set, where that was not as laid out."""

    bend = Count("Bend number from end 1", least=1, most=inputs.MOST_BENDS, required=True)
    crank = Angle("Angle it was cranked to", least=0.01)
    rotation = Angle("Rotation it was rolled to", least=-180.0, most=180.0)
    start = Length(
        "Start tangent point along the tube, from the end or bend that marks are measured from",
        least=-100_000.0,
    )


class InspectedSetUp(StrictSchema):
    """How the part was laid out; the same fields as for the mark layout."""

    measured_from = inputs.measured_from_field(
        "End from which marks were measured and work proceeded"
    )
    measure = inputs.measure_field(
        "Marks all from that end, or each from the end of the bend made before"
    )
    die = inputs.die_field()
    mark_offset = inputs.mark_offset_field(
        "Zero mark of the die minus start of bend; instead of the die's"
    )
    springback = inputs.springback_field()
    stretch = inputs.stretch_field()
    ends = inputs.ends_field()
    bench = inputs.bench_field()
    worked = Parts(
        WorkedBend,
        "Bends that were set otherwise than laid out, such as by the correction of the part before",
        most=inputs.MOST_BENDS,
        load_default=(),
    )
    cut_length = Length("Length it was cut to; as laid out when left out", least=0.01)
    recalibrate = Flag(
        "Correct by the springback and stretch that this part shows instead of those given",
        load_default=False,
    )


class InspectionRequest(inputs.UnitsRequest):
    """A nominal run, what was measured, and how the part was made."""

    run = inputs.run_field()
    tube = inputs.tube_field()
    measured = Either(
        "What was measured, from end 1: `vertices`, `tangent_points`, or a table of `bends`",
        {
            "vertices": InspectedVertices,
            "tangent_points": InspectedTangentPoints,
            "bends": InspectedBendTable,
        },
        required=True,
    )
    compare = Choice(
        "Points that are fitted and compared",
        ("vertices", "tangent_points"),
        load_default="vertices",
    )
    hold = Choice(
        "What the fit holds: nothing; the point of an end; an end with its direction, so that only "
        "the spin about it is fitted; or both ends on the line through their nominal places",
        HOLDS,
        load_default="none",
    )
    weights = Parts(
        Ratio("Weight", most=1e6),
        "Weights of the compared points in order from end 1; equal when left out",
        least=2,
        most=2 * inputs.MOST_BENDS + 2,
    )
    tolerances = Part(
        InspectionTolerancesSchema, "Tolerances; those of the shop profile when left out"
    )
    set_up = Part(InspectedSetUp, "How the part was laid out and worked")
    largest_hand_correction = Angle(
        "Largest angle that the shop opens or closes by hand; 2° when left out", most=10.0
    )


class InspectedPlace(StrictSchema):
    """A point, or the components of a deviation, in the frame of the nominal run."""

    x = Length("Component x", least=-FAR, most=FAR, required=True)
    y = Length("Component y", least=-FAR, most=FAR, required=True)
    z = Length("Component z", least=-FAR, most=FAR, required=True)


def _judged() -> Flag:
    return Flag("Within its tolerance; null where there is none", allow_none=True, required=True)


class PointDeviationSchema(StrictSchema):
    """One compared point after the fit."""

    place = Choice("What it is", PLACES, required=True)
    bend = Count(
        "Bend number from end 1; null at the ends", least=1, allow_none=True, required=True
    )
    nominal = Part(InspectedPlace, "Nominal place", required=True)
    measured = Part(InspectedPlace, "Measured place after the fit", required=True)
    deviation = Part(InspectedPlace, "Measured less nominal", required=True)
    distance = Length("Distance", most=FAR, required=True)
    within = _judged()


class StraightDeviationSchema(StrictSchema):
    """One straight."""

    number = Count("Straight number from end 1", least=1, required=True)
    nominal = Length("Nominal", most=FAR, required=True)
    measured = Length("Measured", least=-FAR, most=FAR, required=True)
    deviation = Length("Measured less nominal", least=-FAR, most=FAR, required=True)
    within = _judged()


class AngleDeviationSchema(StrictSchema):
    """One bend angle or rotation."""

    nominal = Angle("Nominal", least=-360.0, required=True)
    measured = Angle("Measured", least=-360.0, required=True)
    deviation = Angle("Measured less nominal", least=-360.0, required=True)
    within = _judged()


class BendDeviationSchema(StrictSchema):
    """One bend."""

    bend = Count("Bend number from end 1", least=1, required=True)
    angle = Part(AngleDeviationSchema, "Bend angle", required=True)
    rotation = Part(AngleDeviationSchema, "Rotation before the bend", required=True)
    radius = Length("Nominal centre-line radius", most=10_000.0, required=True)
    measured_radius = Length(
        "Measured radius: from the chord of tangent points, as sent in a table, else the nominal",
        most=FAR,
        required=True,
    )


class EndDeviationSchema(StrictSchema):
    """One end after the fit."""

    end = Choice("Which end", ("end_1", "end_2"), required=True)
    distance = Length("Distance from its place", most=FAR, required=True)
    along = Length(
        "Along the nominal direction, positive where the tube reaches too far",
        least=-FAR,
        most=FAR,
        required=True,
    )
    across = Length("Square to the nominal direction", most=FAR, required=True)
    turn = Angle("Between nominal and measured direction", most=180.0, required=True)
    within_position = _judged()
    within_direction = _judged()


class TurnCorrectionSchema(StrictSchema):
    """An angle to set."""

    was = Angle("As it was set", least=-1000.0, most=1000.0, required=True)
    change = Angle("Change", least=-1000.0, most=1000.0, required=True)
    exact = Angle("To set next, exact", least=-1000.0, most=1000.0, required=True)
    bench = Angle(
        "The same, rounded once to the step of the protractor",
        least=-1010.0,
        most=1010.0,
        required=True,
    )


class NextMark(StrictSchema):
    """A distance along the unbent tube."""

    exact = Length("Exact value", least=-FAR, most=FAR, required=True)
    bench = Length("Rounded once to the bench step", least=-FAR, most=FAR, required=True)
    label = Text("As the rule shows it", most=40, required=True)


class MarkCorrectionSchema(StrictSchema):
    """A length along the tube."""

    was = Length("As it was set", least=-FAR, most=FAR, required=True)
    change = Length("Change", least=-FAR, most=FAR, required=True)
    next = Part(NextMark, "To set next", required=True)


class AngleSplit(StrictSchema):
    """The error of an angle, and what explains it."""

    deviation = Angle("Measured less nominal", least=-360.0, required=True)
    explained = Angle(
        "Part that the springback fitted from this part explains",
        least=-1e12,
        most=1e12,
        required=True,
    )
    own = Angle("Part that stays with this bend", least=-1e12, most=1e12, required=True)


class MarkSplit(StrictSchema):
    """The error of a mark, and what explains it."""

    deviation = Length(
        "Where the part shows the bend began, less the mark", least=-FAR, most=FAR, required=True
    )
    explained = Length(
        "Part that the stretch fitted from this part explains", least=-FAR, most=FAR, required=True
    )
    own = Length("Part that stays with this mark", least=-FAR, most=FAR, required=True)


class CorrectedBendSchema(StrictSchema):
    """One bend of the corrected table, in the order of the work."""

    step = Count("Place in the order of the work", least=1, most=500, required=True)
    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    measured_from = Text(
        "`end_1`, `end_2`, or `bend_n`: the end tangent of bend n", most=20, required=True
    )
    crank = Part(TurnCorrectionSchema, "Crank angle", required=True)
    rotation = Part(TurnCorrectionSchema, "Roll before this bend", required=True)
    start = Part(MarkCorrectionSchema, "Start tangent point", required=True)
    zero_mark = Part(NextMark, "Mark to set at the zero mark of the die", required=True)
    angle = Part(AngleSplit, "What explains the error of the angle", required=True)
    mark = Part(MarkSplit, "What explains the error of the mark", required=True)


class FittedSpringback(StrictSchema):
    """Springback of one radius, in the form of an entry of `springback`."""

    constant = Angle("Constant part a", least=-1e12, most=1e12, required=True)
    proportional = Ratio("Proportional part b", least=-1e12, most=1e12, required=True)
    radius = Length("Die radius that it holds for", most=10_000.0, required=True)


class SpringbackFitNote(StrictSchema):
    """How the springback of one radius was fitted."""

    radius = Length("Die radius", most=10_000.0, required=True)
    proportional_fitted = Flag(
        "Whether the crank angles lie 5° apart or more, so that they tell b; else b is as given",
        required=True,
    )
    bends = Count("Bends it was fitted to", least=1, most=500, required=True)
    scatter = Angle("Root mean square of what it leaves", most=360.0, required=True)


class PartTrialSchema(StrictSchema):
    """One bend in the form of a trial bend of POST /v1/springback/calibration."""

    radius = Length("Centre-line radius of the die", most=10_000.0, required=True)
    set_angle = Angle("Angle cranked to", least=-1000.0, most=1000.0, required=True)
    measured_angle = Angle("Angle that came out", required=True)


class PartStretchTrialSchema(StrictSchema):
    """The part in the form of a trial part of POST /v1/springback/calibration."""

    cut_length = Length("Length cut, without allowances", least=-FAR, most=FAR, required=True)
    measured_length = Length("Developed length measured", least=-FAR, most=FAR, required=True)
    arc_length = Length("All arcs", most=FAR, required=True)


class PartCalibration(StrictSchema):
    """What this part says about springback and stretch."""

    springback = Parts(FittedSpringback, "To send back as `springback`", required=True)
    fits = Parts(SpringbackFitNote, "How each was fitted", required=True)
    stretch = Ratio(
        "To send back as `stretch`, where it lies in 0 to 0.2; null where the part does not tell",
        least=-1e12,
        most=1e12,
        allow_none=True,
        required=True,
    )
    trials = Parts(PartTrialSchema, "Bends as trial bends", required=True)
    stretch_trial = Part(
        PartStretchTrialSchema,
        "The part as a trial part; null without a bend, or where it was trimmed",
        allow_none=True,
        required=True,
    )
    used = Flag("Whether the correction is made with it", required=True)


class InspectionCorrectionSchema(StrictSchema):
    """The corrected bend table: how to set up the next part."""

    measured_from = Choice("End that marks are measured from", ("end_1", "end_2"), required=True)
    cut_length = Part(MarkCorrectionSchema, "Length to cut", required=True)
    bends = Parts(CorrectedBendSchema, "Bends in the order of the work", required=True)
    calibration = Part(PartCalibration, "Springback and stretch from this part", required=True)


class HandCorrectionSchema(StrictSchema):
    """One bend that can be opened or closed by hand."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    way = Choice("Which way", ("open", "close"), required=True)
    by = Angle("By how much", most=10.1, required=True)
    end_moves = Length("How far end 2 moves while end 1 is held", most=FAR, required=True)
    end_turns = Angle("How far end 2 turns", most=180.0, required=True)
    worst_after = Length("Worst compared point after a new fit", most=FAR, required=True)
    within_after = Flag(
        "Whether this one bend alone brings the part within its tolerances; null without any",
        allow_none=True,
        required=True,
    )


class HandCorrectionsSchema(StrictSchema):
    """What can be done by hand."""

    bends = Parts(
        HandCorrectionSchema,
        "Bends that can be opened or closed; empty where more than twelve are out",
        most=12,
        required=True,
    )
    worst_before = Length("Worst compared point now", most=FAR, required=True)
    worst_after = Length("Worst compared point with all of them done", most=FAR, required=True)
    saves_part = Flag(
        "Whether all of them bring the part within its tolerances; null without any of either",
        allow_none=True,
        required=True,
    )


class InspectionResult(StrictSchema):
    """The inspection."""

    verdict = Choice("Verdict", ("within", "outside", "not_judged"), required=True)
    root_mean_square = Length("Of the fit, weighted", most=FAR, required=True)
    worst = Length("Worst compared point", most=FAR, required=True)
    spin_determined = Flag(
        "False where the compared points lie in one line, which leaves the turn about it open",
        required=True,
    )
    points = Parts(
        PointDeviationSchema, "FindingValue points in order from end 1", most=1002, required=True
    )
    straights = Parts(StraightDeviationSchema, "Straights", most=501, required=True)
    bends = Parts(BendDeviationSchema, "Bends", required=True)
    ends = Parts(EndDeviationSchema, "Both ends", most=2, required=True)
    correction = Part(InspectionCorrectionSchema, "Set-up of the next part", required=True)
    by_hand = Part(HandCorrectionsSchema, "This part by hand", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "run": DRAWN_RUN,
    "measured": {
        "bends": [
            {"straight": 277, "angle": 54},
            {"straight": 202.5, "rotation": 63, "angle": 59.5},
            {"straight": 176.5, "rotation": 117.5, "angle": 71},
        ],
        "last_straight": 246,
    },
    "tolerances": {"point": 3, "straight": 1, "angle": 0.5, "rotation": 1},
    "set_up": {"springback": [{"constant": 0.8, "proportional": 0.014}], "stretch": 0.02},
}


def _nominal(ask: Ask) -> LocatedRun:
    return located(inputs.run_of(ask), inputs.drawn_points(ask))


def _measured(ask: Ask, nominal: Run) -> tuple[LocatedRun, tuple[str, ...]]:
    """The measured run, and the methods that made it.

    Raises:
        GeometryError: another number of points or bends than the nominal run has, or points that
            give no bend
        OutOfRangeError: an absurd bend
    """
    given, radii = ask["measured"], [bend.radius for bend in nominal.bends]
    if "vertices" in given:
        points = _counted(given, "vertices", len(radii) + 2, len(radii))
        made = _rooted(lambda: from_vertices(points, radii))
        return made, ("vertices-to-bend-table", "tangent-set-back")
    if "tangent_points" in given:
        points = _counted(given, "tangent_points", 2 * len(radii) + 2, len(radii))
        return from_tangent_points(points), ("tangent-points-to-bend-table",)
    return _rooted(lambda: _from_table(given, radii)), ("bend-table-to-vertices",)


def _counted(given: Any, name: str, needed: int, bends: int) -> list[Vector]:
    points = inputs.points_of(given[name])
    if len(points) != needed:
        parts = {"value": len(points), "needed": needed, "bends": bends}
        raise GeometryError("measured_points_differ", ("measured", name), parts)
    return points


def _from_table(given: Any, radii: list[float]) -> LocatedRun:
    rows = given["bends"]
    if len(rows) != len(radii):
        parts = {"value": len(rows), "needed": len(radii)}
        raise GeometryError("measured_bends_differ", ("run", "bends"), parts)
    bends = tuple(
        Bend(row["straight"], row["rotation"], row["angle"], row["radius"] or radius)
        for row, radius in zip(rows, radii, strict=True)
    )
    run = Run(bends, given["last_straight"])
    check_run(run)
    return located(run)


def _rooted(make: Callable[[], LocatedRun]) -> LocatedRun:
    """What ``make`` refuses about a run, it refuses here about what was measured."""
    try:
        return make()
    except CalculationError as error:
        rest = error.field[1:] if error.field[:1] == ("run",) else error.field
        raise type(error)(error.code, ("measured", *rest), error.values) from None


def _tolerances(given: Any) -> InspectionTolerances:
    return reference.shop().inspection if given is None else InspectionTolerances(**given)


def _set_up(given: Any, system: str) -> SetUp:
    if given is None:
        return SetUp(bench=inputs.bench_of(None, system))
    return SetUp(
        measured_from=given["measured_from"],
        measure=given["measure"],
        bench=inputs.bench_of(given["bench"], system),
        stretch=given["stretch"],
        ends=inputs.ends_of(given["ends"]),
        springback=inputs.springback_of(given["springback"]),
        die=inputs.die_of(given["die"], "set_up", "die"),
        mark_offset=given["mark_offset"],
        worked=tuple(Worked(**row) for row in given["worked"]),
        cut_length=given["cut_length"],
        recalibrate=given["recalibrate"],
    )


def picture(ask: Ask, result: calc.Inspection) -> str:
    """Nominal and measured centre line over each other, with an arrow at each compared point."""
    system = ask["units"]
    sheet = drawing.Sheet(
        drawing.words("inspection_title"), drawing.words("inspection_description")
    )
    sheet.lines([drawing.words(f"inspection_{result.verdict}")], "heading")
    times = _isometric(sheet, result, system)
    sheet.finish(ISOMETRIC_HEIGHT)
    half = drawing.WIDTH / 2
    for left, view in ((0.0, "top"), (half, "front")):
        _plane(sheet, result, "top" if view == "top" else "front", left, times)
    sheet.finish(PLANE_HEIGHT)
    worst = _length(result.worst, system)
    rms = _length(result.root_mean_square, system)
    sheet.lines(
        [
            drawing.words("inspection_nominal"),
            drawing.words("inspection_scale", times=f"{times:g}"),
            drawing.words("inspection_worst", worst=worst, rms=rms),
        ]
    )
    return sheet.svg()


def _length(length: float, system: str) -> str:
    return drawing.measure(calc.beyond_noise(length), "length", system)


def _isometric(sheet: drawing.Sheet, result: calc.Inspection, system: str) -> float:
    """The large view, with labels; returns how many times deviations are drawn larger."""
    lines = _lines(result)
    flat = [drawing.project(point, "isometric") for line in lines for point in line]
    panel = sheet.panel(flat, ISOMETRIC_HEIGHT)
    panel.heading(drawing.words("inspection_isometric"))
    times = drawing.magnification(calc.beyond_noise(result.worst), panel.scale)
    _draw(panel, result, "isometric", times)
    labelled = sorted(result.points, key=lambda row: -row.distance)[:MOST_LABELS]
    for row in labelled:
        end = [a + times * d for a, d in zip(row.nominal, row.deviation, strict=True)]
        name = drawing.words(f"place_{row.place}", bend=row.bend or "")
        label = f"{name}: {_length(row.distance, system)}"
        panel.label(drawing.project(end, "isometric"), label)
    return times


def _plane(
    sheet: drawing.Sheet, result: calc.Inspection, view: drawing.View, left: float, times: float
) -> None:
    flat = [drawing.project(point, view) for line in _lines(result) for point in line]
    panel = sheet.panel(flat, PLANE_HEIGHT, left=left, width=drawing.WIDTH / 2)
    panel.heading(drawing.words(f"inspection_{view}"))
    _draw(panel, result, view, times)


def _lines(result: calc.Inspection) -> list[list[list[float]]]:
    """Nominal and measured centre line and the compared nominal points, mm."""
    fit = result.comparison.fit
    steps = 12 if len(result.bends) <= 50 else 4
    nominal = centre_line_path(result.nominal.run, result.nominal.at, steps)
    measured = fit.move(centre_line_path(result.measured.run, result.measured.at, steps))
    return [nominal.tolist(), measured.tolist(), [list(row.nominal) for row in result.points]]


def _draw(panel: drawing.Panel, result: calc.Inspection, view: drawing.View, times: float) -> None:
    nominal, measured, points = _lines(result)
    enlarged = [
        [a + times * (b - a) for a, b in zip(one, other, strict=True)]
        for one, other in zip(nominal, measured, strict=True)
    ]
    panel.line([drawing.project(point, view) for point in nominal], "nominal")
    panel.line([drawing.project(point, view) for point in points], "axis")
    panel.line([drawing.project(point, view) for point in enlarged], "measured")
    for row in result.points:
        start = drawing.project(row.nominal, view)
        end = [a + times * d for a, d in zip(row.nominal, row.deviation, strict=True)]
        panel.ring(start)
        panel.arrow(start, drawing.project(end, view))


@calculation(
    blp,
    "/inspection",
    name="Inspection",
    ask=InspectionRequest,
    result=InspectionResult,
    example=EXAMPLE,
    pictures={drawing.MEDIA_TYPE: picture},
)
def inspection(ask: Ask) -> calc.Inspection:
    """Inspect a measured part and correct the next one.

    Lays vertices, tangent points or a measured bend table over the nominal run by a rigid best
    fit, gives every deviation and a verdict, and says what to change at which bend: crank angle,
    rotation, mark and cut, with the part that springback or stretch explains, and whether this
    part can be saved by hand. With Accept: image/svg+xml the answer is a drawing.
    """
    nominal = _nominal(ask)
    measured, measured_by = _measured(ask, nominal.run)
    weights = None if ask["weights"] is None else tuple(ask["weights"])
    by_hand = ask["largest_hand_correction"]
    return calc.inspection(
        nominal,
        measured,
        inputs.tube_of(ask),
        how=How(ask["compare"], ask["hold"], weights, _tolerances(ask["tolerances"])),
        set_up=_set_up(ask["set_up"], ask["units"]),
        largest_hand_correction=calc.LARGEST_HAND_CORRECTION if by_hand is None else by_hand,
        measured_by=measured_by,
    )
