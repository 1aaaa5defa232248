"""Run geometry and offset over the app: fields, units, frames, refusals, findings."""

from __future__ import annotations

import math
from typing import Any
from xml.etree import ElementTree

import pytest
from conftest import Post
from endpoints import (
    Field,
    Names,
    assert_agree,
    changed,
    follows_schema,
    in_inches,
    pointer_past,
    pointer_to,
)
from flask.testing import FlaskClient
from oracles.random_runs import random_runs
from specification import document

from service.api import run_geometry

GEOMETRY, OFFSET = "/v1/run-geometry", "/v1/run-geometry/offset"

TUBE: dict[str, Any] = {"outside_diameter": 15, "wall_thickness": 1.5}
TABLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE,
    "run": {
        "bends": [
            {"straight": 100, "rotation": 0, "angle": 90, "radius": 45},
            {"straight": 80, "rotation": -120, "angle": 30, "radius": 45},
            {"straight": 60, "rotation": 180, "angle": 45, "radius": 45},
        ],
        "last_straight": 150,
    },
}
VERTICES: dict[str, Any] = {
    "tube": TUBE,
    "run": {
        "vertices": [
            {"x": 10, "y": 20, "z": 30},
            {"x": 10, "y": 20, "z": 330, "radius": 45},
            {"x": 310, "y": 20, "z": 330},
            {"x": 310, "y": 320, "z": 430},
        ],
        "radius": 45,
    },
}
OFFSET_BODY: dict[str, Any] = {
    "units": "metric",
    "rise": 120,
    "roll": 90,
    "angle": 45,
    "radius": 45,
    "first_straight": 200,
    "last_straight": 150,
}


def xyz(point: dict[str, float]) -> tuple[float, float, float]:
    return point["x"], point["y"], point["z"]


# --- fields --------------------------------------------------------------------------------------

# (endpoint, body, field, just inside, just outside)
BOUNDARIES: list[tuple[str, dict[str, Any], Field, float, float]] = [
    (GEOMETRY, TABLE, ("tube", "outside_diameter"), 89.999, 90),  # twice the radius
    (GEOMETRY, TABLE, ("tube", "outside_diameter"), 3.001, 3.0),  # twice the wall
    (GEOMETRY, TABLE, ("tube", "outside_diameter"), 89.999, 500.1),
    (GEOMETRY, TABLE, ("tube", "wall_thickness"), 0.001, 0.0009),
    (GEOMETRY, TABLE, ("tube", "wall_thickness"), 7.499, 7.5),
    (GEOMETRY, TABLE, ("run", "bends", 0, "straight"), 0, -1e-9),
    (GEOMETRY, TABLE, ("run", "bends", 0, "straight"), 100_000, 100_000.1),
    (GEOMETRY, TABLE, ("run", "bends", 0, "rotation"), 0, 1e-9),
    (GEOMETRY, TABLE, ("run", "bends", 1, "rotation"), -180, -180.001),
    (GEOMETRY, TABLE, ("run", "bends", 1, "rotation"), 180, 180.001),
    (GEOMETRY, TABLE, ("run", "bends", 0, "angle"), 0.01, 0.0099),
    (GEOMETRY, TABLE, ("run", "bends", 0, "angle"), 350, 350.001),
    (GEOMETRY, TABLE, ("run", "bends", 0, "radius"), 7.501, 7.5),
    (GEOMETRY, TABLE, ("run", "bends", 0, "radius"), 10_000, 10_000.1),
    (GEOMETRY, TABLE, ("run", "last_straight"), 0, -1e-9),
    (GEOMETRY, TABLE, ("run", "last_straight"), 100_000, 100_000.1),
    (GEOMETRY, VERTICES, ("run", "vertices", 3, "x"), 100_000, 100_000.1),
    (GEOMETRY, VERTICES, ("run", "vertices", 0, "y"), -100_000, -100_000.1),
    (GEOMETRY, VERTICES, ("run", "vertices", 3, "z"), -100_000, -100_000.1),
    # legs of 300 mm at a right angle: a set-back equals its radius
    (GEOMETRY, VERTICES, ("run", "vertices", 1, "radius"), 255, 255.001),
    (GEOMETRY, VERTICES, ("run", "vertices", 1, "radius"), 7.501, 0.0099),
    (GEOMETRY, VERTICES, ("run", "radius"), 255, 255.001),
    (GEOMETRY, VERTICES, ("run", "radius"), 7.501, 0.0099),
    (OFFSET, OFFSET_BODY, ("rise",), 100_000, 100_000.1),
    (OFFSET, OFFSET_BODY, ("rise",), -100_000, -100_000.1),
    (OFFSET, OFFSET_BODY, ("roll",), 100_000, 100_000.1),
    (OFFSET, OFFSET_BODY, ("roll",), -100_000, -100_000.1),
    (OFFSET, OFFSET_BODY, ("angle",), 0.01, 0.0099),
    (OFFSET, OFFSET_BODY, ("angle",), 90, 90.001),
    (OFFSET, OFFSET_BODY, ("radius",), 0.01, 0.0099),
    # T = 150 = 2R(1 − cos 45°) at R = 75/(1 − √½)
    (OFFSET, OFFSET_BODY, ("radius",), 256.0659, 256.0661),
    (OFFSET, OFFSET_BODY, ("first_straight",), 0, -1e-9),
    (OFFSET, OFFSET_BODY, ("first_straight",), 100_000, 100_000.1),
    (OFFSET, OFFSET_BODY, ("last_straight",), 0, -1e-9),
    (OFFSET, OFFSET_BODY, ("last_straight",), 100_000, 100_000.1),
]


