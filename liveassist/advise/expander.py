"""A downward expander: what a suggestion promises is measured by running this.

Static curve, with ``x`` the detector level in dBFS, ``T`` the threshold, ``R`` the ratio (output dB
per input dB below ``T``), ``K`` the knee and ``d = x - T``::

    d >= K/2      gain = 0
    |d| < K/2     gain = (1 - R) (d - K/2)^2 / (2 K)
    d <= -K/2     gain = (R - 1) d
    gain = max(gain, -range)

mirrored from Giannoulis, Massberg & Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6),
399-408, 2012. Around it, in this order:

1. *Key filter*, second-order Butterworth high- and low-pass (12 dB an octave), on the detector.
2. *Peak detector with hold*: the largest absolute key sample of the last ``hold_ms``.
3. *Hysteresis*: the expander opens when that level reaches ``T`` and closes when it falls below
   ``T - hysteresis``; while open the curve stands at ``T - hysteresis``.
4. *Ballistics* on ``u = gain + range`` (0 = fully down), the paper's decoupled detector:
   ``r = max(u, a_R r)``, then ``y = a_A y + (1 - a_A) r``, with ``a = exp(-1 / (tau fs))``.
5. *Look-ahead*: the audio is delayed by ``lookahead_ms`` against the gain.

Departures from the paper: expansion instead of compression, so *attack* is opening (gain rising);
hold and hysteresis are added; the release branch falls towards the full range and stops at the
curve (the paper's smooth form falls towards the curve), which lets it run vectorised; and because
attack smooths after release, closing lags by about one attack time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray, Suggestion
from liveassist.units import SILENCE_DBFS, amplitudes_to_dbfs, dbfs_to_amplitude

BoolArray = npt.NDArray[np.bool_]

#: Order of each key filter: two poles, 12 dB an octave, the slope most sidechain filters have
#: (common practice, no source).
KEY_FILTER_ORDER = 2


@dataclass(frozen=True, slots=True)
class ExpanderSettings:
    """Everything an expander needs. Levels in dBFS peak, times are time constants (63 %).

    ``range_db`` is positive. ``knee_db`` and ``hysteresis_db`` may be 0. Raises ValueError for a
    ratio below 1 or a negative time, knee, hysteresis or range.
    """

    threshold_dbfs: float
    ratio: float = 3.5
    knee_db: float = 3.0
    range_db: float = 12.0
    hysteresis_db: float = 3.0
    attack_ms: float = 0.5
    hold_ms: float = 20.0
    release_ms: float = 80.0
    lookahead_ms: float = 0.0
    key_highpass_hz: float | None = None
    key_lowpass_hz: float | None = None

    def __post_init__(self) -> None:
        if self.ratio < 1.0:
            raise ValueError("the ratio of an expander is 1 or more")
        for name in ("knee_db", "range_db", "hysteresis_db"):
            if getattr(self, name) < 0.0:
                raise ValueError(f"{name} is not negative")
        for name in ("attack_ms", "hold_ms", "release_ms", "lookahead_ms"):
            if getattr(self, name) < 0.0:
                raise ValueError(f"{name} is not negative")


def settings_from(suggestion: Suggestion) -> ExpanderSettings:
    """The settings of ``suggestion``, without its prediction."""
    return ExpanderSettings(
        threshold_dbfs=suggestion.threshold_dbfs,
        ratio=suggestion.ratio,
        knee_db=suggestion.knee_db,
        range_db=suggestion.range_db,
        hysteresis_db=suggestion.hysteresis_db,
        attack_ms=suggestion.attack_ms,
        hold_ms=suggestion.hold_ms,
        release_ms=suggestion.release_ms,
        lookahead_ms=suggestion.lookahead_ms,
        key_highpass_hz=suggestion.key_highpass_hz,
        key_lowpass_hz=suggestion.key_lowpass_hz,
    )


def curve_db(below_threshold_db: npt.ArrayLike, ratio: float, knee_db: float) -> FloatArray:
    """Gain in dB (0 or negative, no range limit) at ``d = level - threshold`` in dB, any shape."""
    d = np.asarray(below_threshold_db, dtype=np.float64)
    gain = (ratio - 1.0) * np.minimum(d, 0.0)
    if knee_db > 1e-6:  # below that the quotient loses its meaning, and the curve its knee
        half = knee_db / 2.0
        knee = (1.0 - ratio) * (d - half) ** 2 / (2.0 * knee_db)
        gain = np.where(np.abs(d) < half, knee, gain)
    return np.asarray(gain)


def static_gain_db(level_dbfs: npt.ArrayLike, settings: ExpanderSettings) -> FloatArray:
    """Gain in dB of a closed expander at a steady ``level_dbfs`` (any shape)."""
    d = np.asarray(level_dbfs, dtype=np.float64) - settings.threshold_dbfs
    return np.maximum(curve_db(d, settings.ratio, settings.knee_db), -settings.range_db)


def smoothing(time_constant_ms: float, rate_hz: float) -> float:
    """One-pole coefficient that covers 63.2 % of a step in ``time_constant_ms``; 0 for no time."""
    if time_constant_ms <= 0.0:
        return 0.0
    return math.exp(-1000.0 / (time_constant_ms * rate_hz))


class GainComputer:
    """Steps 2 to 4: from absolute key samples to gain in dB, streaming, any block size.

    It also runs on the peaks of consecutive hops (``rate_hz`` = hops a second), which is how
    predictions run over a whole session in milliseconds.
    """

    def __init__(self, settings: ExpanderSettings, rate_hz: float) -> None:
        self._settings = settings
        self._window = round(settings.hold_ms * rate_hz / 1000.0) + 1
        self._recent = np.zeros(self._window - 1)
        self._open = False
        self._release_step = (
            math.inf if settings.release_ms <= 0 else 1000.0 / (settings.release_ms * rate_hz)
        )
        self._released = 0.0
        self._attack = smoothing(settings.attack_ms, rate_hz)
        self._attack_state = np.zeros(1)

    def feed(self, magnitude: npt.ArrayLike) -> FloatArray:
        """Gain in dB, between -range and 0, for each value of ``magnitude`` (1-D, linear, >= 0)."""
        held = self._hold(np.asarray(magnitude, dtype=np.float64))
        if held.size == 0:
            return held
        raised = self._target(held) + self._settings.range_db
        smooth = self._smooth_opening(self._smooth_closing(raised))
        return np.clip(smooth - self._settings.range_db, -self._settings.range_db, 0.0)

    def _hold(self, magnitude: FloatArray) -> FloatArray:
        if self._window == 1 or magnitude.size == 0:
            return magnitude
        window = self._window
        joined = np.concatenate((self._recent, magnitude))
        self._recent = joined[joined.size - (window - 1) :]
        from scipy.ndimage import maximum_filter1d

        largest = maximum_filter1d(joined, window, mode="constant")
        return np.asarray(largest[window // 2 : window // 2 + magnitude.size], dtype=np.float64)

    def _target(self, held: FloatArray) -> FloatArray:
        """Static curve with hysteresis: the state is whichever limit was crossed last."""
        s = self._settings
        is_open = self._gate_state(held)
        level = np.full(held.shape, SILENCE_DBFS)
        floor = dbfs_to_amplitude(s.threshold_dbfs - s.hysteresis_db) * self._lowest_ratio()
        active = held > floor
        level[active] = amplitudes_to_dbfs(held[active])
        d = level - (s.threshold_dbfs - s.hysteresis_db * is_open)
        return np.maximum(curve_db(d, s.ratio, s.knee_db), -s.range_db)

    def _lowest_ratio(self) -> float:
        """Level, relative to the lower limit, at which the curve has surely reached the range."""
        s = self._settings
        if s.ratio <= 1.0 + 1e-9:
            return 0.0
        return dbfs_to_amplitude(-s.range_db / (s.ratio - 1.0) - s.knee_db - 0.1)

    def _gate_state(self, held: FloatArray) -> BoolArray:
        s = self._settings
        opens = held >= dbfs_to_amplitude(s.threshold_dbfs)
        closes = held < dbfs_to_amplitude(s.threshold_dbfs - s.hysteresis_db)
        index = np.where(opens | closes, np.arange(held.size), -1)
        np.maximum.accumulate(index, out=index)
        state = np.where(index >= 0, opens[np.maximum(index, 0)], self._open)
        self._open = bool(state[-1])
        return np.asarray(state, dtype=np.bool_)

    def _smooth_closing(self, raised: FloatArray) -> FloatArray:
        """``r[n] = max(u[n], a r[n-1])``, as a running maximum of logarithms along the decay."""
        if math.isinf(self._release_step):
            return raised
        decay = self._release_step * np.arange(1, raised.size + 1)
        with np.errstate(divide="ignore"):
            logs = np.log(raised)
            start = math.log(self._released) if self._released > 0.0 else -math.inf
        logs += decay
        np.maximum.accumulate(logs, out=logs)
        released = np.maximum(np.exp(np.maximum(logs, start) - decay), raised)
        self._released = float(released[-1])
        return np.asarray(released)

    def _smooth_opening(self, raised: FloatArray) -> FloatArray:
        if self._attack == 0.0:
            return raised
        from scipy.signal import lfilter  # takes half a second, so not before it is needed

        a = self._attack
        smooth, self._attack_state = lfilter([1.0 - a], [1.0, -a], raised, zi=self._attack_state)
        return np.asarray(smooth)


class KeyFilter:
    """Step 1: the detector's high- and low-pass, streaming. ``None`` leaves that side open."""

    def __init__(
        self, highpass_hz: float | None, lowpass_hz: float | None, sample_rate_hz: float
    ) -> None:
        from scipy.signal import butter  # takes half a second, so not before it is needed

        sections = [
            butter(KEY_FILTER_ORDER, corner, kind, fs=sample_rate_hz, output="sos")
            for corner, kind in ((highpass_hz, "highpass"), (lowpass_hz, "lowpass"))
            if corner is not None and 0.0 < corner < sample_rate_hz / 2.0
        ]
        self._sos = np.concatenate(sections) if sections else None
        self._state = None if self._sos is None else np.zeros((self._sos.shape[0], 2))

    def feed(self, audio: FloatArray) -> FloatArray:
        """Filtered ``audio`` (1-D, float64), same length."""
        if self._sos is None or audio.size == 0:
            return audio
        from scipy.signal import sosfilt

        out, self._state = sosfilt(self._sos, audio, zi=self._state)
        return np.asarray(out)


