"""Every operation's example runs, and what comes back is what the specification says."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient
from specification import Operation, calculations, operations, response_faults, validator

CALCULATIONS = calculations()
every_calculation = pytest.mark.parametrize("operation", CALCULATIONS, ids=lambda o: o.id)


@every_calculation
def test_the_example_follows_its_schema(operation: Operation) -> None:
    assert operation.body is not None
    validator(operation.body["schema"]).validate(operation.example())


@every_calculation
def test_the_example_runs_and_its_answer_follows_its_schema(
    client: FlaskClient, operation: Operation
) -> None:
    response = client.post(operation.path, json=operation.example())
    content = response.get_data()
    assert response.status_code == 200, content
    assert response_faults(operation, 200, response.headers, content) == []


@every_calculation
def test_the_example_gives_the_same_bytes_again(client: FlaskClient, operation: Operation) -> None:
    answers = {client.post(operation.path, json=operation.example()).get_data() for _ in range(3)}
    assert len(answers) == 1


@pytest.mark.parametrize("units", ["metric", "inch"])
@every_calculation
def test_the_answer_repeats_the_units(
    client: FlaskClient, operation: Operation, units: str
) -> None:
    # the numbers of a metric example may make no sense as inches: then it is refused, in inches
    response = client.post(operation.path, json={**operation.example(), "units": units})
    assert response.status_code in {200, 422}
    if response.status_code == 200:
        assert response.get_json()["units"] == units


@pytest.mark.parametrize(
    "operation", [o for o in operations() if o.body is None], ids=lambda o: o.id
)
def test_a_look_up_answers_as_its_schema_says(client: FlaskClient, operation: Operation) -> None:
    response = client.open(operation.path, method=operation.method, query_string=operation.query())
    content = response.get_data()
    assert response.status_code == 200, content
    assert response_faults(operation, 200, response.headers, content) == []


def test_operation_ids_are_unique() -> None:
    ids = [operation.id for operation in operations()]
    assert len(set(ids)) == len(ids)
