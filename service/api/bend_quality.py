"""POST /v1/bend-quality."""

from __future__ import annotations

from typing import Any

from service import inputs, reference
from service.calc import bend_quality as calc
from service.calc.bend_limits import STANDARDS
from service.errors import MissingError
from service.web.answer import KEBAB_PATTERN
from service.web.examples import TUBE_20
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

blp = blueprint("Bend quality", "Wall round the bend, ovality, and limits of named standards.")
VERDICTS = ("within", "outside", "unknown", "not_covered")
TRUST = ("verified", "restated", "derived", "memory", "common practice", "invented")
HUGE = 1e12


class FreeTubeSchema(StrictSchema):
    """What the indicators for a free tube need beyond the tube."""

    pressure = Quantity(
        "pressure", "Internal pressure; needs a material", least=0.0, most=1e5, load_default=0.0
    )
    yield_to_tensile = Ratio(
        "Largest ratio of yield to tensile strength; without it one indicator is left out. The "
        "pressure is not counted in that one",
        least=0.01,
    )
    exponent = Ratio(
        "Hardening exponent n of σ = K·εⁿ; without it one indicator is left out", least=0.001
    )


class BendQualityRequest(inputs.UnitsRequest):
    """A bend or a run, its tube, what was measured and what is required."""

    tube = inputs.tube_field()
    run, radius, angle = inputs.bend_fields()
    measured = inputs.measured_field()
    positions = Parts(
        Angle("Position round the section: 0 outside of the bend, 90 side, 180 inside", most=180.0),
        "Where to give the wall too",
        most=37,
        load_default=(),
    )
    stretch = inputs.stretch_field()
    wall_deduction = inputs.deduction_field()
    required_wall = Length(
        "Wall that pressure needs in the straight tube (pressure design thickness), without "
        "allowances; without it no wall is judged",
        least=0.0001,
        most=250.0,
    )
    pressure_side = Choice(
        "Side that the pressure acts on", ("internal", "external"), load_default="internal"
    )
    standards = Parts(
        Choice("Standard", STANDARDS),
        "Standards that apply; left out, the answer compares with all and blocks on none",
        most=len(STANDARDS),
    )
    free_tube = Part(FreeTubeSchema, "What the indicators for a free, unsupported tube need")


class WallAtPositionSchema(StrictSchema):
    """Wall at a position."""

    position = Angle("Position, 0 outside of the bend", most=180.0, required=True)
    wall = Length("Wall; null outside the method's range", most=1e6, allow_none=True, required=True)


class WallEstimateSchema(StrictSchema):
    """Wall by one method; null outside the method's range."""

    method = Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)
    outside = Length("Outside of the bend", most=1e6, allow_none=True, required=True)
    side = Length("Side", most=1e6, allow_none=True, required=True)
    inside = Length("Inside of the bend", most=1e6, allow_none=True, required=True)
    thinning_outside = Quantity(
        "percent", "Thinning outside", least=0, most=100, allow_none=True, required=True
    )
    thickening_inside = Quantity(
        "percent", "Thickening inside", least=-100, most=HUGE, allow_none=True, required=True
    )
    at = Parts(WallAtPositionSchema, "At the positions asked for", most=37, required=True)


class NeutralAxisShiftSchema(StrictSchema):
    """Shift of the neutral axis by one method."""

    method = Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)
    shift = Length("Shift towards the bend centre", most=1e6, required=True)
    stretch = Quantity(
        "percent",
        "Stretch of the centre line that goes with it",
        least=0,
        most=1000,
        required=True,
    )


class OvalityEstimateSchema(StrictSchema):
    """Ovality (Dmax − Dmin)/D of a free elastic tube."""

    method = Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)
    value = Quantity("percent", "Ovality", least=0, most=1000, required=True)
    least = Quantity(
        "percent", "Less the order of what the method neglects", least=0, most=1000, required=True
    )
    most = Quantity(
        "percent", "Plus the order of what the method neglects", least=0, most=1000, required=True
    )


def _share(description: str) -> Quantity:
    return Quantity("percent", description, least=-1000, most=1000, allow_none=True, required=True)


class BendMeasuresSchema(StrictSchema):
    """What the measures come to; null where not measured."""

    ovality_of_nominal = _share("Ovality (Dmax − Dmin)/D, D nominal")
    ovality_of_mean = _share("Ovality 2(Dmax − Dmin)/(Dmax + Dmin)")
    least_diameter_share = _share("Dmin/D")
    thinning_outside = _share("Thinning outside, of the ordered wall")
    thinning_side = _share("Thinning at the side")
    thickening_inside = _share("Thickening inside")


def _margin() -> Quantity:
    return Quantity(
        "percent",
        "What is left, as a share of the limit; below 0 outside it; null where unknown",
        least=-HUGE,
        most=HUGE,
        allow_none=True,
        required=True,
    )


class OvalityLimitSchema(StrictSchema):
    """A limit on ovality."""

    standard = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)
    method = Text("Id of the method, which states the limit", pattern=KEBAB_PATTERN, required=True)
    definition = Choice(
        "`of_nominal_diameter` (Dmax − Dmin)/D; `of_mean_diameter` 2(Dmax − Dmin)/(Dmax + Dmin); "
        "`flattened_from_nominal` (D − Dmin)/D",
        ("of_nominal_diameter", "of_mean_diameter", "flattened_from_nominal"),
        required=True,
    )
    trust = Choice("How far the limit can be trusted", TRUST, required=True)
    value = _share("Measured; null where not measured")
    limit = Quantity("percent", "Largest allowed", least=0, most=1000, required=True)
    margin = _margin()
    verdict = Choice("Against this limit alone", VERDICTS, required=True)


