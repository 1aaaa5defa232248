"""Cutting stock against published examples, instances of known optimum, and independent solvers.

Sources, each named again beside its check: Chvátal, Linear Programming (1983) chapter 13; the
worked example of the general encyclopaedia article on the cutting stock problem; the triplet and
uniform instances after Falkenauer, J. Heuristics 2 (1996) 5 (generators from memory); Martello and
Toth, Knapsack Problems (1990) chapter 8 (from memory); Dósa 2007 (from memory); scipy's linear and
integer programming over all patterns.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import pytest
from oracles.cutting_patterns import (
    Kind,
    least_price,
    least_price_by_search,
    linear_price,
    triplets,
)

from service.calc.cut_list import CutJob, CutList, Part, Saw, Search, StockLength, cut_list
from service.calc.cutting_stock import (
    BarKind,
    CuttingStock,
    first_fit_decreasing,
    l2_bound,
    material_bound,
)
from service.calc.cutting_stock_search import CutPlan, Meter, linear_bound, solve

SECONDS = 2.0
# Part lengths and quantities of the check list: bars of 6000 mm, kerf 3 mm.
CHECK_PARTS = ((1985, 6), (1240, 8), (870, 10), (436, 7))
CHECK_SIZES = tuple(length + 3 for length, _ in CHECK_PARTS)
CHECK_DEMAND = tuple(n for _, n in CHECK_PARTS)
CHECK_CAPACITY = 6000 + 3


def one_kind(items: Sequence[int], capacity: int) -> CuttingStock:
    sizes, demand = zip(*sorted(Counter(items).items()), strict=True)
    return CuttingStock(sizes, demand, (BarKind(capacity, 1),))


def planned(problem: CuttingStock) -> tuple[CutPlan, float]:
    begin = time.process_time()  # of this process only, so that a busy machine fails nothing
    plan = solve(problem, Meter(SECONDS))
    return plan, time.process_time() - begin


def bars(parts: Sequence[tuple[float, int]], stock: float, saw: Saw) -> CutList:
    lines = tuple(Part(f"part {i}", length, n) for i, (length, n) in enumerate(parts))
    return cut_list(CutJob(lines, (StockLength("stock", stock),), saw))


# --- check list, worked out by hand and with scipy -----------------------------------------------


def test_material_and_l2_bound_of_the_check_list() -> None:
    # Σ(l + k)·n = 1988·6 + 1243·8 + 873·10 + 439·7 = 33,675; 33,675/6003 = 5.60969515…
    problem = CuttingStock(CHECK_SIZES, CHECK_DEMAND, (BarKind(CHECK_CAPACITY, 1),))
    assert material_bound(problem) == Fraction(33_675, 6003)
    assert float(material_bound(problem)) == pytest.approx(5.60969515, abs=5e-9)
    assert l2_bound(CHECK_SIZES, CHECK_DEMAND, CHECK_CAPACITY) == 6


def test_linear_bound_of_the_check_list() -> None:
    # 5 + 9/14, which scipy finds over all patterns listed
    problem = CuttingStock(CHECK_SIZES, CHECK_DEMAND, (BarKind(CHECK_CAPACITY, 1),))
    found = linear_bound(problem, Meter(SECONDS))
    assert found <= Fraction(79, 14)
    assert float(found) == pytest.approx(5.64285714, abs=5e-9)
    assert linear_price(CHECK_SIZES, CHECK_DEMAND, CHECK_CAPACITY) == pytest.approx(79 / 14)


def test_optimum_of_the_check_list() -> None:
    whole = least_price(CHECK_SIZES, CHECK_DEMAND, [(CHECK_CAPACITY, 1, None)])
    result = bars(CHECK_PARTS, 6000, Saw(3, 200)).tubes[0]
    assert result.new_bars == whole == 6
    assert result.bound.proven_optimal


def test_three_pieces_need_two_kerfs_when_they_fill_the_bar() -> None:
    # 3·1998 + 2·3 = 6000; the rule of a kerf per piece, 3·(1998 + 3) = 6003, would refuse the bar
    full = bars([(1998, 3)], 6000, Saw(3, 200)).tubes[0]
    assert (full.new_bars, full.patterns[0].kerf, full.patterns[0].rest) == (1, 6.0, 0.0)
    parted = bars([(1998, 3)], 6000, Saw(3, 200, part_last_piece=True)).tubes[0]
    assert parted.new_bars == 2


# --- published examples --------------------------------------------------------------------------


def test_chvatal_example() -> None:
    # V. Chvátal, Linear Programming (1983), ch. 13: rolls of 100 in; 97 × 45, 610 × 36, 395 × 31
    # and 211 × 14 in. The linear programme gives 452.25 rolls, the optimum is 453.
    problem = CuttingStock((45, 36, 31, 14), (97, 610, 395, 211), (BarKind(100, 1),))
    assert float(linear_bound(problem, Meter(SECONDS))) == pytest.approx(452.25, abs=1e-6)
    plan, _ = planned(problem)
    assert (plan.price, plan.lower_bound, plan.ended_by) == (453, 453, "proof")


def test_paper_roll_example() -> None:
    # Encyclopaedia article "Cutting stock problem": 5600 mm rolls, 407,160 mm asked in 13 widths,
    # at least 72.7 rolls; the optimum needs 73 and wastes 0.401 %.
    asked = {
        1380: 22,
        1520: 25,
        1560: 12,
        1710: 14,
        1820: 18,
        1880: 18,
        1930: 20,
        2000: 10,
        2050: 12,
        2100: 14,
        2140: 16,
        2150: 18,
        2200: 20,
    }
    result = bars(list(asked.items()), 5600, Saw(0, 5600)).tubes[0]
    assert result.lengths.parts == 407_160
    assert result.new_bars == 73
    assert result.bound.proven_optimal
    assert result.lengths.waste_ratio == pytest.approx(0.00401, abs=5e-6)


def test_l2_bound_of_martello_and_toth() -> None:
    # Their nine items in bins of 100 (from memory). By hand: Σ = 300, so L1 = 3; K = 33 gives
    # |J1| = 1 (70), |J2| = 1 (60), J3 = 50 + 3·33 = 149, room in J2 40: 1 + 1 + ⌈109/100⌉ = 4.
    sizes, demand = (70, 60, 50, 33, 11, 7, 3), (1, 1, 1, 3, 1, 1, 1)
    assert l2_bound(sizes, demand, 100) == 4
    assert least_price(sizes, demand, [(100, 1, None)]) == 4


# --- instances of known optimum ------------------------------------------------------------------


@pytest.mark.parametrize(("pieces", "seed"), [(60, 1), (60, 2), (60, 3), (120, 1), (120, 2)])
def test_triplets_are_solved_to_their_known_optimum(pieces: int, seed: int) -> None:
    # Falkenauer's triplets: pieces/3 bars without any waste exist by construction
    plan, seconds = planned(one_kind(triplets(pieces, 1000, seed), 1000))
    assert plan.price == plan.lower_bound == pieces // 3
    assert seconds < SECONDS


@pytest.mark.parametrize("seed", range(5))
def test_uniform_instances_are_within_one_bar_of_the_linear_bound(seed: int) -> None:
    # Falkenauer's uniform class: 120 pieces of 20–100 in bars of 150
    items = np.random.default_rng(seed).integers(20, 101, 120).tolist()
    problem = one_kind(items, 150)
    plan, seconds = planned(problem)
    linear = linear_price(problem.sizes, problem.demand, 150)
    assert linear - 1e-6 <= plan.price <= linear + 1
    assert linear <= plan.lower_bound + 1e-6 <= linear + 1
    assert seconds < SECONDS


@pytest.mark.parametrize("seed", range(4))
def test_first_fit_decreasing_keeps_its_worst_case(seed: int) -> None:
    # FFD ≤ 11/9·OPT + 6/9 (Dósa 2007); triplets give the optimum
    problem = one_kind(triplets(90, 1000, seed), 1000)
    assert first_fit_decreasing(problem).price() <= 11 / 9 * 30 + 6 / 9


# --- independent solvers on small lists ----------------------------------------------------------

SMALL: list[tuple[tuple[int, ...], tuple[int, ...], list[Kind]]] = [
    ((47, 33, 21), (3, 4, 5), [(100, 1, None)]),
    ((47, 33, 21), (3, 4, 5), [(100, 7, None), (70, 5, None)]),
    ((47, 33, 21), (3, 4, 5), [(100, 7, 2), (70, 5, None), (60, 0, 1)]),
    ((55, 41, 29, 17), (4, 3, 6, 5), [(120, 11, 3), (90, 8, 4), (60, 5, None), (44, 0, 2)]),
    ((50, 34, 33), (2, 4, 4), [(100, 1, None)]),
    ((61, 44, 27, 13), (7, 9, 12, 15), [(150, 10, None), (110, 7, None), (62, 5, 3)]),
]


@pytest.mark.parametrize(("sizes", "demand", "kinds"), SMALL)
def test_small_lists_are_optimal_and_proven(
    sizes: tuple[int, ...], demand: tuple[int, ...], kinds: list[Kind]
) -> None:
    # scipy's integer programme over every pattern
    problem = CuttingStock(sizes, demand, tuple(BarKind(*kind) for kind in kinds))
    plan, _ = planned(problem)
    assert not any(plan.uncut)
    assert plan.price == plan.lower_bound == least_price(sizes, demand, kinds)


def test_the_two_independent_solvers_agree() -> None:
    for sizes, demand, kinds in SMALL[:3]:
        assert least_price_by_search(sizes, demand, kinds) == least_price(sizes, demand, kinds)


def test_stock_with_prices_is_cheapest_for_the_shop() -> None:
    # the same list in mm through the whole calculation: 0 kerf, prices 10 and 7, and scipy beside
    sizes, demand = (1700, 1100, 900), (5, 6, 7)
    kinds: list[Kind] = [(6000, 1000, None), (4000, 700, None)]
    parts = tuple(Part(str(w), w, n) for w, n in zip(sizes, demand, strict=True))
    stock = (StockLength("6 m", 6000, price=10.0), StockLength("4 m", 4000, price=7.0))
    result = cut_list(CutJob(parts, stock, Saw(0, 100), search=Search(1.0))).tubes[0]
    cheapest = least_price(sizes, demand, kinds)
    assert cheapest is not None
    assert result.cost == result.bound.value == pytest.approx(cheapest / 100)
    assert result.bound.proven_optimal
