"""Band-limited, decimated views of a hit: what the tuning measures work on.

A head's ringing modes lie far below the sampling rate, so everything here first throws away what
is above them. One anti-alias FIR (Kaiser, about 60 dB) and one decimation, only at the output
instants. Pure: arrays in, arrays out; designs are cached by their arguments.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from liveassist.model import DrumKind, FloatArray

#: Bins of every pattern, and cents from one to the next (3.6 octaves in all).
PATTERN_BINS: Final = 432
PATTERN_CENTS: Final = 10.0
#: Taps of the anti-alias filter for each unit of decimation: 60 dB with a transition of 0.23 of
#: the new rate (Kaiser's formula).
_TAPS_PER_STEP: Final = 16
#: Highest usable frequency after `decimate`, as a share of the new rate.
PASSBAND: Final = 0.38


@dataclass(frozen=True, slots=True)
class Band:
    """Where the modes of one kind of drum lie and how long they are listened to.

    ``low_hz`` is the first pattern bin; the last is 3.6 octaves above. ``start_s``/``stop_s`` bound
    the ringing part after the onset (the stick's click is over, the next stroke usually not yet
    there). ``note_low_hz``/``note_high_hz``: where the lowest mode is looked for. Ranges are common
    practice for drums of every usual size, no source; the times were chosen on recorded drums.
    """

    low_hz: float
    start_s: float
    stop_s: float
    note_low_hz: float
    note_high_hz: float
    partials_high_hz: float

    @property
    def high_hz(self) -> float:
        """Frequency of the last pattern bin, Hz."""
        return float(self.low_hz * 2.0 ** ((PATTERN_BINS - 1) * PATTERN_CENTS / 1200.0))


#: 100 ms resolve a snare's modes; the few low modes of kick and toms need 250 to 300 ms.
BANDS: Final[dict[str, Band]] = {
    "snare": Band(150.0, 0.020, 0.120, 120.0, 420.0, 900.0),
    "kick": Band(50.0, 0.030, 0.330, 25.0, 130.0, 300.0),
    "tom": Band(50.0, 0.030, 0.280, 45.0, 260.0, 520.0),
}


def band_of(kind: DrumKind) -> Band | None:
    """The band of a drum kind; None for cymbals and hi-hats, which have no head to tune."""
    return BANDS.get(kind)


def step_for(high_hz: float, sample_rate_hz: float) -> int:
    """Largest decimation that keeps everything up to ``high_hz`` in the pass band."""
    return max(1, int(PASSBAND * sample_rate_hz / high_hz))


@lru_cache(maxsize=64)
def _anti_alias(step: int) -> FloatArray:
    from scipy import signal  # takes half a second, so not before it is needed

    taps = signal.firwin(_TAPS_PER_STEP * step + 1, 0.98 / step, window=("kaiser", 5.65))
    return np.asarray(taps, dtype=np.float64)


@lru_cache(maxsize=64)
def _by_steps(step: int) -> FloatArray:
    """The taps, one column for each ``step`` of them; the last holds one tap and zeros."""
    taps = _anti_alias(step)
    whole = np.zeros((_TAPS_PER_STEP + 1) * step)
    whole[: len(taps)] = taps
    return np.ascontiguousarray(whole.reshape(_TAPS_PER_STEP + 1, step).T)


def decimate(samples: FloatArray, first: int, count: int, step: int) -> FloatArray:
    """``count`` low-passed samples at indices ``first, first + step, ...`` of ``samples``.

    ``samples``: float64 (n,). Outside it the signal counts as zero. The filter has linear phase
    and its delay is taken off, so output ``k`` belongs to input sample ``first + k*step``. Within
    1 dB up to `PASSBAND` of the new rate; what would alias below that is 60 dB down.
    """
    if step == 1:
        out = np.zeros(count)
        got = samples[max(first, 0) : max(first + count, 0)]
        out[max(-first, 0) : max(-first, 0) + len(got)] = got
        return out
    taps = _anti_alias(step)
    half = len(taps) // 2
    start = first - half
    rows = count + _TAPS_PER_STEP
    stop = start + (rows - 1) * step + 1
    piece = samples[max(start, 0) : max(stop, 0)]
    padded = np.zeros(rows * step)
    padded[max(-start, 0) : max(-start, 0) + len(piece)] = piece
    # The convolution at the output instants only: sums of one step of samples each, by every step
    # of the taps, then one of each along the diagonal.
    sums = padded.reshape(rows, step) @ _by_steps(step)
    width = sums.shape[1]
    diagonal = np.lib.stride_tricks.as_strided(
        sums, (count, width), (sums.strides[0], sums.strides[0] + sums.strides[1]), writeable=False
    )
    return np.asarray(diagonal.sum(axis=1))
