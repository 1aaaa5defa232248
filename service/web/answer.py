"""The envelope of every answer: result, findings, basis, cautions, version."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache
from typing import Any

import orjson
from flask import Response, current_app
from marshmallow import Schema
from werkzeug.datastructures import Headers

from service import __version__
from service.errors import Value
from service.model import Finding, Method, Source
from service.web import telemetry, texts, units
from service.web.fields import Choice, Count, Part, Parts, Quantity, Text
from service.web.problem import pointer
from service.web.schema import StrictSchema, outward
from service.web.versions import VERSION_HEADERS, version_headers

SEVERITIES = ("blocks", "needs_care", "ok")
CODE_PATTERN = r"^[a-z0-9_]{1,64}$"
INCH_DIGITS = 12  # significant, of a number of a finding that was converted
KEBAB_PATTERN = r"^[a-z0-9.-]{1,64}$"


class SourceNote(StrictSchema):
    """A source of a method or a value."""

    id = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)
    title = Text("Title", most=300, required=True)
    trust = Text(
        "How far it can be trusted: verified, restated, derived, memory, common practice, invented",
        required=True,
    )


class MethodNote(StrictSchema):
    """A method that the answer used."""

    id = Text("Id of the method", pattern=KEBAB_PATTERN, most=64, required=True)
    title = Text("What it computes", most=200, required=True)
    formula = Text("The formula", most=500, pattern=r"^[^\x00-\x1f]*$", required=True)
    valid = Text("Range of validity", most=500, pattern=r"^[^\x00-\x1f]*$", required=True)
    sources = Parts(SourceNote, "Sources", most=20, required=True)


class FindingValue(StrictSchema):
    """A number of a finding with its unit."""

    value = Quantity("ratio", "The number in the unit named", least=-1e15, most=1e15, required=True)
    unit = Text("Unit; empty where there is none", most=10, required=True)


class FindingNote(StrictSchema):
    """Something the caller must know."""

    code = Text("Stable code", pattern=CODE_PATTERN, most=64, required=True)
    severity = Choice("blocks, needs_care or ok", SEVERITIES, required=True)
    bend = Count("Bend number from end 1, counted from 1", least=1, allow_none=True, required=True)
    value = Part(FindingValue, "The number found", allow_none=True, required=True)
    limit = Part(FindingValue, "The number it was held against", allow_none=True, required=True)
    text = Text("What was found", most=1000, pattern=r"^[^\x00-\x1f]*$", required=True)
    cure = Text("What would cure it", most=1000, pattern=r"^[^\x00-\x1f]*$", required=True)


class VersionNote(StrictSchema):
    """Which formulas made the numbers."""

    service = Text("Version of the service", most=40, required=True)
    methods = Text(
        "Digest of the method catalogue", pattern=r"^[0-9a-f]{16}$", most=16, required=True
    )


@cache
def answer_schema(name: str, result: type[Schema]) -> type[Schema]:
    """The schema of an answer whose ``result`` follows ``result``."""
    members: dict[str, Any] = {
        "units": Choice("Unit system of every number", ("metric", "inch"), required=True),
        "result": Part(result, required=True),
        "findings": Parts(FindingNote, "What the caller must know", most=5000, required=True),
        "basis": Parts(MethodNote, "Methods used, with sources", most=100, required=True),
        "cautions": Parts(
            Text("Caution", most=600, pattern=r"^[^\x00-\x1f]*$"),
            "Read first",
            most=30,
            required=True,
        ),
        "version": Part(VersionNote, required=True),
        "__doc__": f"Answer with {name}.",
    }
    return type(f"{name}Answer", (StrictSchema,), members)


@dataclass(frozen=True)
class Catalogue:
    """All methods and sources of the service; the app hands it to the web layer at start."""

    methods: Mapping[str, Method]
    sources: Mapping[str, Source]
    _basis: dict[tuple[str, ...], orjson.Fragment] = field(default_factory=dict)

    def note(self, method: Method) -> dict[str, Any]:
        """A method with its sources, as it stands in an answer."""
        named = [self.sources[source] for source in method.sources]
        return {
            "id": method.id,
            "title": method.title,
            "formula": method.formula,
            "valid": method.valid,
            "sources": [{"id": s.id, "title": s.title, "trust": s.trust} for s in named],
        }

    def basis(self, ids: tuple[str, ...]) -> orjson.Fragment:
        """The notes of several methods, serialised once."""
        if ids not in self._basis:
            notes = [self.note(self.methods[id_]) for id_ in dict.fromkeys(ids)]
            self._basis[ids] = orjson.Fragment(orjson.dumps(notes))
        return self._basis[ids]

    @cached_property
    def digest(self) -> str:
        """Which formulas make the numbers: changes when a method changes."""
        notes = [self.note(method) for _, method in sorted(self.methods.items())]
        return hashlib.sha256(orjson.dumps(notes)).hexdigest()[:16]

    @cached_property
    def version(self) -> orjson.Fragment:
        """Version of the service and digest of the catalogue, serialised once."""
        return orjson.Fragment(orjson.dumps({"service": __version__, "methods": self.digest}))


def catalogue() -> Catalogue:
    """The catalogue of the running app."""
    found: Catalogue = current_app.extensions["catalogue"]
    return found


def finding_note(finding: Finding, system: str, spoken: str | None = None) -> dict[str, Any]:
    """A finding with its texts in the caller's units and language."""
    spoken = spoken or texts.language()
    values = {
        "bend": finding.bend,
        "value": finding.value,
        "limit": finding.limit,
        **finding.values,
    }
    return {
        "code": finding.code,
        "severity": finding.severity,
        "bend": finding.bend,
        "value": _compared(finding.value, system),
        "limit": _compared(finding.limit, system),
        "text": _filled(f"{finding.code}.text", values, system, spoken),
        "cure": _filled(f"{finding.code}.cure", values, system, spoken),
    }


