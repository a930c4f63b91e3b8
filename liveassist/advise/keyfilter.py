"""Which key filter sets a drum's own hits furthest above everything else in its microphone.

For each filter tried, two levels are read off the envelopes behind it: the level that all but the
weakest main hits reach soon after their onset, and the level that the background (bleed, wash, ring
of other drums) passes only a stated number of times a minute. Their distance is the *separation*.
Filters that separate best are handed to `liveassist.advise.suggest`, which runs them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from liveassist.advise.history import FULL_BAND, Band
from liveassist.advise.scene import (
    MARGIN_TAILS_S,
    Scene,
    background_levels,
    hit_levels,
    span_peaks,
)
from liveassist.model import BleedMargin, FloatArray
from liveassist.ranks import median, quantile
from liveassist.steps import Steps, at_once

#: A main hit must reach the threshold this soon for its first 5 ms to pass (with look-ahead).
REACH_S = 0.006
#: The same where that costs more than `SLOW_DB`: narrow filters answer slowly.
SLOW_REACH_S = 0.011
SLOW_DB = 1.5
#: How many filters are worth running.
TRIED = 4
#: A main hit further than this below the median is taken for a wrong label when fitting.
_WRONG_LABEL_DB = 14.0
_LUCK_DB = 3.0
#: Share of main hits, and of own hits, allowed for as wrong or missed by the detector.
_DETECTOR_ERRORS = 0.02
#: Openings a minute tolerated in the estimate of the background's top.
_TOLERATED_PER_MIN = 2.0


@dataclass(frozen=True, slots=True)
class Separation:
    """Levels behind one key filter, dBFS. ``main``: what main hits reach; ``rest``: background."""

    band: Band
    main_dbfs: float
    rest_dbfs: float
    reach_s: float
    mains: FloatArray

    @property
    def db(self) -> float:
        """How far main hits stand above the rest; negative where they overlap."""
        return self.main_dbfs - self.rest_dbfs


def low_level(mains: FloatArray) -> float:
    """Level that nearly all main hits reach, these and later ones; NaN without any.

    The smallest but for detector errors, or lower where the scatter of the hits says that this was
    luck (2.2 robust standard deviations below the median, at most `_LUCK_DB` lower).
    """
    if mains.size == 0:
        return math.nan
    middle = median(mains)
    kept = np.sort(mains[mains > middle - _WRONG_LABEL_DB])
    lowest = float(kept[int(_DETECTOR_ERRORS * kept.size)])
    scatter = 1.4826 * median(np.abs(kept - middle))
    return max(min(lowest, middle - 2.2 * scatter), lowest - _LUCK_DB)


def high_level(background: FloatArray, minutes: float, own_hits: int) -> float:
    """Level that the background passes only a tolerated number of times; -inf without any."""
    if background.size == 0:
        return -math.inf
    spared = math.ceil(_TOLERATED_PER_MIN * minutes) + math.ceil(_DETECTOR_ERRORS * own_hits)
    ranked = np.sort(background)[::-1]
    return float(ranked[min(spared, ranked.size - 1)])


def separation(scene: Scene, band: Band = FULL_BAND) -> Separation:
    """How well ``band`` tells main hits from the rest in this microphone."""
    envelope = scene.envelope(band)
    mains, reach_s = hit_levels(scene, envelope, REACH_S)[scene.main], REACH_S
    slow = hit_levels(scene, envelope, SLOW_REACH_S)[scene.main]
    if low_level(slow) > low_level(mains) + SLOW_DB:
        mains, reach_s = slow, SLOW_REACH_S
    background = np.zeros(0)
    for tail_s in MARGIN_TAILS_S:
        background = background_levels(scene, envelope, tail_s)
        # A tail shorter than the ring lets the drum's own ring into the background: only where
        # the playing is too dense to leave anything else.
        if background.size >= 40.0 * min(1.0, 2.0 * scene.minutes):
            break
    return Separation(
        band=band,
        main_dbfs=low_level(mains),
        rest_dbfs=high_level(background, scene.minutes, scene.own.size),
        reach_s=reach_s,
        mains=mains,
    )


def candidates(scene: Scene) -> Steps[list[Separation]]:
    """The filters that separate best, best first, without the full band."""
    tried = []
    for band in scene.bands:
        yield
        tried.append(separation(scene, band))
    return sorted(tried, key=lambda one: -one.db)[:TRIED]


def margin(scene: Scene, full_band: BleedMargin | None = None) -> BleedMargin:
    """``full_band`` (or an empty margin) with ``key_filtered_db`` filled in.

    P10 of the main hits' levels minus P95 of the worst source's, behind the filter that separates
    best; sources are the foreign drums with at least five judged hits, and the wash between hits.
    """
    base = full_band or BleedMargin(None, None, None)
    return BleedMargin(
        full_band_db=base.full_band_db,
        key_filtered_db=at_once(keyed_margin(scene)),
        worst_source=base.worst_source,
        by_source_db=base.by_source_db,
    )


def keyed_margin(scene: Scene) -> Steps[float | None]:
    """``key_filtered_db`` of `margin`, in steps; None where it cannot be told."""
    found = []
    if scene.main.size:
        for band in scene.bands:
            yield
            one = _band_margin(scene, band)
            if one is not None:
                found.append(one)
    return max(found, default=None)


def _band_margin(scene: Scene, band: Band) -> float | None:
    envelope = scene.envelope(band)
    floor = quantile(hit_levels(scene, envelope)[scene.main], 0.10)
    levels = span_peaks(envelope, scene.foreign - 1, scene.foreign_end)
    drums = np.array(scene.foreign_drum)
    worst = [
        quantile(levels[drums == drum], 0.95)
        for drum in sorted(set(scene.foreign_drum))
        if np.count_nonzero(drums == drum) >= 5
    ]
    wash = background_levels(scene, envelope, MARGIN_TAILS_S[0])
    if wash.size >= 10:
        worst.append(quantile(wash, 0.95))
    return floor - max(worst) if worst else None
