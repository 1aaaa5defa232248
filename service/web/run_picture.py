"""A run drawn in an isometric and two plane views, with places that fail marked and labelled.

A mark has its letter in every view and its words below, and what blocks differs from what needs
care in line and in words, not in colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from service.web.drawing import STYLE, WIDTH, Panel, Point, Sheet, Space, View, project

Kind = Literal["blocks", "care", "place"]

ISOMETRIC_HEIGHT, PLANE_HEIGHT = 270.0, 170.0
PLANES: tuple[View, ...] = ("top", "front", "side")
OWN_STYLE = (
    STYLE
    + """.blocks{fill:none;stroke:#a00018;stroke-width:3;stroke-linecap:round}
.care{fill:none;stroke:#7a4a00;stroke-width:2;stroke-dasharray:4 3}
"""
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place that fails, or of which there is something to tell.

    Arguments:
        letter, label: what stands beside it in the small and in the large views
        words: what stands below the drawing
        strokes: parts of the centre line that fail, as points in space
        points: single points; the label stands at the first of them
    """

    kind: Kind
    letter: str
    label: str
    words: str
    strokes: Sequence[Sequence[Space]]
    points: Sequence[Space]


@dataclass(frozen=True, slots=True)
class PictureWords:
    """All words of the drawing but those of its marks; ``views`` by name of the view."""

    title: str
    description: str
    verdict: str
    views: dict[View, str]
    end_1: str
    end_2: str
    notes: Sequence[str]


def run_picture(path: Sequence[Space], marks: Sequence[Mark], words: PictureWords) -> str:
    """The drawing as an SVG document.

    Arguments:
        path: points along the centre line from end 1 to end 2, mm
        marks: places that fail, the worst first, or places to tell of
        words: in the caller's language
    """
    shown = _Shown(path, marks, words, [*path, *(p for mark in marks for p in mark.points)])
    sheet = Sheet(words.title, words.description, style=OWN_STYLE)
    sheet.lines([words.verdict], "heading")
    _view(sheet, shown, "isometric")
    sheet.finish(ISOMETRIC_HEIGHT)
    for left, view in zip((0.0, WIDTH / 2), _two_planes(shown.everything), strict=True):
        _view(sheet, shown, view, left)
    sheet.finish(PLANE_HEIGHT)
    sheet.lines([*(mark.words for mark in marks), *words.notes])
    return sheet.svg()


@dataclass(frozen=True, slots=True)
class _Shown:
    """What every view shows; ``everything`` must lie within it."""

    path: Sequence[Space]
    marks: Sequence[Mark]
    words: PictureWords
    everything: Sequence[Space]


def _two_planes(points: Sequence[Space]) -> list[View]:
    """The two plane views that show most of the run, in their usual order."""

    def shown(view: View) -> float:
        flat = [project(point, view) for point in points]
        wide, high = (max(p[i] for p in flat) - min(p[i] for p in flat) for i in (0, 1))
        return wide * high + 1e-6 * (wide + high)

    best = sorted(PLANES, key=shown, reverse=True)[:2]
    return [view for view in PLANES if view in best]


def _view(sheet: Sheet, shown: _Shown, view: View, left: float = 0.0) -> None:
    large = view == "isometric"
    height, width = (ISOMETRIC_HEIGHT, WIDTH) if large else (PLANE_HEIGHT, WIDTH / 2)
    panel = sheet.panel(_flat(shown.everything, view), height, left=left, width=width)
    panel.heading(shown.words.views[view])
    panel.line(_flat(shown.path, view), "nominal")
    for mark in reversed(shown.marks):  # the worst is drawn last and so lies on top
        for stroke in mark.strokes:
            panel.line(_flat(stroke, view), mark.kind)
    for mark in shown.marks:
        _point_out(panel, mark, view, large)
    if large:
        panel.label(project(shown.path[0], view), shown.words.end_1)
        panel.label(project(shown.path[-1], view), shown.words.end_2)


def _point_out(panel: Panel, mark: Mark, view: View, large: bool) -> None:
    spots = _flat(mark.points, view)
    if len(spots) > 1:
        panel.line(spots, mark.kind)
    for spot in spots:
        panel.ring(spot)
    # a plane view is half as wide, and a letter is enough to find the words by
    panel.label(spots[0], mark.label if large else mark.letter)


def _flat(points: Iterable[Space], view: View) -> list[Point]:
    return [project(point, view) for point in points]
