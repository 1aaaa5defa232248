"""The shipped data against outside figures, and what a shop profile may and may not hold."""

from __future__ import annotations

import copy
import csv
import dataclasses
import json
import math
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import jsonschema_rs
import pytest
from fluids.piping import t_from_gauge
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from service import reference
from service.errors import ProfileError
from service.model import (
    BenchEdges,
    Bender,
    BoxBody,
    CylinderBody,
    Die,
    Drive,
    MandrelLimits,
    RatedTube,
    Surroundings,
    Trust,
    Tube,
)
from service.reference_files import shared_file
from service.reference_profile import parse_profile

REPOSITORY = Path(__file__).resolve().parents[2]
DATA_FILES = sorted(shared_file("data").glob("*.csv"))
UNITS = ("_mm", "_in", "_MPa", "_GPa", "_percent", "_kg_per_dm3", "_arcmin", "_BWG")
WITHOUT_UNIT = {
    "degrees_of_freedom",
    "quantile_95",
    "poisson_ratio",
    "bend_ratio",
    "wall_factor_before_bending",
    "dash",
}
DEMO_TEXT = shared_file("shop", "demo.json").read_text(encoding="utf-8")
DEMO: dict[str, Any] = json.loads(DEMO_TEXT)
SCHEMA: dict[str, Any] = json.loads(
    shared_file("shop", "profile.schema.json").read_text(encoding="utf-8")
)


def rows(path: Path) -> list[dict[str, str]]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# --- sources and rows ----------------------------------------------------------------------------


def test_every_source_says_what_it_is_and_how_far_it_can_be_trusted() -> None:
    for source in reference.sources().values():
        assert all((source.title, source.author, source.note)), source.id
        assert source.trust in get_args(Trust), source.id
        assert re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", source.id)
        assert source.year is None or 1900 <= source.year <= 2100


@pytest.mark.parametrize("path", DATA_FILES, ids=lambda path: path.name)
def test_every_row_has_a_known_source_a_place_and_a_trust(path: Path) -> None:
    assert rows(path)
    for row in rows(path):
        assert row["source"] in reference.sources(), row
        assert row["place"].strip(), row
        assert row["trust"] in get_args(Trust), row
        assert None not in (*row, *row.values()), row  # a row longer or shorter than its header


@pytest.mark.parametrize("path", DATA_FILES, ids=lambda path: path.name)
def test_every_column_of_numbers_names_its_unit(path: Path) -> None:
    table = rows(path)
    for column in table[0]:
        cells = [row[column] for row in table if row[column]]
        if cells and all(re.fullmatch(r"[0-9.]+", cell) for cell in cells):
            assert column.endswith(UNITS) or column in WITHOUT_UNIT, column


def test_all_data_files_are_shipped() -> None:
    assert [path.stem for path in DATA_FILES] == [
        "bend_wall_allowance",
        "general_tolerances",
        "materials",
        "student_t",
        "tube_sizes",
    ]


def test_what_is_opened_once_is_shared_and_cannot_be_changed() -> None:
    assert reference.materials() is reference.materials()
    with pytest.raises(TypeError):
        reference.materials()["e235-n"] = None  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError):
        reference.materials()["e235-n"].density = 1.0  # type: ignore[misc]


def test_opening_the_data_loads_no_heavy_library() -> None:
    code = (
        "import sys; from service import reference as r; "
        "r.sources(), r.materials(), r.tube_sizes(), r.wall_allowance(), r.general_tolerances(); "
        "print([m for m in ('numpy', 'scipy', 'flask', 'jsonschema_rs') if m in sys.modules])"
    )
    assert run_python(code, REPOSITORY) == "[]"


# --- materials -----------------------------------------------------------------------------------


# π(D − t)t·ρ. Steel: the mass formula of EN 10305-1, 0.0246615·(D − t)·t kg/m at 7.85 kg/dm³ (from
# memory); 20 × 2 is 0.888 kg/m in its tables. Copper 10 × 1 is 0.252 kg/m in the tables of EN 1057
# (from memory). The others follow from handbook densities 8.0, 2.70 and 4.48 kg/dm³.
@pytest.mark.parametrize(
    ("material", "outside_diameter", "wall", "kg_per_m"),
    [
        ("e235-n", 20, 2, 0.887814),
        ("1.4404", 12, 1.5, 0.395841),
        ("cu-dhp-r220", 10, 1, 0.252773),
        ("en-aw-6060-t66", 25, 2, 0.390186),
        ("ti-gr9", 12.7, 0.889, 0.147780),
    ],
)
def test_mass_per_metre(
    material: str, outside_diameter: float, wall: float, kg_per_m: float
) -> None:
    area = Tube(outside_diameter, wall).metal_area
    mass = area * 1000 * reference.materials()[material].density
    assert mass == pytest.approx(kg_per_m, abs=6e-7)


