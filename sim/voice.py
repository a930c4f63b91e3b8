"""Someone talking in the room: a buzzing source through moving formants, syllable by syllable."""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve, lfilter

from .drumspec import Signal
from .faults import Fault
from .kit import Kit
from .room import path_response

#: Formant pairs (Hz) of five vowels; common textbook values, from memory.
_VOWELS = ((730, 1090), (530, 1840), (270, 2290), (570, 840), (300, 870))


def speech(kit: Kit, fault: Fault, seed: int, sample_rate_hz: int) -> Signal:
    """Speech-like sound at every microphone, shape (samples, microphones), before gains.

    The speaker stands behind the drummer. ``fault.db``: peak at 1 m against the reference.
    """
    rng = np.random.default_rng([seed, 606, round(fault.at_s * 1000)])
    count = int(fault.over_s * sample_rate_hz)
    dry = np.zeros(count)
    place = 0
    while place < count:
        length = int(rng.uniform(0.10, 0.22) * sample_rate_hz)
        piece = min(length, count - place)
        pitch = rng.uniform(95, 135)
        time = np.arange(piece) / sample_rate_hz
        buzz = 2 * ((pitch * time) % 1.0) - 1 + 0.1 * rng.standard_normal(piece)
        for formant in _VOWELS[int(rng.integers(len(_VOWELS)))]:
            radius = np.exp(-np.pi * 90.0 / sample_rate_hz)
            angle = 2 * np.pi * formant / sample_rate_hz
            buzz = lfilter([1 - radius], [1, -2 * radius * np.cos(angle), radius**2], buzz)
        dry[place : place + piece] += buzz * np.sin(np.pi * np.arange(piece) / piece)
        place += length + int(rng.uniform(0.01, 0.12) * sample_rate_hz)
    dry *= 10 ** (fault.db / 20) / max(float(np.abs(dry).max()), 1e-12)
    size = kit.room.size_m
    source = np.array([size[0] * 0.5, size[1] * 0.12, min(1.6, size[2] - 0.3)])
    out = []
    for mic in kit.mics:
        path = path_response(source, mic.capsule(), kit.room, sample_rate_hz, rng)
        out.append(fftconvolve(dry, path))
    return np.asarray(np.array(out).T, dtype=np.float32)
