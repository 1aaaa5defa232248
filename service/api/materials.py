"""GET /v1/materials."""

from __future__ import annotations

from service import reference
from service.web.answer import KEBAB_PATTERN
from service.web.examples import LOCAL_CODES_CAUTION, MEMORY_CAUTION, listed
from service.web.fields import Length, Quantity, Ratio, Text
from service.web.lookup import NOTE_PATTERN, Listing, lookup, named_sources, source_field
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Materials", "Tube materials that a request can name by id.")


def _strength(description: str) -> Quantity:
    return Quantity("pressure", description, least=0.1, most=1e6, allow_none=True, required=True)


class ListedMaterial(StrictSchema):
    """A tube material at room temperature; null where its standard states no value."""

    id = Text("Id to send as `material`", pattern=KEBAB_PATTERN, most=64, required=True)
    name = Text("Name", most=120, required=True)
    standard = Text("Standard and grade it follows", most=120, required=True)
    yield_strength = _strength("Least yield or 0.2 % proof strength")
    yield_strength_max = _strength("Largest yield strength")
    tensile_strength = _strength("Least tensile strength")
    tensile_strength_max = _strength("Largest tensile strength")
    elongation = Quantity(
        "percent",
        "Least elongation after fracture",
        least=0,
        most=100,
        allow_none=True,
        required=True,
    )
    density = Quantity("density", "Density", least=0.001, most=30, required=True)
    elastic_modulus = Quantity("pressure", "Elastic modulus E", least=1, most=1e8, required=True)
    poisson_ratio = Ratio("Poisson's ratio", most=0.5, required=True)
    small_tube_yield_strength = _strength(
        "Least yield strength of small tube, where the standard lowers it"
    )
    small_tube_outside_diameter = Length(
        "Largest outside diameter that counts as small tube", allow_none=True, required=True
    )
    small_tube_wall_thickness = Length(
        "Largest wall that counts as small tube", allow_none=True, required=True
    )
    source = source_field()
    place = Text("Page or table in the source", most=200, required=True)
    trust = Text("How far this row can be trusted", required=True)
    note = Text("Remarks", most=500, pattern=NOTE_PATTERN, required=True)


EXAMPLE = listed(
    "materials",
    [
        {
            "id": "1.4404",
            "name": "1.4404 X2CrNiMo17-12-2 (316L type), solution annealed",
            "standard": "EN 10216-5",
            "yield_strength": 190.0,
            "yield_strength_max": None,
            "tensile_strength": 490.0,
            "tensile_strength_max": 690.0,
            "elongation": 40.0,
            "density": 8.0,
            "elastic_modulus": 200000.0,
            "poisson_ratio": 0.3,
            "small_tube_yield_strength": None,
            "small_tube_outside_diameter": None,
            "small_tube_wall_thickness": None,
            "source": "en-10216-5",
            "place": "mechanical properties; table not checked",
            "trust": "memory",
            "note": "",
        }
    ],
    [
        {
            "id": "en-10216-5",
            "title": "EN 10216-5 Seamless steel tubes for pressure purposes: stainless steel tubes",
            "author": "CEN",
            "year": None,
            "trust": "memory",
            "note": "Minimum strength at room temperature.",
        }
    ],
    MEMORY_CAUTION,
    "Strengths are minimum values of a standard. That is safe for pressure, but not "
    "for bending moment or springback: real yield strength is often 1.2 to 1.6 times "
    "the minimum.",
    LOCAL_CODES_CAUTION,
)


@lookup(blp, "/materials", name="Materials", item=ListedMaterial, example=EXAMPLE)
def materials() -> Listing:
    """List the tube materials.

    Minimum strengths of the standards at room temperature, density and elastic modulus, each row
    with its source and how far it can be trusted.
    """
    found = reference.materials().values()
    return Listing(
        found,
        named_sources(reference.sources(), (str(m.source) for m in found)),
        ("from_memory", "minimum_strength", "local_codes"),
    )
