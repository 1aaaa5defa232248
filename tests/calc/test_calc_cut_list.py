"""Cut lists by hand: kerf, trim, remnants, due groups, prices, refusals, budget, imports."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from service.calc import cut_list as cut_list_module
from service.calc import cutting_stock, cutting_stock_search
from service.calc.cut_list import (
    CutJob,
    Part,
    Remnant,
    Saw,
    Search,
    SeveralRefusedError,
    StockLength,
    TubeCutList,
    cut_list,
    fitting_step,
)
from service.calc.cutting_stock import BarKind, CuttingStock, fill_free_bars, first_fit_decreasing
from service.calc.cutting_stock_search import Meter, next_sum, solve
from service.errors import Amount, CalculationError, MissingError, OutOfRangeError
from service.web import texts
from service.web.answer import finding_note

SAW = Saw(kerf=3.0, least_remnant=300.0)
BAR = StockLength("bar", 6000.0)


def job(*parts: Part, **changes: Any) -> CutJob:
    return replace(CutJob(parts, (BAR,), SAW), **changes)


def one(made: CutJob) -> TubeCutList:
    return cut_list(made).tubes[0]


def refusal(made: CutJob) -> CalculationError:
    with pytest.raises(CalculationError) as caught:
        cut_list(made)
    return caught.value


# --- kerf, trim, rest ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "kerf", "rest"),
    [
        (2998.5, 3.0, 0.0),  # 2·2998.5 + 3 = 6000: the second piece ends with the bar
        (2998.0, 4.0, 0.0),  # 1 mm is left, thinner than the kerf: it goes up in swarf
        (2997.0, 6.0, 0.0),  # the second kerf takes exactly what is left
        (2800.0, 6.0, 394.0),  # 6000 − 2·2800 − 2·3
    ],
)
def test_kerf_and_rest_of_two_pieces(length: float, kerf: float, rest: float) -> None:
    (bar,) = one(job(Part("a", length, 2))).patterns
    assert (bar.pieces[0].count, bar.kerf, bar.rest) == (2, kerf, rest)


def test_end_trim_is_taken_from_every_new_bar_and_not_from_remnants() -> None:
    made = one(
        job(
            Part("a", 2990.0, 3),
            saw=replace(SAW, end_trim=20.0),
            remnants=(Remnant("r", 2990.0),),
        )
    )
    by_source = {bar.source: bar for bar in made.patterns}
    assert by_source["remnant"].trim == 0
    assert by_source["stock"].trim == 20
    assert by_source["stock"].pieces[0].count == 1  # 2·2990 + 3 > 6000 − 20
    assert made.new_bars == 2


def test_rests_from_the_least_remnant_up_go_back_and_shorter_ones_are_scrap() -> None:
    kept = one(job(Part("a", 5697.0, 1)))
    assert kept.patterns[0].rest == 300
    assert (kept.remnants_returned[0].length, kept.lengths.scrap) == (300, 0)
    lost = one(job(Part("a", 5697.1, 1)))
    assert lost.remnants_returned == ()
    assert lost.lengths.scrap == pytest.approx(299.9)
    assert lost.lengths.waste_ratio == pytest.approx((299.9 + 3) / 6000)


# --- the grid ------------------------------------------------------------------------------------


def test_lengths_off_the_grid_are_rounded_to_the_safe_side_and_said() -> None:
    result = cut_list(job(Part("a", 1999.99, 3), stock=(StockLength("bar", 6006.09),)))
    tube = result.tubes[0]
    assert tube.patterns[0].pieces[0].length == 2000.0
    assert tube.patterns[0].bar_length == 6006.0
    assert tube.new_bars == 1  # 3·2000 + 2·3 = 6006
    (finding,) = result.findings
    assert finding.code == "cut_list_lengths_rounded"
    assert finding.value is not None
    assert finding.value.value == pytest.approx(0.09)  # the bar; the part gained 0.01
    assert finding.values == {"count": 2}


def test_an_inch_grid_keeps_fractions_exact() -> None:
    # three pieces of 19 31/32 in from 59 29/32 in without kerf: on a 0.1 mm grid they would not fit
    inch = 25.4
    parts = Part("a", (19 + 31 / 32) * inch, 3)
    stock = (StockLength("bar", (59 + 29 / 32) * inch),)
    made = job(parts, stock=stock, saw=Saw(0.0, 100.0), search=Search(step=inch / 64))
    assert one(made).new_bars == 1
    assert one(replace(made, search=Search(step=0.1))).new_bars == 2


def test_decimal_lengths_are_on_the_grid_in_spite_of_binary_fractions() -> None:
    result = cut_list(job(Part("a", 0.1 + 0.2, 10), Part("b", 435.7, 2)))
    assert not [f for f in result.findings if f.code == "cut_list_lengths_rounded"]
    assert [p.length for bar in result.tubes[0].patterns for p in bar.pieces] == [435.7, 0.3]


# --- remnants ------------------------------------------------------------------------------------


def test_remnants_are_used_first_even_where_that_saves_no_bar() -> None:
    made = one(job(Part("a", 900.0, 6), remnants=(Remnant("r", 1000.0), Remnant("s", 950.0))))
    assert made.new_bars == 1
    assert made.remnants_used == 2
    assert made.remnants_unused == ()


def test_remnants_that_help_nothing_stay_on_the_rack() -> None:
    made = one(job(Part("a", 900.0, 1), remnants=(Remnant("r", 800.0, count=3),)))
    assert (made.remnants_used, made.remnants_unused) == (0, (Remnant("r", 800.0, "", 3),))


def test_returned_remnants_serve_a_later_list_in_full() -> None:
    first = one(job(Part("a", 2000.0, 2)))
    back = first.remnants_returned[0]
    again = one(job(Part("b", back.length, 1), remnants=(Remnant("back", back.length),)))
    assert (again.new_bars, again.patterns[0].source_id) == (0, "back")
    assert again.bound.value == 0
    assert again.bound.proven_optimal


def test_remnants_alone_will_do() -> None:
    made = one(job(Part("a", 500.0, 2), stock=(), remnants=(Remnant("r", 1100.0),)))
    assert (made.new_bars, made.cost, made.bound.proven_optimal) == (0, None, True)


@pytest.mark.parametrize(("price", "cost"), [(None, None), (31.9, 0.0)])
def test_no_new_bar_costs_nothing_only_where_there_is_a_price(
    price: float | None, cost: float | None
) -> None:
    stock = (StockLength("bar", 6000.0, price=price),)
    made = one(job(Part("a", 500.0, 1), stock=stock, remnants=(Remnant("r", 1000.0),)))
    assert (made.new_bars, made.cost) == (0, cost)


# --- due groups ----------------------------------------------------------------------------------


def test_an_earlier_group_is_cut_first_and_leaves_its_rests() -> None:
    made = one(job(Part("late", 2500.0, 1, due_group=2), Part("soon", 3000.0, 1, due_group=1)))
    first, second = made.patterns
    assert (first.due_group, first.pieces[0].part, first.source) == (1, "soon", "stock")
    assert (second.due_group, second.source, second.from_pattern) == (2, "rest", first.number)
    assert first.rest == second.bar_length == 2997
    assert (made.new_bars, first.rests_cut_later) == (1, 1)
    assert made.lengths.returned == made.remnants_returned[0].length == 2997 - 2500 - 3


def test_a_rest_that_cannot_be_held_feeds_no_later_group() -> None:
    made = one(job(Part("soon", 5800.0, 1), Part("late", 150.0, 1, due_group=1)))
    assert [bar.source for bar in made.patterns] == ["stock", "stock"]
    assert made.patterns[0].rest_is_useful is False
    # the bound ignores the order, so it knows that one bar would do
    assert (made.bound.value, made.bound.lower_bound, made.bound.gap) == (2, 1, 1)
    assert [g.bound.proven_optimal for g in made.due_groups] == [True, True]


def test_the_same_part_may_be_due_twice_but_not_twice_at_once() -> None:
    made = one(job(Part("a", 1000.0, 2, due_group=1), Part("a", 1000.0, 3, due_group=2)))
    cut = [(b.due_group, b.times * b.pieces[0].count) for b in made.patterns]
    assert cut == [(1, 2), (2, 3)]
    twice = refusal(job(Part("a", 1000.0, 2), Part("a", 900.0, 3)))
    assert (twice.code, twice.field) == ("cut_list_id_twice", ("parts", 1, "id"))


# --- tubes, prices, mass -------------------------------------------------------------------------


def test_tubes_are_never_mixed() -> None:
    result = cut_list(
        CutJob(
            (Part("a", 2000.0, 2, "12x1"), Part("b", 1000.0, 1, "10x1")),
            (StockLength("x", 6000.0, "12x1"), StockLength("y", 5000.0, "10x1")),
            SAW,
            mass_per_length={"12x1": 2.713e-4},
        )
    )
    twelve, ten = result.tubes
    assert (twelve.tube, ten.tube) == ("12x1", "10x1")
    assert [use.stock for use in (*twelve.stock_use, *ten.stock_use)] == ["x", "y"]
    assert twelve.masses is not None
    assert twelve.masses.stock == pytest.approx(6000 * 2.713e-4)
    assert twelve.masses.parts == pytest.approx(4000 * 2.713e-4)
    assert twelve.masses.waste == pytest.approx(6 * 2.713e-4)
    assert ten.masses is None


def test_the_cheaper_mix_of_stock_is_taken() -> None:
    # two bars of 3 m at 5 each beat one of 6 m at 12
    stock = (StockLength("6 m", 6000.0, price=12.0), StockLength("3 m", 3000.0, price=5.0))
    made = one(job(Part("a", 2900.0, 2), stock=stock))
    assert [(u.stock, u.bars, u.cost) for u in made.stock_use] == [("3 m", 2, 10.0)]
    assert (made.cost, made.bound.objective, made.bound.lower_bound) == (10.0, "cost", 10.0)


def test_without_prices_the_length_of_new_stock_counts() -> None:
    stock = (StockLength("6 m", 6000.0), StockLength("4 m", 4000.0))
    made = one(job(Part("a", 1900.0, 4), stock=stock))
    assert [(u.stock, u.bars) for u in made.stock_use] == [("4 m", 2)]
    assert (made.bound.objective, made.bound.value, made.cost) == ("stock_length", 8000.0, None)


def test_one_stock_length_counts_bars_and_still_tells_the_cost() -> None:
    made = one(job(Part("a", 1900.0, 4), stock=(StockLength("bar", 6000.0, price=31.99),)))
    assert (made.bound.objective, made.bound.value, made.cost) == ("bars", 2, 63.98)


# --- refusals ------------------------------------------------------------------------------------


def test_a_part_that_fits_no_bar_is_named() -> None:
    error = refusal(
        job(Part("ok", 100.0, 1), Part("long", 5990.1, 2), saw=replace(SAW, end_trim=10.0))
    )
    assert isinstance(error, OutOfRangeError)
    assert (error.code, error.field) == ("part_fits_no_bar", ("parts", 1, "length"))
    assert error.values["id"] == "long"
    assert error.values["most"] == Amount(5990.0, "length")
    assert error.values["detail"] == "cut_list_longer_stock"


def test_each_part_that_fits_no_bar_is_told_in_every_tube() -> None:
    parts = [Part(f"p{i}", 7000.0 + i, 1, "AB"[i % 2]) for i in range(4)]
    stock = (StockLength("bar", 6000.0, "A"), StockLength("bar", 6500.0, "B"))
    error = refusal(job(*parts, Part("ok", 10.0, 1, "A"), stock=stock))
    assert isinstance(error, SeveralRefusedError)
    assert (error.code, error.field) == ("part_fits_no_bar", ("parts", 0, "length"))
    assert sorted((e.field[1], e.values["most"]) for e in error.refusals) == [
        (i, Amount(6500.0 if i % 2 else 6000.0, "length")) for i in range(4)
    ]


@pytest.mark.parametrize(
    ("length", "bar", "step", "cure"),
    [
        (6000.05, 6000.05, 0.1, "cut_list_finer_step"),
        (6000.05, 6000.05, 0.05, None),
        (6000.06, 6000.05, 0.1, "cut_list_longer_stock"),
    ],
)
def test_a_part_that_only_the_grid_keeps_out_is_told_so(
    length: float, bar: float, step: float, cure: str | None
) -> None:
    made = job(Part("a", length, 1), stock=(StockLength("s", bar),), search=Search(step=step))
    if cure is None:
        assert one(made).new_bars == 1
    else:
        assert refusal(made).values["detail"] == cure


def test_a_part_whose_bar_has_the_count_0_is_told_so() -> None:
    made = job(Part("a", 1000.0, 1), stock=(StockLength("bar", 6000.0, count=0),))
    error = refusal(made)
    assert (error.code, error.values["detail"]) == ("part_fits_no_bar", "cut_list_count_is_zero")
    assert error.values["most"] == Amount(6000.0, "length")


def test_limited_stock_says_what_is_missing() -> None:
    stock = (StockLength("bar", 6000.0, count=2),)
    error = refusal(job(Part("a", 1998.0, 7), Part("b", 500.0, 3), stock=stock))
    assert isinstance(error, OutOfRangeError)
    assert (error.code, error.field) == ("stock_cannot_hold_parts", ("stock",))
    assert error.values["missing"] == "a × 1, b × 3"
    assert error.values["count"] == 4
    assert error.values["lacking"] == Amount(2001 + 3 * 503.0, "length")


def test_enough_limited_stock_is_enough() -> None:
    stock = (StockLength("bar", 6000.0, count=2), StockLength("short", 600.0, count=4))
    made = one(job(Part("a", 1998.0, 6), Part("b", 500.0, 4), stock=stock))
    assert [(use.stock, use.bars) for use in made.stock_use] == [("bar", 2), ("short", 4)]


def test_a_later_group_that_the_earlier_one_starved_is_refused_without_claim_of_proof() -> None:
    # without prices the first group takes the shorter bar; where the longer one is the cheaper, it
    # takes that, and the second group would have needed it
    stock = (StockLength("4 m", 4000.0, count=1), StockLength("3.9 m", 3900.0, count=1))
    parts = (Part("soon", 3600.0, 1, due_group=1), Part("late", 3950.0, 1, due_group=2))
    made = one(job(*parts, stock=stock))
    assert [use.bars for use in made.stock_use] == [1, 1]
    cheap = (replace(stock[0], price=1.0), replace(stock[1], price=9.0))
    error = refusal(job(*parts, stock=cheap))
    assert (error.code, error.values["due_group"]) == ("no_plan_found_in_stock", 2)
    assert error.values["missing"] == "late × 1"


def test_tubes_without_stock_and_half_priced_stock_are_refused() -> None:
    none = refusal(job(Part("a", 100.0, 1, "10x1")))
    assert isinstance(none, MissingError)
    assert (none.code, none.field) == ("no_stock_for_tube", ("parts", 0, "tube"))
    half = refusal(job(Part("a", 100.0, 1), stock=(BAR, StockLength("b", 3000.0, price=5.0))))
    assert (half.code, half.field) == ("price_for_some_stock_only", ("stock", 1, "price"))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"parts": ()}, ("parts",)),
        ({"parts": (Part("a", math.nan, 1),)}, ("parts", 0, "length")),
        ({"parts": (Part("a", -5.0, 1),)}, ("parts", 0, "length")),
        ({"parts": (Part("a", 10.0, 0),)}, ("parts", 0, "quantity")),
        ({"parts": (Part("a", 10.0, 60_000), Part("b", 10.0, 60_000))}, ("parts",)),
        ({"stock": (StockLength("s", 1e6),)}, ("stock", 0, "length")),
        ({"stock": (StockLength("s", 6000.0, count=-1),)}, ("stock", 0, "count")),
        ({"stock": (StockLength("s", 6000.0, price=math.inf),)}, ("stock", 0, "price")),
        ({"remnants": (Remnant("r", 500.0, count=0),)}, ("remnants", 0, "count")),
        ({"saw": Saw(-1.0, 0.0)}, ("saw", "kerf")),
        ({"saw": Saw(3.0, math.nan)}, ("saw", "least_remnant")),
        ({"search": Search(time_budget=31.0)}, ("search", "time_budget")),
        ({"search": Search(step=0.001)}, ("search", "step")),
        ({"search": Search(seed=-1)}, ("search", "seed")),
        ({"mass_per_length": {"": -1.0}}, ("mass_per_length", "")),
    ],
)
def test_numbers_out_of_range_are_refused_with_their_place(
    changes: dict[str, Any], field: tuple[str | int, ...]
) -> None:
    error = refusal(replace(job(Part("a", 100.0, 1)), **changes))
    assert (error.code, error.field) == ("cut_list_out_of_range", field)


def test_one_id_may_stand_once_for_each_tube() -> None:
    parts = (Part("p", 700.0, 1, "A"), Part("p", 700.0, 1, "B"))
    stock = (
        StockLength("bar", 6000.0, "A", price=20.0),
        StockLength("bar", 5000.0, "B", price=9.0),
    )
    remnants = (Remnant("r", 600.0, "A", 2), Remnant("r", 650.0, "B", 3))
    first, second = cut_list(job(*parts, stock=stock, remnants=remnants)).tubes
    assert [(use.stock, use.cost) for use in (*first.stock_use, *second.stock_use)] == [
        ("bar", 20.0),
        ("bar", 9.0),
    ]
    assert (first.remnants_unused, second.remnants_unused) == ((remnants[0],), (remnants[1],))
    for changes in (
        {"stock": (*stock, StockLength("bar", 4000.0, "B", price=7.0))},
        {"stock": stock, "remnants": (*remnants, Remnant("r", 500.0, "B"))},
    ):
        error = refusal(job(*parts, **changes))
        assert (error.code, error.field[1:]) == ("cut_list_id_twice", (2, "id"))


# --- the step and the longest bar ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("longest", "step"),
    [(15_000.0, 0.1), (15_000.1, 0.2), (30_000.0, 0.2), (30_001.0, 0.5), (100_000.0, 1.0)],
)
def test_the_first_step_that_fits_the_longest_bar(longest: float, step: float) -> None:
    # 150,000 steps of 0.1 mm are 15 m
    assert fitting_step(longest, (0.1, 0.2, 0.5, 1.0)) == step
    part = Part("a", longest - 100, 1)
    made = job(part, stock=(StockLength("s", longest),), search=Search(step=step, usual_step=0.1))
    codes = [finding.code for finding in cut_list(made).findings]
    assert ("cut_list_coarser_step" in codes) == (step > 0.1)


def test_a_step_too_fine_for_a_bar_is_refused_with_one_that_is_not() -> None:
    stock = (StockLength("s", 17_999.0),)
    error = refusal(job(Part("a", 100.0, 1), stock=stock))
    assert (error.code, error.field) == ("cut_list_step_too_fine", ("stock", 0, "length"))
    step = error.values["least_step"]
    assert step == Amount(0.12, "length")
    assert one(job(Part("a", 100.0, 1), stock=stock, search=Search(step=0.12))).new_bars == 1


# --- tubes that no part is of --------------------------------------------------------------------


def test_a_tube_that_no_part_is_of_is_named() -> None:
    made = job(
        Part("a", 100.0, 1, "12x1"),
        stock=(StockLength("s", 6000.0, "12x1"), StockLength("t", 6000.0, "12 x 1")),
        remnants=(Remnant("r", 500.0, "12X1"), Remnant("q", 500.0, "12 x 1")),
        tubes=("12x1", "10x1"),
    )
    (finding,) = cut_list(made).findings
    assert (finding.code, finding.severity) == ("cut_list_tube_of_no_part", "needs_care")
    assert finding.values["count"] == 4
    assert (
        finding.values["names"] == "'12 x 1' (stock, remnants), '12X1' (remnants), '10x1' (tubes)"
    )
    assert (
        cut_list(replace(made, stock=made.stock[:1], remnants=(), tubes=("12x1",))).findings == ()
    )


# --- prices of many decimals ---------------------------------------------------------------------


def test_prices_of_five_decimals_are_exact() -> None:
    # by hand: two pieces a bar of 6 m, one a bar of 3 m; 1000·20.00006 < 2000·10.00004
    stock = (StockLength("6", 6000.0, price=20.00006), StockLength("3", 3000.0, price=10.00004))
    made = one(job(Part("a", 3000.0, 2000), stock=stock, saw=Saw(0.0, 300.0)))
    assert made.cost == made.bound.value == made.bound.lower_bound == 20_000.06
    assert made.bound.proven_optimal
    assert [(use.stock, use.bars, use.cost) for use in made.stock_use] == [("6", 1000, 20_000.06)]


def test_prices_past_nine_decimals_are_told_to_six() -> None:
    stock = (StockLength("6", 6000.0, price=20 / 3), StockLength("3", 3000.0, price=11 / 3))
    made = one(job(Part("a", 3000.0, 5), stock=stock, saw=Saw(0.0, 300.0)))
    assert made.cost == made.bound.value == made.bound.lower_bound == 17.0  # 2·20/3 + 11/3
    assert made.bound.proven_optimal


def test_the_next_sum_of_prices() -> None:
    bars = (BarKind(60, 700_003), BarKind(40, 500_009), BarKind(30, 0, 2))
    # 2·700,003 + 500,009 and 700,003 + 2·500,009 + …: nothing between 1,900,015 and 2,000,036
    assert next_sum(bars, 1_900_015, 2_000_036) == 1_900_015
    assert next_sum(bars, 1_900_016, 2_000_036) == 2_000_036
    assert next_sum(bars, 2_000_000, 2_000_020) == 2_000_020
    many = tuple(BarKind(60, 1000 + i) for i in range(9))
    assert next_sum(many, 99_990, 100_000) == 99_990  # too many to try: nothing is claimed


# --- budget, seed, findings ----------------------------------------------------------------------


def hard_list(seed: int = 3) -> CutJob:
    random = np.random.default_rng(seed)
    lengths = sorted({float(x) / 10 for x in random.integers(2_000, 22_000, 60)})
    parts = [Part(f"p{i}", x, int(random.integers(1, 20))) for i, x in enumerate(lengths)]
    return job(*parts, search=Search(time_budget=1.0, seed=7))


def test_the_same_seed_and_budget_give_the_same_list(monkeypatch: pytest.MonkeyPatch) -> None:
    # a clock that stands still, so that counted work alone ends the search on any machine
    monkeypatch.setattr(time, "monotonic", lambda: 0.0)
    a, b = cut_list(hard_list()), cut_list(hard_list())
    assert a.repeatable
    assert a == b


def test_a_search_that_the_clock_ended_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    ticks = iter(range(0, 10_000, 1))
    monkeypatch.setattr(time, "monotonic", lambda: float(next(ticks)))
    result = cut_list(hard_list())
    tube = result.tubes[0]
    assert not result.repeatable
    assert tube.due_groups[0].ended_by == "clock"
    assert [f.code for f in result.findings] == ["cut_list_not_proven", "cut_list_stopped_by_clock"]
    cut = sum(p.count * b.times for b in tube.patterns for p in b.pieces)
    assert cut == sum(p.quantity for p in hard_list().parts)


def test_a_list_without_kerf_is_remarked() -> None:
    result = cut_list(job(Part("a", 100.0, 1), saw=Saw(0.0, 100.0)))
    assert [f.code for f in result.findings] == ["cut_list_no_kerf"]


def test_methods_used_are_in_the_catalogue() -> None:
    known = {
        method.id
        for module in (cut_list_module, cutting_stock, cutting_stock_search)
        for method in module.METHODS
    }
    result = cut_list(hard_list())
    assert set(result.methods) <= known
    assert {"cut-list-kerf", "cutting-stock-linear-bound", "cutting-stock-dive"} <= set(
        result.methods
    )


def test_work_left_over_by_one_search_goes_to_the_next() -> None:
    meter = Meter(4.0)
    whole = meter.work
    with meter.share(2) as part:
        part.spend(whole / 8)
    with meter.share(1) as part:
        assert part.work == pytest.approx(whole * 7 / 8)


REFUSED = [
    job(Part("a", -1.0, 1)),
    job(Part("a", 1.0, 1), search=Search(time_budget=99.0)),
    job(Part("a", 100.0, 2), Part("a", 200.0, 3)),
    job(Part("a", 100.0, 1, "10x1")),
    job(Part("a", 100.0, 1), stock=(BAR, StockLength("b", 3000.0, price=5.0))),
    job(Part("a", 9000.0, 1)),
    job(Part("a", 4000.0, 3), stock=(StockLength("bar", 6000.0, count=2),)),
]


@pytest.mark.parametrize("made", REFUSED)
@pytest.mark.parametrize("system", ["metric", "inch"])
def test_every_refusal_has_a_text_that_its_values_fill(made: CutJob, system: str) -> None:
    error = refusal(made)
    text = texts.fill(texts.text("errors", error.code), error.values, system)
    assert "{" not in text
    assert " mm" not in text or system == "metric"


def test_every_finding_has_a_text_that_its_values_fill(monkeypatch: pytest.MonkeyPatch) -> None:
    ticks = iter(range(10_000))
    monkeypatch.setattr(time, "monotonic", lambda: float(next(ticks)))
    made = replace(hard_list(), saw=Saw(0.0, 300.07, 10.01))
    result = cut_list(made)
    assert [finding.code for finding in result.findings] == [
        "cut_list_lengths_rounded",
        "cut_list_no_kerf",
        "cut_list_not_proven",
        "cut_list_stopped_by_clock",
    ]
    for finding in result.findings:
        note = finding_note(finding, "metric")
        assert "{" not in note["text"] + note["cure"]


# --- the parts below -----------------------------------------------------------------------------


def test_free_bars_take_pieces_from_the_emptiest_paid_bar() -> None:
    problem = CuttingStock((40, 30), (2, 1), (BarKind(100, 1), BarKind(35, 0, 1)), (99, 99))
    draft = first_fit_decreasing(replace(problem, bars=problem.bars[:1]))
    draft.problem, draft.counts = problem, [None, 1]
    filled = fill_free_bars(draft)
    assert {(bar, pieces): n for (bar, pieces), n in filled.cut.items() if n} == {
        (0, (2, 0)): 1,
        (1, (0, 1)): 1,
    }


def test_a_plan_known_beforehand_is_never_made_worse() -> None:
    problem = CuttingStock((50, 34, 33), (2, 4, 4), (BarKind(100, 1, 5),))
    plan = solve(problem, Meter(1.0))
    again = solve(problem, Meter(1.0), plan.patterns)
    assert again.price <= plan.price


def test_the_solver_is_loaded_only_where_it_is_needed_and_keeps_quiet() -> None:
    script = (
        "import sys\n"
        "from service.calc.cut_list import *\n"
        "assert 'highspy' not in sys.modules\n"
        "easy = CutJob((Part('a', 1000.0, 5),), (StockLength('s', 6000.0),), Saw(3.0, 300.0))\n"
        "cut_list(easy)\n"
        "assert 'highspy' not in sys.modules\n"
        "hard = CutJob((Part('a', 470.0, 3), Part('b', 330.0, 4), Part('c', 210.0, 5)),\n"
        "    (StockLength('s', 1000.0, price=7.0), StockLength('t', 700.0, price=5.0)),\n"
        "    Saw(0.0, 50.0))\n"
        "cut_list(hard)\n"
        "assert 'highspy' in sys.modules\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
