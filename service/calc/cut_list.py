"""Cut list: parts with quantities nested into stock lengths and remnants, with a proven bound.

Kerf. A bar with usable length U, cut into n pieces by a saw of kerf k, needs Σl + (n − 1)·k ≤ U
where the last piece may end at the bar's own end, and Σl + n·k ≤ U where the last piece is always
parted from a rest. With wᵢ = lᵢ + k this is Σw ≤ U + k, or Σw ≤ U. Either way a rest is what n cuts
leave, and a rest thinner than the kerf goes up in swarf. [derived here]

Due groups. A lower number is cut first. Each group is planned for itself, as cheaply as can be, out
of what the earlier groups left: the stock counts that remain, the remnants not yet used, and the
useful rests of the bars already begun. A rest below the least useful remnant cannot be held and is
scrap, whatever could still be cut from it. The bound of the whole list ignores the groups, so that
it holds for any order of cutting.

Remnants cost nothing and are used first: the plan is the cheapest in new stock, and of its pieces
those that fit are then moved onto remnants even where that saves no new bar.

Lengths are whole multiples of a step (0.1 mm): parts, kerf, trim and least remnant are rounded up,
bars are rounded down, so that what fits on the grid fits in metal. A length within a millionth of a
step of the grid counts as on it.

Prices are whole numbers of their last decimal, so that a cost is exact. Past nine decimals the
search takes them to nine; its bound is then lowered to what holds for the prices as sent, and cost
and bound are told to six decimals.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from service.calc.cutting_stock import BarKind, CuttingStock
from service.calc.cutting_stock_search import (
    BoundFrom,
    CutPlan,
    EndedBy,
    Meter,
    lower_bound,
    shortage,
    solve,
)
from service.errors import (
    Amount,
    CalculationError,
    Kind,
    MissingError,
    NotDeterminedError,
    OutOfRangeError,
    Value,
    Word,
)
from service.model import LARGEST_LENGTH, Finding, Method

METHODS = (
    Method(
        "cut-list-kerf",
        "Pieces, kerf and rest of a bar",
        "Σl + (n − 1)·k ≤ U, or Σl + n·k ≤ U where the last piece is parted; rest = U − Σl − n·k",
        "straight cuts of one width; U is the bar less its end trim",
        ("derived-here",),
    ),
    Method(
        "cut-list-due-groups",
        "Due groups cut in order",
        "each group planned from the stock, remnants and useful rests that earlier groups left",
        "more than one due group",
        ("derived-here",),
    ),
)

LEAST_STEP, LARGEST_STEP = 0.01, 1.0
LEAST_TIME_BUDGET, LARGEST_TIME_BUDGET = 0.1, 30.0
LARGEST_KERF = 50.0
LEAST_BAR = 1.0
LEAST_PRICE, LARGEST_PRICE = 1e-4, 1e6
PRICE_DECIMALS = 9  # of which the search takes account
MONEY_DECIMALS = 6  # of a cost that is told where prices have more than those
MOST_NAMES_IN_AN_ERROR = 20
MOST_NAMES_IN_A_FINDING = 8
MOST_PART_LINES = 1000
MOST_PIECES = 100_000
MOST_REMNANTS = 2000
MOST_STEPS_IN_A_BAR = 150_000
NEAR_GRID = 1e-6

Objective = Literal["bars", "cost", "stock_length"]
SourceKind = Literal["stock", "remnant", "rest"]


@dataclass(frozen=True, slots=True)
class Part:
    """``quantity`` pieces of ``length`` mm from ``tube``; a lower due group is cut first."""

    id: str
    length: float
    quantity: int
    tube: str = ""
    due_group: int = 0


@dataclass(frozen=True, slots=True)
class StockLength:
    """New bars of ``length`` mm; count None where any number can be had; price of one bar."""

    id: str
    length: float
    tube: str = ""
    count: int | None = None
    price: float | None = None


@dataclass(frozen=True, slots=True)
class Remnant:
    """Remnants of ``length`` mm on the rack; they cost nothing and are used first."""

    id: str
    length: float
    tube: str = ""
    count: int = 1


@dataclass(frozen=True, slots=True)
class Saw:
    """How bars are cut, mm.

    Arguments:
        kerf: width of a cut
        least_remnant: shortest rest that the saw and the bender can still hold; below it is scrap
        end_trim: cut off a new bar in all, the kerf of the trimming cuts included
        remnant_end_trim: the same for a remnant; its ends are usually clean
        part_last_piece: True where the last piece is always parted from a rest (n kerfs); False
            where it may end at the bar's own end (n − 1 kerfs)
    """

    kerf: float
    least_remnant: float
    end_trim: float = 0.0
    remnant_end_trim: float = 0.0
    part_last_piece: bool = False


@dataclass(frozen=True, slots=True)
class Search:
    """Limits of the search: time budget s, seed, and the step of the length grid mm.

    ``usual_step`` is the step that would have been taken, had the longest bar allowed it; None
    where ``step`` was asked for.
    """

    time_budget: float = 2.0
    seed: int = 0
    step: float = 0.1
    usual_step: float | None = None


@dataclass(frozen=True, slots=True)
class CutJob:
    """What is to be cut from what.

    Arguments:
        parts: at most 1000 lines and 100,000 pieces
        stock: new bars; for one tube either all have a price or none
        saw: kerf, trim and least useful remnant
        remnants: on the rack, at most 2000, used first
        mass_per_length: kg/mm by tube; without it masses are None
        search: time budget 0.1–30 s, seed, step of the length grid 0.01–1 mm; no bar may be longer
            than 150,000 steps
        tubes: tubes that are described, whether or not their mass is known
    """

    parts: tuple[Part, ...]
    stock: tuple[StockLength, ...]
    saw: Saw
    remnants: tuple[Remnant, ...] = ()
    mass_per_length: Mapping[str, float] = field(default_factory=dict)
    search: Search = Search()
    tubes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PieceCut:
    """``count`` pieces of part ``part``, each ``length`` mm on the grid, from one bar."""

    part: str
    length: float
    count: int


@dataclass(frozen=True, slots=True)
class BarPattern:
    """``times`` bars cut alike.

    ``source`` says what the bar is: new stock, a remnant, or the rest of an earlier pattern
    (``from_pattern``). Lengths in mm are per bar: the pieces, kerf, trim and rest add up to
    ``bar_length``. ``rests_cut_later`` of the rests are cut up by a later due group; the others
    are returned where ``rest_is_useful``, else scrap.
    """

    number: int
    due_group: int
    source: SourceKind
    source_id: str
    from_pattern: int | None
    bar_length: float
    times: int
    pieces: tuple[PieceCut, ...]
    kerf: float
    trim: float
    rest: float
    rest_is_useful: bool
    rests_cut_later: int = 0


@dataclass(frozen=True, slots=True)
class Bound:
    """What the plan takes, what any plan must at least take, both in units of ``objective``.

    ``objective`` is the number of new bars where there is one stock length, the cost where there
    are several with prices, the length of new stock (mm) where there are several without.
    """

    objective: Objective
    value: float
    lower_bound: float
    gap: float
    proven_optimal: bool
    bound_from: BoundFrom


@dataclass(frozen=True, slots=True)
class DueGroup:
    """One due group: new bars, bound given what earlier groups left, and how the search ended."""

    due_group: int
    new_bars: int
    bound: Bound
    ended_by: EndedBy


@dataclass(frozen=True, slots=True)
class StockUse:
    """``bars`` new bars of stock ``stock``, and what they cost."""

    stock: str
    bars: int
    cost: float | None


@dataclass(frozen=True, slots=True)
class ReturnedRemnant:
    """``count`` rests of ``length`` mm that go back to the rack."""

    length: float
    count: int
    from_pattern: int


@dataclass(frozen=True, slots=True)
class Lengths:
    """Where the length went, mm: stock + remnants = parts + kerf + trim + scrap + returned.

    ``waste_ratio`` is kerf, trim and scrap over what was used up (stock + remnants − returned).
    """

    stock: float
    remnants: float
    parts: float
    kerf: float
    trim: float
    scrap: float
    returned: float
    waste_ratio: float


@dataclass(frozen=True, slots=True)
class Masses:
    """Mass of new stock, parts, waste (kerf, trim and scrap) and returned remnants, kg."""

    stock: float
    parts: float
    waste: float
    returned: float


@dataclass(frozen=True, slots=True)
class TubeCutList:
    """The cut list of one tube."""

    tube: str
    patterns: tuple[BarPattern, ...]
    due_groups: tuple[DueGroup, ...]
    stock_use: tuple[StockUse, ...]
    new_bars: int
    remnants_used: int
    remnants_unused: tuple[Remnant, ...]
    remnants_returned: tuple[ReturnedRemnant, ...]
    lengths: Lengths
    masses: Masses | None
    cost: float | None
    bound: Bound


@dataclass(frozen=True, slots=True)
class CutList:
    """The cut lists of all tubes; ``repeatable`` is False where the clock ended a search.

    ``step`` is that of the length grid, mm.
    """

    tubes: tuple[TubeCutList, ...]
    repeatable: bool
    step: float
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


class SeveralRefusedError(CalculationError):
    """Refusals that were found together; the code, field and values are those of the first."""

    def __init__(self, refusals: Sequence[CalculationError]) -> None:
        first = refusals[0]
        super().__init__(first.code, first.field, first.values)
        self.refusals = tuple(refusals)


def fitting_step(longest: float, steps: Sequence[float]) -> float:
    """Return the first of ``steps`` (mm, finest first) of which the longest bar has few enough.

    That is at most 150,000; the last step where none will do.
    """
    return next((step for step in steps if longest <= MOST_STEPS_IN_A_BAR * step), steps[-1])


def cut_list(job: CutJob) -> CutList:
    """Nest the parts into bars, tube by tube and due group by due group.

    The same job, seed and budget give the same plan on the same versions of the libraries, unless
    the clock ended a search (``repeatable``). The budget bounds the search; reading the list and
    writing the plan take up to about a second more where the list is as long as allowed.

    Raises:
        OutOfRangeError: a number outside its range; a part that fits no bar
            (``part_fits_no_bar``); limited stock that provably cannot hold the parts
            (``stock_cannot_hold_parts``); a bar of too many steps (``cut_list_step_too_fine``)
        MissingError: no stock for a tube; a price for some stock of a tube and not for all
        SeveralRefusedError: more than one tube without stock or part that fits no bar
        NotDeterminedError: no complete plan was found and none is excluded
            (``no_plan_found_in_stock``)

    Source: kerf and due groups derived here; the nesting is the cutting stock problem of Gilmore
    and Gomory 1961, 1963.
    """
    _check(job)
    tubes = tuple(dict.fromkeys(part.tube for part in job.parts))
    refusals = [refusal for tube in tubes for refusal in _Rack(job, tube).refusals()]
    if refusals:
        raise SeveralRefusedError(refusals) if len(refusals) > 1 else refusals[0]
    planner = _Planner(job, tubes)
    lists = tuple(planner.tube(tube) for tube in tubes)
    remarks = (*_remarks(job), *_strays(job, tubes))
    findings = (*remarks, *(f for one in lists for f in _doubt(one)))
    if planner.meter.clocked:
        budget: dict[str, Value] = {"seconds": job.search.time_budget}
        findings += (Finding("cut_list_stopped_by_clock", "needs_care", values=budget),)
    repeatable, methods = not planner.meter.clocked, tuple(planner.methods)
    return CutList(lists, repeatable, job.search.step, methods, findings)


# --- checks --------------------------------------------------------------------------------------


def _check(job: CutJob) -> None:
    search = job.search
    _range(("search", "step"), search.step, LEAST_STEP, LARGEST_STEP, "length")
    _range(("search", "seed"), search.seed, 0, 2**31 - 1, "count")
    budget = (LEAST_TIME_BUDGET, LARGEST_TIME_BUDGET)
    _range(("search", "time_budget"), search.time_budget, *budget, None)
    _check_saw(job.saw)
    _check_parts(job.parts, search.step)
    _check_stock(job.stock, search.step)
    _check_remnants(job.remnants, search.step)
    for tube, mass in job.mass_per_length.items():
        _range(("mass_per_length", tube), mass, 0.0, 1.0, "mass_per_length")


def _check_saw(saw: Saw) -> None:
    _range(("saw", "kerf"), saw.kerf, 0.0, LARGEST_KERF, "length")
    for name in ("end_trim", "remnant_end_trim", "least_remnant"):
        _range(("saw", name), getattr(saw, name), 0.0, LARGEST_LENGTH, "length")


def _check_parts(parts: Sequence[Part], step: float) -> None:
    _range(("parts",), len(parts), 1, MOST_PART_LINES, "count")
    for i, part in enumerate(parts):
        _range(("parts", i, "length"), part.length, step, LARGEST_LENGTH, "length")
        _range(("parts", i, "quantity"), part.quantity, 1, MOST_PIECES, "count")
    pieces = sum(part.quantity for part in parts)
    _range(("parts",), pieces, 1, MOST_PIECES, "count", "cut_list_quantities")
    _once("parts", [(part.id, part.tube, part.due_group) for part in parts])


def _check_stock(stock: Sequence[StockLength], step: float) -> None:
    for i, bar in enumerate(stock):
        _check_bar(("stock", i, "length"), bar.length, step)
        if bar.count is not None:
            _range(("stock", i, "count"), bar.count, 0, MOST_PIECES, "count")
        if bar.price is not None:
            _range(("stock", i, "price"), bar.price, LEAST_PRICE, LARGEST_PRICE, None)
    _once("stock", [(bar.id, bar.tube) for bar in stock])


def _check_remnants(remnants: Sequence[Remnant], step: float) -> None:
    for i, remnant in enumerate(remnants):
        _check_bar(("remnants", i, "length"), remnant.length, step)
        _range(("remnants", i, "count"), remnant.count, 1, MOST_REMNANTS, "count")
    there = sum(r.count for r in remnants)
    _range(("remnants",), there, 0, MOST_REMNANTS, "count", "cut_list_counts")
    _once("remnants", [(remnant.id, remnant.tube) for remnant in remnants])


def _check_bar(pointer: tuple[str | int, ...], length: float, step: float) -> None:
    """Refuse a bar whose length is out of range, or has too many steps of the grid."""
    _range(pointer, length, LEAST_BAR, LARGEST_LENGTH, "length")
    if length > MOST_STEPS_IN_A_BAR * step:
        values: dict[str, Value] = {
            "value": Amount(length, "length"),
            "steps": MOST_STEPS_IN_A_BAR,
            "step": Amount(step, "length"),
            "most": Amount(MOST_STEPS_IN_A_BAR * step, "length"),
            "least_step": Amount(_two_digits_up(length / MOST_STEPS_IN_A_BAR), "length"),
        }
        raise OutOfRangeError("cut_list_step_too_fine", pointer, values)


def _two_digits_up(number: float) -> float:
    """The number rounded up to two significant digits."""
    decimals = 1 - math.floor(math.log10(number))
    whole = 10.0**decimals
    return round(math.ceil(number * whole - NEAR_GRID) / whole, decimals)


def _range(
    pointer: tuple[str | int, ...],
    value: float,
    least: float,
    most: float,
    kind: Kind | None,
    what: str = "cut_list_this",
) -> None:
    """Refuse what lies outside, NaN included. Seconds and prices have no kind and no unit here.

    ``what`` is the code of the word for it.
    """
    if not least <= value <= most:
        numbers = {"value": value, "least": least, "most": most}
        limits: dict[str, Value] = {
            name: number if kind is None else Amount(number, kind)
            for name, number in numbers.items()
        }
        raise OutOfRangeError("cut_list_out_of_range", pointer, {"what": Word(what), **limits})


def _once(name: str, keys: Sequence[tuple[str | int, ...]]) -> None:
    seen: set[tuple[str | int, ...]] = set()
    for i, key in enumerate(keys):
        if key in seen:
            raise OutOfRangeError("cut_list_id_twice", (name, i, "id"), {"id": key[0]})
        seen.add(key)


# --- the grid and the rack -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Grid:
    """Lengths as whole steps."""

    step: float

    def up(self, length: float) -> int:
        """Steps that hold the length: parts, kerf, trim."""
        return math.ceil(length / self.step - NEAR_GRID)

    def down(self, length: float) -> int:
        """Steps that the length holds: bars."""
        return math.floor(length / self.step + NEAR_GRID)

    def mm(self, steps: int) -> float:
        """Steps in mm, without the dust of a product of floats."""
        return round(steps * self.step, 9)


@dataclass(frozen=True, slots=True)
class _Prices:
    """Prices of the stock of one tube, line by line, as whole numbers.

    Arguments:
        exact: in units of the last decimal of any of them
        decimals: how many decimals that is
        searched: the same to at most nine decimals
        ratio: the least ratio of an exact price to the one that is searched with; no plan costs
            less than this times its searched price
    """

    exact: tuple[int, ...]
    decimals: int
    searched: tuple[int, ...]
    ratio: Fraction

    @property
    def rounded(self) -> bool:
        """Whether the search rounds a price."""
        return self.decimals > PRICE_DECIMALS

    def cost(self, exact: int) -> float:
        """Money from units of ``exact``: the double nearest to it, or that to six decimals."""
        money: float = exact / 10**self.decimals
        return round(money, MONEY_DECIMALS) if self.rounded else money

    def least(self, searched: int) -> float:
        """Money that no plan undercuts, from a bound in units of ``searched``."""
        if not self.rounded:
            return self.cost(searched)
        return round(float(searched * self.ratio / 10**PRICE_DECIMALS), MONEY_DECIMALS)


def _prices(lines: Sequence[StockLength]) -> _Prices | None:
    """Return the prices of a tube; None where there are none.

    A number stands for the shortest decimal that is read as it, as it was most likely sent.
    """
    sent = [Decimal(repr(line.price)) for line in lines if line.price is not None]
    if not sent or len(sent) < len(lines):
        return None
    decimals = max(0, *(-int(price.as_tuple().exponent) for price in sent))
    exact = tuple(int(price.scaleb(decimals)) for price in sent)
    fine = 10 ** max(0, decimals - PRICE_DECIMALS)
    searched = exact if fine == 1 else tuple((price + fine // 2) // fine for price in exact)
    ratio = Fraction(1)
    if fine > 1:
        ratio = min(Fraction(e, s * fine) for e, s in zip(exact, searched, strict=True))
    return _Prices(exact, decimals, searched, ratio)


@dataclass(slots=True)
class _Bars:
    """A line of the rack: bars alike, how many are left, lengths in steps.

    ``price`` is what the search counts, ``worth`` the same exactly (see :class:`_Prices`).
    """

    source: SourceKind
    id: str
    length: int
    trim: int
    left: int | None
    price: int = 0
    worth: int = 0
    from_pattern: int | None = None

    @property
    def usable(self) -> int:
        """Length less trim."""
        return self.length - self.trim


@dataclass(slots=True)
class _Cut:
    """A pattern in the making, lengths in steps."""

    number: int
    due_group: int
    bars: _Bars
    pieces: tuple[tuple[int, int], ...]
    times: int
    kerf: int
    rest: int
    useful: bool
    cut_later: int = 0


@dataclass(frozen=True, slots=True)
class _Nest:
    """A cutting stock problem with what its sizes and kinds of bar stand for."""

    problem: CuttingStock
    parts: tuple[tuple[tuple[int, int], ...], ...]
    bars: tuple[tuple[_Bars, ...], ...]

    def hard(self) -> bool:
        """Whether some size fits limited bars only, so that a complete plan may not exist."""
        unlimited = (kind.capacity for kind in self.problem.bars if kind.count is None)
        return max(self.problem.sizes) > max(unlimited, default=0)


class _Rack:
    """The parts, stock and remnants of one tube, and what is still there as groups are cut."""

    def __init__(self, job: CutJob, tube: str) -> None:
        self.job, self.tube, self.grid = job, tube, _Grid(job.search.step)
        self.kerf = self.grid.up(job.saw.kerf)
        self.least = max(1, self.grid.up(job.saw.least_remnant))
        self.lines = [(i, s) for i, s in enumerate(job.stock) if s.tube == tube]
        self.prices = _prices([line for _, line in self.lines])
        self.objective = self._objective()
        self.parts = {
            i: self.grid.up(part.length) for i, part in enumerate(job.parts) if part.tube == tube
        }
        self.bars = [self._remnant(r) for r in job.remnants if r.tube == tube]
        self.bars += [self._new(n, line) for n, (_, line) in enumerate(self.lines)]
        self.cuts: list[_Cut] = []

    def _objective(self) -> Objective:
        if len(self.lines) <= 1:
            return "bars"
        return "stock_length" if self.lines[0][1].price is None else "cost"

    def _remnant(self, remnant: Remnant) -> _Bars:
        trim = self.grid.up(self.job.saw.remnant_end_trim)
        length = self.grid.down(remnant.length)
        return _Bars("remnant", remnant.id, length, trim, remnant.count)

    def _new(self, n: int, line: StockLength) -> _Bars:
        trim, length = self.grid.up(self.job.saw.end_trim), self.grid.down(line.length)
        price = worth = 1 if self.objective == "bars" else length
        if self.objective == "cost" and self.prices:
            price, worth = self.prices.searched[n], self.prices.exact[n]
        return _Bars("stock", line.id, length, trim, line.count, price, worth)

    def groups(self) -> list[int]:
        """Due groups in the order they are cut."""
        return sorted({self.job.parts[i].due_group for i in self.parts})

    def capacity(self, bars: _Bars) -> int:
        """Capacity for sizes that carry a kerf each: U + k, or U where the last piece is parted."""
        return bars.usable + (0 if self.job.saw.part_last_piece else self.kerf)

    def refusals(self) -> Iterator[CalculationError]:
        """Yield why the tube cannot be cut: no bars, half the prices, parts that fit no bar."""
        if not self.bars:
            first = min(self.parts)
            values: dict[str, Value] = {"tube": self.tube, "id": self.job.parts[first].id}
            yield MissingError("no_stock_for_tube", ("parts", first, "tube"), values)
            return
        for i, line in self.lines:
            if self.objective != "bars" and (line.price is None) != (
                self.objective == "stock_length"
            ):
                values = {"tube": self.tube, "id": line.id}
                yield MissingError("price_for_some_stock_only", ("stock", i, "price"), values)
                return
        longest = self._longest(self.bars)
        too_long = [i for i, size in self.parts.items() if size > longest]
        if too_long:
            yield from self._too_long(too_long, max(0, longest))

    def _longest(self, bars: Sequence[_Bars], left: bool = True) -> int:
        """Return the longest piece, in steps, that bars give of which some, or none, are left."""
        given = (self.capacity(b) - self.kerf for b in bars if (b.left != 0) is left)
        return max(given, default=0)

    def _too_long(self, which: Sequence[int], longest: int) -> Iterator[OutOfRangeError]:
        counted_out, off_grid = self._longest(self.bars, left=False), self._longest_off_grid()
        for i in which:
            part, bar, given = self.job.parts[i], "cut_list_longest_bar", longest
            cure = "cut_list_longer_stock"
            if self.parts[i] <= counted_out:
                bar, given = "cut_list_bar_of_count_zero", counted_out
                cure = "cut_list_count_is_zero"
            elif part.length <= off_grid:
                cure = "cut_list_finer_step"
            values: dict[str, Value] = {
                "id": part.id,
                "tube": self.tube,
                "value": Amount(part.length, "length"),
                "bar": Word(bar),
                "most": Amount(self.grid.mm(given), "length"),
                "detail": Word(cure),
            }
            yield OutOfRangeError("part_fits_no_bar", ("parts", i, "length"), values)

    def _longest_off_grid(self) -> float:
        """Return the longest piece, mm, that a bar would give if no length were rounded."""
        saw, tube = self.job.saw, self.tube
        last = saw.kerf if saw.part_last_piece else 0.0
        new = (s.length - saw.end_trim for _, s in self.lines if s.count != 0)
        old = (r.length - saw.remnant_end_trim for r in self.job.remnants if r.tube == tube)
        return max((*new, *old), default=0.0) - last + NEAR_GRID * self.grid.step

    def spent(self, cuts: Sequence[_Cut]) -> int:
        """Return what the bars of these patterns are worth, exactly."""
        return sum(cut.bars.worth * cut.times for cut in cuts)

    def nest(self, groups: Sequence[int]) -> _Nest:
        """Return the cutting stock problem of these due groups with the bars that are left."""
        of_size: dict[int, list[tuple[int, int]]] = {}
        for i, size in self.parts.items():
            if self.job.parts[i].due_group in groups:
                of_size.setdefault(size, []).append((i, self.job.parts[i].quantity))
        sizes = sorted(of_size, reverse=True)
        kinds = self._kinds(sizes[-1] + self.kerf)
        problem = CuttingStock(
            tuple(size + self.kerf for size in sizes),
            tuple(sum(n for _, n in of_size[size]) for size in sizes),
            tuple(kind for kind, _ in kinds),
        )
        parts = tuple(tuple(of_size[size]) for size in sizes)
        return _Nest(problem, parts, tuple(tuple(bars) for _, bars in kinds))

    def _kinds(self, shortest: int) -> list[tuple[BarKind, list[_Bars]]]:
        """Return the bars that hold a piece; those that cost nothing are one kind per capacity."""
        lines: dict[tuple[int, int, str], list[_Bars]] = {}
        for bars in self.bars:
            if bars.left != 0 and self.capacity(bars) >= shortest:
                line = bars.id if bars.price else ""
                lines.setdefault((self.capacity(bars), bars.price, line), []).append(bars)
        return [
            (BarKind(capacity, price, _count(bars)), bars)
            for (capacity, price, _), bars in lines.items()
        ]

    def cut(self, due_group: int, nest: _Nest, plan: CutPlan) -> list[_Cut]:
        """Take the plan's bars off the rack, put useful rests back, and return the patterns."""
        made = [
            self._record(due_group, nest.bars[kind][line], pieces, times)
            for (kind, line, pieces), times in _allotted(nest, plan).items()
        ]
        for cut in made:
            if cut.useful:
                name = str(cut.number)
                rest = _Bars("rest", name, cut.rest, 0, cut.times, from_pattern=cut.number)
                self.bars.append(rest)
        return made

    def _record(
        self, due_group: int, bars: _Bars, pieces: tuple[tuple[int, int], ...], times: int
    ) -> _Cut:
        n = sum(count for _, count in pieces)
        length = sum(self.parts[i] * count for i, count in pieces)
        spare = bars.usable - length - (n - 1) * self.kerf
        kerf, rest = (n - 1) * self.kerf + min(self.kerf, spare), max(0, spare - self.kerf)
        number, useful = len(self.cuts) + 1, rest >= self.least
        self.cuts.append(_Cut(number, due_group, bars, pieces, times, kerf, rest, useful))
        if bars.left is not None:
            bars.left -= times
        if bars.from_pattern is not None:
            self.cuts[bars.from_pattern - 1].cut_later += times
        return self.cuts[-1]


