"""Refusals that many calculations share: numbers not above zero, radii within the tube."""

from __future__ import annotations

import math

from service.errors import Amount, Kind, OutOfRangeError, Pointer
from service.model import Tube


def above_zero(value: float, name: str, kind: Kind, most: float = math.inf) -> float:
    """Return the value; refuse (OutOfRangeError) one not above 0, above ``most``, or not finite."""
    if not value > 0:
        raise OutOfRangeError("not_above_zero", (name,), {"value": Amount(value, kind)})
    return _at_most(value, name, kind, most)


def zero_or_more(value: float, name: str, kind: Kind, most: float = math.inf) -> float:
    """Return the value; refuse (OutOfRangeError) one below 0, above ``most``, or not finite."""
    if not value >= 0:
        raise OutOfRangeError("below_zero", (name,), {"value": Amount(value, kind)})
    return _at_most(value, name, kind, most)


def outside_tube(radius: float, tube: Tube, where: Pointer = ("radius",)) -> float:
    """Return the centre-line radius; refuse (OutOfRangeError) one not above D/2, mm."""
    least = tube.outside_diameter / 2
    if not radius > least:
        raise OutOfRangeError(
            "radius_within_tube",
            where,
            {"value": Amount(radius, "length"), "limit": Amount(least, "length")},
        )
    return radius


def _at_most(value: float, name: str, kind: Kind, most: float) -> float:
    if not math.isfinite(value):
        raise OutOfRangeError("not_finite", (name,), {"value": Amount(value, kind)})
    if value > most:
        parts = {"value": Amount(value, kind), "most": Amount(most, kind)}
        raise OutOfRangeError("above_the_most", (name,), parts)
    return value
