"""POST /v1/mandrel-criterion."""

from __future__ import annotations

from typing import Any

from service import inputs, reference
from service.calc import mandrel_criterion as calc
from service.errors import NotDeterminedError
from service.model import MandrelLimits
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Flag,
    Length,
    Part,
    Parts,
    Quantity,
    Ratio,
    Text,
)
from service.web.operation import DEFAULT_CAUTIONS, Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Mandrel criterion", "Whether a bend needs a mandrel, and how it is set up.")

ORIGINS = ("request", "shop", "trade")
VERDICTS = ("not_needed", "advised", "required")


class MandrelLimitsSchema(StrictSchema):
    """Limits to judge by; what is left out comes from the shop profile, else from the trade."""

    required_below_wall_ratio = Ratio("t/D below which a mandrel is required", most=0.5)
    advised_below_wall_ratio = Ratio("t/D below which one is advised", most=0.5)
    tight_bend_ratio = Ratio(
        "R/D at or below which the verdict moves one step towards a mandrel", most=1000.0
    )
    none_above_bend_ratio = Ratio(
        "R/D above which the verdict moves one step away from one", most=1000.0
    )


class MandrelCriterionRequest(inputs.BendsRequest):
    """A tube and one radius, the radius of a die, or a whole run.

    What was measured is taken as measured on bends made without a mandrel.
    """

    bender = inputs.bender_field()
    limits = Part(MandrelLimitsSchema, "Limits to judge by, instead of the shop's")
    mandrel = inputs.mandrel_field()
    measured = inputs.measured_field()
    least_outer_wall = Length("Wall that must remain at the outside of the bend", most=250.0)
    largest_ovality = Quantity(
        "percent",
        "Largest (Dmax − Dmin)/D; 8 % when left out, the flattening of ASME B31.3 under internal "
        "pressure, from memory",
        least=0.0,
        most=100.0,
    )


class TradeRuleSchema(StrictSchema):
    """The trade's rule by itself; common practice, no published source."""

    wall_ratio_limit = Ratio("t/D below which the trade asks for a mandrel", required=True)
    margin = Ratio("t/D less that limit", least=-1.0, required=True)
    mandrel_needed = Flag("Whether the rule asks for one", required=True)


class LimitsInForceSchema(StrictSchema):
    """The limits that the verdict rests on; null where there is no such limit."""

    required_below_wall_ratio = Ratio("Required below this t/D", allow_none=True, required=True)
    advised_below_wall_ratio = Ratio("Advised below this t/D", allow_none=True, required=True)
    tight_bend_ratio = Ratio(
        "One step towards a mandrel at or below this R/D",
        most=1e6,
        allow_none=True,
        required=True,
    )
    none_above_bend_ratio = Ratio(
        "One step away from a mandrel above this R/D", most=1e6, allow_none=True, required=True
    )
    wall_origin = Choice("Who stated the limits of t/D", ORIGINS, required=True)
    bend_origin = Choice("Who stated the limits of R/D", ORIGINS, required=True)


class MandrelToolSchema(StrictSchema):
    """The mandrel."""

    body_diameter = Length("Diameter of the body", most=500.0, required=True)
    clearance = Length("Inside diameter of the tube less the body", most=500.0, required=True)
    origin = Choice("Who stated it", ORIGINS, required=True)
    nose = Choice("Shape of the nose", inputs.NOSES, required=True)
    corner_radius = Length("Corner radius of the nose; 0 where sharp", most=250.0, required=True)


class MandrelRodSchema(StrictSchema):
    """The mandrel rod."""

    length = Length("How far one rod reaches, to the tip of the nose", required=True)
    overlap = Length("What each coupling overlaps", required=True)
    origin = Choice("Who stated it", ORIGINS, required=True)


class ExpectedFormSchema(StrictSchema):
    """What the bend becomes without a mandrel."""

    outer_wall_least = Length("Wall at the outside: measured, or the thinner bound", required=True)
    outer_wall_most = Length("Wall at the outside: measured, or the thicker bound", required=True)
    thinning = Quantity(
        "percent", "Thinning by the least wall", least=-1000.0, most=100.0, required=True
    )
    outer_wall_measured = Flag("Whether the wall was measured", required=True)
    ovality = Quantity(
        "percent",
        "(Dmax − Dmin)/D as measured; null where it was not: no sound method gives it",
        least=0.0,
        most=1000.0,
        allow_none=True,
        required=True,
    )


class MandrelLeadSchema(StrictSchema):
    """Setting of the nose at this radius. The adjustment range runs from 0 to `largest`."""

    largest = Length("Lead at which this nose touches an unchanged outer wall", required=True)
    largest_sharp = Length("The same for a sharp nose", required=True)
    largest_hemisphere = Length("The same for a hemisphere", required=True)
    largest_thinned = Length(
        "Lead at which this nose touches the outer wall once it is as thin as `outer_wall_most`; "
        "reached by trial only, since spring and flattening take lead back",
        allow_none=True,
        required=True,
    )
    given = Length("Lead that was to be checked", least=-1e5, allow_none=True, required=True)
    adjustment = Length(
        "What remains from there to `largest`; below 0 where it is passed",
        least=-1e5,
        allow_none=True,
        required=True,
    )
    fall = Length(
        "How far the outer wall has fallen towards the axis there", allow_none=True, required=True
    )
    gap = Length(
        "Free space between nose and outer wall there; below 0 it presses",
        least=-1e5,
        allow_none=True,
        required=True,
    )