class WallLimitSchema(StrictSchema):
    """A limit on a wall."""

    standard = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)
    method = Text("Id of the method, which states the limit", pattern=KEBAB_PATTERN, required=True)
    place = Choice(
        "Where: the tube before bending, or outside or inside of the bend",
        ("before_bending", "outside", "inside"),
        required=True,
    )
    trust = Choice("How far the limit can be trusted", TRUST, required=True)
    factor = Ratio(
        "Factor on the wall of the straight tube; null where the standard says nothing",
        most=1e18,
        allow_none=True,
        required=True,
    )
    value = Length("Least wall expected or measured", most=1e6, required=True)
    measured = Flag("Whether the value was measured", required=True)
    limit = Length(
        "Least wall asked for; null without `required_wall`, where the standard says nothing, or "
        "where no wall does",
        most=1e6,
        allow_none=True,
        required=True,
    )
    margin = _margin()
    verdict = Choice("Against this limit alone", VERDICTS, required=True)


class BendFormSchema(StrictSchema):
    """One bend."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    radius = Length("Centre-line radius R", most=1e6, required=True)
    angle = Angle("Bend angle; null where none was sent", allow_none=True, required=True)
    bend_ratio = Ratio("R/D", most=1e9, required=True)
    fibre_strain = Quantity("percent", "D/(2R)", least=0, most=100, required=True)
    factor_outside = Ratio(
        "Factor I on the wall that pressure needs, outside of the bend", required=True
    )
    factor_inside = Ratio(
        "Factor I on the wall that pressure needs, inside of the bend", most=1e18, required=True
    )
    walls = Parts(WallEstimateSchema, "Wall by each method", most=3, required=True)
    neutral_axis = Parts(NeutralAxisShiftSchema, "Shift by each method", most=2, required=True)
    ovality = Part(
        OvalityEstimateSchema,
        "Computed ovality; null where no sound method covers the bend, as for every bend formed "
        "on a die",
        allow_none=True,
        required=True,
    )
    measured = Part(
        BendMeasuresSchema, "From the measures; null without", allow_none=True, required=True
    )
    ovality_limits = Parts(OvalityLimitSchema, "Limits on ovality", most=10, required=True)
    wall_limits = Parts(WallLimitSchema, "Limits on the wall", most=10, required=True)


class KinkRowSchema(StrictSchema):
    """Where a free tube would kink by one method; null outside its range."""

    method = Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)
    strain = Quantity(
        "percent", "Compressive strain", least=0, most=1000, allow_none=True, required=True
    )
    radius = Length("Centre-line radius that reaches it", most=1e15, allow_none=True, required=True)


class UnsupportedTubeSchema(StrictSchema):
    """What a long tube without tools would stand. No measure of a bend formed on a die."""

    indicators = Parts(KinkRowSchema, "Strain at kinking by method", most=10, required=True)
    collapse_curvature = Quantity(
        "curvature",
        "Curvature at elastic collapse by flattening; ν = 0.3 without a material",
        least=0,
        most=1e9,
        required=True,
    )
    collapse_radius = Length("The same as a radius", most=1e15, required=True)
    collapse_moment = Quantity(
        "moment",
        "Bending moment there; null without a material",
        least=0,
        most=1e18,
        allow_none=True,
        required=True,
    )


class BendQualityResult(StrictSchema):
    """Every bend, and the free tube for comparison."""

    least_wall = Length("Least wall before bending, tolerance taken off", most=250, required=True)
    bends = Parts(BendFormSchema, "Bends from end 1", required=True)
    unsupported = Part(UnsupportedTubeSchema, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_20,
    "radius": 60,
    "angle": 90,
    "measured": [{"largest_diameter": 20.5, "least_diameter": 19.3, "wall_outside": 1.82}],
    "positions": [45],
    "wall_deduction": {"tolerance_share": 10, "corrosion_allowance": 0},
    "required_wall": 1.2,
    "standards": ["asme-b31-3", "asme-b31-1"],
}


@calculation(
    blp,
    "/bend-quality",
    name="BendQuality",
    ask=BendQualityRequest,
    result=BendQualityResult,
    example=EXAMPLE,
    cautions=("bend_not_released", *DEFAULT_CAUTIONS),
)
def bend_quality(ask: Ask) -> calc.BendQuality:
    """Compute the wall round each bend and compare it with standards.

    Gives the wall at outside, side and inside by three named methods, the shift of the neutral
    axis, and the verdict of each named standard with its margin and its definition of ovality. No
    sound method gives the ovality of a bend formed on a die: send what was measured.
    """
    tube = inputs.tube_of(ask)
    bends = inputs.formed_bends_of(ask, tube)
    if ask["radius"] is None and ask["run"] is None:
        raise MissingError("bend_or_run_missing", ("radius",))
    free = ask["free_tube"]
    return calc.bend_quality(
        tube,
        bends,
        measured=inputs.measured_of(ask["measured"]),
        positions=ask["positions"],
        stretch=ask["stretch"],
        deduction=inputs.deduction_of(ask["wall_deduction"]),
        required_wall=ask["required_wall"],
        pressure_side=ask["pressure_side"],
        standards=ask["standards"],
        wall_table=reference.wall_allowance(),
        unsupported=None if free is None else calc.Unsupported(**free),
    )
