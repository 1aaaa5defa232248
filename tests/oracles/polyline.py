"""A bend table integrated from its definition, with scipy's rotations and Gauss quadrature.

The only things taken as known: along a bend the direction of travel turns about the normal of the
bend plane at the rate 1/R, position is the integral of direction, length is the limit of inscribed
polygons. No set-back, no arc centre, no closed form of the product.

Frame: end 1 at the origin, travel along +x, the first bend turns about +z (towards +y); rotation
is right-handed about the direction of travel from end 1 to end 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from oracles.random_runs import Row

Vector = NDArray[np.float64]

X, Z = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
# 24 nodes integrate sine and cosine over one radian to the last bit
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True)
class BendPlaces:
    """Where one bend starts, is half done, and ends; distances are along the unbent tube, mm."""

    start: Vector
    middle: Vector
    end: Vector
    start_distance: float
    middle_distance: float
    end_distance: float
    start_direction: Vector
    end_direction: Vector


@dataclass(frozen=True)
class Centreline:
    """The integrated run."""

    bends: tuple[BendPlaces, ...]
    end_point: Vector
    end_direction: Vector
    developed_length: float


@dataclass
class _State:
    point: Vector
    attitude: Rotation  # turns +x into the direction of travel and +z into the bend normal
    distance: float


def integrate(rows: Sequence[Row], last_straight: float) -> Centreline:
    """Return places and length of the run; rows (straight mm, rotation deg, angle deg, radius)."""
    state = _State(np.zeros(3), Rotation.identity(), 0.0)
    bends = tuple(_bend(state, row) for row in rows)
    _straight(state, last_straight)
    return Centreline(bends, state.point, _apply(state.attitude, X), state.distance)


def _bend(state: _State, row: Row) -> BendPlaces:
    straight, rotation, angle, radius = row
    _straight(state, straight)
    # the roll is about the tube's own x axis, so it is composed on the right
    state.attitude = state.attitude * Rotation.from_rotvec(rotation * X, degrees=True)
    start, first, begin = state.point, _apply(state.attitude, X), state.distance
    places = _along(state, angle, radius, 2)
    length = _polygon_limit(state, angle, radius)
    state.point, state.distance = places[2], begin + length
    state.attitude = state.attitude * Rotation.from_rotvec(angle * Z, degrees=True)
    return BendPlaces(
        start,
        places[1],
        places[2],
        begin,
        begin + length / 2,
        state.distance,
        first,
        _apply(state.attitude, X),
    )


def _straight(state: _State, length: float) -> None:
    state.point = state.point + length * _apply(state.attitude, X)
    state.distance += length


def _along(state: _State, angle: float, radius: float, pieces: int) -> Vector:
    """Return the pieces + 1 points that divide the bend evenly: ∫ direction ds, piece by piece."""
    step = np.radians(angle) / pieces
    turned = (np.arange(pieces)[:, None] + (NODES + 1) / 2) * step
    spins = Rotation.from_rotvec(turned.reshape(-1, 1) * Z)
    directions = _apply(state.attitude * spins, X).reshape(pieces, len(NODES), 3)
    moves = radius * step * np.einsum("n,pnk->pk", WEIGHTS / 2, directions)
    return np.vstack([state.point, state.point + np.cumsum(moves, axis=0)])


def _polygon_limit(state: _State, angle: float, radius: float) -> float:
    """Length of the bend as the limit of inscribed polygons (Richardson, error in even powers)."""
    sums = [
        float(np.linalg.norm(np.diff(_along(state, angle, radius, n), axis=0), axis=1).sum())
        for n in (8, 16, 32, 64)
    ]
    for power in (4.0, 16.0, 64.0):
        sums = [(power * fine - coarse) / (power - 1) for coarse, fine in pairwise(sums)]
    return sums[0]


def _apply(rotation: Rotation, vector: Vector) -> Vector:
    return cast(Vector, cast(Any, rotation).apply(vector))
