"""From sound at the capsules to recorded samples: gain, faults, noise, hum, bending, clipping."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .drumspec import Signal
from .faults import Timeline
from .kit import Kit

Factors = npt.NDArray[np.float32]


class Preamps:
    """All channels' preamps. Works on absolute sample numbers, keeps no state between steps."""

    def __init__(self, kit: Kit, timeline: Timeline, seed: int, sample_rate_hz: int) -> None:
        self.kit = kit
        self.timeline = timeline
        self.seed = seed
        self.rate = sample_rate_hz
        self._changes = [round(t * sample_rate_hz) for t in timeline.factor_times()]
        edges = [0, *self._changes]
        self._factors = [timeline.mic_factor((edge + 0.5) / sample_rate_hz) for edge in edges]
        self._noise = np.array([10 ** (mic.noise_dbfs / 20) for mic in kit.mics], dtype=np.float32)
        knees = [mic.saturation_db for mic in kit.mics]
        self._knee = np.array([1.0 if k is None else 10 ** (k / 20) for k in knees])

    def factor_at(self, sample: int) -> Factors:
        """Factor of faults on each channel at one sample."""
        return self._factors[int(np.searchsorted(self._changes, sample, side="right"))]

    def changes_within(self, start: int, stop: int) -> bool:
        """Whether any factor changes in [start, stop)."""
        return any(start < change < stop for change in self._changes)

    def factors(self, start: int, stop: int) -> Factors:
        """Factors of each sample, shape (samples, microphones)."""
        if not self.changes_within(start, stop):
            return np.repeat(self.factor_at(start)[None], stop - start, axis=0)
        place = np.searchsorted(self._changes, np.arange(start, stop), side="right")
        return np.stack(self._factors)[place]

    def process(self, sound: Signal, start: int) -> Signal:
        """One step of recorded samples, in -1 to 1."""
        stop = start + sound.shape[0]
        out = sound
        if self._changes:
            out = out * (
                self.factors(start, stop)
                if self.changes_within(start, stop)
                else self.factor_at(start)[None]
            )
        rng = np.random.default_rng([self.seed, 404, start])
        noise = rng.standard_normal(out.shape, dtype=np.float32)
        out = out + noise * self._noise[None]
        self._add_hum(out, start)
        self._add_crackle(out, start)
        out = self.bend(out)
        self._drop(out, start)
        return out

    def bend(self, signal: Signal) -> Signal:
        """Soft bend above each channel's knee, then the hard stop at full scale."""
        out = np.clip(signal, -1.0, 1.0).astype(np.float32)
        for column in np.flatnonzero(self._knee < 1.0):
            knee = self._knee[column]
            size = np.abs(signal[:, column].astype(np.float64))
            over = np.maximum(size - knee, 0.0)
            bent = knee + (1.0 - knee) * np.tanh(over / (1.0 - knee))
            out[:, column] = np.sign(signal[:, column]) * np.where(size > knee, bent, size)
        return out

    def _add_hum(self, out: Signal, start: int) -> None:
        """Mains hum: the fundamental and odd harmonics, as from a bad shield."""
        time = np.arange(start, start + out.shape[0]) / self.rate
        for column, mic in enumerate(self.kit.mics):
            levels = [] if mic.hum_dbfs is None else [(mic.hum_dbfs, np.ones(time.size))]
            for item in self.timeline.of("hum"):
                if item.mic == mic.name:
                    inside = (time >= item.at_s) & (
                        (item.over_s <= 0) | (time < item.at_s + item.over_s)
                    )
                    if np.any(inside):
                        levels.append((item.dbfs, inside.astype(np.float64)))
            for level, where in levels:
                wave = sum(
                    size * np.sin(2 * np.pi * mic.hum_hz * k * time)
                    for k, size in ((1, 1.0), (2, 0.25), (3, 0.5), (5, 0.25))
                )
                rms = np.sqrt((1.0 + 0.25**2 + 0.5**2 + 0.25**2) / 2)
                out[:, column] += (wave * where * 10 ** (level / 20) / rms).astype(np.float32)

    def _add_crackle(self, out: Signal, start: int) -> None:
        """A failing cable: short bursts at random, each a step that dies in a millisecond."""
        frames = out.shape[0]
        for number, item in enumerate(self.timeline.of("crackle")):
            column = self.kit.mic_index(str(item.mic))
            first, last = (round(t * self.rate) for t in (item.at_s, item.at_s + item.over_s))
            if start >= last or start + frames <= first:
                continue
            rng = np.random.default_rng([self.seed, 505, number, start])
            for _ in range(rng.poisson(25.0 * frames / self.rate)):
                place = int(rng.integers(frames))
                length = min(int(rng.integers(20, 200)), frames - place)
                burst = rng.standard_normal(length) * np.exp(-np.arange(length) / 25.0)
                if first <= start + place < last:
                    size = 10 ** (item.dbfs / 20) * rng.uniform(0.3, 1.0)
                    burst *= size / np.abs(burst).max()
                    out[place : place + length, column] += burst.astype(np.float32)

    def _drop(self, out: Signal, start: int) -> None:
        """Dropped blocks arrive as silence on every channel."""
        for item in self.timeline.of("dropped"):
            first, last = (round(t * self.rate) for t in (item.at_s, item.at_s + item.over_s))
            low, high = max(first - start, 0), min(last - start, out.shape[0])
            if high > low:
                out[low:high] = 0.0
