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
    final = (hit for hit in hits if hit.stage != "withdrawn")
    return _lines([COLUMNS, *(_row(hit) for hit in sorted(final, key=_order))])


class HitRows:
    """hits.csv as it grows: rows of late hits may still change, older ones are kept as text, some
    80 bytes each, so that a day's file is at hand without a day's hits."""

    #: Hits that may still be replaced or taken out: a minute and more of fast playing.
    LATE = 1024

    def __init__(self) -> None:
        self._old: list[str] = []
        self._late: dict[int, tuple[tuple[int, int], str]] = {}

    def put(self, hit: Hit) -> None:
        """Add a hit, or replace the one of its number."""
        self._late[hit.number] = (_order(hit), _lines([_row(hit)]))
        if len(self._late) >= 2 * self.LATE:
            ordered = sorted(self._late.items(), key=lambda item: item[1][0])
            self._old.append("".join(line for _, (_, line) in ordered[: self.LATE]))
            self._late = dict(ordered[self.LATE :])

    def drop(self, number: int) -> bool:
        """Take the hit of this number out; whether it was among those that can be."""
        return self._late.pop(number, None) is not None

    def pieces(self) -> list[str]:
        """The text of hits.csv now, in pieces that are shared with the next time."""
        late = "".join(line for _, line in sorted(self._late.values()))
        return [_lines([COLUMNS]), *self._old, late]


def _lines(rows: Iterable[tuple[str, ...]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
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
