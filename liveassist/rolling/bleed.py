"""Bleed of every drum in every microphone, and the margin that bleed leaves to the main hits.

Levels of a drum in a foreign microphone are partly *bounds*: buried under something louder, all
that is known is that the drum was no louder than so much. Leaving those hits out would keep only
the loud bleed; taking the bounds for levels would do the same. They are left-censored data and
are combined by the product-limit estimate (Kaplan & Meier, JASA 53, 1958, run from the top down;
Helsel, *Statistics for Censored Environmental Data*, 2nd ed. 2012, does this for detection
limits). It needs the burying to be independent of the level, which a busy groove provides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from liveassist.model import BleedMargin, Drum, FloatArray, Hit, Kit
from liveassist.ranks import quantile

#: Fewest hits for a cell of the bleed matrix, and fewest of them measured (not bounds) for the
#: cell to be a figure and not itself an upper bound.
MIN_CELL_HITS = 8
MIN_MEASURED = 4
#: What others added to a drum's level there is never taken off whole, and can only make it louder.
#: Of strokes alone (recorded drums) the median lies 0.7 dB over what a fifth of them lie under,
#: 1.4 dB in one cell of ten; a median higher than that is not the drum's. On recorded drums the
#: 90th percentile of the error falls by a third with no soundcheck, and stays after one.
LOW_SHARE = 0.2
OVER_LOW_DB = 1.4
#: At or above this a microphone is taken to be at full scale, dBFS; its reading is then no level.
FULL_SCALE_DBFS = -0.05
#: Another drum struck this long before or after a hit is in its 40 ms span, seconds.
NEAR_BEFORE_S = 0.06
NEAR_AFTER_S = 0.045
WASH = "cymbal wash"


@dataclass(frozen=True, slots=True)
class DrumLevels:
    """Levels of one drum's hits in all microphones.

    ``own_dbfs`` shape (hits,), NaN where not measured; ``mic_dbfs`` and ``bound`` shape
    (hits, microphones), NaN where nothing is known.
    """

    drum: Drum
    own_dbfs: FloatArray
    mic_dbfs: FloatArray
    bound: npt.NDArray[np.bool_]


@dataclass(slots=True)
class BleedTables:
    """Bleed figures under construction, in the form `Figures` takes."""

    bleed_db: dict[str, dict[str, float | None]] = field(default_factory=dict)
    bleed_dbfs: dict[str, dict[str, float | None]] = field(default_factory=dict)
    upper_bound: list[str] = field(default_factory=list)
    margin: dict[str, BleedMargin] = field(default_factory=dict)
    unmeasured: dict[str, str] = field(default_factory=dict)


def censored_quantile(
    levels: npt.ArrayLike, bound: npt.ArrayLike, share: float
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Quantile of each column of levels of which some are upper bounds.

    ``levels`` shape (hits, columns), NaN where nothing is known; ``bound`` true where the level
    is only an upper bound; ``share`` 0 to 1. Returns the quantile of each column (NaN for an
    empty one) and whether it is itself only an upper bound (too many bounds lie above it, or
    fewer than `MIN_MEASURED` levels were measured: then bounds are taken for levels).
    """
    return _Censored(levels, bound).quantile(share)


