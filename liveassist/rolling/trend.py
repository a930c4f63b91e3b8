"""Level against time in dB a minute, and the difference between alternating strokes of a run.

Both are pure functions of onset times (seconds) and levels (dB), arrays of shape (hits,).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray, Interval
from liveassist.ranks import median
from liveassist.rolling.spread import MIN_TREND_HITS, RESOLUTION_DB, Z95, robust_sd

#: Longest series that pairs of hits are taken from; longer ones are first averaged down to it.
MAX_POINTS = 240
#: A run: strokes this close together (two limbs; one limb rarely keeps this up), this even in
#: time, and at least this many. Eighth notes at 150 a minute are 0.2 s apart. Common practice.
RUN_IOI_S = 0.22
RUN_EVEN = 0.35
RUN_STROKES = 6
#: Strokes in runs, over all runs, before an imbalance is given.
MIN_RUN_STROKES = 16


@dataclass(frozen=True, slots=True)
class Slope:
    """Trend of the level, dB a minute (negative: falling), and its 95 % interval."""

    db_per_min: float
    ci: Interval


@dataclass(frozen=True, slots=True)
class Imbalance:
    """Size of the difference between alternating strokes: level in dB, timing in ms.

    ``timing_ms``: how far every second stroke sits off the middle between its neighbours.
    ``strokes`` in ``runs`` runs were used.
    """

    level_db: float
    timing_ms: float
    strokes: int
    runs: int


def slope(times_s: npt.ArrayLike, levels_db: npt.ArrayLike) -> Slope | None:
    """Median of the slopes between all pairs of hits, with an interval; None below 24 hits.

    Theil-Sen with Sen's interval (P. K. Sen, JASA 63, 1968; Kendall's variance without the tie
    term). Departures: the interval is widened by sqrt((1+r)/(1-r)) where neighbouring residuals
    correlate with r > 0, because music moves in phrases; series beyond `MAX_POINTS` are averaged
    in groups of consecutive hits first.
    """
    times = np.asarray(times_s, dtype=np.float64)
    levels = np.asarray(levels_db, dtype=np.float64)
    if times.size < MIN_TREND_HITS or times[-1] <= times[0]:
        return None
    times, levels = _thin(times, levels)
    n = times.size
    first, second = _pairs(n)
    step = times[second] - times[first]
    apart = step > 0
    slopes = np.sort((levels[second] - levels[first])[apart] / step[apart]) * 60.0
    upper = slopes.size // 2
    middle = float((slopes[(slopes.size - 1) // 2] + slopes[upper]) / 2.0)
    half = Z95 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0) * _stretch(times, levels, middle)
    low = max(round((slopes.size - half) / 2.0), 0)
    high = min(round((slopes.size + half) / 2.0), slopes.size - 1)
    return Slope(middle, (float(slopes[low]), float(slopes[high])))


@functools.lru_cache(maxsize=16)
def _pairs(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """All pairs of ``count`` hits, the earlier and the later of each."""
    first, second = np.triu_indices(count, 1)
    return first, second


def _thin(times: FloatArray, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    group = math.ceil(times.size / MAX_POINTS)
    if group == 1:
        return times, levels
    whole = times.size // group * group
    return (
        times[:whole].reshape(-1, group).mean(axis=1),
        np.asarray(np.median(levels[:whole].reshape(-1, group), axis=1)),
    )


def _stretch(times: FloatArray, levels: FloatArray, db_per_min: float) -> float:
    """How much wider positive serial correlation of the residuals makes an interval."""
    residual = levels - db_per_min * times / 60.0
    residual = residual - median(residual)
    limit = 3.0 * max(robust_sd(residual), RESOLUTION_DB)
    residual = np.clip(residual, -limit, limit)
    power = float(residual @ residual)
    if power <= 0.0:
        return 1.0
    r = float(residual[:-1] @ residual[1:]) / power
    # Below one standard error a correlation is not told from none.
    if r < 1.0 / math.sqrt(residual.size):
        return 1.0
    r = min(r, 0.8)
    return math.sqrt((1.0 + r) / (1.0 - r))


def limb_imbalance(times_s: npt.ArrayLike, levels_db: npt.ArrayLike) -> Imbalance | None:
    """Difference between alternating strokes within fast even runs; None where there are none.

    In each run the alternating part is what second differences leave, so a crescendo or a change
    of tempo within the run drops out. Which limb leads a run is not known; runs are combined by
    the mean square of their difference less what scatter alone gives (never below zero).
    A pattern accented on every second stroke looks the same: this measures what was played, not
    why.
    """
    times = np.asarray(times_s, dtype=np.float64)
    levels = np.asarray(levels_db, dtype=np.float64)
    runs = _runs(times)
    strokes = sum(end - start for start, end in runs)
    if strokes < MIN_RUN_STROKES:
        return None
    return Imbalance(
        level_db=_combined([levels[start:end] for start, end in runs]),
        timing_ms=1e3 * _combined([times[start:end] for start, end in runs]),
        strokes=strokes,
        runs=len(runs),
    )


def _runs(times: FloatArray) -> list[tuple[int, int]]:
    """Half-open index ranges of even fast strokes, `RUN_STROKES` or longer."""
    ioi = np.diff(times)
    runs: list[tuple[int, int]] = []
    start = 0
    for i in range(1, times.size + 1):
        fast = i < times.size and 0.0 < ioi[i - 1] <= RUN_IOI_S
        even = i - start < 2 or (fast and abs(ioi[i - 1] - ioi[i - 2]) <= RUN_EVEN * ioi[i - 2])
        if fast and even:
            continue
        if i - start >= RUN_STROKES:
            runs.append((start, i))
        start = i
    return runs


def _combined(runs: list[FloatArray]) -> float:
    """Root of the weighted mean square alternation of several runs, scatter taken off."""
    total = weight = 0.0
    for x in runs:
        sign = np.where(np.arange(x.size - 2) % 2 == 0, 1.0, -1.0)
        # Stroke less the mean of its neighbours: strokes alternating by d give exactly +-d.
        alternation = sign * (x[1:-1] - 0.5 * (x[:-2] + x[2:]))
        m = alternation.size
        mean = float(np.clip(alternation, *_fence(alternation)).mean())
        # For independent scatter s the terms have variance 1.5 s^2 and their mean 4 s^2 / m.
        error = float(np.var(alternation - mean)) / m * 8.0 / 3.0
        total += m * (mean * mean - error)
        weight += m
    return math.sqrt(max(total / weight, 0.0))


def _fence(x: FloatArray) -> tuple[float, float]:
    middle, scale = median(x), max(robust_sd(x), 1e-9)
    return middle - 4.0 * scale, middle + 4.0 * scale