def test_steel_density_gives_the_factor_of_en_10305_1() -> None:
    # EN 10305-1 (from memory): M = 0.0246615·(D − T)·T kg/m
    for name in ("e215-n", "e235-n", "e355-n"):
        density = reference.materials()[name].density
        assert math.pi * density * 1000 == pytest.approx(0.0246615, abs=5e-8)


# CRC Handbook of Chemistry and Physics, speed of sound in solids (from memory), m/s: longitudinal
# and shear wave in bulk, longitudinal wave in a thin rod, √(E/ρ). A slip of a unit, or of a row,
# would miss these by far more than alloys differ among themselves.
@pytest.mark.parametrize(
    ("names", "longitudinal", "shear", "rod"),
    [
        (("e215-n", "e235-n", "e355-n", "j524", "j525", "j526", "j527"), 5940, 3220, 5180),
        (("1.4301", "1.4401", "1.4404", "1.4571", "tp316l"), 5790, 3100, 5000),
        (("cu-dhp-r220", "cu-dhp-r250", "cu-dhp-r290"), 5010, 2270, 3750),
        (("en-aw-6060-t66", "en-aw-6061-t6"), 6420, 3040, 5000),
        (("ti-gr2", "ti-gr9"), 6070, 3125, 5080),
        (("cuzn37-r300",), 4700, 2110, 3480),
    ],
)
def test_elastic_constants_agree_with_measured_speeds_of_sound(
    names: tuple[str, ...], longitudinal: float, shear: float, rod: float
) -> None:
    squares = (longitudinal / shear) ** 2
    for name in names:
        material = reference.materials()[name]
        speed = math.sqrt(material.elastic_modulus * 1e6 / (material.density * 1e9))
        assert speed == pytest.approx(rod, rel=0.08), name
        assert material.poisson_ratio == pytest.approx((squares - 2) / (2 * squares - 2), abs=0.04)


def test_the_speeds_of_sound_check_every_material() -> None:
    marks = test_elastic_constants_agree_with_measured_speeds_of_sound.pytestmark  # type: ignore[attr-defined]
    checked = {name for case in marks[0].args[1] for name in case[0]}
    assert checked == set(reference.materials())


def test_yield_lies_below_tensile_strength_and_elongation_is_a_fraction() -> None:
    for material in reference.materials().values():
        low, high = material.yield_strength, material.tensile_strength
        assert high is not None
        assert low is None or 100 <= low < high
        assert material.elongation is None or 0.02 <= material.elongation <= 0.5


def test_copper_in_the_soft_state_has_no_minimum_yield_but_a_largest() -> None:
    # EN 1057 (from memory): R220 has no minimum; about 140 MPa at most
    soft = reference.materials()["cu-dhp-r220"]
    assert (soft.yield_strength, soft.yield_strength_max) == (None, 140.0)


def test_welded_low_carbon_tube_states_no_yield_strength() -> None:
    # SAE J1065 rates J526 tube on a tensile strength of 290 MPa
    for name in ("j526", "j527"):
        material = reference.materials()[name]
        assert (material.yield_strength, material.tensile_strength) == (None, 290.0)


def test_precision_steel_tube_that_is_small_has_10_mpa_less_yield() -> None:
    # EN 10305-4 (from memory): OD ≤ 30 mm with wall ≤ 3 mm
    small = [m for m in reference.materials().values() if m.source == "en-10305-4"]
    assert len(small) == 3
    for material in small:
        assert material.yield_strength is not None
        assert material.small_tube_yield_strength == material.yield_strength - 10
        assert material.small_tube_outside_diameter == 30.0
        assert material.small_tube_wall_thickness == 3.0


# --- sizes ---------------------------------------------------------------------------------------


