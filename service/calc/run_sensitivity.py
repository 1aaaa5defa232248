"""How the far end of a run answers to small errors of its straights, rotations and bend angles.

And which straights, rotations and angles an operation at the bench acts on: a mark set too far on
lengthens the straight before its bend and shortens the one after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.calc.mark_layout import Measure
from service.calc.run_geometry import Frames
from service.model import End, Method, Run

Matrix = NDArray[np.float64]
OperationName = Literal["mark", "crank", "rotation", "cut"]

METHODS = (
    Method(
        "chain-of-frames-derivative",
        "Derivative of the far end along the chain of frames",
        "∂p/∂straight = u; ∂p/∂rotation = u×(p − start); ∂p/∂θ = n×(p − arc centre); "
        "∂direction likewise with the direction in place of the arm",
        "exact first derivative at the nominal run, R constant",
        ("derived-here",),
    ),
    Method(
        "bench-errors-to-run",
        "What an error of mark, crank, rotation or cut does to the run",
        "mark +m: straight before +m, straight after −m; crank +a: θ + a, straight after − R·a; "
        "cut +c: last straight + c",
        "marks set at the start of bend; a mark measured from the bend before acts on its straight "
        "alone and, unless the tube is trimmed, on the last",
        ("derived-here",),
    ),
)


class Operation(NamedTuple):
    """One thing done at the bench that can go wrong; ``bend`` from end 1, None for the cut.

    ``sigma`` is the standard deviation, mm or rad; ``uniform`` whether spread evenly between
    ±√3·sigma, otherwise normal.
    """

    name: OperationName
    bend: int | None
    sigma: float
    uniform: bool


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviation of one kind of operation, mm or rad, and whether uniform or normal."""

    sigma: float = 0.0
    uniform: bool = False


@dataclass(frozen=True, slots=True)
class BenchSpread:
    """How well the bench hits what it aims at.

    Arguments:
        mark: where the tube is set against the die, mm
        crank: finished bend angle, from setting and springback together, rad
        rotation: roll before each bend but the first, rad
        cut: cut length; the last straight where the tube is trimmed after bending, mm
    """

    mark: Spread = Spread()
    crank: Spread = Spread()
    rotation: Spread = Spread()
    cut: Spread = Spread()


@dataclass(frozen=True, slots=True)
class Effects:
    """What k operations do to a run of n bends, per unit of error.

    Arguments:
        operations: the k operations
        straights: (n + 1, k), mm per mm or rad
        rotations, angles: (n, k), rad per rad
    """

    operations: tuple[Operation, ...]
    straights: Matrix
    rotations: Matrix
    angles: Matrix

    @property
    def sigmas(self) -> Matrix:
        """Standard deviations, (k,)."""
        return np.array([operation.sigma for operation in self.operations])


def bench_effects(
    run: Run,
    spread: BenchSpread,
    *,
    measured_from: End = "end_1",
    measure: Measure = "from_end",
    trimmed: bool = False,
) -> Effects:
    """Which straights, rotations and angles each operation at the bench acts on.

    Operations without spread are left out. The first bend made has no rotation to go wrong: the
    tube is put into its end as its first bend lies.

    Arguments:
        run: bend table, mm and rad
        spread: of each kind of operation
        measured_from, measure: as for the mark layout
        trimmed: whether the last straight is cut after bending, from the last bend

    Source: derived here.
    """
    count = len(run.bends)
    forward = measured_from == "end_1"
    made = _columns(_radii(run, forward), spread, measure, trimmed)
    operations, straights, rotations, angles = [], [], [], []
    for name, index, size, straight, rotation, angle in made:
        bend = None if index is None else (index + 1 if forward else count - index)
        operations.append(Operation(name, bend, size.sigma, size.uniform))
        straights.append(_dense(straight, count + 1, forward, 0))
        rotations.append(_dense(rotation, count, forward, 1))
        angles.append(_dense(angle, count, forward, 0))
    return Effects(
        tuple(operations),
        np.array(straights).reshape(len(made), count + 1).T,
        np.array(rotations).reshape(len(made), count).T,
        np.array(angles).reshape(len(made), count).T,
    )


def _radii(run: Run, forward: bool) -> list[float]:
    radii = [bend.radius for bend in run.bends]
    return radii if forward else radii[::-1]


_Sparse = dict[int, float]
_Column = tuple[OperationName, int | None, Spread, _Sparse, _Sparse, _Sparse]


def _columns(
    radii: Sequence[float], spread: BenchSpread, measure: Measure, trimmed: bool
) -> list[_Column]:
    """One column per operation that has a spread, indices in the order of the work."""
    last = len(radii)
    each = measure == "as_you_go"
    made: list[_Column] = []
    for i, radius in enumerate(radii):
        # the straight that takes up what this bend uses more or less of the tube
        after = last if each else i + 1
        takes_up = not (trimmed and after == last)
        mark = {i: 1.0, after: -1.0} if takes_up else {i: 1.0}
        arc = {after: -radius} if takes_up else {}
        made.append(("mark", i, spread.mark, mark, {}, {}))
        made.append(("crank", i, spread.crank, arc, {}, {i: 1.0}))
        if i:
            made.append(("rotation", i, spread.rotation, {}, {i: 1.0}, {}))
    made.append(("cut", None, spread.cut, {last: 1.0}, {}, {}))
    return [column for column in made if column[2].sigma > 0]


def _dense(sparse: _Sparse, size: int, forward: bool, first: int) -> list[float]:
    """A column in the order of the run; rotations of a reversed run move by one (``first``)."""
    column = [0.0] * size
    for index, value in sparse.items():
        column[index if forward else size - 1 + first - index] = value
    return column


def far_end_derivative(at: Frames) -> Matrix:
    """Exact derivative of end 2 with end 1 held, (6, 3n + 1): position (mm), then direction.

    Columns: n + 1 straights, n rotations, n angles. ∂p/∂straight = u; ∂p/∂rotation =
    u×(p − start); ∂p/∂θ = n×(p − arc centre), since what follows the bend turns about its centre.
    ∂direction/∂rotation = u×d; ∂direction/∂θ = n×d; a straight does not turn it.

    Arguments:
        at: frames of the nominal run

    Source: derived here.
    """
    tip, ahead = at.tip, at.tip_direction
    travel = np.vstack([at.before, ahead])
    position = [travel, np.cross(at.before, tip - at.start), np.cross(at.normal, tip - at.centre)]
    direction = [np.zeros_like(travel), np.cross(at.before, ahead), np.cross(at.normal, ahead)]
    return np.vstack([np.vstack(position).T, np.vstack(direction).T])