class _Censored:
    """Columns of levels of which some are upper bounds, ranked."""

    def __init__(self, levels: npt.ArrayLike, bound: npt.ArrayLike) -> None:
        # A column's levels beside each other in memory, as ranking wants them.
        x = np.ascontiguousarray(np.atleast_2d(np.asarray(levels, dtype=np.float64)).T)
        cut = np.ascontiguousarray(np.broadcast_to(np.asarray(bound, dtype=bool), x.T.shape).T)
        known = np.isfinite(x)
        self._count = known.sum(axis=1)
        # From the top down; a bound comes after a measured level of the same size, being below it.
        order = np.lexsort((cut, np.where(known, -x, np.inf)), axis=1)
        self._x = np.take_along_axis(x, order, 1)
        self._cut = np.take_along_axis(cut, order, 1)
        self._measured = np.take_along_axis(known, order, 1) & ~self._cut
        at_risk = self._count[:, None] - np.arange(x.shape[1])
        factor = np.where(self._measured, 1.0 - 1.0 / np.maximum(at_risk, 1), 1.0)
        self._below = np.cumprod(factor, axis=1)

    def quantile(self, share: float) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """See `censored_quantile`."""
        count, x = self._count, self._x
        out = np.full(len(x), np.nan)
        is_bound = np.zeros(len(x), bool)
        if not count.any():
            return out, is_bound
        reached = self._measured & (self._below <= share + 1e-12)
        enough = reached.any(axis=1) & (self._measured.sum(axis=1) >= MIN_MEASURED)
        columns = np.flatnonzero(enough)
        at = reached.argmax(axis=1)[columns]
        reached[columns, at] = False
        # Exactly the asked share lies below: half-way to the next level, as in a median.
        exact = np.abs(self._below[columns, at] - share) < 1e-12
        halved = exact & reached[columns].any(axis=1)
        following = np.where(halved, reached.argmax(axis=1)[columns], at)
        out[columns] = 0.5 * (x[columns, at] + x[columns, following])
        for column in np.flatnonzero((count > 0) & ~enough):
            out[column] = _quantile(x[column, : count[column]], share)
            is_bound[column] = bool(self._cut[column, : count[column]].any())
        return out, is_bound


def _quantile(descending: FloatArray, share: float) -> float:
    """`numpy.quantile` of values in descending order, in a tenth of its time."""
    place = (descending.size - 1) * (1.0 - share)
    low = int(place)
    high = min(low + 1, descending.size - 1)
    return float(descending[low] + (place - low) * (descending[high] - descending[low]))


def drum_levels(
    kit: Kit, drum: Drum, hits: Sequence[Hit], others_s: FloatArray | None = None
) -> DrumLevels:
    """Levels of the hits in every microphone; readings of a microphone at full scale dropped.

    ``others_s``: onsets of all other drums' hits, ascending. Where a hit's levels are simply
    those of the mixture (not separated) and another drum was struck at about the same time, they
    are taken for what they are: upper bounds.
    """
    mics = len(kit.mics)
    rows = [hit for hit in hits if len(hit.mic_dbfs) == mics]
    own = np.array([_nan(hit.peak_dbfs) for hit in rows], dtype=np.float64)
    if not rows:
        empty = np.empty((0, mics))
        return DrumLevels(drum, own, empty, np.zeros((0, mics), bool))
    level = np.array([hit.mic_dbfs for hit in rows], dtype=np.float64)
    bound = np.array([hit.mic_bound or (False,) * mics for hit in rows], dtype=bool)
    heard = np.array([hit.mic_heard_dbfs or (-np.inf,) * mics for hit in rows], dtype=np.float64)
    level[heard >= FULL_SCALE_DBFS] = np.nan
    if others_s is not None and others_s.size:
        at = np.array([hit.time_s for hit in rows])
        first = np.searchsorted(others_s, at - NEAR_BEFORE_S)
        near = np.searchsorted(others_s, at + NEAR_AFTER_S) > first
        mixture = np.all((level == heard) | np.isnan(level), axis=1)
        bound |= (near & mixture & ~bound.any(axis=1))[:, None]
    return DrumLevels(drum, own, level, bound)


def _nan(value: float | None) -> float:
    return np.nan if value is None else value


class Tabulation:
    """Bleed matrix, bleed of drums without own microphone, and ``margins``, drum by drum."""

    def __init__(self, kit: Kit, margins: bool = True) -> None:
        self._kit = kit
        self._margins = margins
        self._tables = BleedTables()
        self._levels: dict[str, DrumLevels] = {}
        self._high: dict[str, FloatArray] = {}

    def add(self, data: DrumLevels, hits: int) -> None:
        """Take in a drum, in the order of the kit: the hits that stand for its level (main hits);
        ``hits``: how many there were in all, for the reasons given."""
        _cells(self._kit, data, hits, self._tables)
        if not self._margins:
            return
        self._levels[data.drum.name] = data
        self._high[data.drum.name] = _high(data)

    def finish(
        self,
        wash_dbfs: Mapping[str, float | None] | None = None,
        keyed_margin_db: Mapping[str, float | None] | None = None,
    ) -> BleedTables:
        """The tables. ``wash_dbfs``: 95th percentile of what each microphone hears between hits.
        ``keyed_margin_db``: the margin behind the key filter, found elsewhere."""
        wash, keyed = wash_dbfs or {}, keyed_margin_db or {}
        for index, mic in enumerate(self._kit.mics):
            if self._margins and mic.type == "acoustic":
                _margin(self._kit, index, self._levels, self._high, wash, keyed, self._tables)
        return self._tables


