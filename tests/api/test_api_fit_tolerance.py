"""Fit tolerance over the app: fields, units, refusals, findings, speed of the example."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post
from endpoints import (
    Field,
    changed,
    code_and_pointer,
    codes,
    in_inches,
    pointer_past,
    pointer_to,
    refused,
)
from flask.testing import FlaskClient

from service.api import fit_tolerance

PATH = "/v1/fit-tolerance"
FULL: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5},
    "run": {
        "bends": [
            {"straight": 120, "angle": 90, "radius": 45},
            {"straight": 85, "rotation": 90, "angle": 45, "radius": 45},
        ],
        "last_straight": 140,
    },
    "spread": {
        "mark": {"sigma": 0.2},
        "crank": {"limit": 0.2},
        "rotation": {"limit": 0.2, "distribution": "normal"},
        "cut": {"sigma": 0.2, "distribution": "uniform"},
    },
    "capture": {"radial": 3, "axial": 3, "angle": 2},
    "placing": "end_1_held",
    "samples": 2000,
    "seed": 1,
    "measured_from": "end_1",
    "measure": "from_end",
    "last_straight": "cut_before",
}


BOUNDARIES: list[tuple[Field, float, float]] = [
    (("run", "bends", 0, "straight"), 0, -1e-9),
    (("run", "bends", 0, "radius"), 7.501, 7.5),
    (("spread", "mark", "sigma"), 0, -1e-9),
    (("spread", "mark", "sigma"), 100, 100.1),
    (("spread", "crank", "limit"), 0, -1e-9),
    (("spread", "crank", "limit"), 30, 30.1),
    (("spread", "rotation", "limit"), 30, 30.1),
    (("spread", "cut", "sigma"), 100, 100.1),
    (("capture", "radial"), 0.001, 0.0009),
    (("capture", "radial"), 1000, 1000.1),
    (("capture", "axial"), 0.001, 0.0009),
    (("capture", "axial"), 1000, 1000.1),
    (("capture", "angle"), 0.01, 0.009),
    (("capture", "angle"), 45, 45.1),
    (("samples",), 100, 99),
    (("samples",), 200_000, 200_001),
    (("seed",), 0, -1),
    (("seed",), 2_147_483_647, 2_147_483_648),
]


@pytest.mark.parametrize(("field", "inside", "outside"), BOUNDARIES)
def test_each_field_at_its_boundary(
    client: FlaskClient, field: Field, inside: float, outside: float
) -> None:
    pointer = pointer_past(client, PATH, FULL, field, inside, outside)
    assert pointer == pointer_to(field)


@pytest.mark.parametrize(
    ("field", "value", "code", "pointer"),
    [
        (("placing",), "loose", "not_a_choice", "/placing"),
        (("measured_from",), "end_3", "not_a_choice", "/measured_from"),
        (("measure",), "twice", "not_a_choice", "/measure"),
        (("last_straight",), "never", "not_a_choice", "/last_straight"),
        (("spread",), {}, "no_spread", "/spread"),
        (("spread",), {"mark": {"sigma": 0}}, "no_spread", "/spread"),
        (("spread",), {"mark": {"range": 1}}, "no_shape", "/spread/mark"),
        (("spread",), {"mark": {"sigma": 1, "limit": 2}}, "unknown_field", "/spread/mark/limit"),
        (
            ("spread", "mark", "distribution"),
            "bimodal",
            "not_a_choice",
            "/spread/mark/distribution",
        ),
        (("samples",), 100.5, "not_a_whole_number", "/samples"),
        (("capture",), None, "null_not_allowed", "/capture"),
    ],
)
def test_each_refusal(
    client: FlaskClient, field: Field, value: Any, code: str, pointer: str
) -> None:
    assert code_and_pointer(client, PATH, changed(FULL, field, value)) == (code, pointer)


@pytest.mark.parametrize(
    ("bends", "spread", "said"),
    [
        (0, {}, "every tolerance is 0 or left out"),
        (0, {"cut": {"limit": 0}}, "every tolerance is 0 or left out"),
        (0, {"crank": {"limit": 1}, "mark": {"limit": 1}}, "a run without bends has no mark"),
        (1, {"rotation": {"limit": 1}}, "a run of one bend has no rotation"),
    ],
)
def test_why_nothing_can_stray_is_told(
    client: FlaskClient, bends: int, spread: dict[str, Any], said: str
) -> None:
    body = {**changed(FULL, ("run", "bends"), FULL["run"]["bends"][:bends]), "spread": spread}
    entry = refused(client, PATH, body)
    assert (entry["code"], entry["pointer"]) == ("no_spread", "/spread")
    assert said in entry["detail"]
    # what acts on such a run is taken
    acts = {"cut": {"limit": 1}} if bends == 0 else {"crank": {"limit": 1}}
    assert client.post(PATH, json={**body, "spread": acts}).status_code == 200


def test_samples_are_bounded_by_the_number_of_bends(client: FlaskClient) -> None:
    bend = {"straight": 10, "angle": 10, "radius": 45}
    body = changed(FULL, ("run", "bends"), [bend] * 20)
    assert client.post(PATH, json={**body, "samples": 100_000}).status_code == 200
    assert code_and_pointer(client, PATH, {**body, "samples": 100_001}) == (
        "too_many_samples",
        "/samples",
    )


def test_sigma_and_limits_mean_what_they_say(post: Post) -> None:
    # GUM: uniform between limits a: a/√3; normal with limits at three standard deviations: a/3
    for given, sigma in [
        ({"sigma": 0.3}, 0.3),
        ({"sigma": 0.3, "distribution": "uniform"}, 0.3),
        ({"limit": 0.3}, 0.3 / 3**0.5),
        ({"limit": 0.3, "distribution": "normal"}, 0.1),
    ]:
        result = post(PATH, {**FULL, "spread": {"cut": given}})["result"]
        (only,) = result["contributions"]
        assert only["sigma_length"] == pytest.approx(sigma)
        assert only["sigma_angle"] is None
        assert only["share"] == pytest.approx(100)
        (end,) = result["first_order"]
        assert (end["along"], end["across"]) == pytest.approx((sigma, 0))
        sampled = result["monte_carlo"]["ends"][0]["along"]
        assert sampled == pytest.approx(sigma, rel=0.06)


def test_contributions_add_up_and_the_largest_is_the_one_halved(post: Post) -> None:
    result = post(PATH, FULL)["result"]
    rows = result["contributions"]
    assert sum(row["share"] for row in rows) == pytest.approx(100)
    assert rows == sorted(rows, key=lambda row: -row["share"])
    first, halved = rows[0], result["tightening"]
    assert (halved["operation"], halved["bend"]) == (first["operation"], first["bend"])
    variance = sum(row["position"] ** 2 for row in rows)
    assert halved["position"] ** 2 == pytest.approx(variance)
    assert halved["position_halved"] ** 2 == pytest.approx(variance - 0.75 * first["position"] ** 2)
    # what halving gains is what a bench with that spread halved has, where it is one of a kind
    cut = {"cut": {"sigma": 1.0}}
    low, high = (
        post(PATH, {**FULL, "spread": cut, "capture": {"radial": 1, "axial": a, "angle": 1}})
        for a in (1.0, 2.0)
    )
    assert low["result"]["tightening"]["probability_halved"] == pytest.approx(
        high["result"]["monte_carlo"]["probability"], abs=0.11
    )


def test_findings_on_both_sides_of_their_limit(post: Post) -> None:
    assert codes(post(PATH, FULL)) == set()
    # one straight error with σ = 1: 95 % inside ±1.96
    cut = {**FULL, "spread": {"cut": {"sigma": 1}}, "samples": 20_000}
    capture = {"radial": 3, "angle": 2}
    fits = post(PATH, {**cut, "capture": {**capture, "axial": 2.05}})
    assert codes(fits) == set()
    misses = post(PATH, {**cut, "capture": {**capture, "axial": 1.85}})
    assert codes(misses) == {"line_may_not_fit"}
    wild = changed(FULL, ("spread", "crank"), {"sigma": 10})
    assert "first_order_differs" in codes(post(PATH, wild))


def test_between_ports_both_ends_share_the_misfit(post: Post) -> None:
    held = post(PATH, FULL)["result"]
    shared = post(PATH, {**FULL, "placing": "between_ports"})["result"]
    assert [end["end"] for end in held["first_order"]] == ["end_2"]
    assert [end["end"] for end in shared["first_order"]] == ["end_1", "end_2"]
    one, two = shared["first_order"]
    assert one["position"] == pytest.approx(two["position"])
    assert two["position"] < held["first_order"][0]["position"]
    assert shared["monte_carlo"]["probability"] >= held["monte_carlo"]["probability"]


def test_the_work_matters_only_where_it_should(post: Post) -> None:
    def position(**change: Any) -> float:
        spread = {"mark": {"sigma": 1}, "crank": {"sigma": 1}}
        result = post(PATH, {**FULL, "spread": spread, **change})["result"]
        return float(result["first_order"][0]["position"])

    assert position() != pytest.approx(position(measured_from="end_2"))
    assert position() != pytest.approx(position(measure="as_you_go"))
    assert position() != pytest.approx(position(last_straight="trimmed_after"))


def test_covariance_follows_the_frame_of_the_drawing(post: Post) -> None:
    points = [{"x": 0, "y": 0}, {"x": 165, "y": 0}, {"x": 165, "y": 200}]
    turned = [{"x": 0, "y": 0}, {"x": 0, "y": 165}, {"x": -200, "y": 165}]
    flat = {**FULL, "run": {"vertices": points, "radius": 45}}
    a = post(PATH, flat)["result"]["first_order"][0]
    b = post(PATH, {**FULL, "run": {"vertices": turned, "radius": 45}})["result"]["first_order"][0]
    assert a["covariance"][0][0] == pytest.approx(b["covariance"][1][1])
    assert a["covariance"][1][1] == pytest.approx(b["covariance"][0][0])
    assert a["covariance"][2][2] == pytest.approx(b["covariance"][2][2], abs=1e-12)
    assert a["position"] == pytest.approx(b["position"])


def test_inches_and_millimetres_agree(post: Post) -> None:
    metric = post(PATH, FULL)["result"]
    body = in_inches(FULL)
    for name in ("mark", "cut"):
        body["spread"][name]["sigma"] /= 25.4
    inch = post(PATH, body)["result"]
    for a, b in zip(metric["first_order"], inch["first_order"], strict=True):
        assert b["position"] * 25.4 == pytest.approx(a["position"])
        assert b["tilt"] == pytest.approx(a["tilt"])
        assert b["covariance"][0][1] * 25.4**2 == pytest.approx(a["covariance"][0][1])
        assert b["axes"][0]["sigma"] * 25.4 == pytest.approx(a["axes"][0]["sigma"])
    a, b = metric["monte_carlo"], inch["monte_carlo"]
    assert b["position_95"] * 25.4 == pytest.approx(a["position_95"])
    assert b["probability"] == pytest.approx(a["probability"], abs=0.06)


def test_same_body_gives_the_same_bytes_and_another_seed_others(client: FlaskClient) -> None:
    first = client.post(PATH, json=FULL).data
    assert client.post(PATH, json=FULL).data == first
    assert client.post(PATH, json={**FULL, "seed": 2}).data != first


def test_example_runs(post: Post) -> None:
    answer = post(PATH, fit_tolerance.EXAMPLE)
    assert answer["result"]["monte_carlo"]["samples"] == 10_000
    assert "far-end-covariance" in {method["id"] for method in answer["basis"]}
