"""Shift of a drum's partial pattern between two groups of hits, at like hit levels.

A detuned head moves all of its modes by the same ratio: on the log-frequency axis of
`HitMeasures.pattern` that is a plain shift, found by the lag of largest correlation. Harder hits
sound sharp (F. Avanzini and R. Marogna, IEEE TASLP 18(4), 2010), so each hit's own shift is
regressed on its level together with the group it belongs to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage, special

from liveassist.model import FloatArray, Interval
from liveassist.ranks import median

#: Cents from one bin of `HitMeasures.pattern` to the next.
PATTERN_CENTS: Final = 10.0
#: What lies further below a pattern's peak counts as this far below (dB): noise and bleed.
FLOOR_DB: Final = 40.0
#: The broad shape (microphone, wires, damping) is what a Gaussian of this many cents keeps.
_BROAD_CENTS: Final = 400.0
#: Largest shift looked for between two groups, cents: beyond it is another drum.
MAX_SHIFT_CENTS: Final = 250.0
#: Single hits are searched this far about their group's shift, cents.
_HIT_REACH_CENTS: Final = 60.0
#: Fewest hits on either side.
MIN_HITS: Final = 5
#: Prior of how much sharper a drum sounds per dB harder, cents: zero, give or take this.
#: The pitch-glide model of Avanzini and Marogna gives about 4 cents/dB between 1 and 2 mm.
_SLOPE_SD: Final = 3.0
#: How far the patterns of different strokes on one and the same drum were found apart beyond
#: chance, cents, on recorded drums (snare and kick measured, tom assumed between them).
SYSTEMATIC_CENTS: Final = {"snare": 1.5, "kick": 4.0, "tom": 3.0}
#: Further error for each dB the two groups' levels lie apart, cents: the slope is not a line.
_PER_DB_APART_CENTS: Final = 0.6


def shape_of(pattern_db: FloatArray) -> FloatArray:
    """What identifies a drum in its pattern(s): level, noise floor and broad tilt taken off.

    ``pattern_db``: (..., PATTERN_BINS). Returns the same shape, zero mean along the last axis.
    """
    top = pattern_db.max(axis=-1, keepdims=True)
    raised = np.maximum(pattern_db - top, -FLOOR_DB)
    broad = ndimage.gaussian_filter1d(
        raised, _BROAD_CENTS / PATTERN_CENTS, axis=-1, mode="nearest", truncate=3.0
    )
    shape = raised - broad
    return np.asarray(shape - shape.mean(axis=-1, keepdims=True))


def correlate(shape_a: FloatArray, shape_b: FloatArray, max_lag: int) -> FloatArray:
    """Correlation coefficient of ``a`` with ``b`` moved by every lag from -max_lag to max_lag bins.

    Over the bins both have at that lag. A positive lag of the peak means ``b`` lies higher.
    """
    size = len(shape_a)

    def overlap(left: FloatArray, right: FloatArray) -> FloatArray:
        full = np.correlate(right, left, mode="full")
        return np.asarray(full[size - 1 - max_lag : size + max_lag])

    ones = np.ones(size)
    energy_a = overlap(shape_a**2, ones)
    energy_b = overlap(ones, shape_b**2)
    return np.asarray(overlap(shape_a, shape_b) / np.sqrt(np.maximum(energy_a * energy_b, 1e-30)))


def _peak(curve: FloatArray, low: int, high: int) -> tuple[float, float]:
    """Place (bins, from the first lag) and height of the top of ``curve[low:high]``."""
    best = low + int(np.argmax(curve[low:high]))
    if 0 < best < len(curve) - 1:
        before, here, after = curve[best - 1 : best + 2]
        bend = before - 2.0 * here + after
        if bend < 0.0:
            move = 0.5 * (before - after) / bend
            return best + float(np.clip(move, -0.5, 0.5)), float(here)
    return float(best), float(curve[best])


def shift_cents(shape_a: FloatArray, shape_b: FloatArray) -> tuple[float, float]:
    """Shift of ``b`` against ``a`` in cents (flat negative) and the correlation there."""
    lag = round(MAX_SHIFT_CENTS / PATTERN_CENTS)
    place, height = _peak(correlate(shape_a, shape_b, lag), 0, 2 * lag + 1)
    return (place - lag) * PATTERN_CENTS, height


@dataclass(frozen=True, slots=True)
class PatternShift:
    """Shift of a take's pattern against a reference's at like hit levels.

    ``cents``: flat is negative; ``ci``: 95 %; ``se_cents``: standard error; ``likeness``: the
    correlation of the two mean patterns once aligned (1: the same drum); ``own_likeness``: the
    same between the two halves of the reference and of the take, the lower; ``slope``: cents per
    dB that harder hits sound sharper; ``hits``: usable hits of the take.
    """

    cents: float
    ci: Interval
    se_cents: float
    likeness: float
    own_likeness: float
    slope: float
    hits: int
    dof: float

    @property
    def t(self) -> float:
        """Shift over its standard error."""
        return self.cents / self.se_cents


def _halves(shapes: FloatArray) -> float:
    return shift_cents(shapes[0::2].mean(axis=0), shapes[1::2].mean(axis=0))[1]


def _per_hit(shapes: FloatArray, template: FloatArray, centre: float, own: bool) -> FloatArray:
    """Shift of every hit against a template near ``centre`` cents; its own part taken out."""
    reach = round((_HIT_REACH_CENTS + abs(centre)) / PATTERN_CENTS) + 1
    middle = reach + centre / PATTERN_CENTS
    low = max(0, round(middle - _HIT_REACH_CENTS / PATTERN_CENTS))
    high = min(2 * reach + 1, round(middle + _HIT_REACH_CENTS / PATTERN_CENTS) + 1)
    count = len(shapes)
    out = np.empty(count)
    for index, shape in enumerate(shapes):
        against = (count * template - shape) / (count - 1) if own else template
        out[index] = (_peak(correlate(against, shape, reach), low, high)[0] - reach) * PATTERN_CENTS
    return out


def _huber_weights(residual: FloatArray) -> FloatArray:
    scale = 1.4826 * median(np.abs(residual - median(residual))) + 0.5
    return np.asarray(np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(residual), 1e-9)))


def regress(
    shifts: FloatArray, levels: FloatArray, in_take: FloatArray
) -> tuple[float, float, float]:
    """Take effect, its standard error, and slope of shift on level; Huber weights, slope prior."""
    design = np.column_stack([np.ones_like(shifts), in_take, levels - levels.mean()])
    weights = np.ones_like(shifts)
    solution = np.zeros(3)
    inverse = np.eye(3)
    variance = 1.0
    for _ in range(6):
        normal = design.T @ (weights[:, None] * design)
        normal[2, 2] += variance / _SLOPE_SD**2
        inverse = np.linalg.inv(normal)
        solution = inverse @ (design.T @ (weights * shifts))
        residual = shifts - design @ solution
        weights = _huber_weights(residual)
        kept = max(float(weights.sum()) - 3.0, 1.0)
        variance = max(float(weights**2 @ residual**2) / kept, 0.25)
    return float(solution[1]), math.sqrt(variance * float(inverse[1, 1])), float(solution[2])


def compare_patterns(
    reference: FloatArray,
    reference_dbfs: FloatArray,
    take: FloatArray,
    take_dbfs: FloatArray,
    *,
    systematic_cents: float = 1.5,
) -> PatternShift | None:
    """Shift of ``take`` against ``reference``, compared at like hit levels.

    ``reference``, ``take``: float64 (hits, PATTERN_BINS), patterns in dB; ``*_dbfs``: (hits,)
    the hits' levels, on one and the same scale (a microphone gain that changed between them is
    to be taken off first). None below `MIN_HITS` on either side. Interval: Student's t on the
    regression's standard error, ``systematic_cents`` (see `SYSTEMATIC_CENTS`) and 0.6 cents
    for each dB between the two groups' median levels.
    """
    if len(reference) < MIN_HITS or len(take) < MIN_HITS:
        return None
    shapes_r, shapes_t = shape_of(reference), shape_of(take)
    template = shapes_r.mean(axis=0)
    near = _like_levels(reference_dbfs, take_dbfs)
    rough, _ = shift_cents(_weighted(shapes_r, near[0]), _weighted(shapes_t, near[1]))
    _, likeness = shift_cents(template, shapes_t.mean(axis=0))
    shifts = np.concatenate(
        [
            _per_hit(shapes_r, template, 0.0, own=True),
            _per_hit(shapes_t, template, rough, own=False),
        ]
    )
    levels = np.concatenate([reference_dbfs, take_dbfs])
    in_take = np.concatenate([np.zeros(len(reference)), np.ones(len(take))])
    cents, error, slope = regress(shifts, levels, in_take)
    apart = abs(median(take_dbfs) - median(reference_dbfs))
    error = math.hypot(error, systematic_cents, _PER_DB_APART_CENTS * apart)
    dof = float(len(shifts) - 3)
    reach = float(special.stdtrit(dof, 0.975)) * error
    own = min(_halves(shapes_r), _halves(shapes_t))
    return PatternShift(
        cents, (cents - reach, cents + reach), error, likeness, own, slope, len(take), dof
    )


def _like_levels(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights of either group's hits: how near in level (3 dB) to the other group's median."""

    def near(levels: FloatArray, centre: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * ((levels - centre) / 3.0) ** 2) + 0.05)

    middle = 0.5 * (median(first) + median(second))
    return near(first, middle), near(second, middle)


def _weighted(shapes: FloatArray, weights: FloatArray) -> FloatArray:
    return np.asarray(weights @ shapes / weights.sum())
