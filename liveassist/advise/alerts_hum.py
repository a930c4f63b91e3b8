"""Mains hum: a steady tone at 50 or 60 Hz or its multiples.

A kick drum sounds at the same frequencies. What tells hum from it is the phase: the mains runs on
between frames as a clock does, while every stroke starts anew. Frames half a second long, hop a
quarter second, Hann window; a line counts when the phase step from frame to second next frame
(no overlap between them) is the same throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import Block, FloatArray
from liveassist.units import amplitude_to_dbfs

#: Mains frequencies and how many multiples are looked at.
MAINS_HZ = (50.0, 60.0)
MULTIPLES = 3
FRAME_S = 0.5
HOP_S = 0.25
#: Frames kept: ten seconds. All must be there before hum is claimed.
FRAMES = 40
#: Common phase step of all frames, 1 = exactly the same. Noise gives 1/sqrt(38) = 0.16 on
#: average; 0.9 needs a tone some 10 dB above what else is in the band in nearly every frame.
COHERENT = 0.9
LIKELY = 0.8
#: Quieter hum is left alone, dBFS.
MIN_LEVEL_DBFS = -75.0
#: How far the mains may stray, Hz (grids keep within 0.2 Hz; from memory).
STRAY_HZ = 0.4
_TARGET_RATE_HZ = 1500.0


@dataclass(frozen=True, slots=True)
class Hum:
    """Hum of one microphone: strongest family, its level (peak of the strongest line, dBFS), how
    steady the phase is (0 to 1). ``likely`` ends an alert only when false."""

    mains_hz: float
    level_dbfs: float
    coherence: float
    present: bool
    likely: bool


class HumWatch:
    """Streaming; any block size gives the same. Bounded: one frame of audio at 1.5 kHz."""

    def __init__(self, mics: int, sample_rate_hz: float) -> None:
        # A power of two, so that the mean of each group is a few sums of halves.
        self._factor = 1 << max(round(math.log2(sample_rate_hz / _TARGET_RATE_HZ)), 0)
        self._rate = sample_rate_hz / self._factor
        self._frame = round(FRAME_S * self._rate)
        self._hop = round(HOP_S * self._rate)
        self._raw = np.zeros((0, mics), np.float32)
        self._low: FloatArray = np.zeros((0, mics))
        self._next = 0
        #: Blocks to be taken in, and how many samples that is.
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._samples = 0
        self._lines = np.array(
            [mains * k for mains in MAINS_HZ for k in range(1, MULTIPLES + 1)], dtype=np.float64
        )
        time = np.arange(self._frame) / self._rate
        window = np.hanning(self._frame + 1)[:-1]
        turns = np.exp(-2j * np.pi * self._lines[:, None] * time)
        self._kernel: npt.NDArray[np.complex128] = np.asarray(
            window * turns * 2.0 / window.sum(), dtype=np.complex128
        )
        self._values: list[npt.NDArray[np.complex128]] = []

    def feed(self, block: Block) -> None:
        """Take in the next block; lost samples start everything anew."""
        if block.lost_samples or block.first_sample != self._next:
            self._raw = self._raw[:0]
            self._low = self._low[:0]
            self._values.clear()
            self._waiting.clear()
            self._samples = 0
        self._next = block.first_sample + block.audio.shape[0]
        # Small blocks are taken in together: each alone would take as long as a hop's worth.
        self._waiting.append(block.audio.copy())
        self._samples += block.audio.shape[0]
        if self._samples >= self._hop * self._factor:
            self._take_in()

    def _take_in(self) -> None:
        raw = np.concatenate([self._raw, *self._waiting])
        self._waiting.clear()
        self._samples = 0
        whole = raw.shape[0] - raw.shape[0] % self._factor
        self._raw = raw[whole:].copy()
        if whole == 0:
            return
        low = raw[:whole].reshape(-1, self._factor * raw.shape[1])
        while low.shape[1] > raw.shape[1]:
            half = low.shape[1] // 2
            low = low[:, :half] + low[:, half:]
        low = low.astype(np.float64) / self._factor
        self._low = np.concatenate([self._low, low])
        while self._low.shape[0] >= self._frame:
            self._values.append(self._kernel @ self._low[: self._frame])
            self._low = self._low[self._hop :]
        del self._values[:-FRAMES]

    def hum(self, mic: int) -> Hum:
        """Hum of the microphone of this column over the last ten seconds."""
        if self._waiting:
            self._take_in()
        if len(self._values) < FRAMES:
            return Hum(MAINS_HZ[0], amplitude_to_dbfs(0.0), 0.0, False, False)
        z = np.array([value[:, mic] for value in self._values])
        unit = z / np.maximum(np.abs(z), 1e-12)
        step = (unit[2:] * unit[:-2].conj()).mean(axis=0)
        coherence = np.abs(step)
        # The step a steady line of exactly that frequency would make is taken off; what is left
        # is how far the mains strays.
        expected = np.exp(2j * np.pi * self._lines * 2.0 * self._hop / self._rate)
        stray = np.abs(np.angle(step * expected.conj())) / (4.0 * np.pi * HOP_S)
        level = np.median(np.abs(z), axis=0)
        good = (stray <= STRAY_HZ) & (level >= 10.0 ** (MIN_LEVEL_DBFS / 20.0))
        score = np.where(good, coherence, 0.0)
        best = int(np.argmax(np.where(score >= COHERENT, level, score * 1e-9)))
        return Hum(
            mains_hz=MAINS_HZ[best // MULTIPLES],
            level_dbfs=amplitude_to_dbfs(float(level[best])),
            coherence=float(score[best]),
            present=bool(score[best] >= COHERENT),
            likely=bool(score.max() >= LIKELY),
        )
