"""The part ahead of the die, against points of the run integrated from its definition.

The oracle knows no arc centre: each bend is cut into many small ones, whose ends are points of the
centre line; the centre of a bend is found from three of them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from model_runs import plane_run, run_of_table
from numpy.typing import NDArray
from oracles.polyline import integrate
from oracles.random_runs import Row, random_runs, rows

from service.calc.part_ahead import reach_of_part_ahead

Points = NDArray[np.float64]
PIECES = 24
# between two points of an arc of 114.3 mm the furthest one can be missed by R(1 − cos(π/48))
COARSE = 114.3 * (1 - math.cos(math.pi / (2 * PIECES)))


def ahead_of_each(table: Any, allowance: float) -> list[tuple[Points, Points]]:
    """Centre of each bend, and the points of the centre line before it."""
    pieces: list[Row] = []
    for straight, rotation, angle, radius in rows(table):
        pieces.append((straight, rotation, angle / PIECES, radius))
        pieces += [(0.0, 0.0, angle / PIECES, radius)] * (PIECES - 1)
    line = integrate(pieces, table["last_straight"])
    points = [np.array([-allowance, 0.0, 0.0])]
    found = []
    for index, (_, _, _, radius) in enumerate(rows(table)):
        small = line.bends[index * PIECES : (index + 1) * PIECES]
        chord = small[0].middle - small[0].start
        along = small[0].start_direction
        inward = chord - (chord @ along) * along
        centre = small[0].start + radius * inward / np.linalg.norm(inward)
        found.append((centre, np.array([*points, small[0].start])))
        points += [place for one in small for place in (one.start, one.end)]
    return found


@pytest.mark.parametrize("allowance", [0.0, 12.0])
@pytest.mark.parametrize("table", random_runs(10, 5))
def test_nothing_ahead_reaches_further_and_something_reaches_so_far(
    table: Any, allowance: float
) -> None:
    reach = reach_of_part_ahead(run_of_table(table), 20.0, allowance)
    for (centre, points), told in zip(ahead_of_each(table, allowance), reach, strict=True):
        furthest = np.linalg.norm(points - centre, axis=1).max() + 10.0
        assert furthest <= told + 1e-6
        assert told - furthest <= COARSE


@pytest.mark.parametrize("table", random_runs(8, 6))
def test_it_does_not_shrink_with_what_is_added_at_the_end(table: Any) -> None:
    run = run_of_table(table)
    short, long = (reach_of_part_ahead(run, 10.0, added) for added in (0.0, 500.0))
    assert all(a <= b for a, b in zip(short, long, strict=True))


def test_a_straight_leg_by_hand() -> None:
    # 2000 mm ahead of a die of 45 mm: √(2000² + 45²), and half of 15 mm
    assert reach_of_part_ahead(plane_run((2000, 90, 45), last=150), 15.0) == [
        pytest.approx(math.hypot(2000, 45) + 7.5)
    ]


def test_the_far_side_of_a_bow_counts() -> None:
    # a half circle of 100 mm before a bend of 50 mm the same way round, 300 mm on: seen from the
    # second centre (300 mm along, 50 mm across) the first lies 300 and 50 mm off, and its far
    # side another 100 mm on
    run = plane_run((0, 180, 100), (300, 90, 50), last=10)
    assert reach_of_part_ahead(run, 0.0)[1] == pytest.approx(math.hypot(300, 50) + 100)
