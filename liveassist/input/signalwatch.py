"""Audio that cannot be drums: a constant, a constant offset, full scale all the time.

Streaming: feed blocks of any size, ask at the end. Digital silence is not judged here (a
microphone may rest for a whole take).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from liveassist.model import Audio, FloatArray
from liveassist.units import amplitude_to_dbfs

#: Mean above this is reported, linear. 0.01 = -40 dBFS: a sound converter stays far below, and an
#: offset this size moves peak levels by more than 0.1 dB at -1 dBFS. Common practice, no source.
OFFSET_LIMIT = 0.01
#: Share of samples within a thousandth of full scale that no drum reaches, even badly clipped.
FULL_SCALE_SHARE = 0.5
_FULL_SCALE = 0.999
#: Variation about the mean below which a channel carries only a constant, linear (-90 dBFS).
_CONSTANT_SD = 10.0 ** (-90.0 / 20.0)

Fault = Literal["constant", "dc_offset", "full_scale"]


#: Short blocks are gathered to so many frames before they are counted: a call costs more than they.
GATHERED = 4096


@dataclass(frozen=True, slots=True)
class SignalFault:
    """What is wrong with one microphone's signal. ``usable``: drums can still be heard in it."""

    mic: str
    fault: Fault
    sentence: str
    value: float
    unit: str
    usable: bool


class SignalWatch:
    """Counts per microphone over everything fed. ``names``: microphones, in column order."""

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)
        self._frames = 0
        zeros = np.zeros(len(self._names))
        self._sum: FloatArray = zeros.copy()
        self._square_sum: FloatArray = zeros.copy()
        self._full: FloatArray = zeros.copy()
        self._waiting: Audio = np.zeros((GATHERED, len(self._names)), dtype=np.float32)
        self._filled = 0

    def feed(self, audio: Audio) -> None:
        """Take in a block, shape (frames, microphones); it is copied, or counted at once."""
        if self._filled + len(audio) > GATHERED:
            self._count(self._waiting[: self._filled])
            self._filled = 0
        if len(audio) > GATHERED:
            self._count(audio)
            return
        self._waiting[self._filled : self._filled + len(audio)] = audio
        self._filled += len(audio)

    def _count(self, audio: Audio) -> None:
        self._frames += len(audio)
        wide = audio.astype(np.float64)
        # As products of matrices: sums along the columns take eight times as long.
        self._sum += np.ones(len(audio)) @ wide
        self._square_sum += np.diagonal(wide.T @ wide)
        if audio.size and max(audio.max(), -audio.min()) >= _FULL_SCALE:
            self._full += np.count_nonzero(np.abs(audio) >= _FULL_SCALE, axis=0)

    def faults(self) -> tuple[SignalFault, ...]:
        """The faults over everything fed, at most one a microphone."""
        self._count(self._waiting[: self._filled])
        self._filled = 0
        if self._frames == 0:
            return ()
        mean = self._sum / self._frames
        variance = np.maximum(self._square_sum / self._frames - mean**2, 0.0)
        found = []
        for index, name in enumerate(self._names):
            fault = _fault(
                name,
                float(mean[index]),
                float(np.sqrt(variance[index])),
                float(self._full[index] / self._frames),
            )
            if fault is not None:
                found.append(fault)
        return tuple(found)


def _fault(name: str, mean: float, deviation: float, full_share: float) -> SignalFault | None:
    offset_dbfs = amplitude_to_dbfs(mean)
    if deviation < _CONSTANT_SD and abs(mean) >= OFFSET_LIMIT:
        return SignalFault(
            name,
            "constant",
            f"{name} carries a constant voltage ({offset_dbfs:.1f} dBFS) and no sound; "
            "nothing can be measured in it",
            mean,
            "full_scale",
            usable=False,
        )
    if full_share >= FULL_SCALE_SHARE:
        return SignalFault(
            name,
            "full_scale",
            f"{name} is at full scale for {100 * full_share:.0f} % of the time; this is no "
            "microphone signal, or its gain is far too high",
            full_share,
            "share",
            usable=False,
        )
    if abs(mean) >= OFFSET_LIMIT:
        return SignalFault(
            name,
            "dc_offset",
            f"{name} has a constant offset of {offset_dbfs:.1f} dBFS; levels in it are off by "
            "that much until the input is repaired or high-passed",
            mean,
            "full_scale",
            usable=True,
        )
    return None
