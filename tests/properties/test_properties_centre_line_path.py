"""Properties of points along a centre line: distance, continuity, ends, the sampled path."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.calc.centre_line_path import centre_line_path, point_along
from service.calc.run_geometry import frames
from service.model import Bend, Run


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """Up to five bends; the plane of the first is the one to start from."""
    size = st.floats(1, 500)
    rows = [
        Bend(
            draw(size),
            draw(st.floats(-3.1, 3.1)) if number else 0.0,
            draw(st.floats(0.02, 3.1)),
            draw(st.floats(10, 200)),
        )
        for number in range(draw(st.integers(0, 5)))
    ]
    return Run(tuple(rows), draw(size))


def length(run: Run) -> float:
    return math.fsum(b.straight + b.radius * b.angle for b in run.bends) + run.last_straight


@given(runs())
def test_tangent_points_lie_where_lengths_add_up_to_them(run: Run) -> None:
    at, along = frames(run), 0.0
    for i, bend in enumerate(run.bends):
        along += bend.straight
        assert point_along(run, at, along) == pytest.approx(at.start[i], abs=1e-6)
        along += bend.radius * bend.angle
        assert point_along(run, at, along) == pytest.approx(at.end[i], abs=1e-6)
    assert point_along(run, at, along + run.last_straight) == pytest.approx(at.tip, abs=1e-6)


@given(runs(), st.floats(0, 1))
def test_speed_along_the_line_is_one(run: Run, share: float) -> None:
    at, here, step = frames(run), share * length(run), 1e-3
    moved = point_along(run, at, here + step) - point_along(run, at, here)
    # a chord of an arc of at least 10 is shorter than its arc by step³/(24·10²)
    assert np.linalg.norm(moved) == pytest.approx(step, rel=1e-6, abs=1e-9)


@given(runs(), st.floats(0.1, 300))
def test_outside_the_run_its_ends_are_drawn_on(run: Run, beyond: float) -> None:
    at = frames(run)
    before = point_along(run, at, -beyond)
    assert before == pytest.approx(at.root - beyond * at.root_direction, abs=1e-6)
    after = point_along(run, at, length(run) + beyond)
    assert after == pytest.approx(at.tip + beyond * at.tip_direction, abs=1e-6)


@given(runs(), st.integers(1, 8))
def test_the_sampled_path_has_the_same_points(run: Run, per_bend: int) -> None:
    at = frames(run)
    path = centre_line_path(run, at, per_bend)
    places, along = [0.0], 0.0
    for bend in run.bends:
        along += bend.straight
        places += [along + bend.radius * bend.angle * k / per_bend for k in range(per_bend + 1)]
        along += bend.radius * bend.angle
    places.append(length(run))
    found = [point_along(run, at, place) for place in places]
    assert np.array(found) == pytest.approx(path, abs=1e-6)
