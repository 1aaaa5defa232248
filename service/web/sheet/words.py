"""The steps of a setup sheet in words: texts of the catalogue filled with rounded figures.

What stands in a step is read at the bench, so a figure has the digits that a rule, a protractor or
a scale shows; the exact values stand in the rows of bends beside the steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, NamedTuple

from service.errors import Amount, Kind
from service.web import texts, units

# Decimals by kind of quantity and unit system: what can be read off at a bench.
DECIMALS: Mapping[str, Mapping[str, int]] = {
    "metric": {"length": 1, "angle": 1, "force": 0, "mass": 2, "percent": 1, "count": 0},
    "inch": {"length": 3, "angle": 1, "force": 0, "mass": 2, "percent": 1, "count": 0},
}
# Of the value that stands beside what the rule shows; 2 for what is not named. An angle is the same
# angle in both systems.
EXACT: Mapping[str, Mapping[str, int]] = {"metric": {}, "inch": {"length": 4}}
NO_BREAK = "\u00a0"


class Speech(NamedTuple):
    """How a sheet is told: unit system and language."""

    system: str
    spoken: str

    def say(self, table: str, code: str, **values: Any) -> str:
        """A text of the catalogue with its values."""
        template = texts.text(table, code, self.spoken)
        return self.fill(template, values) if values else template

    def fill(self, template: str, values: Mapping[str, Any]) -> str:
        """A template with its values."""
        return template.format(**{name: self.show(v, name) for name, v in values.items()})

    def show(self, value: Any, name: str = "") -> str:
        """A value as it is read at the bench; one whose name begins ``exact`` keeps more digits."""
        kind = type(value)
        if kind is Amount:
            return self._amount(value, exact=name.startswith("exact"))
        if kind is str:
            return str(value)
        if kind is int:
            return f"{value}"
        if (label := getattr(value, "label", None)) is not None:  # a mark as the rule shows it
            return texts.decimal(label, self.spoken).replace(" ", NO_BREAK)
        if (bench := getattr(value, "bench", None)) is not None:  # an angle to set
            return self._amount(Amount(bench, "angle"))
        return texts.told(value, self.system, self.spoken)

    def _amount(self, amount: Amount, *, exact: bool = False) -> str:
        factors, decimals, ending = _form(self.system, amount.kind, exact)
        written = f"{units.outward(amount.value, amount.kind, factors):.{decimals}f}"
        if not exact and "." in written:
            written = written.rstrip("0").rstrip(".")
        return texts.decimal("0" if written == "-0" else written, self.spoken) + ending


@cache
def _form(system: str, kind: Kind, exact: bool) -> tuple[Mapping[str, float], int, str]:
    """How an amount is written: factors of the units, decimals, and the unit with its gap."""
    unit = units.NAMES[system][kind]
    decimals = EXACT[system].get(kind, 2) if exact else DECIMALS[system].get(kind, 2)
    return units.FACTORS[system], decimals, unit if unit in ("°", "") else NO_BREAK + unit


def speech(system: str) -> Speech:
    """How the request under way is to be answered."""
    return Speech(system, texts.language())


class Figure(NamedTuple):
    """A number at a glance."""

    code: str
    label: str
    text: str


class ToldStep(NamedTuple):
    """One step in words."""

    number: int
    code: str
    group: str
    bend: int | None
    title: str
    actions: tuple[str, ...]
    figures: tuple[Figure, ...]
    cautions: tuple[str, ...]


def told_steps(steps: Iterable[Any], how: Speech) -> tuple[ToldStep, ...]:
    """Steps in words.

    Arguments:
        steps: of ``service.calc.setup_steps``
        how: from ``speech``
    """
    return tuple([_told(step, how) for step in steps])


def _told(step: Any, how: Speech) -> ToldStep:
    known = texts.catalogue(how.spoken)
    lines, figures, cautions = known["steps"][step.code], known["figures"], known["cautions"]
    fill, show = how.fill, how.show
    title = lines["title"]
    return ToldStep(
        step.number,
        step.code,
        step.group,
        step.bend,
        fill(title, step.values) if step.values else title,
        tuple([fill(lines[c], values) if values else lines[c] for c, values in step.actions]),
        tuple([Figure(name, figures[name], show(value)) for name, value in step.figures]),
        tuple([cautions[name] for name in step.cautions]),
    )
