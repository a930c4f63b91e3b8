"""Sounds of a session that no drummer's stroke made: waves of a second or so, peak 1.

Common practice, no source: rough pictures of a door, wood on wood, a voice, an amplifier, a
metronome, as they differ from drums: where their energy lies and how it begins and dies away.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

Wave = npt.NDArray[np.float64]


def _peak(wave: Wave) -> Wave:
    return np.asarray(wave / np.abs(wave).max(), dtype=np.float64)


def _noise(seconds: float, rate: int, low_hz: float, high_hz: float, seed: int) -> Wave:
    white = np.random.default_rng(seed).normal(size=round(seconds * rate))
    sos = butter(2, (low_hz, high_hz), "bandpass", fs=rate, output="sos")
    return np.asarray(sosfilt(sos, white))


def _time(seconds: float, rate: int) -> Wave:
    return np.arange(round(seconds * rate)) / rate


def wood(rate: int, seed: int = 0) -> Wave:
    """One stick against another: a few short resonances between 2 and 6 kHz."""
    rng = np.random.default_rng(seed)
    t = _time(0.15, rate)
    tones = ((2100.0, 1.0, 0.006), (3350.0, 0.8, 0.004), (5300.0, 0.5, 0.003))
    wave = sum(
        a * np.sin(2 * np.pi * f * rng.uniform(0.97, 1.03) * t) * np.exp(-t / decay)
        for f, a, decay in tones
    )
    return _peak(np.asarray(wave))


def dropped(rate: int, seed: int = 0) -> Wave:
    """A stick that falls on the floor: bounces that come faster and softer."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(round(1.3 * rate))
    at, gap, level = 0.0, 0.28, 1.0
    t = _time(0.12, rate)
    while gap > 0.02:
        tones = ((420.0, 0.7, 0.012), (960.0, 1.0, 0.010), (2300.0, 0.6, 0.005))
        hit = sum(
            a * np.sin(2 * np.pi * f * rng.uniform(0.9, 1.1) * t) * np.exp(-t / decay)
            for f, a, decay in tones
        )
        start = round(at * rate)
        wave[start : start + len(t)] += level * np.asarray(hit)
        at, gap, level = at + gap, 0.75 * gap, 0.75 * level
    return _peak(wave)


def door(rate: int, seed: int = 0) -> Wave:
    """A door that falls shut in the next room: a thump without attack, then a rattle."""
    t = _time(0.8, rate)
    thump = np.sin(2 * np.pi * 62.0 * t) + 0.6 * np.sin(2 * np.pi * 97.0 * t + 1.0)
    rattle = _noise(0.8, rate, 200.0, 1500.0, seed)
    rise = 1.0 - np.exp(-t / 0.012)
    return _peak(rise * (thump * np.exp(-t / 0.09) + 0.05 * rattle * np.exp(-t / 0.15)))


def voice(rate: int, seconds: float = 3.0, seed: int = 0) -> Wave:
    """Talking: pulses at a gliding pitch through two resonances, four syllables a second."""
    rng = np.random.default_rng(seed)
    t = _time(seconds, rate)
    pitch = 125.0 * (1.0 + 0.12 * np.sin(2 * np.pi * 0.9 * t + rng.uniform(0, 6)))
    phase = np.cumsum(pitch) / rate
    pulses = np.diff(np.floor(phase), prepend=0.0)
    out = np.zeros_like(t)
    for low_hz, high_hz in ((350.0, 800.0), (1100.0, 2000.0)):
        out += sosfilt(butter(1, (low_hz, high_hz), "bandpass", fs=rate, output="sos"), pulses)
    breath = 0.02 * _noise(seconds, rate, 2500.0, 7000.0, seed + 1)
    syllable = np.clip(np.sin(2 * np.pi * 4.0 * t + rng.uniform(0, 6)), 0.0, 1.0) ** 0.7
    return _peak((out + breath) * syllable)


def chords(rate: int, seconds: float, every_s: float, seed: int = 0) -> Wave:
    """An electric guitar through a loud amplifier: muted chords, three notes with overtones."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    t = _time(every_s, rate)
    for start in np.arange(0.0, seconds - every_s, every_s):
        root = float(rng.choice((82.4, 98.0, 110.0, 123.5)))
        tone = sum(
            np.sin(2 * np.pi * root * ratio * n * t + rng.uniform(0, 6)) / n
            for ratio in (1.0, 1.5, 2.0)
            for n in range(1, 9)
        )
        shape = (1.0 - np.exp(-t / 0.004)) * np.exp(-t / 0.35)
        at = round(start * rate)
        out[at : at + len(t)] += np.tanh(1.5 * np.asarray(tone)) * shape
    return _peak(sosfilt(butter(2, 3500.0, fs=rate, output="sos"), out))


def buzz(wave: Wave, rate: int, seed: int = 0) -> Wave:
    """Snare wires that rattle as long as ``wave`` shakes them."""
    power = sosfilt(butter(1, 12.0, fs=rate, output="sos"), np.abs(wave))
    return _peak(_noise(len(wave) / rate, rate, 1800.0, 9000.0, seed)[: len(wave)] * power)


def clicks(rate: int, seconds: float, every_s: float) -> Wave:
    """A metronome from headphones: 15 ms of 1.6 kHz, the first of four an octave higher."""
    out = np.zeros(round(seconds * rate))
    t = _time(0.015, rate)
    for number, start in enumerate(np.arange(0.0, seconds - 0.1, every_s)):
        tone = np.sin(2 * np.pi * (3200.0 if number % 4 == 0 else 1600.0) * t)
        at = round(start * rate)
        out[at : at + len(t)] += tone * np.hanning(len(t)) ** 0.5
    return _peak(out)


def bass(rate: int, seconds: float, every_s: float, seed: int = 0) -> Wave:
    """A bass guitar from the loudspeakers: notes of 40 to 100 Hz with a plucked beginning."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    t = _time(every_s, rate)
    for start in np.arange(0.0, seconds - every_s, every_s):
        note = float(rng.choice((41.2, 49.0, 55.0, 73.4, 82.4)))
        tone = sum(np.sin(2 * np.pi * note * n * t) / n for n in range(1, 7))
        at = round(start * rate)
        out[at : at + len(t)] += np.asarray(tone) * (1.0 - np.exp(-t / 0.005)) * np.exp(-t / 0.4)
    return _peak(out)
