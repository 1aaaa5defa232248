"""Every answer of /v1, in each of its media types, says which service and which formulas made it.

An ERP stores both beside a number, so as to know later whether it is to be computed anew.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from specification import Operation, operations

JSON = "application/json"
LINES = "application/x-ndjson"


def answers() -> Iterator[tuple[Operation, str]]:
    for operation in operations():
        if operation.path.startswith("/v1/"):
            for kind in operation.document["responses"]["200"]["content"]:
                yield operation, kind


def query(operation: Operation) -> dict[str, str]:
    parameters = operation.document.get("parameters", [])
    return {each["name"]: each["example"] for each in parameters if each.get("required")}


@pytest.mark.parametrize(
    ("operation", "kind"), list(answers()), ids=lambda x: x.id if isinstance(x, Operation) else x
)
def test_the_version_is_in_the_answer(client: FlaskClient, operation: Operation, kind: str) -> None:
    headers = {"Accept": kind}
    if operation.body is None:
        response = client.get(operation.path, query_string=query(operation), headers=headers)
    elif kind == LINES:  # what comes back follows from what is sent, not from Accept
        line = operation.document["requestBody"]["content"][kind]["example"]
        response = client.post(operation.path, data=line, content_type=kind, headers=headers)
    else:
        response = client.post(operation.path, json=operation.example(), headers=headers)
    assert response.status_code == 200, response.get_data(as_text=True)[:300]
    assert response.mimetype == kind
    if kind == JSON:
        told = response.get_json()["version"]
    else:
        names = {"service": "Service-Version", "methods": "Methods-Version"}
        told = {name: response.headers[header] for name, header in names.items()}
        declared = operation.document["responses"]["200"]["headers"]
        assert set(names.values()) <= set(declared)
    assert told == client.get("/v1/methods").get_json()["version"]
