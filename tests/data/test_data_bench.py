"""Causes of faults and upkeep: every name leads somewhere, in every language."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from service import reference
from service.api.fault_finding import FaultFindingRequest
from service.calc.fault_finding import CAUSE_TESTS, TESTS
from service.calc.fault_legs import CAUSES as LEG_CAUSES
from service.calc.fault_tools import OBSERVED
from service.model import Trust
from service.reference_bench import faults, upkeep
from service.web.texts import LANGUAGES, shipped_texts

CALC = Path(__file__).resolve().parents[2] / "service" / "calc"
each_language = pytest.mark.parametrize("language", LANGUAGES)


def strings() -> Iterator[str]:
    """Every string constant of the fault modules that looks like a code or a pointer."""
    for file in CALC.glob("fault_*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def codes_of(name: str) -> Iterator[str]:
    """First arguments of every call of ``name``."""
    for file in CALC.glob("fault_*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == name and node.args:
                value = node.args[0]
                if isinstance(value, ast.Constant) and isinstance(value.value, str):
                    yield value.value


@each_language
def test_every_cause_has_its_words_and_no_words_are_left_over(language: str) -> None:
    words = shipped_texts(language)["fault_causes"]
    assert words.keys() == faults().causes.keys()
    for cause, entry in words.items():
        assert entry.keys() == {"title", "check", "cure"}, cause
        assert not entry["title"].endswith("."), cause
        assert entry["check"].endswith((".", "?")), cause
        assert entry["cure"].endswith("."), cause


@each_language
def test_every_evidence_and_every_way_has_its_words(language: str) -> None:
    texts = shipped_texts(language)
    used = set(strings())
    for table in ("fault_evidence", "fault_ways"):
        left_over = texts[table].keys() - used - {"at_bend"}
        assert left_over == set(), table
    said = {*codes_of("Found"), *codes_of("silent")}
    said |= {one for seen in OBSERVED.values() for one in (seen.for_it, seen.against_it)}
    assert said - texts["fault_evidence"].keys() == set()
    assert set(codes_of("Way")) - texts["fault_ways"].keys() == set()


@each_language
def test_every_missing_datum_is_a_field_of_the_request(language: str) -> None:
    words = shipped_texts(language)["fault_missing"]
    pointers = {one for one in strings() if re.fullmatch(r"/[a-z_]+(/[a-z_]+)*", one)}
    pointers |= {"/" + seen.place.replace(".", "/") for seen in OBSERVED.values()}
    assert words.keys() - {"further_leg"} == pointers
    fields = FaultFindingRequest().fields
    for pointer in pointers:
        name, *inner = pointer[1:].split("/")
        assert name in fields, pointer
        if inner and name in {"set_up", "measured", "mandrel"}:
            assert inner[0] in fields[name].schema.fields, pointer  # type: ignore[attr-defined]


def test_every_test_is_known_and_every_known_test_is_used() -> None:
    weighed = {test for cause in faults().causes.values() for test, _ in cause.tests}
    assert weighed == TESTS.keys() | CAUSE_TESTS.keys()
    assert not TESTS.keys() & CAUSE_TESTS.keys()


def test_every_cause_that_predicts_a_leg_is_reckoned() -> None:
    predicting = {
        cause.id
        for cause in faults().causes.values()
        if "leg_amount" in {test for test, _ in cause.tests}
    }
    assert predicting == LEG_CAUSES.keys()


def test_sources_and_upkeep_of_the_causes_are_known() -> None:
    for cause in faults().causes.values():
        assert cause.source in reference.sources(), cause.id
        assert set(cause.upkeep) <= upkeep().keys(), cause.id
    named = {task for cause in faults().causes.values() for task in cause.upkeep}
    # what keeps no listed fault away: fastening, trial bends, rust
    assert upkeep().keys() - named == {"check-fastening", "trial-bend", "protect-from-rust"}


@each_language
def test_upkeep_has_words_source_and_trust(language: str) -> None:
    texts = shipped_texts(language)
    assert texts["upkeep"].keys() == upkeep().keys()
    for task in upkeep().values():
        assert task.source in reference.sources()
        assert task.trust in get_args(Trust)
        assert task.place
        assert texts["upkeep_parts"][task.part]
        assert texts["upkeep_occasions"][task.occasion]
        assert task.occasion != "by_interval" or task.hours or task.bends
    assert texts["upkeep_parts"].keys() == {task.part for task in upkeep().values()}
    assert texts["upkeep_occasions"].keys() == {task.occasion for task in upkeep().values()}


def test_what_is_opened_once_cannot_be_changed() -> None:
    assert faults() is faults()
    with pytest.raises(TypeError):
        faults().causes["clamp_oily"] = None  # type: ignore[index]
    with pytest.raises(TypeError):
        upkeep()["clean-grooves"] = None  # type: ignore[index]
