"""Run tables of the oracles, mm and degrees, as the service's own dataclasses."""

from __future__ import annotations

import math

from oracles.random_runs import RunTable

from service.model import Bend, Run


def run_of_table(table: RunTable) -> Run:
    bends = (
        Bend(b["straight"], math.radians(b["rotation"]), math.radians(b["angle"]), b["radius"])
        for b in table["bends"]
    )
    return Run(tuple(bends), table["last_straight"])


def plane_run(*rows: tuple[float, float, float], last: float, roll: float = 0.0) -> Run:
    """Run of (straight, degrees, radius), every bend but the first rolled by ``roll`` degrees."""
    bends = (
        Bend(straight, math.radians(roll) if i else 0.0, math.radians(degrees), radius)
        for i, (straight, degrees, radius) in enumerate(rows)
    )
    return Run(tuple(bends), last)
