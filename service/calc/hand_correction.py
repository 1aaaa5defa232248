"""Bends that can be saved by hand: opened or closed a little, and what that does to the far end.

Only an angle can be saved so. A wrong rotation, mark or cut stays, and each bending cold-works the
tube again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from service.calc.measured_run import LocatedRun, located
from service.calc.run_comparison import Comparison, How, compare_runs
from service.model import Method, Run

METHODS = (
    Method(
        "hand-correction",
        "Bend opened or closed by hand",
        "θ ← θ − x at the same arc length, R ← Rθ/(θ − x); the rest of the run follows its frames",
        "a few degrees at most; the far end is told with end 1 held",
        ("derived-here", "common-practice"),
    ),
)
# Less than a protractor shows is not worth a second bending.
LEAST_HAND_CORRECTION = math.radians(0.05)
# With more bends out than this the set-up is wrong, and no part is saved by hand.
MOST_BY_HAND = 12


class HandCorrection(NamedTuple):
    """One bend opened or closed by hand: rad and mm.

    ``end_moves`` and ``end_turns`` tell what the far end does while end 1 is held;
    ``worst_after`` is the largest distance of a compared point after a new fit.
    """

    bend: int
    way: Literal["open", "close"]
    by: float
    end_moves: float
    end_turns: float
    worst_after: float
    within_after: bool | None


@dataclass(frozen=True, slots=True)
class HandCorrections:
    """What can be done by hand, bend by bend and all together.

    Arguments:
        out: how many bends are out by no more than a hand corrects; above twelve none is corrected
        saves_part: whether all together bring the part within its tolerances; None where there are
            none or nothing can be done by hand
    """

    out: int
    bends: tuple[HandCorrection, ...]
    worst_before: float
    worst_after: float
    saves_part: bool | None


def hand_corrections(
    nominal: LocatedRun, measured: LocatedRun, now: Comparison, how: How, largest: float
) -> HandCorrections:
    """Bends whose angle is out by no more than ``largest``, each brought back to its angle.

    Opening or closing keeps the arc length, so the radius becomes Rθ/(θ − x).

    Arguments:
        nominal, measured: as compared
        now: their comparison
        how: as it was made
        largest: largest angle that the shop bends by hand, rad

    Source: derived here from the frames of the run.
    """
    out = [row.bend for row in now.bends if _worth(row.angle.deviation, how, largest)]
    if not 0 < len(out) <= MOST_BY_HAND:
        return HandCorrections(len(out), (), now.worst, now.worst, None)
    rows = tuple(_one(nominal, measured, bend, now, how) for bend in out)
    after = compare_runs(nominal, _bent(nominal, measured, out), how)
    return HandCorrections(len(out), rows, now.worst, after.worst, _all_within(after, how))


def _worth(deviation: float, how: How, largest: float) -> bool:
    limit = how.tolerances.angle
    least = LEAST_HAND_CORRECTION if limit is None else limit * (1 + 1e-6)
    return max(least, LEAST_HAND_CORRECTION) < abs(deviation) <= largest * (1 + 1e-6)


def _one(
    nominal: LocatedRun, measured: LocatedRun, bend: int, now: Comparison, how: How
) -> HandCorrection:
    deviation = now.bends[bend - 1].angle.deviation
    bent = _bent(nominal, measured, [bend])
    after = compare_runs(nominal, bent, how)
    # both in the frame of end 1, which is held
    before_at, after_at = located(measured.run).at, located(bent.run).at
    cosine = float(before_at.tip_direction @ after_at.tip_direction)
    sine = float(np.linalg.norm(np.cross(before_at.tip_direction, after_at.tip_direction)))
    return HandCorrection(
        bend=bend,
        way="open" if deviation > 0 else "close",
        by=abs(deviation),
        end_moves=float(np.linalg.norm(after_at.tip - before_at.tip)),
        end_turns=math.atan2(sine, cosine),
        worst_after=after.worst,
        within_after=_all_within(after, how),
    )


def _bent(nominal: LocatedRun, measured: LocatedRun, which: Sequence[int]) -> LocatedRun:
    bends = list(measured.run.bends)
    for number in which:
        old, angle = bends[number - 1], nominal.run.bends[number - 1].angle
        bends[number - 1] = replace(old, angle=angle, radius=old.arc / angle)
    return located(Run(tuple(bends), measured.run.last_straight))


def _all_within(comparison: Comparison, how: How) -> bool | None:
    return not comparison.findings if how.tolerances.judges else None
