"""The published specification as tests use it: operations, their examples, and validators."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import jsonschema_rs
from werkzeug.datastructures import Headers

from service.app import create_app

PROBLEM_TYPE = "application/problem+json"
METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True)
class Operation:
    """One operation of the specification."""

    id: str
    method: str
    path: str
    document: dict[str, Any]

    @property
    def body(self) -> dict[str, Any] | None:
        """Media type object of the JSON body; None where the operation takes none."""
        content = self.document.get("requestBody", {}).get("content", {})
        found: dict[str, Any] | None = content.get("application/json")
        return found

    def example(self) -> Any:
        """A copy of the example body."""
        assert self.body is not None, f"{self.id} takes no body"
        return json.loads(json.dumps(self.body["example"]))

    def query(self) -> dict[str, Any]:
        """The examples of the query parameters that must be sent."""
        parameters = self.document.get("parameters", [])
        return {p["name"]: p["example"] for p in parameters if p.get("required")}

    def response(self, status: int) -> dict[str, Any]:
        """What the specification says of a status; fails where it does not name it."""
        responses = self.document["responses"]
        assert str(status) in responses, f"{self.id} answered {status}, which is not in the spec"
        found: dict[str, Any] = responses[str(status)]
        if "$ref" in found:
            found = document()["components"]["responses"][found["$ref"].rsplit("/", 1)[1]]
        return found


@cache
def document() -> dict[str, Any]:
    """The specification of the service as it stands."""
    made: dict[str, Any] = create_app().extensions["spec"].to_dict()
    return made


def operations() -> Iterator[Operation]:
    """All operations."""
    for path, item in document()["paths"].items():
        for method in METHODS:
            if method in item:
                yield Operation(item[method]["operationId"], method, path, item[method])


def calculations() -> list[Operation]:
    """The operations that take a JSON body."""
    return [operation for operation in operations() if operation.body is not None]


def validator(schema: dict[str, Any]) -> jsonschema_rs.Draft202012Validator:
    """A validator for a schema object of the document, references resolved, formats checked."""
    whole = {**schema, "components": document()["components"]}
    return jsonschema_rs.Draft202012Validator(whole, validate_formats=True)


@cache
def component(name: str) -> jsonschema_rs.Draft202012Validator:
    """The validator of one component schema."""
    return validator({"$ref": f"#/components/schemas/{name}"})


def strict_json(raw: bytes) -> Any:
    """Decode as RFC 8259 has it: no NaN, no Infinity."""

    def refuse(word: str) -> Any:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(raw.decode("utf-8"), parse_constant=refuse)


def response_faults(
    operation: Operation, status: int, headers: Headers, content: bytes
) -> list[str]:
    """What of a response the specification does not allow; empty when all is well."""
    if str(status) not in operation.document["responses"]:
        return [f"status {status} is not in the specification"]
    declared = operation.response(status)
    return [
        *_header_faults(declared, headers),
        *_content_faults(operation, status, declared, headers.get("Content-Type", ""), content),
    ]


@cache
def _of_header(schema: str) -> jsonschema_rs.Draft202012Validator:
    """The validator of a header; kept, since each answer has some and compiling takes long."""
    return validator(json.loads(schema))


def _header_faults(declared: dict[str, Any], headers: Headers) -> Iterator[str]:
    for name, header in declared.get("headers", {}).items():
        if name not in headers:
            if header.get("required", False):
                yield f"header {name} is missing"
        elif not _of_header(json.dumps(header["schema"])).is_valid(headers[name]):
            yield f"header {name} is {headers[name]!r}"


def _content_faults(
    operation: Operation, status: int, declared: dict[str, Any], media_type: str, content: bytes
) -> Iterator[str]:
    kind = media_type.partition(";")[0]
    if "content" not in declared:
        if content:
            yield f"status {status} has no body in the specification, but came with one"
    elif kind not in declared["content"]:
        yield f"status {status} came as {media_type!r}"
    elif kind in {"application/json", PROBLEM_TYPE}:
        check = _answer_validator(operation.id, status, kind)
        yield from (error.message[:300] for error in check.iter_errors(strict_json(content)))


@cache
def _answer_validator(
    operation_id: str, status: int, media_type: str
) -> jsonschema_rs.Draft202012Validator:
    operation = next(o for o in operations() if o.id == operation_id)
    return validator(operation.response(status)["content"][media_type]["schema"])
