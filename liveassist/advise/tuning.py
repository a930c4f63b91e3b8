"""Is a head even all round? Split partials, and the drum's note and ring over a take.

On an evenly tensioned head the modes with nodal diameters come in pairs of one frequency. Uneven
tension, T(1 + e) along one axis and T(1 - e) across it, splits the (1,1) pair by df/f = e/2 to
first order (Rayleigh-Ritz; the circular mode and, to first order, (2,1) stay whole). The split is
heard as a beat of df hertz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy import special

from liveassist.advise.changes_stats import huber_centre, robust_sd
from liveassist.model import FloatArray, HitMeasures, Interval, Partial
from liveassist.units import cents

#: Two partials nearer than this are one head mode split in two, if no nearer than the least
#: (which a single hit cannot tell from one), cents.
MOST_SPLIT_CENTS: Final = 90.0
LEAST_SPLIT_CENTS: Final = 8.0
#: Both halves must ring within this of each other, dB.
_BALANCE_DB: Final = 18.0
#: Two partials nearer than this, Hz, are one that bends while it is listened to.
LEAST_SPLIT_HZ: Final = 4.0
#: The lowest mode has no diameter and cannot split: pairs this near it are its own bending, cents.
_NEAR_NOTE_CENTS: Final = 120.0
#: Both halves keep their place from hit to hit within this, cents (standard deviation).
_STEADY_CENTS: Final = 12.0
#: Share of hits that must show the pair, and how many.
_SHARE: Final = 0.5
MIN_HITS: Final = 6
#: Pairs whose centres are this near are the same split, cents.
_SAME_CENTS: Final = 60.0
#: Notes or rings of at least this many hits make a figure for a take.
MIN_FIGURE: Final = 5


@dataclass(frozen=True, slots=True)
class Split:
    """A mode split in two by uneven tension.

    ``tension_ratio``: tension along the tight axis over that along the slack one, 1 + 4 df/f if
    this is a (1,1) pair, which a tool that hears one microphone cannot know for certain.
    """

    low_hz: float
    high_hz: float
    difference_hz: float
    difference_cents: float
    hits: int

    @property
    def tension_ratio(self) -> float:
        """Tight over slack axis, for a (1,1) pair."""
        uneven = 2.0 * self.difference_hz / (0.5 * (self.low_hz + self.high_hz))
        return (1.0 + uneven) / (1.0 - uneven)

    @property
    def sentence(self) -> str:
        """What to check, in plain words."""
        return (
            f"The head is uneven: one mode rings at both {self.low_hz:.1f} and "
            f"{self.high_hz:.1f} Hz ({self.difference_hz:.1f} Hz, {self.difference_cents:.0f} "
            f"cents apart): check the lugs pair by pair."
        )


@dataclass(frozen=True, slots=True)
class TakeFigure:
    """A median-like figure over a take with its 95 % interval."""

    value: float
    ci: Interval
    hits: int


def _pairs(partials: Sequence[Partial]) -> list[tuple[Partial, Partial]]:
    ordered = sorted(partials, key=lambda partial: partial.frequency_hz)
    return [
        (low, high)
        for low, high in pairwise(ordered)
        if LEAST_SPLIT_CENTS <= cents(high.frequency_hz, low.frequency_hz) <= MOST_SPLIT_CENTS
        and high.frequency_hz - low.frequency_hz >= LEAST_SPLIT_HZ
        and abs(low.level_dbfs - high.level_dbfs) <= _BALANCE_DB
    ]


def _lowest(partials: Sequence[Partial]) -> float:
    """The lowest partial that is not much weaker than the strongest, Hz."""
    top = max(partial.level_dbfs for partial in partials)
    return min(p.frequency_hz for p in partials if p.level_dbfs >= top - _BALANCE_DB)


def _steady(partials: Sequence[Partial]) -> bool:
    places = [1200.0 * math.log2(partial.frequency_hz) for partial in partials]
    return robust_sd(np.array(places)) <= _STEADY_CENTS


def uneven_head(hits: Sequence[Sequence[Partial]]) -> Split | None:
    """The most often seen split mode over hits (their partials), the lowest if several; or None.

    At least `MIN_HITS` hits with partials, half of which must show the same pair.
    """
    usable = [partials for partials in hits if partials]
    if len(usable) < MIN_HITS:
        return None
    note = float(np.median([_lowest(partials) for partials in usable]))
    pairs = [
        pair
        for partials in usable
        for pair in _pairs(partials)
        if cents(pair[0].frequency_hz, note) > _NEAR_NOTE_CENTS
    ]
    best: Split | None = None
    for low, high in pairs:
        centre = math.sqrt(low.frequency_hz * high.frequency_hz)
        same = [
            (a, b)
            for a, b in pairs
            if abs(cents(math.sqrt(a.frequency_hz * b.frequency_hz), centre)) <= _SAME_CENTS
        ]
        if len(same) < _SHARE * len(usable):
            continue
        if not _steady([a for a, _ in same]) or not _steady([b for _, b in same]):
            continue
        low_hz = float(np.median([a.frequency_hz for a, _ in same]))
        high_hz = float(np.median([b.frequency_hz for _, b in same]))
        found = Split(low_hz, high_hz, high_hz - low_hz, cents(high_hz, low_hz), len(same))
        if best is None or (found.hits, -found.low_hz) > (best.hits, -best.low_hz):
            best = found
    return best


def _figure(values: FloatArray) -> TakeFigure | None:
    if len(values) < MIN_FIGURE:
        return None
    value = huber_centre(values)
    reach = float(special.stdtrit(len(values) - 1, 0.975))
    reach *= 1.025 * robust_sd(values) / math.sqrt(len(values))
    return TakeFigure(value, (value - reach, value + reach), len(values))


def take_note_hz(hits: Sequence[HitMeasures]) -> TakeFigure | None:
    """The drum's note over a take, Hz; None below `MIN_FIGURE` hits with a note.

    Notes more than 90 cents off the median are of another mode and left out.
    """
    notes = np.array([hit.note_hz for hit in hits if hit.note_hz is not None], dtype=np.float64)
    if len(notes) < MIN_FIGURE:
        return None
    return _figure(notes[np.abs(1200.0 * np.log2(notes / np.median(notes))) <= 90.0])


def take_ring_s(hits: Sequence[HitMeasures]) -> TakeFigure | None:
    """The drum's ring (T60 of its note) over a take, seconds; geometric, so interval uneven."""
    rings = [hit.ring_s for hit in hits if hit.ring_s is not None and hit.ring_s > 0.0]
    found = _figure(np.log(np.array(rings, dtype=np.float64))) if rings else None
    if found is None:
        return None
    low, high = found.ci
    return TakeFigure(math.exp(found.value), (math.exp(low), math.exp(high)), found.hits)
