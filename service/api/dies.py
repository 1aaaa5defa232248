"""GET /v1/dies."""

from __future__ import annotations

from service import reference
from service.web.answer import KEBAB_PATTERN
from service.web.examples import listed_of_shop
from service.web.fields import Angle, Flag, Length, Parts, Ratio, Text
from service.web.lookup import Listing, beside, lookup, shop_fields, shop_listing, source_field
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Dies", "Bend dies of the loaded shop profile.")


class ListedDie(StrictSchema):
    """A bend die, as the shop profile states it; null where it states nothing."""

    id, name, note = shop_fields("`die`")
    tube_outside_diameter = Length("Tube that its groove is made for", most=500, required=True)
    radius = Length("Centre-line radius", most=10_000, required=True)
    largest_angle = Angle("Largest set angle", required=True)
    groove_length = Length(
        "Straight part of the groove before the start of bend", allow_none=True, required=True
    )
    clamp_length = Length("Straight tube that the clamp needs", allow_none=True, required=True)
    pressure_die_length = Length(
        "Straight tube that the pressure die needs", allow_none=True, required=True
    )
    mark_offset = Length(
        "Zero mark minus start of bend, positive towards the bend",
        least=-1000,
        most=1000,
        required=True,
    )
    has_angle_marks = Flag("Whether the die carries angle marks", required=True)
    stretch = Ratio(
        "Fraction of arc length by which a bend in this die lengthens the tube, from the shop's "
        "trial bends",
        most=0.2,
        allow_none=True,
        required=True,
    )
    height = Length(
        "Height along its axis, half of it on either side of the bend plane",
        most=1000,
        allow_none=True,
        required=True,
    )
    benders = Parts(
        Text("Id of a bender", pattern=KEBAB_PATTERN, most=64),
        "Benders that take it (GET /v1/benders)",
        most=200,
        required=True,
    )
    source = source_field()


EXAMPLE = listed_of_shop(
    "dies",
    {
        "id": "d15-r45",
        "name": "Die for 15 mm tube, radius 45 mm",
        "note": "",
        "tube_outside_diameter": 15.0,
        "radius": 45.0,
        "largest_angle": 190.0,
        "groove_length": 34.0,
        "clamp_length": 32.0,
        "pressure_die_length": 85.0,
        "mark_offset": 0.0,
        "has_angle_marks": True,
        "stretch": 0.02,
        "height": 23.0,
        "benders": ["bench-25"],
        "source": "demo-shop",
    },
)


@lookup(blp, "/dies", name="Dies", item=ListedDie, example=EXAMPLE)
def dies() -> Listing:
    """List the bend dies of the shop.

    Tube, radius, angle range, grip lengths and mark of each die of the loaded shop profile, and
    the benders that take it; without a profile, those of the invented demonstration shop.
    """
    shop = reference.shop()
    rows = [
        beside(die, benders=[b.id for b in shop.benders.values() if die.id in b.dies])
        for die in shop.dies.values()
    ]
    return shop_listing(shop, reference.sources(), rows)