@pytest.mark.parametrize(("path", "body", "field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient,
    path: str,
    body: dict[str, Any],
    field: Field,
    inside: float,
    outside: float,
) -> None:
    pointer = pointer_past(client, path, body, field, inside, outside)
    accepted = client.post(path, json=changed(body, field, inside)).get_json()
    assert follows_schema("post", path, accepted)
    # a tube too thick for its radius is told at the radius, an offset that its radius is too large
    # for at the offset
    expected = "/rise" if field == ("radius",) and outside > 1 else f"/{field[0]}"
    assert pointer.startswith((expected, "/run/"))


@pytest.mark.parametrize(
    ("path", "body", "field", "value", "code"),
    [
        (GEOMETRY, TABLE, ("units",), "furlong", "not_a_choice"),
        (GEOMETRY, TABLE, ("frame",), "world", "not_a_choice"),
        (GEOMETRY, TABLE, ("frame",), None, "null_not_allowed"),
        (GEOMETRY, TABLE, ("frame",), "drawing", "no_drawing_frame"),
        (GEOMETRY, TABLE, ("reverse",), 1, "not_a_flag"),
        (GEOMETRY, TABLE, ("reverse",), "true", "not_a_flag"),
        (GEOMETRY, TABLE, ("mirror",), None, "null_not_allowed"),
        (GEOMETRY, TABLE, ("tube",), None, "null_not_allowed"),
        (GEOMETRY, TABLE, ("run",), {}, "no_shape"),
        (GEOMETRY, TABLE, ("run", "bends", 0, "rotation"), 20, "first_rotation_not_zero"),
        (GEOMETRY, TABLE, ("run", "vertices"), [], "unknown_field"),
        (GEOMETRY, TABLE, ("surprise",), 1, "unknown_field"),
        (GEOMETRY, VERTICES, ("run", "vertices", 0, "radius"), 45, "radius_at_end"),
        (GEOMETRY, VERTICES, ("run", "vertices", 3, "radius"), 45, "radius_at_end"),
        (OFFSET, OFFSET_BODY, ("rise",), "120", "not_a_number"),
        (OFFSET, OFFSET_BODY, ("roll",), None, "null_not_allowed"),
        (OFFSET, OFFSET_BODY, ("run",), {}, "unknown_field"),
    ],
)
def test_each_refusal_names_code_and_pointer(
    client: FlaskClient, path: str, body: dict[str, Any], field: Field, value: Any, code: str
) -> None:
    response = client.post(path, json=changed(body, field, value))
    assert response.status_code == 422
    assert response.content_type == "application/problem+json"
    (entry,) = response.get_json()["errors"]
    assert (entry["code"], entry["pointer"]) == (code, pointer_to(field))


@pytest.mark.parametrize("field", ["rise", "angle", "radius"])
def test_offset_needs_its_fields(client: FlaskClient, field: str) -> None:
    body = {name: value for name, value in OFFSET_BODY.items() if name != field}
    (entry,) = client.post(OFFSET, json=body).get_json()["errors"]
    assert (entry["code"], entry["pointer"]) == ("required", f"/{field}")


def test_offset_of_nothing_is_refused(client: FlaskClient) -> None:
    body = {**OFFSET_BODY, "rise": 0, "roll": 0}
    response = client.post(OFFSET, json=body)
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["code"] == "offset_too_small"


def test_offset_too_small_says_what_would_do(client: FlaskClient) -> None:
    body = {"rise": 12, "angle": 30, "radius": 45}
    detail = client.post(OFFSET, json=body).get_json()["detail"]
    assert "12 mm" in detail
    assert "12.0577 mm" in detail
    inch = {"units": "inch", "rise": 12 / 25.4, "angle": 30, "radius": 45 / 25.4}
    assert "0.474713 in" in client.post(OFFSET, json=inch).get_json()["detail"]
    assert client.post(OFFSET, json={**body, "rise": 12.0578}).status_code == 200


# --- units ---------------------------------------------------------------------------------------


def factor(names: Names) -> float:
    if names[-2:-1] in {("direction",), ("axis",)}:
        return 1.0
    return 1.0 if names[-1] in {"angle", "rotation", "roll_angle"} else 25.4


@pytest.mark.parametrize(
    ("path", "body"),
    [
        (GEOMETRY, TABLE),
        (GEOMETRY, {**TABLE, "reverse": True, "mirror": True}),
        (GEOMETRY, {**VERTICES, "frame": "drawing"}),
        (OFFSET, OFFSET_BODY),
    ],
)
def test_inches_and_millimetres_agree(post: Post, path: str, body: dict[str, Any]) -> None:
    inch = post(path, in_inches(body))
    assert inch["units"] == "inch"
    assert_agree(post(path, body)["result"], inch["result"], factor, absolute=1e-7)


@pytest.mark.parametrize(("path", "body"), [(GEOMETRY, TABLE), (OFFSET, OFFSET_BODY)])
def test_same_body_gives_the_same_bytes(
    client: FlaskClient, path: str, body: dict[str, Any]
) -> None:
    assert client.post(path, json=body).data == client.post(path, json=body).data


# --- answers -------------------------------------------------------------------------------------


@pytest.mark.parametrize("run", random_runs(20, seed=99), ids=range(20))
@pytest.mark.parametrize("turned", [{}, {"reverse": True}, {"mirror": True}])
def test_bend_table_of_the_answer_can_be_sent_again(
    post: Post, run: dict[str, Any], turned: dict[str, bool]
) -> None:
    first = post(GEOMETRY, {"run": run, **turned})
    assert follows_schema("post", GEOMETRY, first)
    second = post(GEOMETRY, {"run": first["result"]["run"]})["result"]
    for one, other in zip(first["result"]["bends"], second["bends"], strict=True):
        # angles leave with ten decimals of a degree
        assert xyz(one["end"]) == pytest.approx(xyz(other["end"]), abs=1e-6)
    assert second["run"] == first["result"]["run"]


def test_reversing_and_mirroring_twice_gives_the_run_back(post: Post) -> None:
    for flag in ("reverse", "mirror"):
        there = post(GEOMETRY, {**TABLE, flag: True})["result"]["run"]
        back = post(GEOMETRY, {"run": there, flag: True})["result"]["run"]
        assert back == post(GEOMETRY, TABLE)["result"]["run"] != there


def test_half_turn_comes_out_as_plus_180(post: Post) -> None:
    body = changed(TABLE, ("run", "bends", 1, "rotation"), -180)
    for flags in ({}, {"reverse": True}, {"mirror": True}, {"reverse": True, "mirror": True}):
        rows = post(GEOMETRY, {**body, **flags})["result"]["run"]["bends"]
        assert [row["rotation"] for row in rows] == [0, 180, 180]


def test_vertices_come_back_in_the_frame_of_the_drawing(post: Post) -> None:
    given = [xyz(v) for v in VERTICES["run"]["vertices"]]
    result = post(GEOMETRY, {**VERTICES, "frame": "drawing"})["result"]
    assert result["frame"] == "drawing"
    for point, vertex in zip(result["vertices"], given, strict=True):
        assert xyz(point) == pytest.approx(vertex, abs=1e-9)
    back = post(GEOMETRY, {**VERTICES, "frame": "drawing", "reverse": True})["result"]
    for point, vertex in zip(back["vertices"], given[::-1], strict=True):
        assert xyz(point) == pytest.approx(vertex, abs=1e-9)
    assert back["bounding_box"]["size"] == pytest.approx(result["bounding_box"]["size"])


def test_bend_table_frame_is_the_default_for_vertices_too(post: Post) -> None:
    result = post(GEOMETRY, VERTICES)["result"]
    assert result["frame"] == "bend_table"
    assert xyz(result["end_1"]["point"]) == (0, 0, 0)
    assert xyz(result["end_1"]["direction"]) == (1, 0, 0)
    assert xyz(result["bends"][0]["axis"]) == (0, 0, 1)
    assert result["vertices"][1] == pytest.approx({"x": 300, "y": 0, "z": 0})


def test_box_without_a_tube_is_that_of_the_centre_line(post: Post) -> None:
    body = {"run": TABLE["run"]}
    thin = post(GEOMETRY, body)["result"]["bounding_box"]
    thick = post(GEOMETRY, TABLE)["result"]["bounding_box"]
    assert (thin["outside_diameter"], thick["outside_diameter"]) == (0, 15)
    assert thin["least"]["x"] == 0
    assert thick["least"]["y"] == -7.5
    assert thick["greatest"]["x"] == thin["greatest"]["x"] + 7.5


def test_straight_tube_has_two_vertices(post: Post) -> None:
    result = post(GEOMETRY, {"run": {"bends": [], "last_straight": 250}})["result"]
    assert result["bends"] == []
    assert [xyz(v) for v in result["vertices"]] == [(0, 0, 0), (250, 0, 0)]
    assert result["developed_length"] == 250


def test_most_bends_the_request_allows(post: Post) -> None:
    rows = [{"straight": 1, "rotation": 0, "angle": 1, "radius": 20}] * 500
    result = post(GEOMETRY, {"run": {"bends": rows, "last_straight": 1}})["result"]
    length = 501 + 500 * 20 * math.radians(1)
    assert result["developed_length"] == pytest.approx(length, rel=1e-12)
    assert xyz(result["end_2"]["direction"]) == pytest.approx(
        (math.cos(math.radians(500)), math.sin(math.radians(500)), 0), abs=1e-9
    )


def codes(answer: dict[str, Any]) -> list[tuple[str, int]]:
    return [(finding["code"], finding["bend"]) for finding in answer["findings"]]


def test_bend_without_vertex_is_found_on_its_side_of_the_limit(post: Post) -> None:
    below = post(GEOMETRY, changed(TABLE, ("run", "bends", 1, "angle"), 179.42))
    assert codes(below) == []
    assert None not in below["result"]["vertices"]
    above = post(GEOMETRY, changed(TABLE, ("run", "bends", 1, "angle"), 179.43))
    assert codes(above) == [("no_vertex_at_bend", 2)]
    assert [v is None for v in above["result"]["vertices"]] == [False, False, True, False, False]
    assert above["result"]["bends"][1]["vertex"] is None
    # counted from the end that the answer is travelled from
    turned = post(GEOMETRY, {**changed(TABLE, ("run", "bends", 0, "angle"), 180), "reverse": True})
    assert codes(turned) == [("no_vertex_at_bend", 3)]


def test_basis_names_what_was_done(post: Post) -> None:
    def methods(body: dict[str, Any]) -> set[str]:
        return {method["id"] for method in post(GEOMETRY, body)["basis"]}

    assert "vertices-to-bend-table" in methods(VERTICES)
    assert "vertices-to-bend-table" not in methods(TABLE)
    assert "run-reversal-and-mirror" not in methods(TABLE)
    for flag in ("reverse", "mirror"):
        assert "run-reversal-and-mirror" in methods({**TABLE, flag: True})
    assert {m["id"] for m in post(OFFSET, OFFSET_BODY)["basis"]} == {
        "offset-bends",
        "tangent-set-back",
    }


def test_offset_as_a_run_ends_aside_by_the_true_offset(post: Post) -> None:
    offset = post(OFFSET, OFFSET_BODY)["result"]
    geometry = post(GEOMETRY, {"run": offset["run"]})["result"]
    end = xyz(geometry["end_2"]["point"])
    along = 200 + 150 + offset["advance"] + 2 * offset["set_back"]
    assert end == pytest.approx((along, offset["true_offset"], 0), abs=1e-9)
    assert xyz(geometry["end_2"]["direction"]) == pytest.approx((1, 0, 0), abs=1e-12)


@pytest.mark.parametrize(
    ("path", "example"),
    [(GEOMETRY, run_geometry.EXAMPLE), (OFFSET, run_geometry.OFFSET_EXAMPLE)],
)
def test_example_of_the_specification_runs(post: Post, path: str, example: dict[str, Any]) -> None:
    body = document()["paths"][path]["post"]["requestBody"]["content"]["application/json"]
    assert body["example"] == example
    answer = post(path, example)
    assert follows_schema("post", path, answer)
    assert answer["findings"] == []
    assert answer["cautions"]


# --- the picture ---------------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def drawn(client: FlaskClient, body: dict[str, Any], **headers: str) -> ElementTree.Element:
    response = client.post(GEOMETRY, json=body, headers={"Accept": "image/svg+xml", **headers})
    assert response.status_code == 200
    return ElementTree.fromstring(response.data)


def words(svg: ElementTree.Element) -> list[str]:
    return ["".join(node.itertext()) for node in svg.iter(f"{SVG}text")]


def test_the_picture_numbers_the_bends_and_tells_them(client: FlaskClient) -> None:
    svg = drawn(client, TABLE)
    said = words(svg)
    assert {"1: 90°", "2: 30°", "3: 45°", "Isometric", "end 1", "end 2"} <= set(said)
    assert "2: straight 80 mm, rotation -120°, angle 30°, radius 45" in " ".join(said)
    assert len(list(svg.iter(f"{SVG}circle"))) == 3 * 3  # bends, views


def test_the_picture_is_in_the_units_and_language_of_the_caller(client: FlaskClient) -> None:
    run = {"bends": [{"straight": 4, "angle": 90, "radius": 1.5}], "last_straight": 2.25}
    said = " ".join(
        words(drawn(client, {"units": "inch", "run": run}, **{"Accept-Language": "de"}))
    )
    assert "1: Gerade 4 in, Drehung 0°, Winkel 90°, Radius 1,5 in." in said
    assert "Quader 5,5 in × 3,75 in × 0 in" in said


def test_the_rings_lie_in_the_middle_of_the_arcs(client: FlaskClient) -> None:
    """In the plane of a half circle of 100 the middle is as far ahead as it is from the middle."""
    run = {"bends": [{"straight": 100, "angle": 180, "radius": 100}], "last_straight": 100}
    svg = drawn(client, {"run": run})
    path = next(n for n in list(svg.iter(f"{SVG}polyline"))[1:])  # the first plane: from above
    points = [tuple(float(v) for v in p.split(",")) for p in str(path.get("points")).split()]
    ring = list(svg.iter(f"{SVG}circle"))[1]
    scale = (points[1][0] - points[0][0]) / 100
    assert float(str(ring.get("cx"))) == pytest.approx(points[0][0] + 200 * scale, abs=0.02)
    assert float(str(ring.get("cy"))) == pytest.approx(points[0][1] - 100 * scale, abs=0.02)


def test_of_many_bends_not_all_are_numbered(client: FlaskClient) -> None:
    row = {"straight": 60, "rotation": 20, "angle": 30, "radius": 45}
    run = {"bends": [{**row, "rotation": 0}, *[row] * 99], "last_straight": 50}
    svg = drawn(client, {"run": run})
    assert len(list(svg.iter(f"{SVG}circle"))) == 3 * 40
    assert any(text.startswith("60 further bends") for text in words(svg))
