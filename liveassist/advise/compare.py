"""Two or more stretches side by side at matched level: by how much they differ, and whether by more
than hits differ among themselves.

Harder hits sound different from softer ones, so a measure is compared at a common level: its slope
over level is estimated within the stretches together and taken off (analysis of covariance with one
slope; R. A. Fisher, "Statistical Methods for Research Workers", 4th edition, 1932). Scatter may
differ between stretches, so intervals are Welch's (Biometrika 34, 1947). Every comparison is one of
many, so "more than chance" is Holm's sequentially rejective procedure (Scandinavian Journal of
Statistics 6, 1979) over all of them at 5 % together. The same hits in two microphones are compared
as pairs.

Which stretch is better is not a number: wishes rank, the ear chooses.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from liveassist.model import FloatArray, Interval

#: Fewest hits of a stretch for any comparison.
MIN_HITS: Final = 5
#: Chance that any of all the comparisons is called a difference wrongly.
ALPHA: Final = 0.05
#: A hit this many robust standard deviations from its stretch is left out as a stray.
_STRAY: Final = 5.0
_Z95: Final = 1.959964


@dataclass(frozen=True, slots=True)
class Measure:
    """What is compared. ``step``: a difference worth one point where wishes rank (common practice,
    no source); ``relative``: compared as a ratio, steps and differences in per cent."""

    key: str
    title: str
    unit: str
    step: float
    decimals: int = 1
    relative: bool = False


@dataclass(frozen=True, slots=True)
class Side:
    """One measure of one stretch: mean at the common level, with its 95 % interval."""

    value: float
    ci: Interval
    hits: int


@dataclass(frozen=True, slots=True)
class Difference:
    """``amount``: the other less the first, in ``unit`` of the measure (per cent if relative).

    ``p``: of one this large by chance alone; ``real``: more than chance among all comparisons.
    """

    measure: str
    other: int
    amount: float
    ci: Interval
    p: float
    real: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """A measure over all stretches; None where a stretch has too few hits for it, and ``why``
    then says so (empty texts elsewhere)."""

    measure: Measure
    sides: tuple[Side | None, ...]
    differences: tuple[Difference | None, ...]
    why: tuple[str, ...] = ()


def compare_hits(
    measure: Measure, levels: Sequence[FloatArray], values: Sequence[FloatArray]
) -> Row:
    """One measure of single hits, stretch by stretch, the first is what others are held against.

    ``levels``: dB, ``values``: the measure, NaN where not measured; one array a stretch. Levels
    that are NaN, or all alike, leave the values as they are.
    """
    groups = [_usable(level, value, measure) for level, value in zip(levels, values, strict=True)]
    slope, slope_var = _slope([group for group in groups if group is not None])
    known = [group for group in groups if group is not None]
    common = float(np.mean([group[0].mean() for group in known])) if known else 0.0
    moments = [None if g is None else _moments(g, slope, slope_var, common) for g in groups]
    sides = tuple(None if one is None else _side(one, measure) for one in moments)
    first = moments[0]
    differences: list[Difference | None] = [None]
    for number, other in enumerate(moments[1:], 1):
        if first is None or other is None:
            differences.append(None)
            continue
        variance = first.own_var + other.own_var
        variance += slope_var * (first.level - other.level) ** 2
        freedom = _welch(first, other)
        differences.append(_difference(measure, number, other.mean - first.mean, variance, freedom))
    return Row(measure, sides, tuple(differences), tuple(_few(value) for value in values))


def _few(value: FloatArray) -> str:
    """Why there is no figure, where too few hits give one; else nothing."""
    count = int(np.isfinite(value).sum())
    if count >= MIN_HITS:
        return ""
    return f"measurable in {count} of {len(value)} hits, {MIN_HITS} needed"


def compare_pairs(measure: Measure, values: Sequence[FloatArray]) -> Row:
    """The same hits in several microphones: entry ``i`` of each array is the same hit."""
    scaled = [
        np.log(np.where(value > 0.0, value, np.nan)) if measure.relative else value
        for value in values
    ]
    sides: list[Side | None] = []
    differences: list[Difference | None] = []
    why = tuple(_few(np.where(np.isfinite(scaled[0]), value, np.nan)) for value in scaled)
    for number, value in enumerate(scaled):
        both = np.isfinite(value) & np.isfinite(scaled[0])
        count = int(both.sum())
        if count < MIN_HITS:
            sides.append(None)
            differences.append(None)
            continue
        mine = value[both]
        spread = float(mine.std(ddof=1)) / math.sqrt(count)
        moments = _Moments(float(mine.mean()), spread**2, spread**2, 0.0, count, count - 1.0)
        sides.append(_side(moments, measure))
        if number == 0:
            differences.append(None)
            continue
        apart = mine - scaled[0][both]
        variance = float(apart.var(ddof=1)) / count
        differences.append(_difference(measure, number, float(apart.mean()), variance, count - 1.0))
    return Row(measure, tuple(sides), tuple(differences), why)


def compare_estimates(
    measure: Measure,
    estimates: Sequence[tuple[float, Interval, int] | None],
    why: Sequence[str] = (),
) -> Row:
    """Figures that belong to a whole stretch (spread, margin), each with its 95 % interval; ``why``
    says of each what is missing if there is none.

    Standard errors are read off the intervals; relative measures on the logarithm.
    """
    moments: list[_Moments | None] = []
    for one in estimates:
        if one is None:
            moments.append(None)
            continue
        value, (low, high), hits = one
        if measure.relative:
            value, low, high = (math.log(max(part, 1e-9)) for part in (value, low, high))
        variance = ((high - low) / (2.0 * _Z95)) ** 2
        moments.append(_Moments(value, variance, variance, 0.0, hits, math.inf))
    sides = tuple(None if one is None else _side(one, measure) for one in moments)
    differences: list[Difference | None] = [None]
    for number, other in enumerate(moments[1:], 1):
        first = moments[0]
        if first is None or other is None:
            differences.append(None)
        else:
            variance = first.var + other.var
            differences.append(
                _difference(measure, number, other.mean - first.mean, variance, math.inf)
            )
    return Row(measure, sides, tuple(differences), tuple(why))


def judge(rows: Sequence[Row]) -> list[Row]:
    """The rows with ``real`` set by Holm's procedure over all differences in them."""
    every = sorted(
        (one.p, number, place)
        for number, row in enumerate(rows)
        for place, one in enumerate(row.differences)
        if one is not None
    )
    real = set()
    for rank, (p, number, place) in enumerate(every):
        if p > ALPHA / (len(every) - rank):
            break
        real.add((number, place))
    return [
        replace(
            row,
            differences=tuple(
                None if one is None else replace(one, real=(number, place) in real)
                for place, one in enumerate(row.differences)
            ),
        )
        for number, row in enumerate(rows)
    ]