def _count(bars: Sequence[_Bars]) -> int | None:
    counts = [b.left for b in bars if b.left is not None]
    return sum(counts) if len(counts) == len(bars) else None


def names_of(ids: Sequence[str]) -> str:
    """Return the first ids as one text, of at most twenty."""
    shown = ", ".join(ids[:MOST_NAMES_IN_AN_ERROR])
    return shown + (", …" if len(ids) > MOST_NAMES_IN_AN_ERROR else "")


Allotted = dict[tuple[int, int, tuple[tuple[int, int], ...]], int]


def _allotted(nest: _Nest, plan: CutPlan) -> Allotted:
    """Say which line of the rack each bar is from and which part each piece is for.

    Parts of one length are one size to the plan, and remnants of one capacity one kind; here each
    bar is dealt out in turn, and bars that come out alike are counted together.
    """
    parts = [_deal(lots) for lots in nest.parts]
    lines = [_deal([(k, _left(b, plan)) for k, b in enumerate(bars)]) for bars in nest.bars]
    found: Allotted = {}
    for pattern in plan.patterns:
        cut = [i for i, count in enumerate(pattern.pieces) for _ in range(count)]
        for _ in range(pattern.times):
            dealt = Counter(next(parts[i]) for i in cut)
            key = (pattern.bar, next(lines[pattern.bar]), tuple(dealt.items()))
            found[key] = found.get(key, 0) + 1
    return found


