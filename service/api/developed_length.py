"""POST /v1/developed-length."""

from __future__ import annotations

from typing import Any

from service import inputs
from service.calc import developed_length as calc
from service.web.examples import DRAWN_RUN, TUBE_15
from service.web.fields import Angle, Count, Length, Part, Parts, Quantity
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Developed length", "How long to cut the tube of a run.")
LONGEST = 100_000_000.0


class DevelopedLengthRequest(inputs.UnitsRequest):
    """A run, its tube, and what the ends need."""

    run = inputs.run_field()
    tube = inputs.tube_field()
    stretch = inputs.stretch_field()
    ends = inputs.ends_field()
    tolerances = Part(
        inputs.TolerancesSchema, "Plus-minus tolerances; gives that of the cut length"
    )


class StraightSchema(StrictSchema):
    """One straight."""

    number = Count("Number from end 1", least=1, most=501, required=True)
    length = Length("Length between tangent points", most=LONGEST, required=True)


class ArcSchema(StrictSchema):
    """One bend."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    angle = Angle("Bend angle", required=True)
    arc = Length("Arc length Rθ", required=True)
    set_back = Length(
        "Tangent point to vertex; null from 179.4°", most=1e8, allow_none=True, required=True
    )
    gain = Length(
        "Gain 2·set-back − arc; null from 179.4°", most=1e8, allow_none=True, required=True
    )
    stretch = Length("Lengthening in this bend", required=True)


class CutLengthToleranceSchema(StrictSchema):
    """Plus-minus tolerance of the cut length."""

    worst_case = Length("All errors one way", most=LONGEST, required=True)
    root_sum_square = Length("Independent errors", most=LONGEST, required=True)


class DevelopedLengthResult(StrictSchema):
    """Lengths and mass."""

    straights = Parts(StraightSchema, "Straights from end 1", most=501, required=True)
    bends = Parts(ArcSchema, "Bends from end 1", required=True)
    straight_length = Length("All straights", most=LONGEST, required=True)
    arc_length = Length("All arcs", most=LONGEST, required=True)
    gain = Length(
        "All gains; null where a bend has no vertex", most=LONGEST, allow_none=True, required=True
    )
    developed_length = Length("Straights and arcs", most=LONGEST, required=True)
    stretch = Length("Lengthening in all", most=LONGEST, required=True)
    end_1_allowance = Length("Allowances at end 1", least=-1e6, most=1e6, required=True)
    end_2_allowance = Length("Allowances at end 2", least=-1e6, most=1e6, required=True)
    trim = Length("Trim", required=True)
    cut_length = Length("Length to cut", most=LONGEST, required=True)
    mass = Quantity(
        "mass",
        "Mass of metal; null without a material",
        least=0,
        most=1e15,
        allow_none=True,
        required=True,
    )
    tolerance = Part(
        CutLengthToleranceSchema,
        "Tolerance of the cut length; null without tolerances",
        allow_none=True,
        required=True,
    )


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "run": DRAWN_RUN,
    "ends": {
        "end_1": [{"name": "insertion", "length": 9}],
        "end_2": [{"name": "flare", "length": 3}],
        "trim": 5,
    },
    "tolerances": {"straight": 0.5, "angle": 0.5, "radius": 0.2, "cut": 0.5},
}


@calculation(
    blp,
    "/developed-length",
    name="DevelopedLength",
    ask=DevelopedLengthRequest,
    result=DevelopedLengthResult,
    example=EXAMPLE,
)
def developed_length(ask: Ask) -> calc.DevelopedLength:
    """Compute the developed length and the cut length of a run.

    Gives each straight, arc, set-back and gain, stretch, end allowances, cut length, mass of metal
    and, when tolerances are given, the tolerance of the cut length.
    """
    return calc.developed_length(
        inputs.run_of(ask),
        inputs.tube_of(ask),
        stretch=ask["stretch"],
        ends=inputs.ends_of(ask["ends"]),
        tolerances=inputs.tolerances_of(ask["tolerances"]),
    )
