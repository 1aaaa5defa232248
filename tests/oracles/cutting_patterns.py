"""Cutting stock on small lists, solved two ways that share nothing with the product.

* every pattern listed, then scipy's ``linprog`` and ``milp`` over all of them (scipy carries its
  own build of HiGHS; independent here is the model: no column generation, no bound, no rounding)
* exhaustive search in whole numbers, without any linear programme, for about ten pieces

Lengths and prices are whole numbers; sizes carry the kerf already. A kind of bar is
(capacity, price, count or None).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

Kind = tuple[int, int, int | None]
Ints = tuple[int, ...]


def patterns(sizes: Sequence[int], demand: Sequence[int], capacity: int) -> Iterator[Ints]:
    """Yield every way to fill a bar, full or not, no size more often than it is asked for."""
    if not sizes:
        yield ()
        return
    for n in range(min(demand[0], capacity // sizes[0]) + 1):
        for rest in patterns(sizes[1:], demand[1:], capacity - n * sizes[0]):
            yield (n, *rest)


def _columns(
    sizes: Sequence[int], demand: Sequence[int], kinds: Sequence[Kind]
) -> tuple[list[float], list[Ints], list[int]]:
    costs, columns, of_kind = [], [], []
    for j, (capacity, price, _) in enumerate(kinds):
        for pattern in patterns(sizes, demand, capacity):
            if any(pattern):
                costs.append(float(price))
                columns.append(pattern)
                of_kind.append(j)
    return costs, columns, of_kind


def least_price(sizes: Sequence[int], demand: Sequence[int], kinds: Sequence[Kind]) -> int | None:
    """Return the price of the cheapest plan by integer programming, None where there is none."""
    costs, columns, of_kind = _columns(sizes, demand, kinds)
    limits = [math.inf if count is None else count for _, _, count in kinds]
    members = np.array([[float(j == k) for k in of_kind] for j in range(len(kinds))])
    answer = milp(
        costs,
        constraints=[
            LinearConstraint(np.array(columns, dtype=float).T, list(demand), np.inf),
            LinearConstraint(members, -np.inf, limits),
        ],
        integrality=np.ones(len(costs)),
        bounds=Bounds(0, np.inf),
        options={"mip_rel_gap": 0.0},
    )
    return None if answer.x is None else round(answer.fun)


def linear_price(sizes: Sequence[int], demand: Sequence[int], capacity: int) -> float:
    """Return the value of the linear programme for one kind of bar of price 1."""
    costs, columns, _ = _columns(sizes, demand, [(capacity, 1, None)])
    matrix = -np.array(columns, dtype=float).T
    answer = linprog(costs, A_ub=matrix, b_ub=[-float(d) for d in demand])
    return float(answer.fun)


def least_price_by_search(
    sizes: Sequence[int], demand: Sequence[int], kinds: Sequence[Kind]
) -> float:
    """Return the price of the cheapest plan by trying every bar for the first piece left."""

    @cache
    def cheapest(left: Ints, counts: tuple[int | None, ...]) -> float:
        first = next((i for i, d in enumerate(left) if d), None)
        if first is None:
            return 0.0
        best = math.inf
        for j, (capacity, price, _) in enumerate(kinds):
            if counts[j] == 0:
                continue
            fewer = tuple(c - 1 if k == j and c is not None else c for k, c in enumerate(counts))
            for pattern in patterns(sizes, left, capacity):
                if pattern[first]:
                    rest = tuple(d - n for d, n in zip(left, pattern, strict=True))
                    best = min(best, price + cheapest(rest, fewer))
        return best

    return cheapest(tuple(demand), tuple(count for _, _, count in kinds))


def triplets(pieces: int, capacity: int, seed: int) -> list[int]:
    """Return pieces that fill pieces/3 bars without waste, three to a bar, in shuffled order.

    After Falkenauer (J. Heuristics 2 (1996) 5, from memory): the first of three between 0.38 and
    0.49 of the bar, the second between 0.25 of it and half the rest, the third the remainder.
    """
    random = np.random.default_rng(seed)
    found: list[int] = []
    for _ in range(pieces // 3):
        first = int(random.integers(capacity * 380 // 1000, capacity * 490 // 1000 + 1))
        second = int(random.integers(capacity * 250 // 1000, (capacity - first) // 2 + 1))
        found += [first, second, capacity - first - second]
    random.shuffle(found)
    return found
