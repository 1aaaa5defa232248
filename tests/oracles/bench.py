"""A bench bender played through with material points: slow, simple, from what the hands do.

The tube is a row of points on the straight tube before the die, end 1 ahead. A bend: what is ahead
of the tangent point turns with the die, the tube behind is drawn forward and laid round it. Between
bends the tube is pushed forward and rolled. Nothing is known here of bend tables, frames or arcs:
the shape of the tube is what comes out.

Frame: origin on the axis of the die, x the way in which the tube is fed, z up; the tube comes along
y = −radius and is swung anticlockwise seen from above.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from oracles.random_runs import Row

Vector = NDArray[np.float64]
X, Z = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Moment:
    """The tube at one moment: which bend (from 0), which movement, how far done, and its points.

    ``ahead`` tells the points ahead of the straight that lies in the clamp and of the die.
    """

    bend: int
    movement: str
    done: float
    points: Vector
    ahead: NDArray[np.bool_]


@dataclass
class _Tube:
    """Distance of each point from end 1, and where it is."""

    along: Vector
    points: Vector
    radius: float

    def slide(self, travel: float) -> None:
        self.points = self.points + travel * X

    def roll(self, degrees: float) -> None:
        centre = -self.radius * np.array([0.0, 1.0, 0.0])
        spin = Rotation.from_rotvec(degrees * X, degrees=True)
        self.points = centre + spin.apply(self.points - centre)

    def on_die(self, radius: float) -> None:
        """Another die: the tube lies at another distance from the axis."""
        self.points = self.points - (radius - self.radius) * np.array([0.0, 1.0, 0.0])
        self.radius = radius

    def bent(self, start: float, turn: float) -> Vector:
        """The points when the die has turned so far (rad) from a tangent point at ``start``."""
        drawn = self.radius * turn
        ahead = self.along < start
        laid = (self.along - start) / self.radius  # angle of the arc up to each point
        on_arc = ~ahead & (self.along < start + drawn)
        points = self.points.copy()
        points[ahead] = Rotation.from_rotvec(turn * Z).apply(self.points[ahead])
        angle = turn - laid[on_arc]
        points[on_arc] = self.radius * np.stack([np.sin(angle), -np.cos(angle), 0 * angle], axis=1)
        points[~ahead & ~on_arc] += drawn * X
        return points


def played(
    rows: Sequence[Row],
    last_straight: float,
    *,
    spacing: float,
    steps: int,
    held: Sequence[float],
    other_way: Sequence[bool] = (),
    begin: int = 0,
) -> Iterator[Moment]:
    """Every moment of the work from end 1, ``steps`` + 1 of each movement; the last is the part.

    Arguments:
        rows: (straight mm, rotation deg, angle deg, radius mm)
        spacing: of the points, mm
        held: straight in front of each bend that lies in the clamp, mm
        other_way: whether the roll before each bend goes the long way round
        begin: first bend made; the tube ahead of it stays straight
    """
    starts = np.cumsum([r[0] for r in rows]) + np.cumsum(
        [0.0, *(np.radians(r[2]) * r[3] for r in rows[:-1])]
    )
    length = starts[-1] + np.radians(rows[-1][2]) * rows[-1][3] + last_straight
    along = np.linspace(0.0, length, int(length / spacing) + 2)
    radius = rows[begin][3]
    line = np.stack([starts[begin] - along, np.full_like(along, -radius), 0 * along], axis=1)
    tube = _Tube(along, line, radius)
    for bend in range(begin, len(rows)):
        straight, rotation, angle, radius = rows[bend]
        if bend > begin:
            tube.on_die(radius)
            ahead = along < starts[bend] - straight
            for done in np.linspace(0.0, straight, steps + 1):
                yield Moment(bend, "feed", done, tube.points + done * X, ahead)
            tube.slide(straight)
            if len(other_way) and other_way[bend]:
                rotation -= np.copysign(360.0, rotation)
            before = tube.points
            for done in np.linspace(0.0, rotation, steps + 1):
                tube.points = before
                tube.roll(done)
                yield Moment(bend, "roll", done, tube.points, ahead)
        ahead = along < starts[bend] - held[bend]
        for done in np.linspace(0.0, np.radians(angle), steps + 1):
            yield Moment(bend, "bend", np.degrees(done), tube.bent(starts[bend], done), ahead)
        tube.points = tube.bent(starts[bend], np.radians(angle))


def box_distance(points: Vector, least: Sequence[float], greatest: Sequence[float]) -> Vector:
    """Distance of points from a box along the axes, 0 inside."""
    out = np.maximum(np.maximum(np.array(least) - points, points - np.array(greatest)), 0.0)
    distance: Vector = np.linalg.norm(out, axis=1)
    return distance


def cylinder_distance(
    points: Vector, start: Sequence[float], end: Sequence[float], radius: float
) -> Vector:
    """Distance of points from a solid cylinder with flat ends, 0 inside."""
    a, axis = np.array(start), np.array(end) - np.array(start)
    length = float(np.linalg.norm(axis))
    height = (points - a) @ axis / length
    off = np.linalg.norm(np.cross(points - a, axis / length), axis=1)
    distance: Vector = np.hypot(
        np.maximum(off - radius, 0.0), np.maximum(np.maximum(-height, height - length), 0.0)
    )
    return distance
