"""What the trade knows at the bench, opened once: causes of faults, and upkeep."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any, get_args

from service.errors import ProfileError
from service.model import Trust
from service.model_bench import (
    LARGEST_WEIGHT,
    FaultCause,
    FaultTable,
    Symptom,
    UpkeepAction,
    UpkeepTask,
    WeighedTest,
)
from service.reference_files import shared_file


@cache
def faults() -> FaultTable:
    """Symptoms with their causes, and causes with their tests; ``shared/faults.toml``.

    Raises:
        ProfileError: a symptom that is not known or has no causes, a cause that is not described
            or that no symptom names, a weight outside 1 to 3
    """
    tables = tomllib.loads(shared_file("faults.toml").read_text(encoding="utf-8"))
    causes = {name: _cause(name, table) for name, table in tables["causes"].items()}
    symptoms = {name: tuple(listed) for name, listed in tables["symptoms"].items()}
    named = {cause for listed in symptoms.values() for cause in listed}
    if symptoms.keys() != set(get_args(Symptom)) or named != causes.keys():
        wrong = (symptoms.keys() ^ set(get_args(Symptom))) | (named ^ causes.keys())
        raise ProfileError(f"faults.toml: {sorted(wrong)} stand on one side only")
    return FaultTable(MappingProxyType(symptoms), MappingProxyType(causes))


def _cause(name: str, table: Mapping[str, Any]) -> FaultCause:
    tests = tuple(WeighedTest(test, weight) for test, weight in table.get("tests", {}).items())
    for test, weight in tests:
        if weight not in range(1, LARGEST_WEIGHT + 1):
            raise ProfileError(f"faults.toml: {name}: the weight of {test} is {weight}")
    return FaultCause(name, tests, table["source"], tuple(table.get("upkeep", ())))


@cache
def upkeep() -> Mapping[str, UpkeepTask]:
    """Upkeep by id, in the order of the file; ``shared/upkeep.toml``.

    Raises:
        ProfileError: an entry that is incomplete or says what is not known
    """
    tables = tomllib.loads(shared_file("upkeep.toml").read_text(encoding="utf-8"))
    return MappingProxyType({name: _task(name, table) for name, table in tables.items()})


def _task(name: str, table: Mapping[str, Any]) -> UpkeepTask:
    try:
        task = UpkeepTask(
            id=name,
            part=table["part"],
            action=table["action"],
            occasion=table["occasion"],
            hours=table.get("every_hours"),
            bends=table.get("every_bends"),
            source=table["source"],
            place=table["place"],
            trust=table["trust"],
        )
    except KeyError as error:
        raise ProfileError(f"upkeep.toml: {name}: {error} is missing") from error
    if task.action not in get_args(UpkeepAction) or task.trust not in get_args(Trust):
        raise ProfileError(f"upkeep.toml: {name}: {task.action}, {task.trust}")
    return task
