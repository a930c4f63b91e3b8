"""What the microphones hear between hits: levels in short chunks, kept compactly for the session.

A chunk is 40 ms, the span in which a hit's own peak is taken, so that the two compare; a level is
stored in half-decibel steps in one byte. Three hours of 32 microphones are 8.6 MB.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray, LevelFrames
from liveassist.units import amplitudes_to_dbfs

CHUNK_S = 0.04
#: Around a hit nothing counts as wash: this long before it, after it, and after a hit of the
#: microphone's own drum (which rings there). Seconds.
BEFORE_S = 0.02
AFTER_S = 0.10
AFTER_OWN_S = 0.35
#: Only while playing: within this of a hit before or after. Silence would dilute the percentile.
PLAYING_S = 2.0
#: Fewest chunks for a percentile: one second of sound between hits.
MIN_CHUNKS = 25
SHARE = 0.95
_UNKNOWN = 255
_STEP_DB = 0.5


class LevelStore:
    """Peak of every microphone in every chunk since the start; grows by doubling."""

    def __init__(self, mics: int, sample_rate_hz: float) -> None:
        self._chunk = max(round(CHUNK_S * sample_rate_hz), 1)
        self._rate = sample_rate_hz
        self._codes: npt.NDArray[np.uint8] = np.full((1024, mics), _UNKNOWN, np.uint8)
        self._end = 0

    def add(self, frames: LevelFrames) -> None:
        """Take in level frames; hops that straddle two chunks count for the first."""
        if frames.peak.shape[0] == 0:
            return
        first = frames.first_sample + np.arange(frames.peak.shape[0]) * frames.hop_samples
        chunk = first // self._chunk
        starts = np.flatnonzero(np.diff(chunk, prepend=chunk[0] - 1))
        top = np.maximum.reduceat(frames.peak, starts, axis=0)
        code = np.clip(np.round(-amplitudes_to_dbfs(top) / _STEP_DB), 0, _UNKNOWN - 1)
        at = chunk[starts]
        self._reserve(int(at[-1]) + 1)
        # A smaller code is louder, so the louder part of a chunk seen in two parts stays.
        self._codes[at] = np.minimum(self._codes[at], code.astype(np.uint8))
        self._end = max(self._end, int(at[-1]) + 1)

    def packed(self) -> str:
        """All of it as text, for a file; some 0.1 MB an hour and microphone."""
        return base64.b64encode(zlib.compress(self._codes[: self._end].tobytes())).decode("ascii")

    def unpack(self, text: str) -> None:
        """Take in what `packed` gave, in the place of what is here; ValueError if it is not that
        of as many microphones."""
        mics = self._codes.shape[1]
        try:
            data = zlib.decompress(base64.b64decode(text, validate=True))
        except zlib.error as error:
            raise ValueError(str(error)) from None
        self._codes = np.frombuffer(data, np.uint8).reshape(-1, mics).copy()
        self._end = len(self._codes)
        self._reserve(1024)

    def _reserve(self, chunks: int) -> None:
        if chunks <= self._codes.shape[0]:
            return
        size = max(2 * self._codes.shape[0], chunks)
        grown = np.full((size, self._codes.shape[1]), _UNKNOWN, np.uint8)
        grown[: self._end] = self._codes[: self._end]
        self._codes = grown

    def between_hits(
        self,
        start_s: float,
        end_s: float,
        hits_s: FloatArray,
        own_hits_s: Mapping[int, FloatArray],
    ) -> dict[int, float | None]:
        """95th percentile of the level between hits in each microphone, dBFS.

        ``hits_s``: onsets of all hits, ascending. ``own_hits_s[mic]``: of the drum the microphone
        of that index is there for; only these microphones are looked at. None: too little sound
        between hits to say.
        """
        first = max(int(start_s * self._rate / self._chunk), 0)
        last = self._end
        if end_s < self._end * self._chunk / self._rate:
            last = int(end_s * self._rate / self._chunk) + 1
        if last <= first or hits_s.size == 0:
            return dict.fromkeys(own_hits_s)
        began = np.arange(first, last) * self._chunk / self._rate
        # Every stretch around a hit is marked by +1 where it begins and -1 where it ends.
        playing = _covered(began, hits_s, PLAYING_S, PLAYING_S)
        free = playing & ~_covered(began, hits_s, BEFORE_S + CHUNK_S, AFTER_S)
        found: dict[int, float | None] = {}
        for mic, own in own_hits_s.items():
            code = self._codes[first:last, mic]
            use = code[free & ~_covered(began, own, BEFORE_S, AFTER_OWN_S) & (code != _UNKNOWN)]
            found[mic] = None
            if use.size >= MIN_CHUNKS:
                found[mic] = -_STEP_DB * float(np.quantile(use, 1.0 - SHARE))
        return found


def _covered(
    at: FloatArray, hits: FloatArray, before_s: float, after_s: float
) -> npt.NDArray[np.bool_]:
    """Whether each time lies from ``before_s`` before to ``after_s`` after some hit."""
    if hits.size == 0:
        return np.zeros(at.size, bool)
    begin = np.searchsorted(at, hits - before_s)
    end = np.searchsorted(at, hits + after_s)
    marks = np.zeros(at.size + 1, np.int32)
    np.add.at(marks, begin, 1)
    np.add.at(marks, end, -1)
    return np.asarray(np.cumsum(marks[:-1]) > 0)