def test_inch_sizes_are_exact_sixteenths_and_decimal_walls() -> None:
    # international yard and pound agreement of 1959: 1 in = 25.4 mm exactly; scipy.constants
    inch = Decimal("25.4")
    assert float(inch) == pytest.approx(constants.inch * 1000, rel=1e-15)
    sizes = [row for row in rows(shared_file("data", "tube_sizes.csv")) if row["system"] == "inch"]
    assert len({row["dash"] for row in sizes}) == 13
    for row in sizes:
        outside_diameter = Decimal(row["dash"]) / 16
        assert Decimal(row["outside_diameter_in"]) == outside_diameter
        assert Decimal(row["outside_diameter_mm"]) == outside_diameter * inch
        assert Decimal(row["wall_thickness_mm"]) == Decimal(row["wall_thickness_in"]) * inch
        opened = reference.tube_sizes()[row["id"]]
        assert opened.outside_diameter == float(outside_diameter * inch)


def test_metric_sizes_have_nothing_in_inches() -> None:
    for size in reference.tube_sizes().values():
        inch_parts = (size.dash, size.gauge, size.outside_diameter_in, size.wall_thickness_in)
        assert all((part is None) == (size.system == "metric") for part in inch_parts), size.id


def test_dash_8_is_half_an_inch() -> None:
    # trade rule: the dash number counts sixteenths of an inch; 8/16 in = 12.7 mm
    assert reference.tube_sizes()["dash8x0.049in"].outside_diameter == 12.7


def test_gauge_numbers_are_birmingham_wire_gauge() -> None:
    # the table of gauges in the PyPI library 'fluids'
    walls = {
        (size.gauge, size.wall_thickness_in)
        for size in reference.tube_sizes().values()
        if size.system == "inch"
    }
    assert len(walls) == 12
    for gauge, wall in walls:
        assert gauge is not None
        assert t_from_gauge(gauge, False, "BWG") == wall


def test_every_listed_wall_keeps_the_rule_of_the_list() -> None:
    for size in reference.tube_sizes().values():
        ratio = Tube(size.outside_diameter, size.wall_thickness).wall_ratio
        assert 0.03 - 1e-12 <= ratio <= 0.30 + 1e-12, size.id


def test_24_degree_cone_series() -> None:
    # ISO 8434-1 (from memory): tube diameters of the light and of the heavy series
    by_series = {
        series: {
            size.outside_diameter
            for size in reference.tube_sizes().values()
            if series in size.cone_series
        }
        for series in "LS"
    }
    assert by_series["L"] == {6, 8, 10, 12, 15, 18, 22, 28, 35, 42}
    assert by_series["S"] == {6, 8, 10, 12, 16, 20, 25, 30, 38}


# --- tables of standards -------------------------------------------------------------------------


def test_wall_allowance_of_asme_b31_1() -> None:
    # ASME B31.1 Table 102.4.5, as printed in UFC 4-159-01 Table 5-4
    table = [(row.bend_ratio, row.wall_factor_before_bending) for row in reference.wall_allowance()]
    assert table == [(3, 1.25), (4, 1.14), (5, 1.08), (6, 1.06)]


def tolerance(quantity: str, tolerance_class: str, length: float) -> float | None:
    for row in reference.general_tolerances():
        inside = row.over < length <= row.up_to or (row.over_included and length == row.over)
        if (row.quantity, row.tolerance_class) == (quantity, tolerance_class) and inside:
            return row.plus_minus
    return None


# ISO 2768-1 Table 1, as restated in public copies
@pytest.mark.parametrize(
    ("length", "fine", "medium", "coarse", "very_coarse"),
    [
        (0.5, 0.05, 0.1, 0.2, None),
        (3, 0.05, 0.1, 0.2, None),
        (3.1, 0.05, 0.1, 0.3, 0.5),
        (30, 0.1, 0.2, 0.5, 1),
        (100, 0.15, 0.3, 0.8, 1.5),
        (400, 0.2, 0.5, 1.2, 2.5),
        (1000, 0.3, 0.8, 2, 4),
        (1500, 0.5, 1.2, 3, 6),
        (4000, None, 2, 4, 8),
        (4001, None, None, None, None),
        (0.4, None, None, None, None),
    ],
)
def test_linear_tolerances(
    length: float, fine: float, medium: float, coarse: float, very_coarse: float
) -> None:
    found = [tolerance("linear", name, length) for name in "fmcv"]
    assert found == [fine, medium, coarse, very_coarse]


