"""Search for the cheapest cutting plan: column generation, dives, branch and bound, proven bound.

The problem and its notation are those of :mod:`service.calc.cutting_stock`. The steps, each taken
only where the plan so far does not yet meet the bound so far:

1. first fit and best fit decreasing against the bounds by length and L2; no solver is loaded
2. the linear programme by column generation: patterns are priced by a bounded knapsack over all
   capacities at once (so one table serves every kind of bar), first on a coarse grid
3. dives: whole multiples are fixed, the largest fraction is rounded up, the rest is solved again
4. where few enough patterns can take part in a better plan, all of them are listed and the integer
   programme over them is solved; that proves the optimum
5. more dives, with seeded noise

The solver is HiGHS (package ``highspy``), imported only when step 2 is reached.

Determinism: work is counted in table cells, simplex iterations and nodes, not in seconds, so that
the same problem, seed and budget take the same path on the same versions of the libraries. The
clock is only the last stop; a plan of a search that it cut short says so (``repeatable`` is False).
"""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import compress
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from service.calc.cutting_stock import (
    BarKind,
    CuttingStock,
    Draft,
    Ints,
    best_fit_decreasing,
    fill_free_bars,
    first_fit_decreasing,
    l2_bound,
    material_bound,
)
from service.model import Method

if TYPE_CHECKING:
    from highspy._core import _Highs

METHODS = (
    Method(
        "cutting-stock-linear-bound",
        "Linear programme over cutting patterns by column generation",
        "min Σ c·x, Σ a·x ≥ d, Σ x ≤ n; bound from its shadow prices in whole-number arithmetic",
        "every list; the bound holds wherever column generation was stopped",
        ("gilmore-gomory-1961", "gilmore-gomory-1963", "derived-here"),
    ),
    Method(
        "cutting-stock-dive",
        "Rounding of the linear programme",
        "fix whole multiples, round up the largest fraction, solve the rest again",
        "every list; gives a plan, not a proof",
        ("derived-here",),
    ),
    Method(
        "cutting-stock-branch-and-bound",
        "Integer programme over every pattern that a better plan could hold",
        "patterns with reduced cost ≤ best plan − 1 − bound; branch and bound over them; the bound "
        "is raised to the next sum of prices of bars",
        "lists with few such patterns; proven within the solver's tolerance of 1e-6",
        ("gilmore-gomory-1961", "derived-here"),
    ),
)

BoundFrom = Literal["material", "l2", "linear", "branch_and_bound"]
EndedBy = Literal["proof", "work", "clock"]
Floats = NDArray[np.float64]
Pattern = tuple[int, tuple[int, ...]]

# Work is counted in about nanoseconds of one core; a second of budget allows 0.6 s of it,
# so that work, which repeats, is used up before the clock, which does not.
WORK_PER_SECOND = 6.0e8
WORK_OF_A_CELL = 0.5
WORK_OF_A_TABLE_ROW = 4.0e3
WORK_OF_A_SIMPLEX_RUN = 3.0e5
WORK_OF_A_SIMPLEX_STEP = 2.0e4
WORK_OF_A_LISTING_STEP = 5.0e3
WORK_OF_A_NODE = 2.0e6
COARSE_GRID = 2000
COLUMNS_PER_ROUND = 8
ROUNDS_IN_A_DIVE = 3
TABLES_IN_A_DIVE = 60
KEPT_FOR_DIVES = 0.5
FIRST_DIVES = 3
MOST_LISTED_PATTERNS = 4000
MOST_LISTING_STEPS = 60_000
MOST_SUMS = 1_000_000
WHOLE = 1e-6


@dataclass(frozen=True, slots=True)
class CutPattern:
    """``times`` bars of kind ``bar``, each cut into ``pieces[i]`` pieces of size i."""

    bar: int
    pieces: tuple[int, ...]
    times: int


@dataclass(frozen=True, slots=True)
class CutPlan:
    """What to cut, what it costs, what it must at least cost, and how the search ended.

    ``uncut`` counts, size by size, the pieces that no bar was found for; a plan is complete when
    all are 0. ``value`` is ``price`` plus the price of the uncut; no plan has a value below
    ``lower_bound``, and no complete plan a price below it.
    """

    patterns: tuple[CutPattern, ...]
    uncut: tuple[int, ...]
    price: int
    value: int
    lower_bound: int
    bound_from: BoundFrom
    ended_by: EndedBy
    repeatable: bool
    methods: tuple[str, ...]


