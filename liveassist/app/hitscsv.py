"""hits.csv: one row a hit, in time order, empty cell = not measured."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from liveassist.model import Hit

COLUMNS = (
    "time_s",
    "drum",
    "peak_dbfs",
    "heard_peak_dbfs",
    "velocity",
    "role",
    "confidence",
    "note_hz",
    "ring_s",
    "flags",
    "take",
)


def hits_csv(hits: Iterable[Hit]) -> str:
    """The text of hits.csv. Withdrawn hits are left out; flags are separated by spaces.

    Time with six decimals (a sample at 192 kHz lasts 5.2 us), levels and frequencies with two.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    final = (hit for hit in hits if hit.stage != "withdrawn")
    writer.writerows(_row(hit) for hit in sorted(final, key=_order))
    return text.getvalue()


def _order(hit: Hit) -> tuple[int, int]:
    return hit.sample, hit.number


def _row(hit: Hit) -> tuple[str, ...]:
    measures = hit.measures
    return (
        f"{hit.time_s:.6f}",
        hit.drum,
        _cell(hit.peak_dbfs, 2),
        _cell(hit.heard_peak_dbfs, 2),
        "" if hit.velocity is None else str(hit.velocity),
        hit.role,
        _cell(hit.confidence, 3),
        _cell(measures.note_hz if measures else None, 2),
        _cell(measures.ring_s if measures else None, 3),
        " ".join(hit.flags),
        hit.take or "",
    )


def _cell(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"
