"""What a clearance answer holds and what is refused, case by case."""

from __future__ import annotations

import math

import numpy as np
import pytest
from model_runs import plane_run, run_of_table
from oracles.random_runs import run_of

from service.calc import clearance
from service.calc.centre_line_distance import Indices, Parts, parts_from_frames
from service.calc.clearance import self_clearance
from service.calc.run_geometry import frames, placed, placement
from service.errors import OutOfRangeError
from service.model import Run

LOOP = plane_run((300, 90, 50), (100, 90, 50), (100, 90, 50), last=110)


def test_clearance_below_what_was_asked_is_listed() -> None:
    answer = self_clearance(LOOP, 10.0, least=35.0)
    assert answer.below == (answer.nearest,)
    assert answer.below[0].clearance == pytest.approx(30.0)


def test_enough_clearance_is_not_listed() -> None:
    answer = self_clearance(LOOP, 10.0, least=29.0)
    assert answer.below == ()
    assert answer.nearest is not None


def test_tube_thicker_than_the_gap_is_listed_unasked() -> None:
    answer = self_clearance(LOOP, 42.0)
    assert answer.below[0].clearance == pytest.approx(-2.0)


def test_place_that_belongs_to_two_parts_is_listed_once() -> None:
    """The tube ends 40 mm above the tangent point of bend 1, which ends one part and begins one."""
    run = plane_run((150, 90, 100), (100, 90, 20), (60, 90, 20), last=160)
    (near,) = self_clearance(run, 10.0, least=40.0).below
    assert near.distance == pytest.approx(40.0)
    assert near.position_a == pytest.approx(150.0)


def test_radius_within_the_tube_is_refused() -> None:
    with pytest.raises(OutOfRangeError) as refused:
        self_clearance(plane_run((50, 180, 5), last=50), 10.0)
    assert refused.value.field == ("run", "bends", 0, "radius")


def test_points_follow_the_frames_given() -> None:
    """A loop placed in a drawing is as near to itself, at the places of the drawing."""
    place = placement([(10.0, 20.0, 30.0), (10.0, 20.0, 430.0), (10.0, 120.0, 430.0)])
    here = self_clearance(LOOP, 10.0).nearest
    there = self_clearance(LOOP, 10.0, at=placed(frames(LOOP), place)).nearest
    assert here is not None
    assert there is not None
    assert there.distance == pytest.approx(here.distance)
    # end 1 leads along +z here, and the first bend turns towards +y
    x, y, _ = here.point_b
    assert there.point_b == pytest.approx((10.0, 20.0 + y, 30.0 + x))


def test_straight_tube_and_empty_run() -> None:
    assert self_clearance(Run((), 500.0), 10.0).nearest is None
    assert self_clearance(Run((), 0.0), 10.0).nearest is None


@pytest.mark.parametrize("degrees", [1, 60, 180, 181, 270, 350])
def test_no_point_of_an_arc_leaves_its_chord_by_more_than_the_bound(degrees: float) -> None:
    run = plane_run((0, degrees, 30), last=0)
    arc = parts_from_frames(frames(run), run).take(np.array([1]))
    chord, bulge = clearance._chords(arc)
    points = arc.points(np.linspace(0, arc.length[0], 500)[None])
    away = points - chord.points(chord.nearest(points))
    assert np.linalg.norm(away, axis=2).max() == pytest.approx(bulge[0], rel=1e-4)


def _all_pairs(parts: Parts) -> tuple[Indices, Indices]:
    there = np.nonzero(parts.length > clearance.SHORTEST_PART)[0]
    a, b = np.triu_indices(len(there))
    return there[a], there[b]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("longest", [20.0, 100.0])
def test_pairs_are_left_out_only_where_nothing_can_be_found(
    seed: int, longest: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Filters and bounds save time; with all pairs tried the answer must be the same."""
    run = run_of_table(run_of(12, seed, longest_straight=longest))
    monkeypatch.setattr(clearance, "FIRST_BATCH", 2)
    quick = self_clearance(run, 10.0, least=20.0)
    monkeypatch.setattr(clearance, "FIRST_BATCH", 10**6)
    monkeypatch.setattr(clearance, "_pairs_that_may_approach", _all_pairs)
    thorough = self_clearance(run, 10.0, least=20.0)
    assert [f.distance for f in quick.below] == pytest.approx([f.distance for f in thorough.below])
    assert (quick.nearest is None) == (thorough.nearest is None)
    if quick.nearest and thorough.nearest:
        assert quick.nearest.distance == pytest.approx(thorough.nearest.distance, abs=1e-6)


def test_a_run_wound_up_on_itself_is_answered_with_the_nearest_places() -> None:
    """Sixty corners in one plane: the same ring fifteen times over, in its own way everywhere."""
    ring = plane_run((0, 90, 30), *[(40, 90, 30)] * 59, last=40)
    below = self_clearance(ring, 10.0).below
    assert len(below) == clearance.MOST_LISTED
    assert all(f.distance == pytest.approx(0.0, abs=1e-6) for f in below)


def test_many_bends_are_worked_through_in_batches() -> None:
    """A spring of 60 half turns: only the lower bounds keep this from trying every pair."""
    spring = plane_run((0, 180, 30), *[(0, 180, 30)] * 59, last=0, roll=6)
    nearest = self_clearance(spring, 1.0).nearest
    assert nearest is not None
    assert 0 < nearest.distance < 60
    assert math.isfinite(nearest.clearance)


def test_an_approach_found_in_parts_that_meet_is_listed_once() -> None:
    """Wound up, the last straight lies in the first: their valley has two ends, 40 and 100 mm."""
    answer = self_clearance(plane_run((100, 180, 40), (60, 180, 40), last=200), 20.0)
    places = [(near.position_a, near.position_b) for near in answer.below]
    round_the_loop = 60 + 2 * math.pi * 40
    assert len(places) == 2
    for place, a in zip(places, (40, 100), strict=True):
        assert place == pytest.approx((a, a + 60 + round_the_loop), abs=1e-3)