def _deal(lots: Sequence[tuple[int, int]]) -> Iterator[int]:
    return (which for which, count in lots for _ in range(count))


def _left(bars: _Bars, plan: CutPlan) -> int:
    return sum(p.times for p in plan.patterns) if bars.left is None else bars.left


# --- planning ------------------------------------------------------------------------------------


class _Planner:
    """Plans tube by tube and shares the budget out over the searches still to come."""

    def __init__(self, job: CutJob, tubes: Sequence[str]) -> None:
        self.job = job
        self.meter = Meter(job.search.time_budget, job.search.seed)
        groups = [len(_Rack(job, tube).groups()) for tube in tubes]
        self.searches = sum(n + (n > 1) for n in groups)
        self.methods: dict[str, None] = {"cut-list-kerf": None}

    @contextmanager
    def share(self) -> Iterator[Meter]:
        """Lend the next search its share of the budget."""
        with self.meter.share(max(1, self.searches)) as part:
            yield part
        self.searches -= 1

    def tube(self, tube: str) -> TubeCutList:
        """Plan one tube, group by group."""
        rack = _Rack(self.job, tube)
        done = [self._group(rack, group) for group in rack.groups()]
        if len(done) > 1:
            self.methods["cut-list-due-groups"] = None
        return _summary(rack, tuple(done), self._whole(rack, done))

    def _group(self, rack: _Rack, due_group: int) -> DueGroup:
        nest = rack.nest([due_group])
        with self.share() as meter:
            plan = self._plan(rack, due_group, nest, meter)
        self.methods |= dict.fromkeys(plan.methods)
        made = rack.cut(due_group, nest, plan)
        new = sum(cut.times for cut in made if cut.bars.source == "stock")
        best = _bound(rack, made, plan.price, plan.lower_bound, plan.bound_from)
        return DueGroup(due_group, new, best, plan.ended_by)

    def _plan(self, rack: _Rack, due_group: int, nest: _Nest, meter: Meter) -> CutPlan:
        if not nest.bars:
            raise self._short(rack, due_group, nest, None, meter)
        if not nest.hard():
            return solve(nest.problem, meter)
        with meter.share(2) as part:
            short = shortage(nest.problem, part)
        if any(short.uncut):
            raise self._short(rack, due_group, nest, short, meter)
        return solve(nest.problem, meter, short.patterns)

    def _short(
        self, rack: _Rack, due_group: int, nest: _Nest, short: CutPlan | None, meter: Meter
    ) -> CalculationError:
        """Return the refusal: proven where even all groups together could not be cut."""
        uncut = short.uncut if short else nest.problem.demand
        missing = [(lots[0][0], n) for lots, n in zip(nest.parts, uncut, strict=True) if n]
        length = sum((rack.parts[i] + rack.kerf) * n for i, n in missing)
        least = self._least_missing(rack, due_group, short, meter)
        ids = [f"{self.job.parts[i].id} × {n}" for i, n in missing]
        values: dict[str, Value] = {
            "tube": rack.tube,
            "due_group": due_group,
            "missing": names_of(ids),
            "count": sum(n for _, n in missing),
            "value": Amount(rack.grid.mm(length), "length"),
            "lacking": Amount(rack.grid.mm(least), "length"),
        }
        if least:
            return OutOfRangeError("stock_cannot_hold_parts", ("stock",), values)
        return NotDeterminedError("no_plan_found_in_stock", ("stock",), values)

    def _least_missing(
        self, rack: _Rack, due_group: int, short: CutPlan | None, meter: Meter
    ) -> int:
        """Return the length (steps, kerf included) that provably cannot be cut in any order."""
        if short and due_group == rack.groups()[0]:
            return short.lower_bound
        fresh = _Rack(self.job, rack.tube)
        nest = fresh.nest([g for g in fresh.groups() if g <= due_group])
        return shortage(nest.problem, meter).lower_bound if nest.hard() else 0

    def _whole(self, rack: _Rack, done: Sequence[DueGroup]) -> Bound:
        """Return the bound of the whole list; it holds for any order of the due groups."""
        if len(done) == 1:
            return done[0].bound
        fresh = _Rack(self.job, rack.tube)
        with self.share() as meter:
            least, source = lower_bound(fresh.nest(fresh.groups()).problem, meter)
        price = sum(cut.bars.price * cut.times for cut in rack.cuts)
        return _bound(rack, rack.cuts, price, least, source)


