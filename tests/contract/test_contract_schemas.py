"""The published schema and the schema that explains refusals take exactly the same bodies.

A body that the compiled JSON Schema takes is computed at once; any other goes through marshmallow.
Were one looser than the other, the specification would not be true.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import Schema, ValidationError
from specification import Operation, calculations, component
from specification.bodies import as_json, drawn

from service.web.entries import entries
from service.web.schema import RequestSchema

CASES = 300


def request_schemas(base: type[RequestSchema] = RequestSchema) -> Iterator[type[RequestSchema]]:
    for schema in base.__subclasses__():
        yield schema
        yield from request_schemas(schema)


def of_operations() -> dict[str, tuple[Operation, type[RequestSchema]]]:
    """Each calculation with the class that checks its body."""
    known = {schema.__name__: schema for schema in request_schemas()}
    found = {}
    for operation in calculations():
        assert operation.body is not None
        name = operation.body["schema"]["$ref"].rsplit("/", 1)[1]
        found[operation.id] = (operation, known[name])
    return found


OPERATIONS = of_operations()


def explained(schema: type[RequestSchema], body: Any) -> list[dict[str, Any]]:
    """The entries with which marshmallow alone refuses the body; empty when it takes it."""
    instance = schema()
    try:
        Schema.load(instance, body)
    except ValidationError as error:
        return entries(instance, error.messages, body)
    return []


def quickly_taken(schema: type[RequestSchema], body: Any) -> bool:
    return schema._quick(body)


@pytest.mark.parametrize("name", OPERATIONS)
@settings(max_examples=CASES, deadline=None)
@given(random=st.randoms(use_true_random=False))
def test_both_take_the_same_bodies(name: str, random: Random) -> None:
    operation, schema = OPERATIONS[name]
    assert schema.validator is not None
    # through JSON and back: what cannot be sent need not be judged
    body = json.loads(as_json(drawn(operation, random)))
    refused = explained(schema, body)
    assert quickly_taken(schema, body) == (not refused), (body, refused)
    for entry in refused:
        component("ProblemEntry").validate(entry)


@pytest.mark.parametrize("name", OPERATIONS)
@pytest.mark.parametrize("body", [None, True, 0, 1.5, "", "text", [], [{}]], ids=str)
def test_neither_takes_what_is_no_object(name: str, body: Any) -> None:
    _, schema = OPERATIONS[name]
    assert not quickly_taken(schema, body)
    assert [entry["code"] for entry in explained(schema, body)] == ["not_an_object"]