class Meter:
    """Budget of a search: counted work first, the clock as the last stop.

    ``clocked`` tells that it was the clock that ended something, so that the outcome may differ
    from one run to the next.
    """

    def __init__(self, seconds: float, seed: int = 0) -> None:
        self.seconds = seconds
        self.work = self.all_work = seconds * WORK_PER_SECOND
        self.deadline = time.monotonic() + seconds
        self.seed = seed
        self.clocked = False

    def spend(self, work: float) -> None:
        """Count work that was done."""
        self.work -= work

    def over(self, keep: float = 0.0) -> bool:
        """Whether the budget is used up but for the part ``keep`` of it (0–1)."""
        if self.work <= keep * self.all_work:
            return True
        late = self.seconds_left() <= keep * self.seconds
        self.clocked = self.clocked or late
        return late

    def seconds_left(self) -> float:
        """Seconds to the last stop."""
        return max(0.0, self.deadline - time.monotonic())

    @contextmanager
    def share(self, searches: int) -> Iterator[Meter]:
        """Lend the next of ``searches`` its even share; what it leaves goes to the others."""
        part = Meter(self.seconds_left() / searches, self.seed)
        part.work = part.all_work = lent = max(0.0, self.work) / searches
        yield part
        self.spend(lent - part.work)
        self.clocked = self.clocked or part.clocked


def solve(problem: CuttingStock, meter: Meter, start: Sequence[CutPattern] = ()) -> CutPlan:
    """Return the cheapest plan found within the budget, with a proven lower bound.

    Arguments:
        problem: sizes, demand, bars; a size that fits no bar stays uncut
        meter: budget and seed; the seed is that of the noise in repeated dives and of the solver
        start: patterns to begin with, where a plan is known

    Source: Gilmore and Gomory 1961, 1963; L2 Martello and Toth 1990 (from memory).
    """
    scaled = _Scaled(problem)
    search = _Search(scaled.problem, meter)
    if start:
        draft = Draft(scaled.problem)
        for pattern in start:
            draft.take(pattern.bar, pattern.pieces, pattern.times)
        search.offer(first_fit_decreasing(scaled.problem, draft))
    return scaled.back(search.run())


def lower_bound(problem: CuttingStock, meter: Meter) -> tuple[int, BoundFrom]:
    """Return a proven lower bound of the price of any complete plan, and where it is from."""
    scaled = _Scaled(problem)
    search = _Search(scaled.problem, meter)
    search.quick_bounds()
    search.linear()
    return search.lower_bound * scaled.price_unit, search.bound_from


def linear_bound(problem: CuttingStock, meter: Meter) -> Fraction:
    """Return the value of the linear programme over all patterns, not rounded up.

    It is the dual bound in whole-number arithmetic: at most the true value of the linear
    programme, and equal to it within about 1e-9 where column generation ran to its end.
    """
    scaled = _Scaled(problem)
    search = _Search(scaled.problem, meter)
    search.linear(to_the_end=True)
    return search.linear_value * scaled.price_unit


def shortage(problem: CuttingStock, meter: Meter) -> CutPlan:
    """Return the plan that leaves the least length uncut, whatever the bars cost.

    Only the sizes that no unlimited bar holds can be short, and only limited bars matter to them;
    the plan's ``value`` and ``lower_bound`` are lengths. A bound above 0 proves the shortage.
    """
    hard = [i for i, w in enumerate(problem.sizes) if not _fits_unlimited(problem, w)]
    bars = [j for j, b in enumerate(problem.bars) if b.count is not None]
    sizes = tuple(problem.sizes[i] for i in hard)
    part = CuttingStock(
        sizes,
        tuple(problem.demand[i] for i in hard),
        tuple(replace(problem.bars[j], price=0) for j in bars) or (BarKind(1, 0, 0),),
        sizes,
    )
    return _widened(solve(part, meter), hard, bars, len(problem.sizes))


def _widened(plan: CutPlan, hard: Sequence[int], bars: Sequence[int], sizes: int) -> CutPlan:
    def wide(pieces: Sequence[int]) -> tuple[int, ...]:
        found = dict(zip(hard, pieces, strict=True))
        return tuple(found.get(i, 0) for i in range(sizes))

    patterns = tuple(CutPattern(bars[p.bar], wide(p.pieces), p.times) for p in plan.patterns)
    return replace(plan, patterns=patterns, uncut=wide(plan.uncut))


# --- scaling -------------------------------------------------------------------------------------


