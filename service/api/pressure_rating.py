"""POST /v1/pressure-rating."""

from __future__ import annotations

from typing import Any

from service import inputs, reference
from service.calc import pressure_rating as calc
from service.web.answer import KEBAB_PATTERN
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

blp = blueprint("Pressure rating", "Calculated pressure of straight and bent tube.")
PLACES = ("straight", "outside", "side", "inside")
HUGE = 1e12


class PressureRatingRequest(inputs.UnitsRequest):
    """A tube, its stress, its bends, and what is taken off its wall."""

    tube = inputs.tube_field()
    allowable_stress = Quantity(
        "pressure",
        "Allowable stress S at the temperature of use, from the code that applies; or send "
        "`design_factor`",
        least=0.01,
        most=1e6,
    )
    design_factor = Ratio(
        "Design factor n of S = Rm/n on the material's least tensile strength at room temperature",
        least=1.0,
        most=100.0,
    )
    quality_factor = Ratio("Quality factor E of the code", least=0.01, load_default=1.0)
    weld_factor = Ratio("Weld strength factor W of the code", least=0.01, load_default=1.0)
    coefficient = Ratio(
        "Coefficient Y of the code; left out, the rule for ductile metal up to 482 °C", most=0.7
    )
    run, radius, angle = inputs.bend_fields()
    measured = inputs.measured_field()
    wall_method = Choice(
        "How the wall after bending is computed: `held` section, `free` hoop, "
        "`deformation_theory`, or `least`: the thinner bound at each place",
        ("least", "held", "free", "deformation_theory"),
        load_default="least",
    )
    stretch = inputs.stretch_field()
    wall_deduction = inputs.deduction_field()
    pressure = Quantity(
        "pressure", "Pressure wanted; gives the walls that it needs", least=0.0001, most=1e6
    )
    test_factor = Ratio(
        "Test pressure over the wanted pressure, or over the rating where none is wanted",
        least=1.0,
        most=10.0,
    )
    ovality = Quantity(
        "percent",
        "Ovality (Dmax − Dmin)/D of every bend without measured diameters, or of the straight "
        "tube where there are no bends",
        least=0.0,
        most=50.0,
    )


def _pressure(description: str) -> Quantity:
    return Quantity("pressure", description, least=0, most=HUGE, required=True)


def _method() -> Text:
    return Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)


def _wall(description: str, *, nullable: bool = True) -> Length:
    return Length(description, most=1e6, allow_none=nullable, required=True)


class RatedWallsSchema(StrictSchema):
    """The wall and what is taken off."""

    nominal = Length("As ordered", most=250.0, required=True)
    least = Length("Tolerance taken off", most=250.0, required=True)
    remaining = Length("Corrosion allowance taken off too", most=250.0, required=True)


class PressureByMethodSchema(StrictSchema):
    """Pressure by one method."""

    method = _method()
    pressure = _pressure("Pressure")
    in_range = Flag("Whether the tube lies in the method's range of validity", required=True)


class PlaceRatingSchema(StrictSchema):
    """Rating at one place of a bend."""

    place = Choice("Place in the bend", PLACES, required=True)
    wall = Length("Wall after bending, corrosion allowance taken off", most=1e6, required=True)
    measured = Flag("Whether the wall was measured", required=True)
    factor = Ratio("Factor I", most=1e18, required=True)
    coefficient = Ratio(
        "Coefficient Y here: as sent, else the lesser of that of the straight tube and that of the "
        "wall here",
        required=True,
    )
    pressure = _pressure("Pressure by (3c) of ASME B31.3")


class BendRatingSchema(StrictSchema):
    """Rating of one bend."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    radius = Length("Centre-line radius R", most=1e6, required=True)
    angle = Angle("Bend angle; null where none was sent", allow_none=True, required=True)
    places = Parts(PlaceRatingSchema, "Outside, side, inside", most=3, required=True)
    pressure = _pressure("The least of the three")
    thinning_outside = Quantity(
        "percent", "Thinning outside by the method chosen", least=-100, most=100, required=True
    )
    thinning_free_of_derating = Quantity(
        "percent",
        "Thinning outside that about leaves the rating of the straight tube",
        least=0,
        most=100,
        required=True,
    )


class GoverningRatingSchema(StrictSchema):
    """The least pressure found and what governs it. A calculation, no release."""

    pressure = _pressure("Calculated pressure")
    place = Choice("What governs: straight tube, or a place in a bend", PLACES, required=True)
    bend = Count("Bend that governs; null for straight tube", allow_none=True, required=True)
    wall = Length("Wall there, deductions made", most=1e6, required=True)


class PressureTestSchema(StrictSchema):
    """Test pressure by the factor stated."""

    factor = Ratio("Factor", most=10.0, required=True)
    of = Choice("What it multiplies", ("rating", "pressure"), required=True)
    pressure = _pressure("Test pressure")
    share_of_first_yield = Ratio(
        "Test pressure over that at first yield after Tresca; null without a yield strength",
        most=1e30,
        allow_none=True,
        required=True,
    )


class WallByMethodSchema(StrictSchema):
    """Wall of straight tube by one method."""

    method = _method()
    wall = _wall("Needed, deductions made; null where no wall does")
    wall_to_order = _wall("With tolerance and corrosion allowance; null where no wall does")


class WallAfterBendingSchema(StrictSchema):
    """Wall that the finished bend needs, corrosion allowance not included."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    outside = _wall("Outside of the bend; null where no wall does")
    side = _wall("Side; null where no wall does")
    inside = _wall("Inside of the bend; null where no wall does")


