"""Trend against scipy's Theil-Sen, its interval by counting, and alternation by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from liveassist.rolling.trend import MAX_POINTS, limb_imbalance, slope


def test_slope_and_interval_are_scipys() -> None:
    # scipy.stats.theilslopes is the independent implementation (Sen 1968).
    rng = np.random.default_rng(2)
    times = np.sort(rng.random(60)) * 90.0
    levels = rng.normal(size=60) - 0.02 * times
    found = slope(times, levels)
    known = stats.theilslopes(levels, times, 0.95)
    assert found is not None
    assert found.db_per_min == pytest.approx(60.0 * known.slope, rel=1e-9)
    residual = levels - known.slope * times
    residual = residual - np.median(residual)
    # This draw has no positive serial correlation, so the interval is not widened.
    assert residual[:-1] @ residual[1:] / (residual @ residual) < 1.0 / np.sqrt(60)
    assert found.ci == pytest.approx((60 * known.low_slope, 60 * known.high_slope), rel=0.02)


def test_none_below_24_hits_and_without_time() -> None:
    assert slope(np.arange(23.0), np.zeros(23)) is None
    assert slope(np.zeros(30), np.zeros(30)) is None


@pytest.mark.parametrize("hits", [24, 40, 64])
@pytest.mark.parametrize("phrases", [False, True])
def test_interval_holds_the_true_slope(hits: int, phrases: bool) -> None:
    """95 per cent meant; at least 91 for independent scatter, 80 for scatter that keeps half of
    what the hit before had (levels that move in phrases; 86 to 90 measured over 500 draws)."""
    rng = np.random.default_rng(hits)
    times = 1.02 * np.arange(hits)
    inside = 0
    for _ in range(200):
        scatter = rng.normal(size=hits)
        if phrases:
            for i in range(1, hits):
                scatter[i] += 0.5 * scatter[i - 1]
        found = slope(times, scatter - 2.0 * times / 60.0)
        assert found is not None
        inside += found.ci[0] <= -2.0 <= found.ci[1]
    assert inside / 200 >= (0.80 if phrases else 0.91)


def test_a_long_session_costs_no_more_and_says_the_same() -> None:
    rng = np.random.default_rng(3)
    times = np.arange(10.0 * MAX_POINTS)
    levels = rng.normal(size=times.size) - 0.5 * times / 60.0
    found = slope(times, levels)
    assert found is not None
    assert found.db_per_min == pytest.approx(-0.5, abs=0.05)
    assert found.ci[0] < -0.5 < found.ci[1]


def test_alternation_without_scatter_is_exact() -> None:
    times = np.arange(20) * 0.1 + 0.004 * (np.arange(20) % 2)
    levels = -10.0 - 3.0 * (np.arange(20) % 2) + 0.2 * np.arange(20)
    found = limb_imbalance(times, levels)
    assert found is not None
    assert found.level_db == pytest.approx(3.0)
    assert found.timing_ms == pytest.approx(4.0)
    assert (found.strokes, found.runs) == (20, 1)


@pytest.mark.parametrize("difference", [0.0, 1.0, 2.0, 4.0])
def test_imbalance_of_two_runs_in_scatter(difference: float) -> None:
    rng = np.random.default_rng(8)
    index = np.arange(32)
    times = np.concatenate([np.arange(16) * 0.1, 5.0 + np.arange(16) * 0.1])
    found = []
    for _ in range(100):
        levels = difference * (index % 2) + 1.2 * rng.normal(size=32)
        result = limb_imbalance(times + 0.003 * rng.normal(size=32), levels)
        assert result is not None
        found.append(result.level_db)
    assert float(np.median(found)) == pytest.approx(difference, abs=0.3)


def test_backbeats_and_short_runs_have_no_limbs() -> None:
    assert limb_imbalance(np.arange(64.0), np.zeros(64)) is None
    assert limb_imbalance(np.arange(5) * 0.1, np.zeros(5)) is None
    assert limb_imbalance(np.zeros(0), np.zeros(0)) is None


def test_two_strokes_at_one_time_end_a_run() -> None:
    """Two reports of one stroke divide nothing by nothing."""
    times = np.concatenate([0.1 * np.arange(8), 0.7 + 0.1 * np.arange(8)])
    found = limb_imbalance(times, np.tile([-10.0, -12.0], 8))
    assert found is not None
    assert found.runs == 2
