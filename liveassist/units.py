"""Conversions between the units that appear in names: dB, cents, samples, seconds.

Levels are in dBFS of the *peak* (20 log10 of the absolute sample value, full scale = 1.0),
not of the AES17 RMS.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Level reported for digital silence, dBFS. 24-bit audio cannot go below -144.5 dBFS.
SILENCE_DBFS = -200.0


def amplitude_to_dbfs(amplitude: float) -> float:
    """Peak level in dBFS of an absolute sample value; ``SILENCE_DBFS`` for zero."""
    size = abs(amplitude)
    if size <= 10.0 ** (SILENCE_DBFS / 20.0):
        return SILENCE_DBFS
    return 20.0 * math.log10(size)


def dbfs_to_amplitude(level_dbfs: float) -> float:
    """Absolute sample value (full scale = 1.0) of a peak level in dBFS."""
    return math.pow(10.0, level_dbfs / 20.0)


def amplitudes_to_dbfs(amplitudes: npt.ArrayLike) -> FloatArray:
    """`amplitude_to_dbfs` for an array of any shape."""
    size = np.abs(np.asarray(amplitudes, dtype=np.float64))
    floor = 10.0 ** (SILENCE_DBFS / 20.0)
    return np.asarray(20.0 * np.log10(np.maximum(size, floor)))


def cents(frequency_hz: float, reference_hz: float) -> float:
    """Interval from ``reference_hz`` up to ``frequency_hz`` in cents (flat is negative)."""
    return 1200.0 * math.log2(frequency_hz / reference_hz)


def seconds_to_samples(seconds: float, sample_rate_hz: float) -> int:
    """Nearest whole number of samples in ``seconds``."""
    return round(seconds * sample_rate_hz)
