"""The last seconds of audio, addressed by absolute sample index; bounded, preallocated."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Audio = npt.NDArray[np.float32]


class History:
    """Keeps the newest ``length`` samples of all microphones in one array (samples, mics).

    In memory each microphone's samples lie together, as transforms along time want them.
    """

    def __init__(self, mics: int, length: int) -> None:
        self._store = np.zeros((mics, 2 * length), dtype=np.float32)
        self._length = length
        self._used = 0
        self.end = 0

    @property
    def start(self) -> int:
        """First absolute sample still kept."""
        return self.end - min(self._used, self._length)

    def reset(self, sample: int) -> None:
        """Forget everything; the next chunk begins at ``sample``."""
        self._used = 0
        self.end = sample

    def push(self, chunk: Audio) -> None:
        """Append a chunk (frames, mics) no longer than ``length``."""
        frames = len(chunk)
        if self._used + frames > self._store.shape[1]:
            keep = self._length - frames
            self._store[:, :keep] = self._store[:, self._used - keep : self._used]
            self._used = keep
        self._store[:, self._used : self._used + frames] = chunk.T
        self._used += frames
        self.end += frames

    def row(self, sample: int) -> int:
        """Row of absolute ``sample`` in `array` (may lie outside it)."""
        return sample - (self.end - self._used)

    @property
    def array(self) -> Audio:
        """All that is stored, oldest first (at least what `start` promises); do not keep it."""
        return self._store[:, : self._used].T

    def view(self, start: int, stop: int) -> Audio:
        """Samples ``start`` to ``stop``, zeros where they are gone or not yet there."""
        first, last = self.row(start), self.row(stop)
        if first >= 0 and last <= self._used:
            return self._store[:, first:last].T
        out = np.zeros((self._store.shape[0], stop - start), dtype=np.float32)
        low, high = max(first, 0), min(last, self._used)
        if high > low:
            out[:, low - first : high - first] = self._store[:, low:high]
        return out.T
