"""End fittings of a shop profile: what is taken, and how a bad one is told."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from service import reference
from service.errors import ProfileError
from service.model import EndFitting
from service.reference_profile import parse_profile

PROFILE: dict[str, Any] = {
    "format": 1,
    "id": "small",
    "name": "Small shop",
    "units": "metric",
    "benders": [
        {
            "id": "b",
            "name": "Bender",
            "least_outside_diameter": 6,
            "largest_outside_diameter": 20,
            "largest_angle": 180,
            "dies": ["d"],
        }
    ],
    "dies": [
        {
            "id": "d",
            "name": "Die",
            "tube_outside_diameter": 12,
            "radius": 36,
            "largest_angle": 180,
        }
    ],
    "end_fittings": [
        {"id": "cone", "name": "Cone", "kind": "cone_24", "tube_outside_diameter": 12},
        {
            "id": "flare",
            "name": "Flare",
            "note": "Sleeve and nut.",
            "kind": "flare",
            "tube_outside_diameter": 12,
            "insertion": 0,
            "nut_length": 20,
            "tool_length": 30.5,
            "least_straight": 55,
        },
    ],
}


def profile(**changes: Any) -> str:
    new = copy.deepcopy(PROFILE)
    new["end_fittings"][0].update(changes)
    return json.dumps(new)


def test_fittings_are_read_as_stated() -> None:
    shop = parse_profile(json.dumps(PROFILE), reference.materials())
    assert shop.end_fittings["cone"] == EndFitting("cone", "Cone", "cone_24", 12.0)
    assert shop.end_fittings["flare"] == EndFitting(
        "flare", "Flare", "flare", 12.0, 0.0, 20.0, 30.5, 55.0, "Sleeve and nut."
    )


def test_a_shop_need_not_state_any() -> None:
    bare = {name: part for name, part in PROFILE.items() if name != "end_fittings"}
    assert parse_profile(json.dumps(bare), reference.materials()).end_fittings == {}


@pytest.mark.parametrize(
    ("changes", "where", "allowed"),
    [
        ({"kind": "welded"}, "/end_fittings/0/kind", "one of"),
        ({"id": "flare"}, "/end_fittings/1/id", "an id that nothing else"),
        ({"nut_length": -1}, "/end_fittings/0/nut_length", "from 0"),
        ({"nut_length": 2001}, "/end_fittings/0/nut_length", "to 2000"),
        ({"tool_length": "30"}, "/end_fittings/0/tool_length", "JSON number"),
        ({"tube_outside_diameter": 0.4}, "/end_fittings/0/tube_outside_diameter", "from 0.5"),
        ({"colour": "red"}, "/end_fittings/0/colour", "only the names"),
    ],
)
def test_a_bad_fitting_is_told_with_its_place(
    changes: dict[str, Any], where: str, allowed: str
) -> None:
    with pytest.raises(ProfileError) as refused:
        parse_profile(profile(**changes), reference.materials())
    line = next(line for line in str(refused.value).splitlines() if line.startswith(where))
    assert allowed in line


def test_the_demonstration_shop_has_fittings_for_its_tubes() -> None:
    shop = reference.demo_shop()
    grooves = {die.tube_outside_diameter for die in shop.dies.values()}
    assert shop.end_fittings
    assert {one.tube_outside_diameter for one in shop.end_fittings.values()} <= grooves
    assert {one.kind for one in shop.end_fittings.values()} == {"cone_24", "flare"}
