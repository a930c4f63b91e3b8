"""Audio of a device that has come back at another rate, brought to the rate of the session.

A session keeps the rate it began with: its filters, its learned sounds and its sample count belong
to it. Another programme, or the engineer, may change the interface's rate meanwhile; rather than
wait until it is changed back, what comes is converted and the session goes on.

A windowed-sinc low-pass in polyphase form, as in any textbook on multirate filters (Crochiere and
Rabiner 1983): for every output sample the weights of its own fraction are applied to the input
samples around it. Linear phase, no delay: output sample ``n`` is the input at ``n * from / to``.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Frames = npt.NDArray[np.float32]

#: Input samples each side of an output sample, at equal rates; more where the band is narrowed.
#: 32 each side and the window below: pass band flat to 0.1 dB up to 0.9 of the band, images and
#: aliases below -60 dB (checked in the tests).
REACH = 32
#: Shape of the Kaiser window: 80 dB of stop band by Kaiser's formula, 0.1102 (A - 8.7).
BETA = 0.1102 * (80.0 - 8.7)
#: Middle of the transition, as a share of the narrower band.
CUTOFF = 0.955


class Resampler:
    """Streams frames of ``channels`` from ``from_hz`` to ``to_hz``; shape (frames, channels)."""

    def __init__(self, from_hz: int, to_hz: int, channels: int) -> None:
        if min(from_hz, to_hz, channels) < 1:
            raise ValueError("rates and channels are positive")
        shared = math.gcd(from_hz, to_hz)
        self._up, self._down = to_hz // shared, from_hz // shared
        narrowed = max(1.0, from_hz / to_hz)
        self._reach = math.ceil(REACH * narrowed)
        self._weights = _weights(self._up, self._reach, CUTOFF / narrowed)
        # As if silence had come before the first frame.
        self._kept: Frames = np.zeros((self._reach, channels), dtype=np.float32)
        self._first = -self._reach  # index of the first frame kept
        self._taken = 0  # frames taken in
        self._given = 0  # frames given out

    @property
    def owed(self) -> int:
        """Frames of output that belong to what was taken in and did not come yet."""
        return self._taken * self._up // self._down - self._given

    def feed(self, audio: Frames) -> Frames:
        """What is known of the output after ``audio``: all but the last `REACH` input samples."""
        self._kept = np.concatenate([self._kept, audio])
        self._taken += len(audio)
        # Output n needs input up to n * down // up + reach.
        last = self._taken - 1 - self._reach
        end = max(self._given, ((last + 1) * self._up - 1) // self._down + 1)
        numbers = np.arange(self._given, end)
        out = np.empty((len(numbers), audio.shape[1]), dtype=np.float32)
        place, phase = np.divmod(numbers * self._down, self._up)
        offsets = np.arange(1 - self._reach, self._reach + 1)
        index = place[:, None] + offsets - self._first
        weights = self._weights[phase]
        for channel in range(audio.shape[1]):
            out[:, channel] = np.einsum("nt,nt->n", weights, self._kept[index, channel])
        self._given = end
        keep_from = self._given * self._down // self._up + 1 - self._reach
        if keep_from > self._first:
            self._kept = self._kept[keep_from - self._first :]
            self._first = keep_from
        return out


def _weights(up: int, reach: int, cutoff: float) -> npt.NDArray[np.float64]:
    """Weights of the input samples ``1 - reach`` to ``reach`` around each fraction of ``up``."""
    fraction = np.arange(up)[:, None] / up
    offset = np.arange(1 - reach, reach + 1)[None, :] - fraction
    window = np.i0(BETA * np.sqrt(np.clip(1.0 - (offset / reach) ** 2, 0.0, None))) / np.i0(BETA)
    weights = cutoff * np.sinc(cutoff * offset) * window
    # A constant stays what it is, whatever the fraction.
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