class _Scaled:
    """The problem divided by the common divisors of its sizes and of its prices.

    A bar's capacity is rounded down to a multiple of the sizes' divisor, which loses nothing as
    no sum of sizes lies between; a bound in units of price may then be rounded up to a whole one.
    """

    def __init__(self, problem: CuttingStock) -> None:
        unit = math.gcd(*problem.sizes) or 1
        most = sum(problem.demand)
        bars = [_needed(b, unit, most) for b in problem.bars]
        omission = problem.omission or _dear(problem, bars, unit)
        self.price_unit = math.gcd(*(b.price for b in bars), *omission) or 1
        self.problem = CuttingStock(
            tuple(w // unit for w in problem.sizes),
            problem.demand,
            tuple(BarKind(b.capacity, b.price // self.price_unit, b.count) for b in bars),
            tuple(o // self.price_unit for o in omission),
        )

    def back(self, plan: CutPlan) -> CutPlan:
        """Return the plan in the caller's units of price; patterns are the same in any unit."""
        unit = self.price_unit
        return replace(
            plan,
            price=plan.price * unit,
            value=plan.value * unit,
            lower_bound=plan.lower_bound * unit,
        )


def _needed(bar: BarKind, unit: int, most: int) -> BarKind:
    """Return the bar in units of length; as many bars as pieces are as good as any number.

    Bars that cost nothing stay counted, or nothing would bound the price from below.
    """
    enough = bar.count is None or (bar.count >= most and bar.price > 0)
    return BarKind(bar.capacity // unit, bar.price, None if enough else bar.count)


def _dear(problem: CuttingStock, bars: Sequence[BarKind], unit: int) -> tuple[int, ...]:
    """Return a price for each size at which leaving a piece uncut never pays.

    A piece that fits an unlimited bar can always be cut for that bar's price. One that does not
    may need a whole rearrangement, which never costs more than all that can be bought.
    """
    step = math.gcd(*(b.price for b in bars)) or 1
    highest = max((b.price for b in bars), default=0)
    everything = sum(b.price * (b.count or 0) for b in bars) + highest * sum(problem.demand) + step

    def price(size: int) -> int:
        holds = [b.price for b in bars if b.count is None and b.capacity * unit >= size]
        return 2 * min(holds) + step if holds else everything

    return tuple(price(w) for w in problem.sizes)


# --- pricing -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Knapsack:
    """Best value within each capacity 0…C, and the choices that lead there.

    ``best`` (C + 1,); ``steps`` are (item, copies, weight), ``taken`` their choices as bits.
    """

    best: Ints
    taken: tuple[NDArray[np.uint8], ...]
    steps: tuple[tuple[int, int, int], ...]
    items: int

    def pieces(self, capacity: int) -> tuple[int, ...]:
        """Return how many of each item make up the best value within ``capacity``."""
        chosen = [0] * self.items
        for bits, (item, copies, weight) in zip(
            reversed(self.taken), reversed(self.steps), strict=True
        ):
            if bits[capacity >> 3] >> (7 - (capacity & 7)) & 1:
                chosen[item] += copies
                capacity -= weight
        return tuple(chosen)


def knapsack(
    weights: Sequence[int], demand: Sequence[int], values: Sequence[int], capacity: int
) -> Knapsack:
    """Solve the bounded knapsack for every capacity 0…C at once, in whole numbers.

    max Σ vᵢaᵢ with Σ wᵢaᵢ ≤ c, 0 ≤ aᵢ ≤ dᵢ, by dynamic programming over items; copies of an item
    are taken in lots of 1, 2, 4, …, so that each lot is one vectorised step over the capacities.

    Arguments:
        weights: whole, > 0
        demand: how many of each at most
        values: whole, ≥ 0; a sum of them must stay below 2⁶³
        capacity: the largest, C

    Source: dynamic programming as in Martello and Toth 1990 (from memory).
    """
    best = np.zeros(capacity + 1, dtype=np.int64)
    taken, steps = [], []
    for item, copies in _lots(weights, demand, values, capacity):
        weight = copies * weights[item]
        with_lot = best[: capacity + 1 - weight] + copies * values[item]
        choice = np.zeros(capacity + 1, dtype=np.bool_)
        np.greater(with_lot, best[weight:], out=choice[weight:])
        np.maximum(best[weight:], with_lot, out=best[weight:])
        taken.append(np.packbits(choice))
        steps.append((item, copies, weight))
    return Knapsack(best, tuple(taken), tuple(steps), len(weights))


def _lots(
    weights: Sequence[int], demand: Sequence[int], values: Sequence[int], capacity: int
) -> Iterator[tuple[int, int]]:
    for item, (weight, wanted, value) in enumerate(zip(weights, demand, values, strict=True)):
        left, lot = min(wanted, capacity // weight), 1
        while left > 0 and value > 0:
            yield item, min(lot, left)
            left -= min(lot, left)
            lot *= 2


# --- the linear programme ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Relaxed:
    """Solution of the linear programme over the columns at hand, prices in the master's unit."""

    shadow: Floats
    bar_shadow: Floats
    use: Floats
    value: float


class _Master:
    """The linear programme in HiGHS: a row per size, a row per limited kind of bar.

    Prices are divided by the dearest bar, so that the solver's tolerances suit them.
    """

    def __init__(self, problem: CuttingStock, meter: Meter) -> None:
        self.problem, self.meter = problem, meter
        self.unit = max((b.price for b in problem.bars), default=0) or max(problem.omission) or 1
        self.columns: list[Pattern] = []
        self.known: set[Pattern] = set()
        limited = [j for j, b in enumerate(problem.bars) if b.count is not None]
        self.bar_row = {j: len(problem.sizes) + k for k, j in enumerate(limited)}
        self.solver = _quiet_solver(meter.seed)
        self._rows()
        for i, price in enumerate(problem.omission):
            self._column(price, [i], [1.0])

    def _rows(self) -> None:
        none: tuple[NDArray[np.int32], Floats] = (np.zeros(0, dtype=np.int32), np.zeros(0))
        for demand in self.problem.demand:
            self.solver.addRow(float(demand), math.inf, 0, *none)
        for j in self.bar_row:
            self.solver.addRow(-math.inf, float(self.problem.bars[j].count or 0), 0, *none)

    def _column(self, price: int, rows: list[int], entries: list[float]) -> None:
        self.solver.addCol(
            price / self.unit,
            0.0,
            math.inf,
            len(rows),
            np.array(rows, dtype=np.int32),
            np.array(entries, dtype=np.float64),
        )

    def add(self, bar: int, pieces: tuple[int, ...]) -> bool:
        """Add a pattern; False where it is known already or empty."""
        if (bar, pieces) in self.known or not any(pieces):
            return False
        self.known.add((bar, pieces))
        self.columns.append((bar, pieces))
        rows = list(compress(range(len(pieces)), pieces))
        entries = [float(pieces[i]) for i in rows]
        if bar in self.bar_row:
            rows.append(self.bar_row[bar])
            entries.append(1.0)
        self._column(self.problem.bars[bar].price, rows, entries)
        return True

    def ask(self, demand: Sequence[int], counts: Sequence[int | None]) -> None:
        """Set what is to be cut and how many bars are left."""
        for i, d in enumerate(demand):
            self.solver.changeRowBounds(i, float(d), math.inf)
        for j, row in self.bar_row.items():
            self.solver.changeRowBounds(row, -math.inf, float(counts[j] or 0))

    def solve(self) -> _Relaxed:
        """Solve over the columns at hand, from the last basis."""
        self.solver.run()
        steps = self.solver.getInfo().simplex_iteration_count
        self.meter.spend(WORK_OF_A_SIMPLEX_RUN + WORK_OF_A_SIMPLEX_STEP * max(0, steps))
        solution = self.solver.getSolution()
        dual, m = np.asarray(solution.row_dual), len(self.problem.sizes)
        bars = np.zeros(len(self.problem.bars))
        for j, row in self.bar_row.items():
            bars[j] = min(0.0, dual[row])
        use, value = np.asarray(solution.col_value)[m:], self.solver.getObjectiveValue() * self.unit
        return _Relaxed(np.maximum(dual[:m], 0.0), bars, use, value)


def _quiet_solver(seed: int) -> _Highs:
    """Return an empty HiGHS model on one thread.

    The class below ``highspy.Highs`` is used: the outer one registers callbacks in its constructor
    and with that writes a banner to standard output before it can be told to be quiet.
    """
    from highspy import _core

    solver = _core._Highs()
    for option, value in (
        ("output_flag", False),
        ("threads", 1),
        ("parallel", "off"),
        ("random_seed", seed),
    ):
        solver.setOptionValue(option, value)
    return solver


@dataclass(frozen=True, slots=True)
class _Prices:
    """Shadow prices as whole numbers: a size's price is values[i]·unit/scale."""

    values: list[int]
    scale: int
    unit: int

    def level(self, amount: Fraction | int) -> Fraction:
        """Return an amount of price in the units of ``values``."""
        return Fraction(amount) * self.scale / self.unit


def _whole_prices(problem: CuttingStock, shadow: Floats, unit: int) -> _Prices:
    """Round shadow prices down to whole numbers as fine as 63 bits allow; never above omission."""
    clean = np.where(shadow > 1e-9, shadow, 0.0)
    density = float((clean / np.asarray(problem.sizes)).max(initial=0.0))
    capacity = max(b.capacity for b in problem.bars)
    scale = 1 << max(0, min(50, 60 - math.ceil(math.log2(max(1.0, density * capacity)))))
    values = np.floor(clean * scale).astype(np.int64).tolist()
    most = [o * scale // unit for o in problem.omission]
    return _Prices([min(v, m) for v, m in zip(values, most, strict=True)], scale, unit)


@dataclass(frozen=True, slots=True)
class _Dual:
    """A feasible solution of the dual, exact: θ scales prices down until no bar exceeds its own.

    For shadow prices y, best values vⱼ = max y·a on each kind of bar, and θ = max(1, vⱼ/cⱼ over the
    unlimited kinds), y/θ with −max(0, vⱼ/θ − cⱼ) for the limited kinds is feasible, so that

        Σ dᵢyᵢ/θ − Σ nⱼ·max(0, vⱼ/θ − cⱼ)

    bounds the linear programme from below whether or not column generation is done. For one
    unlimited kind it is the bound of Farley (Oper. Res. 38 (1990) 922, from memory).
    """

    prices: _Prices
    theta: Fraction
    excess: tuple[Fraction, ...]
    value: Fraction


def _dual(problem: CuttingStock, prices: _Prices, best: Ints) -> _Dual | None:
    levels = [prices.level(b.price) for b in problem.bars]
    values = [int(best[b.capacity]) for b in problem.bars]
    theta = Fraction(1)
    for bar, level, value in zip(problem.bars, levels, values, strict=True):
        if bar.count is None and value > level * theta:
            if not level:
                return None
            theta = value / level
    excess = tuple(max(Fraction(0), v / theta - c) for v, c in zip(values, levels, strict=True))
    total = sum(d * v for d, v in zip(problem.demand, prices.values, strict=True)) / theta
    total -= sum((b.count or 0) * e for b, e in zip(problem.bars, excess, strict=True))
    return _Dual(prices, theta, excess, total * prices.unit / prices.scale)


class _Pricing:
    """Column generation: prices patterns by the knapsack and adds those that pay to the master."""

    def __init__(self, problem: CuttingStock, meter: Meter) -> None:
        self.problem, self.meter = problem, meter
        self.master = _Master(problem, meter)
        self.longest = max(b.capacity for b in problem.bars)
        # A coarse grid makes short tables; it must still tell the shortest piece from its double.
        self.coarse = max(1, min(self.longest // COARSE_GRID, min(problem.sizes) // 4))
        self.exact_table = 0.0

    def grains_of_a_dive(self) -> tuple[int, ...]:
        """Coarse grid first, then the exact one unless its tables would eat up the budget."""
        tables = TABLES_IN_A_DIVE * self.exact_table
        return (self.coarse, 1) if tables <= self.meter.work else (self.coarse,)

    def ask(self, draft: Draft) -> None:
        """Set what is still to be cut and which bars are left."""
        self.master.ask(draft.demand, draft.counts)

    def generate(
        self,
        demand: Sequence[int],
        grain: int,
        rounds: int = 10_000,
        enough: Callable[[_Prices, Knapsack, float], bool] | None = None,
        keep: float = 0.0,
    ) -> _Relaxed:
        """Add columns until none pays, it is enough, or rounds or budget are used up.

        ``keep`` is the part of the budget that is left for what comes after.
        """
        relaxed = self.master.solve()
        for _ in range(rounds):
            prices = _whole_prices(self.problem, relaxed.shadow, self.master.unit)
            table = self._table(demand, prices, grain)
            if enough is not None and enough(prices, table, relaxed.value):
                break
            added = self._add_paying(demand, prices, relaxed.bar_shadow, grain, table)
            if not added or self.meter.over(keep):
                break
            relaxed = self.master.solve()
        return relaxed

    def _add_paying(
        self,
        demand: Sequence[int],
        prices: _Prices,
        bar_shadow: Floats,
        grain: int,
        table: Knapsack,
    ) -> int:
        """Add a handful of patterns, each next one priced on what the last one left over."""
        left, added = list(demand), 0
        for turn in range(COLUMNS_PER_ROUND):
            table = self._table(left, prices, grain) if turn else table
            paying = self._paying(table, prices, bar_shadow, grain)
            if not paying:
                break
            patterns = [(j, table.pieces(self._room(j, grain))) for j in paying]
            added += sum(self.master.add(*pattern) for pattern in patterns)
            left = _without(left, patterns[0][1])
            if not any(left) or self.meter.over():
                break
        return added

    def _room(self, bar: int, grain: int) -> int:
        return self.problem.bars[bar].capacity // grain

    def _table(self, demand: Sequence[int], prices: _Prices, grain: int) -> Knapsack:
        """Price patterns on a grid: sizes rounded up and bars down, so that all of them fit."""
        weights = [-(-w // grain) for w in self.problem.sizes]
        table = knapsack(weights, demand, prices.values, self.longest // grain)
        cells = len(table.steps) * len(table.best)
        work = len(table.steps) * WORK_OF_A_TABLE_ROW + cells * WORK_OF_A_CELL
        self.meter.spend(work)
        if grain == 1:
            self.exact_table = max(self.exact_table, work)
        return table

    def _paying(
        self, table: Knapsack, prices: _Prices, bar_shadow: Floats, grain: int
    ) -> list[int]:
        """Return the kinds of bar whose best pattern pays, the best first."""
        gains = []
        for j, bar in enumerate(self.problem.bars):
            worth = int(table.best[self._room(j, grain)]) / prices.scale
            gains.append((worth - (bar.price / prices.unit - float(bar_shadow[j])), j))
        return [j for gain, j in heapq.nlargest(COLUMNS_PER_ROUND, gains) if gain > 1e-8]


def _without(demand: Sequence[int], pieces: Sequence[int]) -> list[int]:
    """Return the demand less the pattern as often as it fits into it, at least once."""
    times = max(1, min(d // a for d, a in zip(demand, pieces, strict=True) if a))
    return [max(0, d - a * times) for d, a in zip(demand, pieces, strict=True)]


# --- the search ----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Search:
    """One search: the best plan so far, the bound so far, and the budget."""

    problem: CuttingStock
    meter: Meter
    best: Draft | None = None
    lower_bound: int = 0
    bound_from: BoundFrom = "material"
    linear_value: Fraction = Fraction(0)
    dual: _Dual | None = None
    methods: list[str] = field(default_factory=list)
    _pricing: _Pricing | None = None

    def run(self) -> CutPlan:
        """Go through the steps until the plan is proven or the budget is used up."""
        self.quick_bounds()
        self.heuristics()
        steps: tuple[Callable[[], None], ...] = (
            self.linear,
            lambda: self.dives(range(FIRST_DIVES)),
            self.branch_and_bound,
            lambda: self.dives(range(FIRST_DIVES, 10_000)),
        )
        for step in steps:
            if not (self.settled() or self.meter.over()):
                step()
        return self.plan()

    def proven(self) -> bool:
        """Whether the plan meets the bound."""
        return self.best is not None and self.best.value() <= self.lower_bound

    def settled(self) -> bool:
        """Whether the plan is proven, or as near to it as the integer programme can tell.

        Where prices have many digits, its tolerance is more than one unit of price; what a dive
        might still find is then less than a millionth of the dearest bar.
        """
        if self.best is None or self.bound_from != "branch_and_bound":
            return self.proven()
        doubt = WHOLE * max(b.price for b in self.problem.bars)
        return self.best.value() - self.lower_bound <= doubt

    def offer(self, draft: Draft) -> None:
        """Keep the draft if it is the best so far."""
        if self.best is None or draft.value() < self.best.value():
            self.best = draft

    def raise_bound(self, value: Fraction | int, source: BoundFrom) -> None:
        """Keep the bound if it is the best so far; prices are whole, so it is rounded up."""
        if math.ceil(value) > self.lower_bound:
            self.lower_bound, self.bound_from = math.ceil(value), source

    def use(self, method: str) -> None:
        """Note a method as used."""
        if method not in self.methods:
            self.methods.append(method)

    def quick_bounds(self) -> None:
        """Bounds that need no solver. They bound complete plans, so only where one must exist."""
        problem = self.problem
        if not all(_fits_unlimited(problem, w) for w in problem.sizes):
            return
        self.use("cutting-stock-material-bound")
        self.raise_bound(material_bound(problem), "material")
        if len(problem.bars) == 1:
            self.use("cutting-stock-l2-bound")
            bar = problem.bars[0]
            bars = l2_bound(problem.sizes, problem.demand, bar.capacity)
            self.raise_bound(bars * bar.price, "l2")

    def heuristics(self) -> None:
        """First fit and best fit decreasing."""
        self.use("first-and-best-fit-decreasing")
        self.offer(first_fit_decreasing(self.problem))
        self.offer(best_fit_decreasing(self.problem))

    def plan(self) -> CutPlan:
        """Return the best plan as a result."""
        self.best = best = fill_free_bars(self.best or Draft(self.problem))
        ended: EndedBy = "clock" if self.meter.clocked else "work"
        cut = sorted(((*key, n) for key, n in best.cut.items() if n), reverse=True)
        return CutPlan(
            tuple(CutPattern(bar, pieces, n) for bar, pieces, n in cut),
            tuple(best.demand),
            best.price(),
            best.value(),
            self.lower_bound,
            self.bound_from,
            "proof" if self.proven() else ended,
            not self.meter.clocked,
            tuple(self.methods),
        )

    @property
    def pricing(self) -> _Pricing:
        """The linear programme, made when first asked for, begun with the best plan's patterns."""
        if self._pricing is None:
            self._pricing = _Pricing(self.problem, self.meter)
            start = self.best or first_fit_decreasing(self.problem)
            for bar, pieces in start.cut:
                self._pricing.master.add(bar, pieces)
        return self._pricing

    def linear(self, to_the_end: bool = False) -> None:
        """Solve the linear programme and raise the bound with it.

        As the bound is rounded up, column generation may stop once the linear programme over the
        columns at hand rounds up to the same whole number; ``to_the_end`` goes on all the same.
        """
        self.use("cutting-stock-linear-bound")
        pricing = self.pricing

        def enough(prices: _Prices, table: Knapsack, value: float) -> bool:
            dual = _dual(self.problem, prices, table.best)
            if dual and dual.value > self.linear_value:
                self.linear_value, self.dual = dual.value, dual
                self.raise_bound(dual.value, "linear")
            same = math.ceil(self.linear_value) >= math.ceil(value - WHOLE)
            return not to_the_end and (same or self.proven())

        keep = 0.0 if to_the_end else KEPT_FOR_DIVES
        pricing.ask(Draft(self.problem))
        pricing.generate(self.problem.demand, pricing.coarse, keep=keep)
        pricing.generate(self.problem.demand, 1, enough=enough, keep=keep)

    def dives(self, which: Iterable[int]) -> None:
        """Dive again and again; the first without noise."""
        self.use("cutting-stock-dive")
        for turn in which:
            if self.proven() or self.meter.over():
                break
            noise = np.random.default_rng((self.meter.seed, turn)) if turn else None
            self.offer(self._dive(noise))

    def _dive(self, noise: np.random.Generator | None) -> Draft:
        draft, pricing = Draft(self.problem), self.pricing
        while any(draft.demand) and not self.meter.over():
            pricing.ask(draft)
            for grain in pricing.grains_of_a_dive():
                relaxed = pricing.generate(draft.demand, grain, ROUNDS_IN_A_DIVE)
            chosen = _rounded(relaxed.use, noise)
            if not sum(draft.take(*pricing.master.columns[k], n) for k, n in chosen):
                break
        return first_fit_decreasing(self.problem, draft)

    def branch_and_bound(self) -> None:
        """Solve the integer programme over all patterns that a better plan could hold."""
        if self.best is None or self.dual is None:
            return
        listing = _Listing(self.problem, self.dual, self.best.value() - 1)
        listed = listing.patterns()
        self.meter.spend(listing.steps * WORK_OF_A_LISTING_STEP)
        if listed is None:
            return
        self.use("cutting-stock-branch-and-bound")
        found, proof = _integer(self.problem, listed, self.best.value(), self.meter)
        if found is not None:
            self.offer(found.tidy())
        if proof is not None:
            value, complete = self.best.value(), not any(self.best.demand)
            if complete and proof < value:
                proof = next_sum(self.problem.bars, proof, value)
            self.raise_bound(min(proof, value), "branch_and_bound")


def _fits_unlimited(problem: CuttingStock, size: int) -> bool:
    return any(b.count is None and b.capacity >= size for b in problem.bars)


def _rounded(use: Floats, noise: np.random.Generator | None) -> list[tuple[int, int]]:
    """Return the whole multiples; where there are none, one of the column of largest fraction."""
    whole = np.floor(use + WHOLE).astype(int)
    if whole.any():
        return [(int(k), int(whole[k])) for k in np.flatnonzero(whole)]
    if use.max(initial=0.0) <= WHOLE:
        return []
    jitter = 0.0 if noise is None else 0.1 * noise.random(len(use))
    return [(int(np.argmax(np.where(use > WHOLE, use + jitter, 0.0))), 1)]


def next_sum(bars: Sequence[BarKind], least: int, below: int) -> int:
    """Return the least price from ``least`` on that bars add up to; ``below`` where that is less.

    A solver that works in floating point leaves a doubt of some units of price. Prices of many
    digits seldom add up to just what lies within it, and then the doubt is none. Where there are
    too many sums to try, it is ``least``.
    """
    cheapest, *others = sorted({b.price for b in bars if b.price}) or [1]
    most = [below // price + 1 for price in others]
    if math.prod(most) > MOST_SUMS or below >= 1 << 62:
        return least
    sums = np.zeros(1, dtype=np.int64)
    for price, count in zip(others, most, strict=True):
        sums = (sums[:, np.newaxis] + price * np.arange(count, dtype=np.int64)).ravel()
        sums = sums[sums < below]
    short = np.maximum(least - sums, 0)
    return int((sums - (-short // cheapest) * cheapest).min(initial=below))


# --- listing and the integer programme -----------------------------------------------------------


class _Listing:
    """All patterns, filled until no piece fits, whose reduced cost leaves room for a better plan.

    The reduced costs of a plan's patterns add up to at most its price less the dual bound; one
    pattern alone above that difference cannot be part of it. Patterns that could take another
    piece need not be listed: demand may be exceeded, and what is too much is left out afterwards.
    """

    def __init__(self, problem: CuttingStock, dual: _Dual, aim: int) -> None:
        self.problem, self.dual = problem, dual
        self.slack = dual.prices.level(aim - dual.value)
        self.order = sorted(
            range(len(problem.sizes)),
            key=lambda i: Fraction(dual.prices.values[i], problem.sizes[i]),
            reverse=True,
        )
        self.found: list[Pattern] = []
        self.steps = 0

    def patterns(self) -> list[Pattern] | None:
        """Return the patterns, None where there are too many."""
        for bar, kind in enumerate(self.problem.bars):
            level = self.dual.prices.level(kind.price) + self.dual.excess[bar] - self.slack
            if not self._fill(bar, kind.capacity, math.floor(level * self.dual.theta)):
                return None
        return self.found

    def _fill(self, bar: int, room: int, need: int) -> bool:
        """Walk all ways to fill a bar, depth first; ``need`` is the value still wanted.

        A loop and no recursion: a bar can hold more pieces than calls may stand in one another.
        """
        sizes, values = self.problem.sizes, self.dual.prices.values
        pieces, path, at = [0] * len(sizes), list[int](), 0
        while self._may_go_on(bar, pieces, room, need):
            place = self._next(pieces, at, room, need)
            while place is None:
                if not path:
                    return True
                at = path.pop()
                i = self.order[at]
                pieces[i], room, need = pieces[i] - 1, room + sizes[i], need + values[i]
                place = self._next(pieces, at + 1, room, need)
            i, at = self.order[place], place
            pieces[i], room, need = pieces[i] + 1, room - sizes[i], need - values[i]
            path.append(place)
        return False

    def _may_go_on(self, bar: int, pieces: list[int], room: int, need: int) -> bool:
        """Keep the pattern where it is one, and say whether there are not too many yet."""
        self.steps += 1
        if self.steps > MOST_LISTING_STEPS or len(self.found) > MOST_LISTED_PATTERNS:
            return False
        if need <= 0 and self._full(pieces, room):
            self.found.append((bar, tuple(pieces)))
        return True

    def _next(self, pieces: list[int], at: int, room: int, need: int) -> int | None:
        """The first place from ``at`` on whose piece fits, is wanted, and can bring what is."""
        sizes, values = self.problem.sizes, self.dual.prices.values
        for place in range(at, len(self.order)):
            i = self.order[place]
            if values[i] * room < need * sizes[i]:
                return None
            if sizes[i] <= room and pieces[i] < self.problem.demand[i]:
                return place
        return None

    def _full(self, pieces: Sequence[int], room: int) -> bool:
        rest = zip(self.problem.sizes, pieces, self.problem.demand, strict=True)
        return all(w > room or a >= d for w, a, d in rest)


def _integer(
    problem: CuttingStock, patterns: Sequence[Pattern], value: int, meter: Meter
) -> tuple[Draft | None, int | None]:
    """Solve the integer programme for plans below ``value``; return a plan and a proven bound."""
    from highspy import HighsModelStatus

    master = _Master(problem, meter)
    for bar, pieces in patterns:
        master.add(bar, pieces)
    solver = master.solver
    _make_integer(solver, value / master.unit, 0.999 / master.unit, meter)
    solver.run()
    info, status = solver.getInfo(), solver.getModelStatus()
    meter.spend(WORK_OF_A_NODE * info.mip_node_count)
    meter.spend(WORK_OF_A_SIMPLEX_STEP * info.simplex_iteration_count)
    meter.clocked = meter.clocked or status == HighsModelStatus.kTimeLimit
    doubt = WHOLE * master.unit  # what the solver's tolerance amounts to in whole prices
    if status in {HighsModelStatus.kInfeasible, HighsModelStatus.kObjectiveBound}:
        return None, value - int(doubt)
    bounded = math.isfinite(info.mip_dual_bound)
    proof = math.ceil(info.mip_dual_bound * master.unit - doubt) if bounded else None
    return _taken(master), proof


def _make_integer(solver: _Highs, above: float, gap: float, meter: Meter) -> None:
    from highspy import HighsVarType

    n = solver.getNumCol()
    kinds = np.full(n, int(HighsVarType.kInteger), dtype=np.uint8)
    solver.changeColsIntegrality(n, np.arange(n, dtype=np.int32), kinds)
    for option, value in (
        ("objective_bound", above - gap / 2),
        ("mip_abs_gap", gap),
        ("mip_rel_gap", 0.0),
        ("mip_max_nodes", max(1, int(meter.work / WORK_OF_A_NODE / 2))),
        ("time_limit", meter.seconds_left()),
    ):
        solver.setOptionValue(option, value)


def _taken(master: _Master) -> Draft | None:
    """Return the plan in the solver's solution, bars that cost nothing first, fullest first."""
    solution = master.solver.getSolution()
    if not solution.value_valid:
        return None
    problem, use = master.problem, np.asarray(solution.col_value)[len(master.problem.sizes) :]
    draft = Draft(problem)

    def key(k: int) -> tuple[bool, int]:
        bar, pieces = master.columns[k]
        filled = sum(a * w for a, w in zip(pieces, problem.sizes, strict=True))
        return bool(problem.bars[bar].price), problem.bars[bar].capacity - filled

    for k in sorted(map(int, np.flatnonzero(use > 0.5)), key=key):
        draft.take(*master.columns[k], round(float(use[k])))
    return draft
