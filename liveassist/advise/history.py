"""The last minutes of level frames, as advice reads them: one row a hop, bounded."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from liveassist.model import Audio, FloatArray, Kit, LevelFrames

#: A key filter: (high-pass corner, low-pass corner) in Hz; 0 and infinity leave that side open.
Band = tuple[float, float]
FULL_BAND: Band = (0.0, float("inf"))
#: A key filter, and whether it has twice the slope.
Place = tuple[Band, bool]
Half = npt.NDArray[np.float16]
#: Peaks a hop as they are worked on.
Envelope = Audio | FloatArray

#: Hops a page, 12 s at 44.1 kHz: storage grows and gives way by pages, so that nothing that is
#: held is ever copied while audio waits.
PAGE_HOPS = 16384

_LEAST_NORMAL, _LEAST_STEP = np.float32(2.0**-14), np.float32(2.0**-24)


class Stretch:
    """The envelopes of one microphone from one hop to another; later frames do not change it."""

    def __init__(
        self, mic: str, parts: list[Half], columns: Mapping[Place, int], first_hop: int,
        hops_per_second: float,
    ) -> None:  # fmt: skip
        self.mic = mic
        self.first_hop = first_hop
        self.hops_per_second = hops_per_second
        self.hops = sum(len(part) for part in parts)
        self._parts = parts
        self._columns = columns

    @property
    def bands(self) -> tuple[Band, ...]:
        """Key filters tried (without the full band)."""
        return tuple(b for b, steep in self._columns if b != FULL_BAND and not steep)

    def envelope(self, band: Band = FULL_BAND, steep: bool = False) -> Audio:
        """Peak a hop, linear amplitude, 1-D; KeyError when that filter was not tried."""
        column = self._columns[band, steep]
        if not self._parts:
            return np.zeros(0, dtype=np.float32)
        return np.concatenate([part[:, column] for part in self._parts]).astype(np.float32)

    def has_steep(self, band: Band) -> bool:
        """Whether the filter was tried with twice the slope too."""
        return (band, True) in self._columns


class LevelHistory:
    """Peak envelopes of every microphone, full band and behind each key filter that was tried.

    Holds at most ``seconds`` of audio; older hops are dropped and counted in ``dropped_hops``. A
    gap in the frames (lost samples) is kept as silence, so that time stays the sample index.
    Values are kept in half precision, to 0.004 dB: at 44.1 kHz and eight microphones, two of them
    on a snare, five minutes take 43 MB.
    """

    def __init__(self, kit: Kit, sample_rate_hz: float, seconds: float = 300.0) -> None:
        self._kit = kit
        self.sample_rate_hz = float(sample_rate_hz)
        self._seconds = seconds
        self._columns: dict[tuple[int, Place], int] = {}
        self._pages: deque[Half] = deque()
        #: Where in the first page the oldest hop lies.
        self._start = 0
        self._count = 0
        self.first_hop = 0
        self.hop_samples = 0
        self.dropped_hops = 0

    @property
    def hops(self) -> int:
        """Hops held."""
        return self._count

    @property
    def first_sample(self) -> int:
        """Sample index at which the oldest hop held begins."""
        return self.first_hop * self.hop_samples

    @property
    def hops_per_second(self) -> float:
        """Rate of the envelopes, hertz. ValueError while nothing was added."""
        if self.hop_samples == 0:
            raise ValueError("no level frames were added yet")
        return self.sample_rate_hz / self.hop_samples

    def bands(self, mic: str) -> tuple[Band, ...]:
        """Key filters tried on ``mic`` (without the full band)."""
        index = self._kit.mic_index(mic)
        return tuple(
            band
            for at, (band, steep) in self._columns
            if at == index and band != FULL_BAND and not steep
        )

    def stretch(self, mic: str, first_hop: int, stop_hop: int) -> Stretch:
        """What ``mic`` heard in hops ``first_hop`` to ``stop_hop`` (counted from the first sample
        of input), as far as it is held."""
        index = self._kit.mic_index(mic)
        first = max(first_hop, self.first_hop)
        low = self._start + first - self.first_hop
        high = self._start + min(stop_hop - self.first_hop, self._count)
        parts = []
        for number, page in enumerate(self._pages):
            begin = number * PAGE_HOPS
            part = page[max(0, low - begin) : max(0, high - begin)]
            if len(part):
                parts.append(part)
        columns = {place: column for (at, place), column in self._columns.items() if at == index}
        rate = self.hops_per_second if self.hop_samples else 1.0
        return Stretch(mic, parts, columns or {(FULL_BAND, False): 0}, first, rate)

    def envelope(self, mic: str, band: Band = FULL_BAND) -> Audio:
        """Peak a hop, linear amplitude, 1-D; KeyError when that filter was not tried there."""
        return self.stretch(mic, self.first_hop, self.first_hop + self._count).envelope(band)

    def add(self, frames: LevelFrames) -> None:
        """Append ``frames``, which must not lie before what is held (ValueError)."""
        if self.hop_samples == 0:
            self._lay_out(frames)
        if frames.hop_samples != self.hop_samples or frames.first_sample % self.hop_samples:
            raise ValueError("level frames of another hop length")
        gap = frames.first_sample // self.hop_samples - (self.first_hop + self._count)
        if gap < 0:
            raise ValueError("level frames that lie before those already held")
        capacity = max(1, int(self._seconds * self.hops_per_second))
        if gap >= capacity:
            self.first_hop += gap
            self._drop(self._count)
            gap = 0
        rows = np.zeros((frames.peak.shape[0], len(self._columns)), dtype=np.float32)
        for (mic, (band, steep)), column in self._columns.items():
            keyed = frames.steep if steep else frames.keyed
            source = frames.peak if band == FULL_BAND else keyed.get(band)
            if source is not None:
                rows[:, column] = source[:, mic]
        self._append(gap)
        self._append(len(rows), _for_half(rows))
        if self._count > capacity:
            self._drop(self._count - capacity)

    def _lay_out(self, frames: LevelFrames) -> None:
        self.hop_samples = frames.hop_samples
        self.first_hop = frames.first_sample // frames.hop_samples
        for mic in range(len(self._kit.mics)):
            self._columns[mic, (FULL_BAND, False)] = len(self._columns)
        for steep, tried in ((False, frames.keyed), (True, frames.steep)):
            for band, keyed in tried.items():
                for column in np.flatnonzero(~np.isnan(keyed[0])):
                    self._columns[int(column), (band, steep)] = len(self._columns)

    def _append(self, hops: int, rows: Audio | None = None) -> None:
        """Go on by ``hops``: with ``rows``, or in silence. A page begins as zeros and a place in
        it is written once."""
        written = 0
        while written < hops:
            page, at = divmod(self._start + self._count, PAGE_HOPS)
            if page == len(self._pages):
                shape = (PAGE_HOPS, len(self._columns))
                self._pages.append(np.zeros(shape, dtype=np.float16, order="F"))
            count = min(hops - written, PAGE_HOPS - at)
            if rows is not None:
                self._pages[page][at : at + count] = rows[written : written + count]
            written += count
            self._count += count

    def _drop(self, hops: int) -> None:
        self._start += hops
        self.first_hop += hops
        self.dropped_hops += hops
        self._count -= hops
        while self._pages and self._start >= PAGE_HOPS:
            self._pages.popleft()
            self._start -= PAGE_HOPS


def _for_half(rows: Audio) -> Audio:
    """What is too small for a normal half (-84 dBFS), rounded to a step of halves there: the same
    halves, but where the conversion rounds down there itself, it takes thirty times as long."""
    return np.where(rows < _LEAST_NORMAL, np.rint(rows / _LEAST_STEP) * _LEAST_STEP, rows)