# --- wishes -----------------------------------------------------------------------------------

#: What can be wished for: measure and the direction that is better.
WISHES: Final[Mapping[str, tuple[str, int]]] = {
    "fuller": ("body", 1),
    "fuller-soft": ("body_soft", 1),
    "less-box": ("box", -1),
    "more-crack": ("crack", 1),
    "more-wires": ("wires_to_body", 1),
    "fewer-wires": ("wires_to_body", -1),
    "brighter": ("brightness", 1),
    "darker": ("brightness", -1),
    "shorter": ("ring", -1),
    "longer": ("ring", 1),
    "higher": ("note", 1),
    "lower": ("note", -1),
    "quicker": ("attack", -1),
    "less-bleed": ("margin", 1),
    "more-even": ("spread", -1),
}


@dataclass(frozen=True, slots=True)
class Standing:
    """A stretch in the order of the wishes. ``points``: against the first stretch, in steps, only
    differences that are more than chance counted; ``parts``: wish and points of each."""

    stretch: int
    points: float
    parts: tuple[tuple[str, float], ...]


def rank(rows: Sequence[Row], wishes: Sequence[str], stretches: int) -> list[Standing]:
    """The stretches, the one that the wishes favour most first; at like points in order given."""
    by_key = {row.measure.key: row for row in rows}
    standings = []
    for stretch in range(stretches):
        parts = []
        for wish in wishes:
            key, sign = WISHES[wish]
            row = by_key.get(key)
            one = row.differences[stretch] if row is not None else None
            if row is None or one is None or not one.real:
                parts.append((wish, 0.0))
            else:
                parts.append((wish, sign * one.amount / row.measure.step))
        standings.append(Standing(stretch, sum(points for _, points in parts), tuple(parts)))
    return sorted(standings, key=lambda one: -one.points)


