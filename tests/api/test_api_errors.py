"""Every refusal: the right status, an RFC 9457 document with the right members, never a 500.

Standards held against: RFC 9457 (problem details), RFC 9110 (405 with Allow, 415 with Accept or
Accept-Encoding, 406), RFC 8259 (JSON: UTF-8, no byte order mark, finite numbers), RFC 6901
(pointers).
"""

from __future__ import annotations

import gzip
import http.client
import io
import json
import math
import re
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import pytest
from endpoints import Field, changed, pointer_to, without
from flask.testing import FlaskClient
from specification import (
    PROBLEM_TYPE,
    Operation,
    calculations,
    component,
    document,
    operations,
    strict_json,
)
from werkzeug.test import TestResponse

from service.app import create_app
from service.calc import developed_length as developed_length_calc
from service.calc import mark_layout as mark_layout_calc
from service.web import fields, problem

PATH = "/v1/mark-layout"
CALCULATIONS = calculations()
EXAMPLE: dict[str, Any] = next(o for o in CALCULATIONS if o.path == PATH).example()

every_calculation = pytest.mark.parametrize("operation", CALCULATIONS, ids=lambda o: o.id)


def problem_of(response: TestResponse, status: int, code: str | None = None) -> dict[str, Any]:
    """The problem document of a response, held against the published schema."""
    text = response.get_data(as_text=True)
    assert response.status_code == status, text
    assert response.content_type == PROBLEM_TYPE
    found: dict[str, Any] = strict_json(response.get_data())
    component("Problem").validate(found)
    assert found["status"] == status
    assert found["title"]
    assert found["detail"]
    if code is not None:
        assert found["type"] == f"urn:problem:tube-bending:{code.replace('_', '-')}"
    return found


def send(client: FlaskClient, raw: bytes | str, path: str = PATH, **more: Any) -> TestResponse:
    return client.post(path, data=raw, **{"content_type": "application/json", **more})


def only_entry(found: dict[str, Any]) -> dict[str, Any]:
    assert len(found["errors"]) == 1, found["errors"]
    entry: dict[str, Any] = found["errors"][0]
    return entry


def with_value(pointer: str, literal: str) -> str:
    """The example body as text, with the JSON text ``literal`` put at ``pointer``."""
    body = json.loads(json.dumps(EXAMPLE))
    *steps, last = [int(s) if s.isdigit() else s for s in pointer.split("/")[1:]]
    target = body
    for step in steps:
        target = target[step]
    target[last] = "@@"
    return json.dumps(body).replace('"@@"', literal)


# --- 400: not JSON ---------------------------------------------------------------------------

MALFORMED = {
    "open arrays": (b"[" * 100_000, "nested_too_deep"),
    "open objects": (b'{"a":' * 100_000, "nested_too_deep"),
    "5000 digits": (b"1" * 5000, "too_many_digits"),
    "5000 digits in a field": (b'{"stretch":' + b"9" * 5000 + b"}", "too_many_digits"),
    "NaN": (b'{"stretch":NaN}', "not_finite"),
    "Infinity": (b'{"stretch":Infinity}', "not_finite"),
    "-Infinity": (b'{"stretch":-Infinity}', "not_finite"),
    "duplicate key": (b'{"units":"metric","units":"inch"}', "duplicate_key"),
    "duplicate key, one escaped": (b'{"units":"metric","\\u0075nits":"inch"}', "duplicate_key"),
    "duplicate key deep down": (b'{"run":{"bends":[{"angle":1,"angle":2}]}}', "duplicate_key"),
    "empty": (b"", "empty_body"),
    "blank": (b" \r\n\t", "empty_body"),
    "byte order mark": (b"\xef\xbb\xbf{}", "byte_order_mark"),
    "not UTF-8": (b'{"a":"\xff"}', "not_utf8"),
    "overlong UTF-8": (b'{"a":"\xc0\xaf"}', "not_utf8"),
    "surrogate as raw bytes": (b'{"a":"\xed\xa0\x80"}', "not_utf8"),
    "UTF-16": ("{}".encode("utf-16"), "not_utf8"),
    "UTF-32 without mark": ("{}".encode("utf-32-be"), "malformed_json"),
    "lone surrogate": (b'{"a":"\\ud800"}', "lone_surrogate"),
    "lone surrogate as key": (b'{"\\uDC00":1}', "lone_surrogate"),
    "cut short": (b'{"units":', "malformed_json"),
    "text after": (b"{} {}", "malformed_json"),
    "comment": (b"{/* none */}", "malformed_json"),
    "trailing comma": (b'{"units":"metric",}', "malformed_json"),
    "single quotes": (b"{'units':'metric'}", "malformed_json"),
    "leading zero": (b'{"stretch":01}', "malformed_json"),
    "plus sign": (b'{"stretch":+1}', "malformed_json"),
    "hexadecimal": (b'{"stretch":0x1}', "malformed_json"),
    "control character in a string": (b'{"units":"a\x00"}', "malformed_json"),
    "form data": (b"units=metric", "malformed_json"),
}