def _bound(rack: _Rack, cuts: Sequence[_Cut], price: int, least: int, source: BoundFrom) -> Bound:
    """Return what the patterns take and must take; ``price`` and ``least`` as the search has it."""
    prices = rack.prices
    if rack.objective == "cost" and prices:
        value, lowest = prices.cost(rack.spent(cuts)), prices.least(least)
        proven = lowest >= value if prices.rounded else price <= least
        gap = value - lowest if prices.rounded else prices.cost(price - least)
        return Bound("cost", value, lowest, round(gap, PRICE_DECIMALS), proven, source)
    unit = rack.grid.step if rack.objective == "stock_length" else 1.0
    value, lowest, gap = (round(n * unit, 9) for n in (price, least, price - least))
    return Bound(rack.objective, value, lowest, gap, price <= least, source)


# --- results -------------------------------------------------------------------------------------


def _summary(rack: _Rack, groups: tuple[DueGroup, ...], bound: Bound) -> TubeCutList:
    lengths = _lengths(rack)
    stock_use = _stock_use(rack)
    unused = {b.id: b.left for b in rack.bars if b.source == "remnant"}
    remnants = [r for r in rack.job.remnants if r.tube == rack.tube]
    return TubeCutList(
        rack.tube,
        tuple(_pattern(rack, cut) for cut in rack.cuts),
        groups,
        stock_use,
        sum(use.bars for use in stock_use),
        sum(cut.times for cut in rack.cuts if cut.bars.source == "remnant"),
        tuple(Remnant(r.id, r.length, r.tube, unused[r.id] or 0) for r in remnants if unused[r.id]),
        tuple(
            ReturnedRemnant(rack.grid.mm(cut.rest), cut.times - cut.cut_later, cut.number)
            for cut in rack.cuts
            if cut.useful and cut.times > cut.cut_later
        ),
        lengths,
        _masses(rack, lengths),
        _cost(rack),
        bound,
    )


