"""Figures of one recorded or simulated stroke, for comparing the two."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

#: Edges of the energy shares, Hz.
EDGES_HZ = (0.0, 250.0, 1000.0, 4000.0, 20000.0)


def figures(audio: np.ndarray, rate: int) -> dict[str, float]:
    """Figures of the stroke that begins at the first sample (its tenth-of-peak time).

    ``attack_ms``: from there to the peak of the first 40 ms; ``crest_db``: that peak over the RMS
    of the 40 ms; ``t20_ms``: until the remaining energy is 20 dB down (Schroeder); ``low_db``,
    ``mid_db``, ``high_db``, ``top_db``: energy below 250 Hz, to 1 kHz, to 4 kHz and above, over all
    of it, in the first 200 ms.
    """
    span = audio[: round(0.04 * rate)]
    peak = float(np.abs(span).max())
    left = np.cumsum(audio[::-1] ** 2)[::-1]
    spectrum = np.abs(np.fft.rfft(audio[: round(0.2 * rate)])) ** 2
    hz = np.fft.rfftfreq(round(0.2 * rate), 1 / rate)
    shares = [
        10 * np.log10(spectrum[(hz >= low) & (hz < high)].sum() / spectrum.sum())
        for low, high in pairwise(EDGES_HZ)
    ]
    return {
        "attack_ms": float(np.argmax(np.abs(span)) / rate * 1e3),
        "crest_db": float(20 * np.log10(peak / np.sqrt(np.mean(span**2)))),
        "t20_ms": float(np.argmax(left < left[0] / 100) / rate * 1e3),
        "low_db": float(shares[0]),
        "mid_db": float(shares[1]),
        "high_db": float(shares[2]),
        "top_db": float(shares[3]),
    }