def _high(data: DrumLevels) -> FloatArray:
    """95th percentile of the drum's level in every microphone; NaN where it cannot be said."""
    level, is_bound = censored_quantile(data.mic_dbfs, data.bound, 0.95)
    few = np.isfinite(data.mic_dbfs).sum(axis=0) < MIN_CELL_HITS
    return np.where(few | is_bound, np.nan, level)


def _cells(kit: Kit, data: DrumLevels, hits: int, tables: BleedTables) -> None:
    drum = data.drum
    relative = drum.own is not None
    kind = "bleed_db" if relative else "bleed_dbfs"
    table = tables.bleed_db if relative else tables.bleed_dbfs
    values = data.mic_dbfs - data.own_dbfs[:, None] if relative else data.mic_dbfs
    count = np.isfinite(values).sum(axis=0)
    ranked = _Censored(values, data.bound)
    middle, is_bound = ranked.quantile(0.5)
    low, _ = ranked.quantile(LOW_SHARE)
    middle = np.minimum(middle, low + OVER_LOW_DB)
    for index, mic in enumerate(kit.mics):
        if mic.name == drum.own or mic.type != "acoustic":
            continue
        cell = table.setdefault(mic.name, {})
        if count[index] < MIN_CELL_HITS:
            cell[drum.name] = None
            known = int(count[index])
            reason = f"{known} hits, {MIN_CELL_HITS} needed"
            if hits >= MIN_CELL_HITS > known:
                reason = f"measurable in {known} of {hits} hits, {MIN_CELL_HITS} needed"
            tables.unmeasured[f"{kind}.{mic.name}.{drum.name}"] = reason
            continue
        cell[drum.name] = float(middle[index])
        if is_bound[index]:
            tables.upper_bound.append(f"{mic.name}.{drum.name}")


def _owners(kit: Kit, index: int) -> list[Drum]:
    """Drums this microphone is there for: those that own it, or the one it is a second on."""
    mic = kit.mics[index]
    return [drum for drum in kit.drums if mic.name == drum.own or mic.of == drum.name]


def _margin(
    kit: Kit,
    index: int,
    levels: Mapping[str, DrumLevels],
    high: Mapping[str, FloatArray],
    wash_dbfs: Mapping[str, float | None],
    keyed: Mapping[str, float | None],
    tables: BleedTables,
) -> None:
    mic = kit.mics[index]
    own = _owners(kit, index)
    if not own:
        return
    key = f"bleed_margin_db.{mic.name}.full_band"
    main = np.concatenate([_in_mic(levels[d.name], mic.name, index) for d in own])
    main = main[np.isfinite(main)]
    if main.size < MIN_CELL_HITS:
        tables.unmeasured[key] = f"{main.size} main hits, {MIN_CELL_HITS} needed"
        tables.margin[mic.name] = BleedMargin(None, keyed.get(mic.name), None)
        return
    soft_main = quantile(main, 0.10)
    by_source: dict[str, float] = {}
    for drum in kit.drums:
        if drum in own or drum.name not in high:
            continue
        if np.isfinite(high[drum.name][index]):
            by_source[drum.name] = soft_main - float(high[drum.name][index])
    wash = wash_dbfs.get(mic.name)
    if wash is not None:
        by_source[WASH] = soft_main - wash
    if not by_source:
        tables.unmeasured[key] = f"no other source heard in {MIN_CELL_HITS} hits or more"
        tables.margin[mic.name] = BleedMargin(None, keyed.get(mic.name), None)
        return
    worst = min(by_source, key=lambda name: by_source[name])
    tables.margin[mic.name] = BleedMargin(
        by_source[worst], keyed.get(mic.name), worst, dict(by_source)
    )


def _in_mic(data: DrumLevels, mic: str, index: int) -> FloatArray:
    """The drum's levels in this microphone; bounds are no levels of its own hits."""
    if data.drum.own == mic:
        return data.own_dbfs
    return np.where(data.bound[:, index], np.nan, data.mic_dbfs[:, index])
