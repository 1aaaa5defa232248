"""Batches: the same numbers as the single endpoint, and one bad run never spoils the rest."""

from __future__ import annotations

import io
import json
import random
from typing import Any

import pytest
from conftest import Post
from flask.testing import FlaskClient
from oracles.random_runs import random_runs

from service.api import developed_length_batch
from service.api.developed_length_batch import LARGEST_BODY as LARGEST_BATCH
from service.api.developed_length_batch import LONGEST_LINE, MOST_BRACKETS, MOST_COMMAS
from service.web.body import LARGEST_BODY

BATCH, SINGLE, LAYOUT = "/v1/developed-length/batch", "/v1/developed-length", "/v1/mark-layout"
TUBE: dict[str, Any] = {"outside_diameter": 12, "wall_thickness": 1.5, "material": "e235-n"}
RUN: dict[str, Any] = {
    "bends": [{"straight": 50, "angle": 90, "radius": 36}],
    "last_straight": 70,
}
SUMS = (
    "straight_length",
    "arc_length",
    "gain",
    "developed_length",
    "stretch",
    "cut_length",
    "mass",
)


def results(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry["result"] for entry in answer["result"]["items"]]


@pytest.mark.parametrize("units", ["metric", "inch"])
@pytest.mark.parametrize("stretch", [0, 0.0213])
def test_a_batch_gives_the_same_bits_as_single_calls(
    post: Post, units: str, stretch: float
) -> None:
    runs = random_runs(80, seed=7)
    ends = {"end_1": [{"name": "flare", "length": 0.31}], "trim": 0.7}
    common = {"units": units, "tube": TUBE | {"outside_diameter": 11.1}, "stretch": stretch}
    if units == "inch":
        common["tube"] = {"outside_diameter": 0.437, "wall_thickness": 0.049}
    batch = post(BATCH, {**common, "ends": ends, "items": [{"run": run} for run in runs]})
    for run, result in zip(runs, results(batch), strict=True):
        single = post(SINGLE, {**common, "ends": ends, "run": run})["result"]
        assert [result[name] for name in SUMS] == [single[name] for name in SUMS]


def test_marks_are_the_bits_of_the_mark_layout(post: Post) -> None:
    runs = random_runs(40, seed=8)
    common = {"tube": TUBE, "stretch": 0.02, "ends": {"end_1": [{"name": "x", "length": 3.3}]}}
    body = {**common, "marks": True, "items": [{"run": run} for run in runs]}
    for run, result in zip(runs, results(post(BATCH, body)), strict=True):
        layout = post(LAYOUT, {**common, "run": run})["result"]
        wanted = [
            (b["bend"], b["start"]["exact"], b["end"]["exact"], b["apex"] and b["apex"]["exact"])
            for b in layout["bends"]
        ]
        assert [(m["bend"], m["start"], m["end"], m["apex"]) for m in result["marks"]] == wanted


def test_vertices_and_own_ends_take_the_single_path_with_the_same_result(post: Post) -> None:
    vertices = {
        "vertices": [{"x": 0, "y": 0}, {"x": 200, "y": 0}, {"x": 200, "y": 150, "z": 10}],
        "radius": 36,
    }
    ends = {"end_2": [{"name": "insertion", "length": 8}]}
    items: list[dict[str, Any]] = [{"run": vertices, "ends": ends}, {"run": vertices}]
    batch = post(BATCH, {"tube": TUBE, "marks": True, "items": items})
    for item, result in zip(items, results(batch), strict=True):
        single = post(SINGLE, {"tube": TUBE, **item})["result"]
        assert [result[name] for name in SUMS] == [single[name] for name in SUMS]