class StandardWallSchema(StrictSchema):
    """A standard wall."""

    id = Text("Id of the size (GET /v1/tube-sizes)", most=64, required=True)
    wall_thickness = Length("Wall", most=250.0, required=True)
    pressure = _pressure("Its rating by the same rules, bends included")


class WantedPressureSchema(StrictSchema):
    """What the wanted pressure needs."""

    pressure = _pressure("Pressure wanted")
    margin = Quantity(
        "percent",
        "Rating over wanted pressure less one; below 0 the rating is too low",
        least=-100,
        most=1e18,
        required=True,
    )
    walls = Parts(WallByMethodSchema, "Wall of straight tube by method", most=4, required=True)
    after_bending = Parts(WallAfterBendingSchema, "Wall of the finished bends", required=True)
    standard_wall = Part(
        StandardWallSchema,
        "Least wall of the standard series for this diameter that is rated at the wanted "
        "pressure; null where none is",
        allow_none=True,
        required=True,
    )


class OutOfRoundSchema(StrictSchema):
    """Hoop bending of an out-of-round section: a matter of fatigue under pulsing pressure."""

    bend = Count("Bend number; null for straight tube", allow_none=True, required=True)
    ovality = Quantity("percent", "Ovality (Dmax − Dmin)/D", least=0, most=1000, required=True)
    pressure = _pressure("At this pressure")
    hoop_stress = _pressure("Membrane stress pD/(2t)")
    bending_over_hoop = Ratio("Bending over membrane stress", most=HUGE, required=True)
    bending_stress = _pressure("Bending stress")


class PressureRatingResult(StrictSchema):
    """Calculated pressures; none of them releases a line."""

    allowable_stress = _pressure("Allowable stress S")
    stress_from = Choice("Where S comes from", ("caller", "design_factor"), required=True)
    stress = _pressure("S·E·W, on which every pressure rests")
    coefficient = Ratio("Coefficient Y of the straight tube", required=True)
    wall = Part(RatedWallsSchema, required=True)
    straight = Parts(PressureByMethodSchema, "Straight tube by method", most=10, required=True)
    yielding = Parts(
        PressureByMethodSchema,
        "First yield and full plasticity, no factor in them; empty without a yield strength",
        most=3,
        required=True,
    )
    bends = Parts(BendRatingSchema, "Bends from end 1", required=True)
    rating = Part(GoverningRatingSchema, required=True)
    test = Part(PressureTestSchema, "Null without a test factor", allow_none=True, required=True)
    wanted = Part(
        WantedPressureSchema, "Null without a wanted pressure", allow_none=True, required=True
    )
    out_of_round = Parts(OutOfRoundSchema, "Where an ovality was measured or sent", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 20, "wall_thickness": 2.5, "material": "e235-n"},
    "design_factor": 4,
    "wall_deduction": {"tolerance_share": 10, "corrosion_allowance": 0},
    "run": {
        "bends": [
            {"straight": 120, "angle": 90, "radius": 60},
            {"straight": 85, "rotation": 90, "angle": 45, "radius": 60},
        ],
        "last_straight": 140,
    },
    "measured": [{"bend": 1, "largest_diameter": 20.5, "least_diameter": 19.4}],
    "pressure": 16,
    "test_factor": 1.5,
}


@calculation(
    blp,
    "/pressure-rating",
    name="PressureRating",
    ask=PressureRatingRequest,
    result=PressureRatingResult,
    example=EXAMPLE,
    cautions=(
        "rating_is_calculated",
        "rating_leaves_out",
        "stress_at_temperature",
        *DEFAULT_CAUTIONS,
    ),
)
def pressure_rating(ask: Ask) -> calc.PressureRating:
    """Calculate the pressure of straight and bent tube.

    Gives the pressure by thin-wall, thick-wall and code formulas, that of each bend with its wall
    after bending, what governs, and for a wanted pressure the walls that it needs. It names no line
    fit for use.
    """
    tube = inputs.tube_of(ask)
    stress = ("quality_factor", "weld_factor", "coefficient")
    return calc.pressure_rating(
        tube,
        calc.Stress(
            ask["allowable_stress"], ask["design_factor"], **{name: ask[name] for name in stress}
        ),
        bends=inputs.formed_bends_of(ask, tube),
        measured=inputs.measured_of(ask["measured"]),
        wall_method=ask["wall_method"],
        stretch=ask["stretch"],
        deduction=inputs.deduction_of(ask["wall_deduction"]),
        pressure=ask["pressure"],
        test_factor=ask["test_factor"],
        ovality=ask["ovality"],
        sizes=reference.tube_sizes().values(),
    )
