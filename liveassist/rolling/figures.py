"""All statistics over any span of time, from the hits alone. Pure: same hits, same figures.

Hits carry their role (see ``roles``) and their levels in every microphone. Clipped hits (flag
``clipped``) are counted and left out of spread, trend, note and ring; when more than
`MAX_CLIPPED` of a drum's hits clipped, those figures are None and the reason says so.
Percentiles and medians of the level keep clipped hits at full scale: they are at least that loud,
and a percentile below them is still right.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from liveassist.model import Drum, DrumFigures, Figures, FloatArray, Hit, Kit
from liveassist.ranks import median, quantile
from liveassist.rolling.bleed import DrumLevels, Tabulation, drum_levels
from liveassist.rolling.spread import MIN_SPREAD_HITS, MIN_TREND_HITS, local_trend, spread
from liveassist.rolling.trend import MIN_RUN_STROKES, limb_imbalance, slope
from liveassist.steps import Steps, at_once

#: Share of clipped hits beyond which a drum's fine figures are not given.
MAX_CLIPPED = 0.05
#: Fewest main hits for P10 and P90, and fewest readings for a median note or ring.
MIN_PERCENTILE_HITS = 8
MIN_NOTE_HITS = 3
CLIPPED = "clipped"
_MAIN = ("main", "weak")


def figures(
    kit: Kit,
    hits: Iterable[Hit],
    start_s: float,
    end_s: float,
    *,
    wash_dbfs: Mapping[str, float | None] | None = None,
    keyed_margin_db: Mapping[str, float | None] | None = None,
    times_s: Mapping[str, FloatArray] | None = None,
) -> Figures:
    """Statistics of the hits with ``start_s <= time_s < end_s``; withdrawn hits are ignored.

    ``hits``: any order. ``wash_dbfs``: 95th percentile of each microphone's level between hits in
    the span (see ``wash``), or None. ``keyed_margin_db``: bleed margin behind the key filter.
    ``times_s``: when each drum was hit, where ``hits`` are not all there were.
    """
    return at_once(figure_steps(kit, hits, start_s, end_s, wash_dbfs, keyed_margin_db, times_s))


def figure_steps(
    kit: Kit,
    hits: Iterable[Hit],
    start_s: float,
    end_s: float,
    wash_dbfs: Mapping[str, float | None] | None = None,
    keyed_margin_db: Mapping[str, float | None] | None = None,
    times_s: Mapping[str, FloatArray] | None = None,
    for_alerts: bool = False,
) -> Steps[Figures]:
    """`figures` in steps, a drum each.

    ``for_alerts``: without margins, and of drums that are not judged only bleed and how often they
    were hit.
    """
    inside = [h for h in hits if start_s <= h.time_s < end_s and h.stage != "withdrawn"]
    inside.sort(key=lambda h: (h.time_s, h.number))
    by_drum: dict[str, list[Hit]] = {drum.name: [] for drum in kit.drums}
    for hit in inside:
        by_drum.setdefault(hit.drum, []).append(hit)
    unmeasured: dict[str, str] = {}
    drums: dict[str, DrumFigures] = {}
    tabulation = Tabulation(kit, margins=not for_alerts)
    for drum in kit.drums:
        yield
        mine = by_drum[drum.name]
        if for_alerts and not drum.judged:
            drums[drum.name] = DrumFigures(drum.name, hits=len(mine))
        else:
            drums[drum.name] = _drum(drum, mine, unmeasured)
        tabulation.add(_levels(kit, drum, mine, inside, times_s), len(mine))
    yield
    tables = tabulation.finish(wash_dbfs, keyed_margin_db)
    return Figures(
        start_s=start_s,
        end_s=end_s,
        drums=drums,
        bleed_db=tables.bleed_db,
        bleed_dbfs=tables.bleed_dbfs,
        bleed_upper_bound=tuple(tables.upper_bound),
        bleed_margin=tables.margin,
        unmeasured={**unmeasured, **tables.unmeasured},
    )


def _levels(
    kit: Kit,
    drum: Drum,
    mine: Sequence[Hit],
    everyone: Sequence[Hit],
    times_s: Mapping[str, FloatArray] | None,
) -> DrumLevels:
    others = np.array([h.time_s for h in everyone if h.drum != drum.name], dtype=np.float64)
    if times_s is not None:
        apart = [times for name, times in times_s.items() if name != drum.name]
        others = np.sort(np.concatenate([*apart, np.empty(0)]))
    return drum_levels(kit, drum, standing(drum, mine), others)


def standing(drum: Drum, hits: Sequence[Hit]) -> list[Hit]:
    """Hits whose level in other microphones stands for the drum: unclipped, and not ghosts."""
    loud = [h for h in hits if CLIPPED not in h.flags]
    return [h for h in loud if h.role in _MAIN] if drum.judged else loud


def _drum(drum: Drum, hits: Sequence[Hit], unmeasured: dict[str, str]) -> DrumFigures:
    main = [h for h in hits if h.role in _MAIN and h.peak_dbfs is not None]
    ghosts = [h.peak_dbfs for h in hits if h.role == "ghost" and h.peak_dbfs is not None]
    clipped = sum(CLIPPED in h.flags for h in hits)
    weak = sum(h.role == "weak" for h in main)
    key = f"drums.{drum.name}"
    if drum.own is None:
        unmeasured[f"{key}.main.median_dbfs"] = "no own microphone"
        return DrumFigures(drum.name, hits=len(hits), clipped_hits=clipped)
    levels = np.array([h.peak_dbfs for h in main], dtype=np.float64)
    middle = median(levels) if levels.size else None
    p10 = p90 = None
    if levels.size >= MIN_PERCENTILE_HITS:
        p10, p90 = quantile(levels, 0.10), quantile(levels, 0.90)
    else:
        reason = f"{levels.size} main hits, {MIN_PERCENTILE_HITS} needed"
        unmeasured[f"{key}.main.p10_dbfs"] = unmeasured[f"{key}.main.p90_dbfs"] = reason
    if middle is None:
        unmeasured[f"{key}.main.median_dbfs"] = "no main hits"
        unmeasured[f"{key}.main.weak_share"] = "no main hits"
    ghost_median = median(ghosts) if ghosts else None
    wanted = drum.kind not in ("hihat", "cymbal")
    fine = _fine(key, main, len(hits), clipped, unmeasured, wanted)
    imbalance = _imbalance(key, hits if wanted else (), unmeasured)
    return DrumFigures(
        drum=drum.name,
        hits=len(hits),
        main_hits=len(main),
        median_dbfs=middle,
        p10_dbfs=p10,
        p90_dbfs=p90,
        weak_hits=weak,
        weak_share=weak / len(main) if main else None,
        ghost_hits=len(ghosts),
        ghost_median_dbfs=ghost_median,
        ghost_distance_db=_distance(main, hits) if ghosts else None,
        limb_imbalance_db=imbalance,
        clipped_hits=clipped,
        spread_db=fine.spread_db,
        spread_ci=fine.spread_ci,
        dynamics_db=fine.dynamics_db,
        trend_db_per_min=fine.trend_db_per_min,
        trend_ci=fine.trend_ci,
        note_hz=fine.note_hz,
        ring_s=fine.ring_s,
    )


def _fine(
    key: str,
    main: Sequence[Hit],
    hits: int,
    clipped: int,
    unmeasured: dict[str, str],
    wanted: bool,
) -> DrumFigures:
    """Spread, dynamics, trend, note and ring if ``wanted``; the rest of the result is empty."""
    name = key.removeprefix("drums.")
    spread_keys = [f"{key}.main.spread_db", f"{key}.main.spread_ci", f"{key}.main.dynamics_db"]
    trend_keys = [f"{key}.main.trend_db_per_min"]
    if hits and clipped > MAX_CLIPPED * hits:
        reason = f"{clipped} of {hits} hits clipped, at most {MAX_CLIPPED:.0%} allowed"
        for entry in [*spread_keys, *trend_keys, f"{key}.note_hz", f"{key}.ring_s"]:
            unmeasured[entry] = reason
        return DrumFigures(name)
    if not wanted:
        for entry in [*spread_keys, *trend_keys, f"{key}.note_hz", f"{key}.ring_s"]:
            unmeasured[entry] = "not judged on a hi-hat or cymbal"
        return DrumFigures(name)
    good = [h for h in main if CLIPPED not in h.flags]
    times = np.array([h.time_s for h in good], dtype=np.float64)
    levels = np.array([h.peak_dbfs for h in good], dtype=np.float64)
    spread_found = spread(times, levels)
    if spread_found is None:
        for entry in spread_keys:
            unmeasured[entry] = _short(len(good), MIN_SPREAD_HITS)
    slope_found = slope(times, levels)
    if slope_found is None:
        unmeasured[trend_keys[0]] = _short(len(good), MIN_TREND_HITS)
    note = _median([h.measures.note_hz for h in good if h.measures])
    ring = _median([h.measures.ring_s for h in good if h.measures])
    if note is None:
        unmeasured[f"{key}.note_hz"] = f"fewer than {MIN_NOTE_HITS} hits with a clear note"
    if ring is None:
        unmeasured[f"{key}.ring_s"] = f"fewer than {MIN_NOTE_HITS} hits with room to ring"
    return DrumFigures(
        name,
        spread_db=spread_found.spread_db if spread_found else None,
        spread_ci=spread_found.ci if spread_found else None,
        dynamics_db=spread_found.dynamics_db if spread_found else None,
        trend_db_per_min=slope_found.db_per_min if slope_found else None,
        trend_ci=slope_found.ci if slope_found else None,
        note_hz=note,
        ring_s=ring,
    )


def _short(count: int, needed: int) -> str:
    if count < needed:
        return f"{count} main hits, {needed} needed"
    return "playing too broken up by silences"


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if len(known) >= MIN_NOTE_HITS else None


def _imbalance(key: str, hits: Sequence[Hit], unmeasured: dict[str, str]) -> float | None:
    strokes = [h for h in hits if h.peak_dbfs is not None and CLIPPED not in h.flags]
    found = limb_imbalance(
        [h.time_s for h in strokes], [h.peak_dbfs for h in strokes if h.peak_dbfs is not None]
    )
    if found is None:
        unmeasured[f"{key}.limb_imbalance_db"] = (
            f"fewer than {MIN_RUN_STROKES} strokes in even fast runs"
        )
        return None
    return found.level_db


def _distance(main: Sequence[Hit], hits: Sequence[Hit]) -> float | None:
    """Median of main level at the moment less ghost level, dB; None without both.

    Each ghost note is held against the main hits' local trend, so that a soft verse with softer
    ghost notes keeps its distance.
    """
    ghosts = [h for h in hits if h.role == "ghost" and h.peak_dbfs is not None]
    if not ghosts or not main:
        return None
    times = _times(main)
    levels = np.array([h.peak_dbfs for h in main], dtype=np.float64)
    trend = local_trend(times, levels).level_db
    at = np.interp(_times(ghosts), times, trend)
    soft = np.array([h.peak_dbfs for h in ghosts], dtype=np.float64)
    return median(at - soft)


def _times(hits: Sequence[Hit]) -> FloatArray:
    return np.array([h.time_s for h in hits], dtype=np.float64)
