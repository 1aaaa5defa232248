"""Every code that the service can raise or report has a text, and no text is left over."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from service.web.texts import catalogue

SERVICE = Path(__file__).resolve().parents[2] / "service"
ERRORS = {
    "CalculationError",
    "OutOfRangeError",
    "GeometryError",
    "UnknownNameError",
    "MissingError",
    "NotDeterminedError",
    "NoMethodError",
}


def calls(names: set[str], position: int) -> Iterator[str]:
    """String constants at ``position`` of every call of one of ``names`` in the package."""
    for file in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or len(node.args) <= position:
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            value = node.args[position]
            if name in names and isinstance(value, ast.Constant) and isinstance(value.value, str):
                yield value.value


def test_every_error_code_has_a_text() -> None:
    used = set(calls(ERRORS, 0)) | set(calls({"ProblemError"}, 1))
    assert used - catalogue("en")["errors"].keys() == set()


def test_every_finding_code_has_a_text_and_a_cure() -> None:
    used = set(calls({"Finding"}, 0))
    assert used - catalogue("en")["findings"].keys() == set()
    for code, entry in catalogue("en")["findings"].items():
        assert set(entry) == {"text", "cure"}, code
        assert entry["text"].endswith("."), code


def test_texts_are_sentences_for_an_engineer() -> None:
    for code, text in catalogue("en")["errors"].items():
        assert len(text) > 20, code
        assert text.endswith((".", "{detail}")), code
