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
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
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
LEAST_PRICE, LARGEST_PRICE = 1e-4, 1e6
PRICE_STEPS = 10_000
MOST_NAMES_IN_AN_ERROR = 20
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
    """Limits of the search: time budget s, seed, and the step of the length grid mm."""

    time_budget: float = 2.0
    seed: int = 0
    step: float = 0.1


@dataclass(frozen=True, slots=True)
class CutJob:
    """What is to be cut from what.

    Arguments:
        parts: at most 1000 lines and 100,000 pieces
        stock: new bars; for one tube either all have a price or none
        saw: kerf, trim and least useful remnant
        remnants: on the rack, at most 2000, used first
        mass_per_length: kg/mm by tube; without it masses are None
        search: time budget 0.1–30 s, seed, step of the length grid 0.01–1 mm
    """

    parts: tuple[Part, ...]
    stock: tuple[StockLength, ...]
    saw: Saw
    remnants: tuple[Remnant, ...] = ()
    mass_per_length: Mapping[str, float] = field(default_factory=dict)
    search: Search = Search()


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
    """The cut lists of all tubes; ``repeatable`` is False where the clock ended a search."""

    tubes: tuple[TubeCutList, ...]
    repeatable: bool
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def cut_list(job: CutJob) -> CutList:
    """Nest the parts into bars, tube by tube and due group by due group.

    The same job, seed and budget give the same plan on the same versions of the libraries, unless
    the clock ended a search (``repeatable``). The budget bounds the search; reading the list and
    writing the plan take up to about a second more where the list is as long as allowed.

    Raises:
        OutOfRangeError: a number outside its range; a part that fits no bar
            (``part_fits_no_bar``); limited stock that provably cannot hold the parts
            (``stock_cannot_hold_parts``)
        MissingError: no stock for a tube; a price for some stock of a tube and not for all
        NotDeterminedError: no complete plan was found and none is excluded
            (``no_plan_found_in_stock``)

    Source: kerf and due groups derived here; the nesting is the cutting stock problem of Gilmore
    and Gomory 1961, 1963.
    """
    _check(job)
    tubes = tuple(dict.fromkeys(part.tube for part in job.parts))
    for tube in tubes:
        _Rack(job, tube).check()
    planner = _Planner(job, tubes)
    lists = tuple(planner.tube(tube) for tube in tubes)
    findings = (*_remarks(job), *(f for one in lists for f in _doubt(one)))
    if planner.meter.clocked:
        budget: dict[str, Value] = {"seconds": job.search.time_budget}
        findings += (Finding("cut_list_stopped_by_clock", "needs_care", values=budget),)
    return CutList(lists, not planner.meter.clocked, tuple(planner.methods), findings)


# --- checks --------------------------------------------------------------------------------------


def _check(job: CutJob) -> None:
    search = job.search
    _range(("search", "step"), search.step, LEAST_STEP, LARGEST_STEP, "length")
    _range(("search", "seed"), search.seed, 0, 2**31 - 1, "count")
    budget = (LEAST_TIME_BUDGET, LARGEST_TIME_BUDGET)
    _range(("search", "time_budget"), search.time_budget, *budget, None)
    _check_saw(job.saw)
    _check_parts(job.parts, search.step)
    _check_stock(job.stock, min(LARGEST_LENGTH, MOST_STEPS_IN_A_BAR * search.step))
    _check_remnants(job.remnants, min(LARGEST_LENGTH, MOST_STEPS_IN_A_BAR * search.step))
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
    _range(("parts",), sum(part.quantity for part in parts), 1, MOST_PIECES, "count")
    _once("parts", [(part.id, part.tube, part.due_group) for part in parts])


def _check_stock(stock: Sequence[StockLength], longest: float) -> None:
    for i, bar in enumerate(stock):
        _range(("stock", i, "length"), bar.length, 1.0, longest, "length")
        if bar.count is not None:
            _range(("stock", i, "count"), bar.count, 0, MOST_PIECES, "count")
        if bar.price is not None:
            _range(("stock", i, "price"), bar.price, LEAST_PRICE, LARGEST_PRICE, None)
    _once("stock", [(bar.id,) for bar in stock])


def _check_remnants(remnants: Sequence[Remnant], longest: float) -> None:
    for i, remnant in enumerate(remnants):
        _range(("remnants", i, "length"), remnant.length, 1.0, longest, "length")
        _range(("remnants", i, "count"), remnant.count, 1, MOST_REMNANTS, "count")
    _range(("remnants",), sum(r.count for r in remnants), 0, MOST_REMNANTS, "count")
    _once("remnants", [(remnant.id,) for remnant in remnants])


def _range(
    pointer: tuple[str | int, ...], value: float, least: float, most: float, kind: Kind | None
) -> None:
    """Refuse what lies outside, NaN included. Seconds and prices have no kind and no unit here."""
    if not least <= value <= most:
        numbers = {"value": value, "least": least, "most": most}
        limits: dict[str, Value] = {
            name: number if kind is None else Amount(number, kind)
            for name, number in numbers.items()
        }
        raise OutOfRangeError("cut_list_out_of_range", pointer, limits)


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


