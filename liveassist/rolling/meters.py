"""What a meter shows of each microphone: peak, peak hold, RMS, clipped samples."""

from __future__ import annotations

import math

import numpy as np

from liveassist.model import FloatArray, Kit, LevelFrames, MicState
from liveassist.units import SILENCE_DBFS, amplitude_to_dbfs

#: How long the peak reading stays before it is replaced by what came since, seconds: long enough
#: to be seen at ten pictures a second.
PEAK_S = 0.1
#: The held peak stays this long, then falls this fast. Common practice, no source.
HOLD_S = 2.0
FALL_DB_PER_S = 12.0
#: Time constant of the RMS reading, seconds (that of a volume indicator; common practice).
RMS_S = 0.3


class Meters:
    """Meter state of all microphones of a kit, fed by level frames."""

    def __init__(self, kit: Kit, sample_rate_hz: float) -> None:
        count = len(kit.mics)
        self._names = tuple(mic.name for mic in kit.mics)
        self._rate = sample_rate_hz
        self._now = 0.0
        self._peak: FloatArray = np.zeros(count)
        self._peak_at: FloatArray = np.full(count, -math.inf)
        self._hold: FloatArray = np.full(count, SILENCE_DBFS)
        self._hold_at: FloatArray = np.full(count, -math.inf)
        self._square: FloatArray = np.zeros(count)
        self._clipped = np.zeros(count, np.int64)
        self._clip_at: FloatArray = np.full(count, -math.inf)

    def add(self, frames: LevelFrames) -> None:
        """Take in the next level frames."""
        hops = frames.peak.shape[0]
        if hops == 0:
            return
        length = hops * frames.hop_samples / self._rate
        self._now = (frames.first_sample + hops * frames.hop_samples) / self._rate
        top = frames.peak.max(axis=0).astype(np.float64)
        fresh = (top >= self._peak) | (self._now - self._peak_at > PEAK_S)
        self._peak = np.where(fresh, top, self._peak)
        self._peak_at = np.where(fresh, self._now, self._peak_at)
        level = 20.0 * np.log10(np.maximum(top, 10.0 ** (SILENCE_DBFS / 20.0)))
        higher = level >= self._held()
        self._hold = np.where(higher, level, self._hold)
        self._hold_at = np.where(higher, self._now, self._hold_at)
        if frames.rms:
            share = 1.0 - math.exp(-length / RMS_S)
            self._square += share * (np.square(frames.rms) - self._square)
        if frames.clipped:
            clipped = np.asarray(frames.clipped, dtype=np.int64)
            self._clipped += clipped
            self._clip_at = np.where(clipped > 0, self._now, self._clip_at)

    def _held(self) -> FloatArray:
        over = np.maximum(self._now - self._hold_at - HOLD_S, 0.0)
        return np.asarray(np.maximum(self._hold - FALL_DB_PER_S * over, SILENCE_DBFS))

    def states(self) -> tuple[MicState, ...]:
        """State of every microphone, in the order of the kit."""
        held = self._held()
        return tuple(
            MicState(
                name=name,
                peak_dbfs=amplitude_to_dbfs(float(self._peak[i])),
                hold_dbfs=float(held[i]),
                rms_dbfs=amplitude_to_dbfs(math.sqrt(float(self._square[i]))),
                clipped=int(self._clipped[i]),
                clip_age_s=self._age(i),
            )
            for i, name in enumerate(self._names)
        )

    def _age(self, mic: int) -> float | None:
        if self._clipped[mic] == 0:
            return None
        return max(self._now - float(self._clip_at[mic]), 0.0)