# --- the arithmetic ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Moments:
    """``var``: of the mean at the common level; ``own_var``: without the slope's share."""

    mean: float
    var: float
    own_var: float
    level: float
    hits: int
    freedom: float


def _usable(
    level: FloatArray, value: FloatArray, measure: Measure
) -> tuple[FloatArray, FloatArray] | None:
    good = np.isfinite(value) & ((value > 0.0) if measure.relative else True)
    level = np.where(
        np.isfinite(level), level, np.nanmean(level) if np.isfinite(level).any() else 0.0
    )
    level, value = level[good], value[good]
    if measure.relative:
        value = np.log(value)
    if len(value) < MIN_HITS:
        return None
    middle = float(np.median(value))
    scale = 1.4826 * float(np.median(np.abs(value - middle)))
    near = np.abs(value - middle) <= _STRAY * max(scale, 1e-9)
    if scale <= 1e-9 or int(near.sum()) < MIN_HITS:
        near = np.ones(len(value), dtype=bool)
    return level[near], value[near]


def _slope(groups: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[float, float]:
    """Slope within the groups together, and its variance; nothing where the level hardly moves."""
    sxx = sum(float(((level - level.mean()) ** 2).sum()) for level, _ in groups)
    count = sum(len(level) for level, _ in groups)
    freedom = count - len(groups) - 1
    if sxx < 1e-9 or freedom < 3:
        return 0.0, 0.0
    sxy = sum(
        float(((level - level.mean()) * (value - value.mean())).sum()) for level, value in groups
    )
    slope = sxy / sxx
    rss = sum(
        float(((value - value.mean() - slope * (level - level.mean())) ** 2).sum())
        for level, value in groups
    )
    return slope, rss / freedom / sxx


def _moments(
    group: tuple[FloatArray, FloatArray], slope: float, slope_var: float, common: float
) -> _Moments:
    level, value = group
    away = float(level.mean()) - common
    residual = value - slope * (level - level.mean())
    own = float(residual.var(ddof=1)) / len(value)
    mean = float(value.mean()) - slope * away
    total = own + slope_var * away**2
    return _Moments(mean, total, own, float(level.mean()), len(value), len(value) - 1.0)


def _welch(first: _Moments, other: _Moments) -> float:
    """Degrees of freedom after Satterthwaite."""
    total = (first.own_var + other.own_var) ** 2
    parts = first.own_var**2 / first.freedom + other.own_var**2 / other.freedom
    return total / parts if parts > 0.0 else math.inf


def _quantile(freedom: float) -> float:
    return _Z95 if math.isinf(freedom) else float(special.stdtrit(freedom, 0.975))


def _side(moments: _Moments, measure: Measure) -> Side:
    reach = _quantile(moments.freedom) * math.sqrt(moments.var)
    ends = (moments.mean - reach, moments.mean + reach)
    if measure.relative:
        low, high = math.exp(ends[0]), math.exp(ends[1])
        return Side(math.exp(moments.mean), (low, high), moments.hits)
    return Side(moments.mean, ends, moments.hits)


def _difference(
    measure: Measure, other: int, amount: float, variance: float, freedom: float
) -> Difference:
    error = math.sqrt(max(variance, 1e-18))
    reach = _quantile(freedom) * error
    size = abs(amount) / error
    tail = special.ndtr(-size) if math.isinf(freedom) else special.stdtr(freedom, -size)
    ends = (amount - reach, amount + reach)
    if measure.relative:
        amount, *rest = (100.0 * math.expm1(one) for one in (amount, *ends))
        ends = (rest[0], rest[1])
    return Difference(measure.key, other, amount, ends, 2.0 * float(tail))
