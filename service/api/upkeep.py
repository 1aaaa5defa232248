"""GET /v1/upkeep."""

from __future__ import annotations

from typing import get_args

from service import reference, reference_bench
from service.model_bench import UpkeepAction
from service.web import texts
from service.web.answer import KEBAB_PATTERN
from service.web.examples import listed
from service.web.fields import Choice, Count, Text
from service.web.lookup import (
    NOTE_PATTERN,
    Listing,
    beside,
    lookup,
    named_sources,
    source_field,
)
from service.web.operation import blueprint
from service.web.schema import StrictSchema

blp = blueprint("Upkeep", "What to clean, lubricate, inspect and check, and how often.")


class ListedUpkeep(StrictSchema):
    """One piece of upkeep; whichever interval comes first, null where the occasion decides."""

    id = Text("Id", pattern=KEBAB_PATTERN, most=64, required=True)
    part = Text("What is looked after", most=120, pattern=NOTE_PATTERN, required=True)
    action = Choice("What is done", get_args(UpkeepAction), required=True)
    title = Text("In words", most=200, pattern=NOTE_PATTERN, required=True)
    how = Text("How it is done", most=1000, pattern=NOTE_PATTERN, required=True)
    why = Text("What it keeps away", most=600, pattern=NOTE_PATTERN, required=True)
    occasion = Text("When", most=120, pattern=NOTE_PATTERN, required=True)
    every_hours = Count(
        "Interval in hours of work", least=1, most=100_000, allow_none=True, required=True
    )
    every_bends = Count(
        "Interval in bends", least=1, most=10_000_000, allow_none=True, required=True
    )
    source = source_field()
    place = Text("Place in the source", most=200, pattern=NOTE_PATTERN, required=True)
    trust = Text("How far it can be trusted", required=True)


EXAMPLE = listed(
    "upkeep",
    [
        {
            "id": "clean-grooves",
            "part": "bend die and pressure die",
            "action": "clean",
            "title": "Clean the grooves",
            "how": "Wipe the grooves of bend die and pressure die free of chips, scale and old "
            "lubricant with a lint-free cloth; take swarf out with a brush, not with the "
            "fingers.",
            "why": "Scratches, and tube that sits high in the groove.",
            "occasion": "before each job",
            "every_hours": None,
            "every_bends": None,
            "source": "common-practice",
            "place": "interval and task: no published source",
            "trust": "common practice",
        }
    ],
    [
        {
            "id": "common-practice",
            "title": "Common practice of the trade",
            "author": "the trade",
            "year": None,
            "trust": "common practice",
            "note": "No published source was found. Let the shop set its own value where it can.",
        }
    ],
    "Make the bender safe before you reach into it: crank out or locked, nothing under load. "
    "The maker's instructions for upkeep come before these intervals.",
    measured=False,
)


@lookup(blp, "/upkeep", name="Upkeep", item=ListedUpkeep, example=EXAMPLE, measured=False)
def upkeep() -> Listing:
    """List the upkeep of a bench bender.

    What to clean, lubricate, inspect and check on bender, dies and mandrel, by hours of work, by
    bends or by occasion; common practice with no published source.
    """
    tasks = reference_bench.upkeep().values()
    rows = [
        beside(
            task,
            title=texts.text("upkeep", f"{task.id}.title"),
            how=texts.text("upkeep", f"{task.id}.how"),
            why=texts.text("upkeep", f"{task.id}.why"),
            every_hours=task.hours,
            every_bends=task.bends,
        )
        for task in tasks
    ]
    for row in rows:
        row.part = texts.text("upkeep_parts", row.part)
        row.occasion = texts.text("upkeep_occasions", row.occasion)
    sources = named_sources(reference.sources(), (task.source for task in tasks))
    return Listing(rows, sources, ("upkeep_safe",))
