"""GET /v1/end-fittings."""

from __future__ import annotations

from typing import Any

from service import reference
from service.calc.bend_rules_geometry import straight_for_fitting
from service.web.answer import KEBAB_PATTERN
from service.web.fields import Choice, Length, Text
from service.web.lookup import NOTE_PATTERN, Listing, beside, lookup
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("End fittings", "What goes on the ends of tubes, of the loaded shop profile.")


class ListedEndFitting(StrictSchema):
    """An end fitting, as the shop profile states it; null where it states nothing."""

    id = Text("Id to send as a fitting", pattern=KEBAB_PATTERN, most=64, required=True)
    name = Text("Name", most=120, pattern=NOTE_PATTERN, required=True)
    note = Text("Remarks", most=2000, pattern=NOTE_PATTERN, required=True)
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
    source = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "result": {
        "end_fittings": [
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
            }
        ]
    },
    "sources": [
        {
            "id": "demo-shop",
            "title": "The invented demonstration workshop",
            "author": "this project",
            "year": None,
            "trust": "invented",
            "note": "Made up, to show the service at work. No machine, die or shop like it exists.",
        }
    ],
    "cautions": [
        "This shop, its benders and its dies are invented for demonstration. Load your "
        "own shop profile before you bend tube by these numbers."
    ],
    "version": {"service": "0.1.0", "methods": "0123456789abcdef"},
}


@lookup(blp, "/end-fittings", name="EndFittings", item=ListedEndFitting, example=EXAMPLE)
def end_fittings() -> Listing:
    """List the end fittings of the shop.

    Kind, tube, nut, insertion and tool of each end fitting of the loaded shop profile, and the
    straight end that it takes; a profile without any lists none.
    """
    shop = reference.shop()
    rows = [
        beside(one, straight_needed=straight_for_fitting(one), source=shop.source)
        for one in shop.end_fittings.values()
    ]
    caution = "invented_shop" if shop.invented else "as_the_shop_states"
    return Listing(rows, [reference.sources()[shop.source]], (caution,))
