"""Takes over time, where no tempo is known or playing is free: as `bars`, in spans of seconds.

Spans of different takes do not lie on the same music, so nothing is called missing or loose, and
no take is named clean in another's stead.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from liveassist.output.bars import BarCell, TakeMap, faulty, mean_of, medians_of
from liveassist.output.grid import Grid
from liveassist.output.report_svg import clock
from liveassist.output.stored import MAIN_ROLES, StoredSession

#: Length of a span: some ten backbeats at usual tempi, s.
SPAN_S = 5.0
#: How a span's letter is to be read.
LEGEND = f"by time, {SPAN_S:g} s a letter: . clean, w weak hit, ! fault"


def time_maps(
    session: StoredSession, drums: Sequence[str], mapped: Collection[str] = ()
) -> list[TakeMap]:
    """The takes that are not ``mapped`` on bars and have a main hit, in spans of `SPAN_S`."""
    found = []
    for take in session.takes:
        hits = [hit for hit in session.between(take) if hit.drum in drums]
        if take.name in mapped or not any(hit.role in MAIN_ROLES for hit in hits):
            continue
        medians = medians_of(hits)
        cells = []
        for span in range(1, max(1, math.ceil(take.length_s / SPAN_S)) + 1):
            start_s = take.start_s + (span - 1) * SPAN_S
            here = [hit for hit in hits if start_s <= hit.time_s < start_s + SPAN_S]
            levels = [
                hit.peak_dbfs - medians[hit.drum]
                for hit in here
                if hit.role in MAIN_ROLES and hit.peak_dbfs is not None
            ]
            cells.append(
                BarCell(
                    bar=span,
                    hits=len(here),
                    weak=sum(hit.role == "weak" for hit in here),
                    missing=0,
                    loose=0,
                    fault=faulty(session, start_s, min(start_s + SPAN_S, take.end_s)),
                    level_db=mean_of(levels),
                )
            )
        grid = Grid(60.0 / SPAN_S, 1, take.start_s, 1.0)
        found.append(TakeMap(take, grid, tuple(cells)))
    return found


def time_lines(maps: Sequence[TakeMap]) -> list[str]:
    """A line a take, a letter a span."""
    if not maps:
        return []
    width = max(len(one.take.name) for one in maps)
    return [LEGEND, *(f"{one.take.name:<{width}}  {one.signs}" for one in maps)]


def time_sentences(maps: Sequence[TakeMap], most: int = 24) -> list[str]:
    """``take 2, from 0:15 on: weak`` for spans that are not clean; times of the session."""
    lines = []
    for one in maps:
        for cell in one.cells:
            words = {"!": "a fault", "w": "weak"}.get(cell.sign)
            if words is not None:
                at = clock(one.take.start_s + (cell.bar - 1) * SPAN_S)
                lines.append(f"{one.take.name}, from {at} on: {words}.")
    if len(lines) > most:
        return [*lines[:most], f"{len(lines) - most} more spans are marked in the map."]
    return lines
