"""Schemathesis over the real application, with all its checks; every operation must get its 200s.

A run in which an operation was only ever refused would test refusals alone, so the 2xx are counted.
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.config import SchemathesisConfig
from specification import Operation, operations

from service.app import create_app

FILE = Path(__file__).with_name("schemathesis.toml")
CONFIG = SchemathesisConfig.from_path(FILE)
KEY = tomllib.loads(FILE.read_text(encoding="utf-8"))["auth"]["openapi"]["bearerKey"]["bearer"]
DOCUMENT = "/openapi.json"
SETTINGS = {
    "SERVICE_KEYS": f"contract calculate,metrics sha256:{sha256(KEY.encode()).hexdigest()}",
    "SERVICE_RATE_LIMIT": "off",
    "SERVICE_REQUEST_LOG": "no",
}
answered: Counter[str] = Counter()


@schemathesis.serializer("application/x-ndjson")
def lines(_: schemathesis.SerializationContext, value: Any) -> bytes:
    """Lines go out as the text that was drawn; anything else as one line."""
    return (value if isinstance(value, str) else json.dumps(value)).encode("utf-8", "replace")


api = schemathesis.openapi.from_wsgi(DOCUMENT, create_app(SETTINGS), config=CONFIG)


@api.parametrize()
@settings(deadline=None, suppress_health_check=list(HealthCheck))
def test_every_answer_follows_the_specification(case: schemathesis.Case[Any]) -> None:
    response = case.call_and_validate()
    if 200 <= response.status_code < 300:
        answered[case.operation.label] += 1


@pytest.mark.parametrize(
    # schemathesis leaves out the path that it has read the document from
    "operation",
    [operation for operation in operations() if operation.path != DOCUMENT],
    ids=lambda o: o.id,
)
def test_every_operation_was_computed_at_least_once(operation: Operation) -> None:
    if not answered:
        pytest.skip("counts what the test above has sent")
    assert answered[f"{operation.method.upper()} {operation.path}"] > 0
