"""Cut lengths of thousands of runs at once: the arithmetic of ``developed_length`` on arrays.

Every figure is the same double, bit for bit, as the single calculation gives: the operations and
their order are the same, sums are exact (fsum), and tan comes from the same C library function
(numpy's own differs in the last bit on some processors).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.calc.developed_length import MOST_STRETCH
from service.calc.run_geometry import LARGEST_VERTEX_ANGLE
from service.model import (
    LARGEST_BEND_ANGLE,
    LARGEST_OUTSIDE_DIAMETER,
    LEAST_BEND_ANGLE,
    LEAST_OUTSIDE_DIAMETER,
)

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Batch:
    """n runs with m bends in all.

    Arguments:
        counts: (n,) bends of each run
        straight, angle, radius: (m,) rows of all bend tables one after another; mm, rad
        last_straight: (n,) mm
        outside_diameter, wall_thickness, density: (n,) mm, kg/mm³; density is nan where not known
        stretch: (n,) fraction of arc length
        end_1, end_2, trim: (n,) allowances, mm
    """

    counts: NDArray[np.intp]
    straight: Floats
    angle: Floats
    radius: Floats
    last_straight: Floats
    outside_diameter: Floats
    wall_thickness: Floats
    density: Floats
    stretch: Floats
    end_1: Floats
    end_2: Floats
    trim: Floats


@dataclass(frozen=True, slots=True)
class Lengths:
    """(n,) each, mm and kg; ``gain`` is nan where a bend has no vertex, ``mass`` without density.

    ``sound`` is False where the single calculation would refuse: ask it for the reason.
    """

    sound: Mask
    straight_length: Floats
    arc_length: Floats
    gain: Floats
    developed_length: Floats
    stretch: Floats
    cut_length: Floats
    mass: Floats


def developed_lengths(batch: Batch) -> Lengths:
    """Cut lengths of a batch; formulas and range of validity as ``developed_length``."""
    arcs = batch.radius * batch.angle
    ends = np.cumsum(batch.counts)
    arc_length = _sums(arcs, ends)
    straight_length = _sums_with(batch.straight, ends, batch.last_straight)
    stretched = batch.stretch * arc_length
    cut = straight_length + arc_length - stretched + batch.end_1 + batch.end_2 + batch.trim
    metal = math.pi * (batch.outside_diameter - batch.wall_thickness) * batch.wall_thickness
    return Lengths(
        sound=_sound(batch) & (cut > 0),
        straight_length=straight_length,
        arc_length=arc_length,
        gain=_gains(batch, arcs, ends),
        developed_length=straight_length + arc_length,
        stretch=stretched,
        cut_length=cut,
        mass=metal * cut * batch.density,
    )


def _sums(values: Floats, ends: NDArray[np.intp]) -> Floats:
    flat, start, sums = values.tolist(), 0, []
    for end in ends.tolist():
        sums.append(math.fsum(flat[start:end]))
        start = end
    return np.array(sums, dtype=np.float64)


def _sums_with(values: Floats, ends: NDArray[np.intp], last: Floats) -> Floats:
    flat, start, sums = values.tolist(), 0, []
    for end, tail in zip(ends.tolist(), last.tolist(), strict=True):
        sums.append(math.fsum([*flat[start:end], tail]))
        start = end
    return np.array(sums, dtype=np.float64)


def _gains(batch: Batch, arcs: Floats, ends: NDArray[np.intp]) -> Floats:
    with_vertex = batch.angle <= LARGEST_VERTEX_ANGLE
    half = np.where(with_vertex, batch.angle, 0.0) / 2
    tangents = np.fromiter(map(math.tan, half.tolist()), np.float64, len(half))
    gains = 2 * (batch.radius * tangents) - arcs
    return _sums(np.where(with_vertex, gains, np.nan), ends)


def _sound(batch: Batch) -> Mask:
    od, wall = batch.outside_diameter, batch.wall_thickness
    tube = (od >= LEAST_OUTSIDE_DIAMETER) & (od <= LARGEST_OUTSIDE_DIAMETER)
    tube &= (wall > 0) & (2 * wall < od)
    stretch = (batch.stretch >= 0) & (batch.stretch <= MOST_STRETCH)
    angle = (batch.angle >= LEAST_BEND_ANGLE) & (batch.angle <= LARGEST_BEND_ANGLE)
    bends = angle & (batch.radius > np.repeat(od / 2, batch.counts))
    owner = np.repeat(np.arange(len(od)), batch.counts)
    bad = np.bincount(owner[~bends], minlength=len(od))
    sound: Mask = tube & stretch & (bad == 0)
    return sound
