"""GET /v1/methods."""

from __future__ import annotations

from service.web.answer import KEBAB_PATTERN, catalogue
from service.web.examples import LOCAL_CODES_CAUTION, MEMORY_CAUTION, listed
from service.web.fields import Parts, Text
from service.web.lookup import NOTE_PATTERN, Listing, lookup
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Methods", "Every method of computing and every source.")


class ListedMethod(StrictSchema):
    """A named way of computing something."""

    id = Text("Id, as `basis` in an answer names it", pattern=KEBAB_PATTERN, most=64, required=True)
    title = Text("What it computes", most=200, pattern=NOTE_PATTERN, required=True)
    formula = Text("The formula", most=500, pattern=NOTE_PATTERN, required=True)
    valid = Text("Range of validity", most=500, pattern=NOTE_PATTERN, required=True)
    sources = Parts(
        Text("Id of a source", pattern=KEBAB_PATTERN, most=64),
        "Sources",
        least=1,
        most=20,
        required=True,
    )


EXAMPLE = listed(
    "methods",
    [
        {
            "id": "mark-layout",
            "title": "Marks on the straight tube",
            "formula": "start = allowance + Σ straights before + Σ(1 − "
            "stretch)·Rθ before; end = start + (1 − stretch)·Rθ; apex "
            "= start + R·tan(θ/2)",
            "valid": "every run; an apex only below 179.4°",
            "sources": ["elementary-geometry"],
        }
    ],
    [
        {
            "id": "elementary-geometry",
            "title": "Elementary geometry and trigonometry",
            "author": "any textbook",
            "year": None,
            "trust": "derived",
            "note": "Set-back, arc, gain, offsets and rotations, derived here and confirmed "
            "numerically.",
        }
    ],
    MEMORY_CAUTION,
    LOCAL_CODES_CAUTION,
    measured=False,
)


@lookup(
    blp, "/methods", name="Methods", item=ListedMethod, example=EXAMPLE, most=500, measured=False
)
def methods() -> Listing:
    """List all methods and all sources.

    Formula, range of validity and sources of every method that an answer can name in `basis`, and
    every source of formulas and shipped data with how far it can be trusted.
    """
    known = catalogue()
    return Listing(
        [known.methods[name] for name in sorted(known.methods)],
        known.sources.values(),
        ("from_memory", "local_codes"),
    )
