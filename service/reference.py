"""Shipped reference data and the shop profile, opened once; each value with its source.

The data files carry the unit in the column name; what comes out is in mm, rad, MPa and kg/mm³.
Where the figures come from, and how far each can be trusted, is told by ``sources``.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Literal, Protocol, TypeVar, cast

from service.errors import CalculationError, ProfileError
from service.model import (
    GeneralTolerance,
    Material,
    Shop,
    Source,
    Trust,
    TubeSize,
    WallAllowance,
)
from service.reference_files import shared_file
from service.reference_profile import parse_profile


class _Named(Protocol):
    @property
    def id(self) -> str: ...


Item = TypeVar("Item")
NamedItem = TypeVar("NamedItem", bound=_Named)
Row = Mapping[str, str]


@cache
def sources() -> Mapping[str, Source]:
    """All sources by id: title, author, year, trust, note. Raises ProfileError on a bad file."""
    try:
        tables = tomllib.loads(shared_file("sources.toml").read_text(encoding="utf-8"))
        return _by_id("sources.toml", (Source(id=name, **table) for name, table in tables.items()))
    except (tomllib.TOMLDecodeError, TypeError) as error:
        raise ProfileError(f"sources.toml: {error}") from error


@cache
def materials() -> Mapping[str, Material]:
    """Tube materials by id, minimum values at room temperature; MPa, kg/mm³, elongation as
    fraction. Raises ProfileError on a bad file. Source: each row's own ``source`` and ``place``.
    """
    return _by_id("materials.csv", _read("materials.csv", _material))


@cache
def tube_sizes() -> Mapping[str, TubeSize]:
    """Standard sizes of tube by id, mm; inch sizes exact at 25.4 mm per inch. Raises ProfileError
    on a bad file. Source: each row's own ``source`` and ``place``.
    """
    return _by_id("tube_sizes.csv", _read("tube_sizes.csv", _tube_size))


@cache
def wall_allowance() -> tuple[WallAllowance, ...]:
    """Minimum wall before bending as a factor on the minimum wall, by rising R/D from 3 to 6.

    A recommendation: interpolation is allowed, 6 stands for 6 and more, below 3 it says nothing.
    Raises ProfileError on a bad file. Source: ASME B31.1 Table 102.4.5.
    """
    return tuple(_read("bend_wall_allowance.csv", _wall_allowance))


@cache
def student_t() -> Mapping[int, float]:
    """Two-sided 95 % quantile of Student's t by degrees of freedom. Source: each row's own."""
    rows = _read("student_t.csv", lambda row: (int(row["degrees_of_freedom"]), row))
    return MappingProxyType({n: float(row["quantile_95"]) for n, row in rows})


@cache
def general_tolerances() -> tuple[GeneralTolerance, ...]:
    """General tolerances on lengths (mm) and angles (rad). A combination without a row has no
    tolerance in the standard. Raises ProfileError on a bad file. Source: ISO 2768-1.
    """
    return tuple(_read("general_tolerances.csv", _general_tolerance))


class _Active:
    """Which shop profile serves: chosen once, when the service starts."""

    shop: Shop | None = None


def shop() -> Shop:
    """The active shop profile: what ``use_shop`` chose, else the invented demonstration shop."""
    return _Active.shop or demo_shop()


def use_shop(path: Path | str | None) -> Shop:
    """Make the profile at ``path`` the active one, or the demonstration shop for None.

    Raises:
        ProfileError: as ``load_shop``; the active profile then stays what it was
    """
    chosen = demo_shop() if path is None else load_shop(path)
    _Active.shop = chosen
    return chosen


def load_shop(path: Path | str) -> Shop:
    """Read the shop profile at ``path``, without making it the active one.

    Raises:
        ProfileError: the file cannot be read, or is no valid profile; the message lists every
            problem on a line of its own: JSON pointer, value, what is allowed
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ProfileError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ProfileError(f"{path}: is not UTF-8 text, at byte {error.start}") from error
    try:
        return parse_profile(text, materials())
    except ProfileError as error:
        raise ProfileError(f"{path}: is not a valid shop profile\n{error}") from error


