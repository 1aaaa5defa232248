"""An invented bench for reviews of runs: one tube, three dies, round numbers throughout."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from service.calc.bend_rules import Bench, ReviewCase
from service.calc.bender_load import Rating, rating, strength_of
from service.calc.drawn_run import drawn_from_run, drawn_from_vertices, run_with_radii
from service.calc.mandrel_criterion import limits_in_force
from service.calc.run_geometry import Vector
from service.model import (
    Bend,
    Bender,
    Die,
    Drive,
    MandrelLimits,
    Material,
    RatedTube,
    Run,
    Tube,
)

STEEL = Material("steel", "Steel", 210_000.0, 7.85e-6, yield_strength=235.0, tensile_strength=340.0)
TUBE = Tube(20.0, 2.0, STEEL)


def die(radius: float, **changes: Any) -> Die:
    """A die for 20 mm tube: clamp 42 mm (50 mm where it bends tight), pressure die 110 mm."""
    usual = {
        "tube_outside_diameter": 20.0,
        "largest_angle": math.radians(190.0),
        "clamp_length": 50.0 if radius <= 40 else 42.0,
        "pressure_die_length": 110.0,
    }
    return Die(f"r{radius:g}", f"Radius {radius:g}", radius=radius, **{**usual, **changes})


DIES = (die(40.0), die(60.0), die(120.0))
BENDER = Bender(
    "bench",
    "Invented bench bender",
    least_outside_diameter=6.0,
    largest_outside_diameter=25.0,
    largest_angle=math.radians(190.0),
    dies=tuple(one.id for one in DIES),
    drive=Drive(gear_ratio=6.0, lever_length=350.0, efficiency=0.85, comfortable_force=250.0),
    longest_tube=3000.0,
)


def rated(outside_diameter: float, wall: float, flow_stress: float | None = None) -> Rating:
    """A tube that the bender is known to bend; of steel where no flow stress is stated."""
    tube = RatedTube(outside_diameter, wall, "steel", flow_stress)
    material = None if flow_stress else STEEL
    return rating(1, tube, Tube(outside_diameter, wall, material))


BENCH = Bench(
    bender=BENDER,
    dies=DIES,
    ratings=(rated(20.0, 3.0),),
    mandrel_limits=limits_in_force(MandrelLimits()),
)


def table(*rows: Sequence[float], last: float) -> Run:
    """A run from rows (straight, degrees) or (straight, degrees, radius, rotation)."""
    bends = []
    for row in rows:
        straight, degrees, radius, rotation = (*row, *(60.0, 0.0)[len(row) - 2 :])
        bends.append(Bend(straight, math.radians(rotation), math.radians(degrees), radius))
    return Run(tuple(bends), last)


def case(run: Run, *, bench: dict[str, Any] | None = None, **changes: Any) -> ReviewCase:
    """A review of a bend table at the invented bench."""
    tube = changes.pop("tube", TUBE)
    made = ReviewCase(
        drawn=drawn_from_run(run),
        run=run,
        tube=tube,
        bench=replace(BENCH, **(bench or {})),
        strength=strength_of(tube.material),
    )
    return replace(made, **changes)


def case_of_vertices(points: Sequence[Vector], radius: float, **changes: Any) -> ReviewCase:
    """A review of vertices, whether or not they can be built with this radius."""
    drawn = drawn_from_vertices(points, [radius] * (len(points) - 2))
    return replace(case(run_with_radii(drawn, drawn.radii), **changes), drawn=drawn)
