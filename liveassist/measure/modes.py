"""A drum's modes by identity over many hits, so that the note never hops from mode to mode.

One weak stroke may hardly excite the lowest mode and then names the next one; over a take the
modes are where partials pile up on the log-frequency axis. The note is the lowest pile that most
hits share; a hit's own note is its partial in that pile, or none.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from liveassist.model import FloatArray, HitMeasures, Interval, Partial
from liveassist.ranks import median

#: Partials this near a mode are that mode, cents.
SAME_MODE_CENTS: Final = 70.0
#: Ratios of frequency between which that is looked at closely.
_LOWER: Final = 2.0 ** (-(SAME_MODE_CENTS + 1.0) / 1200.0)
_HIGHER: Final = 2.0 ** ((SAME_MODE_CENTS + 1.0) / 1200.0)
#: A mode is one that at least this share of the usable hits shows.
_SHARE: Final = 0.5
#: Fewest usable hits for modes.
MIN_HITS: Final = 4
#: Hits a tracker looks back over.
TRACKED_HITS: Final = 48
#: The lowest mode may be this much weaker than the strongest, median over hits, dB.
_NOTE_RANGE_DB: Final = 18.0
_GRID_CENTS: Final = 5.0
_SMOOTH_CENTS: Final = 25.0


@dataclass(frozen=True, slots=True)
class TrackedMode:
    """One mode over several hits. Medians; ``*_ci`` 95 % of the median; ``level_db`` is relative
    to each hit's strongest partial; ``share`` of usable hits that show it."""

    frequency_hz: float
    frequency_ci: Interval
    t60_s: float
    t60_ci: Interval
    level_db: float
    share: float
    hits: int


def _centre(values: FloatArray) -> tuple[float, Interval]:
    """Median and its 95 % interval: 1.2533 sigma/sqrt(n) with sigma from the MAD, Student's t."""
    middle = median(values)
    if len(values) < 3:
        return middle, (float(values.min()), float(values.max()))
    sigma = 1.4826 * median(np.abs(values - middle))
    sigma = max(sigma, 0.3 * float(values.std(ddof=1)))
    reach = 1.2533 * sigma / math.sqrt(len(values))
    reach *= float(special.stdtrit(len(values) - 1, 0.975))
    return middle, (middle - reach, middle + reach)


def _nearest(partials: Sequence[Partial], frequency_hz: float) -> Partial | None:
    best: Partial | None = None
    least = SAME_MODE_CENTS
    for partial in partials:
        if not _LOWER < partial.frequency_hz / frequency_hz < _HIGHER:
            continue
        apart = abs(1200.0 * math.log2(partial.frequency_hz / frequency_hz))
        if apart <= least:
            best, least = partial, apart
    return best


def tracked_modes(hits: Sequence[HitMeasures]) -> tuple[TrackedMode, ...]:
    """Modes that at least half of the usable hits share, lowest first.

    Hits without partials are not usable. Empty below `MIN_HITS` usable hits.
    """
    usable = [hit.partials for hit in hits if hit.partials]
    if len(usable) < MIN_HITS:
        return ()
    from scipy import ndimage, signal  # takes half a second, so not before it is needed

    cents = np.array([1200.0 * math.log2(p.frequency_hz) for partials in usable for p in partials])
    low = cents.min() - 200.0
    bins = int((cents.max() - low + 200.0) / _GRID_CENTS) + 1
    count, _ = np.histogram(cents, bins=bins, range=(low, low + bins * _GRID_CENTS))
    density = ndimage.gaussian_filter1d(
        count.astype(np.float64), _SMOOTH_CENTS / _GRID_CENTS, mode="constant"
    )
    peaks, _ = signal.find_peaks(density, distance=round(SAME_MODE_CENTS / _GRID_CENTS))
    modes = [
        _describe(usable, float(2.0 ** ((low + (peak + 0.5) * _GRID_CENTS) / 1200.0)))
        for peak in peaks
    ]
    return tuple(mode for mode in modes if mode is not None)


def _describe(usable: list[tuple[Partial, ...]], frequency_hz: float) -> TrackedMode | None:
    """The mode at ``frequency_hz``; None where too few hits share it."""
    mine: list[tuple[Partial, float]] = []
    for partials in usable:
        partial = _nearest(partials, frequency_hz)
        if partial is not None:
            mine.append((partial, max(p.level_dbfs for p in partials)))
    share = len(mine) / len(usable)
    if share < _SHARE:
        return None
    frequency, frequency_ci = _centre(np.array([p.frequency_hz for p, _ in mine]))
    t60, t60_ci = _centre(np.array([p.t60_s for p, _ in mine]))
    level = median([p.level_dbfs - top for p, top in mine])
    return TrackedMode(frequency, frequency_ci, t60, t60_ci, level, share, len(mine))


def lowest_mode(modes: Sequence[TrackedMode]) -> TrackedMode | None:
    """The mode that is the drum's note: the lowest not much weaker than the strongest."""
    if not modes:
        return None
    strongest = max(mode.level_db for mode in modes)
    return next(
        (
            mode
            for mode in sorted(modes, key=lambda mode: mode.frequency_hz)
            if mode.level_db >= strongest - _NOTE_RANGE_DB
        ),
        None,
    )


def follow(measures: HitMeasures, note_hz: float) -> HitMeasures:
    """``measures`` with note and ring those of the mode at ``note_hz``, or None if not heard."""
    if not measures.partials:
        return measures
    partial = _nearest(measures.partials, note_hz)
    if partial is None:
        return replace(
            measures,
            note_hz=None,
            note_sd_hz=None,
            ring_s=None,
            reason="this stroke hardly excites the lowest mode",
        )
    sd = measures.note_sd_hz
    return replace(measures, note_hz=partial.frequency_hz, note_sd_hz=sd, ring_s=partial.t60_s)


class NoteTracker:
    """Follows one drum's lowest mode hit by hit, from the hits so far only. Bounded memory.

    Modes are found anew at each of the first eight usable hits and at every eighth after.
    """

    def __init__(self) -> None:
        self._recent: deque[HitMeasures] = deque(maxlen=TRACKED_HITS)
        self._count = 0
        self._note: TrackedMode | None = None

    def feed(self, measures: HitMeasures) -> HitMeasures:
        """The hit with its note put right where the hits before it say which mode is the note."""
        if not measures.partials:
            return measures
        self._recent.append(measures)
        self._count += 1
        if self._count <= 8 or self._count % 8 == 0:
            self._note = lowest_mode(tracked_modes(tuple(self._recent)))
        return measures if self._note is None else follow(measures, self._note.frequency_hz)