def _pattern(rack: _Rack, cut: _Cut) -> BarPattern:
    mm, parts = rack.grid.mm, rack.job.parts
    return BarPattern(
        cut.number,
        cut.due_group,
        cut.bars.source,
        cut.bars.id,
        cut.bars.from_pattern,
        mm(cut.bars.length),
        cut.times,
        tuple(PieceCut(parts[i].id, mm(rack.parts[i]), count) for i, count in cut.pieces),
        mm(cut.kerf),
        mm(cut.bars.trim),
        mm(cut.rest),
        cut.useful,
        cut.cut_later,
    )


def _stock_use(rack: _Rack) -> tuple[StockUse, ...]:
    used = _bars_used(rack)
    prices = rack.prices
    return tuple(
        StockUse(s.id, used[s.id], prices.cost(prices.exact[n] * used[s.id]) if prices else None)
        for n, (_, s) in enumerate(rack.lines)
        if used[s.id]
    )


def _bars_used(rack: _Rack) -> Counter[str]:
    used = Counter[str]()
    for cut in rack.cuts:
        if cut.bars.source == "stock":
            used[cut.bars.id] += cut.times
    return used


def _cost(rack: _Rack) -> float | None:
    """Return the cost of all new bars; None without prices, also where none is needed."""
    if rack.prices is None:
        return None
    used, exact = _bars_used(rack), rack.prices.exact
    total = sum(p * used[s.id] for p, (_, s) in zip(exact, rack.lines, strict=True))
    return rack.prices.cost(total)


