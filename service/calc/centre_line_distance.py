"""Least distances between the straights and arcs of centre lines, exact up to rounding.

No meshes and no search: for each pair of parts every place where the distance can be least is
collected, inside as the roots of a polynomial and at the ends by direct projection; the least of
them is the answer. All pairs of one kind are worked on at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.calc.run_geometry import Frames
from service.model import Method, Run

Numbers = NDArray[np.float64]
Indices = NDArray[np.intp]
Places = tuple[Numbers, Numbers]

METHODS = (
    Method(
        "centre-line-distance",
        "Least distance between straights and arcs in space",
        "stationary points of |q(y) − p(x)|²: straight to straight linear, straight to arc of "
        "degree 4 and arc to arc of degree 8 in the tangent of half the angle; and the ends",
        "every straight, and every arc below a full turn",
        ("derived-here",),
    ),
)

FULL_TURN = 2 * math.pi
# Roots lose digits where they meet, three of them where arcs touch without crossing. There a step
# of Newton's method takes away a third of the error, elsewhere nearly all of it.
NEWTON_STEPS = 4
# mm; more than lost digits amount to (a third of 16 digits, on a radius of metres), less than would
# take a place anywhere else
MOST_MEND = 1.0
# determinant of the second derivatives below which their inverse is mostly rounding
LEAST_DETERMINANT = 1e-12
# square of the sine below which two directions differ by rounding only
PARALLEL = 1e-30
# places of a pair that are polished
KEPT = 4
# Distances nearer than this to each other are one distance: the first place found is reported.
SAME_DISTANCE_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Parts:
    """n straights and arcs, each measured by its own length x from 0 to ``length``.

    Straight: p(x) = origin + x·u. Arc: p(x) = origin + R·(cos(x/R)·u + sin(x/R)·v), where origin
    is the centre.

    Arguments:
        origin, u, v: (n, 3), mm and unit vectors; v is zero for a straight, perpendicular to u for
            an arc
        radius: (n,), mm; 0 for a straight
        length: (n,), mm
    """

    origin: Numbers
    u: Numbers
    v: Numbers
    radius: Numbers
    length: Numbers

    @property
    def curvature(self) -> Numbers:
        """1/R, 0 for a straight, (n,), 1/mm."""
        bent = self.radius > 0
        return np.divide(1.0, self.radius, out=np.zeros_like(self.radius), where=bent)

    @property
    def angle(self) -> Numbers:
        """Bend angle θ, 0 for a straight, (n,), rad."""
        return self.curvature * self.length

    def take(self, index: Indices | slice) -> Parts:
        """Return the parts at ``index``, in that order."""
        return Parts(
            self.origin[index],
            self.u[index],
            self.v[index],
            self.radius[index],
            self.length[index],
        )

    def points(self, x: Numbers) -> Numbers:
        """Points at lengths x; (n, k) gives (n, k, 3), mm."""
        turn, radius = self.curvature[:, None] * x, self.radius[:, None]
        along = np.where(radius > 0, radius * np.cos(turn), x)
        return self.origin[:, None] + self._span(along, radius * np.sin(turn))

    def at(self, x: Numbers) -> tuple[Numbers, Numbers, Numbers]:
        """Points, unit tangents and curvature vectors at lengths x; (n, k) gives (n, k, 3) each."""
        radius, curvature = self.radius[:, None], self.curvature[:, None]
        cosine, sine = np.cos(curvature * x), np.sin(curvature * x)
        along = np.where(radius > 0, radius * cosine, x)
        return (
            self.origin[:, None] + self._span(along, radius * sine),
            self._span(np.where(radius > 0, -sine, 1.0), cosine),
            self._span(-curvature * cosine, -curvature * sine),
        )

    def nearest(self, points: Numbers) -> Numbers:
        """Length along each part nearest to its points; (n, k, 3) gives (n, k), mm."""
        away = points - self.origin[:, None]
        along_u, along_v = _dot(away, self.u[:, None]), _dot(away, self.v[:, None])
        radius = self.radius[:, None]
        at = np.where(radius > 0, self.length_at(np.arctan2(along_v, along_u)), along_u)
        return np.clip(at, 0.0, self.length[:, None])

    def length_at(self, turn: Numbers) -> Numbers:
        """Length x at an angle from u, or of the end nearest to it; (n, k), rad to mm.

        On a circle the end nearer in angle is also the nearer in distance, to every point.
        """
        turn = np.mod(turn, FULL_TURN)
        before_start = turn > (self.angle[:, None] + FULL_TURN) / 2
        at = np.minimum(self.radius[:, None] * turn, self.length[:, None])
        return np.where(before_start, 0.0, at)

    def _span(self, along_u: Numbers, along_v: Numbers) -> Numbers:
        return along_u[..., None] * self.u[:, None] + along_v[..., None] * self.v[:, None]


@dataclass(frozen=True, slots=True)
class PairDistances:
    """Least distances of m pairs and the lengths along a and b where they are; (m,), mm."""

    distance: Numbers
    x_a: Numbers
    x_b: Numbers


def parts_from_frames(at: Frames, run: Run) -> Parts:
    """Straights and arcs of a run in order: straight, bend, straight, …, last straight.

    Arguments:
        at: frames of the run, mm
        run: the run itself, which knows lengths and radii

    Returns:
        2n + 1 parts for n bends; a zero straight stays, as a part of no length
    """
    count = 2 * len(run.bends) + 1
    origin, u, v = np.zeros((count, 3)), np.zeros((count, 3)), np.zeros((count, 3))
    radius, length = np.zeros(count), np.full(count, float(run.last_straight))
    radius[1::2] = [b.radius for b in run.bends]
    length[:-1:2] = [b.straight for b in run.bends]
    length[1::2] = [b.arc for b in run.bends]
    origin[::2] = np.vstack([at.root, at.end])
    origin[1::2] = at.centre
    u[::2] = np.vstack([at.before, at.tip_direction])
    u[1::2] = (at.start - at.centre) / radius[1::2, None]
    v[1::2] = at.before
    return Parts(origin, u, v, radius, length)


def segments(start: Numbers, end: Numbers) -> Parts:
    """Straights from start to end points, both (n, 3), mm; one of no length is a point."""
    step = end - start
    length = np.linalg.norm(step, axis=1)
    u = step / np.where(length > 0, length, 1.0)[:, None]
    return Parts(start, u, np.zeros_like(u), np.zeros_like(length), length)


def pair_distances(a: Parts, b: Parts) -> PairDistances:
    """Least distance between each part of a and the part of b in the same row.

    Arguments:
        a, b: m parts each

    Returns:
        distances and the lengths along both parts where they are reached; to about 1e-9 mm for
        parts of metres, to 1e-6 mm where arcs touch without crossing, to some 1e-6 mm where arcs
        coincide all along
    """
    least = LeastPlaces(a, b)
    for rows, x, y in candidates(a, b):
        apart = b.take(rows).points(y) - a.take(rows).points(x)
        least.offer(rows, np.linalg.norm(apart, axis=2), (x, y))
    return least.settled()


class LeastPlaces:
    """The few best places of each pair of a and b, kept to be polished together at the end.

    More than one, because where two arcs touch and cross twice the place between the crossings can
    look as near as they do before polishing.
    """

    def __init__(self, a: Parts, b: Parts) -> None:
        self.a, self.b = a, b
        shape = (len(a.length), KEPT)
        self._distance, self._x, self._y = (np.empty(shape) for _ in range(3))

    def offer(self, rows: Indices, distance: Numbers, at: Places) -> None:
        """Keep the best candidates of these rows; infinite ones do not count."""
        best = np.argpartition(distance, KEPT - 1, axis=1)[:, :KEPT]
        for kept, offered in zip((self._distance, self._x, self._y), (distance, *at), strict=True):
            kept[rows] = np.take_along_axis(offered, best, axis=1)

    def settled(self) -> PairDistances:
        """Polish the places kept and return the best of each pair."""
        distance, x, y = self._polished()
        # equal distances are settled by position, not by their last digit
        order = np.lexsort((y, x, np.round(distance, SAME_DISTANCE_DIGITS)), axis=1)[:, :1]
        return PairDistances(
            *(np.take_along_axis(of, order, axis=1)[:, 0] for of in (distance, x, y))
        )

    def _polished(self) -> tuple[Numbers, Numbers, Numbers]:
        """Newton's method on ½|q(y) − p(x)|² from each place; kept only where it is a gain.

        It only mends lost digits: no place moves by more than ``MOST_MEND``.
        """
        a, b, x, y = self.a, self.b, self._x, self._y
        for _ in range(NEWTON_STEPS):
            step_x, step_y = _newton_step(derivatives(a, b, x, y))
            x = _near(x + step_x, self._x, a.length)
            y = _near(y + step_y, self._y, b.length)
        distance = np.linalg.norm(b.points(y) - a.points(x), axis=2)
        gain = (distance < self._distance) & np.isfinite(self._distance)
        return (
            np.where(gain, distance, self._distance),
            np.where(gain, x, self._x),
            np.where(gain, y, self._y),
        )


def _near(x: Numbers, start: Numbers, length: Numbers) -> Numbers:
    low, high = np.maximum(start - MOST_MEND, 0.0), np.minimum(start + MOST_MEND, length[:, None])
    near: Numbers = np.clip(x, low, high)
    return near


@dataclass(frozen=True, slots=True)
class Derivatives:
    """Of ½r², r = q(y) − p(x), at places of pairs; (m, k) each.

    ``towards_a`` = T_a·r and ``towards_b`` = T_b·r are −∂/∂x and ∂/∂y. Second derivatives:
    ``along_a`` = 1 − p″·r, ``along_b`` = 1 + q″·r, ``mixed`` = −T_a·T_b.
    """

    distance: Numbers
    towards_a: Numbers
    towards_b: Numbers
    along_a: Numbers
    along_b: Numbers
    mixed: Numbers


def derivatives(a: Parts, b: Parts, x: Numbers, y: Numbers) -> Derivatives:
    """Distance and derivatives of half its square at lengths x along a and y along b, (m, k)."""
    (p, tangent_a, bow_a), (q, tangent_b, bow_b) = a.at(x), b.at(y)
    apart = q - p
    return Derivatives(
        distance=np.sqrt(_dot(apart, apart)),
        towards_a=_dot(tangent_a, apart),
        towards_b=_dot(tangent_b, apart),
        along_a=1 - _dot(bow_a, apart),
        along_b=1 + _dot(bow_b, apart),
        mixed=-_dot(tangent_a, tangent_b),
    )


def _newton_step(at: Derivatives) -> Places:
    determinant = at.along_a * at.along_b - at.mixed**2
    regular = np.abs(determinant) > LEAST_DETERMINANT
    scale = np.divide(1.0, determinant, out=np.zeros_like(determinant), where=regular)
    step_x = (at.along_b * at.towards_a + at.mixed * at.towards_b) * scale
    step_y = -(at.along_a * at.towards_b + at.mixed * at.towards_a) * scale
    return step_x, step_y


def candidates(a: Parts, b: Parts) -> Iterator[tuple[Indices, Numbers, Numbers]]:
    """All places where the distance of each pair can be least, one group per kind of pair.

    Complete because a least distance lies either inside both parts, where both derivatives vanish,
    or at an end of one, where the other place is the projection of that end, or at an end of each.

    Yields:
        rows of a and b, and lengths x along a and y along b, (rows, places), mm
    """
    bends = (a.radius > 0).astype(int) + (b.radius > 0)
    swap = (a.radius > 0) & ~(b.radius > 0)
    for count, inside in enumerate((_straight_to_straight, _straight_to_arc, _arc_to_arc)):
        rows = np.nonzero(bends == count)[0]
        if len(rows):
            yield rows, *_places(a.take(rows), b.take(rows), swap[rows], inside)


def _places(a: Parts, b: Parts, swap: NDArray[np.bool_], inside: Callable[..., Places]) -> Places:
    """Places inside both parts, found with the straight first, and the ends."""
    x, y = inside(_chosen(swap, b, a), _chosen(swap, a, b))
    turned = swap[:, None]
    return _with_ends(a, b, np.where(turned, y, x), np.where(turned, x, y))


def _chosen(which: NDArray[np.bool_], a: Parts, b: Parts) -> Parts:
    vector = which[:, None]
    return Parts(
        np.where(vector, a.origin, b.origin),
        np.where(vector, a.u, b.u),
        np.where(vector, a.v, b.v),
        np.where(which, a.radius, b.radius),
        np.where(which, a.length, b.length),
    )


def _with_ends(a: Parts, b: Parts, x: Numbers, y: Numbers) -> Places:
    """Add each end with its projection, and each end with each end."""
    ends_a = np.stack([np.zeros_like(a.length), a.length], axis=1)
    ends_b = np.stack([np.zeros_like(b.length), b.length], axis=1)
    onto_b, onto_a = b.nearest(a.points(ends_a)), a.nearest(b.points(ends_b))
    return (
        np.concatenate([x, ends_a, onto_a, ends_a, ends_a], axis=1),
        np.concatenate([y, onto_b, ends_b, ends_b, ends_b[:, ::-1]], axis=1),
    )


def _straight_to_straight(a: Parts, b: Parts) -> Places:
    """Feet of the common perpendicular, x = (w×d₂)·n/n², y = (w×d₁)·n/n², n = d₁×d₂, clipped.

    Parallel straights have none; the projections of their ends are then enough.
    """
    normal, gap = _cross(a.u, b.u), b.origin - a.origin
    square = _dot(normal, normal)
    scale = np.divide(1.0, square, out=np.zeros_like(square), where=square > PARALLEL)
    x = np.clip(_dot(_cross(gap, b.u), normal) * scale, 0.0, a.length)
    y = np.clip(_dot(_cross(gap, a.u), normal) * scale, 0.0, b.length)
    return x[:, None], y[:, None]


def _straight_to_arc(a: Parts, b: Parts) -> Places:
    """Stationary places of a circle to a line, at most 4.

    With w(ψ) = centre + R·e(ψ) − start of the straight and d its direction, the squared distance to
    the line is w² − (w·d)², so that w·e′ − (w·d)(d·e′) = 0: a trigonometric polynomial of degree 2.
    """
    e, slope = _circle(b, _SAMPLES[2])
    away = b.origin[:, None] + b.radius[:, None, None] * e - a.origin[:, None]
    d = a.u[:, None]
    y = b.length_at(_zeros(_dot(away, slope) - _dot(away, d) * _dot(d, slope), 2))
    return a.nearest(b.points(y)), y


def _arc_to_arc(a: Parts, b: Parts) -> Places:
    """Stationary places of two circles, at most 8.

    From a point w(φ) = centre_a + R_a·e(φ) − centre_b the nearest or furthest point of circle b
    lies at ±(w·u_b, w·v_b)/ρ, ρ² = (w·u_b)² + (w·v_b)². With that the derivative along a vanishes
    where ρ·(Δ·e′) = ±R_b·[(w·u_b)(u_b·e′) + (w·v_b)(v_b·e′)], Δ = centre_a − centre_b. The product
    of both signs is a trigonometric polynomial of degree 4.
    """
    e, slope = _circle(a, _SAMPLES[4])
    between = (a.origin - b.origin)[:, None]
    away = between + a.radius[:, None, None] * e
    on_u, on_v = _dot(away, b.u[:, None]), _dot(away, b.v[:, None])
    left = np.hypot(on_u, on_v) * _dot(between, slope)
    right = on_u * _dot(b.u[:, None], slope) + on_v * _dot(b.v[:, None], slope)
    right *= b.radius[:, None]
    x = a.length_at(_zeros((left - right) * (left + right), 4))
    return x, b.nearest(a.points(x))


def _circle(parts: Parts, turn: Numbers) -> Places:
    """Unit vectors e from the centre and e′ along the circle at the angles ``turn``."""
    cosine, sine = np.cos(turn)[:, None], np.sin(turn)[:, None]
    u, v = parts.u[:, None], parts.v[:, None]
    return cosine * u + sine * v, cosine * v - sine * u


# --- zeros of trigonometric polynomials --------------------------------------------------------


def _sample_angles(degree: int) -> Numbers:
    count = 2 * degree + 1
    return FULL_TURN * np.arange(count) / count


def _tangent_matrix(degree: int) -> Numbers:
    """Matrix from samples at π + 2πl/(2n+1) to coefficients in t = tan(φ/2), highest power first.

    P = Σ c_k e^{ikφ} and e^{iφ} = (1 + it)/(1 − it), so (1 + t²)ⁿ·P = Σ c_k (1 + it)ⁿ⁺ᵏ(1 − it)ⁿ⁻ᵏ.
    """
    orders = np.arange(-degree, degree + 1)
    nodes = math.pi + _sample_angles(degree)
    fourier = np.exp(-1j * np.outer(orders, nodes)) / len(nodes)
    powers = np.array([np.poly(np.repeat([1j, -1j], [degree + k, degree - k])) for k in orders])
    # (1 + it) = i(t − i) and (1 − it) = −i(t + i): np.poly makes the monic ones
    units = 1j ** (degree + orders) * (-1j) ** (degree - orders)
    matrix: Numbers = np.real((powers * units[:, None]).T @ fourier)
    return matrix


_SAMPLES = {degree: _sample_angles(degree) for degree in (2, 4)}
_TANGENT_MATRIX = {degree: _tangent_matrix(degree) for degree in (2, 4)}


def _zeros(samples: Numbers, degree: int) -> Numbers:
    """Angles at the zeros of trigonometric polynomials given by 2n + 1 even samples; (m, 2n), rad.

    The half-angle tangent is measured from opposite the greatest sample, which so becomes the
    leading coefficient: no zero is near infinity. Zeros are eigenvalues of the companion matrix;
    of complex ones the real part is returned, which is where two zeros have all but met. A
    polynomial that vanishes (equal distance all round) gives arbitrary angles, which do no harm.
    """
    rows = np.arange(len(samples))
    largest = np.argmax(np.abs(samples), axis=1)
    shifted = samples[
        rows[:, None], (largest[:, None] + np.arange(2 * degree + 1)) % (2 * degree + 1)
    ]
    lead = np.where(shifted[:, :1] == 0, 1.0, shifted[:, :1])
    companion = np.zeros((len(samples), 2 * degree, 2 * degree))
    companion[:, 0] = -(shifted / lead) @ _TANGENT_MATRIX[degree][1:].T
    companion[:, np.arange(1, 2 * degree), np.arange(2 * degree - 1)] = 1.0
    tangents = np.real(np.linalg.eigvals(companion))
    angles: Numbers = _SAMPLES[degree][largest, None] - math.pi + 2 * np.arctan(tangents)
    return angles


def _dot(a: Numbers, b: Numbers) -> Numbers:
    product: Numbers = a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]
    return product


def _cross(a: Numbers, b: Numbers) -> Numbers:
    # np.cross moves axes about and costs several times as much on short arrays
    return np.stack(
        [
            a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1],
            a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2],
            a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0],
        ],
        axis=-1,
    )
