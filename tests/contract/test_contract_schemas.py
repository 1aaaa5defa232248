"""The reader, the published schema and marshmallow take exactly the same bodies.

A body that the compiled reader takes is computed at once; any other goes through marshmallow, which
says what is wrong. Were one looser than the other, the specification would not be true.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import Schema, ValidationError, missing
from specification import Operation, calculations, component
from specification.bodies import as_json, drawn

from service.web import units
from service.web.entries import entries
from service.web.fields import Either, Part, Parts, Quantity
from service.web.reader import UnreadableError, reader
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


def published(schema: type[RequestSchema], body: Any) -> bool:
    """Whether the published JSON Schema takes the body."""
    return component(schema.__name__).is_valid(body)


def is_read(schema: type[RequestSchema], body: Any) -> bool:
    """Whether the compiled reader takes the body."""
    try:
        reader(schema)(body, units.FACTORS["inch"])
    except (UnreadableError, KeyError):
        return False
    return True


@pytest.mark.parametrize("name", OPERATIONS)
@settings(max_examples=CASES, deadline=None)
@given(random=st.randoms(use_true_random=False))
def test_all_three_take_the_same_bodies(name: str, random: Random) -> None:
    operation, schema = OPERATIONS[name]
    # through JSON and back: what cannot be sent need not be judged
    body = json.loads(as_json(drawn(operation, random)))
    refused = explained(schema, body)
    assert published(schema, body) == (not refused), (body, refused)
    assert is_read(schema, body) == (not refused), (body, refused)
    for entry in refused:
        component("ProblemEntry").validate(entry)


@pytest.mark.parametrize("name", OPERATIONS)
@pytest.mark.parametrize("body", [None, True, 0, 1.5, "", "text", [], [{}]], ids=str)
def test_none_takes_what_is_no_object(name: str, body: Any) -> None:
    _, schema = OPERATIONS[name]
    assert not published(schema, body)
    assert not is_read(schema, body)
    assert [entry["code"] for entry in explained(schema, body)] == ["not_an_object"]


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_reader_converts_as_the_fields_of_the_schema_say(name: str) -> None:
    operation, schema = OPERATIONS[name]
    body = operation.example()
    for system in units.FACTORS:
        sent = {**body, "units": system}
        read = schema().load(sent)
        assert inward(schema(), sent, units.FACTORS[system]) == read


def inward(schema: Schema, body: dict[str, Any], factors: units.Factors) -> dict[str, Any]:
    """A good body in internal units, field by field; defaults stand for what was not sent."""
    found = {}
    for name, field in schema.fields.items():
        default = None if field.load_default is missing else field.load_default
        found[name] = converted(field, body.get(name, default), factors)
    return found


def converted(field: Any, value: Any, factors: units.Factors) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(field, Quantity):
        return value * factors[field.kind]
    if isinstance(field, Part):
        return inward(field.schema, value, factors)
    if isinstance(field, Parts):
        return [converted(field.inner, item, factors) for item in value]
    if isinstance(field, Either):
        shape = field.shape_of(value)
        assert shape is not None
        return inward(shape, value, factors)
    return value
