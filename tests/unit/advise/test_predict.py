"""Intervals against scipy's distributions and against what happens when one draws again."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from liveassist.advise.predict import (
    SPARE_DB,
    median_interval,
    near,
    prior,
    rate_interval,
    share_interval,
)


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


@pytest.mark.parametrize("room_db", [2.0, 4.0, 6.0, 9.0])
@pytest.mark.parametrize("scatter_db", [1.0, 2.0, 3.0])
def test_room_to_spare_narrows_and_the_next_take_is_still_inside(
    room_db: float, scatter_db: float
) -> None:
    """Levels of 25 hits about a mean ``room_db`` over the threshold: what the next 25 do."""
    rng = np.random.default_rng(8)
    inside, widths, plain = 0, [], []
    for _ in range(300):
        seen, later = rng.normal(room_db, scatter_db, (2, 25))
        lost = int(np.sum(seen < 0.0))
        weight = prior(int(np.sum(seen < SPARE_DB)) - lost)
        low, high = share_interval(25 - lost, 25, weight=weight)
        inside += low <= np.mean(later >= 0.0) <= high
        widths.append(high - low)
        wide = share_interval(25 - lost, 25)
        plain.append(wide[1] - wide[0])
    assert inside / 300 >= 0.9
    if room_db >= 3.0 + 3.0 * scatter_db:
        assert np.median(widths) < 0.5 * np.median(plain)


@pytest.mark.parametrize("rate", [0.3, 3.0])
@pytest.mark.parametrize("tail_db", [1.5, 3.0])
def test_openings_of_the_next_half_minute_lie_inside(rate: float, tail_db: float) -> None:
    """Bleed passes the threshold ``rate`` times a minute, e times as often ``tail_db`` lower."""
    rng = np.random.default_rng(9)
    inside = 0
    for _ in range(400):
        seen, later = rng.poisson(rate * 0.5, 2)
        more = rng.poisson(rate * 0.5 * np.expm1(SPARE_DB / tail_db))
        low, high = rate_interval(int(seen), 0.5, weight=prior(int(more)))
        inside += low <= later / 0.5 <= high
    assert inside / 400 >= 0.9


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
