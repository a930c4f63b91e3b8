"""The last minutes of level frames, as advice reads them: one row a hop, bounded."""

from __future__ import annotations

import numpy as np

from liveassist.model import Audio, Kit, LevelFrames

#: A key filter: (high-pass corner, low-pass corner) in Hz; 0 and infinity leave that side open.
Band = tuple[float, float]
FULL_BAND: Band = (0.0, float("inf"))

_FIRST_ROWS = 4096


class LevelHistory:
    """Peak envelopes of every microphone, full band and behind each key filter that was tried.

    Holds at most ``seconds`` of audio; older hops are dropped and counted in ``dropped_hops``. A
    gap in the frames (lost samples) is kept as silence, so that time stays the sample index.
    At 44.1 kHz and eight microphones, five of them close, five minutes take 43 MB.
    """

    def __init__(self, kit: Kit, sample_rate_hz: float, seconds: float = 300.0) -> None:
        self._kit = kit
        self.sample_rate_hz = float(sample_rate_hz)
        self._seconds = seconds
        self._columns: dict[tuple[int, Band], int] = {}
        self._rows: Audio = np.zeros((0, 0), dtype=np.float32)
        self._start = 0
        self._count = 0
        self._first_hop = 0
        self.hop_samples = 0
        self.dropped_hops = 0

    @property
    def hops(self) -> int:
        """Hops held."""
        return self._count

    @property
    def first_sample(self) -> int:
        """Sample index at which the oldest hop held begins."""
        return self._first_hop * self.hop_samples

    @property
    def hops_per_second(self) -> float:
        """Rate of the envelopes, hertz. ValueError while nothing was added."""
        if self.hop_samples == 0:
            raise ValueError("no level frames were added yet")
        return self.sample_rate_hz / self.hop_samples

    def bands(self, mic: str) -> tuple[Band, ...]:
        """Key filters tried on ``mic`` (without the full band)."""
        index = self._kit.mic_index(mic)
        return tuple(b for column, b in self._columns if column == index and b != FULL_BAND)

    def envelope(self, mic: str, band: Band = FULL_BAND) -> Audio:
        """Peak a hop, linear amplitude, 1-D; KeyError when that filter was not tried there."""
        column = self._columns[self._kit.mic_index(mic), band]
        return self._rows[self._start : self._start + self._count, column]

    def add(self, frames: LevelFrames) -> None:
        """Append ``frames``, which must not lie before what is held (ValueError)."""
        if self.hop_samples == 0:
            self._lay_out(frames)
        if frames.hop_samples != self.hop_samples or frames.first_sample % self.hop_samples:
            raise ValueError("level frames of another hop length")
        gap = frames.first_sample // self.hop_samples - (self._first_hop + self._count)
        if gap < 0:
            raise ValueError("level frames that lie before those already held")
        capacity = max(1, int(self._seconds * self.hops_per_second))
        if gap >= capacity:
            self._first_hop += gap
            self._drop(self._count)
            gap = 0
        new = self._append(gap + frames.peak.shape[0], capacity)
        new[:gap] = 0.0
        for (mic, band), column in self._columns.items():
            source = frames.peak if band == FULL_BAND else frames.keyed.get(band)
            new[gap:, column] = 0.0 if source is None else source[:, mic]
        if self._count > capacity:
            self._drop(self._count - capacity)

    def _lay_out(self, frames: LevelFrames) -> None:
        self.hop_samples = frames.hop_samples
        self._first_hop = frames.first_sample // frames.hop_samples
        for mic in range(len(self._kit.mics)):
            self._columns[mic, FULL_BAND] = len(self._columns)
        for band, keyed in frames.keyed.items():
            for column in np.flatnonzero(~np.isnan(keyed[0])):
                self._columns[int(column), band] = len(self._columns)
        self._rows = np.zeros((_FIRST_ROWS, len(self._columns)), dtype=np.float32, order="F")

    def _append(self, more: int, capacity: int) -> Audio:
        """Rows to write ``more`` hops into; storage grows by doubling up to a quarter above
        ``capacity``, then what is held moves to its front."""
        if self._start + self._count + more > self._rows.shape[0]:
            held = self._rows[self._start : self._start + self._count]
            size = max(_FIRST_ROWS, self._count + more)
            size = max(size, min(2 * size, capacity + capacity // 4))
            grown = np.zeros((size, held.shape[1]), dtype=np.float32, order="F")
            grown[: self._count] = held
            self._rows, self._start = grown, 0
        self._count += more
        end = self._start + self._count
        return self._rows[end - more : end]

    def _drop(self, hops: int) -> None:
        self._start += hops
        self._first_hop += hops
        self.dropped_hops += hops
        self._count -= hops
