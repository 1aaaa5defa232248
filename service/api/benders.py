"""GET /v1/benders."""

from __future__ import annotations

from service import reference
from service.web.answer import KEBAB_PATTERN
from service.web.examples import listed_of_shop
from service.web.fields import Angle, Choice, Flag, Length, Part, Parts, Quantity, Ratio, Text
from service.web.lookup import (
    NOTE_PATTERN,
    Listing,
    beside,
    lookup,
    shop_fields,
    shop_listing,
    source_field,
)
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Benders", "Benders of the loaded shop profile.")


class ListedRatedTube(StrictSchema):
    """A tube that the bender is stated to bend."""

    outside_diameter = Length("Outside diameter D", most=500, required=True)
    wall_thickness = Length("Wall thickness t", most=250, required=True)
    material = Text(
        "Id of its material; null where the profile names none",
        pattern=KEBAB_PATTERN,
        most=64,
        allow_none=True,
        required=True,
    )
    flow_stress = Quantity(
        "pressure",
        "Mean stress of the tube while it bends; null where the profile states none",
        least=0,
        most=1e6,
        allow_none=True,
        required=True,
    )
    radius = Length("Centre-line radius of that bend", allow_none=True, required=True)


class ListedDrive(StrictSchema):
    """The hand crank."""

    gear_ratio = Ratio("Crank turns per turn of the die", most=5000, required=True)
    lever_length = Length("Crank radius", most=5000, required=True)
    efficiency = Ratio("Output work over input work", required=True)
    comfortable_force = Quantity(
        "force",
        "Hand force that the shop allows",
        least=0,
        most=2000,
        allow_none=True,
        required=True,
    )


FURTHEST = 20_000.0


def _coordinate(description: str) -> Length:
    return Length(description, least=-FURTHEST, most=FURTHEST, required=True)


def _point(description: str) -> Parts:
    return Parts(
        Length("x, y, z", least=-FURTHEST, most=FURTHEST),
        description,
        least=3,
        most=3,
        required=True,
    )


class ListedBox(StrictSchema):
    """A body as a box along the axes."""

    name = Text("Name", most=120, pattern=NOTE_PATTERN, required=True)
    least = _point("Least corner")
    greatest = _point("Greatest corner")
    turns_with_die = Flag("Whether the die carries it round", required=True)


class ListedCylinder(StrictSchema):
    """A body as a cylinder with flat ends; the sweep of the hand crank is one."""

    name = Text("Name", most=120, pattern=NOTE_PATTERN, required=True)
    start = _point("Start of the axis")
    end = _point("End of the axis")
    radius = Length("Radius", most=FURTHEST, required=True)
    turns_with_die = Flag("Whether the die carries it round", required=True)


class ListedBenchEdges(StrictSchema):
    """Where the bench top ends."""

    least_x = _coordinate("Least x")
    greatest_x = _coordinate("Greatest x")
    least_y = _coordinate("Least y")
    greatest_y = _coordinate("Greatest y")


class ListedSurroundings(StrictSchema):
    """What a tube may run into while it is bent.

    Frame: origin on the axis of the die, as high as the centre line of the tube; x the way in which
    the tube is fed, z up, y to the left of x.
    """

    swings = Choice(
        "Way in which the leg ahead is swung, seen from above",
        ("anticlockwise", "clockwise"),
        required=True,
    )
    bench_below = Length(
        "How far the bench top lies below the centre line; null where there is none",
        allow_none=True,
        required=True,
    )
    bench_edges = Part(
        ListedBenchEdges, "Null for a bench top without end", allow_none=True, required=True
    )
    floor_below = Length(
        "How far the floor lies below it; null where not stated", allow_none=True, required=True
    )
    boxes = Parts(ListedBox, "Bodies as boxes", most=50, required=True)
    cylinders = Parts(ListedCylinder, "Bodies as cylinders", most=50, required=True)


