"""Intervals against scipy's distributions and against what happens when one draws again."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from liveassist.advise.predict import median_interval, near, rate_interval, share_interval


@pytest.mark.parametrize(("passed", "hits"), [(20, 20), (19, 20), (15, 20), (95, 100), (0, 10)])
def test_share_interval_is_beta_binomial(passed: int, hits: int) -> None:
    n = min(hits, 50)
    law = stats.betabinom(n, passed + 0.5, hits - passed + 0.5)
    low, high = share_interval(passed, hits)
    assert (low, high) == (law.ppf(0.025) / n, law.ppf(0.975) / n)


@pytest.mark.parametrize(("count", "minutes"), [(0, 0.5), (3, 1.0), (12, 4.0)])
def test_rate_interval_is_negative_binomial(count: int, minutes: float) -> None:
    ahead = min(minutes, 1.0)
    law = stats.nbinom(count + 0.5, minutes / (minutes + ahead))
    low, high = rate_interval(count, minutes)
    assert low == pytest.approx(law.ppf(0.025) / ahead)
    assert high == pytest.approx(law.ppf(0.975) / ahead, abs=1.0 / ahead)


def test_no_hits_no_interval() -> None:
    with pytest.raises(ValueError, match="at least one hit"):
        share_interval(0, 0)


@pytest.mark.parametrize("rate", [0.5, 0.9, 0.97])
def test_share_interval_contains_the_next_take(rate: float) -> None:
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(600):
        low, high = share_interval(int(rng.binomial(30, rate)), 30)
        inside += low <= rng.binomial(30, rate) / 30 <= high
    # Discrete, so above nominal: never below 95 % by more than chance.
    assert inside / 600 > 0.93


def test_median_interval_contains_the_next_take() -> None:
    rng = np.random.default_rng(5)
    inside, widths = 0, []
    for _ in range(200):
        cuts = np.clip(rng.normal(9.0, 2.5, (2, 40)), 0.0, 12.0)
        low, high = median_interval(cuts[0], 0.0, 12.0)
        inside += low <= np.median(cuts[1]) <= high
        widths.append(high - low)
    assert 0.9 < inside / 200 <= 1.0
    assert np.median(widths) < 5.0


def test_median_interval_is_repeatable() -> None:
    values = np.random.default_rng(6).normal(8.0, 1.0, 30)
    assert median_interval(values, 0.0, 12.0) == median_interval(values, 0.0, 12.0)


def test_near_finds_marks_either_side() -> None:
    at, marks = np.array([0, 5, 9, 14, 40]), np.array([3, 10, 30])
    expected = [min(abs(a - m) for m in marks) <= 2 for a in at]
    assert near(at, marks, 2).tolist() == expected
    assert not near(at, np.zeros(0, dtype=np.int64), 2).any()
