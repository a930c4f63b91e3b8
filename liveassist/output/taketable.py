"""Takes side by side, a row a take and drum: how even and where not, level, note, ring, bleed
margin, room to full scale, faults. Pure functions of a stored session.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from .report_svg import clock
from .stored import StoredHit, StoredSession, StoredTake

#: Main hits in a stretch that is compared with the whole take, and how much more uneven it must be.
STRETCH_HITS: Final = 12
MORE_UNEVEN: Final = 1.5
#: Differences that nobody hears make no stretch uneven, dB.
LEAST_SPREAD_DB: Final = 1.5
HEAD: Final = (
    "take", "drum", "spread", "level", "note", "ring", "margin", "room", "faults", "least even",
)  # fmt: skip
_MAIN: Final = frozenset({"main", "weak"})


@dataclass(frozen=True, slots=True)
class Stretch:
    """The least even part of a take: seconds from the session's start, spread there in dB."""

    start_s: float
    end_s: float
    spread_db: float


def least_even(hits: Sequence[StoredHit]) -> Stretch | None:
    """The stretch of `STRETCH_HITS` main hits that scatter most about their own line.

    ``hits``: those of one drum in one take. None where no stretch is `MORE_UNEVEN` times as uneven
    as the middle one, or there are too few hits for two stretches.
    """
    main = [h for h in hits if h.role in _MAIN and h.peak_dbfs is not None and not h.clipped]
    if len(main) < 2 * STRETCH_HITS:
        return None
    times = np.array([hit.time_s for hit in main])
    levels = np.array([hit.peak_dbfs for hit in main], dtype=np.float64)
    place = np.arange(STRETCH_HITS) - (STRETCH_HITS - 1) / 2.0
    spreads = []
    for first in range(len(main) - STRETCH_HITS + 1):
        part = levels[first : first + STRETCH_HITS]
        slope = float(place @ part / (place @ place))
        spreads.append(float(np.std(part - part.mean() - slope * place, ddof=2)))
    worst = int(np.argmax(spreads))
    if spreads[worst] < max(LEAST_SPREAD_DB, MORE_UNEVEN * float(np.median(spreads))):
        return None
    return Stretch(float(times[worst]), float(times[worst + STRETCH_HITS - 1]), spreads[worst])


def take_table(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """The table as lines of text, most even take of each drum starred; empty without takes."""
    rows = [_row(session, take, drum) for take in session.takes for drum in drums]
    if not rows:
        return []
    for drum in drums:
        known = [
            (float(take.main(drum, "spread_db")), take.name)
            for take in session.takes
            if take.main(drum, "spread_db") is not None
        ]
        if len(known) > 1:
            best = min(known)[1]
            for row in rows:
                if row[0] == best and row[1] == drum:
                    row[2] += "*"
    widths = [max(len(line[i]) for line in (list(HEAD), *rows)) for i in range(len(HEAD))]
    lines = [
        "  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in (HEAD, *rows)
    ]
    return [*lines, "* the most even take; room: loudest peak under full scale, chance of clipping"]


def _row(session: StoredSession, take: StoredTake, drum: str) -> list[str]:
    figures: Any = take.drums.get(drum)
    mine = [
        hit for hit in session.hits if hit.drum == drum and take.start_s <= hit.time_s <= take.end_s
    ]
    if figures is None:
        return [take.name, drum, *["-"] * (len(HEAD) - 2)]
    worst = least_even(mine)
    where = "-"
    if worst is not None:
        from_s, to_s = worst.start_s - take.start_s, worst.end_s - take.start_s
        where = f"{clock(from_s)} to {clock(to_s)}: {worst.spread_db:.1f} dB"
    main = figures["main"]
    return [
        take.name,
        drum,
        _number(main["spread_db"], ".1f", " dB"),
        _number(main["median_dbfs"], ".1f", " dBFS"),
        _number(figures["note_hz"], ".1f", " Hz"),
        _number(figures["ring_s"], ".2f", " s"),
        _number(_review(session, take).get("bleed_margin_db", {}).get(drum), ".1f", " dB"),
        _room(mine, session, take, drum),
        _faults(session, take),
        where,
    ]


def _number(value: Any, form: str, unit: str) -> str:
    return "-" if value is None else f"{value:{form}}{unit}"


def _review(session: StoredSession, take: StoredTake) -> dict[str, Any]:
    rows = [row for row in session.summary["takes"] if row["name"] == take.name]
    return rows[0].get("review") or {} if rows else {}


def _room(mine: Sequence[StoredHit], session: StoredSession, take: StoredTake, drum: str) -> str:
    peaks = [hit.heard_peak_dbfs for hit in mine if hit.heard_peak_dbfs is not None]
    if not peaks:
        return "-"
    if any(hit.clipped for hit in mine):
        return "clipped"
    text = f"{max(0.0, -max(peaks)):.1f} dB"
    own = session.own_mic(drum) or drum
    chances = [one for one in _review(session, take).get("headroom", []) if one["mic"] == own]
    return f"{text}, {100 * chances[0]['chance']:.0f} %" if chances else text


def _faults(session: StoredSession, take: StoredTake) -> str:
    """Alerts of microphones that lasted during the take, each once."""
    found = {
        f"{alert['alert'].replace('_', ' ')} {alert['mic']}"
        for alert in session.summary["alerts"]
        if alert.get("mic") is not None
        and alert["severity"] == "stop"
        and alert["start_s"] < take.end_s
        and (alert["end_s"] is None or alert["end_s"] > take.start_s)
    }
    return ", ".join(sorted(found)) or "none"
