"""Drawings by Accept: negotiation, well-formed SVG that stands alone, legible at 360 px."""

from __future__ import annotations

import math
import re
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import pytest
from conftest import Post
from flask.testing import FlaskClient

from service.api import fit_tolerance, inspection, run_geometry
from service.web import drawing
from service.web.drawing import EYE

SVG = "image/svg+xml"
NAMESPACE = "{http://www.w3.org/2000/svg}"
DRAWN: list[tuple[str, ModuleType]] = [
    ("/v1/inspection", inspection),
    ("/v1/fit-tolerance", fit_tolerance),
    ("/v1/run-geometry", run_geometry),
]
each = pytest.mark.parametrize(("path", "module"), DRAWN)


def drawing_of(client: FlaskClient, path: str, body: Any) -> ElementTree.Element:
    response = client.post(path, json=body, headers={"Accept": SVG})
    assert response.status_code == 200, response.get_data(as_text=True)
    assert response.content_type == SVG
    return ElementTree.fromstring(response.data)


@each
@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "application/json"),
        ("application/json", "application/json"),
        ("application/*", "application/json"),
        (SVG, SVG),
        ("image/*", SVG),
        (f"application/json;q=0.5, {SVG}", SVG),
        (f"application/json, {SVG}", "application/json"),
        (f"{SVG};q=0.5, */*", "application/json"),
        (f"{SVG}, */*;q=0.1", SVG),
        (f"{SVG};q=0, */*", "application/json"),
        ("application/json;q=0, */*;q=0.5", SVG),
    ],
)
def test_accept_decides(
    client: FlaskClient, path: str, module: ModuleType, accept: str, kind: str
) -> None:
    response = client.post(path, json=module.EXAMPLE, headers={"Accept": accept})
    assert response.status_code == 200
    assert response.content_type == kind
    assert "Accept" in response.headers["Vary"]


@each
@pytest.mark.parametrize("accept", ["text/html", "image/png", f"{SVG};q=0", "*/*;q=0"])
def test_what_is_not_to_be_had(
    client: FlaskClient, path: str, module: ModuleType, accept: str
) -> None:
    response = client.post(path, json=module.EXAMPLE, headers={"Accept": accept})
    assert response.status_code == 406
    assert response.content_type == "application/problem+json"
    assert SVG in response.get_json()["detail"]


def test_an_operation_without_a_drawing_sends_none(client: FlaskClient) -> None:
    tube = {"outside_diameter": 10, "wall_thickness": 1}
    body = {"run": {"bends": [], "last_straight": 100}, "tube": tube}
    path = "/v1/developed-length"
    assert client.post(path, json=body).status_code == 200
    assert client.post(path, json=body, headers={"Accept": SVG}).status_code == 406


@each
def test_a_refusal_is_told_as_a_problem(client: FlaskClient, path: str, module: ModuleType) -> None:
    body = {**module.EXAMPLE, "run": {"bends": []}}
    response = client.post(path, json=body, headers={"Accept": SVG})
    assert response.status_code == 422
    assert response.content_type == "application/problem+json"


@each
def test_it_stands_alone_and_tells_in_words(
    client: FlaskClient, path: str, module: ModuleType
) -> None:
    root = drawing_of(client, path, module.EXAMPLE)
    assert root.tag == f"{NAMESPACE}svg"
    assert root[0].tag == f"{NAMESPACE}title"
    assert root[0].text
    description = root[1].text
    assert root[1].tag == f"{NAMESPACE}desc"
    assert description is not None
    assert len(description) > 40
    assert root.get("role") == "img"
    raw = ElementTree.tostring(root, encoding="unicode")
    assert not re.search(r"<script|href|url\(|@import|on[a-z]+=", raw)
    # a sheet of 360 units with letters of 11: nothing smaller at 360 px
    assert root.get("viewBox", "").startswith("0 0 360 ")
    sizes = [float(size) for size in re.findall(r"font:([0-9.]+)px", raw)]
    assert min(sizes) >= 11


@each
def test_everything_lies_on_the_sheet(client: FlaskClient, path: str, module: ModuleType) -> None:
    root = drawing_of(client, path, module.EXAMPLE)
    _, _, width, height = (float(v) for v in root.get("viewBox", "").split())
    for text in root.iter(f"{NAMESPACE}text"):
        x, y = float(text.get("x", "-1")), float(text.get("y", "-1"))
        assert 0 <= x <= width
        assert 0 <= y <= height
        # sans-serif letters are about half as wide as high
        assert x + len(text.text or "") * 5 <= width + 5
    for line in root.iter(f"{NAMESPACE}polyline"):
        for pair in line.get("points", "").split():
            x, y = (float(v) for v in pair.split(","))
            assert -1 <= x <= width + 1
            assert -1 <= y <= height + 1


@each
def test_lines_differ_in_more_than_colour(
    client: FlaskClient, path: str, module: ModuleType
) -> None:
    root = drawing_of(client, path, module.EXAMPLE)
    style = next(root.iter(f"{NAMESPACE}style")).text or ""
    rules = dict(re.findall(r"\.([a-z]+)\{([^}]*)\}", style))
    looks = [
        (rules[name].split("stroke-width:")[1].split(";")[0], "dasharray" in rules[name])
        for name in ("nominal", "measured", "limit", "axis")
    ]
    assert len(set(looks)) == len(looks)