# ISO 2768-1 Table 3 by the shorter leg, in minutes of arc; rows of f and m between 10 and 400 mm as
# restated in public copies, the others from memory
@pytest.mark.parametrize(
    ("shorter_leg", "fine_and_medium", "coarse", "very_coarse"),
    [(10, 60, 90, 180), (50, 30, 60, 120), (120, 20, 30, 60), (150, 10, 15, 30), (401, 5, 10, 20)],
)
def test_angular_tolerances(
    shorter_leg: float, fine_and_medium: int, coarse: int, very_coarse: int
) -> None:
    expected = [fine_and_medium, fine_and_medium, coarse, very_coarse]
    for name, minutes in zip("fmcv", expected, strict=True):
        found = tolerance("angular", name, shorter_leg)
        assert found is not None
        assert math.degrees(found) * 60 == pytest.approx(minutes, rel=1e-12)


def test_a_length_falls_in_one_range_only() -> None:
    for quantity in ("linear", "angular"):
        for name in "fmcv":
            ranges = [
                (row.over, row.up_to)
                for row in reference.general_tolerances()
                if (row.quantity, row.tolerance_class) == (quantity, name)
            ]
            assert all(first[1] == second[0] for first, second in pairwise(ranges))


# --- the demonstration profile -------------------------------------------------------------------


def test_the_demonstration_shop_says_that_it_is_invented() -> None:
    shop = reference.demo_shop()
    assert shop.invented
    assert reference.sources()[shop.source].trust == "invented"
    assert "invented" in shop.note.lower()
    for bender in shop.benders.values():
        assert "invented" in bender.note.lower()


def test_the_demonstration_shop_has_a_die_for_each_diameter() -> None:
    dies = reference.demo_shop().dies.values()
    assert sorted({die.tube_outside_diameter for die in dies}) == [
        *(6, 8, 10, 12, 14, 15, 16, 18, 20, 22, 25, 28, 30, 35, 38, 42)
    ]
    for die in dies:
        assert 1.9 <= die.radius / die.tube_outside_diameter <= 3.1
    marked = sum(die.has_angle_marks for die in dies)
    assert abs(2 * marked - len(dies)) <= 2


def test_the_demonstration_profile_converts_to_internal_units() -> None:
    shop = reference.demo_shop()
    die, bender = shop.dies["d20-r60"], shop.benders["bench-25"]
    assert die.largest_angle == pytest.approx(math.radians(190), rel=1e-15)
    assert (die.radius, die.clamp_length, die.groove_length, die.stretch) == (60, 42, 44, 0.022)
    assert bender.drive == Drive(6.0, 350.0, 0.85, 250.0)
    assert bender.rated_tubes[0] == RatedTube(25.0, 2.5, "e235-n", None, 75.0)
    assert bender.surroundings is not None
    assert bender.surroundings.bench_edges == BenchEdges(-900.0, 120.0, -160.0, 190.0)
    assert bender.surroundings.boxes[0] == BoxBody(
        "gear housing", (-420.0, -115.0, -180.0), (70.0, 95.0, -48.0)
    )
    assert bender.surroundings.cylinders[0].radius == 370
    assert shop.mandrel_limits == MandrelLimits(0.05, 0.08, 2.5, 5.0)
    assert (shop.mandrel_clearance, shop.mandrel_rod_length, shop.bench_step) == (0.3, 2500, 0.5)


def test_the_schema_is_valid_and_holds_the_fields_of_the_dataclasses() -> None:
    jsonschema_rs.meta.validate(SCHEMA)  # the meta-schema of JSON Schema 2020-12
    parts = SCHEMA["$defs"]
    for name, kind in (
        ("bender", Bender),
        ("die", Die),
        ("drive", Drive),
        ("rated_tube", RatedTube),
        ("surroundings", Surroundings),
        ("box_body", BoxBody),
        ("cylinder_body", CylinderBody),
    ):
        assert set(parts[name]["properties"]) == {field.name for field in dataclasses.fields(kind)}
    limits = parts["mandrel"]["properties"]["limits"]["properties"]
    assert set(limits) == {field.name for field in dataclasses.fields(MandrelLimits)}


# --- profiles ------------------------------------------------------------------------------------


