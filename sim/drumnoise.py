"""The noises of a drum: contact click, snare wires, rim click, drums that ring along."""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, iirpeak, lfilter, sosfilt

from .drumspec import DrumSpec, DrumState, Emission, FloatArray, Signal, Strike, faded


def click(
    spec: DrumSpec, force: float, contact_ms: float, rng: np.random.Generator, rate: int
) -> Signal:
    """Noise of stick or beater meeting the head: a short band of noise around ``click_hz``."""
    count = int(0.02 * rate)
    low, high = spec.click_hz * 0.5, min(spec.click_hz * 2.2, 0.45 * rate)
    sos = butter(1, [low, high], btype="band", fs=rate, output="sos")
    time = np.arange(count) / rate
    width = contact_ms * 1e-3
    shape = np.minimum(time / 0.0004, 1.0) * np.exp(-time / (0.6 * width + 0.0006))
    noise = sosfilt(sos, rng.standard_normal(count) * shape)
    peak = np.abs(noise).max()
    size = 10 ** (spec.click_db / 20) * force**spec.click_power
    return np.asarray(noise / peak * size, dtype=np.float32)[None]


def wires(drive: FloatArray, level_db: float, rng: np.random.Generator, rate: int) -> Signal:
    """Snare wires: thrown off the resonant head where it accelerates past their preload.

    A wire lies on the head with a preload. While the head's acceleration exceeds it the wires
    lift, and landing makes a burst of noise; so the noise follows the rectified excess, smoothed
    by the time of flight, and dies when the head calms: soft strokes rattle relatively shorter.
    ``drive``: acceleration of the head's centre, 1.0 at full force.
    """
    excess = np.maximum(np.abs(drive) - 0.004, 0.0)
    flight = float(np.exp(-1.0 / (0.010 * rate)))
    envelope = lfilter([1.0 - flight], [1.0, -flight], excess) * 2.2
    throw = lfilter([1.0 - flight**8], [1.0, -(flight**8)], excess)
    shape = 0.6 * envelope + 0.7 * throw
    noise = rng.standard_normal(drive.size)
    wide = butter(2, [1000.0, min(5200.0, 0.45 * rate)], btype="band", fs=rate, output="sos")
    thin = butter(1, [3500.0, min(9000.0, 0.45 * rate)], btype="band", fs=rate, output="sos")
    colour = 1.2 * sosfilt(wide, noise) + 0.4 * sosfilt(thin, noise)
    return np.asarray(colour * shape * 10 ** (level_db / 20), dtype=np.float32)


def rim_click(strike: Strike, rng: np.random.Generator, rate: int) -> list[Emission]:
    """Stick laid across the head and struck on the rim: a few short wooden resonances."""
    count = int(0.12 * rate)
    time = np.arange(count) / rate
    out = np.zeros(count)
    for hz, t60, size in ((480.0, 0.05, 0.5), (1150.0, 0.04, 1.0), (1900.0, 0.03, 0.7)):
        bent = hz * (1 + 0.01 * rng.standard_normal())
        out += size * np.sin(2 * np.pi * bent * time) * np.exp(-6.9 * time / t60)
    out += 0.4 * rng.standard_normal(count) * np.exp(-time / 0.0015)
    out *= np.minimum(time / 0.0003, 1.0) * 0.35 * 10 ** (strike.level_db / 20) / np.abs(out).max()
    return [Emission("strike", out.astype(np.float32)[None])]


def sympathy(
    spec: DrumSpec, state: DrumState, pressure: FloatArray, rng: np.random.Generator, rate: int
) -> Signal:
    """What a drum sends out because another was struck: its lowest mode rings, its wires buzz.

    ``pressure``: sound arriving at the drum, 1 for the reference loudness at 1 m. The head is a
    resonator as narrow as its decay; the wires move with the bass of what arrives.
    """
    t60 = spec.t60_s * state.ring
    hz = spec.note_hz * 2 ** (state.cents / 1200)
    quality = np.pi * hz * t60 / np.log(1000.0)
    top, bottom = iirpeak(hz, quality, fs=rate)
    out = 0.12 * lfilter(top, bottom, pressure)
    if spec.wires_db is not None and state.wires:
        sos = butter(1, [60.0, 500.0], btype="band", fs=rate, output="sos")
        moving = 0.035 * sosfilt(sos, pressure)
        out = out + wires(moving, spec.wires_db, rng, rate)
    return faded(np.asarray(out, dtype=np.float32)[None], rate)
