"""A line laid between its two ports so that the misfit is shared by both ends.

Position and direction at both ends count: least Σ|p − q|² + w²·Σ|u − v|², with w in mm per rad.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.end_scatter import FarEnds
from service.model import Method

Array = NDArray[np.float64]
ROUNDS = 40
# What is left of the first step then is far below what 200,000 samples can tell.
CLOSE_ENOUGH = 1e-4

METHODS = (
    Method(
        "balanced-between-ports",
        "Best fit of a line between its two ports",
        "least Σ|p − q|² + w²·Σ|u − v|² over both ends; w = radial over angular capture tolerance; "
        "as the rigid best fit, with directions beside points",
        "the line is free to move; spin about a straight line stays as it is",
        ("kabsch-1976", "derived-here"),
    ),
)


class Balanced(NamedTuple):
    """Balanced samples, (3, m) each: misfit of position at end 2 (mm), directions at both ends.

    The misfit at end 1 is the opposite of that at end 2.
    """

    misfit: Array
    root: Array
    turns: Array


@dataclass(frozen=True, slots=True)
class Ports:
    """Two ports and how a line is laid between them.

    Arguments:
        tip: end 2 from end 1, (3,), mm
        root_direction, tip_direction: directions of travel there, (3,), unit
        w: mm per rad, what a turned direction weighs against a shifted point
        left: balance until the next step would be below this part of the first
    """

    tip: Array
    root_direction: Array
    tip_direction: Array
    w: float
    left: float = CLOSE_ENOUGH


def balance_residual(ports: Ports) -> Array:
    """What a first-order balance leaves of the deviations of end 2, (12, 6).

    Rows: position and direction at end 1, then at end 2; columns: position and direction of end 2
    before balancing. With ρ = (τ, ω), end 1 moves by τ and turns by ω×u₁, end 2 moves by
    τ + ω×p₂ and turns by ω×u₂; least squares with directions weighted by w.

    Source: derived here.
    """
    tip, w = ports.tip, ports.w
    nothing, same = np.zeros((3, 3)), np.eye(3)
    motion = np.vstack(
        [
            np.hstack([same, nothing]),
            np.hstack([nothing, _skew(ports.root_direction)]),
            np.hstack([same, _skew(tip)]),
            np.hstack([nothing, _skew(ports.tip_direction)]),
        ]
    )
    weight = np.array([1.0, 1, 1, w, w, w] * 2)
    # scaled so that turns count in mm and the pseudo-inverse sees a straight line's open spin
    scale = np.array([1.0] * 3 + [1 / (w + float(np.linalg.norm(tip)))] * 3)
    inverse = np.linalg.pinv(weight[:, None] * motion * scale, rcond=1e-9)
    before = np.vstack([np.zeros((6, 6)), np.eye(6)])
    left: Array = before - (motion * scale) @ inverse @ (weight[:, None] * before)
    return left


def balancer(ports: Ports) -> Callable[[FarEnds], Balanced]:
    """The function that balances many samples, each by its own rotation.

    The rotation is found by Newton steps with the nominal Hessian, each a proper rotation. Steps
    shrink by a nearly constant ratio, which tells what the next one would be.

    Arguments:
        ports: nominal, in the frame of the samples, with end 1 at the origin
    """
    inverse = _inverse_hessian(ports)

    def balance(ends: FarEnds) -> Balanced:
        spread, turns = ends.position, ends.direction
        root = np.repeat(ports.root_direction[:, None], spread.shape[1], axis=1)
        sizes: list[float] = []
        while len(sizes) < ROUNDS and not _close(sizes, ports.left):
            step = inverse @ _torque(spread, root, turns, ports)
            spread, root, turns = (_rotate(step, vectors) for vectors in (spread, root, turns))
            sizes.append(float(np.abs(step).max()))
        return Balanced((spread - ports.tip[:, None]) / 2, root, turns)

    return balance


def _close(sizes: Sequence[float], left: float) -> bool:
    return len(sizes) > 1 and sizes[-1] ** 2 <= left * sizes[0] * sizes[-2]


def _torque(spread: Array, root: Array, turns: Array, ports: Ports) -> Array:
    """Slope of the misfit by a turn of the whole line, (3, m), mm²."""
    turned = _cross(root, ports.root_direction) + _cross(turns, ports.tip_direction)
    torque: Array = 0.5 * _cross(spread, ports.tip) + ports.w**2 * turned
    return torque


def _inverse_hessian(ports: Ports) -> Array:
    """Inverse of ½(|p|²I − ppᵀ) + w²(2I − u₁u₁ᵀ − u₂u₂ᵀ); an open spin stays as it is."""
    tip = ports.tip
    matrix = 0.5 * (tip @ tip * np.eye(3) - np.outer(tip, tip))
    for direction in (ports.root_direction, ports.tip_direction):
        matrix += ports.w**2 * (np.eye(3) - np.outer(direction, direction))
    return np.asarray(np.linalg.pinv(matrix, rcond=1e-12), dtype=np.float64)


def _cross(a: Array, b: Array) -> Array:
    """Columns of a×b; three times as fast as np.cross along the first axis."""
    made = np.empty_like(a)
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        np.multiply(a[j], b[k], out=made[i])
        made[i] -= a[k] * b[j]
    return made


def _rotate(step: Array, vectors: Array) -> Array:
    """Cayley's rotation by about ``step``: v + 2/(1 + h²)·(h×v + h×(h×v)), h = step/2."""
    half = step / 2
    first = _cross(half, vectors)
    factor = 2 / (1 + np.einsum("ij,ij->j", half, half))
    turned: Array = vectors + factor * (first + _cross(half, first))
    return turned


def _skew(vector: Array) -> Array:
    """The matrix that makes ω×vector of ω."""
    x, y, z = vector
    return np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
