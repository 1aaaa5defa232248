"""One-dimensional cutting stock: whole-number sizes cut from bars, simple plans and simple bounds.

Everything here is in whole units of length and of price, so that "fits" and "proven" are exact.
Kerf, trim, due groups and millimetres are the business of :mod:`service.calc.cut_list`; the search
for the best plan is :mod:`service.calc.cutting_stock_search`.

The model (Gilmore and Gomory, Oper. Res. 9 (1961) 849 and 11 (1963) 863). A pattern a on a bar of
kind j holds aᵢ pieces of size wᵢ with Σ wᵢaᵢ ≤ Cⱼ. Choose how often each pattern is cut::

    min Σ cⱼ xₚ + Σ oᵢ uᵢ    Σ aᵢₚ xₚ + uᵢ ≥ dᵢ    Σ xₚ on kind j ≤ nⱼ    x, u whole, ≥ 0

with price cⱼ, count nⱼ and demand dᵢ. uᵢ pieces stay uncut at a price oᵢ that is dearer than any
way to cut them, so that a plan always exists and says what is missing where the bars cannot hold
the parts.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from service.model import Method

METHODS = (
    Method(
        "first-and-best-fit-decreasing",
        "First fit and best fit decreasing",
        "longest piece first into the first, or the fullest, bar that still holds it",
        "every list; first fit needs at most 11/9 of the fewest bars plus 6/9 on one stock length",
        ("dosa-2007",),
    ),
    Method(
        "cutting-stock-material-bound",
        "Lower bound by length alone",
        "L1 = Σ w·d / C, rounded up",
        "every list",
        ("martello-toth-1990", "derived-here"),
    ),
    Method(
        "cutting-stock-l2-bound",
        "Lower bound L2 of bin packing",
        "max over K ≤ C/2 of |J1| + |J2| + max(0, ⌈(Σ J3 − (|J2|·C − Σ J2))/C⌉)",
        "one stock length in any number and no remnants",
        ("martello-toth-1990",),
    ),
)

Ints = NDArray[np.int64]

# Where bars are handled one by one: bars × sizes at most, which bounds time and memory.
MOST_SINGLE_CELLS = 10_000_000


@dataclass(frozen=True, slots=True)
class BarKind:
    """Bars alike: capacity ≥ 0 and price ≥ 0 in whole units; count None where unlimited."""

    capacity: int
    price: int
    count: int | None = None


@dataclass(frozen=True, slots=True)
class CuttingStock:
    """Distinct sizes > 0 with their demand > 0, and at least one kind of bar.

    ``omission`` is the price of leaving one piece of each size uncut; left empty, it is chosen
    dearer than any way to cut it.
    """

    sizes: tuple[int, ...]
    demand: tuple[int, ...]
    bars: tuple[BarKind, ...]
    omission: tuple[int, ...] = ()


def material_bound(problem: CuttingStock) -> Fraction:
    """Return the bound by length alone: L1 = Σ w·d / C, carried over to bars of several kinds.

    With a price ρ per unit of length no bar of kind j can carry more than ρ·Cⱼ, so that
    Σ w·d·ρ − Σ nⱼ·max(0, ρCⱼ − cⱼ) over the limited kinds bounds the price from below for each
    ρ ≤ cⱼ/Cⱼ of the unlimited kinds; the best ρ is one of the cⱼ/Cⱼ. For one unlimited kind of
    price 1 it is Σ w·d / C.
    """
    total = sum(w * d for w, d in zip(problem.sizes, problem.demand, strict=True))
    rates = [(Fraction(b.price, b.capacity), b) for b in problem.bars if b.capacity]
    limited = [b for b in problem.bars if b.count is not None]
    most = min((rate for rate, b in rates if b.count is None), default=None)

    def value(rho: Fraction) -> Fraction:
        over = ((b.count or 0, rho * b.capacity - b.price) for b in limited)
        return total * rho - sum(n * excess for n, excess in over if excess > 0)

    usable = {rate for rate, _ in rates if most is None or rate <= most}
    return max(map(value, usable), default=Fraction(0))


def l2_bound(sizes: Sequence[int], demand: Sequence[int], capacity: int) -> int:
    """Return the lower bound L2 on the number of equal bars of ``capacity``.

    max over K of |J1| + |J2| + max(0, ⌈(Σ J3 − (|J2|·C − Σ J2))/C⌉) with J1: w > C − K,
    J2: C/2 < w ≤ C − K, J3: K ≤ w ≤ C/2; K = 0 gives at least L1 = ⌈Σ w/C⌉.

    Source: Martello and Toth 1990 (from memory).
    """
    w, d = np.asarray(sizes, dtype=np.int64), np.asarray(demand, dtype=np.int64)
    thresholds = [0, *(k for k in sizes if 2 * k <= capacity)]
    return max(_l2_at(k, w, d, capacity) for k in thresholds)


def _l2_at(k: int, w: Ints, d: Ints, capacity: int) -> int:
    large = w > capacity - k
    medium = ~large & (2 * w > capacity)
    small = (w >= k) & (2 * w <= capacity)
    n_medium = int(d[medium].sum())
    room = n_medium * capacity - int((w * d)[medium].sum())
    over = int((w * d)[small].sum()) - room
    return int(d[large].sum()) + n_medium + max(0, -(-over // capacity))


class Draft:
    """A plan in the making: what is still to be cut, which bars are left, what was cut."""

    def __init__(self, problem: CuttingStock) -> None:
        self.problem = problem
        self.demand = list(problem.demand)
        self.counts = [b.count for b in problem.bars]
        self.cut: dict[tuple[int, tuple[int, ...]], int] = {}

    def left(self, bar: int) -> int:
        """How many bars of this kind may still be taken."""
        count = self.counts[bar]
        return sum(self.demand) if count is None else count

    def take(self, bar: int, pieces: Sequence[int], times: int) -> int:
        """Cut up to ``times`` bars, each clipped to what is still asked; return how many."""
        taken = 0
        while taken < times and self.left(bar):
            clip = tuple(min(a, d) for a, d in zip(pieces, self.demand, strict=True))
            if not any(clip):
                break
            full = min(d // a for a, d in zip(clip, self.demand, strict=True) if a)
            taken += self._cut(bar, clip, min(full, times - taken, self.left(bar)))
        return taken

    def _cut(self, bar: int, pieces: tuple[int, ...], times: int) -> int:
        key = (bar, pieces)
        self.cut[key] = self.cut.get(key, 0) + times
        self.demand = [d - a * times for a, d in zip(pieces, self.demand, strict=True)]
        count = self.counts[bar]
        if count is not None:
            self.counts[bar] = count - times
        return times

    def tidy(self) -> Draft:
        """Move what each bar holds to the cheapest kind of bar that holds it and is left."""
        for (bar, pieces), times in sorted(self.cut.items()):
            self._move(bar, pieces, times)
        return self

    def _move(self, bar: int, pieces: tuple[int, ...], times: int) -> None:
        bars = self.problem.bars
        length = _filled(self.problem.sizes, pieces)
        better = (j for j, b in enumerate(bars) if b.price < bars[bar].price)
        for j in sorted((j for j in better if bars[j].capacity >= length), key=_price_of(bars)):
            count = self.counts[j]
            moved = times if count is None else min(times, count)
            self._shift(bar, j, pieces, moved)
            times -= moved

    def _shift(self, old: int, new: int, pieces: tuple[int, ...], times: int) -> None:
        if not times:
            return
        self.cut[old, pieces] -= times
        self.cut[new, pieces] = self.cut.get((new, pieces), 0) + times
        for bar, change in ((old, times), (new, -times)):
            count = self.counts[bar]
            if count is not None:
                self.counts[bar] = count + change

    def price(self) -> int:
        """Price of the bars taken."""
        return sum(self.problem.bars[bar].price * n for (bar, _), n in self.cut.items())

    def value(self) -> int:
        """Price of the bars taken and of the pieces left uncut."""
        uncut = zip(self.problem.omission, self.demand, strict=True)
        return self.price() + sum(o * d for o, d in uncut)


def fill_free_bars(draft: Draft) -> Draft:
    """Move pieces out of bars that cost something into room left in bars that cost nothing.

    Free bars are what lies on the rack and is to be used first, also where that saves no bar. The
    shortest free bar comes first and takes the longest piece that fits; pieces are taken from the
    emptiest bar that holds one, so that what is left over of it grows. A list of more than
    ``MOST_SINGLE_CELLS`` bars times sizes is left as it is.
    """
    bars, sizes = draft.problem.bars, draft.problem.sizes
    count = sum(draft.cut.values()) + _free_bars(bars)
    if not _free_bars(bars) or count * len(sizes) > MOST_SINGLE_CELLS:
        return draft
    emptiest_first = sorted(draft.cut.items(), key=lambda cut: _filled(sizes, cut[0][1]))
    single = [(bar, list(pieces)) for (bar, pieces), n in emptiest_first for _ in range(n)]
    paid = [b for b in single if bars[b[0]].price]
    free = [b for b in single if not bars[b[0]].price]
    for j, kind in enumerate(bars):
        spare = 0 if kind.price else draft.counts[j] or 0
        free += [(j, [0] * len(sizes)) for _ in range(spare)]
    pool = [sum(column) for column in zip(*(pieces for _, pieces in paid), strict=True)]
    for bar, pieces in sorted(free, key=lambda b: bars[b[0]].capacity) if paid else ():
        _pull(sizes, pieces, bars[bar].capacity - _filled(sizes, pieces), paid, pool)
    return _again(draft.problem, [*free, *paid]).tidy()


def _free_bars(bars: Sequence[BarKind]) -> int:
    return sum(kind.count or 0 for kind in bars if not kind.price)


def _filled(sizes: Sequence[int], pieces: Sequence[int]) -> int:
    return sum(a * w for a, w in zip(pieces, sizes, strict=True))


def _pull(
    sizes: Sequence[int],
    pieces: list[int],
    room: int,
    paid: Sequence[tuple[int, list[int]]],
    pool: list[int],
) -> None:
    """Fill ``room`` from the paid bars; ``pool`` counts what they hold of each size."""
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i]):
        while pool[i] and sizes[i] <= room:
            content = next(content for _, content in paid if content[i])
            content[i] -= 1
            pool[i] -= 1
            pieces[i] += 1
            room -= sizes[i]


def _again(problem: CuttingStock, bars: Iterable[tuple[int, list[int]]]) -> Draft:
    draft = Draft(problem)
    for (bar, pieces), times in Counter((bar, tuple(pieces)) for bar, pieces in bars).items():
        draft.take(bar, pieces, times)
    return draft


def _price_of(bars: Sequence[BarKind]) -> Callable[[int], tuple[int, int]]:
    return lambda j: (bars[j].price, bars[j].capacity)


def _preference(bars: Sequence[BarKind]) -> list[int]:
    """Bars that cost nothing first, the shortest of them first; then by price per length."""

    def key(j: int) -> tuple[bool, Fraction, int]:
        rate = Fraction(bars[j].price, max(1, bars[j].capacity))
        return bool(bars[j].price), rate, -bars[j].capacity if bars[j].price else bars[j].capacity

    return sorted(range(len(bars)), key=key)


def first_fit_decreasing(problem: CuttingStock, start: Draft | None = None) -> Draft:
    """Fill bar after bar, the longest piece that fits first; go on from ``start`` where given.

    On equal bars this is first fit decreasing: at most 11/9 of the optimum + 6/9 (Dósa 2007, from
    memory). The bars that cost nothing are filled first.
    """
    draft = start or Draft(problem)
    order = sorted(range(len(problem.sizes)), key=lambda i: -problem.sizes[i])
    for bar in _preference(problem.bars):
        while draft.left(bar):
            pieces = _greedy(problem, draft.demand, problem.bars[bar].capacity, order)
            alike = min((d // a for a, d in zip(pieces, draft.demand, strict=True) if a), default=0)
            if not draft.take(bar, pieces, alike):
                break
    return draft.tidy()


def _greedy(
    problem: CuttingStock, demand: Sequence[int], room: int, order: Iterable[int]
) -> list[int]:
    pieces = [0] * len(problem.sizes)
    for i in order:
        pieces[i] = min(demand[i], room // problem.sizes[i])
        room -= pieces[i] * problem.sizes[i]
    return pieces


def best_fit_decreasing(problem: CuttingStock) -> Draft:
    """Put each piece, longest first, into the fullest open bar that holds it, else open a bar.

    The bars that cost nothing are open from the start. A list of more than ``MOST_SINGLE_CELLS``
    bars times sizes is left uncut.
    """
    most = sum(problem.demand) + _free_bars(problem.bars)
    if most * len(problem.sizes) > MOST_SINGLE_CELLS:
        return Draft(problem)
    bars = _OpenBars(problem)
    for i in sorted(range(len(problem.sizes)), key=lambda i: -problem.sizes[i]):
        for _ in range(problem.demand[i]):
            if not bars.place(i):
                break
    return _again(problem, bars.content).tidy()


class _OpenBars:
    """Bars begun, kept by the room they have left."""

    def __init__(self, problem: CuttingStock) -> None:
        self.problem = problem
        self.order = _preference(problem.bars)
        self.left = [b.count for b in problem.bars]
        self.content: list[tuple[int, list[int]]] = []
        self.rooms: list[tuple[int, int]] = []
        for bar in self.order:
            while problem.bars[bar].price == 0 and self.left[bar]:
                self._open(bar)

    def _open(self, bar: int) -> None:
        count = self.left[bar]
        if count is not None:
            self.left[bar] = count - 1
        insort(self.rooms, (self.problem.bars[bar].capacity, len(self.content)))
        self.content.append((bar, [0] * len(self.problem.sizes)))

    def place(self, i: int) -> bool:
        """Place one piece of size i; False where no bar holds it."""
        size = self.problem.sizes[i]
        at = bisect_left(self.rooms, (size, -1))
        if at == len(self.rooms):
            fits = (j for j in self.order if self.problem.bars[j].capacity >= size)
            bar = next((j for j in fits if self.left[j] != 0), None)
            if bar is None:
                return False
            self._open(bar)
            at = bisect_left(self.rooms, (size, -1))
        room, which = self.rooms.pop(at)
        insort(self.rooms, (room - size, which))
        self.content[which][1][i] += 1
        return True
