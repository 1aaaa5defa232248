"""Springback of runs: inverse, limits, bands; and the calibration recovers what made the trials."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.calc.mark_layout import Springback as Law
from service.calc.springback import Asked, run_springback
from service.calc.springback_calibration import Trial, calibrate, fit_springback, quantile
from service.errors import NotDeterminedError
from service.model import Hardening, Material, Tube
from service.reference import materials, student_t

STEEL = materials()["e235-n"]
TUBE = Tube(20.0, 2.0, STEEL)
SWIFT = Hardening("swift", strength_coefficient=600.0, exponent=0.2, prestrain=0.01)
angles = st.floats(0.05, math.pi)
radii = st.floats(25.0, 400.0)
laws = st.sampled_from([None, SWIFT, Hardening("bilinear", tangent_modulus=1000.0)])


@given(angles, radii, laws)
def test_cranking_to_the_answer_leaves_the_bend_asked_for(
    angle: float, radius: float, law: Hardening | None
) -> None:
    there = run_springback([Asked(1, angle, radius)], TUBE, hardening=law).bends[0]
    back = run_springback(
        [Asked(1, there.set_angle, there.die_radius)], TUBE, given="set", hardening=law
    ).bends[0]
    assert back.finished_angle == pytest.approx(angle, rel=1e-9)
    assert back.finished_radius == pytest.approx(radius, rel=1e-9)
    assert there.set_angle > angle
    assert there.die_radius < radius


@given(angles, radii, st.floats(0, 0.05), st.floats(0, 0.2))
def test_a_calibrated_bend_follows_its_law(angle: float, radius: float, a: float, b: float) -> None:
    law = Law(a, b)
    bend = run_springback([Asked(1, angle, radius)], Tube(20.0, 2.0), laws=[law]).bends[0]
    assert bend.set_angle - (a + b * bend.set_angle) == pytest.approx(angle, abs=1e-12)
    assert bend.origin == "calibrated"


@given(angles, radii, st.floats(0.01, 0.5))
def test_the_band_holds_the_answer_and_grows_with_the_scatter(
    angle: float, radius: float, scatter: float
) -> None:
    one = run_springback([Asked(1, angle, radius)], TUBE, hardening=SWIFT, scatter=scatter)
    two = run_springback([Asked(1, angle, radius)], TUBE, hardening=SWIFT, scatter=scatter * 1.5)
    narrow, wide = one.bends[0].band, two.bends[0].band
    assert narrow is not None
    assert wide is not None
    assert narrow.least <= one.bends[0].set_angle <= narrow.most
    assert wide.most - wide.least >= narrow.most - narrow.least


@given(angles, radii, st.floats(1.01, 3))
def test_a_stronger_tube_springs_back_more(angle: float, radius: float, k: float) -> None:
    weak = run_springback([Asked(1, angle, radius)], TUBE, yield_strength=200.0).bends[0]
    strong = run_springback([Asked(1, angle, radius)], TUBE, yield_strength=200.0 * k).bends[0]
    assert strong.springback > weak.springback


@given(angles, radii, st.floats(0.2, 5))
def test_springback_does_not_change_with_the_scale(angle: float, radius: float, k: float) -> None:
    big = Tube(20.0 * k, 2.0 * k, STEEL)
    one = run_springback([Asked(1, angle, radius)], TUBE, hardening=SWIFT).bends[0]
    other = run_springback([Asked(1, angle, radius * k)], big, hardening=SWIFT).bends[0]
    assert other.set_angle == pytest.approx(one.set_angle, rel=1e-9)
    assert other.die_radius == pytest.approx(one.die_radius * k, rel=1e-9)


def test_a_soft_tube_hardly_springs_back() -> None:
    soft = Material("soft", "soft", 210_000.0, 7.85e-6, yield_strength=0.01)
    bend = run_springback([Asked(1, 1.5, 60.0)], Tube(20.0, 2.0, soft)).bends[0]
    assert bend.springback < 1e-4


# --- calibration --------------------------------------------------------------------------------


def made_trials(a: float, b: float, angles_: list[float], noise: list[float]) -> list[Trial]:
    return [
        Trial(i, "x", 45.0, s, s - (a + b * s) + e)
        for i, (s, e) in enumerate(zip(angles_, noise, strict=True))
    ]


@given(st.floats(-0.01, 0.05), st.floats(0, 0.2), st.lists(st.floats(0.1, 3), min_size=3))
def test_trials_without_noise_give_back_their_law(a: float, b: float, set_: list[float]) -> None:
    trials = made_trials(a, b, set_, [0.0] * len(set_))
    if max(set_) - min(set_) < math.radians(5):
        with pytest.raises(NotDeterminedError):
            fit_springback(trials, student_t())
        return
    law = fit_springback(trials, student_t()).law
    assert law.constant == pytest.approx(a, abs=1e-9)
    assert law.proportional == pytest.approx(b, abs=1e-9)


@pytest.mark.parametrize("count", [4, 6, 12])
def test_intervals_hold_the_true_law_in_95_of_100_draws(count: int) -> None:
    """The stated 95 % interval covers the truth in 95 ± 2 % of 2,000 seeded draws."""
    source = np.random.default_rng(20260)
    a, b, sigma = math.radians(0.8), 0.015, math.radians(0.3)
    covered = np.zeros(3)
    for _ in range(2000):
        angles_ = np.linspace(0.4, 2.4, count).tolist()
        noise = source.normal(0.0, sigma, count).tolist()
        fit = fit_springback(made_trials(a, b, angles_, noise), student_t())
        one, two = fit.constant_interval, fit.proportional_interval
        middle = sum(angles_) / count
        more = a + b * middle + source.normal(0.0, sigma)
        expected = fit.law.constant + fit.law.proportional * middle
        covered += (
            one.least <= a <= one.most,
            two.least <= b <= two.most,
            abs(more - expected) <= (fit.law.band or 0),
        )
    assert (abs(covered / 2000 - 0.95) <= 0.02).all(), covered


def test_fit_equals_scipy() -> None:
    """Source: scipy.stats.linregress (PyPI scipy), a general-purpose reference library."""
    source = np.random.default_rng(11)
    set_ = source.uniform(0.3, 2.6, 15)
    trials = made_trials(0.02, 0.03, set_.tolist(), source.normal(0, 0.004, 15).tolist())
    fit = fit_springback(trials, student_t())
    line = stats.linregress(set_, [t.set_angle - t.measured_angle for t in trials])
    assert fit.law.proportional == pytest.approx(line.slope, rel=1e-9)
    assert fit.law.constant == pytest.approx(line.intercept, rel=1e-9)
    assert fit.proportional_error == pytest.approx(line.stderr, rel=1e-9)
    assert fit.constant_error == pytest.approx(line.intercept_stderr, rel=1e-9)


@pytest.mark.parametrize("freedom", [*range(1, 130), 150, 300, 700, 1998, 10**7])
def test_student_t_equals_scipy(freedom: int) -> None:
    """Source: scipy.stats.t (PyPI scipy); the table's rows agree with NIST to three decimals."""
    expected = stats.t.ppf(0.975, min(freedom, 10**6))
    assert quantile(student_t(), freedom) == pytest.approx(expected, rel=2e-5)


def test_a_misread_trial_is_named_and_the_rest_are_not() -> None:
    source = np.random.default_rng(5)
    set_ = np.linspace(0.4, 2.4, 10)
    noise = source.normal(0, 0.002, 10)
    noise[6] += 0.05
    fit = fit_springback(made_trials(0.01, 0.02, set_.tolist(), noise.tolist()), student_t())
    assert fit.outliers == (6,)
    clean = fit_springback(made_trials(0.01, 0.02, set_.tolist(), [0.0] * 10), student_t())
    assert clean.outliers == ()


def test_groups_and_dies_are_fitted_by_themselves() -> None:
    set_ = [0.5, 1.0, 1.5]
    trials = [
        Trial(i, group, radius, s, s * (1 - b))
        for i, (group, radius, b, s) in enumerate(
            (g, r, b, s)
            for g, r, b in (("x", 45.0, 0.01), ("x", 60.0, 0.02), ("y", 45.0, 0.03))
            for s in set_
        )
    ]
    fits = calibrate(trials, (), student_t()).springback
    assert [f.law.proportional for f in fits] == pytest.approx([0.01, 0.02, 0.03])
    assert [(f.group, f.law.radius) for f in fits] == [("x", 45.0), ("x", 60.0), ("y", 45.0)]