BAD_ITEMS: list[tuple[Any, str, str]] = [
    (None, "not_an_object", ""),
    (7, "not_an_object", ""),
    ({}, "required", "/run"),
    ({"run": RUN, "tube": None}, "null_not_allowed", "/tube"),
    ({"run": RUN, "surprise": 1}, "unknown_field", "/surprise"),
    ({"run": RUN, "units": "inch"}, "unknown_field", "/units"),
    ({"run": RUN, "id": 7}, "not_a_string", "/id"),
    ({"run": RUN, "id": "<script>"}, "string_pattern", "/id"),
    ({"run": RUN, "stretch": 0.21}, "out_of_range", "/stretch"),
    ({"run": RUN, "stretch": "0.1"}, "not_a_number", "/stretch"),
    ({"run": {**RUN, "last_straight": True}}, "not_a_number", "/run/last_straight"),
    ({"run": {**RUN, "last_straight": -1}}, "out_of_range", "/run/last_straight"),
    ({"run": {**RUN, "last_straight": 10**400}}, "not_a_number", "/run/last_straight"),
    ({"run": {**RUN, "extra": 1}}, "unknown_field", "/run/extra"),
    ({"run": {"bends": {}, "last_straight": 1}}, "not_an_array", "/run/bends"),
    ({"run": {"bends": RUN["bends"] * 501, "last_straight": 1}}, "array_length", "/run/bends"),
    ({"run": {"bends": [{"angle": 90}], "last_straight": 1}}, "required", "/run/bends/0/radius"),
]
ROW_CHANGES: list[tuple[str, Any, str]] = [
    ("straight", -0.001, "out_of_range"),
    ("straight", "50", "not_a_number"),
    ("angle", 0.009, "out_of_range"),
    ("angle", 350.1, "out_of_range"),
    ("angle", None, "null_not_allowed"),
    ("radius", 0, "out_of_range"),
    ("radius", 6, "radius_within_tube"),
    ("rotation", 181, "out_of_range"),
    ("rotation", 5, "first_rotation_not_zero"),
    ("rotation", False, "not_a_number"),
    ("turn", 5, "unknown_field"),
]


def with_row(name: str, value: Any) -> dict[str, Any]:
    return {"run": {"bends": [{**RUN["bends"][0], name: value}], "last_straight": 70}}


CASES = BAD_ITEMS + [
    (with_row(name, value), code, f"/run/bends/0/{name}") for name, value, code in ROW_CHANGES
]


@pytest.mark.parametrize(("item", "code", "pointer"), CASES)
def test_a_bad_item_is_told_and_the_rest_are_computed(
    post: Post, item: Any, code: str, pointer: str
) -> None:
    good = {"id": "good", "run": RUN}
    answer = post(BATCH, {"tube": TUBE, "items": [good, item, good]})["result"]
    assert (answer["computed"], answer["refused"]) == (2, 1)
    first, bad, last = answer["items"]
    assert first["result"] == last["result"] != None  # noqa: E711 - compares three ways
    assert bad["index"] == 1
    found = {(p["code"], p["pointer"]) for p in bad["problems"]}
    assert (code, "/items/1" + pointer) in found
    assert all(len(p["detail"]) > 15 for p in bad["problems"])


def test_two_hundred_bad_items_are_each_told_by_their_index_and_id(post: Post) -> None:
    source = random.Random(3)
    bad = set(source.sample(range(1000), 200))
    items = [
        {"id": f"p{i}", "run": with_row("radius", -1)["run"] if i in bad else RUN}
        for i in range(1000)
    ]
    answer = post(BATCH, {"tube": TUBE, "items": items})["result"]
    refused = {entry["index"] for entry in answer["items"] if entry["result"] is None}
    assert refused == bad
    assert [entry["id"] for entry in answer["items"]] == [item["id"] for item in items]


def test_a_problem_of_the_head_points_at_the_head(client: FlaskClient) -> None:
    tube = {"outside_diameter": 12, "wall_thickness": 6}
    answer = client.post(BATCH, json={"tube": tube, "items": [{"run": RUN}]}).get_json()
    found = answer["result"]["items"][0]["problems"][0]
    assert found["pointer"] == "/tube/wall_thickness"
    refused = client.post(BATCH, json={"tube": {"outside_diameter": -1}, "items": [{"run": RUN}]})
    assert refused.status_code == 422
    pointers = {entry["pointer"] for entry in refused.get_json()["errors"]}
    assert pointers == {"/tube/outside_diameter", "/tube/wall_thickness"}


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ([], 422),
        ({}, 422),
        ({"items": []}, 422),
        ({"items": {}}, 422),
        ({"items": [{"run": RUN}], "surprise": 1}, 422),
        ({"items": [{"run": RUN}], "marks": 1}, 422),
    ],
)
def test_a_bad_head_is_refused_whole(client: FlaskClient, body: Any, status: int) -> None:
    assert client.post(BATCH, json=body).status_code == status


