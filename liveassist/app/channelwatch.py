"""Which channel moves when a drum is hit: strokes over all channels of an unknown interface.

Pure: audio in, strokes out, the same at any block size. No kit is known yet, so a stroke is only a
jump of the level on some channel; the person says which drum it was.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.model import Audio, FloatArray
from liveassist.units import amplitudes_to_dbfs

#: Levels are looked at over spans this long, s.
HOP_S: Final = 0.005
#: A stroke rises this far over the loudest of the last `QUIET_S`, dB; it is at least so loud, dBFS.
RISE_DB: Final = 12.0
LEAST_DBFS: Final = -55.0
QUIET_S: Final = 0.060
#: Its peak is looked for so long, s; the next stroke comes no sooner than `REST_S` after it.
PEAK_S: Final = 0.060
REST_S: Final = 0.250
#: A channel this near to the loudest may be a second microphone on the drum, dB.
NEAR_DB: Final = 8.0
#: Channels this far under the loudest do not move, dB.
MOVES_DB: Final = 40.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke: when it began, s from the first sample, and its peak on every channel, dBFS."""

    time_s: float
    peaks_dbfs: tuple[float, ...]

    @property
    def loudest(self) -> int:
        """Channel (from 1) that it is loudest on."""
        return int(np.argmax(self.peaks_dbfs)) + 1


class ChannelWatch:
    """Finds strokes in audio of ``channels`` channels."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._hop = max(1, round(HOP_S * sample_rate_hz))
        self._rest: Audio = np.zeros((0, channels), dtype=np.float32)
        self._before: deque[FloatArray] = deque(maxlen=round(QUIET_S / HOP_S))
        self._peaks: FloatArray | None = None
        self._began = 0
        self._hops = 0

    def feed(self, audio: Audio) -> list[Stroke]:
        """Take in ``audio`` (frames, channels); the strokes whose peak is now known."""
        strokes = []
        whole = np.concatenate([self._rest, audio])
        hops = len(whole) // self._hop
        spans = np.abs(whole[: hops * self._hop]).reshape(hops, self._hop, whole.shape[1])
        peaks = spans.max(axis=1)
        self._rest = whole[hops * self._hop :]
        for row in amplitudes_to_dbfs(peaks):
            stroke = self._look(row)
            if stroke is not None:
                strokes.append(stroke)
            self._hops += 1
        return strokes

    def _look(self, row: FloatArray) -> Stroke | None:
        """One span further."""
        done = None
        if self._peaks is not None:
            age_s = (self._hops - self._began) * HOP_S
            if age_s < PEAK_S:
                self._peaks = np.maximum(self._peaks, row)
            elif age_s >= REST_S:
                self._peaks = None
            if age_s < PEAK_S <= age_s + HOP_S + 1e-9 and self._peaks is not None:
                when = self._began * self._hop / self._rate
                done = Stroke(when, tuple(float(level) for level in self._peaks))
        if self._peaks is None and len(self._before) == self._before.maxlen:
            rise = row - np.max(np.array(self._before), axis=0)
            if bool(np.any((rise >= RISE_DB) & (row >= LEAST_DBFS))):
                self._peaks = row.copy()
                self._began = self._hops
        self._before.append(row)
        return done


@dataclass(frozen=True, slots=True)
class Moving:
    """Which channels move for one drum. ``own`` and ``near`` count from 1; ``near``: others that
    may be second microphones; ``levels_dbfs``: median peak on every channel."""

    own: int
    near: tuple[int, ...]
    levels_dbfs: tuple[float, ...]

    def moving(self) -> list[int]:
        """Channels that move at all, the loudest first."""
        order = sorted(range(len(self.levels_dbfs)), key=lambda one: -self.levels_dbfs[one])
        top = self.levels_dbfs[order[0]]
        return [one + 1 for one in order if self.levels_dbfs[one] > top - MOVES_DB]


def which_moves(strokes: Sequence[Stroke], taken: Sequence[int] = ()) -> Moving:
    """The channel a drum's strokes are loudest on, of those not ``taken`` by another drum.

    ``strokes``: at least one. The median over them, so that one stray stroke does not decide.
    """
    levels = np.median(np.array([stroke.peaks_dbfs for stroke in strokes]), axis=0)
    free = [one for one in range(len(levels)) if one + 1 not in taken] or list(range(len(levels)))
    own = max(free, key=lambda one: float(levels[one]))
    near = [
        one + 1
        for one in sorted(free, key=lambda one: -float(levels[one]))
        if one != own and levels[one] > levels[own] - NEAR_DB
    ]
    return Moving(own + 1, tuple(near), tuple(float(level) for level in levels))