def _lengths(rack: _Rack) -> Lengths:
    cuts, mm = rack.cuts, rack.grid.mm

    def bars(source: SourceKind) -> int:
        return sum(cut.bars.length * cut.times for cut in cuts if cut.bars.source == source)

    parts = sum(rack.parts[i] * n * cut.times for cut in cuts for i, n in cut.pieces)
    kerf = sum(cut.kerf * cut.times for cut in cuts)
    trim = sum(cut.bars.trim * cut.times for cut in cuts)
    scrap = sum(cut.rest * cut.times for cut in cuts if not cut.useful)
    back = sum(cut.rest * (cut.times - cut.cut_later) for cut in cuts if cut.useful)
    used_up = bars("stock") + bars("remnant") - back
    return Lengths(
        stock=mm(bars("stock")),
        remnants=mm(bars("remnant")),
        parts=mm(parts),
        kerf=mm(kerf),
        trim=mm(trim),
        scrap=mm(scrap),
        returned=mm(back),
        waste_ratio=(kerf + trim + scrap) / used_up,
    )


def _masses(rack: _Rack, lengths: Lengths) -> Masses | None:
    mass = rack.job.mass_per_length.get(rack.tube)
    if mass is None:
        return None
    waste = lengths.kerf + lengths.trim + lengths.scrap
    return Masses(*(mass * x for x in (lengths.stock, lengths.parts, waste, lengths.returned)))


