"""Spread against scipy, closed forms and known scatter."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from liveassist.rolling.spread import (
    MIN_SPREAD_HITS,
    kept,
    local_trend,
    robust_sd,
    spread,
    winsorised_sd,
)

from .drumming import FloatArray, truth

LEVELS = arrays(
    np.float64,
    st.integers(10, 40),
    elements=st.floats(-40.0, 0.0, allow_nan=False).map(lambda v: round(v, 2)),
)


def test_winsorised_sd_is_scipys_before_scaling() -> None:
    # scipy.stats.mstats.winsorize is the independent implementation; the scale factor is the
    # closed form for a unit normal cut at its tenth and ninetieth percentile.
    x = np.random.default_rng(1).normal(size=30)
    cut = np.asarray(stats.mstats.winsorize(x, limits=0.1))
    z = stats.norm.ppf(0.9)
    factor = math.sqrt(0.8 - 2.0 * z * stats.norm.pdf(z) + 0.2 * z * z)
    assert winsorised_sd(x) == pytest.approx(cut.std(ddof=1) / factor, rel=1e-9)


def test_winsorised_sd_of_a_large_normal_sample_is_its_sd() -> None:
    x = 2.0 * stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    assert winsorised_sd(x) == pytest.approx(2.0, rel=2e-3)


def test_a_stray_is_left_out() -> None:
    # Reference table: for these seven the plain SD is 4.530, MAD scale 0.2965, median -18.1.
    x = np.array([-18.2, -17.9, -18.4, -18.0, -17.6, -18.1, -30.0])
    assert x.std(ddof=1) == pytest.approx(4.530, abs=1e-3)
    assert kept(x).tolist() == [True] * 6 + [False]
    assert robust_sd(x) == pytest.approx(x[:6].std(ddof=1))


@pytest.mark.parametrize("hits", [10, 20, 40])
def test_error_on_lumpy_levels_is_below_that_of_mad(hits: int) -> None:
    # Two favourite strokes 3 dB apart: a mixture with known SD. MAD falls into the bunches.
    rng = np.random.default_rng(hits)
    true = math.hypot(1.5, 0.3)
    ours, mads = [], []
    for _ in range(200):
        x = 3.0 * rng.integers(0, 2, hits) + 0.3 * rng.normal(size=hits)
        ours.append(math.log(max(robust_sd(x), 0.05) / true))
        mads.append(
            math.log(max(float(stats.median_abs_deviation(x, scale="normal")), 0.05) / true)
        )
    ours_rms, mad_rms = float(np.std(ours)), float(np.sqrt(np.mean(np.square(mads))))
    assert ours_rms < {10: 0.45, 20: 0.2, 40: 0.1}[hits]
    assert ours_rms < 0.6 * mad_rms


def test_too_few_hits_give_nothing() -> None:
    n = MIN_SPREAD_HITS - 1
    assert spread(np.arange(n), np.zeros(n)) is None


def test_a_straight_crescendo_is_dynamics_and_not_spread() -> None:
    found = spread(np.arange(40.0), np.linspace(-20.0, -10.0, 40))
    assert found is not None
    assert found.spread_db == pytest.approx(0.0, abs=1e-6)
    assert found.dynamics_db == pytest.approx(10.0, abs=0.05)


SHAPES: dict[str, tuple[Callable[[FloatArray], FloatArray], float]] = {
    "flat": (lambda i: np.zeros(i.size), 0.0),
    "crescendo": (lambda i: np.linspace(0.0, 10.0, i.size), 10.0),
    "louder chorus": (lambda i: np.where(i >= i.size // 2, 4.0, 0.0), 4.0),
    "swell": (lambda i: np.asarray(2.0 * np.sin(2.0 * np.pi * i / 40.0)), 4.0),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("hits", [20, 40, 64])
def test_spread_about_moving_levels_has_known_size_and_interval(shape: str, hits: int) -> None:
    """The interval holds the truth in 88 to 99.5 of 100 (95 meant), at three lengths and four
    shapes; the size is right to 8 per cent on average."""
    rng = np.random.default_rng(17 * hits)
    build, dynamics = SHAPES[shape]
    index = np.arange(float(hits))
    inside, sizes, ranges = 0, [], []
    draws = 150
    for draw in range(draws):
        # Normal, uniform and bunched scatter in turn, each of SD 1.5 dB.
        scatter = (
            rng.normal(size=hits) * 1.5,
            (rng.random(hits) - 0.5) * 1.5 * math.sqrt(12.0),
            rng.integers(0, 3, hits) * 1.5 / math.sqrt(2.0 / 3.0),
        )[draw % 3]
        found = spread(index, build(index) + scatter)
        assert found is not None
        inside += found.ci[0] <= 1.5 <= found.ci[1]
        sizes.append(math.log(max(found.spread_db, 0.1) / 1.5))
        ranges.append(found.dynamics_db)
    assert 0.88 <= inside / draws <= 0.995
    assert abs(float(np.mean(sizes))) < 0.08
    if hits >= 40:
        assert float(np.median(ranges)) == pytest.approx(dynamics, abs=1.2)


def test_interval_is_narrow_enough_to_decide() -> None:
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(60):
        found = spread(np.arange(40.0), 2.0 * rng.normal(size=40))
        assert found is not None
        ratios.append(found.ci[1] / found.ci[0])
    assert float(np.median(ratios)) < 1.75


@settings(max_examples=60, deadline=None)
@given(levels=LEVELS, shift=st.floats(-30.0, 30.0))
def test_shift_of_the_gain_changes_nothing(levels: np.ndarray, shift: float) -> None:
    times = np.arange(levels.size, dtype=float)
    before, after = spread(times, levels), spread(times, levels + shift)
    assert before is not None
    assert after is not None
    assert after.spread_db == pytest.approx(before.spread_db, abs=1e-6)
    assert after.dynamics_db == pytest.approx(before.dynamics_db, abs=1e-6)


def test_scale_scales_and_mirror_keeps() -> None:
    rng = np.random.default_rng(9)
    x = rng.normal(size=50)
    times = np.arange(50.0)
    one, three, mirrored = spread(times, x), spread(times, 3.0 * x), spread(times, -x)
    assert one is not None
    assert three is not None
    assert mirrored is not None
    assert three.spread_db == pytest.approx(3.0 * one.spread_db, rel=1e-6)
    assert mirrored.spread_db == pytest.approx(one.spread_db, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(levels=LEVELS, seed=st.integers(0, 1000))
def test_robust_sd_does_not_depend_on_order(levels: np.ndarray, seed: int) -> None:
    shuffled = np.random.default_rng(seed).permutation(levels)
    assert robust_sd(shuffled) == pytest.approx(robust_sd(levels), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(levels=LEVELS, far=st.floats(60.0, 400.0))
def test_one_stray_hit_moves_the_spread_by_a_bounded_amount(levels: np.ndarray, far: float) -> None:
    steady = 0.01 * levels + np.random.default_rng(0).normal(size=levels.size)
    stray = steady.copy()
    stray[levels.size // 2] -= far
    times = np.arange(levels.size, dtype=float)
    before, after = spread(times, steady), spread(times, stray)
    assert before is not None
    assert after is not None
    assert after.spread_db < 2.0 * before.spread_db + 0.5


def test_the_trend_does_not_reach_across_a_silence() -> None:
    times = np.concatenate([np.arange(20.0), 60.0 + np.arange(20.0)])
    levels = np.concatenate([np.full(20, -10.0), np.full(20, -4.0)])
    trend = local_trend(times, levels)
    assert trend.level_db == pytest.approx(levels, abs=1e-9)


def test_equal_levels_have_no_spread() -> None:
    found = spread(np.arange(30.0), np.full(30, -6.0))
    assert found is not None
    assert found.spread_db == pytest.approx(0.0, abs=1e-9)
    assert found.ci[0] == 0.0
    assert found.ci[1] < 0.2


@pytest.mark.realkit
@pytest.mark.parametrize(
    ("session", "drum"), [("a_groove", "kick"), ("a_hardbleed", "kick"), ("a_groove", "snare")]
)
def test_recorded_drums_spread_is_their_true_sd(session: str, drum: str) -> None:
    """Steady playing: the plain SD of the true levels is the truth (kick: 1.9 dB)."""
    times, levels, roles = truth(session).of(drum)
    main = np.array([role in ("main", "fill") for role in roles])
    found = spread(times[main], levels[main])
    assert found is not None
    true = float(levels[main].std(ddof=1))
    assert found.spread_db == pytest.approx(true, rel=0.12)
    assert found.ci[0] < true < found.ci[1]


@pytest.mark.realkit
def test_recorded_takes_fall_of_six_db_is_dynamics() -> None:
    times, levels, roles = truth("a_takes").of("snare")
    main = np.array([role == "main" for role in roles])
    steady = levels[main & (times < 16.0)].std(ddof=1)
    found = spread(times[main], levels[main])
    assert found is not None
    assert levels[main].std(ddof=1) > 2.4
    assert found.spread_db == pytest.approx(float(steady), abs=0.4)
    assert found.dynamics_db > 5.0
