"""Rigid best fit of measured points to nominal ones: proper rotations only, never a scale.

A scale would hide errors of length and a reflection would hide a part bent the wrong way round,
so neither is ever part of the answer; whether a mirror image would fit better is told beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.errors import NotDeterminedError, OutOfRangeError
from service.model import Method

Points = NDArray[np.float64]

# Second singular value over the first: points that stray from a line by less than about 0.01 mm
# in 1 m leave the spin about that line undetermined.
LEAST_SPREAD = 1e-10

METHODS = (
    Method(
        "rigid-best-fit",
        "Rigid best fit of measured to nominal points",
        "H = Σ w(p − p̄)(q − q̄)ᵀ = UΣVᵀ; δ = sign det(VUᵀ); R = V·diag(1, 1, δ)·Uᵀ; t = q̄ − Rp̄",
        "two points or more; points in one line leave the spin about it undetermined; scale is 1",
        ("kabsch-1976", "kabsch-1978", "umeyama-1991"),
    ),
    Method(
        "held-best-fit",
        "Best fit with an end held",
        "as rigid-best-fit about the held point; with the direction held too, the spin about it is "
        "atan2(Σ w k·(p×q), Σ w(p·q − (p·k)(q·k)))",
        "as rigid-best-fit",
        ("derived-here",),
    ),
)


@dataclass(frozen=True, slots=True)
class RigidFit:
    """A rigid motion x → rotation·x + shift and what it leaves.

    Arguments:
        rotation: (3, 3), proper
        shift: (3,), mm
        residuals: fitted less target, (n, 3), mm
        root_mean_square: √(Σ w|residual|²/Σ w), mm
        mirror_root_mean_square: the same for the best fit of the mirror image, mm
        determined: False where the points, being in one line, leave the spin open; the rotation
            is then the one that turns the least
    """

    rotation: Points
    shift: Points
    residuals: Points
    root_mean_square: float
    mirror_root_mean_square: float
    determined: bool

    def move(self, points: Points) -> Points:
        """Points (n, 3) or (3,) after the motion, mm."""
        return points @ self.rotation.T + self.shift

    def turn(self, directions: Points) -> Points:
        """Directions (n, 3) or (3,) after the motion."""
        return directions @ self.rotation.T


def rigid_fit(
    points: Points,
    targets: Points,
    weights: Sequence[float] | None = None,
    *,
    pivot: tuple[Points, Points] | None = None,
    along: tuple[Points, Points] | None = None,
) -> RigidFit:
    """Motion that brings ``points`` closest to ``targets``: least Σ w|Rp + t − q|².

    H = Σ w(p − p̄)(q − q̄)ᵀ = UΣVᵀ; δ = sign det(VUᵀ); R = V·diag(1, 1, δ)·Uᵀ; t = q̄ − Rp̄. With
    ``pivot`` the two pivot points take the place of the means, so that one is brought onto the
    other. With ``along`` one direction is turned onto another by the least turn, and only the spin
    about it is fitted.

    Arguments:
        points, targets: (n, 3), mm
        weights: n weights of 0 or more, not all 0; equal when None
        pivot: a point of the measured frame and the one it is held on, (3,) each, mm
        along: a unit direction of the measured frame and the one it is held on, (3,) each

    Raises:
        OutOfRangeError: as many weights as points are needed, none below 0
        NotDeterminedError: all weights are 0, or all points coincide

    Source: Kabsch, Acta Cryst. A32 (1976) 922 and A34 (1978) 827; Umeyama, IEEE Trans. PAMI 13
    (1991) 376, with the scale kept at 1.
    """
    w = _weights(len(points), weights)
    p0, q0 = pivot if pivot is not None else (w @ points, w @ targets)
    a, b = points - p0, targets - q0
    u, sizes, vt = np.linalg.svd((a * w[:, None]).T @ b)
    if not sizes[0] > 0:
        raise NotDeterminedError("points_coincide", ("measured",))
    hand = 1.0 if np.linalg.det(vt.T @ u.T) > 0 else -1.0
    if along is None:
        determined = bool(sizes[1] + hand * sizes[2] > LEAST_SPREAD * sizes[0])
        rotation = (vt.T * [1.0, 1.0, hand]) @ u.T if determined else least_turn(u[:, 0], vt[0])
    else:
        rotation, determined = _spin(a, b, w, along)
    residuals = a @ rotation.T - b
    total = float(w @ (np.einsum("ij,ij->i", a, a) + np.einsum("ij,ij->i", b, b)))
    mirrored = max(total - 2 * float(sizes[0] + sizes[1] - hand * sizes[2]), 0.0)
    return RigidFit(
        rotation=rotation,
        shift=q0 - rotation @ p0,
        residuals=residuals,
        root_mean_square=math.sqrt(float(w @ np.einsum("ij,ij->i", residuals, residuals))),
        mirror_root_mean_square=math.sqrt(mirrored),
        determined=determined,
    )


def _weights(count: int, given: Sequence[float] | None) -> Points:
    weights = np.ones(count) if given is None else np.array(given, dtype=float)
    if len(weights) != count:
        raise OutOfRangeError(
            "weights_differ", ("weights",), {"value": len(weights), "needed": count}
        )
    if (weights < 0).any():
        raise OutOfRangeError("weight_below_zero", ("weights", int(np.argmin(weights))))
    if not weights.sum() > 0:
        raise NotDeterminedError("weights_all_zero", ("weights",))
    return np.asarray(weights / weights.sum())


def _spin(a: Points, b: Points, w: Points, along: tuple[Points, Points]) -> tuple[Points, bool]:
    axis, first = along[1], least_turn(*along)
    turned = a @ first.T
    sine = float(w @ (np.cross(turned, b) @ axis))
    both = np.einsum("ij,ij->i", turned, b)
    cosine = float(w @ (both - (turned @ axis) * (b @ axis)))
    size = math.hypot(sine, cosine)
    if size <= LEAST_SPREAD * float(w @ np.abs(both)):
        return first, False
    return turn_about(axis, math.atan2(sine, cosine)) @ first, True


def turn_about(axis: Points, angle: float) -> Points:
    """Rotation matrix (3, 3) by ``angle`` (rad) about the unit ``axis``, right-hand rule."""
    x, y, z = axis
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    made: Points = np.eye(3) + math.sin(angle) * skew + (1 - math.cos(angle)) * skew @ skew
    return made


def least_turn(start: Points, end: Points) -> Points:
    """The rotation (3, 3) of least angle that takes the unit vector ``start`` to ``end``."""
    axis = np.cross(start, end)
    sine, cosine = float(np.linalg.norm(axis)), float(start @ end)
    if sine < 1e-15:
        if cosine > 0:
            return np.eye(3)
        axis = np.cross(start, np.eye(3)[int(np.argmin(np.abs(start)))])
        sine = float(np.linalg.norm(axis))
        return turn_about(axis / sine, math.pi)
    return turn_about(axis / sine, math.atan2(sine, cosine))
