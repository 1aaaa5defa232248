"""The catalogue of texts for people: ``shared/texts/<language>/*.toml``, looked up by code.

One file a capability; all are read into one catalogue, and a code may stand in one file only.
Tables: ``errors`` (a refusal), ``findings`` (``text`` and ``cure``), ``cautions``, ``fields``
(what a schema finds wrong), ``words`` (single words that stand in a text) and those of the pages
and pictures. Placeholders in braces are filled with values in the caller's units.

The language is negotiated by Accept-Language (RFC 9110, 12.5.4) among those shipped; English where
none of them is asked for. Numbers of a text have the decimal mark of its language, those of JSON
never do.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any

from flask import Response, has_request_context, request
from werkzeug.datastructures import LanguageAccept
from werkzeug.http import parse_accept_header

from service.errors import ProfileError, Value, Word
from service.reference_files import shared_file
from service.web.units import show

LANGUAGES = ("en", "de")
DEFAULT = "en"
DECIMAL_MARKS: Mapping[str, str] = {"en": ".", "de": ","}
LONGEST_HEADER = 200  # of those whose language is remembered


@cache
def catalogue(spoken: str) -> Mapping[str, Mapping[str, Any]]:
    """All texts of one language; raises KeyError for a language that is not shipped.

    What another language lacks is told in English: a test finds it, and no request fails by it.
    """
    shipped = shipped_texts(spoken)
    if spoken == DEFAULT:
        return shipped
    return {
        table: {**texts, **shipped.get(table, {})} for table, texts in catalogue(DEFAULT).items()
    }


def shipped_texts(spoken: str) -> Mapping[str, Mapping[str, Any]]:
    """The texts that stand in the files of one language, and no others."""
    if spoken not in LANGUAGES:
        raise KeyError(spoken)
    merged: dict[str, dict[str, Any]] = {}
    for file in sorted(shared_file("texts", spoken).glob("*.toml")):
        for table, entries in tomllib.loads(file.read_text(encoding="utf-8")).items():
            known = merged.setdefault(table, {})
            if twice := known.keys() & entries.keys():
                raise ProfileError(
                    f"{file.name}: {table} {sorted(twice)} stand in another file too"
                )
            known.update(entries)
    return merged


def language() -> str:
    """The language of the request under way; English outside one."""
    if not has_request_context():
        return DEFAULT
    header = request.environ.get("HTTP_ACCEPT_LANGUAGE")
    if not header:
        return DEFAULT
    return _remembered(header) if len(header) <= LONGEST_HEADER else _negotiated(header)


def _negotiated(header: str) -> str:
    """By lookup (RFC 4647, 3.4): the best range first, de-AT falls back to de, * is English."""
    for tag, quality in parse_accept_header(header, LanguageAccept):
        spoken = DEFAULT if tag == "*" else tag.partition("-")[0].lower()
        if quality > 0 and spoken in LANGUAGES:
            return spoken
    return DEFAULT


_remembered = lru_cache(maxsize=256)(_negotiated)


def label(response: Response) -> Response:
    """Have the headers say which language the texts of an answer are in, and that it was chosen.

    ``labelled`` writes them, on the plain list that leaves: response objects are slow at it.
    """
    request.environ["service.language"] = language()
    return response


def labelled(headers: list[tuple[str, str]], spoken: str) -> None:
    """Add Content-Language, and Accept-Language to what the answer varies by."""
    headers.append(("Content-Language", spoken))
    for place, (name, value) in enumerate(headers):
        if name == "Vary":
            headers[place] = (name, f"{value}, Accept-Language")
            return
    headers.append(("Vary", "Accept-Language"))


def text(table: str, code: str, spoken: str | None = None) -> str:
    """One text; for findings ``table`` is ``findings`` and code ``<code>.text`` or ``.cure``.

    In the language ``spoken``, else in that of the request.
    """
    entry = catalogue(spoken or language())[table]
    for part in code.split("."):
        entry = entry[part]
    return str(entry)


def fill(template: str, values: Mapping[str, Value], system: str, spoken: str | None = None) -> str:
    """Fill the placeholders of ``template`` with ``values`` in the caller's units and language."""
    used = spoken or language()
    shown = {name: told(value, system, used, name) for name, value in values.items()}
    return template.format(**shown)


def told(value: Value, system: str, spoken: str, name: str = "") -> str:
    """A value as it stands in a text: a word of the catalogue, or a number with its unit.

    For a value that is None the word ``no_<name>`` stands, where there is one, else ``none``.
    """
    if value is None:
        words = catalogue(spoken)["words"]
        return str(words.get(f"no_{name}", words["none"]))
    if isinstance(value, Word):
        return text("words", value, spoken)
    return show(value, system, DECIMAL_MARKS[spoken])


def decimal(written: str, spoken: str) -> str:
    """A number written with a decimal point, as the language writes it."""
    return written.replace(".", DECIMAL_MARKS[spoken])


def told_briefly(code: str, count: int = 0) -> str:
    """What stands for a value that is too long, or no number, to be repeated."""
    return text("brief", code).format(count=count)
