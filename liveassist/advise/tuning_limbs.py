"""Two hands or feet told apart: level and timing of alternate strokes of a run, and fatigue.

Within a run of even, fast strokes on one drum the odd strokes are one limb, the even ones the
other. Which limb leads a run is not known, so runs cannot simply be averaged: the size of the
difference is estimated from its square over runs, less what chance alone would give.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from liveassist.advise.changes_stats import difference, widened
from liveassist.model import FloatArray, Interval

#: A run: at least this many strokes, no further apart than this, even to this share.
#: Common practice (sixteenths at 120 a minute are 125 ms), no source.
MIN_RUN: Final = 6
MAX_GAP_S: Final = 0.22
MIN_GAP_S: Final = 0.030
_EVEN: Final = 0.35
#: Fewest strokes in runs for a figure, and for how it develops.
MIN_STROKES: Final = 12
MIN_TREND_STROKES: Final = 24
#: Chance that no imbalance at all looks like one.
_CHANCE: Final = 0.005


@dataclass(frozen=True, slots=True)
class LimbFigures:
    """``level_db``: stronger limb over weaker (positive); ``timing_ms``: how much later than the
    middle between its neighbours the weaker limb's strokes fall (negative: early). Intervals
    95 %. None where chance would explain it. ``*_change``: last third less first third of the
    run strokes (None below `MIN_TREND_STROKES`): positive is growing."""

    level_db: float | None
    level_ci: Interval | None
    timing_ms: float | None
    timing_ci: Interval | None
    level_change_db: float | None
    timing_change_ms: float | None
    runs: int
    strokes: int


@dataclass(frozen=True, slots=True)
class Fatigue:
    """How a drum's runs develop over a take: change of level and of evenness, last third against
    first, with the interval of the level change; ``tired``: softer for certain."""

    level_change_db: float
    level_change_ci: Interval
    spread_change_db: float
    tired: bool


def find_runs(times_s: FloatArray) -> tuple[tuple[int, int], ...]:
    """Index ranges [start, stop) of runs in sorted onset times (n,) of one drum."""
    out: list[tuple[int, int]] = []
    start = 0
    for index in range(1, len(times_s) + 1):
        if index < len(times_s):
            gap = float(times_s[index] - times_s[index - 1])
            fits = MIN_GAP_S <= gap <= MAX_GAP_S
            if fits and index - start >= 2:
                usual = float(np.median(np.diff(times_s[start:index])))
                fits = abs(gap - usual) <= _EVEN * usual
            if fits:
                continue
        if index - start >= MIN_RUN:
            out.append((start, index))
        start = index
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Run:
    """Even minus odd strokes of one run: level (dB), lateness (ms), their variances, place."""

    level: float
    level_var: float
    timing: float
    timing_var: float
    strokes: int
    middle_s: float


def _lateness_ms(times_s: FloatArray) -> FloatArray:
    """How much later than the mean of its neighbours each inner stroke falls, ms, (n - 2,)."""
    middle = 0.5 * (times_s[:-2] + times_s[2:])
    return np.asarray((times_s[1:-1] - middle) * 1000.0)


def _run(times_s: FloatArray, levels_dbfs: FloatArray) -> _Run:
    index = np.arange(len(times_s))
    # an accelerating or fading run is no imbalance: a line is fitted along with the alternation
    sign = np.where(index % 2 == 1, 0.5, -0.5)
    design = np.column_stack([np.ones(len(index)), index - index.mean(), sign])
    solved, *_ = np.linalg.lstsq(design, levels_dbfs, rcond=None)
    residual = levels_dbfs - design @ solved
    inverse = np.linalg.inv(design.T @ design)
    level_var = float(residual @ residual) / (len(index) - 3) * float(inverse[2, 2])
    late = _lateness_ms(times_s)
    inner = sign[1:-1] * 2.0
    # evens late by x make the odds early by x against their neighbours: every stroke says x once
    timing = float(np.mean(inner * late))
    # neighbouring strokes share their times: count them as half
    timing_var = float(np.var(inner * late, ddof=1)) / max(len(late) / 2.0, 1.0)
    return _Run(
        float(solved[2]),
        max(level_var, 0.01),
        timing,
        max(timing_var, 0.01),
        len(index),
        float(times_s.mean()),
    )


def _size(values: FloatArray, variances: FloatArray) -> tuple[float, Interval] | None:
    """Common size of values whose signs are unknown; None if chance explains it."""
    total = float(np.sum(values**2 / variances))
    # few strokes a run: the variances are estimates themselves, so ask for more than chi-square
    if float(special.chdtrc(len(values), total / 1.25)) > _CHANCE:
        return None
    weights = 1.0 / variances
    square = float(weights @ (values**2 - variances) / weights.sum())
    if square <= 0.0:
        return None
    size = math.sqrt(square)
    reach = 1.96 * widened(1.0 / math.sqrt(float(weights.sum())), 3.0 * len(values))
    return size, (max(0.0, size - reach), size + reach)


def limb_figures(times_s: FloatArray, levels_dbfs: FloatArray) -> LimbFigures | None:
    """Compare the two limbs over all runs of one drum in a take.

    ``times_s``, ``levels_dbfs``: (n,), in time order, all hits of the drum. None if fewer than
    `MIN_STROKES` strokes lie in runs.
    """
    runs = [
        _run(times_s[start:stop], levels_dbfs[start:stop]) for start, stop in find_runs(times_s)
    ]
    strokes = sum(run.strokes for run in runs)
    if strokes < MIN_STROKES:
        return None
    levels = np.array([run.level for run in runs])
    level = _size(levels, np.array([run.level_var for run in runs]))
    # the weaker limb is the even one where even minus odd is negative
    weaker = np.where(levels < 0.0, 1.0, -1.0)
    timings = np.array([run.timing for run in runs])
    timing = _signed_timing(timings * weaker, runs) if level is not None else None
    changes = _development(runs, weaker) if strokes >= MIN_TREND_STROKES else (None, None)
    return LimbFigures(
        level[0] if level else None,
        level[1] if level else None,
        timing[0] if timing else None,
        timing[1] if timing else None,
        changes[0] if level else None,
        changes[1] if timing else None,
        len(runs),
        strokes,
    )


def _signed_timing(late: FloatArray, runs: list[_Run]) -> tuple[float, Interval]:
    """Weighted mean of the weaker limb's lateness over runs, ms."""
    weights = 1.0 / np.array([run.timing_var for run in runs])
    mean = float(weights @ late / weights.sum())
    reach = 1.96 * widened(1.0 / math.sqrt(float(weights.sum())), 3.0 * len(runs))
    return mean, (mean - reach, mean + reach)


def _development(runs: list[_Run], weaker: FloatArray) -> tuple[float | None, float | None]:
    """Imbalance in the last third of the runs less that in the first (three runs or more)."""
    third = len(runs) // 3
    if third == 0:
        return None, None
    level = np.abs([run.level for run in runs])
    late = np.array([run.timing for run in runs]) * weaker
    return (
        float(level[-third:].mean() - level[:third].mean()),
        float(late[-third:].mean() - late[:third].mean()),
    )


def fatigue(levels_dbfs: FloatArray) -> Fatigue | None:
    """Last third of a take's strokes against its first, (n,) in time order; None below 24."""
    if len(levels_dbfs) < MIN_TREND_STROKES:
        return None
    third = len(levels_dbfs) // 3
    first, last = levels_dbfs[:third], levels_dbfs[-third:]
    change = difference(first, last)
    spread = float(last.std(ddof=1) - first.std(ddof=1))
    return Fatigue(change.amount, change.ci, spread, change.ci[1] < -1.0)
