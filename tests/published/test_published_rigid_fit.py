"""The best fit against scipy's Rotation.align_vectors, and against Umeyama's theorem.

scipy is a general-purpose library; align_vectors minimises ½Σw|a − Rb|² about the origin, so both
point sets are centred first, and its second answer is a root sum square, not a root mean square.
"""

from __future__ import annotations

import math
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from service.calc.rigid_fit import least_turn, rigid_fit, turn_about
from service.errors import NotDeterminedError, OutOfRangeError

Points = NDArray[np.float64]
CASES = range(200)
# The worked run of the project's geometry tests, and deviations of a fraction of a millimetre.
DRAWN = np.array([[0, 0, 0], [300, 0, 0], [450, 200, 0], [450, 350, 180], [700, 350, 300.0]])
STRAY = np.array([[3, -2, 1], [-4, 1, 2], [1, 5, -3], [2, -3, 4], [-2, -1, -4]]) / 10


def random_rotation(source: np.random.Generator) -> Any:
    quaternion = source.standard_normal(4)
    return Rotation.from_quat(quaternion / np.linalg.norm(quaternion))


def matrix(rotation: Any) -> Points:
    return cast(Points, rotation.as_matrix())


@pytest.mark.parametrize("seed", CASES)
def test_agrees_with_scipy(seed: int) -> None:
    source = np.random.default_rng(seed)
    count = int(source.integers(3, 12))
    points = source.uniform(-500, 500, (count, 3))
    stray = 10.0 ** source.uniform(-6, 2)
    turn, shift = random_rotation(source), source.uniform(-900, 900, 3)
    targets = turn.apply(points) + shift + stray * source.standard_normal((count, 3))
    weights = source.uniform(0.1, 5, count) if seed % 2 else None
    fit = rigid_fit(points, targets, None if weights is None else weights.tolist())
    w = np.ones(count) if weights is None else weights
    p0, q0 = (np.average(x, axis=0, weights=w) for x in (points, targets))
    expected, root_sum_square = Rotation.align_vectors(targets - q0, points - p0, weights=w)
    np.testing.assert_allclose(fit.rotation, matrix(expected), atol=1e-10)
    np.testing.assert_allclose(fit.shift, q0 - matrix(expected) @ p0, atol=1e-7)
    # scipy computes its loss as a difference of squares of hundreds of mm: half the digits remain
    loss = root_sum_square / math.sqrt(w.sum())
    assert fit.root_mean_square == pytest.approx(loss, rel=1e-6, abs=1e-4)
    assert np.linalg.det(fit.rotation) == pytest.approx(1, abs=1e-12)
    assert fit.determined


def test_worked_example() -> None:
    # the same numbers from scipy: align_vectors for the turn, numpy for the rest
    turn = Rotation.from_euler("zyx", [30, -20, 50], degrees=True)
    measured = turn.apply(DRAWN + STRAY) + np.array([100, -50, 25])
    fit = rigid_fit(DRAWN, measured)
    assert fit.root_mean_square == pytest.approx(0.433172237, abs=1e-9)
    distances = np.linalg.norm(fit.residuals, axis=1)
    expected = [0.313396, 0.559409, 0.450594, 0.390686, 0.413963]
    np.testing.assert_allclose(distances, expected, atol=1e-6)
    np.testing.assert_allclose(fit.shift, [100.00842, -50.265237, 25.059779], atol=1e-6)


def test_a_reflection_is_refused() -> None:
    # Umeyama: where det(VUᵀ) < 0 the best orthogonal matrix is a reflection and must not be taken
    mirrored = DRAWN * [1, 1, -1]
    a, b = (x - x.mean(axis=0) for x in (DRAWN, mirrored))
    u, _, vt = np.linalg.svd(a.T @ b)
    assert np.linalg.det(vt.T @ u.T) == pytest.approx(-1)
    fit = rigid_fit(DRAWN, mirrored)
    assert np.linalg.det(fit.rotation) == pytest.approx(1)
    assert fit.root_mean_square == pytest.approx(107.544652, abs=1e-6)
    _, root_sum_square = Rotation.align_vectors(b, a)
    assert fit.root_mean_square == pytest.approx(root_sum_square / math.sqrt(5), rel=1e-9)
    assert fit.mirror_root_mean_square == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize("seed", range(50))