@pytest.mark.parametrize(("raw", "code"), MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_json_is_400(client: FlaskClient, raw: bytes, code: str) -> None:
    found = problem_of(send(client, raw), 400, code)
    assert "errors" not in found


@every_calculation
@pytest.mark.parametrize("raw", [b"[" * 100_000, b"1" * 5000, b'{"a":NaN}', b"\xff", b""])
def test_each_calculation_reads_strictly(
    client: FlaskClient, operation: Operation, raw: bytes
) -> None:
    problem_of(send(client, raw, operation.path), 400)


@every_calculation
def test_each_calculation_refuses_a_key_sent_twice(
    client: FlaskClient, operation: Operation
) -> None:
    raw = '{"units":"metric",' + json.dumps({**operation.example(), "units": "metric"})[1:]
    problem_of(send(client, raw, operation.path), 400, "duplicate_key")


def test_a_surrogate_pair_is_a_character(client: FlaskClient) -> None:
    found = problem_of(send(client, b'{"units":"\\ud83d\\ude00"}'), 422)
    assert found["errors"][0]["value"] == "\U0001f600"


def test_the_place_of_the_fault_is_told(client: FlaskClient) -> None:
    found = problem_of(send(client, b'{"units":\n  metric}'), 400, "malformed_json")
    assert "line 2, column 3" in found["detail"]


def test_a_duplicate_among_many_keys_is_found_at_once(client: FlaskClient) -> None:
    names = ",".join(f'"a{n}":1' for n in range(80_000))
    found = problem_of(send(client, "{" + names + ',"a79999":1}'), 400, "duplicate_key")
    assert "a79999" in found["detail"]


def test_a_nest_that_is_just_read_is_still_refused_in_order(client: FlaskClient) -> None:
    # somewhere here lies the depth that the reader just takes; nothing behind it may fall over
    for depth in range(100, 1100, 20):
        raw = '{"a":"\\ud83d\\ude00","b":' + "[" * depth + "]" * depth + "}"
        assert send(client, raw).status_code in {400, 422}


# --- 422: understood, and refused ------------------------------------------------------------

NOT_A_NUMBER = {
    "string": ('"100"', "100"),
    "true": ("true", True),
    "array": ("[1]", "an array of 1 items"),
    "object": ('{"mm":1}', "an object with 1 members"),
    "beyond double": ("1e999", "a number beyond double precision"),
    "negative, beyond double": ("-1e999", "a number beyond double precision"),
    "400 digits": ("9" * 400, "an integer of 400 digits"),
    "-4000 digits": ("-" + "9" * 4000, "an integer of 4000 digits"),
}


@pytest.mark.parametrize(("literal", "shown"), NOT_A_NUMBER.values(), ids=NOT_A_NUMBER.keys())
@pytest.mark.parametrize("pointer", ["/run/bends/1/angle", "/tube/wall_thickness", "/stretch"])
def test_a_number_must_be_one(
    client: FlaskClient, pointer: str, literal: str, shown: object
) -> None:
    entry = only_entry(problem_of(send(client, with_value(pointer, literal)), 422))
    assert entry["pointer"] == pointer
    assert entry["code"] == "not_a_number"
    assert entry["value"] == shown
    assert entry["allowed"]


REFUSED = {
    "negative": ("/tube/outside_diameter", "-1", "out_of_range", -1),
    "absurd": ("/tube/outside_diameter", "1e9", "out_of_range", 1e9),
    "null": ("/tube/outside_diameter", "null", "null_not_allowed", None),
    "null for a part": ("/ends", "null", "null_not_allowed", None),
    "number for a word": ("/units", "1", "not_a_string", 1),
    "array for a word": ("/units", '["inch"]', "not_a_string", "an array of 1 items"),
    "not on the list": ("/units", '"furlong"', "not_a_choice", "furlong"),
    "word in capitals": ("/units", '"Metric"', "not_a_choice", "Metric"),
    "string for an object": ("/tube", '"15 x 1.5"', "not_an_object", "15 x 1.5"),
    "array for an object": ("/tube", "[15,1.5]", "not_an_object", "an array of 2 items"),
    "object for an array": ("/springback", "{}", "not_an_array", "an object with 0 members"),
    "string for an array": ("/springback", '"none"', "not_an_array", "none"),
    "too many items": ("/springback", "[{}" + ",{}" * 50 + "]", "array_length", None),
    "no known shape": ("/run", "{}", "no_shape", "an object with 0 members"),
    "string for a shape": ("/run", '"straight"', "no_shape", "straight"),
    "unknown material": ("/tube/material", '"unobtainium"', "unknown_name", "unobtainium"),
    "number for an id": ("/tube/material", "1.4301", "no_shape", 1.4301),
    "unknown die": ("/die", '"d999"', "unknown_name", "d999"),
    "unknown field": ("/radius", "45", "unknown_field", 45),
    "unknown field below": ("/run/bends/0/length", "45", "unknown_field", 45),
    "field named as marshmallow's own": ("/_schema", "1", "unknown_field", 1),
    "field named in another script": ("/Δ", "1", "unknown_field", 1),
    "zero angle": ("/run/bends/0/angle", "0", "out_of_range", 0),
    "wall of half the diameter": (
        "/tube/wall_thickness",
        "7.5",
        "wall_not_below_half_diameter",
        7.5,
    ),
    "first rotation": ("/run/bends/0/rotation", "10", "first_rotation_not_zero", 10),
}


@pytest.mark.parametrize(
    ("pointer", "literal", "code", "shown"), REFUSED.values(), ids=REFUSED.keys()
)
def test_one_bad_field_gives_one_entry(
    client: FlaskClient, pointer: str, literal: str, code: str, shown: object
) -> None:
    entry = only_entry(problem_of(send(client, with_value(pointer, literal)), 422))
    assert (entry["pointer"], entry["code"]) == (pointer, code)
    if shown is not None:
        assert entry["value"] == shown
        assert type(entry["value"]) is type(shown)


def test_each_bad_field_has_its_entry(client: FlaskClient) -> None:
    raw = (
        '{"units":"metric","tube":{"outside_diameter":"15","wall_thickness":-1},'
        '"run":{"bends":[{"straight":1,"angle":90},{"straight":true,"angle":1,"radius":9}]},'
        '"colour":"red"}'
    )
    found = problem_of(send(client, raw), 422, "invalid_request")
    assert {entry["pointer"]: entry["code"] for entry in found["errors"]} == {
        "/tube/outside_diameter": "not_a_number",
        "/tube/wall_thickness": "out_of_range",
        "/run/bends/0/radius": "required",
        "/run/bends/1/straight": "not_a_number",
        "/run/last_straight": "required",
        "/colour": "unknown_field",
    }


@every_calculation
@pytest.mark.parametrize("raw", [b"null", b"[]", b'"text"', b"1", b"true", b"1e999"])
def test_a_body_that_is_no_object_is_refused(
    client: FlaskClient, operation: Operation, raw: bytes
) -> None:
    entry = only_entry(problem_of(send(client, raw, operation.path), 422))
    assert (entry["pointer"], entry["code"]) == ("", "not_an_object")


@every_calculation
def test_each_calculation_refuses_an_unknown_field(
    client: FlaskClient, operation: Operation
) -> None:
    body = {**operation.example(), "unknown": 1}
    entry = only_entry(problem_of(client.post(operation.path, json=body), 422))
    assert (entry["pointer"], entry["code"]) == ("/unknown", "unknown_field")


def test_a_pointer_is_escaped(client: FlaskClient) -> None:
    entry = only_entry(problem_of(send(client, with_value("/@", "1").replace("@", "a/b~c")), 422))
    assert entry["pointer"] == "/a~1b~0c"  # RFC 6901, section 3


def test_a_name_too_long_to_repeat_is_pointed_at_by_its_object(client: FlaskClient) -> None:
    raw = json.dumps({**EXAMPLE, "k" * 100_000: 1})
    entry = only_entry(problem_of(send(client, raw), 422))
    assert (entry["pointer"], entry["code"]) == ("", "unknown_field")


def test_a_long_value_is_shortened(client: FlaskClient) -> None:
    raw = with_value("/units", '"' + "m" * 100_000 + '"')
    response = send(client, raw)
    assert len(response.get_data()) < 2000
    entry = only_entry(problem_of(response, 422))
    assert len(entry["value"]) == 80
    assert entry["value"].endswith("...")


def test_the_number_of_entries_is_bounded(client: FlaskClient) -> None:
    raw = json.dumps({**EXAMPLE, **{f"a{n}": n for n in range(5000)}})
    found = problem_of(send(client, raw), 422)
    assert len(found["errors"]) == problem.MOST_ENTRIES


@pytest.mark.parametrize("item", ["1", "{}", "[]"])
def test_an_array_far_too_long_is_refused_by_its_length(client: FlaskClient, item: str) -> None:
    raw = with_value("/run/bends", "[" + ",".join([item] * 240_000) + "]")
    entry = only_entry(problem_of(send(client, raw), 422))
    assert (entry["pointer"], entry["code"]) == ("/run/bends", "array_length")
    assert "240000" in entry["detail"]


def test_the_range_is_told_in_the_callers_unit(client: FlaskClient) -> None:
    inch = {**EXAMPLE, "units": "inch"}
    inch["tube"] = {"outside_diameter": 600, "wall_thickness": 0.1}
    entry = only_entry(problem_of(client.post(PATH, json=inch), 422))
    assert entry["allowed"] == "0.01 to 500 in"


@pytest.mark.parametrize(
    ("member", "value", "said"),
    [
        ("least", [0, 0], "least is an array of 2 items; allowed is 3 items."),
        ("least", 3, "least must be an array of 3 items; got 3."),
    ],
)
def test_one_length_that_is_allowed_is_told_once(
    client: FlaskClient, member: str, value: Any, said: str
) -> None:
    box = {"name": "wall", "least": [0, 0, 0], "most": [1, 1, 1], member: value}
    operation = next(o for o in CALCULATIONS if o.path == "/v1/bend-review")
    bender = {
        "least_outside_diameter": 6,
        "largest_outside_diameter": 42,
        "largest_angle": 180,
        "surroundings": {"boxes": [box]},
    }
    body = {**operation.example(), "bender": bender}
    found = problem_of(client.post(operation.path, json=body), 422)
    assert said in [entry["detail"] for entry in found["errors"]]


def test_one_number_that_is_allowed_is_told_once() -> None:
    assert fields.Length("", least=2.5, most=2.5).allowed("inch") == "2.5 in"
    assert fields.Ratio("", least=1, most=1).allowed("metric") == "1"
    assert fields.Count("", least=4, most=4).allowed("metric") == "4"
    assert fields.Count("", least=4, most=5).allowed("metric") == "4 to 5"


MISSING_OR_NULL = {
    "of a list of words": (
        "/v1/tape-measurements",
        ("run", "taped_bends", 0, "taken"),
        "taken is missing. Send one of straight, vertices, ",
        "taken must not be null; send one of straight, vertices, ",
    ),
    "number below": (
        "/v1/mark-layout",
        ("run", "bends", 0, "angle"),
        "angle is missing. Send 0.01 to 350 °.",
        "angle must not be null; send 0.01 to 350 °.",
    ),
    "object below": (
        "/v1/tape-measurements",
        ("run", "last_leg"),
        "last_leg is missing. Send an object with length, taken.",
        "last_leg must not be null; send an object with length, taken.",
    ),
    "item of an array": (
        "/v1/mark-layout",
        ("run", "bends", 0),
        None,
        "bends[0] must not be null; leave it out or send an object with straight, ",
    ),
    "word with a default": (
        "/v1/mark-layout",
        ("units",),
        None,
        "units must not be null; leave it out or send one of metric, inch.",
    ),
}


@pytest.mark.parametrize(
    ("path", "field", "missing", "null"), MISSING_OR_NULL.values(), ids=MISSING_OR_NULL.keys()
)
def test_what_is_missing_or_null_reads_as_a_sentence(
    client: FlaskClient, path: str, field: Field, missing: str | None, null: str
) -> None:
    body = next(o for o in CALCULATIONS if o.path == path).example()
    bodies = [(changed(body, field, None), null)]
    if missing is not None:
        bodies.append((without(body, *field), missing))
    for sent, said in bodies:
        entry = only_entry(problem_of(client.post(path, json=sent), 422))
        assert entry["pointer"] == pointer_to(field)
        assert entry["detail"].startswith(said)


def test_a_body_that_is_no_object_is_told(client: FlaskClient) -> None:
    entry = only_entry(problem_of(send(client, b"[1.5]"), 422))
    assert entry["detail"].startswith("The body must be an object with units, ")


def test_geometry_that_cannot_be_names_the_vertex(client: FlaskClient) -> None:
    run = {
        "vertices": [{"x": 0, "y": 0}, {"x": 30, "y": 0}, {"x": 30, "y": 300}],
        "radius": 45,
    }
    body = {"tube": EXAMPLE["tube"], "run": run}
    entry = only_entry(problem_of(client.post(PATH, json=body), 422))
    # set-back 45·tan 45° = 45 does not fit into the 30 of the first leg: 15 too short
    assert entry["pointer"].startswith("/run/vertices/")
    assert re.search(r"\b15\b", entry["detail"])


@pytest.mark.parametrize(
    "points",
    [
        pytest.param([(0, 0), (100, 0), (200, 0)], id="three in line"),
        pytest.param([(0, 0), (100, 0), (100, 0), (100, 100)], id="repeated"),
        pytest.param([(0, 0), (100, 0), (0, 0)], id="back on itself"),
    ],
)
def test_vertices_that_make_no_bend_are_refused(
    client: FlaskClient, points: list[tuple[float, float]]
) -> None:
    run = {"vertices": [{"x": x, "y": y} for x, y in points], "radius": 10}
    body = {"tube": EXAMPLE["tube"], "run": run}
    entry = only_entry(problem_of(client.post(PATH, json=body), 422))
    assert entry["pointer"].startswith("/run/vertices")


# --- 415, 406, 413 ---------------------------------------------------------------------------

WRONG_TYPES = [
    "text/plain",
    "text/json",
    "application/xml",
    "application/x-www-form-urlencoded",
    "multipart/form-data; boundary=x",
    "application/vnd.api+json",
    "application/problem+json",
    "application/jsonx",
    "nonsense",
    "",
]


@every_calculation
@pytest.mark.parametrize("media_type", WRONG_TYPES)
def test_another_media_type_is_415(
    client: FlaskClient, operation: Operation, media_type: str
) -> None:
    raw = json.dumps(operation.example())
    response = client.post(operation.path, data=raw, headers={"Content-Type": media_type})
    problem_of(response, 415, "not_json_type")
    assert "application/json" in response.headers["Accept"].split(", ")


def test_no_media_type_is_415(client: FlaskClient) -> None:
    problem_of(client.post(PATH, data=json.dumps(EXAMPLE)), 415, "not_json_type")


@pytest.mark.parametrize("charset", ["latin-1", "utf-16", "us-ascii", "nonsense", '"utf-7"'])
def test_another_charset_is_415(client: FlaskClient, charset: str) -> None:
    media_type = f"application/json; charset={charset}"
    response = send(client, json.dumps(EXAMPLE), content_type=media_type)
    problem_of(response, 415, "not_utf8_charset")


@pytest.mark.parametrize(
    "media_type",
    [
        "application/json",
        "Application/JSON",
        "application/json; charset=utf-8",
        'application/json;charset="UTF-8"',
        "application/json; profile=plain",
    ],
)
def test_ways_to_say_json_are_taken(client: FlaskClient, media_type: str) -> None:
    assert send(client, json.dumps(EXAMPLE), content_type=media_type).status_code == 200


@pytest.mark.parametrize("encoding", ["gzip", "deflate", "br", "GZIP", "gzip, identity", ""])
def test_an_encoded_body_is_415(client: FlaskClient, encoding: str) -> None:
    packed = gzip.compress(json.dumps(EXAMPLE).encode())
    response = send(client, packed, headers={"Content-Encoding": encoding})
    problem_of(response, 415, "encoded_body")
    assert response.headers["Accept-Encoding"] == "identity"


def test_identity_is_no_encoding(client: FlaskClient) -> None:
    response = send(client, json.dumps(EXAMPLE), headers={"Content-Encoding": "Identity"})
    assert response.status_code == 200


@pytest.mark.parametrize(
    "accept", ["text/html", "application/xml", "application/json;q=0", "image/*", "nonsense"]
)
def test_a_caller_that_does_not_take_json_gets_406(client: FlaskClient, accept: str) -> None:
    response = client.post(PATH, json=EXAMPLE, headers={"Accept": accept})
    problem_of(response, 406, "not_acceptable")


@pytest.mark.parametrize(
    "accept",
    [
        "*/*",
        "application/*",
        "application/json",
        "text/html, application/json;q=0.5",
        "application/json; charset=utf-8",
        "text/html;q=0.9, */*;q=0.1",
        "",
    ],
)
def test_a_caller_that_takes_json_gets_it(client: FlaskClient, accept: str) -> None:
    response = client.post(PATH, json=EXAMPLE, headers={"Accept": accept})
    assert response.status_code == 200
    assert response.content_type == "application/json"


def test_a_body_past_the_limit_is_413(client: FlaskClient) -> None:
    found = problem_of(send(client, b" " * 1_000_001), 413, "body_too_large")
    assert "1000000" in found["detail"]


def test_a_body_at_the_limit_is_read(client: FlaskClient) -> None:
    raw = json.dumps(EXAMPLE).encode()
    assert send(client, raw + b" " * (1_000_000 - len(raw))).status_code == 200


# --- 404, 405, queries -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/nothing",
        "/v1",
        "/v1/",
        "/v2/mark-layout",
        PATH + "/",
        PATH + "//",
        "//v1/mark-layout",
        "/v1//mark-layout",
        "/v1/Mark-Layout",
        "/v1/mark_layout",
        "/v1/mark-layout%00",
        "/v1/%ff",
        "/v1/../etc/passwd",
        "/static/x",
        "/" + "x" * 5000,
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_an_unknown_path_is_404(client: FlaskClient, method: str, path: str) -> None:
    found = problem_of(client.open(path, method=method), 404, "no_such_path")
    assert len(found["detail"]) < 500


def methods_of(path: str) -> set[str]:
    """What a path takes, by the specification; HEAD comes with GET, OPTIONS with every path."""
    named = {operation.method.upper() for operation in operations() if operation.path == path}
    return named | {"OPTIONS"} | ({"HEAD"} if "GET" in named else set())


@every_calculation
@pytest.mark.parametrize("method", ["GET", "PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "BREW"])
def test_another_method_is_405_and_tells_which_is_allowed(
    client: FlaskClient, operation: Operation, method: str
) -> None:
    if method in methods_of(operation.path):
        return
    response = client.open(operation.path, method=method)
    problem_of(response, 405, "method_not_allowed")
    assert set(response.headers["Allow"].split(", ")) == methods_of(operation.path)


@every_calculation
def test_head_is_405_without_a_body(client: FlaskClient, operation: Operation) -> None:
    if "HEAD" in methods_of(operation.path):
        return
    response = client.head(operation.path)
    assert response.status_code == 405
    assert "POST" in response.headers["Allow"]
    assert response.get_data() == b""


@every_calculation
def test_options_tells_the_methods(client: FlaskClient, operation: Operation) -> None:
    response = client.options(operation.path)
    assert response.status_code == 200
    assert set(response.headers["Allow"].split(", ")) == methods_of(operation.path)
    assert response.get_data() == b""


@every_calculation
@pytest.mark.parametrize("query", ["units=inch", "a", "%ff=%00", "a[]=1&a[]=2", "x" * 3000])
def test_a_query_that_nothing_reads_is_refused(
    client: FlaskClient, operation: Operation, query: str
) -> None:
    response = client.post(f"{operation.path}?{query}", json=operation.example())
    problem_of(response, response.status_code)
    assert response.status_code == 422


def test_the_query_refused_is_told(client: FlaskClient) -> None:
    found = problem_of(client.post(f"{PATH}?units=inch", json=EXAMPLE), 422, "unknown_query")
    assert "'units=inch'" in found["detail"]


# --- chunked bodies, and the wire ------------------------------------------------------------


def chunked(address: str, raw: bytes, size: int = 10_000) -> tuple[int, str, bytes]:
    """Post ``raw`` without Content-Length over real HTTP."""
    connection = http.client.HTTPConnection(urlsplit(address).netloc, timeout=20)
    parts = (raw[start : start + size] for start in range(0, len(raw), size))
    headers = {"Content-Type": "application/json", "Transfer-Encoding": "chunked"}
    try:
        connection.request("POST", PATH, body=parts, headers=headers, encode_chunked=True)
        answer = connection.getresponse()
        return answer.status, answer.headers["Content-Type"], answer.read()
    finally:
        connection.close()


def test_a_chunked_body_gives_the_same_bytes(live_address: str, client: FlaskClient) -> None:
    raw = json.dumps(EXAMPLE).encode()
    status, media_type, content = chunked(live_address, raw, size=7)
    assert (status, media_type) == (200, "application/json")
    assert content == send(client, raw).get_data()


def test_a_chunked_body_past_the_limit_is_413(live_address: str) -> None:
    status, media_type, content = chunked(live_address, b" " * 1_100_000, size=100_000)
    assert (status, media_type) == (413, PROBLEM_TYPE)
    component("Problem").validate(strict_json(content))


def test_a_chunked_empty_body_is_400(live_address: str) -> None:
    status, media_type, content = chunked(live_address, b"")
    assert (status, media_type) == (400, PROBLEM_TYPE)
    assert strict_json(content)["type"].endswith("empty-body")


def test_a_length_that_is_no_number_is_not_a_fault(client: FlaskClient) -> None:
    environ = {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": PATH,
        "CONTENT_TYPE": "application/json",
        "CONTENT_LENGTH": "many",
        "wsgi.input": io.BytesIO(json.dumps(EXAMPLE).encode()),
    }
    problem_of(client.open(environ_overrides=environ), 400, "empty_body")


def test_a_body_shorter_than_announced_is_not_computed(client: FlaskClient) -> None:
    raw = json.dumps(EXAMPLE).encode()
    environ = {
        "wsgi.input": io.BytesIO(raw),
        "wsgi.input_terminated": True,
        "CONTENT_LENGTH": str(len(raw) + 1),
    }
    sent = client.post(PATH, content_type="application/json", environ_overrides=environ)
    problem_of(sent, 400, "body_cut_off")


@pytest.mark.parametrize("coding", ["gzip, chunked", "deflate", "chunked, gzip"])
def test_a_transfer_coding_that_packs_is_refused(client: FlaskClient, coding: str) -> None:
    environ = {"HTTP_TRANSFER_ENCODING": coding}
    problem_of(client.post(PATH, json=EXAMPLE, environ_overrides=environ), 415, "encoded_body")


# --- 500, and what the documents promise -----------------------------------------------------


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> Callable[[Exception], FlaskClient]:
    """The app with a calculation that fails as no calculation should."""

    def make(error: Exception) -> FlaskClient:
        def fail(*_: object, **__: object) -> None:
            raise error

        monkeypatch.setattr(mark_layout_calc, "mark_layout", fail)
        return create_app().test_client()

    return make


def test_a_fault_is_a_500_that_tells_nothing_of_the_inside(
    broken: Callable[[Exception], FlaskClient], caplog: pytest.LogCaptureFixture
) -> None:
    client = broken(ZeroDivisionError("secret of the house"))
    found = problem_of(client.post(PATH, json=EXAMPLE), 500, "fault")
    assert "secret" not in json.dumps(found)
    assert "Traceback" not in json.dumps(found)
    assert "secret of the house" in caplog.text


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_result_that_is_no_number_is_a_fault_not_a_null(
    monkeypatch: pytest.MonkeyPatch, value: float
) -> None:
    genuine = developed_length_calc.developed_length

    def spoilt(*arguments: Any, **named: Any) -> Any:
        result = genuine(*arguments, **named)
        object.__setattr__(result, "cut_length", value)
        return result

    monkeypatch.setattr(developed_length_calc, "developed_length", spoilt)
    client = create_app().test_client()
    operation = next(o for o in CALCULATIONS if o.path == "/v1/developed-length")
    problem_of(client.post(operation.path, json=operation.example()), 500, "fault")


@every_calculation
def test_every_refusal_is_in_the_specification(operation: Operation) -> None:
    for status in (400, 405, 406, 413, 415, 422, 500):
        content = operation.response(status)["content"]
        assert list(content) == [PROBLEM_TYPE]
        assert content[PROBLEM_TYPE]["schema"] == {"$ref": "#/components/schemas/Problem"}
    assert "Allow" in operation.response(405)["headers"]


def test_the_document_is_openapi_3_1() -> None:
    assert re.fullmatch(r"3\.1\.\d+", document()["openapi"])