# --- findings ------------------------------------------------------------------------------------


def _remarks(job: CutJob) -> Iterator[Finding]:
    values: dict[str, Value]
    usual, step = job.search.usual_step, job.search.step
    if usual is not None and step > usual:
        bars = [line.length for line in job.stock] + [line.length for line in job.remnants]
        longest, limit = Amount(max(bars), "length"), Amount(step, "length")
        values = {"usual": Amount(usual, "length"), "steps": MOST_STEPS_IN_A_BAR}
        yield Finding("cut_list_coarser_step", "ok", None, longest, limit, values)
    changes = [change for change in _changes(job) if change > 2 * NEAR_GRID * job.search.step]
    if changes:
        most, grid = Amount(max(changes), "length"), Amount(step, "length")
        yield Finding("cut_list_lengths_rounded", "ok", None, most, grid, {"count": len(changes)})
    if job.saw.kerf == 0:
        yield Finding("cut_list_no_kerf", "ok", value=Amount(0.0, "length"))


def _strays(job: CutJob, cut: Sequence[str]) -> Iterator[Finding]:
    """Say which stock, remnants and tubes no part uses: a name may be mistyped."""
    named = [("stock", s.tube) for s in job.stock]
    named += [("remnants", r.tube) for r in job.remnants]
    named += [("tubes", tube) for tube in job.tubes]
    known, where, lines = set(cut), dict[str, dict[str, None]](), 0
    for group, tube in named:
        if tube not in known:
            where.setdefault(tube, {})[group] = None
            lines += 1
    if where:
        told = [f"'{tube}' ({', '.join(groups)})" for tube, groups in where.items()]
        names = ", ".join(told[:MOST_NAMES_IN_A_FINDING])
        names += ", …" if len(told) > MOST_NAMES_IN_A_FINDING else ""
        values: dict[str, Value] = {"count": lines, "names": names}
        yield Finding("cut_list_tube_of_no_part", "needs_care", values=values)


def _changes(job: CutJob) -> Iterator[float]:
    """How far each length that was asked was moved onto the grid, mm."""
    grid, saw = _Grid(job.search.step), job.saw
    longer = [part.length for part in job.parts]
    longer += [saw.kerf, saw.end_trim, saw.remnant_end_trim]
    yield from (grid.mm(grid.up(length)) - length for length in longer)
    bars = [line.length for line in job.stock] + [line.length for line in job.remnants]
    yield from (length - grid.mm(grid.down(length)) for length in bars)


def _doubt(plan: TubeCutList) -> Iterator[Finding]:
    """Say where a better plan is not excluded."""
    kinds: dict[Objective, Kind] = {"bars": "count", "cost": "ratio", "stock_length": "length"}
    kind, bound = kinds[plan.bound.objective], plan.bound
    if not bound.proven_optimal:
        yield Finding(
            "cut_list_not_proven",
            "ok",
            None,
            Amount(bound.value, kind),
            Amount(bound.lower_bound, kind),
            {"tube": plan.tube, "gap": Amount(bound.gap, kind)},
        )