def least_profile() -> dict[str, Any]:
    return {
        "format": 1,
        "id": "small",
        "name": "Small shop",
        "units": "metric",
        "benders": [
            {
                "id": "b",
                "name": "Bender",
                "least_outside_diameter": 6,
                "largest_outside_diameter": 12,
                "largest_angle": 180,
                "dies": ["d"],
            }
        ],
        "dies": [
            {
                "id": "d",
                "name": "Die",
                "tube_outside_diameter": 10,
                "radius": 30,
                "largest_angle": 180,
            }
        ],
    }


def written(folder: Path, content: str | bytes) -> Path:
    path = folder / "profile.json"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def test_what_a_shop_does_not_state_is_left_open(tmp_path: Path) -> None:
    shop = reference.load_shop(written(tmp_path, json.dumps(least_profile())))
    assert (shop.source, shop.invented) == ("shop-profile", False)
    assert shop.mandrel_limits == MandrelLimits()
    assert (shop.mandrel_clearance, shop.mandrel_rod_length) == (None, None)
    assert (shop.benders["b"].drive, shop.benders["b"].longest_tube) == (None, None)
    assert (shop.dies["d"].clamp_length, shop.dies["d"].stretch) == (None, None)


def test_a_file_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    text = json.dumps(least_profile())
    assert reference.load_shop(written(tmp_path, "\ufeff" + text)).id == "small"


def test_a_profile_becomes_active_and_a_bad_one_leaves_it(tmp_path: Path) -> None:
    try:
        reference.use_shop(written(tmp_path, json.dumps(least_profile())))
        assert reference.shop().id == "small"
        with pytest.raises(ProfileError):
            reference.use_shop(tmp_path / "absent.json")
        assert reference.shop().id == "small"
    finally:
        reference.use_shop(None)
    assert reference.shop() is reference.demo_shop()


Change = Callable[[dict[str, Any]], object]


EDGES_ALONE = {
    "bench_edges": {"least_x": -900, "greatest_x": 120, "least_y": -160, "greatest_y": 190}
}


def put(*path: str | int, value: object) -> Change:
    def change(profile: dict[str, Any]) -> None:
        part: Any = profile
        for name in path[:-1]:
            part = part[name]
        part[path[-1]] = value

    return change


def drop(*path: str | int) -> Change:
    def change(profile: dict[str, Any]) -> None:
        part: Any = profile
        for name in path[:-1]:
            part = part[name]
        del part[path[-1]]

    return change


