"""Mark layout and developed length: reversal, scaling, additivity, rounding, springback."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.calc.developed_length import Allowance, Ends, Tolerances, developed_length
from service.calc.mark_layout import Bench, Springback, mark_layout
from service.calc.run_geometry import developed_length as plain_length
from service.calc.run_geometry import mirror, reverse
from service.model import Bend, Run, Tube

TUBE = Tube(12.0, 1.5)
BENCH = Bench()

bends = st.builds(
    Bend,
    straight=st.floats(0, 800),
    rotation=st.floats(-math.pi + 1e-9, math.pi),
    angle=st.floats(0.01, math.pi),
    radius=st.floats(12, 200),
)


@st.composite
def runs(draw: st.DrawFn) -> Run:
    rows = draw(st.lists(bends, min_size=1, max_size=8))
    first = Bend(rows[0].straight, 0.0, rows[0].angle, rows[0].radius)
    return Run((first, *rows[1:]), draw(st.floats(0.1, 800)))


def scaled(run: Run, k: float) -> Run:
    rows = tuple(Bend(b.straight * k, b.rotation, b.angle, b.radius * k) for b in run.bends)
    return Run(rows, run.last_straight * k)


@given(runs())
def test_marks_from_end_2_mirror_those_from_end_1(run: Run) -> None:
    one = mark_layout(run, TUBE, bench=BENCH)
    two = mark_layout(run, TUBE, bench=BENCH, measured_from="end_2")
    length = one.cut_length.exact
    for a, b in zip(one.bends, reversed(two.bends), strict=True):
        assert a.bend == b.bend
        assert a.start.exact == pytest.approx(length - b.end.exact, abs=1e-7)
        assert a.end.exact == pytest.approx(length - b.start.exact, abs=1e-7)


@given(runs(), st.floats(0, 0.1))
def test_from_end_2_is_the_reversed_run_from_end_1(run: Run, stretch: float) -> None:
    two = mark_layout(run, TUBE, bench=BENCH, measured_from="end_2", stretch=stretch)
    back = mark_layout(reverse(run), TUBE, bench=BENCH, stretch=stretch)
    for a, b in zip(two.bends, back.bends, strict=True):
        assert a.start == b.start
        assert a.rotation == b.rotation


@given(runs())
def test_mirror_image_keeps_marks_and_turns_rotations_round(run: Run) -> None:
    one = mark_layout(run, TUBE, bench=BENCH)
    other = mark_layout(mirror(run), TUBE, bench=BENCH)
    for a, b in zip(one.bends, other.bends, strict=True):
        assert a.start == b.start
        turned = math.remainder(a.rotation.angle + b.rotation.angle, 2 * math.pi)
        assert turned == pytest.approx(0, abs=1e-9)


@given(runs(), st.floats(0.8, 3))
def test_lengths_scale_with_the_run(run: Run, k: float) -> None:
    one = mark_layout(run, TUBE, bench=BENCH)
    big = mark_layout(scaled(run, k), Tube(12.0 * k, 1.5 * k), bench=BENCH)
    for a, b in zip(one.bends, big.bends, strict=True):
        assert b.start.exact == pytest.approx(k * a.start.exact, rel=1e-9, abs=1e-9)
        assert b.rotation.arc.exact == pytest.approx(k * a.rotation.arc.exact, rel=1e-9, abs=1e-9)


@given(runs())
def test_as_you_go_adds_up_to_the_marks_from_the_end(run: Run) -> None:
    fixed = mark_layout(run, TUBE, bench=BENCH)
    going = mark_layout(run, TUBE, bench=BENCH, measure="as_you_go")
    end = 0.0
    for a, b in zip(fixed.bends, going.bends, strict=True):
        assert end + b.start.exact == pytest.approx(a.start.exact, abs=1e-7)
        end += b.end.exact


@given(runs(), st.floats(0.05, 5))
def test_bench_value_is_within_half_a_step(run: Run, step: float) -> None:
    layout = mark_layout(run, TUBE, bench=Bench(1.0, step))
    for marks in layout.bends:
        for mark in (marks.start, marks.arc_centre, marks.end, marks.rotation.arc):
            assert abs(mark.exact - mark.bench) <= step / 2 * (1 + 1e-9)
            assert mark.bench / step == pytest.approx(round(mark.bench / step), abs=1e-6)


@given(runs(), st.floats(0, 0.05), st.floats(0, 0.2))
def test_cranking_then_springing_back_is_the_identity(run: Run, a: float, b: float) -> None:
    layout = mark_layout(run, TUBE, bench=BENCH, springback=[Springback(a, b)])
    for marks in layout.bends:
        crank = marks.crank.exact
        assert crank - (a + b * crank) == pytest.approx(marks.angle, abs=1e-12)


@given(runs(), st.floats(-5, 20), st.floats(-5, 20), st.floats(0, 0.1))
def test_cut_length_is_the_sum_of_its_parts(run: Run, one: float, two: float, s: float) -> None:
    ends = Ends((Allowance("flare", one),), (Allowance("insertion", two),), 25.0)
    answer = developed_length(run, TUBE, s, ends)
    parts = math.fsum(p.length for p in answer.straights) + math.fsum(a.arc for a in answer.bends)
    assert answer.developed_length == pytest.approx(parts, rel=1e-12)
    assert answer.developed_length == pytest.approx(plain_length(run), rel=1e-12)
    stretch = s * math.fsum(a.arc for a in answer.bends)
    assert answer.cut_length == pytest.approx(parts - stretch + one + two + 25.0, rel=1e-9)
    layout = mark_layout(run, TUBE, bench=BENCH, stretch=s, ends=ends)
    assert layout.cut_length.exact == answer.cut_length


@given(runs())
def test_developed_length_is_the_same_from_both_ends(run: Run) -> None:
    one, two = developed_length(run, TUBE), developed_length(reverse(run), TUBE)
    assert one.developed_length == pytest.approx(two.developed_length, rel=1e-12)


@given(runs(), st.floats(0, 1), st.floats(0, 0.02), st.floats(0, 1))
def test_worst_case_bounds_a_really_disturbed_run(
    run: Run, straight: float, angle: float, radius: float
) -> None:
    worst = developed_length(run, TUBE, tolerances=Tolerances(straight, angle, radius)).tolerance
    assert worst is not None
    assert worst.root_sum_square <= worst.worst_case * (1 + 1e-12)
    off = tuple(
        Bend(b.straight + straight, b.rotation, b.angle + angle, b.radius + radius)
        for b in run.bends
    )
    error = plain_length(Run(off, run.last_straight + straight)) - plain_length(run)
    second_order = len(run.bends) * angle * radius
    assert error == pytest.approx(worst.worst_case + second_order, rel=1e-9, abs=1e-7)
