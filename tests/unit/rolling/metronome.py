"""A metronome's channel with known ticks: beeps, accents, dropouts, drums that bleed in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.detect.clicks import ClickDetector
from liveassist.song import Click

RATE_HZ = 48_000
Audio = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Sound:
    """A beep: pitch, level, length, and how long it takes to rise."""

    hz: float = 1000.0
    level_db: float = -12.0
    length_s: float = 0.02
    rise_s: float = 0.0005

    def samples(self, rate_hz: int) -> npt.NDArray[np.float64]:
        time_s = np.arange(round(self.length_s * rate_hz)) / rate_hz
        shape = np.minimum(1.0, time_s / self.rise_s) * np.minimum(
            1.0, (self.length_s - time_s) / 0.003
        )
        beep = np.sin(2.0 * np.pi * self.hz * time_s + 0.3) * shape
        return np.asarray(10.0 ** (self.level_db / 20.0) * beep)


ACCENT, BEAT, EIGHTH = Sound(1500.0, -6.0), Sound(1000.0, -12.0), Sound(1000.0, -20.0)


def ticks(tempo_bpm: float, count: int, start_s: float = 1.0, a_beat: int = 1) -> list[float]:
    """Moments of ``count`` ticks, ``a_beat`` of them a beat."""
    return [start_s + n * 60.0 / tempo_bpm / a_beat for n in range(count)]


def channel(
    at_s: Sequence[float],
    pattern: Sequence[Sound],
    *,
    lost: Sequence[int] = (),
    length_s: float | None = None,
    rate_hz: int = RATE_HZ,
    noise_db: float = -85.0,
    seed: int = 1,
) -> Audio:
    """The channel: tick n sounds like ``pattern[n % len]``; those in ``lost`` do not sound."""
    rng = np.random.default_rng(seed)
    frames = round((length_s or at_s[-1] + 1.5) * rate_hz)
    audio = rng.normal(0.0, 10.0 ** (noise_db / 20.0), frames)
    for number, time_s in enumerate(at_s):
        if number not in lost:
            beep = pattern[number % len(pattern)].samples(rate_hz)
            first = round(time_s * rate_hz)
            audio[first : first + len(beep)] += beep
    return audio.astype(np.float32)


def bleed(
    at_s: Sequence[float], length_s: float, level_db: float, seed: int = 2, rate_hz: int = RATE_HZ
) -> Audio:
    """Drums in the channel: bursts that begin at once, of varying level and colour, with a body
    and a rattle that ring for a tenth of a second."""
    rng = np.random.default_rng(seed)
    audio = np.zeros(round(length_s * rate_hz))
    time_s = np.arange(round(0.25 * rate_hz)) / rate_hz
    for moment_s in at_s:
        body = np.sin(2.0 * np.pi * rng.uniform(170.0, 230.0) * time_s) * np.exp(-time_s / 0.06)
        rattle = rng.normal(0.0, 0.5, len(time_s)) * np.exp(-time_s / 0.04)
        hit = (body + rattle) * 10.0 ** ((level_db + rng.normal(0.0, 2.0)) / 20.0)
        first = round(moment_s * rate_hz)
        part = audio[first : first + len(hit)]
        part += hit[: len(part)]
    return audio.astype(np.float32)


def onsets(audio: Audio, block: int = 4096, rate_hz: int = RATE_HZ) -> list[Click]:
    """What the detector finds, fed in blocks."""
    detector = ClickDetector(rate_hz)
    found = []
    for first in range(0, len(audio), block):
        found += detector.feed(audio[first : first + block])
    return found