# each: the slip, the pointer, the value as told, and a piece of what is allowed
BAD_PROFILES: dict[str, tuple[Change, str, str, str]] = {
    "name missing": (drop("name"), "/name", "missing", "JSON string"),
    "die without radius": (
        drop("dies", 2, "radius"),
        "/dies/2/radius",
        "missing",
        "from 0.5, to 5000",
    ),
    "unknown name at the top": (put("colour", value=1), "/colour", "1", "benders"),
    "unknown name in a die": (
        put("dies", 0, "bend/radius~", value=3),
        "/dies/0/bend~1radius~0",
        "3",
        "tube_outside_diameter",
    ),
    "string for a number": (
        put("dies", 1, "radius", value="24"),
        "/dies/1/radius",
        '"24"',
        "JSON number, from 0.5, to 5000",
    ),
    "null for a number": (put("dies", 1, "radius", value=None), "/dies/1/radius", "null", "number"),
    "true for a number": (put("dies", 1, "radius", value=True), "/dies/1/radius", "true", "number"),
    "number for a flag": (
        put("dies", 1, "has_angle_marks", value=1),
        "/dies/1/has_angle_marks",
        "1",
        "boolean",
    ),
    "inch units": (put("units", value="inch"), "/units", '"inch"', "exactly metric"),
    "later format": (put("format", value=2), "/format", "2", "exactly 1"),
    "negative gear ratio": (
        put("benders", 0, "drive", "gear_ratio", value=-3),
        "/benders/0/drive/gear_ratio",
        "-3",
        "from 0.05",
    ),
    "efficiency above one": (
        put("benders", 1, "drive", "efficiency", value=1.2),
        "/benders/1/drive/efficiency",
        "1.2",
        "to 1",
    ),
    "bench that ends before it begins": (
        put("benders", 0, "surroundings", "bench_edges", "greatest_y", value=-200),
        "/benders/0/surroundings/bench_edges/greatest_y",
        "-200",
        "least_y, -160, or more",
    ),
    "floor above the bench": (
        put("benders", 0, "surroundings", "floor_below", value=179),
        "/benders/0/surroundings/floor_below",
        "179",
        "bench_below, 180, or more",
    ),
    "edges of no bench": (
        put("benders", 0, "surroundings", value=EDGES_ALONE),
        "/benders/0/surroundings/bench_below",
        "is missing",
        "the height of the bench top whose edges are stated",
    ),
    "box without height": (
        put("benders", 0, "surroundings", "boxes", 1, "greatest", 2, value=-48),
        "/benders/0/surroundings/boxes/1/greatest/2",
        "-48",
        "above -48",
    ),
    "box with a corner in the plane": (
        put("benders", 0, "surroundings", "boxes", 0, "least", value=[-420, -115]),
        "/benders/0/surroundings/boxes/0/least",
        "a JSON array of 2",
        "3",
    ),
    "cylinder without length": (
        put("benders", 0, "surroundings", "cylinders", 0, "end", value=[-380, -230, -110]),
        "/benders/0/surroundings/cylinders/0/end",
        "a JSON array of 3",
        "another point than start",
    ),
    "bender that swings either way": (
        put("benders", 0, "surroundings", "swings", value="both"),
        "/benders/0/surroundings/swings",
        '"both"',
        "anticlockwise",
    ),
    "absurd angle": (
        put("benders", 0, "largest_angle", value=720),
        "/benders/0/largest_angle",
        "720",
        "degrees",
    ),
    "id in capitals": (put("dies", 3, "id", value="D12"), "/dies/3/id", '"D12"', "^[a-z0-9]"),
    "id with line end": (
        put("dies", 3, "id", value="d12\n"),
        "/dies/3/id",
        '"d12\\n"',
        "^[a-z0-9]",
    ),
    "id too long": (put("id", value="a" * 65), "/id", '"aaa', "{0,63}"),
    "empty name": (put("name", value=""), "/name", '""', "1 characters or more"),
    "control letter in name": (put("name", value="a\x00b"), "/name", '"a\\u0000b"', "matching"),
    "no benders": (put("benders", value=[]), "/benders", "array of 0", "1 entries or more"),
    "benders as object": (put("benders", value={}), "/benders", "JSON object", "JSON array"),
    "die id twice": (put("dies", 4, "id", value="d12-r24"), "/dies/4/id", '"d12-r24"', "nothing"),
    "bender id twice": (
        put("benders", 1, "id", value="bench-25"),
        "/benders/1/id",
        '"bench-25"',
        "nothing else in /benders",
    ),
    "die that does not exist": (
        put("benders", 0, "dies", 0, value="d7-r21"),
        "/benders/0/dies/0",
        '"d7-r21"',
        "d6-r18",
    ),
    "die listed twice": (
        put("benders", 0, "dies", 1, value="d6-r18"),
        "/benders/0/dies/1",
        '"d6-r18"',
        "each die once",
    ),
    "die too large for the bender": (
        put("benders", 0, "dies", 0, value="d42-r125"),
        "/benders/0/dies/0",
        "42",
        "6 to 25 mm",
    ),
    "range the wrong way round": (
        put("benders", 0, "largest_outside_diameter", value=5),
        "/benders/0/largest_outside_diameter",
        "5",
        "least_outside_diameter, 6, or more",
    ),
    "radius within the tube": (
        put("dies", 20, "radius", value=21),
        "/dies/20/radius",
        "21",
        "above half the outside diameter, 21",
    ),
    "rated tube of unknown material": (
        put("benders", 0, "rated_tubes", 0, "material", value="unobtainium"),
        "/benders/0/rated_tubes/0/material",
        '"unobtainium"',
        "e235-n",
    ),
    "rated tube without material or stress": (
        drop("benders", 0, "rated_tubes", 0, "material"),
        "/benders/0/rated_tubes/0/flow_stress",
        "missing",
        "a flow stress or a material",
    ),
    "rated tube of a material without yield": (
        put("benders", 0, "rated_tubes", 0, "material", value="j526"),
        "/benders/0/rated_tubes/0/material",
        '"j526"',
        "flow_stress beside it",
    ),
    "rated tube with a solid wall": (
        put("benders", 0, "rated_tubes", 0, "wall_thickness", value=12.5),
        "/benders/0/rated_tubes/0/wall_thickness",
        "12.5",
        "below half the outside diameter, 12.5",
    ),
    "rated tube outside the range": (
        put("benders", 0, "rated_tubes", 0, "outside_diameter", value=30),
        "/benders/0/rated_tubes/0",
        "30",
        "6 to 25 mm",
    ),
    "rated tube bent too tight": (
        put("benders", 0, "rated_tubes", 0, "radius", value=12),
        "/benders/0/rated_tubes/0/radius",
        "12",
        "above half the outside diameter, 12.5",
    ),
    "mandrel advised below required": (
        put("mandrel", "limits", "advised_below_wall_ratio", value=0.04),
        "/mandrel/limits/advised_below_wall_ratio",
        "0.04",
        "required_below_wall_ratio, 0.05, or more",
    ),
    "bend ratios the wrong way round": (
        put("mandrel", "limits", "none_above_bend_ratio", value=2),
        "/mandrel/limits/none_above_bend_ratio",
        "2",
        "tight_bend_ratio, 2.5, or more",
    ),
    "bench step of nothing": (put("bench", "step", value=0), "/bench/step", "0", "from 0.01"),
}