@each
def test_same_body_gives_the_same_bytes(client: FlaskClient, path: str, module: ModuleType) -> None:
    first, second = (
        client.post(path, json=module.EXAMPLE, headers={"Accept": SVG}).data for _ in range(2)
    )
    assert first == second


def test_deviations_are_labelled_with_their_length(client: FlaskClient, post: Post) -> None:
    answer = post("/v1/inspection", inspection.EXAMPLE)["result"]
    words = [
        text.text or ""
        for text in drawing_of(client, "/v1/inspection", inspection.EXAMPLE).iter(
            f"{NAMESPACE}text"
        )
    ]
    for row in answer["points"]:
        assert any(f"{row['distance']:.3g} mm" in word for word in words)
    # an arrow at every compared point of every view
    root = drawing_of(client, "/v1/inspection", inspection.EXAMPLE)
    arrows = [p for p in root.iter(f"{NAMESPACE}path") if p.get("class") == "arrow"]
    assert len(arrows) == 3 * len(answer["points"])


def test_the_ellipse_is_that_of_the_covariance(client: FlaskClient) -> None:
    # one mark error only: the cloud of end 2 is a line along the two straights it acts on
    body = {**fit_tolerance.EXAMPLE, "spread": {"cut": {"sigma": 1.0}}}
    root = drawing_of(client, "/v1/fit-tolerance", body)
    across, along = [e for e in root.iter(f"{NAMESPACE}ellipse") if e.get("class") == "ellipse"]
    assert float(across.get("rx", "1")) == pytest.approx(0, abs=0.01)
    limit = next(r for r in root.iter(f"{NAMESPACE}rect") if r.get("class") == "limit")
    # axial capture of 3 mm gives the scale: half a width; the ellipse is 2.4477 σ long
    scale = float(limit.get("width", "1")) / 6
    assert float(along.get("rx", "1")) / scale == pytest.approx(2.4477, rel=5e-3)


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_units_of_the_caller(client: FlaskClient, units: str) -> None:
    root = drawing_of(client, "/v1/fit-tolerance", {**fit_tolerance.EXAMPLE, "units": units})
    words = " ".join(text.text or "" for text in root.iter(f"{NAMESPACE}text"))
    assert bool(re.search(r"[0-9] mm\b", words)) == (units == "metric")
    assert bool(re.search(r"[0-9] in\b", words)) == (units == "inch")


def test_large_and_degenerate_runs_can_be_drawn(client: FlaskClient) -> None:
    bend = {"straight": 30, "rotation": 40, "angle": 50, "radius": 45}
    long = {"bends": [{**bend, "rotation": 0}, *[bend] * 99], "last_straight": 50}
    straight = {"bends": [], "last_straight": 300}
    for run in (long, straight):
        body = {"tube": {"outside_diameter": 10, "wall_thickness": 1}, "run": run, "measured": run}
        root = drawing_of(client, "/v1/inspection", body)
        assert len(list(root.iter(f"{NAMESPACE}polyline"))) == 9
        spread = {
            "tube": body["tube"],
            "run": run,
            "spread": {"cut": {"sigma": 1}},
            "capture": {"radial": 1, "axial": 1, "angle": 1},
        }
        drawing_of(client, "/v1/fit-tolerance", spread)


@pytest.mark.parametrize(
    ("view", "eye"),
    [("isometric", EYE), ("top", (0, 0, 1)), ("front", (0, -1, 0)), ("side", (1, 0, 0))],
)
def test_no_view_is_a_mirror_image(view: drawing.View, eye: tuple[float, float, float]) -> None:
    """Right × up points to the eye, from which nothing is seen but what lies across (ISO 5456)."""
    axes = [drawing.project(axis, view) for axis in ((1, 0, 0), (0, 1, 0), (0, 0, 1))]
    right = [x for x, _ in axes]
    up = [-y for _, y in axes]
    across = [right[i - 2] * up[i - 1] - right[i - 1] * up[i - 2] for i in range(3)]
    size = math.hypot(*across)
    assert [value / size for value in across] == pytest.approx(
        [value / math.hypot(*eye) for value in eye], abs=1e-12
    )


def test_a_bend_to_the_left_is_drawn_to_the_left(client: FlaskClient) -> None:
    """Seen from above, a run that turns to the left and then up does so in every view."""
    row = {"straight": 200, "angle": 90, "radius": 45}
    run = {"bends": [row, {**row, "rotation": 90}], "last_straight": 200}
    svg = drawing_of(client, "/v1/run-geometry", {"run": run})
    large, top = [n for n in svg.iter(f"{NAMESPACE}polyline") if n.get("class") == "nominal"][:2]
    for line in (large, top):
        points = [tuple(map(float, p.split(","))) for p in str(line.get("points")).split()]
        (ax, ay), (bx, by), (cx, cy) = points[0], points[1], points[14]
        turn = (bx - ax) * (cy - by) - (by - ay) * (cx - bx)
        assert turn < 0  # y goes down the page
