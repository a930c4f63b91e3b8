"""The last seconds of audio, kept as the chunks they came in: for what a person asks afterwards."""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from liveassist.history import History

Audio = npt.NDArray[np.float32]


class LookBack:
    """Keeps the newest chunks of ``size`` samples, ``length`` samples in all, without copying."""

    def __init__(self, mics: int, size: int, length: int) -> None:
        self._mics = mics
        self._chunks: deque[tuple[int, Audio]] = deque(maxlen=-(-length // size))

    def push(self, first_sample: int, audio: Audio) -> None:
        """Keep a chunk; it must not be changed afterwards. A jump forgets what was before."""
        if self._chunks:
            last, kept = self._chunks[-1]
            if last + len(kept) != first_sample:
                self._chunks.clear()
        self._chunks.append((first_sample, audio))

    @property
    def start(self) -> int:
        """First absolute sample kept; 0 where nothing is."""
        return self._chunks[0][0] if self._chunks else 0

    def audio(self) -> Audio:
        """All that is kept, oldest first, as a copy: (samples, microphones)."""
        if not self._chunks:
            return np.zeros((0, self._mics), dtype=np.float32)
        return np.concatenate([audio for _, audio in self._chunks])

    def history(self) -> History:
        """All that is kept, as stages look at it."""
        audio = self.audio()
        history = History(self._mics, max(len(audio), 1))
        history.reset(self.start)
        history.push(audio)
        return history
