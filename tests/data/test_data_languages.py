"""Every text stands in every language, with the same placeholders; German has a decimal comma."""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from service.web.texts import DECIMAL_MARKS, DEFAULT, LANGUAGES, shipped_texts

Key = tuple[str, ...]
OTHERS = [language for language in LANGUAGES if language != DEFAULT]
each_other = pytest.mark.parametrize("language", OTHERS)


def flat(entries: Mapping[str, Any], above: Key = ()) -> Iterator[tuple[Key, str]]:
    for name, entry in entries.items():
        if isinstance(entry, Mapping):
            yield from flat(entry, (*above, name))
        else:
            yield (*above, name), entry


def texts_of(language: str) -> dict[Key, str]:
    return dict(flat(shipped_texts(language)))


def placeholders(text: str) -> list[str]:
    return sorted({name for _, name, _, _ in string.Formatter().parse(text) if name is not None})


def test_there_is_more_than_one_language() -> None:
    assert OTHERS
    assert set(DECIMAL_MARKS) == set(LANGUAGES)


@each_other
def test_the_same_texts_stand_in_both(language: str) -> None:
    here, there = texts_of(DEFAULT), texts_of(language)
    assert sorted(here.keys() - there.keys()) == [], "missing"
    assert sorted(there.keys() - here.keys()) == [], "left over"


@each_other
def test_placeholders_are_the_same(language: str) -> None:
    here, there = texts_of(DEFAULT), texts_of(language)
    both = here.keys() & there.keys()
    differ = {key for key in both if placeholders(here[key]) != placeholders(there[key])}
    assert differ == set()


@each_other
def test_a_text_is_translated(language: str) -> None:
    # a sentence that is the same in both was forgotten; single words and pure symbols may agree
    here, there = texts_of(DEFAULT), texts_of(language)
    same = [key for key in here.keys() & there.keys() if here[key] == there[key]]
    assert [key for key in same if len(re.findall(r"\w+", here[key])) > 4] == []


def test_german_figures_have_a_comma() -> None:
    # a point between digits is a clause of a standard, a version or an inch gauge, never a decimal
    clauses = r"B31\.[13]|\d+\.\d+\.\d+|102\.4\.5|332\.2\.1|304\.2\.1|P1\.2\.2"
    for key, text in texts_of("de").items():
        plain = re.sub(clauses, "", text)
        assert not re.search(r"\d\.\d", plain), (key, text)