def test_twenty_thousand_items_are_the_most(client: FlaskClient) -> None:
    straight = {"bends": [], "last_straight": 10}
    items = [{"run": straight}] * 20_000
    assert client.post(BATCH, json={"tube": TUBE, "items": items}).status_code == 200
    body = {"tube": TUBE, "items": [*items, {"run": straight}]}
    refused = client.post(BATCH, json=body)
    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["pointer"] == "/items"


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        ('{"tube":TUBE,"tube":TUBE,"items":[{"run":RUN}]}', "duplicate-key"),
        ('{"tube":TUBE,"items":[{"run":RUN}],"items":[{"run":RUN}]}', "duplicate-key"),
        ('{"units":"inch","units":"metric","tube":TUBE,"items":[{"run":RUN}]}', "duplicate-key"),
        ('{"tube":TUBE,"items":[{"run":RUN,"stretch":NaN}]}', "not-finite"),
        ('{"tube":TUBE,"items":[{"run":RUN}]', "malformed-json"),
        ("[" * 100_000, "nested-too-deep"),
        ("", "empty-body"),
    ],
)
def test_malformed_bodies_are_refused_as_everywhere(
    client: FlaskClient, raw: str, code: str
) -> None:
    raw = raw.replace("TUBE", json.dumps(TUBE)).replace("RUN", json.dumps(RUN))
    response = client.post(BATCH, data=raw, content_type="application/json")
    assert response.status_code == 400
    assert response.get_json()["type"].endswith(code)


def test_an_id_with_a_colon_is_fine(post: Post) -> None:
    answer = post(BATCH, {"tube": TUBE, "items": [{"id": "order:7", "run": RUN}]})
    assert answer["result"]["items"][0]["id"] == "order:7"


def lines(client: FlaskClient, text: str, query: str = "") -> list[dict[str, Any]]:
    response = client.post(BATCH + query, data=text.encode(), content_type="application/x-ndjson")
    assert response.status_code == 200, response.get_data(as_text=True)
    assert response.content_type == "application/x-ndjson"
    assert response.headers["Methods-Version"]
    return [json.loads(line) for line in response.get_data().splitlines()]


def test_lines_in_lines_out_with_the_same_results(client: FlaskClient, post: Post) -> None:
    items = [{"id": str(i), "tube": TUBE, "run": run} for i, run in enumerate(random_runs(1300, 5))]
    text = "\n".join(json.dumps(item) for item in items)
    answers = lines(client, text)
    assert [a["id"] for a in answers] == [item["id"] for item in items]
    assert [a["result"] for a in answers] == results(post(BATCH, {"items": items}))


def test_a_bad_line_is_told_and_the_rest_are_computed(client: FlaskClient) -> None:
    good = json.dumps({"tube": TUBE, "run": RUN})
    text = "\n".join([good, "{nonsense", good, '{"run":1,"run":2}', json.dumps({"run": RUN}), good])
    answers = lines(client, text)
    assert [bool(a["result"]) for a in answers] == [True, False, True, False, False, True]
    codes = [a["problems"][0]["code"] for a in answers if a["problems"]]
    assert codes == ["malformed_json", "duplicate_key", "tube_missing"]


def test_units_and_marks_of_a_stream_stand_in_the_query(client: FlaskClient) -> None:
    item = {"tube": {"outside_diameter": 0.5, "wall_thickness": 0.049}, "run": RUN}
    answer = lines(client, json.dumps(item), "?units=inch&marks=true")[0]["result"]
    assert answer["marks"][0]["start"] == 50
    assert client.post(BATCH + "?marks=true", json={"items": [item]}).status_code == 422
    wrong = client.post(BATCH + "?marks=yes", data="{}", content_type="application/x-ndjson")
    assert wrong.status_code == 422