class ListedBender(StrictSchema):
    """A bender, as the shop profile states it; null where it states nothing."""

    id, name, note = shop_fields("`bender`")
    least_outside_diameter = Length("Least outside diameter", most=500, required=True)
    largest_outside_diameter = Length("Largest outside diameter", most=500, required=True)
    largest_angle = Angle("Largest set angle", required=True)
    dies = Parts(
        Text("Id of a die", pattern=KEBAB_PATTERN, most=64),
        "Dies that fit (GET /v1/dies)",
        most=2000,
        required=True,
    )
    rated_tubes = Parts(ListedRatedTube, "Tubes it is stated to bend", most=200, required=True)
    drive = Part(ListedDrive, "Hand crank", allow_none=True, required=True)
    longest_tube = Length("Longest tube that fits before the stop", allow_none=True, required=True)
    brace_from = Length(
        "Outside diameter from which its support brace is fitted",
        most=500,
        allow_none=True,
        required=True,
    )
    support_from = Length(
        "Tube behind the die from which it is to be supported", allow_none=True, required=True
    )
    lubricant = Text(
        "What groove and tube are lubricated with", most=200, pattern=NOTE_PATTERN, required=True
    )
    tube_can_be_turned = Flag(
        "Whether the tube may be lifted out between two bends and put in again, rolled or end for "
        "end",
        required=True,
    )
    surroundings = Part(
        ListedSurroundings,
        "What a tube may run into; null where the profile states nothing",
        allow_none=True,
        required=True,
    )
    source = source_field()


EXAMPLE = listed_of_shop(
    "benders",
    {
        "id": "bench-25",
        "name": "Small bench bender",
        "note": "Invented. Hand crank, for 6 to 25 mm.",
        "least_outside_diameter": 6.0,
        "largest_outside_diameter": 25.0,
        "largest_angle": 190.0,
        "dies": [
            "d6-r18",
            "d8-r24",
            "d10-r30",
            "d12-r24",
            "d12-r36",
            "d14-r42",
            "d15-r45",
            "d16-r32",
            "d16-r48",
            "d18-r55",
            "d20-r40",
            "d20-r60",
            "d22-r65",
            "d25-r50",
            "d25-r75",
        ],
        "rated_tubes": [
            {
                "outside_diameter": 25.0,
                "wall_thickness": 2.5,
                "material": "e235-n",
                "flow_stress": None,
                "radius": 75.0,
            },
            {
                "outside_diameter": 20.0,
                "wall_thickness": 3.0,
                "material": "e235-n",
                "flow_stress": None,
                "radius": 60.0,
            },
            {
                "outside_diameter": 20.0,
                "wall_thickness": 2.0,
                "material": "1.4404",
                "flow_stress": None,
                "radius": 60.0,
            },
        ],
        "drive": {
            "gear_ratio": 6.0,
            "lever_length": 350.0,
            "efficiency": 0.85,
            "comfortable_force": 250.0,
        },
        "longest_tube": 3000.0,
        "brace_from": 20.0,
        "support_from": 900.0,
        "lubricant": "thin film of bending oil",
        "tube_can_be_turned": True,
        "surroundings": {
            "swings": "anticlockwise",
            "bench_below": 180.0,
            "bench_edges": {
                "least_x": -900.0,
                "greatest_x": 120.0,
                "least_y": -160.0,
                "greatest_y": 190.0,
            },
            "floor_below": 1080.0,
            "boxes": [
                {
                    "name": "gear housing",
                    "least": [-420.0, -115.0, -180.0],
                    "greatest": [70.0, 95.0, -48.0],
                    "turns_with_die": False,
                },
                {
                    "name": "bracket of the pressure die",
                    "least": [-260.0, -190.0, -48.0],
                    "greatest": [-10.0, -118.0, 12.0],
                    "turns_with_die": False,
                },
            ],
            "cylinders": [
                {
                    "name": "sweep of the crank",
                    "start": [-380.0, -230.0, -110.0],
                    "end": [-380.0, -170.0, -110.0],
                    "radius": 370.0,
                    "turns_with_die": False,
                }
            ],
        },
        "source": "demo-shop",
    },
)


@lookup(blp, "/benders", name="Benders", item=ListedBender, example=EXAMPLE, most=200)
def benders() -> Listing:
    """List the benders of the shop.

    Range of outside diameters and angles, dies, rated tubes, drive and surroundings of each bender
    of the loaded shop profile; without a profile, those of the invented demonstration shop.
    """
    shop = reference.shop()
    rows = [beside(bender) for bender in shop.benders.values()]
    return shop_listing(shop, reference.sources(), rows)
