"""Generous onset candidates in one microphone, from the rise of log band energy.

A frame's *strength* is the sum over bands of how far the band rose above the loudest of the four
frames before it, each band's rise clipped at 12 dB, so that no single band decides. Peaks of the
strength above `THRESHOLD_DB` are candidates; which drum, if any, was hit is decided later.

Works on chunks of fixed size at fixed places in the stream, so that the same audio gives the same
candidates to the bit at any block size.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liveassist.model import Candidate
from liveassist.spectra import BANDS, Grid

FloatArray = npt.NDArray[np.float32]

#: Frames looked back over: the loudest of the last window. A shorter look-back counts the beating
#: of a ringing head as a rise.
LOOK_BACK = 4
#: A candidate is the strongest frame within this many frames (11.6 ms) either side.
NEIGHBOURS = 4
#: Sum of clipped band rises that makes a candidate, dB. On eleven recorded sessions every main
#: hit and all but one of 141 ghost notes are candidates at 10; at 30, 4 % of ghosts are lost.
THRESHOLD_DB = 10.0
RISE_CLIP_DB = 12.0
#: Power under which nothing counts as a rise (-90 dBFS).
FLOOR_POWER = 1e-9


class OnsetDetector:
    """Candidates of the close microphones ``mics`` (columns), chunk by chunk.

    Look-ahead: a window and `NEIGHBOURS` hops after the onset.
    """

    def __init__(self, grid: Grid, mics: tuple[int, ...]) -> None:
        self._grid = grid
        self._mics = list(mics)
        self.reset(0)

    def reset(self, sample: int) -> None:
        """Forget what was heard; the next chunk starts at ``sample`` (a multiple of the hop)."""
        self._tail = np.zeros((len(self._mics), 0), dtype=np.float32)
        self._tail_start = sample
        self._levels = np.zeros((len(self._mics), LOOK_BACK, BANDS), dtype=np.float32)
        self._strength = np.zeros((0, len(self._mics)), dtype=np.float32)
        self._strength_frame = sample // self._grid.hop
        self._fresh = True

    def feed(self, chunk: npt.NDArray[np.float32]) -> list[Candidate]:
        """Candidates that became certain with this chunk, shape (frames, all microphones)."""
        grid = self._grid
        self._tail = np.concatenate([self._tail, chunk.T[self._mics]], axis=1)
        count = (self._tail.shape[1] - grid.window) // grid.hop + 1
        if count <= 0:
            return []
        level = grid.running(self._tail, count)
        level += np.float32(FLOOR_POWER)
        np.log10(level, out=level)
        level *= np.float32(10.0)
        self._tail = self._tail[:, count * grid.hop :]
        self._tail_start += count * grid.hop
        if self._fresh:
            # Nothing is known of the time before: whatever sounds now did not just begin.
            self._levels[:] = level[:, :1]
            self._fresh = False
        whole = np.concatenate([self._levels, level], axis=1)
        before = whole[:, :count]
        for back in range(1, LOOK_BACK):
            before = np.maximum(before, whole[:, back : back + count])
        rise = np.subtract(level, before, out=level)
        np.maximum(rise, np.float32(0.0), out=rise)
        np.minimum(rise, np.float32(RISE_CLIP_DB), out=rise)
        strength = rise.sum(axis=2)
        self._levels = whole[:, -LOOK_BACK:]
        self._strength = np.concatenate([self._strength, strength.T])
        return self._peaks()

    def _peaks(self) -> list[Candidate]:
        grid, reach = self._grid, NEIGHBOURS
        total = len(self._strength)
        found: list[Candidate] = []
        first = reach if self._strength_frame > 0 or total > reach else 0
        if total > 2 * reach:
            centre = self._strength[reach : total - reach]
            # The highest of one frame, of two, of four, ..., then of all 2 reach + 1.
            highest, width = self._strength, 1
            while 2 * width <= 2 * reach + 1:
                highest = np.maximum(highest[width:], highest[:-width])
                width *= 2
            highest = np.maximum(highest[: len(centre)], highest[2 * reach + 1 - width :])
            at, mic = np.nonzero((centre >= highest) & (centre > THRESHOLD_DB))
            for frame, column in zip(at.tolist(), mic.tolist(), strict=True):
                sample = (self._strength_frame + first + frame) * grid.hop
                found.append(
                    Candidate(
                        mic=self._mics[column],
                        sample=sample + grid.window // 2 + 5 * grid.window // 32,
                        strength_db=float(centre[frame, column]),
                    )
                )
            self._strength = self._strength[total - 2 * reach :]
            self._strength_frame += total - 2 * reach
        found.sort(key=lambda candidate: (candidate.sample, candidate.mic))
        return found
