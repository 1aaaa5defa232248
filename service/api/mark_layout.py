"""POST /v1/mark-layout."""

from __future__ import annotations

from typing import Any

from service import inputs
from service.calc import mark_layout as calc
from service.web.examples import TUBE_15, TWO_BENDS
from service.web.fields import Choice, Length, Part, Parts
from service.web.marks import LONGEST, BendMarksSchema, MarkSchema
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Mark layout", "Where each mark goes on the straight tube, roll and crank.")


class MarkLayoutRequest(inputs.UnitsRequest):
    """A run and how it is worked."""

    run = inputs.run_field()
    tube = inputs.tube_field()
    measured_from = inputs.measured_from_field()
    measure = inputs.measure_field()
    die = inputs.die_field()
    mark_offset = inputs.mark_offset_field()
    springback = inputs.springback_field()
    stretch = inputs.stretch_field()
    ends = inputs.ends_field()
    bench = inputs.bench_field()


class MarkLayoutResult(StrictSchema):
    """The layout."""

    measured_from = Choice("End that marks are measured from", ("end_1", "end_2"), required=True)
    cut_length = Part(MarkSchema, "Length to cut", required=True)
    bends = Parts(BendMarksSchema, "Bends in the order of the work", required=True)
    last_straight = Length("Straight after the last bend made", most=LONGEST, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "run": TWO_BENDS,
    "springback": [{"constant": 0.8, "proportional": 0.014}],
}


@calculation(
    blp,
    "/mark-layout",
    name="MarkLayout",
    ask=MarkLayoutRequest,
    result=MarkLayoutResult,
    example=EXAMPLE,
)
def mark_layout(ask: Ask) -> calc.MarkLayout:
    """Lay out the marks of a run.

    Gives, for every bend, the distances along the straight, unbent tube of start tangent, arc
    centre, end tangent and apex, the mark to use against the die, the roll and the crank angle.
    """
    return calc.mark_layout(
        inputs.run_of(ask),
        inputs.tube_of(ask),
        measured_from=ask["measured_from"],
        measure=ask["measure"],
        bench=inputs.bench_of(ask["bench"], ask["units"]),
        stretch=ask["stretch"],
        ends=inputs.ends_of(ask["ends"]),
        springback=inputs.springback_of(ask["springback"]),
        die=inputs.die_of(ask["die"]),
        mark_offset=ask["mark_offset"],
    )
