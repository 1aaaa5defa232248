"""The pictures of a setup sheet: the straight tube with its marks, the part after each bend.

The tube stands upright, measured end on top, as a strip to scale; what the strip cannot hold stands
beside it on lines that lead to their mark. Zones that become bends are hatched, nothing is told by
colour alone. The part after each bend is drawn in isometric view, in one scale for all, with its
shadow on the bench; where one leg crosses another, the nearer one is drawn over it with a gap.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import NamedTuple

from service.web.drawing import EYE, MARGIN, WIDTH, Point, Sheet, broken, number, project

Space = tuple[float, float, float]

STYLE = """
text{font:12px sans-serif;fill:#111}
.big{font-size:15px;font-weight:bold}
.heading{font-size:13px;font-weight:bold}
.faint{fill:#444;font-size:11px}
.sheet,.paper{fill:#fff}
.tube{fill:#fff;stroke:#111;stroke-width:1.5}
.hatch{fill:none;stroke:#111;stroke-width:.8}
.zone{fill:none;stroke:#111;stroke-width:1.2}
.mark{fill:none;stroke:#111;stroke-width:2.4}
.lead{fill:none;stroke:#111;stroke-width:.8}
.rule{fill:none;stroke:#555;stroke-width:.8}
.badge{fill:#111}
.number{fill:#fff;font-weight:bold;text-anchor:middle}
.frame{fill:none;stroke:#999;stroke-width:.7}
.halo{fill:none;stroke:#fff;stroke-linejoin:round}
.leg{fill:none;stroke:#111;stroke-linejoin:round;stroke-linecap:round}
.rest{fill:none;stroke:#111;stroke-width:1.6;stroke-dasharray:6 4}
.shadow{fill:none;stroke:#888;stroke-width:1}
"""
# In the strip: where things stand across, and how far labels are apart.
RULE_X, TUBE_X, TUBE_WIDTH, LABEL_X = 44.0, 56.0, 20.0, 112.0
LABEL_STEP, LABEL_RISE = 38.0, 14.0
LEAST_STRIP = 240.0
RULE_STEPS = (1.0, 2.0, 5.0)
MOST_RULE_LINES = 14
# The part after each bend: two panels in a row.
PANEL_HEIGHT, COLUMNS, GAP = 168.0, 2, 8.0
THICKEST, THINNEST = 9.0, 3.0
REST = 26.0
BADGE_GAP = 17.0


class StripMark(NamedTuple):
    """A mark on the strip: bend number, place along the tube, and two lines of words."""

    number: int
    place: float
    words: str
    note: str


@dataclass(frozen=True, slots=True)
class Strip:
    """The straight tube, along it from the end that is measured from; lengths in one unit.

    Arguments:
        length: of the cut tube
        marks: in the order of their places
        zones: start and end of what becomes a bend
        top, bottom: words at the two ends
        unit: name of the unit, for the rule beside the tube
    """

    length: float
    marks: Sequence[StripMark]
    zones: Sequence[tuple[float, float]]
    top: str
    bottom: str
    unit: str


class Stage(NamedTuple):
    """The part after one bend.

    Arguments:
        heading, description: for the eye and for those who cannot see it
        legs: straights and arcs in order from the end worked first, each as points, mm
        rest: direction of the tube that is still straight, from the last point; None at the last
        bend: its number, drawn beside its arc, the last leg but one
        begin: name of the end worked first
    """

    heading: str
    description: str
    legs: Sequence[Sequence[Space]]
    rest: Space | None
    bend: int
    begin: str


# --- the strip -----------------------------------------------------------------------------------


def draw_strip(sheet: Sheet, strip: Strip) -> None:
    """Draw the strip below what there is on the sheet."""
    rows = max(len(strip.marks), 1)
    high = max(LEAST_STRIP, rows * LABEL_STEP)
    sheet.lines([strip.top], "heading")
    top = sheet.height + MARGIN
    scale = high / strip.length
    add = sheet.elements.append
    add(_rectangle("tube", TUBE_X, top, TUBE_WIDTH, high))
    for start, end in strip.zones:
        add(_hatched(top + start * scale, top + end * scale))
    _rule(sheet, strip, top, scale)
    places = [top + mark.place * scale for mark in strip.marks]
    for mark, y, label in zip(strip.marks, places, _apart(places, top, high), strict=True):
        _marked(sheet, mark, y, label)
    sheet.height = top + high + MARGIN
    sheet.lines([strip.bottom], "heading")


def _marked(sheet: Sheet, mark: StripMark, y: float, label: float) -> None:
    add = sheet.elements.append
    right = TUBE_X + TUBE_WIDTH
    add(_path("mark", f"M{number(TUBE_X - 6)} {number(y)}H{number(right + 6)}"))
    add(
        _path(
            "lead",
            f"M{number(right + 6)} {number(y)}L{number(right + 18)} {number(label)}"
            f"H{number(LABEL_X - 9)}",
        )
    )
    _badge(sheet, LABEL_X, label, mark.number)
    sheet.text(LABEL_X + 16, label + 1, mark.words, "big")
    sheet.text(LABEL_X + 16, label + LABEL_RISE + 2, mark.note, "faint")


def _badge(sheet: Sheet, x: float, y: float, bend: int) -> None:
    shown = str(bend)
    half = 9.0 if len(shown) < 3 else 13.0
    sheet.elements.append(
        f'<rect class="badge" x="{number(x - half)}" y="{number(y - 9)}" '
        f'width="{number(2 * half)}" height="18" rx="9"/>'
    )
    sheet.text(x, y + 4, shown, "number")


def _apart(places: Sequence[float], top: float, high: float) -> list[float]:
    """Where labels stand so that each is ``LABEL_STEP`` below the one before, near its mark."""
    labels: list[float] = []
    for place in places:
        wanted = max(place, top + 8)
        labels.append(max(wanted, labels[-1] + LABEL_STEP) if labels else wanted)
    lowest = top + high - LABEL_RISE - 4
    for index in range(len(labels) - 1, -1, -1):
        labels[index] = min(labels[index], lowest)
        lowest = labels[index] - LABEL_STEP
    return labels


def _hatched(start: float, end: float) -> str:
    """A zone with slanting lines, all clipped to it by their own ends."""
    left, right = TUBE_X, TUBE_X + TUBE_WIDTH
    lines = []
    y = start
    while y < end + TUBE_WIDTH:
        low, high = max(y - TUBE_WIDTH, start), min(y, end)
        if high > low:  # from (left + y − high, high) up to (left + y − low, low)
            lines.append(
                f"M{number(left + y - high)} {number(high)}L{number(left + y - low)} {number(low)}"
            )
        y += 5.0
    outline = _rectangle("zone", left, start, right - left, end - start)
    return _path("hatch", "".join(lines)) + outline


def _rule(sheet: Sheet, strip: Strip, top: float, scale: float) -> None:
    """A rule beside the tube, so that the eye has the scale."""
    step = _rule_step(strip.length)
    count = int(strip.length / step + 1e-9)
    lines = "".join(
        f"M{number(RULE_X)} {number(top + i * step * scale)}h8" for i in range(count + 1)
    )
    sheet.elements.append(
        _path("rule", f"M{number(RULE_X + 8)} {number(top)}V{number(top + strip.length * scale)}")
        + _path("rule", lines)
    )
    for i in range(count + 1):
        y = top + i * step * scale
        words = f"{i * step:g}" + (f"\u00a0{strip.unit}" if i == 0 else "")
        sheet.elements.append(
            f'<text class="faint" text-anchor="end" x="{number(RULE_X - 3)}" '
            f'y="{number(y + 4)}">{escape(words)}</text>'
        )


def _rule_step(length: float) -> float:
    power = 1e-3
    while True:
        for step in RULE_STEPS:
            if length / (step * power) <= MOST_RULE_LINES:
                return step * power
        power *= 10


# --- the part after each bend --------------------------------------------------------------------


def draw_stages(sheet: Sheet, stages: Sequence[Stage], outside_diameter: float) -> None:
    """Draw the part after each bend, two panels in a row, all in one scale."""
    for panel in stage_panels(stages, outside_diameter):
        left = MARGIN + (panel.place % COLUMNS) * (panel.width + GAP)
        top = sheet.height
        sheet.elements.append(
            f'<g transform="translate({number(left)} {number(top)})">{panel.body}</g>'
        )
        if panel.place % COLUMNS == COLUMNS - 1 or panel.place == len(stages) - 1:
            sheet.height = top + PANEL_HEIGHT + GAP


class StagePanel(NamedTuple):
    """One panel as elements of SVG in its own coordinates."""

    place: int
    width: float
    body: str


def stage_panels(stages: Sequence[Stage], outside_diameter: float) -> Iterator[StagePanel]:
    """Each stage as a framed panel of half the width of a sheet."""
    width = (WIDTH - 2 * MARGIN - GAP) / COLUMNS
    flat = [project(p, "isometric") for stage in stages for leg in stage.legs for p in leg]
    view = _view(flat, stages, width)
    for index, stage in enumerate(stages):
        yield StagePanel(index, width, _stage(stage, view, width, outside_diameter))


class _View(NamedTuple):
    scale: float
    middle: Point
    bench: float  # height of the bench, mm: below all of the part


def _view(flat: Sequence[Point], stages: Sequence[Stage], width: float) -> _View:
    bench = min(p[2] for stage in stages for leg in stage.legs for p in leg)
    ground = [project((p[0], p[1], bench), "isometric") for leg in stages[-1].legs for p in leg]
    xs, ys = zip(*[*flat, *ground], strict=True)
    inner = (width - 44.0, PANEL_HEIGHT - 68.0)
    spans = (max(xs) - min(xs), max(ys) - min(ys))
    scale = min(room / max(span, 1e-9) for room, span in zip(inner, spans, strict=True))
    return _View(scale, ((max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2), bench)


def _stage(stage: Stage, view: _View, width: float, outside_diameter: float) -> str:
    thick = min(max(outside_diameter * view.scale, THINNEST), THICKEST)
    centre = (width / 2, PANEL_HEIGHT / 2 + 10)

    def at(point: Space) -> Point:
        x, y = project(point, "isometric")
        return (
            centre[0] + (x - view.middle[0]) * view.scale,
            centre[1] + (y - view.middle[1]) * view.scale,
        )

    shadow = [at((p[0], p[1], view.bench)) for leg in stage.legs for p in leg]
    parts = [_rectangle("frame", 0, 0, width, PANEL_HEIGHT), _line("shadow", shadow)]
    last = stage.legs[-1][-1]
    if stage.rest is not None:
        x, y = at(last)
        along = project(stage.rest, "isometric")
        size = max((along[0] ** 2 + along[1] ** 2) ** 0.5, 1e-9)
        end = (x + REST * along[0] / size, y + REST * along[1] / size)
        parts.append(_line("rest", [(x, y), end]))
    for leg in sorted(stage.legs, key=_nearness):
        line = [at(p) for p in leg]
        parts.append(_line("halo", line, thick + 4))
        parts.append(_line("leg", line, thick))
    begin = at(stage.legs[0][0])
    parts.append(
        f'<text class="faint" text-anchor="middle" x="{number(begin[0])}" '
        f'y="{number(begin[1] - thick / 2 - 5)}">{escape(stage.begin)}</text>'
    )
    badge = Sheet("", "")
    _badge(badge, *_outside(stage, at), stage.bend)
    parts += badge.elements
    parts += _headed(stage.heading, width)
    return "".join(parts)


def _outside(stage: Stage, at: Callable[[Space], Point]) -> Point:
    """Where the number of a bend stands: off the arc, on the side away from its centre."""
    arc = stage.legs[-2]
    x, y = at(arc[len(arc) // 2])
    (a, b), (c, d) = at(arc[0]), at(arc[-1])
    u, v = x - (a + c) / 2, y - (b + d) / 2
    size = math.hypot(u, v)
    if size < 1e-6:
        return x, y - BADGE_GAP
    return x + BADGE_GAP * u / size, y + BADGE_GAP * v / size


def _headed(words: str, width: float) -> Iterator[str]:
    for index, row in enumerate(broken(words, width - 12)):
        yield f'<text class="heading" x="6" y="{number(16 + 15 * index)}">{escape(row)}</text>'


def _nearness(leg: Sequence[Space]) -> float:
    """Mean distance towards the eye."""
    return sum(x * eye for p in leg for x, eye in zip(p, EYE, strict=True)) / len(leg)


# --- elements ------------------------------------------------------------------------------------


def _path(kind: str, d: str) -> str:
    return f'<path class="{kind}" d="{d}"/>'


def _line(kind: str, points: Iterable[Point], width: float | None = None) -> str:
    # steps of a tenth of a unit are below what the eye sees and half as long to write
    places = [(round(x, 1), round(y, 1)) for x, y in points]
    d = f"M{number(places[0][0])} {number(places[0][1])}"
    for (x, y), (u, v) in pairwise(places):
        if (x, y) != (u, v):
            d += f"l{number(u - x)} {number(v - y)}"
    stroke = "" if width is None else f' stroke-width="{number(width)}"'
    return f'<path class="{kind}"{stroke} d="{d}"/>'


def _rectangle(kind: str, x: float, y: float, width: float, height: float) -> str:
    return (
        f'<rect class="{kind}" x="{number(x)}" y="{number(y)}" '
        f'width="{number(width)}" height="{number(height)}"/>'
    )
