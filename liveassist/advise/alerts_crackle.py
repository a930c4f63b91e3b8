"""Crackle of a bad cable: clicks in one microphone that no other hears and no hit explains."""

from __future__ import annotations

import bisect
from collections import deque

import numpy as np

from liveassist.model import FloatArray, LevelFrames

#: A click rises this far over what was there, is over this soon, and is at least this loud.
RISE = 8.0
OVER_S = 0.008
MIN_LEVEL = 10.0 ** (-50.0 / 20.0)
#: No other microphone rises by this much within this time around it.
OTHERS_RISE = 1.6
AROUND_S = 0.004
#: What was there before: the loudest of this much time.
BEFORE_S = 0.012
#: Clicks nearer than this to a hit, or to each other, are not counted (again).
HIT_S = 0.06
APART_S = 0.03
#: Clicks looked back over, and time a hit needs to be known.
WINDOW_S = 10.0
KNOWN_AFTER_S = 1.0


class CrackleWatch:
    """Streaming over level frames; bounded: half a second of frames, ten of click times."""

    #: Clicks in `WINDOW_S` that make crackle.
    min_count = 5

    def __init__(self, mics: int, sample_rate_hz: float) -> None:
        self._rate = sample_rate_hz
        self._mics = mics
        self._peak = np.zeros((0, mics), np.float32)
        self._first = 0
        self._clicks: list[deque[float]] = [deque(maxlen=256) for _ in range(mics)]
        self._hits: list[float] = []

    def hit(self, time_s: float) -> None:
        """Note a hit on any drum."""
        bisect.insort(self._hits, time_s)
        del self._hits[:-512]

    def feed(self, frames: LevelFrames) -> None:
        """Take in the next level frames."""
        hop = frames.hop_samples
        if frames.first_sample != self._first + self._peak.shape[0] * hop:
            self._peak = self._peak[:0]
        if self._peak.shape[0] == 0:
            self._first = frames.first_sample
        self._peak = np.concatenate([self._peak, frames.peak])
        before = max(round(BEFORE_S * self._rate / hop), 1)
        after = max(round(OVER_S * self._rate / hop), 2)
        ready = self._peak.shape[0] - before - after
        if ready < 8 or self._mics < 2:
            return
        self._look(self._peak.astype(np.float64), before, after, hop)
        self._peak = self._peak[ready:].copy()
        self._first += ready * hop

    def _look(self, peak: FloatArray, before: int, after: int, hop: int) -> None:
        count = peak.shape[0] - before - after
        centre = peak[before : before + count]
        then = peak[before + after : before + after + count]
        # Few are loud and over at once: only there it is asked what was before.
        around = max(round(AROUND_S * self._rate / hop), 1)
        for row, mic in zip(
            *np.nonzero((centre >= MIN_LEVEL) & (then < centre / RISE)), strict=True
        ):
            floor = np.maximum(peak[row : row + before].max(axis=0), 1e-6)
            if not centre[row, mic] > RISE * floor[mic]:
                continue
            low, high = max(before + row - around, 0), before + row + around + 1
            rise = peak[low:high].max(axis=0) / floor
            rise[mic] = 0.0
            if (rise >= OTHERS_RISE).any():
                continue
            time = (self._first + (before + int(row)) * hop) / self._rate
            clicks = self._clicks[int(mic)]
            if not clicks or time - clicks[-1] >= APART_S:
                clicks.append(time)

    def count(self, mic: int, now_s: float) -> int:
        """Clicks of the microphone in the ten seconds that ended `KNOWN_AFTER_S` ago."""
        newest = now_s - KNOWN_AFTER_S
        found = [t for t in self._clicks[mic] if newest - WINDOW_S <= t <= newest]
        return sum(not self._near_hit(t) for t in found)

    def _near_hit(self, time_s: float) -> bool:
        at = bisect.bisect_left(self._hits, time_s - HIT_S)
        return at < len(self._hits) and self._hits[at] <= time_s + HIT_S