@pytest.mark.parametrize("case", BAD_PROFILES.values(), ids=BAD_PROFILES.keys())
def test_a_bad_profile_is_refused_with_place_value_and_what_is_allowed(
    case: tuple[Change, str, str, str], tmp_path: Path
) -> None:
    change, pointer, value, allowed = case
    profile = copy.deepcopy(DEMO)
    change(profile)
    with pytest.raises(ProfileError) as refused:
        reference.load_shop(written(tmp_path, json.dumps(profile)))
    lines = [line for line in str(refused.value).splitlines() if line.startswith(f"{pointer}: ")]
    assert lines, str(refused.value)
    told = [line.partition("; allowed: ") for line in lines]
    assert any(value in before and allowed in after for before, _, after in told), lines


# each: what stands in the file for '"radius": 18', the pointer, and a piece of the line
BAD_VALUES: dict[str, tuple[str, str, str]] = {
    "name given twice": ('"radius": 18, "radius": 19', "/dies/0/radius", "19 is not allowed"),
    "NaN": ('"radius": NaN', "/dies/0/radius", "NaN is not allowed"),
    "minus infinity": ('"radius": -Infinity', "/dies/0/radius", "-Infinity is not allowed"),
    "overflow": ('"radius": 1e999', "/dies/0/radius", "1e999 is not allowed"),
    "a thousand digits": (f'"radius": {"9" * 1000}', "/dies/0/radius", "JSON number"),
    "ten thousand digits": (f'"radius": {"9" * 10_000}', "/dies/0/radius", "JSON number"),
    "NaN in a name": ('"radius": 18, "note": NaN', "/dies/0/note", "JSON string"),
    "lone surrogate": (r'"radius": 18, "note": "\ud800"', "/dies/0/note", r"\ud800 is not allowed"),
    "lone surrogate in a name": (r'"radius": 18, "\ud800": 1', "/dies/0/", "only the names"),
}


@pytest.mark.parametrize("case", BAD_VALUES.values(), ids=BAD_VALUES.keys())
def test_what_no_json_value_can_be_is_refused_with_its_place(
    case: tuple[str, str, str], tmp_path: Path
) -> None:
    text, pointer, piece = case
    assert DEMO_TEXT.count('"radius": 18,') == 1
    with pytest.raises(ProfileError) as refused:
        reference.load_shop(written(tmp_path, DEMO_TEXT.replace('"radius": 18', text, 1)))
    lines = str(refused.value).splitlines()
    assert any(line.startswith(pointer) and piece in line for line in lines), lines


