"""POST /v1/run-geometry and POST /v1/run-geometry/offset."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service import inputs
from service.calc import run_geometry as calc
from service.calc.centre_line_path import centre_line_path
from service.model import Bend
from service.web import drawing, texts
from service.web.drawing import VIEWS, measure
from service.web.examples import DRAWN_RUN
from service.web.fields import Angle, Choice, Count, Flag, Length, Part, Parts, Ratio
from service.web.operation import Ask, blueprint, calculation
from service.web.run_picture import Mark, PictureWords, run_picture
from service.web.schema import StrictSchema

blp = blueprint("Run geometry", "Bend table and vertices of a run, its points, ends and box.")
# A vertex may lie 200 radii beyond its bend; 500 of them make this the end of what can come out.
FURTHEST = 1e9
LONGEST = 1e9
# More numbers than this hide the run.
MOST_MARKED = 40


class PointSchema(StrictSchema):
    """A point."""

    x = Length("Coordinate x", least=-FURTHEST, most=FURTHEST, required=True)
    y = Length("Coordinate y", least=-FURTHEST, most=FURTHEST, required=True)
    z = Length("Coordinate z", least=-FURTHEST, most=FURTHEST, required=True)


class DirectionSchema(StrictSchema):
    """A direction of length 1."""

    x = Ratio("Component x", least=-1.000001, most=1.000001, required=True)
    y = Ratio("Component y", least=-1.000001, most=1.000001, required=True)
    z = Ratio("Component z", least=-1.000001, most=1.000001, required=True)


class RunTableRow(StrictSchema):
    """One row of a bend table."""

    straight = Length("Straight before the bend", most=LONGEST, required=True)
    rotation = Angle(
        "Turn of the bend plane from the bend before, above -180° and up to 180°; 0 at the first",
        least=-180.0,
        most=180.0,
        required=True,
    )
    angle = Angle("Bend angle", required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)


class RunTable(StrictSchema):
    """A run as a bend table; it can be sent as `run` to every other operation."""

    bends = Parts(RunTableRow, "Bends in order from end 1", required=True)
    last_straight = Length("Straight after the last bend, to end 2", most=LONGEST, required=True)


class BendPlacesSchema(StrictSchema):
    """Where one bend is."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    start = Part(PointSchema, "Start tangent point", required=True)
    end = Part(PointSchema, "End tangent point", required=True)
    vertex = Part(
        PointSchema, "Intersection point; null from 179.4°", allow_none=True, required=True
    )
    arc_centre = Part(PointSchema, "Centre of the arc", required=True)
    axis = Part(DirectionSchema, "Axis that the bend turns about, right-hand rule", required=True)


class TubeEndSchema(StrictSchema):
    """An end of the run."""

    point = Part(PointSchema, "Centre of the end", required=True)
    direction = Part(
        DirectionSchema, "Direction of travel from end 1 to end 2, at this end", required=True
    )


class BoundingBoxSchema(StrictSchema):
    """The least box, square to the frame, that holds the tube with its ends cut square."""

    least = Part(PointSchema, "Corner of least coordinates", required=True)
    greatest = Part(PointSchema, "Corner of greatest coordinates", required=True)
    size = Part(PointSchema, "Edges of the box", required=True)
    outside_diameter = Length(
        "Outside diameter that the box is made for; 0: box of the centre line",
        most=500.0,
        required=True,
    )


class RunGeometryRequest(inputs.UnitsRequest):
    """A run, and which way round to answer it."""

    run = inputs.run_field()
    tube = inputs.tube_field(
        "The tube, for its bounding box; left out, the box is that of the centre line",
        required=False,
    )
    reverse = Flag("Whether to travel the run from end 2", load_default=False)
    mirror = Flag(
        "Whether to answer the mirror image, in the plane of the first bend", load_default=False
    )
    frame = Choice(
        "`bend_table`: end 1 at the origin, travel along +x, the first bend towards +y; `drawing`: "
        "the frame that the vertices were given in",
        ("bend_table", "drawing"),
        load_default="bend_table",
    )


class RunGeometryResult(StrictSchema):
    """The run in both forms, with its points."""

    frame = Choice("Frame of every point", ("bend_table", "drawing"), required=True)
    run = Part(RunTable, "The run as a bend table", required=True)
    vertices = Parts(
        Part(PointSchema, "A vertex", allow_none=True),
        "End 1, one intersection point a bend (null from 179.4°), end 2",
        least=2,
        most=502,
        required=True,
    )
    bends = Parts(BendPlacesSchema, "Bends from end 1", required=True)
    end_1 = Part(TubeEndSchema, "End 1", required=True)
    end_2 = Part(TubeEndSchema, "End 2", required=True)
    bounding_box = Part(BoundingBoxSchema, "Bounding box", required=True)
    developed_length = Length("Straights and arcs", most=LONGEST, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
    "run": DRAWN_RUN,
    "frame": "drawing",
}


