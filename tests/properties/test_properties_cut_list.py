"""Properties that any cut list has, whatever the plan: pieces, bars, lengths, order, bound.

Optimality on tiny lists is checked against an exhaustive search in whole numbers that uses no
linear programme (``oracles.cutting_patterns``).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from oracles.cutting_patterns import Kind, least_price_by_search

from service.calc.cut_list import (
    BarPattern,
    CutJob,
    CutList,
    Part,
    Remnant,
    Saw,
    Search,
    SeveralRefusedError,
    StockLength,
    TubeCutList,
    cut_list,
)
from service.calc.cutting_stock import (
    BarKind,
    CuttingStock,
    best_fit_decreasing,
    first_fit_decreasing,
    l2_bound,
    material_bound,
)
from service.calc.cutting_stock_search import (
    Meter,
    knapsack,
    linear_bound,
    lower_bound,
    next_sum,
    solve,
)
from service.errors import NotDeterminedError, OutOfRangeError

SECONDS = 0.3
# no two sums of lengths on the 0.1 mm grid lie closer than that
CLOSE = 1e-6


def tenths(least: int, most: int) -> st.SearchStrategy[float]:
    return st.integers(least, most).map(lambda n: n / 10)


@st.composite
def jobs(draw: st.DrawFn, groups: int = 3) -> CutJob:
    tubes = draw(st.sampled_from([("A",), ("A", "B")]))
    parts = [
        Part(
            f"p{i}",
            draw(tenths(500, 29_000)),
            draw(st.integers(1, 6)),
            tubes[i % len(tubes)],
            draw(st.integers(1, groups)),
        )
        for i in range(draw(st.integers(len(tubes), 7)))
    ]
    saw = Saw(
        draw(st.sampled_from([0.0, 1.1, 3.0])),
        draw(tenths(0, 5_000)),
        draw(st.sampled_from([0.0, 12.5])),
        draw(st.sampled_from([0.0, 4.0])),
        draw(st.booleans()),
    )
    priced = draw(st.booleans())
    stock = [
        StockLength(
            f"s{tube}{k}",
            draw(tenths(30_000, 65_000)) + 20,
            tube,
            draw(st.sampled_from([None, None, 1, 4])) if k else None,
            draw(st.integers(100, 9_999)) / 100 if priced else None,
        )
        for tube in tubes
        for k in range(draw(st.integers(1, 3)))
    ]
    remnants = [
        Remnant(
            f"r{k}",
            draw(tenths(400, 40_000)),
            draw(st.sampled_from(tubes)),
            draw(st.integers(1, 2)),
        )
        for k in range(draw(st.integers(0, 3)))
    ]
    return CutJob(tuple(parts), tuple(stock), saw, tuple(remnants), {"A": 8.9e-4}, Search(SECONDS))


def patterns(result: CutList) -> list[tuple[TubeCutList, BarPattern]]:
    return [(tube, pattern) for tube in result.tubes for pattern in tube.patterns]


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_every_piece_is_cut_exactly_as_often_as_asked(job: CutJob) -> None:
    cut: Counter[tuple[str, int]] = Counter()
    for _, pattern in patterns(cut_list(job)):
        for piece in pattern.pieces:
            cut[piece.part, pattern.due_group] += piece.count * pattern.times
    assert cut == Counter({(p.id, p.due_group): p.quantity for p in job.parts})


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_no_bar_is_overfull_and_its_lengths_add_up(job: CutJob) -> None:
    for _, bar in patterns(cut_list(job)):
        n = sum(piece.count for piece in bar.pieces)
        pieces = sum(piece.length * piece.count for piece in bar.pieces)
        assert pieces + (n - 1) * job.saw.kerf + bar.trim <= bar.bar_length + CLOSE
        assert pieces + bar.kerf + bar.trim + bar.rest == pytest.approx(bar.bar_length, abs=CLOSE)
        assert (n - 1) * job.saw.kerf - CLOSE <= bar.kerf <= n * job.saw.kerf + CLOSE
        if job.saw.part_last_piece:
            assert bar.kerf == pytest.approx(n * job.saw.kerf, abs=CLOSE)


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_no_more_bars_are_taken_than_there_are(job: CutJob) -> None:
    taken: Counter[tuple[str, str, str]] = Counter()
    for tube, bar in patterns(cut_list(job)):
        taken[tube.tube, bar.source, bar.source_id] += bar.times
    for line in job.stock:
        most = math.inf if line.count is None else line.count
        assert taken[line.tube, "stock", line.id] <= most
    for remnant in job.remnants:
        assert taken[remnant.tube, "remnant", remnant.id] <= remnant.count


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_rests_are_cut_only_by_later_groups_and_only_where_useful(job: CutJob) -> None:
    for tube in cut_list(job).tubes:
        numbered = {bar.number: bar for bar in tube.patterns}
        fed: Counter[int] = Counter()
        for bar in tube.patterns:
            if bar.from_pattern is not None:
                parent = numbered[bar.from_pattern]
                assert parent.due_group < bar.due_group
                assert parent.rest == bar.bar_length >= job.saw.least_remnant
                fed[parent.number] += bar.times
        assert all(fed[n] == bar.rests_cut_later <= bar.times for n, bar in numbered.items())


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_length_and_mass_are_accounted_for(job: CutJob) -> None:
    for tube in cut_list(job).tubes:
        went = tube.lengths
        out = went.parts + went.kerf + went.trim + went.scrap + went.returned
        assert went.stock + went.remnants == pytest.approx(out, abs=1e-5)
        back = sum(one.length * one.count for one in tube.remnants_returned)
        assert back == pytest.approx(went.returned, abs=1e-5)
        if tube.masses is not None:
            assert tube.masses.parts == pytest.approx(8.9e-4 * went.parts)


@settings(max_examples=60, deadline=None)
@given(jobs())
def test_the_bound_is_never_above_the_plan(job: CutJob) -> None:
    for tube in cut_list(job).tubes:
        for bound in (tube.bound, *(group.bound for group in tube.due_groups)):
            assert 0 <= bound.lower_bound <= bound.value
            assert bound.gap == pytest.approx(bound.value - bound.lower_bound)
            assert bound.proven_optimal == (bound.gap == 0)
        assert tube.bound.value == pytest.approx(sum(g.bound.value for g in tube.due_groups))


@settings(max_examples=25, deadline=None)
@given(jobs(groups=1), st.randoms(use_true_random=False))
def test_the_order_of_the_lines_does_not_matter(job: CutJob, random: object) -> None:
    lines = list(job.parts)
    random.shuffle(lines)  # type: ignore[attr-defined]
    a, b = cut_list(job), cut_list(replace(job, parts=tuple(lines)))
    values = [{tube.tube: tube.bound for tube in result.tubes} for result in (a, b)]
    assert {k: v.value for k, v in values[0].items()} == {k: v.value for k, v in values[1].items()}


@settings(max_examples=25, deadline=None)
@given(jobs(groups=1))
def test_a_list_without_due_groups_is_bounded_by_any_split_of_it(job: CutJob) -> None:
    # cutting in two instalments can only cost more than the proven bound of the whole
    split = tuple(replace(p, due_group=i) for i, p in enumerate(job.parts))
    whole, parted = cut_list(job), cut_list(replace(job, parts=split))
    for one, two in zip(whole.tubes, parted.tubes, strict=True):
        assert one.bound.lower_bound <= two.bound.value + 1e-9


# --- the cutting stock problem itself ------------------------------------------------------------


PRICES = st.one_of(
    st.integers(1, 10**7).map(lambda n: 5 + n / 10**5),
    st.integers(1, 10**12).map(lambda n: 5 + n / 10**11),
    st.floats(5, 50),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(300, 2900), min_size=1, max_size=3, unique=True),
    st.lists(PRICES, min_size=2, max_size=2),
)
def test_cost_and_bound_hold_for_the_prices_as_they_were_sent(
    lengths: list[int], prices: list[float]
) -> None:
    parts = tuple(Part(str(x), float(x), 2) for x in lengths)
    stock = (StockLength("6", 6000.0, price=prices[0]), StockLength("3", 3000.0, price=prices[1]))
    made = cut_list(CutJob(parts, stock, Saw(0.0, 300.0), search=Search(SECONDS))).tubes[0]
    exact = [Fraction(repr(price)) for price in prices]
    unit = math.lcm(*(price.denominator for price in exact))
    kinds: list[Kind] = [
        (bar, int(price * unit), None) for bar, price in zip((6000, 3000), exact, strict=True)
    ]
    least = Fraction(int(least_price_by_search(lengths, [2] * len(lengths), kinds)), unit)
    decimals = max(len(repr(price).partition(".")[2]) for price in prices)
    told = round(float(least), 6 if decimals > 9 else 9)
    assert made.cost == made.bound.value
    assert made.bound.lower_bound <= told <= made.bound.value
    if made.bound.proven_optimal:
        assert made.bound.value == told


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 60), min_size=1, max_size=3), st.integers(0, 200), st.integers(0, 200)
)
def test_the_next_sum_against_every_sum(prices: list[int], least: int, more: int) -> None:
    below = least + more
    sums = {0}
    for price in prices:
        sums = {s + n * price for s in sums for n in range(below // price + 1)}
    bars = [BarKind(1, price) for price in prices]
    wanted = min((s for s in sums if least <= s < below), default=below)
    assert next_sum(bars, least, below) == wanted


@st.composite
def problems(draw: st.DrawFn, most_pieces: int = 9) -> CuttingStock:
    sizes = draw(st.lists(st.integers(5, 60), min_size=1, max_size=5, unique=True))
    demand = [draw(st.integers(1, 3)) for _ in sizes]
    assume(sum(demand) <= most_pieces)
    kinds = st.tuples(
        st.integers(60, 130), st.integers(1, 12), st.sampled_from([None, None, 0, 1, 3])
    )
    bars = [BarKind(*kind) for kind in draw(st.lists(kinds, min_size=1, max_size=3, unique=True))]
    free = draw(st.lists(st.integers(20, 90), max_size=2))
    return CuttingStock(
        tuple(sizes), tuple(demand), (*bars, *(BarKind(length, 0, 1) for length in free))
    )


def optimum(problem: CuttingStock) -> float:
    kinds: list[Kind] = [(b.capacity, b.price, b.count) for b in problem.bars]
    return least_price_by_search(problem.sizes, problem.demand, kinds)


@settings(max_examples=150, deadline=None)
@given(problems())
def test_bound_optimum_and_plan_are_in_order(problem: CuttingStock) -> None:
    plan, least = solve(problem, Meter(SECONDS)), optimum(problem)
    assert any(plan.uncut) == math.isinf(least)
    if not any(plan.uncut):
        assert plan.lower_bound <= least <= plan.price
        assert (plan.price == plan.lower_bound) == (plan.ended_by == "proof")


@settings(max_examples=100, deadline=None)
@given(problems())
def test_tiny_lists_are_solved_to_the_optimum(problem: CuttingStock) -> None:
    least = optimum(problem)
    assume(math.isfinite(least))
    plan = solve(problem, Meter(2.0))
    assert plan.price == least
    assert plan.ended_by == "proof"


@settings(max_examples=80, deadline=None)
@given(problems())
def test_every_bound_is_at_most_the_optimum(problem: CuttingStock) -> None:
    least = optimum(problem)
    assume(math.isfinite(least))
    assert material_bound(problem) <= least
    assert linear_bound(problem, Meter(SECONDS)) <= least
    assert lower_bound(problem, Meter(SECONDS))[0] <= least
    if len(problem.bars) == 1 and problem.bars[0].count is None:
        fewest = l2_bound(problem.sizes, problem.demand, problem.bars[0].capacity)
        assert fewest * problem.bars[0].price <= least


@settings(max_examples=80, deadline=None)
@given(problems())
def test_heuristics_cut_what_they_say_from_bars_there_are(problem: CuttingStock) -> None:
    for draft in (first_fit_decreasing(problem), best_fit_decreasing(problem)):
        cut = list(problem.demand)
        taken: Counter[int] = Counter()
        for (bar, pieces), times in draft.cut.items():
            length = sum(n * w for n, w in zip(pieces, problem.sizes, strict=True))
            assert length <= problem.bars[bar].capacity
            taken[bar] += times
            cut = [d - n * times for d, n in zip(cut, pieces, strict=True)]
        assert cut == draft.demand
        assert all(d >= 0 for d in cut)
        assert all(b.count is None or taken[j] <= b.count for j, b in enumerate(problem.bars))


@settings(max_examples=40, deadline=None)
@given(problems(), st.integers(2, 40), st.integers(2, 40))
def test_scaled_lengths_and_prices_give_the_same_plan(
    problem: CuttingStock, longer: int, dearer: int
) -> None:
    scaled = CuttingStock(
        tuple(w * longer for w in problem.sizes),
        problem.demand,
        tuple(BarKind(b.capacity * longer, b.price * dearer, b.count) for b in problem.bars),
    )
    a, b = solve(problem, Meter(SECONDS)), solve(scaled, Meter(SECONDS))
    assume(a.repeatable and b.repeatable)
    assert a.patterns == b.patterns
    assert (b.price, b.lower_bound) == (a.price * dearer, a.lower_bound * dearer)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 9), st.integers(1, 3), st.integers(0, 20)), min_size=1, max_size=4
    ),
    st.integers(0, 25),
)
def test_knapsack_against_every_choice(items: list[tuple[int, int, int]], capacity: int) -> None:
    weights, demand, values = zip(*items, strict=True)
    table = knapsack(weights, demand, values, capacity)

    def best(i: int, room: int) -> int:
        if i == len(items):
            return 0
        most = min(demand[i], room // weights[i])
        each = [n * values[i] + best(i + 1, room - n * weights[i]) for n in range(most + 1)]
        return int(max(each))

    for room in range(capacity + 1):
        pieces = table.pieces(room)
        assert table.best[room] == best(0, room)
        assert sum(n * v for n, v in zip(pieces, values, strict=True)) == table.best[room]
        assert sum(n * w for n, w in zip(pieces, weights, strict=True)) <= room
        assert all(n <= d for n, d in zip(pieces, demand, strict=True))


@settings(max_examples=60, deadline=None)
@given(problems())
def test_stock_that_cannot_hold_the_parts_is_refused_and_only_then(problem: CuttingStock) -> None:
    parts = tuple(
        Part(f"p{i}", float(w), n)
        for i, (w, n) in enumerate(zip(problem.sizes, problem.demand, strict=True))
    )
    stock = tuple(
        StockLength(f"s{j}", float(b.capacity), "", b.count, float(b.price))
        for j, b in enumerate(problem.bars)
        if b.price
    )
    job = CutJob(parts, stock, Saw(0.0, 5.0), search=Search(SECONDS))
    kinds: list[Kind] = [(b.capacity, b.price, b.count) for b in problem.bars if b.price]
    least = least_price_by_search(problem.sizes, problem.demand, kinds)
    if math.isinf(least):
        with pytest.raises((OutOfRangeError, NotDeterminedError, SeveralRefusedError)) as refusal:
            cut_list(job)
        assert refusal.value.code in {
            "part_fits_no_bar",
            "stock_cannot_hold_parts",
            "no_plan_found_in_stock",
        }
    else:
        assert cut_list(job).tubes[0].bound.lower_bound <= least