@dataclass(slots=True)
class _Bars:
    """A line of the rack: bars alike, how many are left, lengths in steps."""

    source: SourceKind
    id: str
    length: int
    trim: int
    left: int | None
    price: int = 0
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
        self.objective = self._objective()
        self.parts = {
            i: self.grid.up(part.length) for i, part in enumerate(job.parts) if part.tube == tube
        }
        self.bars = [self._remnant(r) for r in job.remnants if r.tube == tube]
        self.bars += [self._new(line) for _, line in self.lines]
        self.cuts: list[_Cut] = []

    def _objective(self) -> Objective:
        if len(self.lines) <= 1:
            return "bars"
        return "stock_length" if self.lines[0][1].price is None else "cost"

    def _remnant(self, remnant: Remnant) -> _Bars:
        trim = self.grid.up(self.job.saw.remnant_end_trim)
        length = self.grid.down(remnant.length)
        return _Bars("remnant", remnant.id, length, trim, remnant.count)

    def _new(self, line: StockLength) -> _Bars:
        trim, length = self.grid.up(self.job.saw.end_trim), self.grid.down(line.length)
        price = {
            "bars": 1,
            "cost": round((line.price or 0.0) * PRICE_STEPS),
            "stock_length": length,
        }[self.objective]
        return _Bars("stock", line.id, length, trim, line.count, price)

    def groups(self) -> list[int]:
        """Due groups in the order they are cut."""
        return sorted({self.job.parts[i].due_group for i in self.parts})

    def capacity(self, bars: _Bars) -> int:
        """Capacity for sizes that carry a kerf each: U + k, or U where the last piece is parted."""
        return bars.usable + (0 if self.job.saw.part_last_piece else self.kerf)

    def check(self) -> None:
        """Refuse a tube without bars, prices for some stock only, and a part that fits no bar."""
        if not self.bars:
            first = min(self.parts)
            raise MissingError("no_stock_for_tube", ("parts", first, "tube"), {"tube": self.tube})
        for i, line in self.lines:
            if self.objective != "bars" and (line.price is None) != (
                self.objective == "stock_length"
            ):
                values: dict[str, Value] = {"tube": self.tube, "id": line.id}
                raise MissingError("price_for_some_stock_only", ("stock", i, "price"), values)
        longest = max((self.capacity(b) - self.kerf for b in self.bars if b.left != 0), default=0)
        too_long = [i for i, size in self.parts.items() if size > longest]
        if too_long:
            raise self._too_long(too_long, max(0, longest))

    def _too_long(self, which: Sequence[int], longest: int) -> OutOfRangeError:
        part = self.job.parts[which[0]]
        values: dict[str, Value] = {
            "id": part.id,
            "tube": self.tube,
            "value": Amount(part.length, "length"),
            "most": Amount(self.grid.mm(longest), "length"),
            "ids": _names([self.job.parts[i].id for i in which]),
            "count": len(which),
        }
        return OutOfRangeError("part_fits_no_bar", ("parts", which[0], "length"), values)

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


def _names(ids: Sequence[str]) -> str:
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
        best = _bound(rack, plan.price, plan.lower_bound, plan.bound_from)
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
            "missing": _names(ids),
            "count": sum(n for _, n in missing),
            "value": Amount(rack.grid.mm(length), "length"),
            "least": Amount(rack.grid.mm(least), "length"),
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
        return _bound(rack, price, least, source)


def _bound(rack: _Rack, price: int, least: int, source: BoundFrom) -> Bound:
    unit = {"bars": 1.0, "cost": 1 / PRICE_STEPS, "stock_length": rack.grid.step}[rack.objective]

    def shown(amount: int) -> float:
        return round(amount * unit, 9)

    gap = shown(price - least)
    return Bound(rack.objective, shown(price), shown(least), gap, price <= least, source)


# --- results -------------------------------------------------------------------------------------


def _summary(rack: _Rack, groups: tuple[DueGroup, ...], bound: Bound) -> TubeCutList:
    lengths = _lengths(rack)
    stock_use = _stock_use(rack)
    costs = [use.cost for use in stock_use if use.cost is not None]
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
        round(sum(costs), 4) if len(costs) == len(stock_use) else None,
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
    used = Counter[str]()
    for cut in rack.cuts:
        if cut.bars.source == "stock":
            used[cut.bars.id] += cut.times
    return tuple(
        StockUse(s.id, used[s.id], None if s.price is None else round(s.price * used[s.id], 4))
        for _, s in rack.lines
        if used[s.id]
    )


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
    changes = [change for change in _changes(job) if change > 2 * NEAR_GRID * job.search.step]
    if changes:
        most, step = Amount(max(changes), "length"), Amount(job.search.step, "length")
        yield Finding("cut_list_lengths_rounded", "ok", None, most, step, {"count": len(changes)})
    if job.saw.kerf == 0:
        yield Finding("cut_list_no_kerf", "ok", value=Amount(0.0, "length"))


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
