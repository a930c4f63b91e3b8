"""Hear and try: process a track with a suggestion, try own values, carry it to a track's gain.

Pure functions on arrays; reading and writing files is the caller's.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from liveassist.advise import expander
from liveassist.advise.expander import ExpanderSettings, KeyFilter, settings_from
from liveassist.errors import ConfigError, InputError
from liveassist.model import Audio, FloatArray, Interval, Suggestion
from liveassist.units import amplitudes_to_dbfs

#: Names accepted by ``--set NAME=VALUE`` the field each sets, lowest and highest value.
SETTABLE: dict[str, tuple[str, float, float]] = {
    "threshold": ("threshold_dbfs", -100.0, 0.0),
    "hysteresis": ("hysteresis_db", 0.0, 24.0),
    "range": ("range_db", 0.0, 100.0),
    "ratio": ("ratio", 1.0, 100.0),
    "knee": ("knee_db", 0.0, 24.0),
    "attack": ("attack_ms", 0.0, 100.0),
    "hold": ("hold_ms", 0.0, 2000.0),
    "release": ("release_ms", 0.0, 5000.0),
    "lookahead": ("lookahead_ms", 0.0, 50.0),
    "key-highpass": ("key_highpass_hz", 10.0, 20000.0),
    "key-lowpass": ("key_lowpass_hz", 10.0, 20000.0),
}
#: What ``--set`` starts from where nothing was suggested: common practice, no source.
PLAIN = Suggestion(-24.0, 3.0, 12.0, 3.5, 3.0, 0.5, 20.0, 60.0, 3.0, None, None, None)


def render(
    audio: npt.ArrayLike,
    suggestion: Suggestion,
    sample_rate_hz: float,
    track_offset_db: float = 0.0,
) -> Audio:
    """``audio`` (1-D, full scale 1.0) through the expander, float32, aligned to the sample.

    ``track_offset_db``: gain of this track over the one the suggestion was fitted on; the
    threshold moves with it.
    """
    settings = settings_from(suggestion)
    moved = replace(settings, threshold_dbfs=settings.threshold_dbfs + track_offset_db)
    return expander.run(audio, moved, sample_rate_hz)[0].astype(np.float32)


def key_envelope(
    audio: npt.ArrayLike, settings: ExpanderSettings, sample_rate_hz: float, hop_samples: int
) -> FloatArray:
    """Peak a hop of ``audio`` (1-D) behind the key filter of ``settings``, whole hops only.

    For `liveassist.advise.predict.run` with a key filter that was not among those tried.
    """
    key = KeyFilter(settings.key_highpass_hz, settings.key_lowpass_hz, sample_rate_hz)
    size = np.abs(key.feed(np.asarray(audio, dtype=np.float64)))
    whole = size.size - size.size % hop_samples
    return np.asarray(size[:whole].reshape(-1, hop_samples).max(axis=1), dtype=np.float64)


def with_values(base: Suggestion | None, assignments: Sequence[str]) -> Suggestion:
    """``base`` (or `PLAIN`) with ``NAME=VALUE`` assignments applied and the prediction removed.

    ``key-highpass=off`` and ``key-lowpass=off`` open that side. ConfigError names every mistake.
    """
    values: dict[str, float | None] = {}
    problems: list[str] = []
    for text in assignments:
        name, _, value = text.partition("=")
        name = name.strip()
        if name not in SETTABLE:
            close = difflib.get_close_matches(name, SETTABLE, 1)
            hint = f"did you mean {close[0]}?" if close else f"use one of {', '.join(SETTABLE)}"
            problems.append(f"--set {text}: there is no setting {name!r}; {hint}")
            continue
        field, low, high = SETTABLE[name]
        if value.strip() == "off" and field.startswith("key_"):
            values[field] = None
            continue
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            problems.append(
                f"--set {text}: {name} needs a number from {low:g} to {high:g}, as in "
                f"--set {name}={getattr(PLAIN, field) or low:g}"
            )
            continue
        values[field] = number
    if problems:
        raise ConfigError(problems)
    fields = {name: getattr(base or PLAIN, name) for name, _, _ in SETTABLE.values()}
    return Suggestion(**{**fields, **values}, predicted=None)


@dataclass(frozen=True, slots=True)
class TrackOffset:
    """Gain of a recorded track over what the tool heard, dB; ``delay_samples`` it is later."""

    offset_db: float
    ci: Interval
    delay_samples: int
    hops: int


def track_offset(heard: npt.ArrayLike, track: npt.ArrayLike, sample_rate_hz: float) -> TrackOffset:
    """Measure ``track_offset_db`` from the same stretch as heard here and as recorded (1-D each).

    The two are aligned by cross-correlation (either may start earlier), then the levels of their
    loudest 5 ms stretches are compared: median, with its 95 % interval from ranks (binomial).
    Polarity does not matter. InputError when they are not the same signal or too quiet.
    """
    a, b = np.asarray(heard, dtype=np.float64), np.asarray(track, dtype=np.float64)
    if a.size == 0 or b.size == 0 or not a.any() or not b.any():
        raise InputError("one of the two tracks is silent: record some hits on both and try again")
    from scipy.signal import fftconvolve  # takes half a second, so not before it is needed

    product = fftconvolve(b, a[::-1])
    delay = int(np.argmax(np.abs(product))) - (a.size - 1)
    start = max(0, -delay)
    length = min(a.size - start, b.size - max(0, delay))
    a = a[start : start + length]
    b = b[max(0, delay) : max(0, delay) + length]
    likeness = abs(float(a @ b)) / math.sqrt(max(float(a @ a) * float(b @ b), 1e-30))
    if likeness < 0.8:
        raise InputError(
            "the recorded track does not hold what was heard here (likeness "
            f"{likeness:.2f}, 0.8 needed): choose the file of the same microphone and take"
        )
    width = max(1, round(0.005 * sample_rate_hz))
    hops = length // width
    rms_a = np.sqrt(np.mean(a[: hops * width].reshape(hops, width) ** 2, axis=1))
    rms_b = np.sqrt(np.mean(b[: hops * width].reshape(hops, width) ** 2, axis=1))
    loud = rms_a >= rms_a.max() / 10.0
    ratios = np.sort(amplitudes_to_dbfs(rms_b[loud]) - amplitudes_to_dbfs(rms_a[loud]))
    reach = 0.98 * math.sqrt(ratios.size)
    low = max(0, math.floor(ratios.size / 2.0 - reach))
    high = min(ratios.size - 1, math.ceil(ratios.size / 2.0 + reach))
    return TrackOffset(
        offset_db=float(np.median(ratios)),
        ci=(float(ratios[low]), float(ratios[high])),
        delay_samples=delay,
        hops=int(ratios.size),
    )
