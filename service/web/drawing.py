"""Small drawings as SVG that stand alone: centre lines, arrows, ellipses, labels.

A sheet is 360 units wide, so that on a telephone of 360 px one unit is one pixel and no letter is
below 11 px. Nothing is told by colour alone: lines differ in width and dashes, and every mark has
its words. Each drawing has a title and a description for those who cannot see it. Nothing outside
the file is needed, and all words are escaped.

Panels map millimetres to the sheet; a view turns a point in space into a point on a plane.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import product
from typing import Literal, get_args

from service.errors import Kind
from service.web import texts, units

MEDIA_TYPE = "image/svg+xml"
WIDTH = 360.0
MARGIN = 8.0
LETTER = 11.0
# Mean width of a sans-serif letter over its size; only used to keep labels apart.
LETTER_WIDTH = 0.53
# Headings are bold, and larger in the set-up sheet: fewer letters go on a line.
ROOM = {"heading": 0.78}

Point = tuple[float, float]
Space = Sequence[float]
# Where an isometric view is seen from.
EYE = (1.0, -1.0, 1.0)
View = Literal["isometric", "top", "front", "side"]

STYLE = """
text{font:11px sans-serif;fill:#111}
.heading{font-weight:bold}
.small{fill:#333}
.label{paint-order:stroke;stroke:#fff;stroke-width:3;stroke-linejoin:round}
.sheet{fill:#fff}
.frame{fill:none;stroke:#999;stroke-width:.7}
.nominal{fill:none;stroke:#8a8f98;stroke-width:5;stroke-linecap:round;stroke-linejoin:round}
.measured{fill:none;stroke:#111;stroke-width:1.6;stroke-dasharray:6 3}
.arrow{fill:none;stroke:#111;stroke-width:1.3}
.head{fill:#111}
.dot{fill:#fff;stroke:#111;stroke-width:1.2}
.cloud{fill:none;stroke:#555;stroke-width:1.8;stroke-linecap:round}
.ellipse{fill:none;stroke:#111;stroke-width:1.8}
.limit{fill:none;stroke:#111;stroke-width:1.4;stroke-dasharray:7 3 1 3}
.axis{fill:none;stroke:#777;stroke-width:.8}
"""


VIEWS: tuple[View, ...] = get_args(View)


def words(code: str, **values: str | int) -> str:
    """Words of a drawing in the caller's language."""
    return texts.fill(texts.text("pictures", code), values, "metric")


def project(point: Space, view: View) -> Point:
    """A point in space as (right, down) of a view, mm; none is a mirror image.

    Isometric: x to the lower right, y to the upper right, z up, all in one scale; ``EYE`` says from
    where. Top shows x and y from above, front x and z from −y, side y and z from +x.
    """
    x, y, z = point
    if view == "isometric":
        return (x + y) * math.cos(math.pi / 6), (x - y) / 2 - z
    return {"top": (x, -y), "front": (x, -z), "side": (y, -z)}[view]


def measure(value: float, kind: Kind, system: str) -> str:
    """An internal value as a label: three significant digits in the caller's unit."""
    seen = units.outward(value, kind, units.FACTORS[system])
    # %g turns to powers of ten at 1000, where a label wants whole numbers
    words = f"{seen:.0f}" if abs(seen) >= 1000 else f"{seen:.3g}"
    words = texts.decimal(words, texts.language())
    name = units.NAMES[system][kind]
    return f"{words}{'' if name in ('', '°') else ' '}{name}"


def number(value: float) -> str:
    """A coordinate with two decimals, without trailing zeros or a minus zero."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


@dataclass(slots=True)
class Sheet:
    """A drawing under construction: elements in order, and the height that they need.

    Arguments:
        key: begins the ids of a drawing that stands in a page with others
        style: style sheet of the drawing where it stands alone
    """

    title: str
    description: str
    height: float = MARGIN
    elements: list[str] = field(default_factory=list)
    key: str = ""
    style: str = STYLE

    def text(self, x: float, y: float, words: str, kind: str = "small") -> None:
        """Words that start at (x, y)."""
        self.elements.append(
            f'<text class="{kind}" x="{number(x)}" y="{number(y)}">{escape(words)}</text>'
        )

    def lines(self, rows: Iterable[str], kind: str = "small") -> None:
        """Lines of words below what there is, broken to the width of the sheet."""
        for row in rows:
            for part in broken(row, (WIDTH - 2 * MARGIN) * ROOM.get(kind, 1.0)):
                self.height += LETTER + 4
                self.text(MARGIN, self.height, part, kind)
        self.height += 4

    def panel(
        self, points: Iterable[Point], height: float, *, left: float = 0.0, width: float = WIDTH
    ) -> Panel:
        """A panel below what there is whose scale makes all points fit.

        Arguments:
            points: what must be inside, mm
            height: of the panel, on the sheet
            left, width: where it stands; panels side by side are made with ``beside``
        """
        box = (left + MARGIN, self.height, width - 2 * MARGIN, height)
        return Panel(self, box, list(points))

    def finish(self, panel_height: float) -> None:
        """Go on below panels of this height."""
        self.height += panel_height + MARGIN

    def svg(self, *, inline: bool = False) -> str:
        """The drawing as an SVG document; ``inline`` without style and ground, for a page."""
        wide, high = number(WIDTH), number(self.height + MARGIN)
        title, desc = f"{self.key}title", f"{self.key}desc"
        ground = f'<style>{self.style}</style><rect class="sheet" width="{wide}" height="{high}"/>'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" role="img" '
            f'aria-labelledby="{title} {desc}">'
            f'<title id="{title}">{escape(self.title)}</title>'
            f'<desc id="{desc}">{escape(self.description)}</desc>'
            + ("" if inline else ground)
            + "".join(self.elements)
            + "</svg>\n"
        )


def broken(words: str, width: float) -> list[str]:
    """A text broken at spaces so that each line fits the width."""
    rows, row = [], ""
    most = int(width / (LETTER * LETTER_WIDTH))
    for word in words.split(" "):
        longer = f"{row} {word}" if row else word
        if row and len(longer) > most:
            rows.append(row)
            row = word
        else:
            row = longer
    return [*rows, row]


class Panel:
    """A framed part of a sheet with its own scale; draws in millimetres."""

    def __init__(
        self, sheet: Sheet, box: tuple[float, float, float, float], points: Sequence[Point]
    ) -> None:
        self.sheet = sheet
        left, top, width, height = box
        self.box = box
        low = [min(p[i] for p in points) for i in (0, 1)]
        high = [max(p[i] for p in points) for i in (0, 1)]
        inner = (width - 6 * MARGIN, height - 6 * MARGIN)
        spans = [max(b - a, 1e-9) for a, b in zip(low, high, strict=True)]
        self.scale = min(room / span for room, span in zip(inner, spans, strict=True))
        self.middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
        self.centre = (left + width / 2, top + height / 2)
        self.taken: list[tuple[float, float, float, float]] = []
        sheet.elements.append(
            f'<rect class="frame" x="{number(left)}" y="{number(top)}" '
            f'width="{number(width)}" height="{number(height)}"/>'
        )

    def at(self, point: Point) -> Point:
        """A point in mm as a point of the sheet."""
        return (
            self.centre[0] + (point[0] - self.middle[0]) * self.scale,
            self.centre[1] + (point[1] - self.middle[1]) * self.scale,
        )

    def heading(self, words: str) -> None:
        """Words in the upper left corner."""
        left, top, *_ = self.box
        self.sheet.text(left + 4, top + LETTER + 2, words, "heading")
        self.taken.append((left, top, left + _width(words) + 8, top + LETTER + 6))

    def line(self, points: Iterable[Point], kind: str) -> None:
        """A line through points, mm, in one of the styles ``nominal``, ``measured``, ``axis``."""
        places = " ".join(f"{number(x)},{number(y)}" for x, y in map(self.at, points))
        self.sheet.elements.append(f'<polyline class="{kind}" points="{places}"/>')

    def dots(self, points: Iterable[Point]) -> None:
        """A cloud of small dots, mm."""
        path = "".join(f"M{number(x)} {number(y)}h0" for x, y in map(self.at, points))
        self.sheet.elements.append(f'<path class="cloud" d="{path}"/>')

    def ring(self, point: Point) -> None:
        """A small ring that marks a point, mm."""
        x, y = self.at(point)
        self.sheet.elements.append(f'<circle class="dot" cx="{number(x)}" cy="{number(y)}" r="3"/>')
        self.taken.append((x - 4, y - 4, x + 4, y + 4))

    def ellipse(self, centre: Point, major: float, minor: float, turn: float, kind: str) -> None:
        """An ellipse: half axes in mm, the major one turned by ``turn`` rad from right to down."""
        x, y = self.at(centre)
        self.sheet.elements.append(
            f'<ellipse class="{kind}" rx="{number(major * self.scale)}" '
            f'ry="{number(minor * self.scale)}" transform="translate({number(x)} {number(y)}) '
            f'rotate({number(math.degrees(turn))})"/>'
        )

    def rectangle(self, low: Point, high: Point, kind: str) -> None:
        """A rectangle between two corners, mm."""
        (x, y), (right, bottom) = self.at(low), self.at(high)
        self.sheet.elements.append(
            f'<rect class="{kind}" x="{number(x)}" y="{number(y)}" '
            f'width="{number(right - x)}" height="{number(bottom - y)}"/>'
        )

    def arrow(self, start: Point, end: Point) -> None:
        """An arrow, mm; below two units of the sheet only its head is left out."""
        (x, y), (u, v) = self.at(start), self.at(end)
        shaft = f'<path class="arrow" d="M{number(x)} {number(y)}L{number(u)} {number(v)}"/>'
        self.sheet.elements.append(shaft)
        length = math.hypot(u - x, v - y)
        if length < 2:
            return
        a, b, size = (u - x) / length, (v - y) / length, min(6.0, length)
        corners = [(u, v)] + [
            (u - size * a + side * size * b / 2, v - size * b - side * size * a / 2)
            for side in (1, -1)
        ]
        places = " ".join(f"{number(p)},{number(q)}" for p, q in corners)
        self.sheet.elements.append(f'<polygon class="head" points="{places}"/>')

    def label(self, point: Point, words: str) -> None:
        """Words beside a point, mm, where they cover least of what is labelled already."""
        x, y = self.at(point)
        wide, high = _width(words), LETTER + 2
        gaps = product((8.0, 20.0, 34.0), range(8))
        places = [_beside(x, y, wide, high, gap, side) for gap, side in gaps]
        best = min(places, key=self._cost)
        self.taken.append(best)
        self.sheet.text(best[0], best[3] - 3, words, "label")

    def _cost(self, box: tuple[float, float, float, float]) -> float:
        left, top, width, height = self.box
        inside = box[0] >= left + 1 and box[2] <= left + width - 1
        inside = inside and box[1] >= top + 1 and box[3] <= top + height - 1
        return sum(_overlap(box, other) for other in self.taken) + (0 if inside else 1e4)


def _width(words: str) -> float:
    return len(words) * LETTER * LETTER_WIDTH


def _beside(
    x: float, y: float, wide: float, high: float, gap: float, side: int
) -> tuple[float, float, float, float]:
    """The box of a label at one of eight sides of a point."""
    angle = side * math.pi / 4
    u, v = x + gap * math.cos(angle), y - gap * math.sin(angle)
    left = u - wide * (1 - math.cos(angle)) / 2
    top = v - high * (1 + math.sin(angle)) / 2
    return left, top, left + wide, top + high


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    across = min(a[2], b[2]) - max(a[0], b[0])
    down = min(a[3], b[3]) - max(a[1], b[1])
    return max(across, 0.0) * max(down, 0.0)


def magnification(largest: float, scale: float, wanted: float = 36.0) -> float:
    """How many times a deviation is drawn larger: 1, 2, 5, 10, … so that the largest shows.

    Arguments:
        largest: largest deviation, mm
        scale: units of the sheet per mm
        wanted: length on the sheet that it should not exceed
    """
    if not largest > 0:
        return 1.0
    factor = wanted / (largest * scale)
    if factor <= 1:
        return 1.0
    power = 10.0 ** math.floor(math.log10(factor))
    step = max(s for s in (1.0, 2.0, 5.0) if s <= factor / power * (1 + 1e-9))
    return min(step * power, 1000.0)
