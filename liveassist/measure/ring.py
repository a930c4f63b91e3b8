"""How long a drum rings: T60 by Schroeder's backward integration, overall and per band.

Method: M. R. Schroeder, "New method of measuring reverberation time", JASA 37, 1965, evaluated as
in ISO 3382-1 (T20: line through -5 to -25 dB, times three). A record that ends, or meets the noise
or the next stroke, before the decay is over makes the integral fall too fast: 0.3 s of a 0.69 s
decay read naively give T20 0.63 s. As ISO 3382-1 asks, the missing tail is added: the energy an
exponential decay of the slope found would still have held after the cut, to self-consistency.
Where less than 25 dB is heard before the cut, the line is fitted over what there is (10 dB at
least), which is a departure from the standard and said in ``range_db``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.model import FloatArray

#: Energy falls by 60 dB in this many energy time constants: ln(10^6).
_LN_MILLION: Final = math.log(1e6)
#: Top and usual bottom of the fitted line (ISO 3382-1, T20), dB.
FIT_TOP_DB: Final = -5.0
FIT_BOTTOM_DB: Final = -25.0
#: Least span of the line, dB, and least straightness of it (R squared).
MIN_SPAN_DB: Final = 10.0
_MIN_R2: Final = 0.85
#: A decay longer than this many times the record is a guess.
_MAX_OVER_RECORD: Final = 8.0
#: The decay counts as cut where it is this near the noise, dB.
_ABOVE_NOISE_DB: Final = 10.0


@dataclass(frozen=True, slots=True)
class Decay:
    """A fitted decay. ``range_db``: span of the line used; ``cut_s``: where the record ended,
    met the noise or was cut, from its start; ``r2``: how straight the decay is (1: one slope)."""

    t60_s: float
    range_db: float
    cut_s: float
    r2: float


def schroeder_t60(
    samples: FloatArray, rate_hz: float, *, noise_rms: float | None = None
) -> Decay | None:
    """T60 of a free decay.

    ``samples``: float64 (n,), starting where the decay starts, free of further onsets, at least
    30 ms. ``noise_rms``: RMS of what sounds when the drum is silent; the decay is cut 10 dB above
    it and its power taken off. None if less than 10 dB of a straight decay can be seen.
    """
    count = len(samples)
    if count < max(32, round(0.03 * rate_hz)):
        return None
    power = np.square(samples)
    noise = 0.0 if noise_rms is None else noise_rms**2
    cut = _cut_index(power, noise, rate_hz)
    if cut < max(16, round(0.02 * rate_hz)):
        return None
    energy = np.maximum(power[:cut] - noise, 0.0) if noise > 0.0 else power[:cut]
    integral = np.cumsum(energy[::-1])[::-1] / rate_hz
    if integral[0] <= 0.0:
        return None
    return _self_consistent(integral, rate_hz)


def _cut_index(power: FloatArray, noise: float, rate_hz: float) -> int:
    """First sample where the smoothed decay comes near the noise (the end if it never does)."""
    if noise <= 0.0:
        return len(power)
    width = max(1, round(0.010 * rate_hz))
    smooth = np.convolve(power, np.full(width, 1.0 / width), mode="same")
    near = smooth < noise * 10.0 ** (_ABOVE_NOISE_DB / 10.0)
    return int(np.argmax(near)) if bool(near.any()) else len(power)


def _self_consistent(integral: FloatArray, rate_hz: float) -> Decay | None:
    """Solve for the slope whose own missing tail, added to the integral, gives that slope.

    The energy ``e`` of the last quarter (``w`` seconds) of an exponential decay of rate ``k``
    (1/s, energy) is followed by ``e / (exp(k w) - 1)`` after the cut.
    """
    first = len(integral) - max(8, len(integral) // 4)
    last_energy = float(integral[first])
    last_s = (len(integral) - first) / rate_hz
    tail = 0.0
    decay: Decay | None = None
    for _ in range(60):
        decay = _line(integral + tail, rate_hz)
        if decay is None or decay.t60_s > _MAX_OVER_RECORD * len(integral) / rate_hz:
            return None
        wanted = last_energy / math.expm1(_LN_MILLION / decay.t60_s * last_s)
        if abs(wanted - tail) <= 1e-7 * float(integral[0]):
            break
        tail = wanted
    return None if decay is None or decay.r2 < _MIN_R2 else decay


def _line(integral: FloatArray, rate_hz: float) -> Decay | None:
    level = 10.0 * np.log10(np.maximum(integral / integral[0], 1e-30))
    top = int(np.argmax(level <= FIT_TOP_DB)) if level[-1] <= FIT_TOP_DB else len(level)
    # the very end of the integral hangs on single samples: stay above the last 5 % of the record
    floor = max(FIT_BOTTOM_DB, float(level[round(0.95 * (len(level) - 1))]))
    below = level <= floor
    bottom = int(np.argmax(below)) if bool(below.any()) else len(level) - 1
    if bottom - top < 8 or float(level[top] - level[bottom]) < MIN_SPAN_DB:
        return None
    times = np.arange(top, bottom + 1) / rate_hz
    piece = level[top : bottom + 1]
    slope, offset = np.polyfit(times, piece, 1)
    if slope >= 0.0:
        return None
    misfit = float(np.sum((piece - (slope * times + offset)) ** 2))
    spread = float(np.sum((piece - piece.mean()) ** 2))
    return Decay(
        float(-60.0 / slope),
        float(piece[0] - piece[-1]),
        len(integral) / rate_hz,
        1.0 - misfit / max(spread, 1e-12),
    )


def naive_t20(samples: FloatArray, rate_hz: float) -> float | None:
    """T20 without adding the missing tail: what `schroeder_t60` corrects; for checks and plots."""
    integral = np.cumsum(np.square(samples)[::-1])[::-1] / rate_hz
    if len(integral) == 0 or integral[0] <= 0.0:
        return None
    decay = _line(integral, rate_hz)
    return None if decay is None else decay.t60_s


def band_t60(
    samples: FloatArray,
    rate_hz: float,
    centres_hz: Sequence[float],
    *,
    noise: FloatArray | None = None,
) -> tuple[Decay | None, ...]:
    """T60 in octave bands about ``centres_hz``, in their order.

    ``noise``: a stretch of the same microphone while the drum is silent, at least 50 ms, filtered
    alike. The filters (Butterworth, order 2 each side, forward) ring for about 1.5/f seconds
    themselves: a band whose T60 is below 4/f is None, as is one at or above half the rate.
    """
    from scipy import signal  # takes half a second, so not before it is needed

    out: list[Decay | None] = []
    for centre in centres_hz:
        low, high = centre / math.sqrt(2.0), centre * math.sqrt(2.0)
        if high >= 0.49 * rate_hz or low <= 0.0:
            out.append(None)
            continue
        sos = signal.butter(2, [low, high], btype="bandpass", fs=rate_hz, output="sos")
        heard = signal.sosfilt(sos, samples)
        # the filter needs about a period to fill: start at its loudest sample of the first 4/f
        first = int(np.argmax(np.abs(heard[: max(1, round(4.0 / centre * rate_hz))])))
        rms = None
        if noise is not None:
            rms = float(np.sqrt(np.mean(np.square(signal.sosfilt(sos, noise)))))
        decay = schroeder_t60(heard[first:], rate_hz, noise_rms=rms)
        out.append(None if decay is None or decay.t60_s < 4.0 / centre else decay)
    return tuple(out)
