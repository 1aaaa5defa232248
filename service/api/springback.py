"""POST /v1/springback."""

from __future__ import annotations

from typing import Any

from service import inputs
from service.calc import springback as calc
from service.errors import OutOfRangeError
from service.web.examples import TUBE_20
from service.web.fields import Angle, Choice, Count, Length, Part, Parts, Quantity, Ratio, Text
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Springback", "What to crank to, and what a cranked bend leaves.")


class BendAngleSchema(StrictSchema):
    """One bend: its angle and its centre-line radius."""

    angle = Angle("Bend angle", least=0.01, most=350.0, required=True)
    radius = Length("Centre-line radius", least=0.01, most=10_000.0, required=True)


class SpringbackRequest(inputs.UnitsRequest):
    """Bends, their tube, and what is known of its material."""

    tube = inputs.tube_field()
    run = inputs.run_field(required=False)
    bends = Parts(BendAngleSchema, "Single bends, instead of a run", least=1, most=500)
    given = Choice(
        "`finished`: angles and radii are wanted after springback; `set`: angles are cranked to "
        "and radii are those of the die",
        ("finished", "set"),
        load_default="finished",
    )
    hardening = Part(
        inputs.HardeningSchema, "Law of stress; without it the tube is taken as perfectly plastic"
    )
    yield_strength = Quantity(
        "pressure", "Measured yield strength, instead of the minimum", least=0.1, most=1e6
    )
    scatter = Ratio("± fraction by which the flow stress scatters", least=0.0, most=0.9)
    springback = inputs.springback_field()


class SpringbackBandSchema(StrictSchema):
    """Least and largest value."""

    least = Angle("Least", least=-360.0, most=720.0, required=True)
    most = Angle("Largest", least=-360.0, most=720.0, required=True)


class SprungBendSchema(StrictSchema):
    """One bend, before and after it springs back."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    finished_angle = Angle("Angle that remains", required=True)
    finished_radius = Length("Centre-line radius that remains", most=1e9, required=True)
    set_angle = Angle("Angle to crank to", required=True)
    die_radius = Length("Centre-line radius of the die", most=1e6, required=True)
    springback = Angle("Set angle minus finished angle", least=-360.0, required=True)
    proportional = Ratio("Proportional part b of Δθ = a + b·θ", required=True)
    constant = Angle(
        "Constant part a; 0 when predicted, since only trials tell it",
        least=-360.0,
        required=True,
    )
    origin = Choice(
        "`calibrated` by trial bends or `predicted` from the material",
        ("calibrated", "predicted"),
        required=True,
    )
    band = Part(
        SpringbackBandSchema,
        "Band of the angle asked for; null where the scatter is not known",
        allow_none=True,
        required=True,
    )


class SpringbackResult(StrictSchema):
    """All bends."""

    law = Text("Law of stress that predicted, or `calibrated` when none was needed", required=True)
    bends = Parts(SprungBendSchema, "Bends from end 1", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_20,
    "bends": [{"angle": 90, "radius": 60}, {"angle": 45, "radius": 60}],
    "hardening": {"law": "swift", "strength_coefficient": 600, "exponent": 0.2, "prestrain": 0.01},
    "scatter": 0.1,
}


@calculation(
    blp,
    "/springback",
    name="Springback",
    ask=SpringbackRequest,
    result=SpringbackResult,
    example=EXAMPLE,
)
def springback(ask: Ask) -> calc.RunSpringback:
    """Compute springback, bend by bend.

    For wanted angles and radii gives what to crank to and the die radius; for set ones the angle
    and radius that remain. Trial bends go before prediction; each bend says which it rests on.
    """
    return calc.run_springback(
        _bends(ask),
        inputs.tube_of(ask),
        given=ask["given"],
        hardening=inputs.hardening_of(ask["hardening"]),
        yield_strength=ask["yield_strength"],
        scatter=ask["scatter"],
        laws=inputs.springback_of(ask["springback"]),
    )


def _bends(ask: Ask) -> list[calc.Asked]:
    if (ask["run"] is None) == (ask["bends"] is None):
        raise OutOfRangeError("run_or_bends", ("bends",))
    if ask["run"] is not None:
        run = inputs.run_of(ask)
        return [calc.Asked(i, b.angle, b.radius) for i, b in enumerate(run.bends, 1)]
    return [calc.Asked(i, b["angle"], b["radius"]) for i, b in enumerate(ask["bends"], 1)]
