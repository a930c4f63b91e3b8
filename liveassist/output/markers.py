"""What is worth a marker in a recorder: takes, marks, bars that are not clean, faults.

Pure: a stored session (and its maps, where a tempo is known) in, named moments out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from liveassist.output.bars import LEAST_HOLD, BarCell, TakeMap
from liveassist.output.stored import StoredSession

Kind = Literal["take", "mark", "bar", "weak", "fault"]


@dataclass(frozen=True, slots=True)
class Span:
    """A named span of time, seconds from the first sample; ``end_s`` None: a moment."""

    kind: Kind
    name: str
    start_s: float
    end_s: float | None = None


def session_spans(session: StoredSession, songs: Sequence[Sequence[TakeMap]]) -> list[Span]:
    """All of them in order of time. ``songs``: maps of takes (`bars.session_maps`)."""
    spans = [Span("take", take.name, take.start_s, take.end_s) for take in session.takes]
    spans += [
        Span("mark", mark["text"] or "mark", float(mark["time_s"]))
        for mark in session.summary.get("marks", ())
    ]
    maps = [one for song in songs for one in song if one.grid.hold >= LEAST_HOLD]
    mapped = {one.take.name for one in maps}
    for one in maps:
        for cell in one.cells:
            words = bar_words(cell)
            if words:
                start_s, end_s = one.grid.time_s(cell.bar), one.grid.time_s(cell.bar + 1)
                spans.append(Span("bar", f"bar {cell.bar}: {words}", start_s, end_s))
    for take in session.takes:
        if take.name not in mapped:
            spans += [
                Span("weak", f"weak {hit.drum}", hit.time_s)
                for hit in session.between(take)
                if hit.role == "weak"
            ]
    spans += [
        Span(
            "fault",
            " ".join(
                [alert["alert"].replace("_", " "), alert.get("mic") or alert.get("drum") or ""]
            ),
            float(alert["start_s"]),
            None if alert["end_s"] is None else float(alert["end_s"]),
        )
        for alert in session.summary["alerts"]
        if alert["when"] == "now"
    ]
    return sorted((one for one in spans if one.start_s >= 0.0), key=lambda one: one.start_s)


def bar_words(cell: BarCell) -> str:
    """What is not clean in a bar; empty if all is."""
    words = []
    if cell.weak:
        words.append("weak" if cell.weak == 1 else f"{cell.weak} weak")
    if cell.missing:
        words.append("a hit missing" if cell.missing == 1 else f"{cell.missing} hits missing")
    if cell.loose:
        words.append("loose")
    return ", ".join(words)