def _compared(amount: Any, system: str) -> dict[str, Any] | None:
    if amount is None:
        return None
    number = units.outward(amount.value, amount.kind, units.FACTORS[system])
    if system == "inch":  # conversion leaves a last digit of its own
        number = float(f"{number:.{INCH_DIGITS}g}")
    return {"value": number, "unit": units.NAMES[system][amount.kind]}


def _filled(code: str, values: Mapping[str, Value], system: str, spoken: str) -> str:
    return texts.fill(texts.text("findings", code, spoken), values, system, spoken)


def cautions(codes: Iterable[str], spoken: str | None = None) -> list[str]:
    """The texts of cautions."""
    spoken = spoken or texts.language()
    return [texts.text("cautions", code, spoken) for code in codes]


@lru_cache(maxsize=256)
def _caution_notes(codes: tuple[str, ...], spoken: str) -> orjson.Fragment:
    return orjson.Fragment(orjson.dumps(cautions(codes, spoken)))


def envelope(system: str, schema: type[Schema], result: Any, codes: tuple[str, ...]) -> bytes:
    """The whole answer as JSON; ``result`` is a dataclass with ``methods`` and ``findings``."""
    known, spoken = catalogue(), texts.language()
    mark = texts.DECIMAL_MARKS[spoken]
    members = outward(schema, mark)(result, units.FACTORS[system])
    findings = [finding_note(f, system, spoken) for f in result.findings]
    telemetry.count_findings(result.findings)
    raw = orjson.dumps(
        {
            "units": system,
            "result": members,
            "findings": findings,
            "basis": known.basis(result.methods),
            "cautions": _caution_notes(codes, spoken),
            "version": known.version,
        }
    )
    if b"null" in raw:  # how orjson writes NaN and infinities too
        _require_finite([members, findings])
    return raw


def _require_finite(tree: Any) -> None:
    """Fail rather than send ``null`` for a number that a calculation could not compute."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        kind = type(node)  # what is walked was made here: nothing but plain types
        if kind is float:
            if not math.isfinite(node):
                raise FloatingPointError("a result is not a finite number")
        elif kind is dict:
            waiting.extend(node.values())
        elif kind is list or kind is tuple:
            waiting.extend(node)


class Finished(Response):
    """An answer whose headers need no correction on the way out: no redirect, length known."""

    def get_wsgi_headers(self, environ: Any) -> Headers:  # noqa: ARG002 - werkzeug's signature
        """The headers as they are, with the length."""
        self.headers["Content-Length"] = str(self.calculate_content_length())
        return self.headers


def respond(system: str, schema: type[Schema], result: Any, codes: tuple[str, ...]) -> Response:
    """The whole answer as a response."""
    body = envelope(system, schema, result, codes)
    return texts.label(Finished(body, content_type="application/json"))


__all__ = [
    "VERSION_HEADERS",
    "Catalogue",
    "answer_schema",
    "envelope",
    "pointer",
    "respond",
    "version_headers",
]
