"""A setup sheet as words for pictures and page, in the caller's units and language."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from service.errors import Amount
from service.web import texts, units
from service.web.drawing import Sheet
from service.web.sheet.picture import (
    STYLE,
    Stage,
    Strip,
    StripMark,
    draw_stages,
    draw_strip,
)
from service.web.sheet.words import Speech

# Past this many bends the pictures would no longer be seen; the steps still say all.
MOST_DRAWN = 40


def strip_of(sheet: Any, how: Speech) -> Strip:
    """The straight tube of a sheet with its marks, in the caller's unit of length."""
    unit = units.FACTORS[how.system]["length"]
    marks = [
        StripMark(row.bend, _mark_place(row) / unit, how.show(row.marks.zero_mark), _note(row, how))
        for row in sheet.bends[:MOST_DRAWN]
    ]
    first, last = (sheet.measured_from, "end_2" if sheet.measured_from == "end_1" else "end_1")
    words = {name: texts.text("words", name, how.spoken) for name in (first, last)}
    begin = how.say("pictures", "strip_from", end=words[first])
    cut = how.say("pictures", "strip_cut", cut=sheet.cut_length)
    return Strip(
        length=sheet.cut_length.exact / unit,
        marks=sorted(marks, key=lambda mark: mark.place),
        zones=[(row.start_on_tube / unit, row.end_on_tube / unit) for row in sheet.bends],
        top=begin,
        bottom=f"{how.say('pictures', 'strip_rear', end=words[last])} · {cut}",
        unit=units.NAMES[how.system]["length"],
    )


def _mark_place(row: Any) -> float:
    """Place of the mark on the unbent tube, whichever end or bend it is measured from, mm."""
    offset: float = row.marks.zero_mark.exact - row.marks.start.exact
    return float(row.start_on_tube) + offset


def _note(row: Any, how: Speech) -> str:
    if not row.die_fits:  # the springback that was sent is not that of its die
        return how.say("pictures", "strip_no_die")
    crank = how.say("pictures", "strip_crank", crank=row.marks.crank)
    return f"{roll_words(row, how)} · {crank}"


def roll_words(row: Any, how: Speech) -> str:
    """How far and which way to roll, in a few words."""
    if row.roll_direction == "none":
        return how.say("pictures", "strip_roll_none")
    angle = how.show(Amount(abs(row.marks.rotation.angle), "angle"))
    direction = how.say("pictures", f"strip_{row.roll_direction}")
    return how.say("pictures", "strip_roll", angle=angle, direction=direction)


def stages_of(sheet: Any, bent: Iterable[Any], how: Speech) -> list[Stage]:
    """The part after each bend, with its words.

    Arguments:
        bent: of ``service.calc.bent_stages``, of the run in the order of the work
    """
    begin = texts.text("words", sheet.measured_from, how.spoken)
    return [
        Stage(
            how.say("pictures", "after_title", bend=row.bend),
            how.say(
                "pictures",
                "after_description",
                bend=row.bend,
                angle=Amount(row.marks.angle, "angle"),
            ),
            one.legs,
            one.ahead,
            row.bend,
            begin,
        )
        for row, one in zip(sheet.bends, bent, strict=True)
    ]


def drawing_of(sheet: Any, stages: Sequence[Stage], how: Speech) -> str:
    """Both pictures as one SVG that stands alone."""
    name = sheet.title or how.say("pictures", "sheet_part")
    drawn = Sheet(
        how.say("pictures", "sheet_title", title=name),
        how.say("pictures", "sheet_description"),
        style=STYLE,
    )
    drawn.lines([name], "heading")
    draw_strip(drawn, strip_of(sheet, how))
    draw_stages(drawn, drawable(stages), sheet.tube.outside_diameter)
    drawn.lines([how.say("pictures", "after_shadow")], "faint")
    return drawn.svg()


def drawable(stages: Sequence[Stage]) -> Sequence[Stage]:
    """All stages, or of very many only the last."""
    return stages if len(stages) <= MOST_DRAWN else stages[-1:]


def strip_drawing(sheet: Any, how: Speech) -> str:
    """The straight tube as an SVG for the page."""
    strip = strip_of(sheet, how)
    marks = "; ".join(
        how.say("pictures", "strip_mark", bend=mark.number, mark=mark.words) for mark in strip.marks
    )
    end = texts.text("words", sheet.measured_from, how.spoken)
    drawn = Sheet(
        how.say("pictures", "strip_title"),
        how.say("pictures", "strip_description", end=end, marks=marks),
        key="strip-",
    )
    draw_strip(drawn, strip)
    return drawn.svg(inline=True)


def stages_drawing(sheet: Any, stages: Sequence[Stage], how: Speech) -> str:
    """The part after each bend as an SVG for the page."""
    shown = drawable(stages)
    first, last = shown[0], shown[-1]
    title = first.heading
    if len(shown) > 1:
        title = how.say("pictures", "after_titles", first=first.bend, last=last.bend)
    drawn = Sheet(title, " ".join(stage.description for stage in shown), key="after-")
    draw_stages(drawn, shown, sheet.tube.outside_diameter)
    drawn.lines([how.say("pictures", "after_shadow")], "faint")
    return drawn.svg(inline=True)
