"""One rate and one count of samples for a session, whatever rate its device comes back at.

Between the device's frames, as the ring counts them, and the samples of the session: losses are
judged in samples of the session (`LossClock`), and audio at another rate is converted
(`resample`), beginning with the first frame that came at it. While the device runs at the
session's rate, which is nearly always, frames and samples are the same and nothing is touched.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from liveassist.input.lossclock import LossClock, Release
from liveassist.input.resample import Resampler

Frames = npt.NDArray[np.float32]


class SessionRate:
    """``session_hz``: the rate the session began with; ``device_hz``: what the device runs at."""

    def __init__(self, session_hz: int) -> None:
        self.session_hz = session_hz
        self.device_hz = session_hz
        self._loss = LossClock(session_hz)
        #: Where the present rate began: frame of the ring, sample of the loss clock.
        self._base = (0, 0)
        self._end_frame = 0
        #: Ends that the loss clock knows, as (sample, frame).
        self._ends: deque[tuple[int, int]] = deque()
        #: Rates of audio that is not read yet, by the frame they begin with.
        self._coming: deque[tuple[int, int]] = deque()
        self._reading_hz = session_hz
        self._resampler: Resampler | None = None

    @property
    def note(self) -> str | None:
        """What to say where the device runs at another rate than the session."""
        if self.device_hz == self.session_hz:
            return None
        return (
            f"The input runs at {self.device_hz} Hz now, the session at {self.session_hz} Hz: what "
            "comes is converted. Set the rate back if nobody meant to change it."
        )

    def begins(self, frame: int) -> bool:
        """Whether audio of another rate begins with ``frame``."""
        return any(first == frame for first, _ in self._coming)

    def restart(self, device_hz: int) -> list[Release]:
        """The device was opened anew, at ``device_hz`` (see `LossClock.restart`)."""
        releases = self._in_frames(self._loss.restart())
        self._ends.clear()
        self._base = (self._end_frame, self._sample(self._end_frame))
        if device_hz != self.device_hz:
            self.device_hz = device_hz
            self._coming.append((self._end_frame, device_hz))
        return releases

    def arrive(self, end_frame: int, time_s: float) -> list[Release]:
        """A block ended at ``end_frame`` of the ring at ``time_s`` (see `LossClock.arrive`).

        ``lost_samples`` of what may be used now are samples of the session.
        """
        self._end_frame = end_frame
        sample = self._sample(end_frame)
        self._ends.append((sample, end_frame))
        return self._in_frames(self._loss.arrive(sample, time_s))

    def time_of(self, moment_s: float) -> float | None:
        """See `LossClock.time_of`."""
        return self._loss.time_of(moment_s)

    def samples(self, frames: int) -> int:
        """How many samples of the session so many frames of the device are."""
        return frames * self.session_hz // self.device_hz

    def convert(self, audio: Frames, first_frame: int, lost: int) -> tuple[Frames, int]:
        """Audio from ``first_frame`` on at the session's rate, and samples lost before it.

        Called in the order of the frames; no piece reaches over the beginning of another rate.
        """
        while self._coming and first_frame >= self._coming[0][0]:
            lost += self._owed()
            self._resampler = None
            self._reading_hz = self._coming.popleft()[1]
        if self._reading_hz == self.session_hz:
            return audio, lost
        if lost or self._resampler is None:
            lost += self._owed()
            self._resampler = Resampler(self._reading_hz, self.session_hz, audio.shape[1])
        return self._resampler.feed(audio), lost

    def _owed(self) -> int:
        """What a converter that goes still holds back."""
        return 0 if self._resampler is None else self._resampler.owed

    def _sample(self, frame: int) -> int:
        return self._base[1] + (frame - self._base[0]) * self.session_hz // self.device_hz

    def _in_frames(self, releases: list[Release]) -> list[Release]:
        found = []
        for release in releases:
            end_frame = self._end_frame
            while self._ends and self._ends[0][0] <= release.end_frame:
                end_frame = self._ends.popleft()[1]
            found.append(Release(end_frame, release.lost_samples))
        return found
