"""GET /v1/tube-sizes."""

from __future__ import annotations

from service import reference
from service.web.answer import KEBAB_PATTERN
from service.web.examples import LOCAL_CODES_CAUTION, MEMORY_CAUTION, listed
from service.web.fields import Choice, Count, Length, Parts, Text
from service.web.lookup import Listing, lookup, named_sources, source_field
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Tube sizes", "Standard outside diameters with standard walls.")


class ListedTubeSize(StrictSchema):
    """A standard size of tube."""

    id = Text("Id", pattern=KEBAB_PATTERN, most=64, required=True)
    system = Choice("System that the size is stated in", ("metric", "inch"), required=True)
    outside_diameter = Length("Outside diameter D", most=500, required=True)
    wall_thickness = Length("Wall thickness t", most=250, required=True)
    dash = Count(
        "Dash size: outside diameter in sixteenths of an inch; null for metric tube",
        least=1,
        most=200,
        allow_none=True,
        required=True,
    )
    gauge = Count(
        "Birmingham wire gauge of the wall; the decimal wall counts; null for metric tube",
        most=50,
        allow_none=True,
        required=True,
    )
    cone_series = Parts(
        Choice("L light, S heavy", ("L", "S")),
        "Series of 24° cone connectors made for this outside diameter",
        most=2,
        required=True,
    )
    source = source_field()
    place = Text("Page or table in the source", most=200, required=True)
    trust = Text("How far this row can be trusted", required=True)


EXAMPLE = listed(
    "tube_sizes",
    [
        {
            "id": "20x2mm",
            "system": "metric",
            "outside_diameter": 20.0,
            "wall_thickness": 2.0,
            "dash": None,
            "gauge": None,
            "cone_series": ["S"],
            "source": "en-10305-4",
            "place": "diameters and walls; table not checked",
            "trust": "memory",
        },
        {
            "id": "dash8x0.049in",
            "system": "inch",
            "outside_diameter": 12.7,
            "wall_thickness": 1.2446,
            "dash": 8,
            "gauge": 18,
            "cone_series": [],
            "source": "birmingham-wire-gauge",
            "place": "dash: sixteenths of an inch; wall by gauge; table not checked",
            "trust": "memory",
        },
    ],
    [
        {
            "id": "en-10305-4",
            "title": "EN 10305-4 Steel tubes for precision applications: seamless cold drawn "
            "tubes for hydraulic and pneumatic power systems",
            "author": "CEN",
            "year": None,
            "trust": "memory",
            "note": "Minimum strength, and 10 MPa less yield strength for OD ≤ 30 mm with "
            "wall ≤ 3 mm.",
        },
        {
            "id": "birmingham-wire-gauge",
            "title": "Birmingham wire gauge (BWG) wall numbers",
            "author": "the trade",
            "year": None,
            "trust": "memory",
            "note": "Gauge systems differ; the decimal wall counts.",
        },
    ],
    MEMORY_CAUTION,
    LOCAL_CODES_CAUTION,
)


@lookup(blp, "/tube-sizes", name="TubeSizes", item=ListedTubeSize, example=EXAMPLE)
def tube_sizes() -> Listing:
    """List the standard sizes of tube.

    Metric and inch sizes, with the dash size of inch tube. Not each is made in each material or
    kept in stock, and none is a recommendation: the wall follows from the pressure.
    """
    found = reference.tube_sizes().values()
    return Listing(
        found,
        named_sources(reference.sources(), (size.source for size in found)),
        ("from_memory", "local_codes"),
    )
