"""What must hold for every review: reversal, mirror image, scale; cures cure, variants pass."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import get_args

import pytest
from bend_review_bench import BENDER, STEEL, case, die, table
from hypothesis import given, settings
from hypothesis import strategies as st

from service.calc.bend_review import BendReview, bend_review
from service.calc.bend_rules import Check, Cure, ReviewCase, Rule, box_axes
from service.calc.bend_rules_clearance import clearance_checks
from service.calc.bend_rules_geometry import straight_for_fitting, trade_straight
from service.calc.clearance import self_clearance
from service.calc.developed_length import Ends, developed_length
from service.calc.drawn_run import (
    can_be_built,
    drawn_from_run,
    drawn_from_vertices,
    run_with_radii,
    straights,
)
from service.calc.mark_layout import Springback
from service.calc.review_suggestions import _stays_clear
from service.calc.run_geometry import mirror, reverse, vertices
from service.errors import GeometryError
from service.model import Bend, EndFitting, Run, Tube

RADII = (40.0, 60.0, 120.0)
FROM_END: dict[str, str] = {"end_1": "end_2", "end_2": "end_1"}


@st.composite
def runs(draw: st.DrawFn, *, most: int = 5, largest: float = 170.0) -> Run:
    count = draw(st.integers(1, most))
    bends = [
        Bend(
            draw(st.floats(0, 300)),
            math.radians(draw(st.floats(-179, 180))) if index else 0.0,
            math.radians(draw(st.floats(1, largest))),
            draw(st.sampled_from(RADII)),
        )
        for index in range(count)
    ]
    return Run(tuple(bends), draw(st.floats(0, 300)))


def told(review: BendReview, *, turned: int | None = None) -> list[tuple[object, ...]]:
    """Checks without their order; with ``turned`` bends, counted from the other end."""

    def other(number: int | None, count: int) -> int | None:
        return number if number is None or turned is None else count + 1 - number

    def key(check: Check) -> tuple[object, ...]:
        bends = turned or 0
        value = None if check.value is None else round(check.value.value, 6)
        end = check.end if turned is None or check.end is None else FROM_END[check.end]
        places = (other(check.bend, bends), other(check.straight, bends + 1))
        if check.rule.startswith("clearance"):
            places = (None, None)  # two equal places may be told by either of their parts
        return (check.rule, check.severity, value, *places, end)

    return sorted((key(check) for check in review.checks), key=repr)


@settings(deadline=None)
@given(runs())
def test_a_run_travelled_the_other_way_is_judged_alike(run: Run) -> None:
    forward = bend_review(case(run), most_variants=0)
    back = bend_review(case(reverse(run), work_from="end_2"), most_variants=0)
    assert told(back, turned=len(run.bends)) == told(forward)


@settings(deadline=None)
@given(runs())
def test_the_mirror_image_is_judged_alike(run: Run) -> None:
    assert told(bend_review(case(mirror(run)))) == told(bend_review(case(run)))


@settings(deadline=None)
@given(runs(most=3), st.floats(0.3, 3.0))
def test_a_scaled_run_on_a_scaled_bench_is_judged_alike(run: Run, scale: float) -> None:
    """Lengths scale together, so every severity stays; moments do not matter without strengths."""

    def scaled(one: Run, by: float) -> ReviewCase:
        bends = tuple(replace(b, straight=b.straight * by, radius=b.radius * by) for b in one.bends)
        dies = tuple(
            replace(
                die(radius),
                tube_outside_diameter=20 * by,
                radius=radius * by,
                clamp_length=45 * by,
                pressure_die_length=110 * by,
            )
            for radius in RADII
        )
        bender = replace(
            BENDER, largest_outside_diameter=25 * by, least_outside_diameter=6 * by, drive=None
        )
        bender = replace(bender, longest_tube=900 * by)
        bench = {"bender": bender, "dies": dies, "ratings": ()}
        tube = Tube(20 * by, 2 * by)
        return case(Run(bends, one.last_straight * by), bench=bench, tube=tube)

    plain, other = bend_review(scaled(run, 1.0)), bend_review(scaled(run, scale))
    margins = [c.margin.value for c in plain.checks if c.margin and c.rule != "clearance_to_itself"]
    # a margin of rounding size may fall on either side
    if all(margin == 0 or abs(margin) > 1e-6 for margin in margins):
        assert [(c.rule, c.severity) for c in other.checks] == [
            (c.rule, c.severity) for c in plain.checks
        ]


@settings(deadline=None)
@given(runs(), st.sampled_from([1.2, 2.0]))
def test_a_margin_is_below_nothing_where_a_limit_is_passed(run: Run, wall: float) -> None:
    for check in bend_review(case(run, tube=Tube(20.0, wall, STEEL)), most_variants=0).checks:
        if check.margin is None:
            continue
        if check.severity == "ok":
            assert check.margin.value >= -1e-6
        else:
            assert check.margin.value < 0


# --- cures ---------------------------------------------------------------------------------------


def cured(before: ReviewCase, check: Check, cure: Cure) -> ReviewCase | None:
    """The case with one cure applied, where it changes run, end or wall; else None."""
    value = cure.value.value if cure.value else 0.0
    if cure.change == "work_from" and cure.end is not None:
        return replace(before, work_from=cure.end)
    if cure.change in ("thicker_wall", "thinner_wall"):
        return case(before.run, work_from=before.work_from, tube=Tube(20.0, value, STEEL))
    if cure.change == "radius":
        near = {check.bend} if cure.straight is None else {cure.straight - 1, cure.straight}
        radii = [value if i in near else b.radius for i, b in enumerate(before.run.bends, 1)]
        return replace(before, run=run_with_radii(before.drawn, radii))
    return with_length(before, check, cure, value)


def with_length(before: ReviewCase, check: Check, cure: Cure, value: float) -> ReviewCase | None:
    """The case with one straight or one angle changed."""
    bends, last = list(before.run.bends), before.run.last_straight
    if cure.change == "straight" and cure.straight == len(bends) + 1:
        last = value
    elif cure.change == "straight" and cure.straight is not None:
        bends[cure.straight - 1] = replace(bends[cure.straight - 1], straight=value)
    elif cure.change == "angle" and check.bend is not None:
        bends[check.bend - 1] = replace(bends[check.bend - 1], angle=value)
    else:
        return None
    return case(Run(tuple(bends), last), work_from=before.work_from, tube=before.tube)


def same_place(checks: tuple[Check, ...], failed: Check, cure: Cure) -> list[Check]:
    """The checks that stand where one failed before; from the other end, of the same rule."""
    found = [check for check in checks if check.rule == failed.rule]
    if failed.rule == "straight_for_clamp":
        return [check for check in found if check.straight == failed.straight]
    if cure.change == "work_from":
        return found
    return [check for check in found if check.bend == failed.bend]


@settings(max_examples=80, deadline=None)
@given(runs(), st.sampled_from([1.0, 1.2, 2.0]), st.sampled_from(["end_1", "end_2"]))
def test_what_is_said_to_cure_a_place_cures_it(run: Run, wall: float, end: str) -> None:
    before = case(run, work_from=end, tube=Tube(20.0, wall, STEEL))
    for check in bend_review(before, most_variants=0).checks:
        for cure in check.cures:
            after = cured(before, check, cure)
            if after is None:
                continue
            found = same_place(bend_review(after, most_variants=0).checks, check, cure)
            assert not any(c.severity == "blocks" for c in found), (check, cure)


@settings(max_examples=60, deadline=None)
@given(runs())
def test_tube_left_on_at_an_end_cures_what_it_is_said_to(run: Run) -> None:
    for check in bend_review(case(run), most_variants=0).checks:
        for cure in check.cures:
            if cure.change != "end_length" or cure.value is None:
                continue
            more = cure.value.value
            ends = Ends(trim=more)
            after = case(run, ends=ends)
            if cure.end == "end_1":  # the front end: tube before the drawn one
                first = replace(run.bends[0], straight=run.bends[0].straight + more)
                after = case(Run((first, *run.bends[1:]), run.last_straight))
            found = same_place(bend_review(after, most_variants=0).checks, check, cure)
            assert all(c.severity != "blocks" for c in found)


@given(st.floats(0, 5), st.floats(0, 0.2), st.floats(40, 180))
def test_the_largest_angle_named_is_cranked_to_the_limit(
    constant: float, proportional: float, reach: float
) -> None:
    law = Springback(math.radians(constant), proportional)
    bench = {"bender": replace(BENDER, largest_angle=math.radians(reach))}
    before = case(table((200, 190), last=300), bench=bench, springback=(law,))
    check = next(c for c in bend_review(before).checks if c.rule == "set_angle")
    cure = next(c for c in check.cures if c.change == "angle")
    assert cure.value is not None
    after = case(
        table((200, math.degrees(cure.value.value)), last=300), bench=bench, springback=(law,)
    )
    found = next(c for c in bend_review(after).checks if c.rule == "set_angle")
    assert found.severity == "ok"
    assert found.margin is not None
    assert found.margin.value == pytest.approx(0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(runs(most=4, largest=185.0), st.sampled_from([1.2, 2.0]))
def test_a_variant_passes_when_it_is_reviewed_by_itself(run: Run, wall: float) -> None:
    tube = Tube(20.0, wall, STEEL)
    review = bend_review(case(run, tube=tube))
    assert not review.variants or review.verdict == "cannot_be_made"
    for variant in review.variants:
        again = Run(variant.run.bends, variant.run.last_straight)
        own = bend_review(case(again, work_from=variant.work_from, tube=tube))
        assert own.verdict != "cannot_be_made"
        assert own.needs_care == variant.needs_care
        length = developed_length(again, Tube(20.0, 2.0), ends=Ends()).cut_length
        assert variant.cut_length == pytest.approx(length, abs=1e-9)
        assert own.cut_length == pytest.approx(length, abs=1e-9)


def test_the_other_end_alone_is_the_nearest_variant() -> None:
    """A short end that cannot be gripped first: nothing else needs to change."""
    run = Run((Bend(30.0, 0.0, math.pi / 2, 60.0),), 300.0)
    review = bend_review(case(run))
    first = review.variants[0]
    assert (first.work_from, first.end_changed, first.changes) == ("end_2", True, ())
    back = bend_review(case(reverse(run), work_from="end_2")).variants[0]
    assert (back.work_from, back.end_changed, back.changes) == ("end_1", True, ())


def test_fewer_changes_come_first() -> None:
    """Straights of 30 mm between three bends: each bend that can be left alone is left alone."""
    right = math.pi / 2
    rows = [
        Bend(200.0, 0.0, right, 60.0),
        Bend(30.0, 2.0, right, 60.0),
        Bend(200.0, 1.0, right, 60.0),
    ]
    found = bend_review(case(Run(tuple(rows), 300.0)), most_variants=10).variants
    changes = [len(v.changes) + v.end_changed for v in found]
    assert changes[0] == 1
    assert changes == sorted(changes)
    # the last bend has long straights on both sides: no variant with fewer changes touches it
    assert all(change.bend != 3 for v in found if len(v.changes) == 1 for change in v.changes)


@settings(max_examples=60, deadline=None)
@given(runs(most=3, largest=150.0))
def test_a_variant_keeps_the_intersection_points(run: Run) -> None:
    for variant in bend_review(case(run)).variants:
        again = Run(variant.run.bends, variant.run.last_straight)
        assert vertices(again) == pytest.approx(vertices(run), abs=1e-6)


@settings(max_examples=150, deadline=None)
@given(
    runs(largest=150.0),
    st.lists(st.sampled_from(RADII), min_size=5, max_size=5),
    st.floats(0, 1),
)
def test_runs_said_to_stay_clear_do(run: Run, radii: list[float], share: float) -> None:
    """The bound that spares a clearance never passes a run whose clearance fails.

    What is wanted is set just below what the drawn run has, so that the bound is put to the test.
    """
    plain, wanted = case(run), tuple(radii[: len(run.bends)])
    nearest = self_clearance(run, 20.0).nearest
    other = run_with_radii(plain.drawn, wanted)
    if nearest is None or nearest.clearance <= 0 or not can_be_built(other):
        return
    moves = [
        abs(r - b.radius) * math.tan(b.angle / 2) for r, b in zip(radii, run.bends, strict=False)
    ]
    drawn = replace(plain, clearance=max(nearest.clearance - 2 * share * max(moves), 0.0))
    room = clearance_checks(drawn).room
    assert room is not None
    if _stays_clear(room, drawn, wanted):
        found = self_clearance(other, 20.0).nearest
        assert found is None or found.clearance >= drawn.clearance - 1e-6


def test_the_bound_on_clearance_is_reached() -> None:
    """A U of two right angles: from radius 40 to 60 mm a point moves 20·tan 45° = 20 mm at most."""
    run = Run(
        (
            Bend(200, 0.0, math.pi / 2, 40.0),
            Bend(80, 0.0, math.pi / 2, 40.0),
        ),
        200,
    )
    drawn = case(run)
    room = clearance_checks(drawn).room
    assert room is not None
    # legs 160 mm apart leave 140 mm; two places with half a turn between are at least 80 mm apart
    assert room.to_itself == pytest.approx((80 - 20) / 2)
    assert _stays_clear(room, drawn, (60.0, 60.0))
    assert not _stays_clear(room, drawn, (120.0, 120.0))


# --- small parts ---------------------------------------------------------------------------------


@given(runs(largest=150.0))
def test_legs_and_radii_give_the_run_back(run: Run) -> None:
    drawn = drawn_from_run(run)
    again = run_with_radii(drawn, drawn.radii)
    assert [b.straight for b in again.bends] == pytest.approx(
        [b.straight for b in run.bends], abs=1e-9
    )
    assert again.last_straight == pytest.approx(run.last_straight, abs=1e-9)


@given(st.floats(180, 350), st.sampled_from(RADII))
def test_a_bend_without_a_vertex_keeps_its_straights(degrees: float, radius: float) -> None:
    drawn = drawn_from_run(table((200, degrees), last=300))
    assert straights(drawn, [radius]) == (200, 300)
    assert drawn.legs == (200, 300)


@given(runs(largest=150.0))
def test_vertices_and_bend_table_have_the_same_legs(run: Run) -> None:
    points = [(float(x), float(y), float(z)) for x, y, z in vertices(run)]
    try:
        drawn = drawn_from_vertices(points, [b.radius for b in run.bends])
    except GeometryError:
        return  # vertices that all but coincide are no drawing
    assert drawn.legs == pytest.approx(drawn_from_run(run).legs, abs=1e-6)
    left = straights(drawn, drawn.radii)
    assert left[-1] == pytest.approx(run.last_straight, abs=1e-6)


@given(st.floats(1, 100), st.floats(0.6, 50))
def test_the_trades_straight_never_falls_as_the_radius_tightens(od: float, ratio: float) -> None:
    wide, tight = trade_straight(od, ratio * od * 1.5), trade_straight(od, ratio * od)
    assert tight.least >= wide.least
    assert tight.wanted >= tight.least


@given(st.floats(0, 100), st.floats(0, 100), st.floats(0, 100))
def test_a_fitting_takes_no_less_than_any_of_its_parts(
    insertion: float, nut: float, tool: float
) -> None:
    for kind in ("flare", "cone_24", "compression"):
        one = EndFitting("x", "x", kind, 20.0, insertion, nut, tool)
        needed = straight_for_fitting(one)
        assert needed is not None
        assert needed >= max(insertion + nut, tool + nut)
        assert straight_for_fitting(replace(one, least_straight=1.0)) == 1.0
    assert straight_for_fitting(EndFitting("x", "x", "flare", 20.0)) is None


@given(st.tuples(*[st.floats(-10, 10)] * 3), st.tuples(*[st.floats(-10, 10)] * 3))
def test_axes_of_a_box_are_square_and_right_handed(
    x: tuple[float, float, float], y: tuple[float, float, float]
) -> None:
    try:
        axes = box_axes(x, y)
    except GeometryError:
        return
    for i, one in enumerate(axes):
        for j, other in enumerate(axes):
            dot = sum(a * b for a, b in zip(one, other, strict=True))
            assert dot == pytest.approx(float(i == j), abs=1e-6)
    (a, b, c), (d, e, f), z = axes
    assert (b * f - c * e, c * d - a * f, a * e - b * d) == pytest.approx(z, abs=1e-6)


def test_every_rule_has_its_own_name() -> None:
    assert len(set(get_args(Rule))) == len(get_args(Rule))