def picture(ask: Ask, answer: calc.RunGeometry) -> str:
    """The run in an isometric and two plane views, with its bends numbered and told."""
    steps = 12 if len(answer.run.bends) <= 50 else 4
    path = centre_line_path(answer.run, answer.at, steps).tolist()
    middles = path[1 + steps // 2 :: steps + 1]
    rows = zip(answer.run.bends[:MOST_MARKED], middles, strict=False)
    marks = [_mark(number, *row, ask["units"]) for number, row in enumerate(rows, 1)]
    return run_picture(path, marks, _picture_words(answer, ask["units"]))


def _picture_words(answer: calc.RunGeometry, system: str) -> PictureWords:
    size = answer.bounding_box.size
    sizes = {axis: measure(getattr(size, axis), "length", system) for axis in "xyz"}
    developed = measure(answer.developed_length, "length", system)
    box = drawing.words("run_box", developed=developed, **sizes)
    last = drawing.words("run_last", last=measure(answer.run.last_straight, "length", system))
    left_out = len(answer.run.bends) - MOST_MARKED
    more = [drawing.words("run_more", count=left_out)] if left_out > 0 else []
    return PictureWords(
        title=drawing.words("run_title"),
        description=box,
        verdict=box,
        views={view: drawing.words(f"view_{view}") for view in VIEWS},
        end_1=texts.text("words", "end_1"),
        end_2=texts.text("words", "end_2"),
        notes=[*more, last],
    )


def _mark(number: int, bend: Bend, middle: Sequence[float], system: str) -> Mark:
    row: dict[str, str | int] = {
        "bend": number,
        "straight": measure(bend.straight, "length", system),
        "rotation": measure(bend.rotation, "angle", system),
        "angle": measure(bend.angle, "angle", system),
        "radius": measure(bend.radius, "length", system),
    }
    label = f"{number}: {row['angle']}"
    return Mark("place", str(number), label, drawing.words("run_bend", **row), [], [middle])


@calculation(
    blp,
    "/run-geometry",
    name="RunGeometry",
    ask=RunGeometryRequest,
    result=RunGeometryResult,
    example=EXAMPLE,
    pictures={drawing.MEDIA_TYPE: picture},
)
def run_geometry(ask: Ask) -> calc.RunGeometry:
    """Turn a run into its bend table, vertices and points.

    Takes a bend table or vertices and gives both, with tangent points, arc centres, ends, exact
    bounding box and developed length; also from the other end, or as the mirror image. With
    `Accept: image/svg+xml` it is drawn.
    """
    return calc.run_geometry(
        inputs.run_of(ask),
        drawn=inputs.drawn_points(ask),
        frame=ask["frame"],
        outside_diameter=inputs.tube_of(ask).outside_diameter if ask["tube"] else None,
        reversed_run=ask["reverse"],
        mirrored=ask["mirror"],
    )


class RunGeometryOffsetRequest(inputs.UnitsRequest):
    """An offset to go round with two equal bends."""

    rise = Length("Offset in one direction", least=-100_000.0, required=True)
    roll = Length(
        "Offset square to the rise, for a rolling offset; 0 when left out",
        least=-100_000.0,
        load_default=0.0,
    )
    angle = Angle("Angle of each bend, up to 90°", least=0.01, most=90.0, required=True)
    radius = Length("Centre-line radius of both bends", least=0.01, most=10_000.0, required=True)
    first_straight = Length("Straight before the first bend, for the bend table", load_default=0.0)
    last_straight = Length("Straight after the second bend, for the bend table", load_default=0.0)


class RunGeometryOffsetResult(StrictSchema):
    """The two bends."""

    true_offset = Length(
        "Offset in the plane of the bends, √(rise² + roll²)", most=LONGEST, required=True
    )
    roll_angle = Angle(
        "Turn of the plane of the bends from the direction of the rise towards that of the roll",
        least=-180.0,
        most=180.0,
        required=True,
    )
    travel = Length("From vertex to vertex along the tube", most=LONGEST, required=True)
    advance = Length("From vertex to vertex along the run", most=LONGEST, required=True)
    set_back = Length("Tangent point to vertex, at each bend", most=LONGEST, required=True)
    gain = Length("Gain 2·set-back − arc, at each bend", most=LONGEST, required=True)
    straight = Length("Straight between the bends", most=LONGEST, required=True)
    shrink = Length(
        "Travel − advance: how much the offset draws the vertex path in",
        most=LONGEST,
        required=True,
    )
    extra_tube = Length(
        "Tube that the offset takes beyond the advance, shrink − 2·gain",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    least_offset = Length(
        "Least offset that this radius and angle can make, 2R(1 − cos θ)",
        most=LONGEST,
        required=True,
    )
    run = Part(RunTable, "The offset as a bend table", required=True)


OFFSET_EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "rise": 120,
    "roll": 90,
    "angle": 45,
    "radius": 45,
    "first_straight": 200,
    "last_straight": 150,
}


@calculation(
    blp,
    "/run-geometry/offset",
    name="RunGeometryOffset",
    ask=RunGeometryOffsetRequest,
    result=RunGeometryOffsetResult,
    example=OFFSET_EXAMPLE,
)
def offset(ask: Ask) -> calc.Offset:
    """Work out an offset or a rolling offset.

    Gives true offset, roll angle, travel, advance, straight between the bends, shrink, extra tube,
    the least offset that radius and angle can make, and the bend table.
    """
    return calc.offset(
        ask["rise"],
        ask["roll"],
        ask["angle"],
        ask["radius"],
        first_straight=ask["first_straight"],
        last_straight=ask["last_straight"],
    )
