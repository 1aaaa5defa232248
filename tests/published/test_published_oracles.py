"""The oracles against each other and against a hand-checkable run, before anything leans on them.

Sources: the CAD kernel (Open CASCADE) and scipy are general-purpose references, written apart from
this project and from each other. The check run is elementary trigonometry, derived here: vertices
(0,0,0) (300,0,0) (450,200,0) (450,350,180) (700,350,300), R = 45 mm.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from oracles import require_kernel
from oracles.polyline import Centreline, integrate
from oracles.random_runs import RunTable, random_runs, rows

RUNS = random_runs(60, seed=20)
VERTICES = np.array(
    [(0, 0, 0), (300, 0, 0), (450, 200, 0), (450, 350, 180), (700, 350, 300)], dtype=float
)
CHECK_RUN: RunTable = {
    "bends": [
        {"straight": 277.5, "rotation": 0.0, "angle": 53.130102, "radius": 45.0},
        {"straight": 201.940068, "rotation": 63.434949, "angle": 59.193019, "radius": 45.0},
        {"straight": 176.895526, "rotation": 117.230793, "angle": 70.583472, "radius": 45.0},
    ],
    "last_straight": 245.456460,
}


def _run(table: RunTable) -> Centreline:
    return integrate(rows(table), table["last_straight"])


def _apart(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(a - b))


def test_runs_cover_the_awkward_cases() -> None:
    bends = [b for run in RUNS for b in run["bends"]]
    assert {len(run["bends"]) for run in RUNS} == set(range(1, 9))
    assert any(b["angle"] == 180.0 for b in bends)
    assert any(b["straight"] == 0.0 for b in bends)
    assert any(b["rotation"] == 180.0 for b in bends)
    assert all(run["bends"][0]["rotation"] == 0.0 for run in RUNS)
    assert all(-180.0 < b["rotation"] <= 180.0 for b in bends)
    assert len({b["radius"] for b in bends}) > 3


def test_quadrature_meets_the_vertices_of_the_check_run() -> None:
    line = _run(CHECK_RUN)
    # digits of the table: 6 decimals of a degree over 1 m of tube
    assert _apart(line.end_point, VERTICES[-1]) < 2e-5
    assert line.developed_length == pytest.approx(1045.44656, abs=1e-5)
    for bend, before, vertex, after in zip(
        line.bends, VERTICES, VERTICES[1:], VERTICES[2:], strict=False
    ):
        for place, other in ((bend.start, before), (bend.end, after)):
            leg = (other - vertex) / np.linalg.norm(other - vertex)
            # a tangent point lies on the leg that it ends
            assert np.linalg.norm(np.cross(place - vertex, leg)) < 2e-5


def test_quadrature_turns_by_hand() -> None:
    """A quarter turn of R = 100 after 50 mm, then one rolled by +90°: read off a sketch."""
    line = integrate([(50, 0, 90, 100), (10, 90, 90, 100)], 5)
    assert line.bends[0].end == pytest.approx([150, 100, 0])
    assert line.bends[0].middle == pytest.approx(
        [50 + 100 * math.sqrt(0.5), 100 * (1 - math.sqrt(0.5)), 0]
    )
    # travel is now +y; rolling the normal +z by +90° about +y gives +x: the next bend turns y to z
    assert line.bends[1].end == pytest.approx([150, 210, 100])
    assert line.end_point == pytest.approx([150, 210, 105])
    assert line.end_direction == pytest.approx([0, 0, 1], abs=1e-14)
    assert line.developed_length == pytest.approx(65 + 100 * math.pi, rel=1e-13)
    assert line.bends[1].middle_distance == pytest.approx(60 + 75 * math.pi, rel=1e-13)


@pytest.mark.kernel
def test_kernel_measures_the_check_run() -> None:
    require_kernel()
    from oracles import kernel

    run = kernel.run_wire(rows(CHECK_RUN), CHECK_RUN["last_straight"])
    assert kernel.wire_length(run) == pytest.approx(1045.44656, abs=1e-5)
    assert kernel.edge_lengths(run)[::2] == pytest.approx(
        [277.5, 201.940068, 176.895526, 245.456460], abs=1e-9
    )
    assert _apart(kernel.end_point(run), VERTICES[-1]) < 2e-5


@pytest.mark.kernel
@pytest.mark.parametrize("table", RUNS, ids=range(len(RUNS)))
def test_kernel_and_quadrature_agree(table: RunTable) -> None:
    require_kernel()
    from oracles import kernel

    line, run = _run(table), kernel.run_wire(rows(table), table["last_straight"])
    size = line.developed_length
    assert kernel.wire_length(run) == pytest.approx(size, rel=1e-9)
    assert sum(kernel.edge_lengths(run)) == pytest.approx(size, rel=1e-9)
    assert _apart(kernel.end_point(run), line.end_point) < 1e-9 * size
    assert _apart(kernel.end_direction(run), line.end_direction) < 1e-9
    ends = np.cumsum(kernel.edge_lengths(run))
    for number, bend in enumerate(line.bends):
        start, end = kernel.tangent_points(run)[number]
        assert _apart(start, bend.start) < 1e-9 * size
        assert _apart(end, bend.end) < 1e-9 * size
        assert _apart(kernel.arc_middles(run)[number], bend.middle) < 1e-9 * size
        assert ends[2 * number] == pytest.approx(bend.start_distance, abs=1e-9 * size)
        assert ends[2 * number + 1] == pytest.approx(bend.end_distance, abs=1e-9 * size)
