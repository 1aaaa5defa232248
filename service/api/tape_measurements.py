"""POST /v1/tape-measurements."""

from __future__ import annotations

from typing import Any

from service import inputs
from service.calc import tape_measurements as calc
from service.model import Run, Tube
from service.web.examples import TUBE_15
from service.web.fields import Angle, Choice, Count, Either, Length, Part, Parts
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint(
    "Tape measurements", "From the outside of a bent tube to its centre line, and back."
)
TAKEN = ("straight", "vertices", "outside_corners", "inside_corners", "outermost")
FAR = 1e9


def _taken() -> Choice:
    return Choice(
        "`straight`: between tangent points; `vertices`: between intersection points of the centre "
        "line; `outside_corners`, `inside_corners`: to where straight-edges along the outsides (or "
        "insides) of both legs meet; `outermost`: square over the outermost point of the bend, 90° "
        "or more. At an end of the tube each is taken from the end face",
        TAKEN,
        required=True,
    )


class TapedBendSchema(StrictSchema):
    """A leg as taken by a tape, then the bend at its end."""

    length = Length("Reading", required=True)
    taken = _taken()
    rotation = inputs.rotation_field()
    angle = Angle("Bend angle θ", least=0.01, most=350.0, required=True)
    radius = Length("Centre-line radius", least=0.01, most=10_000.0)
    over_legs = Length(
        "For a U-bend instead of the radius: the tape over the outsides of both legs",
        least=0.01,
        most=20_000.0,
    )


class LastLegSchema(StrictSchema):
    """The last leg as taken by a tape, to end 2."""

    length = Length("Reading", required=True)
    taken = _taken()


class TapedRunSchema(StrictSchema):
    """A run as taken by a tape, from end 1."""

    taped_bends = Parts(
        TapedBendSchema, "Legs and bends in order", most=inputs.MOST_BENDS, required=True
    )
    last_leg = Part(LastLegSchema, "The last leg", required=True)


class TapeMeasurementsRequest(inputs.UnitsRequest):
    """A tube and its readings, or its run to turn into readings."""

    tube = inputs.tube_field()
    run = Either(
        "Readings (`taped_bends`, `last_leg`) to turn into a centre line, or a centre line as a "
        "bend table (`bends`, `last_straight`) or `vertices` to turn into readings",
        {
            "taped_bends": TapedRunSchema,
            "bends": inputs.BendTableSchema,
            "vertices": inputs.VertexRunSchema,
        },
        required=True,
    )


def _reading(description: str) -> Length:
    return Length(description, least=-FAR, most=FAR, allow_none=True, required=True)


class LegReadingSchema(StrictSchema):
    """One leg in every way that a tape can take it; null where it cannot be taken so."""

    leg = Count("Leg number from end 1", least=1, most=501, required=True)
    straight = Length("Between tangent points", most=FAR, required=True)
    vertices = _reading("Between intersection points of the centre line")
    outside_corners = _reading("Between outside corners")
    inside_corners = _reading("Between inside corners; below 0 where they cross")
    outermost = _reading("Square over the outermost points of its bends; null without a bend")


class BendReadingSchema(StrictSchema):
    """One bend as a protractor and a tape take it."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    angle = Angle("Bend angle θ", required=True)
    between_legs = Angle("Angle between the legs, 180° − θ", most=180.0, required=True)
    radius = Length("Centre-line radius", most=20_000.0, required=True)
    over_legs = Length(
        "Over the outsides of both legs of a U-bend; null for another bend",
        most=FAR,
        allow_none=True,
        required=True,
    )


class TapedTableRow(StrictSchema):
    """One row of the centre-line bend table."""

    straight = Length("Straight before the bend", most=FAR, required=True)
    rotation = Angle("Rotation before the bend", least=-180.0, most=180.0, required=True)
    angle = Angle("Bend angle θ", required=True)
    radius = Length("Centre-line radius", most=20_000.0, required=True)


class TapedTable(StrictSchema):
    """The centre line; it can be sent as `run`, or as `measured` to an inspection."""

    bends = Parts(TapedTableRow, "Bends in order from end 1", required=True)
    last_straight = Length("Straight after the last bend", most=FAR, required=True)


class TapeMeasurementsResult(StrictSchema):
    """Centre line and readings."""

    run = Part(TapedTable, "Centre-line bend table", required=True)
    legs = Parts(LegReadingSchema, "Readings of every leg", most=501, required=True)
    bends = Parts(BendReadingSchema, "Readings of every bend", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "run": {
        "taped_bends": [
            {"length": 172.5, "taken": "outermost", "angle": 90, "radius": 45},
            {
                "length": 185,
                "taken": "outside_corners",
                "rotation": 90,
                "angle": 45,
                "radius": 45,
            },
        ],
        "last_leg": {"length": 158.6, "taken": "vertices"},
    },
}


def _run(ask: Ask, tube: Tube) -> Run:
    given = ask["run"]
    if "taped_bends" not in given:
        return inputs.run_of(ask)
    taped = [calc.TapedBend(**row) for row in given["taped_bends"]]
    return calc.run_from_tape(taped, given["last_leg"]["length"], given["last_leg"]["taken"], tube)


@calculation(
    blp,
    "/tape-measurements",
    name="TapeMeasurements",
    ask=TapeMeasurementsRequest,
    result=TapeMeasurementsResult,
    example=EXAMPLE,
)
def tape_measurements(ask: Ask) -> calc.TapeMeasurements:
    """Turn tape readings into a centre line, and back.

    Takes each leg as a tape can reach it on a bent tube (to the outside or inside corner, to the
    outermost point of a bend, between tangent points) and gives the centre-line bend table and
    every other reading; or takes a run and gives the readings to expect.
    """
    tube = inputs.tube_of(ask)
    return calc.tape_measurements(_run(ask, tube), tube)