@pytest.mark.parametrize(
    ("content", "piece"),
    [
        ("", "line 1, column 1"),
        ('{"format": 1,\n "id" 2}', "line 2, column 7"),
        ("{} {}", "line 1, column 4"),
        ("[" * 100_000, "nested too deeply"),
        ('{"name": ' + "[" * 400 + "]" * 400 + "}", "nested too deeply"),
        (r'{"name": "a", "dies": ["\ud800"]}', r"/dies/0: \ud800 is not allowed"),
        (r'["\ud800"]', "(whole file): a JSON array of 1"),
        (r'{"a\nb": 1}', r"/a\nb: 1 is not allowed"),
        ('{"name": "' + "\t" + '"}', "Invalid control character"),
        (b'{"name": "\xff"}', "not UTF-8 text, at byte 10"),
        ("[]", "(whole file): a JSON array of 0 is not allowed; allowed: JSON object"),
        ("NaN", "/name: is missing"),
    ],
)
def test_malformed_text_is_refused_with_its_place(
    content: str | bytes, piece: str, tmp_path: Path
) -> None:
    with pytest.raises(ProfileError, match=re.escape(piece)):
        reference.load_shop(written(tmp_path, content))


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"absent\.json: cannot be read"):
        reference.load_shop(tmp_path / "absent.json")
    with pytest.raises(ProfileError, match="cannot be read"):
        reference.load_shop(tmp_path)


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    profile = copy.deepcopy(DEMO)
    for change in (
        drop("name"),
        put("dies", 0, "radius", value="18"),
        put("benders", 0, "dies", 0, value="d7-r21"),
        put("benders", 1, "drive", "lever_length", value=-1),
        put("mandrel", "limits", "none_above_bend_ratio", value=1),
    ):
        change(profile)
    with pytest.raises(ProfileError) as refused:
        reference.load_shop(written(tmp_path, json.dumps(profile)))
    pointers = [line.partition(": ")[0] for line in str(refused.value).splitlines()[1:]]
    assert sorted(pointers) == [
        "/benders/0/dies/0",
        "/benders/1/drive/lever_length",
        "/dies/0/radius",
        "/mandrel/limits/none_above_bend_ratio",
        "/name",
    ]


def places(part: Any, at: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    entries: Any = ()
    if isinstance(part, dict):
        entries = part.items()
    elif isinstance(part, list):
        entries = enumerate(part)
    return [at, *(place for name, value in entries for place in places(value, (*at, name)))]


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=5,
)


@given(st.sampled_from(places(DEMO)[1:]), JSON_VALUES)
def test_any_value_anywhere_is_read_or_refused_and_never_breaks(
    place: tuple[str | int, ...], value: object
) -> None:
    profile = copy.deepcopy(DEMO)
    put(*place, value=value)(profile)
    try:
        shop = parse_profile(json.dumps(profile), reference.materials())
    except ProfileError as error:
        for line in str(error).split("\n"):
            assert re.match(r"/.*: .*; allowed: ", line), line
    else:
        assert len(shop.benders) * len(shop.dies) > 0


# --- the wheel -----------------------------------------------------------------------------------


def run_python(code: str, folder: Path) -> str:
    prelude = f"import sys; sys.path.insert(0, {str(folder)!r}); "
    done = subprocess.run(
        [sys.executable, "-c", prelude + code],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture(scope="module")
def unpacked_wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    leave_out = shutil.ignore_patterns("__pycache__")
    for name in ("service", "shared"):
        shutil.copytree(REPOSITORY / name, source / name, ignore=leave_out)
    shutil.copy(REPOSITORY / "pyproject.toml", source)
    (source / "README.md").write_text("A stand-in.\n", encoding="utf-8")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder / "dist")]
    done = subprocess.run(build, capture_output=True, text=True, check=False, cwd=source)
    assert done.returncode == 0, done.stderr
    (wheel,) = (folder / "dist").glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "unpacked")
    return folder / "unpacked"


def test_the_wheel_carries_the_data_and_the_demonstration_shop(unpacked_wheel: Path) -> None:
    shared = unpacked_wheel / "service" / "_shared"
    for name in ("sources.toml", "shop/demo.json", "shop/profile.schema.json"):
        assert (shared / name).read_bytes() == shared_file(name).read_bytes()
    assert sorted(path.name for path in (shared / "data").glob("*.csv")) == [
        path.name for path in DATA_FILES
    ]


def test_the_wheel_opens_its_own_data(unpacked_wheel: Path) -> None:
    code = (
        "from service import reference as r; from service.reference_files import shared_folder; "
        "print(shared_folder(), len(r.sources()), len(r.materials()), len(r.tube_sizes()), "
        "len(r.wall_allowance()), len(r.general_tolerances()), r.shop().id)"
    )
    counts = (
        len(reference.sources()),
        len(reference.materials()),
        len(reference.tube_sizes()),
        len(reference.wall_allowance()),
        len(reference.general_tolerances()),
    )
    place = (unpacked_wheel / "service" / "_shared").resolve()
    expected = f"{place} {' '.join(map(str, counts))} example-workshop"
    assert run_python(code, unpacked_wheel) == expected
