"""The shop profile's tolerances of a bent part."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import pytest

from service import reference
from service.errors import ProfileError
from service.model import InspectionTolerances
from service.reference_files import shared_file

DEMO: dict[str, Any] = json.loads(shared_file("shop", "demo.json").read_text(encoding="utf-8"))
SCHEMA: dict[str, Any] = json.loads(
    shared_file("shop", "profile.schema.json").read_text(encoding="utf-8")
)


def loaded(folder: Path, section: dict[str, Any] | None) -> InspectionTolerances:
    document = {key: value for key, value in DEMO.items() if key != "inspection"}
    if section is not None:
        document["inspection"] = section
    path = folder / "profile.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return reference.load_shop(path).inspection


def test_the_schema_has_the_fields_of_the_dataclass() -> None:
    named = set(SCHEMA["$defs"]["inspection"]["properties"])
    assert named == {field.name for field in dataclasses.fields(InspectionTolerances)}


def test_degrees_become_radians_and_what_is_left_out_is_not_judged(tmp_path: Path) -> None:
    found = loaded(tmp_path, {"point": 2, "angle": 0.5, "end_direction": 1})
    assert found.point == 2
    assert found.angle == pytest.approx(math.radians(0.5))
    assert found.end_direction == pytest.approx(math.radians(1))
    assert (found.straight, found.rotation, found.end_position) == (None, None, None)
    assert found.judges
    assert not loaded(tmp_path, {}).judges
    assert not loaded(tmp_path, None).judges


@pytest.mark.parametrize(
    ("name", "value"), [("point", -0.1), ("point", 1001), ("angle", 91), ("radius", 1)]
)
def test_what_no_shop_means_is_refused_with_its_place(
    tmp_path: Path, name: str, value: float
) -> None:
    with pytest.raises(ProfileError, match=f"/inspection/{name}"):
        loaded(tmp_path, {name: value})
