"""The expander against published values, a slow implementation of its own, and its properties."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter

from liveassist.advise.expander import (
    Expander,
    ExpanderSettings,
    GainComputer,
    curve_db,
    run,
    smoothing,
    static_gain_db,
)

FS = 48000.0

# T -20, R 3.5, K 6, range 12: worked from the soft-knee equations of Giannoulis, Massberg & Reiss,
# JAES 60(6), 2012, mirrored for expansion.
TABLE = [
    (-60.0, -12.0),
    (-40.0, -12.0),
    (-30.0, -12.0),
    (-24.8, -12.0),
    (-24.0, -10.0),
    (-23.0, -7.5),
    (-22.0, -5.2083),
    (-21.0, -3.3333),
    (-20.0, -1.875),
    (-19.0, -0.8333),
    (-18.0, -0.2083),
    (-17.0, 0.0),
    (-10.0, 0.0),
    (0.0, 0.0),
]


@pytest.mark.parametrize(("level", "gain"), TABLE)
def test_static_curve_matches_the_worked_table(level: float, gain: float) -> None:
    s = ExpanderSettings(-20.0, ratio=3.5, knee_db=6.0, range_db=12.0)
    assert float(static_gain_db(level, s)) == pytest.approx(gain, abs=5e-5)


@pytest.mark.parametrize(("level", "gain"), TABLE)
def test_a_steady_tone_settles_on_the_curve(level: float, gain: float) -> None:
    s = ExpanderSettings(
        -20.0, ratio=3.5, knee_db=6.0, range_db=12.0, hysteresis_db=0.0, attack_ms=1.0
    )
    tone = 10.0 ** (level / 20.0) * np.sin(2 * np.pi * 1000.0 * np.arange(4800) / FS)
    # 48 samples a period: a sample falls on the crest.
    assert run(tone, s, FS)[1][-1] == pytest.approx(gain, abs=1e-3)


@pytest.mark.parametrize(("ms", "alpha"), [(1.0, 0.9793822), (5.0, 0.9958420), (100.0, 0.9997917)])
def test_one_pole_coefficients(ms: float, alpha: float) -> None:
    # exp(-1 / (tau fs)) at 48 kHz: closed form.
    assert smoothing(ms, FS) == pytest.approx(alpha, abs=5e-8)


def test_time_constants_cover_63_per_cent() -> None:
    s = ExpanderSettings(-20.0, hysteresis_db=0.0, attack_ms=5.0, hold_ms=10.0, release_ms=100.0)
    level = np.concatenate((np.zeros(100), np.ones(48000), np.zeros(48000)))
    gain = GainComputer(s, FS).feed(level)
    opening = (gain[100 + 239] + 12.0) / 12.0
    assert opening == pytest.approx(1 - math.exp(-1), abs=1e-3)
    start = 48100 + 480  # hold over
    assert gain[start - 1] == pytest.approx(0.0, abs=1e-9)
    # Release smoothed by the attack pole: 1 - (tr e^(-t/tr) - ta e^(-t/ta)) / (tr - ta).
    at = 4800
    expected = (100.0 * math.exp(-1.0) - 5.0 * math.exp(-20.0)) / 95.0
    assert (gain[start + at] + 12.0) / 12.0 == pytest.approx(expected, abs=2e-3)


def _slow(audio: np.ndarray, s: ExpanderSettings, fs: float) -> np.ndarray:
    """The same expander, one sample at a time, by other means."""
    key = audio.astype(float)
    for corner, kind in ((s.key_highpass_hz, "high"), (s.key_lowpass_hz, "low")):
        if corner is not None:
            b, a = butter(2, corner, kind, fs=fs)
            key = lfilter(b, a, key)
    hold = round(s.hold_ms * fs / 1000)
    late = round(s.lookahead_ms * fs / 1000)
    release = math.exp(-1000 / (s.release_ms * fs)) if s.release_ms else 0.0
    attack = math.exp(-1000 / (s.attack_ms * fs)) if s.attack_ms else 0.0
    is_open, r, y, out = False, 0.0, 0.0, []
    for n in range(len(key)):
        level = max(abs(v) for v in key[max(0, n - hold) : n + 1])
        db = 20 * math.log10(level) if level > 1e-10 else -200.0
        if db >= s.threshold_dbfs:
            is_open = True
        elif db < s.threshold_dbfs - s.hysteresis_db:
            is_open = False
        d = db - s.threshold_dbfs + (s.hysteresis_db if is_open else 0.0)
        if d >= s.knee_db / 2:
            g = 0.0
        elif d > -s.knee_db / 2:
            g = (1 - s.ratio) * (d - s.knee_db / 2) ** 2 / (2 * s.knee_db)
        else:
            g = (s.ratio - 1) * d
        u = max(g, -s.range_db) + s.range_db
        r = max(u, release * r)
        y = attack * y + (1 - attack) * r
        delayed = audio[n - late] if n >= late else 0.0
        out.append(delayed * 10 ** ((y - s.range_db) / 20))
    return np.array(out)


FULL = ExpanderSettings(
    -22.0,
    ratio=4.0,
    knee_db=4.0,
    range_db=15.0,
    hysteresis_db=3.0,
    attack_ms=0.4,
    hold_ms=6.0,
    release_ms=20.0,
    lookahead_ms=2.0,
    key_highpass_hz=150.0,
    key_lowpass_hz=3000.0,
)


def _drumlike(samples: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = 0.003 * rng.standard_normal(samples)
    for at in range(300, samples, 1700):
        t = np.arange(samples - at) / FS
        size = 10 ** (rng.uniform(-30.0, 0.0) / 20)
        out[at:] += size * np.exp(-t / 0.02) * np.sin(2 * np.pi * 210.0 * t)
    return out


@pytest.mark.parametrize(
    "s", [FULL, ExpanderSettings(-30.0), ExpanderSettings(-20.0, 2.0, 0.0, 8.0, 0.0, 0.0, 0.0, 0.0)]
)
def test_agrees_with_a_slow_implementation(s: ExpanderSettings) -> None:
    audio = _drumlike(9000)
    fast = Expander(s, FS).feed(audio)[0]
    assert np.max(np.abs(fast - _slow(audio, s, FS))) < 1e-9


@pytest.mark.parametrize("size", [1, 63, 512])
def test_any_block_size_same_answer(size: int) -> None:
    audio = _drumlike(6000)
    whole = Expander(FULL, FS).feed(audio)[0]
    one = Expander(FULL, FS)
    parts = [one.feed(audio[i : i + size])[0] for i in range(0, audio.size, size)]
    assert np.max(np.abs(np.concatenate(parts) - whole)) < 1e-12


def test_run_is_aligned_with_its_input() -> None:
    audio = _drumlike(6000)
    out, gain = run(audio, FULL, FS)
    assert np.allclose(out, audio * 10 ** (gain / 20), atol=1e-12)


@given(
    levels=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=200),
    threshold=st.floats(-60.0, 0.0),
    ratio=st.floats(1.0, 20.0),
    knee=st.floats(0.0, 12.0),
    span=st.floats(0.0, 40.0),
)
@settings(max_examples=60, deadline=None)
def test_gain_lies_between_minus_range_and_zero(
    levels: list[float], threshold: float, ratio: float, knee: float, span: float
) -> None:
    s = ExpanderSettings(threshold, ratio, knee, span, hold_ms=0.1, release_ms=0.5)
    gain = GainComputer(s, FS).feed(np.array(levels))
    assert np.all(gain <= 0.0)
    assert np.all(gain >= -span)


@given(
    a=st.floats(-80.0, 20.0),
    b=st.floats(-80.0, 20.0),
    ratio=st.floats(1.0, 20.0),
    knee=st.floats(0.0, 12.0),
)
@settings(max_examples=100, deadline=None)
def test_curve_rises_with_level(a: float, b: float, ratio: float, knee: float) -> None:
    low, high = sorted((a, b))
    assert float(curve_db(low, ratio, knee)) <= float(curve_db(high, ratio, knee)) + 1e-9


@given(ratio=st.floats(1.0, 20.0), knee=st.floats(0.1, 12.0), sign=st.sampled_from((-1.0, 1.0)))
@settings(max_examples=60, deadline=None)
def test_curve_and_slope_are_continuous_at_the_knee(ratio: float, knee: float, sign: float) -> None:
    edge, step = sign * knee / 2.0, 1e-5
    left, middle, right = curve_db([edge - step, edge, edge + step], ratio, knee)
    assert abs(right - left) <= 2.1 * step * ratio
    # The slopes either side differ by the knee's curvature times the step, no more.
    assert abs((right - middle) - (middle - left)) / step <= 2.0 * (ratio - 1) * step / knee + 1e-5


def test_louder_never_means_more_gain_reduction() -> None:
    audio = np.abs(_drumlike(6000))
    s = ExpanderSettings(-20.0, hysteresis_db=0.0)
    soft, loud = GainComputer(s, FS).feed(audio), GainComputer(s, FS).feed(audio * 1.5)
    assert np.all(loud >= soft - 1e-9)


@pytest.mark.parametrize(
    "wrong", [{"ratio": 0.5}, {"knee_db": -1.0}, {"range_db": -3.0}, {"hold_ms": -1.0}]
)
def test_impossible_settings_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"ratio|negative"):
        ExpanderSettings(-20.0, **wrong)


def test_at_least_thirty_times_real_time() -> None:
    audio = _drumlike(int(10 * FS))
    spent = []
    for _ in range(3):
        start = time.process_time()
        run(audio, FULL, FS)
        spent.append(time.process_time() - start)
    assert 10.0 / min(spent) > 30.0
