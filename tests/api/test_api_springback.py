"""Springback and its calibration over the app."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from conftest import Post
from endpoints import codes
from flask.testing import FlaskClient

from service.api import springback, springback_calibration

SPRINGBACK, CALIBRATION = "/v1/springback", "/v1/springback/calibration"
TUBE: dict[str, Any] = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}
BENDS: list[dict[str, Any]] = [{"angle": 90, "radius": 60}]


def test_perfectly_plastic_figure_is_called_a_lower_bound(post: Post) -> None:
    answer = post(SPRINGBACK, {"tube": TUBE, "bends": BENDS})
    assert "springback_without_hardening" in codes(answer)
    # the standard's minimum yield and largest tensile strength make the band
    bend = answer["result"]["bends"][0]
    assert bend["band"]["least"] <= bend["set_angle"] <= bend["band"]["most"]
    assert bend["origin"] == "predicted"


def test_reference_values_of_the_perfectly_plastic_tube(post: Post) -> None:
    """20 × 2, E 210000, Y 235: R 60 → 60.570664 and 0.847931° of 90°; derived, checked by
    quadrature with scipy in tests/published/test_published_section.py."""
    material = {
        "name": "check",
        "elastic_modulus": 210_000,
        "density": 7.85,
        "yield_strength": 235,
    }
    body = {"tube": {**TUBE, "material": material}, "bends": BENDS, "given": "set"}
    bend = post(SPRINGBACK, body)["result"]["bends"][0]
    assert bend["springback"] == pytest.approx(0.847931, abs=5e-7)
    assert bend["finished_radius"] == pytest.approx(60.570664, abs=5e-7)


def test_hardening_and_scatter(post: Post) -> None:
    answer = post(SPRINGBACK, springback.EXAMPLE)
    assert answer["result"]["law"] == "swift"
    assert "springback_without_hardening" not in codes(answer)
    body = {k: v for k, v in springback.EXAMPLE.items() if k != "scatter"}
    silent = post(SPRINGBACK, body)
    assert "springback_band_unknown" in codes(silent)
    assert silent["result"]["bends"][0]["band"] is None


def test_a_fit_goes_straight_into_springback_and_mark_layout(post: Post) -> None:
    fit = post(CALIBRATION, springback_calibration.EXAMPLE)["result"]["springback"][0]
    tube = {"outside_diameter": 15, "wall_thickness": 1.5}
    body = {"tube": tube, "bends": [{"angle": 90, "radius": 45}], "springback": [fit["law"]]}
    bend = post(SPRINGBACK, body)["result"]["bends"][0]
    assert bend["origin"] == "calibrated"
    assert bend["band"]["most"] - bend["band"]["least"] == pytest.approx(2 * fit["law"]["band"])
    run = {"bends": [{"straight": 100, "angle": 90, "radius": 45}], "last_straight": 100}
    layout = post("/v1/mark-layout", {"tube": tube, "run": run, "springback": [fit["law"]]})
    crank = layout["result"]["bends"][0]["crank"]["exact"]
    assert crank == pytest.approx(bend["set_angle"], abs=1e-9)
    length = {"tube": tube, "run": run, "stretch": 0.0206}
    assert post("/v1/developed-length", length)["result"]["stretch"] > 0


def test_run_and_single_bends_agree(post: Post) -> None:
    run = {"bends": [{"straight": 10, "angle": 90, "radius": 60}], "last_straight": 0}
    one = post(SPRINGBACK, {"tube": TUBE, "run": run})["result"]["bends"]
    assert one == post(SPRINGBACK, {"tube": TUBE, "bends": BENDS})["result"]["bends"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"tube": TUBE}, "run_or_bends"),
    (
        {"tube": TUBE, "bends": BENDS, "run": {"bends": [], "last_straight": 1}},
        "run_or_bends",
    ),
    ({"tube": {**TUBE, "material": None}, "bends": BENDS}, "null_not_allowed"),
    ({"tube": {"outside_diameter": 20, "wall_thickness": 2}, "bends": BENDS}, "springback_needs"),
    ({"tube": TUBE, "bends": [{"angle": 90, "radius": 10}]}, "radius_within_tube"),
    ({"tube": TUBE, "bends": [{"angle": 90, "radius": 9000}], "given": "set"}, "springs_back"),
    ({"tube": TUBE, "bends": [{"angle": 0, "radius": 60}]}, "out_of_range"),
    ({"tube": TUBE, "bends": BENDS, "scatter": 0.91}, "out_of_range"),
    ({"tube": TUBE, "bends": BENDS, "hardening": {"law": "swift"}}, "coefficient"),
    (
        {"tube": TUBE, "bends": BENDS, "hardening": {"law": "hollomon", "exponent": 2}},
        "coefficient",
    ),
    ({"tube": TUBE, "bends": BENDS, "springback": [{"constant": 5}] * 2}, "springback_twice"),
    (
        {"tube": TUBE, "bends": [{"angle": 350, "radius": 60}], "springback": [{"constant": 11}]},
        "springback_out_of_range",
    ),
]


@pytest.mark.parametrize(("body", "code"), REFUSED)
def test_refusals(client: FlaskClient, body: dict[str, Any], code: str) -> None:
    response = client.post(SPRINGBACK, json=body)
    assert response.status_code == 422
    found = [entry["code"] for entry in response.get_json()["errors"]]
    assert any(code in one for one in found), found


def trials(*angles: float) -> list[dict[str, float]]:
    return [{"radius": 45, "set_angle": s, "measured_angle": s * 0.98 - 0.5} for s in angles]


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({}, "no_trials"),
        ({"trials": trials(30, 60)}, "trials_too_few"),
        ({"trials": trials(90, 90, 90, 90)}, "trials_at_one_angle"),
        ({"trials": trials(90, 91, 92, 94.99)}, "trials_at_one_angle"),
        ({"stretch_trials": springback_calibration.EXAMPLE["stretch_trials"][:1]}, "too_few"),
        ({"trials": [{"radius": 45, "set_angle": 361, "measured_angle": 1}]}, "out_of_range"),
    ],
)
def test_trials_that_determine_nothing_are_refused(
    client: FlaskClient, body: dict[str, Any], code: str
) -> None:
    response = client.post(CALIBRATION, json=body)
    assert response.status_code == 422
    assert code in response.get_json()["errors"][0]["code"]


def test_trials_five_degrees_apart_are_enough(post: Post) -> None:
    assert post(CALIBRATION, {"trials": trials(90, 92, 95)})["result"]["springback"]


def test_a_refusal_points_at_the_group_it_means(client: FlaskClient) -> None:
    body = {"trials": [*trials(30, 60, 90), {**trials(50)[0], "group": "other"}]}
    problem = client.post(CALIBRATION, json=body).get_json()
    assert problem["errors"][0]["pointer"] == "/trials/3"
    assert "'other'" in problem["detail"]


def test_outlier_and_flat_law_are_found(post: Post) -> None:
    wild = copy.deepcopy(trials(20, 40, 60, 80, 100, 120))
    wild[3]["measured_angle"] -= 4
    assert "trial_outlying" in codes(post(CALIBRATION, {"trials": wild}))
    flat = [
        {"radius": 45, "set_angle": s, "measured_angle": s - 1 + e}
        for s, e in ((30, 0.1), (60, -0.1), (90, -0.1), (120, 0.1))
    ]
    assert "proportional_part_unproven" in codes(post(CALIBRATION, {"trials": flat}))
    assert codes(post(CALIBRATION, {"trials": trials(30, 60, 90)})) == set()


def test_inch_and_metric_agree(post: Post) -> None:
    metric = post(SPRINGBACK, {"tube": TUBE, "bends": BENDS})["result"]["bends"][0]
    tube = {"outside_diameter": 20 / 25.4, "wall_thickness": 2 / 25.4, "material": "e235-n"}
    bends = [{"angle": 90, "radius": 60 / 25.4}]
    inch = post(SPRINGBACK, {"units": "inch", "tube": tube, "bends": bends})["result"]["bends"][0]
    assert inch["set_angle"] == pytest.approx(metric["set_angle"], abs=1e-9)
    assert inch["die_radius"] * 25.4 == pytest.approx(metric["die_radius"], rel=1e-9)