def test_a_stream_may_be_longer_than_any_other_body(client: FlaskClient) -> None:
    line = json.dumps({"tube": TUBE, "run": {**RUN, "bends": RUN["bends"] * 30}}) + "\n"
    count = 3 * LARGEST_BODY // len(line)
    answers = lines(client, line * count)
    assert len(answers) == count
    assert all(a["result"] for a in answers)


@pytest.mark.parametrize(
    ("length", "code"), [(LONGEST_LINE, "unknown_field"), (LONGEST_LINE + 1, "line_too_long")]
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_line_too_long_is_skipped_and_told(
    client: FlaskClient, length: int, code: str, end: str
) -> None:
    good = json.dumps({"tube": TUBE, "run": RUN})
    long = '{"x":"' + "x" * (length - 8) + '"}'
    answers = lines(client, end.join([good, long, good, long, good]))
    assert [bool(a["result"]) for a in answers] == [True, False, True, False, True]
    assert [a["index"] for a in answers] == [0, 1, 2, 3, 4]
    assert code in [p["code"] for p in answers[1]["problems"]]


def test_a_line_without_end_is_read_over(client: FlaskClient) -> None:
    good = json.dumps({"tube": TUBE, "run": RUN})
    answers = lines(client, f"{good}\n" + "x" * 3_000_000)
    assert [bool(a["result"]) for a in answers] == [True, False]
    assert answers[1]["problems"][0]["code"] == "line_too_long"


def test_pointers_of_a_stream_lead_into_the_line(client: FlaskClient) -> None:
    bad = {"id": "a", "tube": TUBE, "run": {**RUN, "last_straight": -1}}
    wrong, missing, twice = lines(
        client, f'{json.dumps(bad)}\n\n{json.dumps({"run": RUN})}\n{{"id":"q","run":1,"run":2}}\n'
    )
    assert [p["pointer"] for p in wrong["problems"]] == ["/run/last_straight"]
    assert [p["pointer"] for p in missing["problems"]] == ["/tube"]
    assert (twice["problems"][0]["pointer"], twice["id"], twice["index"]) == ("", "q", 2)


def test_a_cut_off_line_is_told_with_its_column(client: FlaskClient) -> None:
    (answer,) = lines(client, '{"id": "a", \n')
    assert "line 1, column" in answer["problems"][0]["detail"]


def test_a_key_that_stands_twice_spoils_its_own_item_only(client: FlaskClient) -> None:
    good = json.dumps({"id": "a:b", "run": RUN})
    twice = '{"id":"c","run":{"bends":[],"last_straight":1,"last_straight":2}}'
    whole = f'{{"tube":{json.dumps(TUBE)},"items":[{", ".join([good] * 1500 + [twice, good])}]}}'
    response = client.post(BATCH, data=whole, content_type="application/json")
    result = response.get_json()["result"]
    assert (result["computed"], result["refused"]) == (1501, 1)
    refused = result["items"][1500]
    assert (refused["index"], refused["id"], refused["result"]) == (1500, "c", None)
    assert (refused["problems"][0]["pointer"], refused["problems"][0]["code"]) == (
        "/items/1500",
        "duplicate_key",
    )
    assert "last_straight" in refused["problems"][0]["detail"]
    assert all(entry["result"] for entry in result["items"][:1500])


def test_stretch_of_the_head_holds_until_an_item_has_its_own(post: Post) -> None:
    body = {"tube": TUBE, "stretch": 0.1, "items": [{"run": RUN}, {"run": RUN, "stretch": 0}]}
    inherited, own = results(post(BATCH, body))
    assert own["stretch"] == 0
    assert inherited["stretch"] == pytest.approx(0.1 * own["arc_length"])


@pytest.mark.parametrize("query", ["?marks=true&marks=false", "?stretch=0.1", "?units=cm"])
def test_the_query_of_a_stream_is_read_strictly(client: FlaskClient, query: str) -> None:
    sent = client.post(BATCH + query, data="{}", content_type="application/x-ndjson")
    assert sent.status_code == 422
    assert sent.get_json()["errors"][0]["pointer"].startswith("/")


@pytest.mark.parametrize(
    ("accept", "status"),
    [("application/x-ndjson", 200), ("*/*", 200), ("application/*", 200), ("text/csv", 406)],
)
def test_lines_are_answered_to_who_takes_them(
    client: FlaskClient, accept: str, status: int
) -> None:
    line = json.dumps({"tube": TUBE, "run": RUN})
    headers = {"Accept": accept}
    sent = client.post(BATCH, data=line, content_type="application/x-ndjson", headers=headers)
    assert sent.status_code == status


def test_example_of_the_spec_runs(post: Post) -> None:
    answer = post(BATCH, developed_length_batch.EXAMPLE)["result"]
    assert (answer["computed"], answer["refused"]) == (1, 1)


def test_empty_ends_of_the_head_are_no_allowances(post: Post) -> None:
    body = {"tube": TUBE, "items": [{"run": RUN}]}
    assert results(post(BATCH, {**body, "ends": {}})) == results(post(BATCH, body))


@pytest.mark.parametrize("name", ["straight", "angle", "radius", "rotation"])
@pytest.mark.parametrize("word", ["1e999", "-1e999"])
def test_a_number_past_every_double_is_told_and_the_rest_are_computed(
    client: FlaskClient, name: str, word: str
) -> None:
    bad = json.dumps(with_row(name, 12345)).replace("12345", word)
    raw = f'{{"tube":{json.dumps(TUBE)},"items":[{json.dumps({"run": RUN})},{bad}]}}'
    response = client.post(BATCH, data=raw, content_type="application/json")
    assert response.status_code in (200, 400), response.get_data(as_text=True)
    if response.status_code == 200:
        result = response.get_json()["result"]
        assert (result["computed"], result["refused"]) == (1, 1)


class Broken(io.BytesIO):
    """What a server hands over of a body whose chunks it cannot take apart."""

    def read(self, size: int | None = -1) -> bytes:
        if self.tell() >= len(self.getvalue()):
            raise ValueError("invalid chunk size")
        return super().read(size)

    def readinto(self, buffer: Any) -> int:
        found = self.read(len(buffer))
        buffer[: len(found)] = found
        return len(found)


@pytest.mark.parametrize("kind", ["chunks", "length"])
def test_a_stream_that_breaks_off_ends_with_a_line_that_says_so(
    client: FlaskClient, kind: str
) -> None:
    line = json.dumps({"tube": TUBE, "run": RUN}).encode() + b"\n"
    environ: dict[str, Any] = {"wsgi.input_terminated": True}
    if kind == "chunks":
        environ["wsgi.input"] = Broken(line * 3)
    else:
        environ |= {"wsgi.input": io.BytesIO(line * 3), "CONTENT_LENGTH": str(4 * len(line))}
    response = client.post(BATCH, content_type="application/x-ndjson", environ_overrides=environ)
    answers = [json.loads(one) for one in response.get_data().splitlines()]
    assert [bool(a["result"]) for a in answers] == [True, True, True, False]
    assert answers[3]["problems"][0]["code"] == "body_cut_off"


@pytest.mark.parametrize(
    ("item", "count", "status"),
    [
        ("[]", MOST_BRACKETS + 1, 413),
        ("1", MOST_COMMAS + 2, 413),
        ("1", 1_000_000, 422),
    ],
)
def test_a_body_that_would_fill_the_memory_is_refused_before_it_is_decoded(
    client: FlaskClient, item: str, count: int, status: int
) -> None:
    raw = '{"items":[' + ",".join([item] * count) + "]}"
    response = client.post(BATCH, data=raw, content_type="application/json")
    assert response.status_code == status
    if status == 413:
        assert response.get_json()["type"].endswith("body-too-dense")


def test_the_densest_good_body_passes(client: FlaskClient) -> None:
    row = {"straight": 1, "angle": 9, "radius": 9}
    run = {"bends": [row] * 440, "last_straight": 1}
    one = json.dumps({"run": run}, separators=(",", ":"))
    count = (LARGEST_BATCH - 100) // (len(one) + 1)
    raw = f'{{"tube":{json.dumps(TUBE)},"items":[{",".join([one] * count)}]}}'
    assert 0.99 * LARGEST_BATCH < len(raw) <= LARGEST_BATCH
    response = client.post(BATCH, data=raw, content_type="application/json")
    assert response.status_code == 200
    assert response.get_json()["result"]["computed"] == count
