"""Strokes made from closed forms: modes of a head, a click, noise. For the measure tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from liveassist.model import FloatArray

#: Partials of a two-headed snare after Rossing, Bork, Zhao and Fystrom, JASA 92:84, 1992
#: (absolute figures from memory), with amplitudes and decays made up.
SNARE_HZ = (182.0, 278.0, 330.0, 341.0, 403.0, 442.0, 512.0, 556.0, 619.0, 910.0, 1170.0, 1405.0)
#: A bass drum's ratios (secondary source) over 50 Hz.
KICK_HZ = (50.0, 86.0, 93.0, 118.0, 136.0, 182.0, 225.0, 273.0)


def stroke(
    rate_hz: int,
    frequencies_hz: Sequence[float],
    *,
    peak: float = 0.5,
    cents: float = 0.0,
    tau_s: float = 0.08,
    before_s: float = 0.010,
    after_s: float = 0.45,
    noise: float = 1e-4,
    wander_cents: float = 0.0,
    seed: int = 0,
) -> tuple[FloatArray, int]:
    """One stroke and its onset index: damped modes with seeded amplitudes and phases.

    ``cents`` shifts all modes; ``wander_cents`` moves each on its own, as real strokes do.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(round(after_s * rate_hz)) / rate_hz
    ringing = np.zeros(len(t))
    for place, frequency in enumerate(frequencies_hz):
        shifted = frequency * 2.0 ** ((cents + wander_cents * rng.standard_normal()) / 1200.0)
        amplitude = 0.8**place * rng.uniform(0.5, 1.0)
        decay = np.exp(-t / (tau_s * rng.uniform(0.8, 1.2)))
        ringing += amplitude * decay * np.cos(2 * np.pi * shifted * t + rng.uniform(0, 6.283))
    click = rng.standard_normal(len(t)) * np.exp(-t / 0.003)
    ringing += 0.5 * click
    ringing *= peak / np.max(np.abs(ringing))
    onset = round(before_s * rate_hz)
    whole = np.concatenate([np.zeros(onset), ringing])
    return whole + noise * rng.standard_normal(len(whole)), onset
