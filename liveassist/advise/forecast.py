"""Will a microphone clip in the next take? From the takes so far, while there is time to turn down.

Each take gives, per microphone, the heard peaks of the hits that come closest to full scale there.
Their upper part is taken as exponential beyond a threshold (peaks over threshold: J. Pickands,
Annals of Statistics 3, 1975; the exponential is the generalised Pareto with shape 0, which the
tails of levels in dB follow well enough). Takes differ from each other, so the whole is shifted by
a Student's t of the takes' own differences; with one take, by what takes commonly differ by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from liveassist.model import FloatArray
from liveassist.remarks import Forecast

#: Fewest peaks of a take that say anything.
MIN_PEAKS: Final = 16
#: What is loudest in a microphone lies within this of its largest peak, dB: quieter drums and ghost
#: notes do not clip first. Of these the upper half makes the tail; fewest of them.
_LOUDEST_DB: Final = 10.0
_LEAST_UPPER: Final = 6
#: Takes of one song differ in level by about this, dB (common practice, no source), and are harder
#: than the first by this much on average: a drummer warms up.
_TAKE_SD_DB: Final = 1.5
_WARMS_UP_DB: Final = 0.5
#: The scale of the tail is not known better than this, dB.
_LEAST_SCALE_DB: Final = 0.4
#: Levels in dB fall off faster than an exponential: of normal ones the mean excess over the median
#: is 0.80 standard deviations, while the expected largest of 20 to 100 lies where an exponential of
#: 0.76 times that scale puts it (order statistics of the normal, computed).
_LIGHTER: Final = 0.76
#: Chance of a clip that is still all right, and what is left free when turned down, dB.
ALLOWED: Final = 0.10
#: Nodes of the integral over the shift between takes.
_NODES: Final = np.linspace(0.005, 0.995, 100)


@dataclass(frozen=True, slots=True)
class PeakTail:
    """Upper part of one take's peaks in one microphone: threshold, mean excess, peaks above it."""

    threshold_dbfs: float
    scale_db: float
    above: int

    @property
    def largest(self) -> float:
        """Largest peak to expect in as many hits, median, dBFS."""
        return self.threshold_dbfs + self.scale_db * math.log(max(self.above, 1) / math.log(2.0))


def peak_tail(peaks_dbfs: FloatArray) -> PeakTail | None:
    """The tail of (n,) heard peaks; None below `MIN_PEAKS`."""
    if len(peaks_dbfs) < MIN_PEAKS:
        return None
    ordered = np.sort(peaks_dbfs)[::-1]
    loud = ordered[ordered >= ordered[0] - _LOUDEST_DB]
    if len(loud) < 2 * _LEAST_UPPER:
        return None
    count = len(loud) // 2
    threshold = float(loud[count])
    scale = max(float(np.mean(loud[:count] - threshold)), _LEAST_SCALE_DB)
    return PeakTail(threshold, scale * _LIGHTER, count)


def forecast(mic: str, tails: Sequence[PeakTail]) -> Forecast | None:
    """Chance of a clip in the next take, from the takes so far in order; None without any."""
    if not tails:
        return None
    last = tails[-1]
    tops = np.array([tail.largest for tail in tails])
    count = len(tails)
    middle = float(np.mean(tops[-4:]))
    spread = float(np.std(tops[-4:], ddof=1)) if count >= 3 else 0.0
    # known takes speak for themselves as they grow in number
    weight = min(count, 4) / (min(count, 4) + 3.0)
    sd = math.sqrt(weight * spread**2 + (1.0 - weight) * _TAKE_SD_DB**2)
    rise = _WARMS_UP_DB if count == 1 else 0.0
    shifts = middle - last.largest + rise + sd * special.stdtrit(count + 3.0, _NODES)
    chance = float(np.mean([_clips(last, shift) for shift in shifts]))
    expected = last.largest + middle - last.largest + rise
    down = 0.0
    while _mean_chance(last, shifts - down) > ALLOWED and down < 24.0:
        down += 0.5
    down = math.ceil(down)
    return Forecast(mic, chance, expected, float(down), count, _sentence(mic, chance, down))


def _mean_chance(tail: PeakTail, shifts: FloatArray) -> float:
    return float(np.mean([_clips(tail, float(shift)) for shift in shifts]))


def _clips(tail: PeakTail, shift_db: float) -> float:
    """Chance that one of the tail's peaks reaches full scale if all are louder by so much."""
    room = -(tail.threshold_dbfs + shift_db)
    if room <= 0.0:
        return 1.0
    one = math.exp(-room / tail.scale_db)
    return float(1.0 - (1.0 - min(one, 1.0)) ** tail.above)


def _sentence(mic: str, chance: float, down: float) -> str:
    name = mic.replace("_", " ")
    if down <= 0.0:
        return f"The {name} microphone has room for the next take."
    return (
        f"The {name} microphone will clip in the next take with a chance of {100 * chance:.0f} %: "
        f"turn its preamp down by {down:.0f} dB before it."
    )
