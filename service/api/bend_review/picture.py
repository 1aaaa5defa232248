"""The run in three views, with the places that fail marked and told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from service import inputs
from service.api.bend_review.answer import ToldReview
from service.calc import bend_review as calc
from service.calc.bend_rules import Check, ReviewCase
from service.calc.centre_line_path import centre_line_path, point_along
from service.calc.run_geometry import Vector
from service.model import Finding
from service.web import drawing, texts
from service.web.operation import Ask
from service.web.run_picture import Mark, PictureWords, run_picture

# More marks than this hide the run; the rest is told by its number.
LETTERS = "ABCDEFGHIJKL"
STRIKES = frozenset(
    {"review_order_collides", "review_order_from_the_middle", "review_order_blocked_behind"}
)


def review_picture(ask: Ask, answer: ToldReview) -> str:
    """The run in three views, with the places that fail marked and told."""
    system, case = ask["units"], answer.case
    path = _path(ask, case)
    failing = list(zip(calc.failing(answer.review.checks), answer.findings[1:], strict=False))
    near = {id(one.check): (one.point_a, one.point_b) for one in answer.review.near}
    struck = _struck(answer)
    marks = []
    for letter, (check, finding) in zip(LETTERS, failing, strict=False):
        points = struck if check.code in STRIKES else near.get(id(check), ())
        marks.append(_mark(letter, check, _text_of(finding, system), path, points))
    left_out = len(failing) - len(marks)
    notes = [drawing.words("review_more", count=left_out)] * (left_out > 0)
    words = PictureWords(
        title=drawing.words("review_title"),
        description=answer.summary,
        verdict=answer.summary,
        views={view: drawing.words(f"view_{view}") for view in drawing.VIEWS},
        end_1=texts.text("words", "end_1"),
        end_2=texts.text("words", "end_2"),
        notes=[*notes, drawing.words("review_lines")],
    )
    return run_picture(path.points, marks, words)


def _struck(answer: ToldReview) -> list[Vector]:
    """The place on the tube with which it first strikes something on the bench."""
    order = answer.bending_order
    if order is None or order.orders[0].free or order.orders[0].nearest is None:
        return []
    case, position = answer.case, order.orders[0].nearest.position
    x, y, z = point_along(case.run, case.frames, position).tolist()
    return [(x, y, z)]


def _text_of(finding: Finding, system: str) -> str:
    values = {
        "bend": finding.bend,
        "value": finding.value,
        "limit": finding.limit,
        **finding.values,
    }
    return texts.fill(texts.text("findings", f"{finding.code}.text"), values, system)


class _Path(NamedTuple):
    """Points along the centre line, and how many steps an arc has; 0 where legs are drawn."""

    points: list[Vector]
    steps: int

    def straight(self, number: int) -> list[Vector]:
        """The straight with this number from end 1."""
        if not self.steps:
            return self.points[number - 1 : number + 1]
        per_bend = self.steps + 1
        start = per_bend * (number - 1)
        return [self.points[start], self.points[start + 1]]

    def bend(self, number: int) -> list[Vector]:
        """The arc with this number from end 1."""
        if not self.steps:
            return self.points[number : number + 1]
        start = 1 + (self.steps + 1) * (number - 1)
        return self.points[start : start + self.steps + 1]


def _path(ask: Ask, case: ReviewCase) -> _Path:
    if not case.can_be_built:
        return _Path(inputs.points_of(ask["run"]["vertices"]), 0)
    steps = 12 if len(case.run.bends) <= 50 else 4
    points = centre_line_path(case.run, case.frames, steps).tolist()
    return _Path([(x, y, z) for x, y, z in points], steps)


def _mark(letter: str, check: Check, words: str, path: _Path, points: Sequence[Vector]) -> Mark:
    strokes, label = _place(check, path)
    spots = list(points) or [_middle(strokes[0])]
    told_as = drawing.words(f"review_{check.severity}", letter=letter)
    return Mark(
        kind="blocks" if check.severity == "blocks" else "care",
        letter=letter,
        label=f"{letter}: {label}",
        words=f"{told_as} {words}",
        strokes=[] if points else strokes,
        points=spots,
    )


def _place(check: Check, path: _Path) -> tuple[list[list[Vector]], str]:
    """The parts of the centre line that a check is about, and their name."""
    if check.code in STRIKES:
        return [path.bend(check.bend or 1)], drawing.words("review_strikes")
    if check.straight is not None:
        name = drawing.words("review_straight", straight=check.straight)
        return [path.straight(check.straight)], name
    if check.bend is not None:
        return [path.bend(check.bend)], drawing.words("review_bend", bend=check.bend)
    if check.end is not None:
        spot = path.points[0 if check.end == "end_1" else -1]
        return [[spot]], texts.text("words", check.end)
    return [path.points], drawing.words("review_tube")


def _middle(stroke: Sequence[Vector]) -> Vector:
    if len(stroke) == 2:
        (a, b, c), (x, y, z) = stroke
        return ((a + x) / 2, (b + y) / 2, (c + z) / 2)
    return stroke[len(stroke) // 2]
