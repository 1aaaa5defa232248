"""What the examples of the specification share: parts of an invented scenario, frames of look-ups.

Every size here is made up for demonstration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

TUBE_15: Mapping[str, Any] = {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"}
TUBE_20: Mapping[str, Any] = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
TWO_BENDS: Mapping[str, Any] = {
    "bends": [
        {"straight": 120, "angle": 90, "radius": 45},
        {"straight": 85, "rotation": 90, "angle": 45, "radius": 45},
    ],
    "last_straight": 140,
}
DRAWN_RUN: Mapping[str, Any] = {
    "vertices": [
        {"x": 0, "y": 0, "z": 0},
        {"x": 300, "y": 0, "z": 0},
        {"x": 450, "y": 200, "z": 0},
        {"x": 450, "y": 350, "z": 180},
        {"x": 700, "y": 350, "z": 300},
    ],
    "radius": 45,
}

INVENTED_SHOP: Mapping[str, Any] = {
    "id": "demo-shop",
    "title": "The invented demonstration workshop",
    "author": "this project",
    "year": None,
    "trust": "invented",
    "note": "Made up, to show the service at work. No machine, die or shop like it exists.",
}
INVENTED_SHOP_CAUTION = (
    "This shop, its benders and its dies are invented for demonstration. Load your own shop "
    "profile before you bend tube by these numbers."
)
MEMORY_CAUTION = (
    "Values whose trust is 'memory' were not checked against a copy of the standard: check them "
    "before you rely on them."
)
LOCAL_CODES_CAUTION = (
    "Local codes, the maker's instructions for bender and fittings, and licensed practice come "
    "before any number given here."
)


def listed(
    member: str,
    items: Sequence[Mapping[str, Any]],
    sources: Sequence[Mapping[str, Any]],
    *cautions: str,
    measured: bool = True,
) -> dict[str, Any]:
    """The answer of a look-up, shortened to a few items."""
    return {
        **({"units": "metric"} if measured else {}),
        "result": {member: list(items)},
        "sources": list(sources),
        "cautions": list(cautions),
        "version": {"service": "0.1.0", "methods": "0123456789abcdef"},
    }


def listed_of_shop(member: str, item: Mapping[str, Any]) -> dict[str, Any]:
    """The answer of a look-up, shortened to one thing of the invented shop."""
    return listed(member, [item], [INVENTED_SHOP], INVENTED_SHOP_CAUTION)
