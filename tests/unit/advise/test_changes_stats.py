"""Robust statistics against scipy, published tables and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from liveassist.advise.changes_stats import (
    difference,
    huber_centre,
    qn_scale,
    robust_sd,
    sureness,
    widened,
)


def test_qn_is_consistent_for_gaussians() -> None:
    """Rousseeuw and Croux 1993: unbiased after its finite-sample factor."""
    rng = np.random.default_rng(0)
    for count in (12, 25, 60):
        mean = np.mean([qn_scale(rng.normal(0, 2.0, count)) for _ in range(400)])
        assert mean == pytest.approx(2.0, rel=0.04)


def test_one_outlier_does_not_fool_the_scale() -> None:
    """Six backbeats and a miss: MAD scale 0.30, plain SD 4.53 (worked example)."""
    values = np.array([-18.2, -17.9, -18.4, -18.0, -17.6, -18.1, -30.0])
    assert values.std(ddof=1) == pytest.approx(4.530, abs=0.001)
    assert 0.15 < robust_sd(values) < 0.5


def test_lumpy_data_keep_their_spread() -> None:
    """Two lumps 4 dB apart: the scale is near the true SD of 2."""
    values = np.tile([-10.0, -6.0], 10)
    assert robust_sd(values) == pytest.approx(2.05, abs=0.1)


def test_difference_keeps_its_level() -> None:
    """Unchanged groups of 12: |z| > 3 about as often as a Gaussian says (0.27 %)."""
    rng = np.random.default_rng(1)
    far = [
        abs(difference(rng.normal(0, 1.5, 12), rng.normal(0, 1.5, 12)).z) > 3.0 for _ in range(2000)
    ]
    assert np.mean(far) < 0.006


def test_agrees_with_welch_on_clean_data() -> None:
    rng = np.random.default_rng(2)
    first, second = rng.normal(0, 1, 40), rng.normal(1, 1, 40)
    found = difference(first, second)
    welch = stats.ttest_ind(second, first)
    assert found.amount / found.se == pytest.approx(float(welch.statistic), rel=0.2)


def test_a_clear_trend_is_no_noise() -> None:
    rng = np.random.default_rng(3)
    times = np.linspace(0, 13, 14)
    steady, falling = rng.normal(0, 1, 14), rng.normal(0, 1, 14) - 6.0 * times / 13
    plain = difference(steady, falling)
    apart = difference(steady, falling, first_times=times, second_times=times)
    assert apart.amount == plain.amount
    assert apart.se < 0.8 * plain.se


def test_widening_is_student() -> None:
    """t at 20 degrees for the two-sided 0.27 % level is 3.42."""
    assert widened(1.0, 20.0) * 3.0 == pytest.approx(float(stats.t.ppf(0.99865, 20)), rel=1e-3)
    assert math.isinf(widened(1.0, 0.0))


def test_sureness_counts_tests() -> None:
    assert sureness(2.0, 1) == pytest.approx(1.0 - 0.0455, abs=1e-3)
    assert sureness(2.0, 100) == 0.5
    assert sureness(9.0, 100) == 0.999


@given(st.lists(st.floats(-60, 0), min_size=2, max_size=30), st.floats(-20, 20))
def test_shift_goes_through(values: list[float], shift: float) -> None:
    array = np.array(values)
    assert huber_centre(array + shift) == pytest.approx(huber_centre(array) + shift, abs=1e-3)
    assert array.min() - 1e-9 <= huber_centre(array) <= array.max() + 1e-9
    assert difference(array, array + shift).amount == pytest.approx(shift, abs=2e-3)
