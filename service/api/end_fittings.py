"""GET /v1/end-fittings."""

from __future__ import annotations

from service import reference
from service.calc.bend_rules_geometry import straight_for_fitting
from service.web.examples import listed_of_shop
from service.web.fields import Choice, Length
from service.web.lookup import Listing, beside, lookup, shop_fields, shop_listing, source_field
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("End fittings", "What goes on the ends of tubes, of the loaded shop profile.")


class ListedEndFitting(StrictSchema):
    """An end fitting, as the shop profile states it; null where it states nothing."""

    id, name, note = shop_fields("a fitting")
    kind = Choice(
        "`flare`: the tube's own end is flared; `cone_24`: 24° cone connector; `compression`: any "
        "other that grips the plain tube",
        ("flare", "cone_24", "compression"),
        required=True,
    )
    tube_outside_diameter = Length("Tube that it is made for", most=500, required=True)
    insertion = Length("How far the tube goes into it", allow_none=True, required=True)
    nut_length = Length("Length of the nut", allow_none=True, required=True)
    tool_length = Length(
        "Straight tube that the flaring or assembly tool grips", allow_none=True, required=True
    )
    straight_needed = Length(
        "Straight from the end of the tube to the bend that it takes: as stated, else reckoned "
        "from nut, tool and insertion; null where neither is possible",
        allow_none=True,
        required=True,
    )
    source = source_field()


EXAMPLE = listed_of_shop(
    "end_fittings",
    {
        "id": "cone-20",
        "name": "24° cone connector, 20 mm tube",
        "note": "",
        "kind": "cone_24",
        "tube_outside_diameter": 20.0,
        "insertion": 10.0,
        "nut_length": 25.0,
        "tool_length": 22.0,
        "straight_needed": 50.0,
        "source": "demo-shop",
    },
)


@lookup(blp, "/end-fittings", name="EndFittings", item=ListedEndFitting, example=EXAMPLE)
def end_fittings() -> Listing:
    """List the end fittings of the shop.

    Kind, tube, nut, insertion and tool of each end fitting of the loaded shop profile, and the
    straight end that it takes; a profile without any lists none.
    """
    shop = reference.shop()
    rows = [
        beside(one, straight_needed=straight_for_fitting(one)) for one in shop.end_fittings.values()
    ]
    return shop_listing(shop, reference.sources(), rows)