@cache
def demo_shop() -> Shop:
    """The invented demonstration shop that serves where no profile is given."""
    return load_shop(shared_file("shop", "demo.json"))


def _read(name: str, build: Callable[[Row], Item]) -> Iterator[Item]:
    # Lines that start with # tell a reader of the file what its rows mean and leave out.
    lines = shared_file("data", name).read_text(encoding="utf-8").splitlines()
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        try:
            yield build(row)
        except (KeyError, ValueError, TypeError, CalculationError) as error:
            raise ProfileError(f"{name}: row {row}: {error!r}") from error


def _by_id(name: str, items: Iterable[NamedItem]) -> Mapping[str, NamedItem]:
    found: dict[str, NamedItem] = {}
    for item in items:
        if item.id in found:
            raise ProfileError(f"{name}: the id {item.id!r} is given twice")
        found[item.id] = item
    return MappingProxyType(found)


def _number(row: Row, column: str, factor: float = 1.0) -> float | None:
    return float(row[column]) * factor if row[column] else None


def _whole(row: Row, column: str) -> int | None:
    return int(row[column]) if row[column] else None


def _trust(row: Row) -> Trust:
    return cast(Trust, row["trust"])


def _material(row: Row) -> Material:
    return Material(
        id=row["id"],
        name=row["name"],
        elastic_modulus=float(row["elastic_modulus_GPa"]) * 1e3,
        density=float(row["density_kg_per_dm3"]) * 1e-6,
        yield_strength=_number(row, "yield_strength_min_MPa"),
        yield_strength_max=_number(row, "yield_strength_max_MPa"),
        tensile_strength=_number(row, "tensile_strength_min_MPa"),
        tensile_strength_max=_number(row, "tensile_strength_max_MPa"),
        elongation=_number(row, "elongation_min_percent", 0.01),
        poisson_ratio=float(row["poisson_ratio"]),
        standard=row["standard"],
        source=row["source"],
        place=row["place"],
        trust=_trust(row),
        note=row["note"],
        small_tube_yield_strength=_number(row, "small_tube_yield_strength_min_MPa"),
        small_tube_outside_diameter=_number(row, "small_tube_outside_diameter_max_mm"),
        small_tube_wall_thickness=_number(row, "small_tube_wall_thickness_max_mm"),
    )


def _tube_size(row: Row) -> TubeSize:
    return TubeSize(
        id=row["id"],
        system=cast(Literal["metric", "inch"], row["system"]),
        outside_diameter=float(row["outside_diameter_mm"]),
        wall_thickness=float(row["wall_thickness_mm"]),
        outside_diameter_in=_number(row, "outside_diameter_in"),
        wall_thickness_in=_number(row, "wall_thickness_in"),
        dash=_whole(row, "dash"),
        gauge=_whole(row, "gauge_BWG"),
        cone_series=tuple(row["cone_series"].split()),
        source=row["source"],
        place=row["place"],
        trust=_trust(row),
    )


def _wall_allowance(row: Row) -> WallAllowance:
    return WallAllowance(
        bend_ratio=float(row["bend_ratio"]),
        wall_factor_before_bending=float(row["wall_factor_before_bending"]),
        source=row["source"],
        place=row["place"],
        trust=_trust(row),
    )


def _general_tolerance(row: Row) -> GeneralTolerance:
    is_linear = row["quantity"] == "linear"
    return GeneralTolerance(
        quantity=cast(Literal["linear", "angular"], row["quantity"]),
        tolerance_class=cast(Literal["f", "m", "c", "v"], row["tolerance_class"]),
        over=float(row["over_mm"]),
        up_to=float(row["up_to_mm"] or math.inf),
        plus_minus=float(row["plus_minus_mm"])
        if is_linear
        else math.radians(float(row["plus_minus_arcmin"]) / 60),
        source=row["source"],
        place=row["place"],
        trust=_trust(row),
        over_included=row["over_included"] == "true",
    )
