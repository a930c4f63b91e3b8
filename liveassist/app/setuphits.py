"""Which hits of a session say how its kit is, and what was measured of them.

A session is no one set-up: a head is tuned and a preamp turned in the breaks. So a drum is judged
by the hits of one stretch of playing, the last that has enough of them, and the bleed is worked out
from the hits of that stretch alone.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from liveassist.advise.restore import Pair, Setup
from liveassist.app.nearest import did_you_mean
from liveassist.app.storefile import read_store
from liveassist.errors import ConfigError
from liveassist.model import Interval, Kit, Role
from liveassist.output.report_svg import clock
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession
from liveassist.rolling.figures import figures
from liveassist.rolling.spread import SILENCE_S

#: Most main hits of each drum that say how it is: the last ones, so that a turn of a key shows.
LAST_HITS = 24
#: Fewest of them for a level, and for a note or ring, whose single readings wander more.
LEAST_HITS, LEAST_TONES = 5, 8

_ROLES: Mapping[str, Role] = {"main": "main", "weak": "weak", "ghost": "ghost"}
_NO_LEVELS = (
    "Gains and bleed are not compared: the folder holds no session.db with the levels of each hit "
    "in all microphones."
)

#: First and last moment, s.
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Measured:
    """How a kit is. ``used``: sentences that say which hits it was measured from."""

    setup: Setup
    used: tuple[str, ...]


def measured(folder: Path, session: StoredSession, take: str | None = None) -> Measured:
    """How the kit of a session is: from the last main hits of each drum since a break, or from
    those of ``take``. ConfigError where there is no such take, or no kit."""
    kit = session.kit
    if kit is None:
        raise ConfigError(f"{session.name}: the session holds no kit; give --kit KIT.toml")
    chosen = _take_span(session, take)
    starts = _part_starts(session)
    own = {drum.name: drum.own for drum in kit.drums if drum.own is not None}
    levels: dict[str, tuple[float, Interval]] = {}
    notes: dict[str, tuple[float, Interval]] = {}
    rings: dict[str, tuple[float, Interval]] = {}
    spans: dict[str, Span] = {}
    used: dict[str, tuple[StoredHit, ...]] = {}
    since: dict[str, int] = {}
    for drum in own:
        main = [hit for hit in session.of(drum, roles=MAIN_ROLES) if not hit.clipped]
        if chosen is not None:
            hits = [hit for hit in main if chosen[0] <= hit.time_s <= chosen[1]]
            spans[drum] = chosen
        else:
            part, since[drum] = _last_part(main, starts)
            hits = part[-LAST_HITS:]
            if part:
                spans[drum] = _part_span(part[0].time_s, starts)
        used[drum] = tuple(hits)
        _note_median(levels, drum, hits, lambda hit: hit.peak_dbfs, LEAST_HITS)
        _note_median(notes, drum, hits, lambda hit: hit.note_hz, LEAST_TONES)
        _note_median(rings, drum, hits, lambda hit: hit.ring_s, LEAST_TONES)
    pairs = {
        (row["first"], row["second"]): Pair(bool(row["inverted"]), float(row["delay_ms"]))
        for row in (session.advice or {}).get("pairs", [])
        if "inverted" in row
    }
    bleed = _bleed(folder, session, kit, {d: span for d, span in spans.items() if d in levels})
    setup = Setup(own, levels, notes, rings, bleed or {}, pairs)
    heard = {drum: hits for drum, hits in used.items() if drum in levels}
    said = [_used_words(session, heard, take)] if heard else []
    said += [
        f"{drum}: {count} main {'hit' if count == 1 else 'hits'} after that, too few to go by; "
        f"play {LEAST_TONES} in a row."
        for drum, count in since.items()
        if count and drum in heard
    ]
    said += [_NO_LEVELS] if bleed is None else []
    return Measured(setup, tuple(said))


def _take_span(session: StoredSession, take: str | None) -> Span | None:
    if take is None:
        return None
    names = [one.name for one in session.takes]
    if take not in names:
        raise ConfigError(
            f"--take {take}: there is no take of that name{did_you_mean(take, names)}; takes: "
            f"{', '.join(names) or 'none'}"
        )
    found = next(one for one in session.takes if one.name == take)
    return found.start_s, found.end_s


def _part_starts(session: StoredSession) -> list[float]:
    """Where parts of the session begin, s: after silences, and where a take begins or ends."""
    times = np.array([hit.time_s for hit in session.hits])
    after = times[1:][np.diff(times) > SILENCE_S].tolist() if times.size else []
    ends = [end for take in session.takes for end in (take.start_s, take.end_s + 1e-6)]
    return sorted({0.0, *after, *ends})


def _part_span(time_s: float, starts: Sequence[float]) -> Span:
    number = bisect_right(starts, time_s)
    return starts[number - 1], starts[number] - 1e-6 if number < len(starts) else math.inf


def _last_part(hits: Sequence[StoredHit], starts: Sequence[float]) -> tuple[list[StoredHit], int]:
    """The hits of the last part that has enough (else of the last that has any), and how many
    came after them."""
    parts: dict[int, list[StoredHit]] = {}
    for hit in hits:
        parts.setdefault(bisect_right(starts, hit.time_s), []).append(hit)
    for wanted in (LEAST_TONES, LEAST_HITS, 1):
        enough = [number for number, part in parts.items() if len(part) >= wanted]
        if enough:
            later = sum(len(part) for number, part in parts.items() if number > max(enough))
            return parts[max(enough)], later
    return [], 0


def _used_words(
    session: StoredSession, used: Mapping[str, Sequence[StoredHit]], take: str | None
) -> str:
    """``Measured from take 4: kick 17 (0:52 to 1:04), ...``."""
    takes = {hit.take for hits in used.values() for hit in hits}
    name = take if take is not None else takes.pop() if len(takes) == 1 else None
    parts = [
        f"{drum} {len(hits)} ({clock(hits[0].time_s)} to {clock(hits[-1].time_s)})"
        for drum, hits in used.items()
    ]
    where = f"main hits of {name}" if name else "the last main hits since a break"
    return f"Measured from {where}: {', '.join(parts)}."


def _bleed(
    folder: Path, session: StoredSession, kit: Kit, spans: Mapping[str, Span]
) -> dict[str, dict[str, float]] | None:
    """Bleed of each drum from the hits in its span; bounds are no figures. None where the levels
    of single hits are not kept with the session."""
    try:
        hits = read_store(folder).hits
    except ConfigError:
        return None
    roles = {
        (hit.drum, round(hit.time_s, 5)): role
        for hit in session.hits
        if (role := _ROLES.get(hit.role)) is not None
    }
    # Later hits may have changed a role since the hit was kept: hits.csv has the last word.
    known = [
        replace(hit, role=roles.get((hit.drum, round(hit.time_s, 5)), hit.role)) for hit in hits
    ]
    table: dict[str, dict[str, float]] = {}
    for span in set(spans.values()):
        found = figures(kit, known, span[0], span[1] + 1e-6)
        bounds = set(found.bleed_upper_bound)
        for mic, row in found.bleed_db.items():
            for drum, value in row.items():
                if spans.get(drum) == span and value is not None and f"{mic}.{drum}" not in bounds:
                    table.setdefault(mic, {})[drum] = value
    return table


def _note_median(
    into: dict[str, tuple[float, Interval]],
    drum: str,
    hits: Sequence[StoredHit],
    figure_of: Callable[[StoredHit], float | None],
    least: int,
) -> None:
    """Median and its 95 % interval: 1.2533 sigma / sqrt(n), sigma from the MAD."""
    values = np.array([value for hit in hits if (value := figure_of(hit)) is not None])
    if len(values) < least:
        return
    middle = float(np.median(values))
    sigma = 1.4826 * float(np.median(np.abs(values - middle)))
    reach = 1.96 * 1.2533 * sigma / math.sqrt(len(values))
    # A ring or note is never negative; the interval of few scattered readings must not be either.
    low = middle - reach if middle < 0.0 else max(middle - reach, 0.05 * middle)
    into[drum] = (middle, (low, middle + reach))
