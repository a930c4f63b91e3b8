"""Expanders written apart from the package, one sample at a time, to judge suggestions by.

Each is a plausible reading of the same numbers (threshold, hysteresis, range, ratio, knee, attack,
hold, release, look-ahead, key filter), so that a suggestion which holds on all of them does not
hang on details of ours. Only numpy, and scipy for the key filter.

- ``gate``: instantaneous level, open/closed state with a hold counter, open means 0 dB; gain
  smoothed in dB.
- ``follower``: peak follower with a 10 ms decay, curve shifted by the hysteresis while open; gain
  smoothed as a factor.
- ``detector``: level smoothed by attack and release, curve applied without further smoothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

from liveassist.model import Suggestion

FloatArray = npt.NDArray[np.float64]


def _curve(d: float, s: Suggestion) -> float:
    half = s.knee_db / 2.0
    if d >= half:
        return 0.0
    if d > -half:
        return max((1.0 - s.ratio) * (d - half) ** 2 / (2.0 * s.knee_db), -s.range_db)
    return max((s.ratio - 1.0) * d, -s.range_db)


def _key(audio: FloatArray, s: Suggestion, fs: float, order: int) -> FloatArray:
    key = audio
    if s.key_highpass_hz:
        key = sosfilt(butter(order, s.key_highpass_hz, "high", fs=fs, output="sos"), key)
    if s.key_lowpass_hz:
        key = sosfilt(butter(order, s.key_lowpass_hz, "low", fs=fs, output="sos"), key)
    return np.abs(key)


def _pole(ms: float, fs: float) -> float:
    return math.exp(-1000.0 / (ms * fs)) if ms > 0 else 0.0


def _level(value: float) -> float:
    return 20.0 * math.log10(value) if value > 1e-9 else -180.0


def gate(key: FloatArray, s: Suggestion, fs: float) -> FloatArray:
    up, down = _pole(s.attack_ms, fs), _pole(s.release_ms, fs)
    hold = round(s.hold_ms * fs / 1000)
    is_open, left, g = False, 0, -s.range_db
    opens, closes = 10 ** (s.threshold_dbfs / 20), 10 ** ((s.threshold_dbfs - s.hysteresis_db) / 20)
    least = 10 ** ((s.threshold_dbfs - s.range_db / (s.ratio - 1) - s.knee_db) / 20)
    out = np.empty(key.size)
    for n, x in enumerate(key.tolist()):
        if x >= opens or (is_open and x >= closes):
            is_open, left = True, hold
        elif is_open:
            left -= 1
            is_open = left > 0
        if is_open:
            target = 0.0
        elif x < least:
            target = -s.range_db
        else:
            target = _curve(_level(x) - s.threshold_dbfs, s)
        a = up if target > g else down
        g = a * g + (1 - a) * target
        out[n] = g
    return out


def follower(key: FloatArray, s: Suggestion, fs: float) -> FloatArray:
    up, down, decay = _pole(s.attack_ms, fs), _pole(s.release_ms, fs), _pole(10.0, fs)
    hold = round(s.hold_ms * fs / 1000)
    floor = 10 ** (-s.range_db / 20)
    least = 10 ** (
        (s.threshold_dbfs - s.hysteresis_db - s.range_db / (s.ratio - 1) - s.knee_db) / 20
    )
    is_open, left, g, env = False, 0, floor, 0.0
    out = np.empty(key.size)
    for n, x in enumerate(key.tolist()):
        env = max(x, decay * env)
        if env < least:
            is_open, target = False, floor
        else:
            level = _level(env)
            if level >= s.threshold_dbfs:
                is_open = True
            elif level < s.threshold_dbfs - s.hysteresis_db:
                is_open = False
            shift = s.hysteresis_db if is_open else 0.0
            target = 10 ** (_curve(level - s.threshold_dbfs + shift, s) / 20)
        if target >= g:
            left = hold
            g = up * g + (1 - up) * target
        elif left > 0:
            left -= 1
        else:
            g = down * g + (1 - down) * target
        out[n] = 20 * math.log10(g)
    return out


def detector(key: FloatArray, s: Suggestion, fs: float) -> FloatArray:
    up, down = _pole(s.attack_ms, fs), _pole(s.release_ms, fs)
    hold = round(s.hold_ms * fs / 1000)
    env, left, is_open = 0.0, 0, False
    least = 10 ** (
        (s.threshold_dbfs - s.hysteresis_db - s.range_db / (s.ratio - 1) - s.knee_db) / 20
    )
    out = np.empty(key.size)
    for n, x in enumerate(key.tolist()):
        if x >= env:
            env, left = up * env + (1 - up) * x, hold
        elif left > 0:
            left -= 1
        else:
            env = down * env + (1 - down) * x
        if env < least:
            is_open = False
            out[n] = -s.range_db
            continue
        level = _level(env)
        if level >= s.threshold_dbfs:
            is_open = True
        elif level < s.threshold_dbfs - s.hysteresis_db:
            is_open = False
        out[n] = _curve(level - s.threshold_dbfs + (s.hysteresis_db if is_open else 0.0), s)
    return out


VARIANTS: dict[str, Callable[[FloatArray, Suggestion, float], FloatArray]] = {
    "gate": gate,
    "follower": follower,
    "detector": detector,
}


def gain_db(
    audio: FloatArray, s: Suggestion, fs: float, variant: str = "gate", order: int = 2
) -> FloatArray:
    """Gain at every sample of ``audio`` (1-D), look-ahead taken into account."""
    late = round(s.lookahead_ms * fs / 1000)
    padded = np.concatenate((np.asarray(audio, dtype=np.float64), np.zeros(late)))
    return VARIANTS[variant](_key(padded, s, fs, order), s, fs)[late:]


def judge(
    audio: FloatArray,
    gain: FloatArray,
    fs: float,
    range_db: float,
    main: FloatArray,
    own: FloatArray,
    foreign: FloatArray,
) -> dict[str, float]:
    """What happened, by the definitions of the project; hit times in samples, sorted."""
    passed = []
    for at in main.astype(int):
        span = np.abs(audio[at : at + int(0.04 * fs)])
        if span.size == 0:
            continue
        head = slice(at, at + int(0.005 * fs))
        passed.append(gain[at + int(span.argmax())] > -0.5 and gain[head].min() > -1.0)
    cut = []
    for at in foreign.astype(int):
        gaps = own - at
        if np.any(np.abs(gaps) <= 0.02 * fs):
            continue
        following = gaps[gaps > 0]
        end = at + int(min(0.04 * fs, (following.min() if following.size else fs) - 0.004 * fs))
        span = np.abs(audio[at : max(end, at + 1)])
        if span.size:
            cut.append(-gain[at + int(span.argmax())])
    is_open = gain > -range_db / 2
    rises = np.flatnonzero(is_open[1:] & ~is_open[:-1]) + 1
    false = sum(1 for r in rises if not own.size or np.abs(own - r).min() > 0.02 * fs)
    return {
        "main": len(passed),
        "passed": float(np.mean(passed)) if passed else math.nan,
        "cut": float(np.median(cut)) if cut else math.nan,
        "openings": false / (audio.size / fs / 60),
        "foreign": len(cut),
        "false": false,
    }
