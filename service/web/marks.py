"""How a mark, a roll and a bend of a layout are answered, by every endpoint that lays out marks."""

from __future__ import annotations

from service.web.fields import Angle, Count, Length, Part, Reading, Text
from service.web.schema import StrictSchema

LONGEST = 100_000_000.0


class MarkSchema(StrictSchema):
    """A distance along the unbent tube."""

    exact = Length("Exact value", least=-LONGEST, most=LONGEST, required=True)
    bench = Length("Rounded once to the bench step", least=-LONGEST, most=LONGEST, required=True)
    label = Reading("As the rule shows it", most=40, required=True)


class SetAngleSchema(StrictSchema):
    """An angle to set."""

    exact = Angle("Exact value", required=True)
    bench = Angle("Rounded once to the step of the protractor", most=370.0, required=True)


class RollSchema(StrictSchema):
    """How far to roll before this bend, as the turn of the bend plane.

    The plane of the bender stands still, so the tube itself is rolled the other way: for a positive
    angle clockwise, seen from its rear end towards the die.
    """

    angle = Angle(
        "Turn of the bend plane from the bend made before, right-hand rule along the work, from "
        "the end worked first to the rear end; the tube itself is rolled clockwise for a positive "
        "angle, seen from its rear end towards the die",
        least=-180.0,
        most=180.0,
        required=True,
    )
    from_first = Angle("From the first bend made", least=-180.0, most=180.0, required=True)
    arc = Part(MarkSchema, "The same as arc length on the outside of the tube", required=True)


class BendMarksSchema(StrictSchema):
    """One bend in the order of the work."""

    step = Count("Place in the order of the work", least=1, most=500, required=True)
    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    measured_from = Text(
        "`end_1`, `end_2`, or `bend_n`: the end tangent of bend n", most=20, required=True
    )
    start = Part(MarkSchema, "Start tangent point", required=True)
    arc_centre = Part(MarkSchema, "Middle of the arc", required=True)
    end = Part(MarkSchema, "End tangent point", required=True)
    apex = Part(
        MarkSchema,
        "Intersection point, for a die with angle marks: set it there; null from 179.4°",
        allow_none=True,
        required=True,
    )
    zero_mark = Part(MarkSchema, "Mark to set at the zero mark of the die", required=True)
    rotation = Part(RollSchema, "Roll before this bend", required=True)
    angle = Angle("Finished bend angle", required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    crank = Part(
        SetAngleSchema, "Angle to crank to, springback included where it was given", required=True
    )
    straight_before = Length(
        "Straight from the bend made before, to check with a rule", most=LONGEST, required=True
    )