class Expander:
    """The whole expander on one microphone, streaming; same answer at any block size."""

    def __init__(self, settings: ExpanderSettings, sample_rate_hz: float) -> None:
        self._key = KeyFilter(settings.key_highpass_hz, settings.key_lowpass_hz, sample_rate_hz)
        self._computer = GainComputer(settings, sample_rate_hz)
        self.latency_samples = round(settings.lookahead_ms * sample_rate_hz / 1000.0)
        self._delayed = np.zeros(self.latency_samples)

    def feed(self, audio: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Next samples (1-D, full scale 1.0): the processed audio and its gain in dB.

        Both have the length of ``audio`` and are ``latency_samples`` late against it.
        """
        new = np.asarray(audio, dtype=np.float64)
        gain_db = self._computer.feed(np.abs(self._key.feed(new)))
        line = np.concatenate((self._delayed, new))
        self._delayed = line[new.size :]
        return line[: new.size] * np.exp(gain_db * (math.log(10.0) / 20.0)), gain_db


def run(
    audio: npt.ArrayLike, settings: ExpanderSettings, sample_rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """A whole recording (1-D): processed audio and gain in dB, both aligned with the input."""
    expander = Expander(settings, sample_rate_hz)
    late = expander.latency_samples
    padded = np.concatenate((np.asarray(audio, dtype=np.float64), np.zeros(late)))
    out, gain_db = expander.feed(padded)
    return out[late:], gain_db[late:]
