"""Sixty random runs over real HTTP against two independent sources.

Sources: the CAD kernel Open CASCADE (PyPI ``cadquery-ocp-novtk``), which builds lines and arcs and
measures them itself; and a polyline integration with scipy's rotations (tests/oracles).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from conftest import Post
from oracles import kernel, polyline, require_kernel
from oracles.random_runs import RunTable, random_runs, rows

TUBE = {"outside_diameter": 12, "wall_thickness": 1.5}
RUNS = random_runs(60, seed=20260)
TOLERANCE = 1e-6  # mm


def _xyz(point: dict[str, float]) -> list[float]:
    return [point["x"], point["y"], point["z"]]


@pytest.mark.kernel
@pytest.mark.parametrize("run", RUNS, ids=range(len(RUNS)))
def test_lengths_and_points_agree_with_the_cad_kernel(run: RunTable, live_post: Post) -> None:
    require_kernel()
    built = kernel.run_wire(rows(run), run["last_straight"])
    length = live_post("/v1/developed-length", {"tube": TUBE, "run": run})["result"]
    geometry = live_post("/v1/run-geometry", {"run": run})["result"]
    assert length["developed_length"] == pytest.approx(kernel.wire_length(built), abs=TOLERANCE)
    arcs = [bend["arc"] for bend in length["bends"]]
    np.testing.assert_allclose(arcs, kernel.edge_lengths(built)[1::2], atol=TOLERANCE)
    for bend, (start, end) in zip(geometry["bends"], kernel.tangent_points(built), strict=True):
        np.testing.assert_allclose(_xyz(bend["start"]), start, atol=TOLERANCE)
        np.testing.assert_allclose(_xyz(bend["end"]), end, atol=TOLERANCE)
    np.testing.assert_allclose(
        _xyz(geometry["end_2"]["point"]), kernel.end_point(built), atol=TOLERANCE
    )
    np.testing.assert_allclose(
        _xyz(geometry["end_2"]["direction"]), kernel.end_direction(built), atol=1e-9
    )


@pytest.mark.parametrize("run", RUNS, ids=range(len(RUNS)))
def test_marks_agree_with_the_polyline_integration(run: RunTable, live_post: Post) -> None:
    line = polyline.integrate(rows(run), run["last_straight"])
    layout = live_post("/v1/mark-layout", {"tube": TUBE, "run": run})["result"]
    assert layout["cut_length"]["exact"] == pytest.approx(line.developed_length, abs=TOLERANCE)
    for marks, place in zip(layout["bends"], line.bends, strict=True):
        assert marks["start"]["exact"] == pytest.approx(place.start_distance, abs=TOLERANCE)
        assert marks["arc_centre"]["exact"] == pytest.approx(place.middle_distance, abs=TOLERANCE)
        assert marks["end"]["exact"] == pytest.approx(place.end_distance, abs=TOLERANCE)
        _check_apex(marks, place)


def _check_apex(marks: dict[str, Any], place: polyline.BendPlaces) -> None:
    """The apex is where the two tangents meet, found here as the crossing of two lines."""
    if marks["apex"] is None:
        assert marks["angle"] > 179.4
        return
    a, b = place.start_direction, place.end_direction
    along, _ = np.linalg.lstsq(np.column_stack([a, b]), place.end - place.start, rcond=None)[0]
    back = marks["apex"]["exact"] - marks["start"]["exact"]
    assert back == pytest.approx(along, rel=1e-7, abs=TOLERANCE)