class RodSettingSchema(StrictSchema):
    """Rod and stop, rear end of the tube against the stop as the bend is begun."""

    stop_to_tangent = Length(
        "From the stop to the start tangent point; below 0 where the tube does not reach it",
        least=-1e8,
        most=1e8,
        required=True,
    )
    nose_to_stop = Length(
        "From the stop to the nose: that distance and the lead given, else none",
        least=-1e8,
        most=1e8,
        required=True,
    )
    rods = Count(
        "Rods to couple, enough for the lead given, else for the largest; null without a rod "
        "length",
        least=1,
        most=1_000_000_000,
        allow_none=True,
        required=True,
    )
    reach = Length("How far they reach", most=1e10, allow_none=True, required=True)
    remaining = Length(
        "What stands out behind the stop", least=-1.0, most=1e10, allow_none=True, required=True
    )


class BendVerdictSchema(StrictSchema):
    """One bend."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    angle = Angle("Bend angle; null where none was given", allow_none=True, required=True)
    bend_ratio = Ratio("Bend ratio R/D", most=1e5, required=True)
    verdict = Choice("Whether a mandrel is needed", VERDICTS, required=True)
    reasons = Parts(
        Text("Code of a finding", pattern=r"^[a-z0-9_]{1,64}$", most=64),
        "Codes of the findings that the verdict rests on",
        most=10,
        required=True,
    )
    not_needed_from_wall_ratio = Ratio(
        "t/D from which no mandrel is needed at this R/D; null where every wall calls for one",
        allow_none=True,
        required=True,
    )
    required_below_wall_ratio = Ratio(
        "t/D below which one is required at this R/D; null where none is",
        allow_none=True,
        required=True,
    )
    margin = Ratio(
        "t/D less `not_needed_from_wall_ratio`; below 0 a mandrel is called for",
        least=-1.0,
        allow_none=True,
        required=True,
    )
    least_wall = Length("Wall that would do without a mandrel", allow_none=True, required=True)
    form = Part(ExpectedFormSchema, "What the bend becomes without a mandrel", required=True)
    lead = Part(
        MandrelLeadSchema,
        "Setting of the nose; null without a clearance",
        allow_none=True,
        required=True,
    )
    rod = Part(
        RodSettingSchema,
        "Rod and stop; null without a mandrel or where the tube behind the bend is unknown",
        allow_none=True,
        required=True,
    )


class MandrelCriterionResult(StrictSchema):
    """The verdict on the whole work is that of its most demanding bend."""

    verdict = Choice("Whether a mandrel is needed", VERDICTS, required=True)
    deciding_bend = Count("The most demanding bend", least=1, most=500, required=True)
    wall_ratio = Ratio("Wall ratio t/D", required=True)
    wall_factor = Ratio("Wall factor D/t", most=1e6, required=True)
    inside_diameter = Length("Inside diameter", most=500.0, required=True)
    trade_rule = Part(TradeRuleSchema, "The trade's rule by itself", required=True)
    limits = Part(LimitsInForceSchema, "The limits that hold", required=True)
    mandrel = Part(
        MandrelToolSchema,
        "The mandrel; null where no clearance is known",
        allow_none=True,
        required=True,
    )
    rod = Part(
        MandrelRodSchema,
        "The mandrel rod; null where its length is not known",
        allow_none=True,
        required=True,
    )
    bends = Parts(BendVerdictSchema, "Bends in the order of the work", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5, "material": "e235-n"},
    "run": {
        "bends": [
            {"straight": 220, "angle": 90, "radius": 76},
            {"straight": 180, "rotation": 90, "angle": 45, "radius": 115},
        ],
        "last_straight": 1600,
    },
    "mandrel": {"clearance": 0.3, "nose": "rounded", "corner_radius": 6, "lead": 5},
}


@calculation(
    blp,
    "/mandrel-criterion",
    name="MandrelCriterion",
    ask=MandrelCriterionRequest,
    result=MandrelCriterionResult,
    example=EXAMPLE,
    cautions=("mandrel_trial", *DEFAULT_CAUTIONS),
)
def mandrel_criterion(ask: Ask) -> calc.MandrelCriterion:
    """Say whether a mandrel is needed, with the reasons, and set it up.

    By wall ratio and bend ratio against the caller's, the shop's or the trade's limits, and by the
    outer wall and the ovality of the bend; then body diameter, lead of the nose, rods and stop,
    for one radius or for every bend of a run. No published standard fixes when a mandrel is
    needed.
    """
    shop, tube, die = reference.shop(), inputs.tube_of(ask), inputs.die_of(ask["die"])
    bends = inputs.bends_of(ask, tube, die)
    if not bends:
        raise NotDeterminedError("no_bend_given", ("run" if ask["run"] else "radius",))
    given = ask["mandrel"]
    limits = MandrelLimits(**ask["limits"]) if ask["limits"] else None
    bender = inputs.bender_of(ask["bender"])
    return calc.mandrel_criterion(
        tube,
        bends,
        limits=calc.limits_in_force(shop.mandrel_limits, limits),
        tool=inputs.mandrel_tool_of(given, tube),
        lead=given["lead"],
        rod=inputs.mandrel_rod_of(given),
        die=die,
        longest_tube=bender.longest_tube if bender else None,
        quality=_quality(ask),
        invented=shop.invented,
    )


def _quality(ask: Ask) -> calc.QualityDemand:
    return calc.QualityDemand(
        inputs.measured_of(ask["measured"]),
        ask["least_outer_wall"],
        ask["largest_ovality"],
        ask["stretch"],
    )