def test_mirror_measure_is_the_fit_of_the_mirror_image(seed: int) -> None:
    source = np.random.default_rng(seed)
    points, targets = source.uniform(-300, 300, (2, 6, 3))
    mirrored = rigid_fit(points * [1, 1, -1], targets)
    assert rigid_fit(points, targets).mirror_root_mean_square == pytest.approx(
        mirrored.root_mean_square, rel=1e-9
    )


@pytest.mark.parametrize("seed", range(20))
def test_points_in_one_line_are_told_and_fitted_by_the_least_turn(seed: int) -> None:
    source = np.random.default_rng(seed)
    direction = source.standard_normal(3)
    line = np.outer(np.sort(source.uniform(-400, 400, 4)), direction / np.linalg.norm(direction))
    turn = random_rotation(source)
    fit = rigid_fit(line, turn.apply(line) + np.array([5, 6, 7]))
    assert not fit.determined
    assert fit.root_mean_square < 1e-9
    assert np.linalg.det(fit.rotation) == pytest.approx(1)
    start, end = direction, turn.apply(direction)
    angle = math.acos(np.clip(start @ end / (start @ start), -1, 1))
    assert Rotation.from_matrix(fit.rotation).magnitude() == pytest.approx(angle, abs=1e-6)


def test_a_hundredth_of_a_millimetre_off_the_line_decides() -> None:
    line = np.array([[0, 0, 0], [500, 0, 0], [1000.0, 0, 0]])
    inside, outside = line.copy(), line.copy()
    inside[1, 1], outside[1, 1] = 0.005, 0.05
    assert not rigid_fit(inside, inside).determined
    assert rigid_fit(outside, outside).determined


@pytest.mark.parametrize("seed", range(60))
def test_held_direction_leaves_the_spin_that_scipy_finds(seed: int) -> None:
    # align_vectors with an infinite weight keeps one direction exactly and fits the spin about it
    source = np.random.default_rng(seed)
    points = source.uniform(-300, 300, (5, 3))
    targets = random_rotation(source).apply(points) + source.standard_normal((5, 3))
    pivot = points[0], targets[0]
    along = tuple(v / np.linalg.norm(v) for v in (points[1] - points[0], targets[1] - targets[0]))
    fit = rigid_fit(points, targets, pivot=pivot, along=(along[0], along[1]))
    np.testing.assert_allclose(fit.move(points[0]), targets[0], atol=1e-9)
    np.testing.assert_allclose(fit.turn(along[0]), along[1], atol=1e-12)
    expected, _ = Rotation.align_vectors(
        np.vstack([along[1], (targets - targets[0])[2:]]),
        np.vstack([along[0], (points - points[0])[2:]]),
        weights=[math.inf, 1, 1, 1],
    )
    # scipy fits the spin to what is left of the other vectors, as here
    np.testing.assert_allclose(fit.rotation, matrix(expected), atol=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_turns_agree_with_scipy(seed: int) -> None:
    source = np.random.default_rng(seed)
    axis = source.standard_normal(3)
    axis /= np.linalg.norm(axis)
    angle = source.uniform(-3, 3)
    np.testing.assert_allclose(
        turn_about(axis, angle), matrix(Rotation.from_rotvec(angle * axis)), atol=1e-14
    )
    other = source.standard_normal(3)
    other /= np.linalg.norm(other)
    np.testing.assert_allclose(least_turn(axis, other) @ axis, other, atol=1e-14)
    np.testing.assert_allclose(least_turn(axis, -axis) @ axis, -axis, atol=1e-14)
    np.testing.assert_array_equal(least_turn(axis, axis), np.eye(3))


def test_refusals() -> None:
    with pytest.raises(OutOfRangeError, match="weights_differ"):
        rigid_fit(DRAWN, DRAWN, [1.0] * 4)
    with pytest.raises(OutOfRangeError, match="weight_below_zero"):
        rigid_fit(DRAWN, DRAWN, [1.0, 1, -1e-9, 1, 1])
    with pytest.raises(NotDeterminedError, match="weights_all_zero"):
        rigid_fit(DRAWN, DRAWN, [0.0] * 5)
    with pytest.raises(NotDeterminedError, match="points_coincide"):
        rigid_fit(DRAWN * 0, DRAWN)
