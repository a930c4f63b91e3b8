"""A hit's partial pattern: its ringing spectrum on a log-frequency axis.

Single spectral peaks wander between neighbouring modes from hit to hit; a detuned head moves all
of its modes by the same ratio, so drift is measured as the shift of the whole pattern, which on
this axis is a plain shift. Comparing patterns is advice: see `advise.changes_pattern`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from liveassist.measure.bands import PATTERN_BINS, PATTERN_CENTS, Band, decimate, step_for
from liveassist.model import FloatArray

ComplexArray = npt.NDArray[np.complex128]


@lru_cache(maxsize=32)
def _transform(band: Band, sample_rate_hz: float) -> tuple[int, int, FloatArray]:
    """Decimation, sample count, and Hann-windowed Fourier matrix of a band: (count, 2 bins), real
    and imaginary parts beside each other."""
    step = step_for(band.high_hz, sample_rate_hz)
    rate = sample_rate_hz / step
    count = max(16, round((band.stop_s - band.start_s) * rate))
    grid = band.low_hz * 2.0 ** (np.arange(PATTERN_BINS) * PATTERN_CENTS / 1200.0)
    window = np.hanning(count + 2)[1:-1]
    phase = -2j * np.pi * np.outer(np.arange(count) / rate, grid)
    matrix: ComplexArray = np.asarray(
        window[:, None] * np.exp(phase) / window.sum(), dtype=np.complex128
    )
    return step, count, matrix.view(np.float64)


def pattern_frequencies_hz(band: Band) -> FloatArray:
    """Frequency of every pattern bin, Hz, shape (PATTERN_BINS,)."""
    return np.asarray(band.low_hz * 2.0 ** (np.arange(PATTERN_BINS) * PATTERN_CENTS / 1200.0))


def hit_pattern(
    segment: FloatArray, sample_rate_hz: float, band: Band, onset_index: int
) -> FloatArray:
    """Spectrum of the ringing part in dBFS (sine amplitude) on the log-frequency grid.

    ``segment``: float64 (n,); reads from ``onset_index + band.start_s`` to ``+ band.stop_s``, zeros
    outside. Returns float64 (PATTERN_BINS,).
    """
    step, count, matrix = _transform(band, sample_rate_hz)
    first = onset_index + round(band.start_s * sample_rate_hz)
    ringing = decimate(segment, first, count, step)
    return np.asarray(20.0 * np.log10(2.0 * np.abs((ringing @ matrix).view(np.complex128)) + 1e-10))
