"""Shift of a drum's ringing modes between two groups of hits, mode by mode, at like hit levels.

The pattern (`advise.changes_pattern`) sees everything that sounds in the ringing part, and what
does not move with the head (the room, what rings along in other drums) holds its shift back. Modes
of the head are few and stand clear of that: each is followed from the reference into the take, and
a hit's shift is the weighted median over its modes. One common shift is looked for first, so that
a mode is never taken for its neighbour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.advise.changes_pattern import MAX_SHIFT_CENTS, MIN_HITS, regress
from liveassist.model import FloatArray, Partial
from liveassist.ranks import median

#: Partials this near a mode of the reference, once shifted, are that mode, cents.
_REACH_CENTS: Final = 35.0
#: A mode is one that this share of the reference's hits show, so near to each other, cents.
_SHARE: Final = 0.6
_PILE_CENTS: Final = 25.0
#: Modes weaker than this against the strongest, median over hits, are left out, dB.
_RANGE_DB: Final = 24.0
#: Weight of a mode falls by 20 dB for each of these, dB: a strong one is known better.
_WEIGHT_DB: Final = 40.0
_STEP_CENTS: Final = 2.0
#: How far the modes of different strokes on one drum were found apart beyond chance, cents, on
#: recorded drums.
SYSTEMATIC_CENTS: Final = 3.5
#: The common shift must explain this share of what no shift or another could.
_LEAST_MATCH: Final = 0.45


@dataclass(frozen=True, slots=True)
class ModeShift:
    """Shift in cents (flat negative), standard error, modes followed, usable hits of the take."""

    cents: float
    se_cents: float
    modes: int
    hits: int


@dataclass(frozen=True, slots=True)
class _Mode:
    place: float
    weight: float


def compare_modes(
    reference: Sequence[Sequence[Partial]],
    reference_dbfs: FloatArray,
    take: Sequence[Sequence[Partial]],
    take_dbfs: FloatArray,
    *,
    systematic_cents: float = SYSTEMATIC_CENTS,
) -> ModeShift | None:
    """Shift of ``take`` against ``reference``; partials and levels hit by hit.

    None with fewer than `MIN_HITS` usable hits on either side, without two modes that most hits of
    the reference share, or where no common shift brings the take's partials onto them.
    """
    modes = _modes(reference)
    if len(modes) < 2:
        return None
    rough = _common_shift(modes, take)
    if rough is None:
        return None
    first = _per_hit(modes, reference, 0.0)
    second = _per_hit(modes, take, rough)
    known_a, known_b = np.isfinite(first), np.isfinite(second)
    if min(int(known_a.sum()), int(known_b.sum())) < MIN_HITS:
        return None
    shifts = np.concatenate([first[known_a], second[known_b]])
    levels = np.concatenate([reference_dbfs[known_a], take_dbfs[known_b]])
    in_take = np.concatenate([np.zeros(int(known_a.sum())), np.ones(int(known_b.sum()))])
    cents, error, _ = regress(shifts, levels, in_take)
    apart = abs(median(take_dbfs[known_b]) - median(reference_dbfs[known_a]))
    error = math.hypot(error, systematic_cents, 0.6 * apart)
    return ModeShift(cents, error, len(modes), int(known_b.sum()))


def _places(partials: Sequence[Partial]) -> FloatArray:
    return np.array([1200.0 * math.log2(p.frequency_hz) for p in partials])


def _modes(hits: Sequence[Sequence[Partial]]) -> list[_Mode]:
    """Where the partials of the hits pile up, cents on the log-frequency axis, with weights."""
    usable = [partials for partials in hits if partials]
    if len(usable) < MIN_HITS:
        return []
    places = [_places(partials) for partials in usable]
    levels = [
        np.array([p.level_dbfs for p in partials]) - max(p.level_dbfs for p in partials)
        for partials in usable
    ]
    everything = np.sort(np.concatenate(places))
    found: list[tuple[float, float]] = []
    left = everything
    while len(left):
        counts = np.searchsorted(left, left + _PILE_CENTS) - np.searchsorted(
            left, left - _PILE_CENTS
        )
        best = int(np.argmax(counts))
        if counts[best] < _SHARE * len(usable):
            break
        centre = median(left[np.abs(left - left[best]) <= _PILE_CENTS])
        mine = [
            level[int(np.argmin(np.abs(place - centre)))]
            for place, level in zip(places, levels, strict=True)
            if len(place) and np.min(np.abs(place - centre)) <= _REACH_CENTS
        ]
        if len(mine) >= _SHARE * len(usable):
            found.append((centre, median(mine)))
        left = left[np.abs(left - centre) > 2.0 * _REACH_CENTS]
    top = max((level for _, level in found), default=0.0)
    return [
        _Mode(place, 10.0 ** ((level - top) / _WEIGHT_DB))
        for place, level in found
        if level >= top - _RANGE_DB
    ]


def _common_shift(modes: Sequence[_Mode], hits: Sequence[Sequence[Partial]]) -> float | None:
    """The shift that brings most partials onto the modes, cents; None where none does."""
    usable = [_places(partials) for partials in hits if partials]
    if len(usable) < MIN_HITS:
        return None
    everything = np.concatenate(usable)
    grid = np.arange(-MAX_SHIFT_CENTS, MAX_SHIFT_CENTS + 1.0, _STEP_CENTS)
    score = np.zeros(len(grid))
    for mode in modes:
        off = everything[None, :] - mode.place - grid[:, None]
        near = np.exp(-0.5 * (off / 12.0) ** 2).sum(axis=1) / len(usable)
        score += mode.weight * np.minimum(near, 1.0)
    score /= sum(mode.weight for mode in modes)
    # of shifts that fit as well, the smaller: a drum rarely goes far
    best = int(np.argmax(score - 0.0004 * np.abs(grid)))
    return float(grid[best]) if score[best] >= _LEAST_MATCH else None


def _per_hit(modes: Sequence[_Mode], hits: Sequence[Sequence[Partial]], shift: float) -> FloatArray:
    """Shift of each hit's modes near ``shift``, cents; NaN with too little to go by."""
    out = np.full(len(hits), np.nan)
    total = sum(mode.weight for mode in modes)
    for index, partials in enumerate(hits):
        if not partials:
            continue
        places = _places(partials)
        offs, weights = [], []
        for mode in modes:
            off = places - mode.place - shift
            nearest = int(np.argmin(np.abs(off)))
            if abs(off[nearest]) <= _REACH_CENTS:
                offs.append(float(off[nearest]))
                weights.append(mode.weight)
        if sum(weights) >= 0.4 * total:
            out[index] = shift + _middle(np.array(offs), np.array(weights))
    return out


def _middle(values: FloatArray, weights: FloatArray) -> float:
    """Weighted median: between the values on either side of half the weight.

    A mode that something beside the drum rings along with reads wrong by itself.
    """
    order = np.argsort(values)
    values, weights = values[order], weights[order]
    reached = np.cumsum(weights) - 0.5 * weights
    return float(np.interp(0.5 * weights.sum(), reached, values))
