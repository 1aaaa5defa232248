"""Laws that least distances and clearances must keep: symmetry, motion, scale, subdivision."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from service.calc.centre_line_distance import Numbers, Parts, pair_distances
from service.calc.clearance import SelfClearance, self_clearance
from service.calc.run_geometry import mirror, reverse
from service.model import Bend, Run

EXACT = 1e-6  # mm
COORDINATE = st.floats(-300, 300)
VECTORS = st.tuples(COORDINATE, COORDINATE, COORDINATE).map(np.array)
TURNS = st.tuples(*[st.floats(-3.2, 3.2)] * 3).map(np.array)
STRAIGHTS = st.one_of(st.just(0.0), st.floats(1, 300))
# right angles and whole numbers make parallel legs, coaxial bends and exact crossings
ANGLES = st.one_of(st.sampled_from([45.0, 90.0, 180.0]), st.floats(5, 330)).map(math.radians)
ROTATIONS = st.one_of(st.sampled_from([0.0, 90.0, -90.0, 180.0]), st.floats(-179, 179)).map(
    math.radians
)
RADII = st.sampled_from([12.0, 20.0, 45.0, 60.0])


@st.composite
def parts(draw: st.DrawFn) -> Parts:
    """One straight or one arc, anywhere."""
    u, v, _ = Rotation.from_rotvec(draw(TURNS)).as_matrix()
    if draw(st.booleans()):
        return _part(draw(VECTORS), u, 0 * v, 0.0, draw(st.floats(0.01, 500)))
    radius = draw(st.floats(5, 200))
    return _part(draw(VECTORS), u, v, radius, radius * draw(st.floats(0.01, 6.2)))


@st.composite
def runs(draw: st.DrawFn) -> Run:
    count = draw(st.integers(1, 6))
    bends = [
        Bend(draw(STRAIGHTS), draw(ROTATIONS) if i else 0.0, draw(ANGLES), draw(RADII))
        for i in range(count)
    ]
    return Run(tuple(bends), draw(STRAIGHTS))


def _part(origin: Numbers, u: Numbers, v: Numbers, radius: float, length: float) -> Parts:
    return Parts(origin[None], u[None], v[None], np.array([radius]), np.array([length]))


def _distance(a: Parts, b: Parts) -> float:
    return float(pair_distances(a, b).distance[0])


def _moved(part: Parts, turn: Numbers, shift: Numbers) -> Parts:
    spin = Rotation.from_rotvec(turn).as_matrix()
    return replace(part, origin=part.origin @ spin.T + shift, u=part.u @ spin.T, v=part.v @ spin.T)


def _cut(part: Parts, share: float) -> tuple[Parts, Parts]:
    """The same part in two."""
    at, length = part.length * share, part.length
    point, tangent, _ = (of[:, 0] for of in part.at(at[:, None]))
    first = replace(part, length=at)
    if part.radius[0] == 0:
        return first, replace(part, origin=point, length=length - at)
    outward = (point - part.origin) / part.radius[:, None]
    return first, replace(part, u=outward, v=tangent, length=length - at)


# --- pairs of parts ----------------------------------------------------------------------------


@given(parts(), parts())
def test_distance_is_symmetric(a: Parts, b: Parts) -> None:
    assert _distance(a, b) == pytest.approx(_distance(b, a), abs=EXACT)


@given(parts(), parts(), TURNS, VECTORS)
def test_distance_does_not_change_when_both_move(
    a: Parts, b: Parts, turn: Numbers, shift: Numbers
) -> None:
    moved = _distance(_moved(a, turn, shift), _moved(b, turn, shift))
    assert moved == pytest.approx(_distance(a, b), abs=EXACT)


@given(parts(), parts(), st.floats(0.1, 10))
def test_distance_scales(a: Parts, b: Parts, factor: float) -> None:
    scaled = (
        replace(p, origin=p.origin * factor, radius=p.radius * factor, length=p.length * factor)
        for p in (a, b)
    )
    assert _distance(*scaled) == pytest.approx(factor * _distance(a, b), abs=EXACT * factor + 1e-7)


@given(parts(), parts(), VECTORS)
def test_moving_one_part_changes_distance_by_no_more_than_it_moved(
    a: Parts, b: Parts, shift: Numbers
) -> None:
    moved = _distance(a, replace(b, origin=b.origin + shift / 100))
    assert abs(moved - _distance(a, b)) <= np.linalg.norm(shift) / 100 + EXACT


@given(parts(), parts())
def test_places_returned_are_on_the_parts_at_that_distance(a: Parts, b: Parts) -> None:
    found = pair_distances(a, b)
    assert 0 <= found.x_a[0] <= a.length[0]
    assert 0 <= found.x_b[0] <= b.length[0]
    apart = b.points(found.x_b[:, None]) - a.points(found.x_a[:, None])
    assert np.linalg.norm(apart) == pytest.approx(found.distance[0], abs=1e-9)


@given(parts(), parts())
def test_no_two_points_are_nearer(a: Parts, b: Parts) -> None:
    share = np.linspace(0, 1, 60)
    p, q = (part.points(share * part.length[0] * np.ones((1, 1)))[0] for part in (a, b))
    assert _distance(a, b) <= np.linalg.norm(p[:, None] - q, axis=2).min() + EXACT


@given(parts(), parts(), st.floats(0.05, 0.95))
def test_a_part_cut_in_two_is_as_near(a: Parts, b: Parts, share: float) -> None:
    assert min(_distance(half, b) for half in _cut(a, share)) == pytest.approx(
        _distance(a, b), abs=EXACT
    )


@given(parts(), parts(), st.data())
def test_parts_moved_to_share_a_point_have_no_distance(
    a: Parts, b: Parts, data: st.DataObject
) -> None:
    at_a, at_b = (np.array([[data.draw(st.floats(0, 1)) * p.length[0]]]) for p in (a, b))
    onto = a.points(at_a)[:, 0] - b.points(at_b)[:, 0]
    assert _distance(a, replace(b, origin=b.origin + onto)) < EXACT


@given(parts(), VECTORS, TURNS)
def test_a_very_large_arc_is_nearly_a_straight(a: Parts, start: Numbers, turn: Numbers) -> None:
    length, radius = 300.0, 1e7
    u, v, _ = Rotation.from_rotvec(turn).as_matrix()
    straight = _part(start, v, 0 * v, 0.0, length)
    arc = _part(start - radius * u, u, v, radius, length)
    # sagitta of the whole arc from its tangent: L²/(2R) = 4.5 µm
    assert _distance(a, arc) == pytest.approx(_distance(a, straight), abs=6e-3)


def test_all_pairs_at_once_are_as_one_by_one() -> None:
    source = np.random.default_rng(3)
    spins = Rotation.random(40, rng=source).as_matrix()
    bent = source.random(40) < 0.5
    radius = np.where(bent, source.uniform(10, 100, 40), 0.0)
    length = np.where(bent, radius * source.uniform(0.1, 6, 40), source.uniform(1, 300, 40))
    many = Parts(
        source.normal(size=(40, 3)) * 80, spins[:, 0], spins[:, 1] * bent[:, None], radius, length
    )
    a, b = np.triu_indices(40, 1)
    together = pair_distances(many.take(a), many.take(b)).distance
    for i, j, distance in zip(a[::7], b[::7], together[::7], strict=True):
        alone = _distance(many.take(np.array([i])), many.take(np.array([j])))
        assert distance == pytest.approx(alone, abs=1e-9)


# --- a tube and itself -------------------------------------------------------------------------


def _least(answer: SelfClearance) -> float:
    return answer.nearest.distance if answer.nearest else math.inf


# a saddle: the last bend is nearest to the second one way round and furthest the other way
SADDLE = Run(
    tuple(
        Bend(0.0, math.radians(rotation), math.radians(angle), radius)
        for rotation, angle, radius in (
            (0, 88, 20.0),
            (22, 90, 45.0),
            (90, 90, 12.0),
            (0, 45, 20.0),
            (90, 45, 12.0),
        )
    ),
    0.0,
)


@given(runs())
@example(SADDLE)
def test_reversed_run_has_the_same_clearance(run: Run) -> None:
    there, back = self_clearance(run, 1.0), self_clearance(reverse(run), 1.0)
    assert _least(there) == pytest.approx(_least(back), abs=EXACT)


@given(runs())
def test_mirror_image_has_the_same_clearance(run: Run) -> None:
    there, mirrored = self_clearance(run, 1.0), self_clearance(mirror(run), 1.0)
    assert _least(there) == pytest.approx(_least(mirrored), abs=EXACT)


@given(runs(), st.floats(0.3, 3))
def test_clearance_scales_with_run_and_tube(run: Run, factor: float) -> None:
    larger = Run(
        tuple(
            replace(b, straight=b.straight * factor, radius=b.radius * factor) for b in run.bends
        ),
        run.last_straight * factor,
    )
    scaled = self_clearance(larger, factor)
    assert _least(scaled) == pytest.approx(factor * _least(self_clearance(run, 1.0)), abs=1e-5)


@given(runs(), st.integers(0, 5), st.floats(0.1, 0.9))
def test_a_bend_made_as_two_has_the_same_clearance(run: Run, which: int, share: float) -> None:
    """Clearance belongs to the tube, not to the table: the cut adds a zero straight and a part."""
    which %= len(run.bends)
    whole = run.bends[which]
    halves = (
        replace(whole, angle=whole.angle * share),
        Bend(0.0, 0.0, whole.angle * (1 - share), whole.radius),
    )
    cut = replace(run, bends=(*run.bends[:which], *halves, *run.bends[which + 1 :]))
    assert _least(self_clearance(cut, 1.0)) == pytest.approx(
        _least(self_clearance(run, 1.0)), abs=EXACT
    )


@given(runs(), st.floats(0.1, 0.9999))
def test_below_half_a_turn_nothing_can_meet(run: Run, share: float) -> None:
    fewer = share * math.pi / max(sum(b.angle for b in run.bends), math.pi)
    slight = tuple(replace(b, angle=b.angle * fewer) for b in run.bends)
    assert self_clearance(replace(run, bends=slight), 20.0, least=50.0).nearest is None


@given(runs(), st.floats(1, 20), st.floats(0, 200))
def test_clearance_is_distance_less_diameter_and_all_below_the_least_are_listed(
    run: Run, outside_diameter: float, least: float
) -> None:
    answer = self_clearance(run, outside_diameter, least)
    if answer.nearest is None:
        assert answer.below == ()
        return
    assert answer.nearest.clearance == pytest.approx(answer.nearest.distance - outside_diameter)
    assert all(f.clearance < least or f.clearance < 0 for f in answer.below)
    assert (answer.nearest in answer.below) == (answer.nearest.clearance < least)
