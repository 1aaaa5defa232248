"""POST /v1/capacity-check."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from service import inputs, reference
from service.calc import capacity_check as calc
from service.calc.bender_load import Strength
from service.errors import MissingError, OutOfRangeError
from service.model import Tube
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
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Capacity check", "Whether this bender can bend this tube, how hard, which die.")

VERDICTS = ("can_bend", "can_bend_with_care", "cannot_bend", "not_determined")
BASES = ("stated", "hardening", "maximum", "factor_on_minimum")
HUGE = 1e15


class CapacityCheckRequest(inputs.BendsRequest):
    """A tube, a bender, and one radius, the radius of a die, a whole run, or none of them."""

    bender = inputs.bender_field(required=True)
    springback = inputs.springback_field()
    hardening = Part(
        inputs.HardeningSchema, "Strain hardening of this tube, instead of its material's"
    )
    flow_stress = inputs.flow_stress_field()
    strength_factor = inputs.strength_factor_field()
    load_factor = inputs.load_factor_field()
    pressure_die_friction, mandrel_drag = inputs.pull_fields()


class SectionSchema(StrictSchema):
    """Section of the tube."""

    area = Quantity("area", "Area of metal", least=0.0, most=HUGE, required=True)
    second_moment = Quantity(
        "second_moment", "Second moment of area I", least=0.0, most=HUGE, required=True
    )
    section_modulus = Quantity(
        "section_modulus", "Elastic section modulus Z", least=0.0, most=HUGE, required=True
    )
    plastic_modulus = Quantity(
        "section_modulus", "Plastic section modulus Zp", least=0.0, most=HUGE, required=True
    )
    shape_factor = Ratio("Shape factor Zp/Z", most=10.0, required=True)


class LoadStrengthSchema(StrictSchema):
    """The strength that the load rests on, from the weakest to the strongest tube."""

    basis = Choice(
        "Where the upper end comes from: stated in the request, a hardening law, the maximum of "
        "the material, or a factor on its minimum",
        BASES,
        required=True,
    )
    law = Choice("Hardening law; null without one", inputs.LAWS, allow_none=True, required=True)
    least_flow_stress = Quantity(
        "pressure",
        "Flow stress of the weakest tube, (Y + Rm)/2 unless stated; null with a hardening law",
        least=0.0,
        most=HUGE,
        allow_none=True,
        required=True,
    )
    largest_flow_stress = Quantity(
        "pressure",
        "Flow stress of the strongest tube; null with a hardening law",
        least=0.0,
        most=HUGE,
        allow_none=True,
        required=True,
    )
    factor = Ratio("Factor used between them; 1 where none was", most=10.0, required=True)


class RatedMomentSchema(StrictSchema):
    """A tube that the bender is known to bend, as a moment."""

    number = Count("Place in the bender's list, from 1", least=1, most=200, required=True)
    outside_diameter = Length("Outside diameter", most=500.0, required=True)
    wall_thickness = Length("Wall thickness", most=250.0, required=True)
    flow_stress = Quantity("pressure", "Flow stress", least=0.0, most=HUGE, required=True)
    flow_stress_stated = Flag("Whether it is stated, not (Y + Rm)/2 of the minimum", required=True)
    plastic_modulus = Quantity(
        "section_modulus", "Plastic section modulus", least=0.0, most=HUGE, required=True
    )
    moment = Quantity("moment", "Moment", least=0.0, most=HUGE, required=True)
    same_material = Flag(
        "Whether the tube is of its material, so that the scatter of strength falls out",
        required=True,
    )


class DieMatchSchema(StrictSchema):
    """A die of the bender that is made for this tube; where there is none, the nearest."""

    id = Text("Id; `inline-n` for the n-th die by its values", most=64, required=True)
    name = Text("Name", most=120, required=True)
    tube_outside_diameter = Length("Tube its groove is made for", most=500.0, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    largest_angle = Angle("Largest set angle", required=True)
    diameter_difference = Length("Groove less tube", least=-500.0, most=500.0, required=True)
    fits_tube = Flag("Whether it is made for this tube", required=True)


class CrankLoadSchema(StrictSchema):
    """What the hand feels."""

    turns = Ratio(
        "Turns of the crank for the set angle; null without one",
        most=1e5,
        allow_none=True,
        required=True,
    )
    force_least = Quantity("force", "Hand force, weakest tube", least=0.0, most=HUGE, required=True)
    force_largest = Quantity(
        "force", "Hand force, strongest tube", least=0.0, most=HUGE, required=True
    )
    work = Quantity(
        "energy",
        "Work of the die for the strongest tube; null without a set angle",
        least=0.0,
        most=HUGE,
        allow_none=True,
        required=True,
    )


def _moment(description: str) -> Quantity:
    return Quantity("moment", description, least=0.0, most=HUGE, allow_none=True, required=True)


def _utilisation(of: str) -> Ratio:
    share = f"Share of the capacity used by the {of}"
    return Ratio(share, most=HUGE, allow_none=True, required=True)


class BendCapacitySchema(StrictSchema):
    """One bend; null where the strength of the tube or the rating of the bender is not known."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    angle = Angle("Finished angle; null where none was given", allow_none=True, required=True)
    set_angle = Angle(
        "Angle to crank to; null without an angle or where it would pass 360°",
        allow_none=True,
        required=True,
    )
    springback_from = Choice(
        "What the set angle rests on: springback given, predicted, or none at all",
        ("given", "predicted", "none"),
        required=True,
    )
    die = Text(
        "Die to take: the one asked for, else the nearest by diameter, then by radius; null where "
        "there is none",
        most=64,
        allow_none=True,
        required=True,
    )
    die_fits = Flag("Whether that die is made for this tube and radius", required=True)
    die_diameter_difference = Length(
        "Groove of that die less tube", least=-500.0, most=500.0, allow_none=True, required=True
    )
    die_radius_difference = Length(
        "Radius of that die less this one", least=-1e4, allow_none=True, required=True
    )
    moment_least = _moment("Bending moment, weakest tube")
    moment_largest = _moment("Bending moment, strongest tube")
    torque_least = _moment("Torque at the die with the friction stated, weakest tube")
    torque_largest = _moment("Torque at the die with the friction stated, strongest tube")
    utilisation_least = _utilisation("weakest tube; 1 is all of it")
    utilisation = _utilisation("strongest tube")
    rated_tube = Count(
        "Number of the rated tube that it is held against: the one that leaves the most",
        least=1,
        most=200,
        allow_none=True,
        required=True,
    )
    largest_wall = Length(
        "Largest wall in this diameter and material, strongest tube", allow_none=True, required=True
    )
    crank = Part(
        CrankLoadSchema, "Crank; null without a drive or a load", allow_none=True, required=True
    )


class CapacityCheckResult(StrictSchema):
    """Utilisation and largest wall are those of the most demanding bend."""

    verdict = Choice("Worst of the findings", VERDICTS, required=True)
    bender = Text("Id of the bender", most=64, required=True)
    bender_name = Text("Name of the bender", most=120, required=True)
    least_outside_diameter = Length("Smallest tube it takes", most=500.0, required=True)
    largest_outside_diameter = Length("Largest tube it takes", most=500.0, required=True)
    diameter_fits = Flag("Whether the tube lies in that range", required=True)
    section = Part(SectionSchema, "Section of the tube", required=True)
    strength = Part(
        LoadStrengthSchema,
        "Strength of the tube; null where it is not known",
        allow_none=True,
        required=True,
    )
    rated_tubes = Parts(
        RatedMomentSchema, "What the bender is known to bend", most=200, required=True
    )
    moment_capacity = _moment(
        "Moment of the rated tube that the most demanding bend is held against"
    )
    deciding_bend = Count(
        "The most demanding bend", least=1, most=500, allow_none=True, required=True
    )
    utilisation_least = _utilisation("weakest tube; 1 is all of it")
    utilisation = _utilisation("strongest tube")
    largest_wall = Length(
        "Largest wall that this bender takes in this diameter and material, strongest tube; half "
        "the diameter where even a solid bar is within its capacity, 0 where friction alone is not",
        allow_none=True,
        required=True,
    )
    largest_wall_of_weakest = Length(
        "The same for the weakest tube", allow_none=True, required=True
    )
    largest_standard_wall = Length(
        "Largest standard wall of this diameter up to `largest_wall`",
        allow_none=True,
        required=True,
    )
    dies = Parts(
        DieMatchSchema, "Dies made for this tube; else the nearest", most=2000, required=True
    )
    bends = Parts(BendCapacitySchema, "Bends in the order of the work", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_20,
    "bender": "bench-25",
    "run": {
        "bends": [
            {"straight": 120, "angle": 90, "radius": 60},
            {"straight": 95, "rotation": 90, "angle": 45, "radius": 60},
        ],
        "last_straight": 150,
    },
    "springback": [{"constant": 0.8, "proportional": 0.016}],
    "pressure_die_friction": 400,
}


@calculation(
    blp,
    "/capacity-check",
    name="CapacityCheck",
    ask=CapacityCheckRequest,
    result=CapacityCheckResult,
    example=EXAMPLE,
)
def capacity_check(ask: Ask) -> calc.CapacityCheck:
    """Say whether a bender can bend a tube, how hard, and with which die.

    Checks outside diameter, dies at hand, set angle with springback, tube before the stop, bending
    moment against the tubes that the bender is known to bend, and effort at the crank; names the
    largest wall in this diameter and material. The minimum strength of a standard is no safe value
    for the load: the answer is a band up to the strongest tube, and says what that rests on.
    """
    tube, die = _tube(ask), inputs.die_of(ask["die"])
    bender = inputs.bender_of(ask["bender"])
    assert bender is not None  # the field is required
    invented = reference.shop().invented and isinstance(ask["bender"], str)
    return calc.capacity_check(
        tube,
        bender,
        inputs.bender_dies(ask["bender"]),
        inputs.bends_of(ask, tube, die),
        ratings=inputs.ratings_of(bender),
        strength=_strength(ask, tube),
        die=die,
        springback=inputs.springback_of(ask["springback"]),
        terms=calc.LoadTerms(ask["pressure_die_friction"], ask["mandrel_drag"], ask["load_factor"]),
        standard_walls=inputs.standard_walls(tube.outside_diameter),
        invented=invented,
    )


def _tube(ask: Ask) -> Tube:
    """The tube, with the hardening law of the request in place of its material's."""
    tube, given = inputs.tube_of(ask), ask["hardening"]
    if given is None:
        return tube
    if tube.material is None:
        raise MissingError("hardening_without_material", ("tube", "material"))
    material = replace(tube.material, hardening=inputs.hardening_of(given))
    return replace(tube, material=material)


def _strength(ask: Ask, tube: Tube) -> Strength | None:
    """The strength; a refusal points to where the law or the material stands in the request."""
    if ask["flow_stress"] is not None and ask["hardening"] is not None:
        raise OutOfRangeError("flow_stress_and_hardening", ("flow_stress",))
    own = () if ask["hardening"] is None else ("hardening",)
    return inputs.strength_to_bend(tube, ask["flow_stress"], ask["strength_factor"], *own)
