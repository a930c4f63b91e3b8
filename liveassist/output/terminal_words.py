"""Figures into the words and short numbers that the screen, the plain mode and the end use.

Everything here is a pure function of the values it is given.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from liveassist.model import Alert, Drum, DrumFigures, Interval, Snapshot, Suggestion, TakeLine

Tone = Literal["good", "look", "stop", "wait"]
AlertId = tuple[str, str | None, str | None, float]

MISSING = "–"
MINUS = "−"

#: Spread of main hits, dB, up to which each word holds (common practice, no source). The words
#: are short so that they can be drawn large.
SPREAD_WORDS: tuple[tuple[float, str, Tone], ...] = (
    (2.5, "even", "good"),
    (4.0, "fair", "look"),
    (math.inf, "uneven", "look"),
)

#: With fewer main hits a spread is a word only where its interval leaves no doubt.
FEW_HITS = 24

#: Below this no microphone is hearing anything: shown as a word, not as a number. dBFS.
SILENT_DBFS = -140.0
#: A bleed margin below this leaves little room for a threshold, dB (common practice, no source).
CLOSE_MARGIN_DB = 6.0

SEVERITY_ORDER = {"stop": 0, "look": 1, "info": 2}


def number(value: float | None, decimals: int = 1, *, sign: bool = False) -> str:
    """A figure with a true minus sign; a dash where it was not measured or is not finite."""
    if value is None or not math.isfinite(value):
        return MISSING
    if abs(value) >= 1e6:
        return ("+" if sign and value > 0 else MINUS if value < 0 else "") + count(abs(value))
    text = f"{abs(value):.{decimals}f}"
    negative = value < 0 and float(text) != 0
    return (MINUS if negative else "+" if sign and float(text) != 0 else "") + text


def level(value_dbfs: float | None, decimals: int = 1) -> str:
    """A level in dBFS; ``silent`` where there is nothing to hear."""
    if value_dbfs is not None and value_dbfs <= SILENT_DBFS:
        return "silent"
    return number(value_dbfs, decimals)


def count(value: float) -> str:
    """A whole number, at most seven characters: thousands apart, then k, M, G."""
    if not math.isfinite(value):
        return MISSING
    whole = round(value)
    if abs(whole) < 10_000:
        return str(whole)
    for size, letter in ((1e15, "P"), (1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k")):
        if abs(whole) >= size:
            scaled = whole / size
            scaled = max(-99999.0, min(99999.0, scaled))
            return f"{scaled:.{1 if abs(scaled) < 100 else 0}f}{letter}"
    return str(whole)


def many(value: float, one: str, more: str | None = None) -> str:
    """``1 hit``, ``2 hits``."""
    return f"{count(value)} {one if round(value) == 1 else more or one + 's'}"


def clock(seconds: float) -> str:
    """``m:ss`` as on a stopwatch, ``h:mm:ss`` beyond an hour."""
    if not math.isfinite(seconds):
        return "–:––"
    whole = max(0, int(min(seconds, 3.6e9)))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def age(seconds: float) -> str:
    """How long ago, in one short unit: ``8 s``, ``4 min``, ``2 h``, ``3 d``."""
    if not math.isfinite(seconds):
        return MISSING
    seconds = max(0.0, seconds)
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{count(seconds // size)} {unit}"
    return f"{int(seconds)} s"


def between(ci: Interval | None, decimals: int = 1) -> str:
    """``1.1 to 1.8``; empty where there is no interval."""
    if ci is None or not all(math.isfinite(edge) for edge in ci):
        return ""
    return f"{number(ci[0], decimals)} to {number(ci[1], decimals)}"


def plain_name(name: str) -> str:
    """An internal key as words: ``mic_gain`` becomes ``mic gain``."""
    return name.replace("_", " ")


# --- drums ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to think of one drum: one or two words, how urgent, and why in a short phrase."""

    word: str
    tone: Tone
    why: str


def judged(snapshot: Snapshot) -> tuple[Drum, ...]:
    """The drums with a verdict, in the order of the profile."""
    return tuple(drum for drum in snapshot.kit.drums if drum.judged)


def drum_figures(snapshot: Snapshot, drum: str) -> DrumFigures:
    """The rolling figures of ``drum``; empty ones where nothing is known yet."""
    return snapshot.figures.drums.get(drum) or DrumFigures(drum)


def reason(snapshot: Snapshot, drum: str, figure: str) -> str:
    """Why ``figure`` of ``drum`` is missing, or an empty string."""
    for path in (f"drums.{drum}.main.{figure}", f"drums.{drum}.{figure}", f"{drum}.{figure}"):
        if path in snapshot.figures.unmeasured:
            return snapshot.figures.unmeasured[path]
    return ""


def verdict(snapshot: Snapshot, drum: Drum, silenced: Collection[AlertId] = frozenset()) -> Verdict:
    """The one thing worth knowing about ``drum`` now, the most urgent first."""
    urgent = [
        alert
        for alert in ordered_alerts(snapshot.alerts, silenced)
        if alert.end_s is None
        and (alert.when == "now" or alert.severity == "stop")
        and (alert.drum == drum.name or (alert.mic is not None and alert.mic == drum.own))
        and alert_id(alert) not in silenced
    ]
    if urgent:
        return Verdict(plain_name(urgent[0].key), "stop", urgent[0].sentence)
    figures = drum_figures(snapshot, drum.name)
    if figures.hits == 0:
        return Verdict("no hits", "wait", "waiting for the first hit")
    if figures.spread_db is None or not math.isfinite(figures.spread_db):
        why = reason(snapshot, drum.name, "spread_db")
        return Verdict("listening", "wait", why or f"{many(figures.main_hits, 'main hit')} so far")
    _, word, tone = next(row for row in SPREAD_WORDS if figures.spread_db <= row[0])
    if any(a.key == "uneven" and a.drum == drum.name and a.end_s is None for a in snapshot.alerts):
        word, tone = "uneven", "look"
    elif (
        tone != "good"
        and figures.main_hits < FEW_HITS
        and (figures.spread_ci or (0.0, 0.0))[0] <= SPREAD_WORDS[0][0]
    ):
        # So few hits vary as much by chance: nobody is blamed before there are more.
        few = f"spread {number(figures.spread_db)} dB, {many(figures.main_hits, 'main hit')}"
        return Verdict("listening", "wait", few)
    return Verdict(word, tone, f"spread {number(figures.spread_db)} dB")


def trend(figures: DrumFigures) -> str:
    """Whether the level goes anywhere, with the interval: said only where that leaves no doubt."""
    if figures.trend_db_per_min is None or figures.trend_ci is None:
        return ""
    low, high = figures.trend_ci
    if low > 0 or high < 0:
        way = "rising" if low > 0 else "falling"
        ends = sorted((abs(low), abs(high)))
        span = between((ends[0], ends[1]))
        return f"{way} {number(abs(figures.trend_db_per_min))} dB/min" + (
            f" ({span})" if span else ""
        )
    return "level steady"


def margin(snapshot: Snapshot, drum: Drum) -> str:
    """How far the loudest other sound lies below this drum's main hits in its microphone."""
    found = snapshot.figures.bleed_margin.get(drum.own or "")
    if found is None or found.full_band_db is None:
        return ""
    source = f" ({found.worst_source})" if found.worst_source else ""
    if found.full_band_db < 0:
        return f"bleed {number(-found.full_band_db)} dB above soft hits{source}"
    close = ", close" if found.full_band_db < CLOSE_MARGIN_DB else ""
    return f"bleed margin {number(found.full_band_db)} dB{close}{source}"


def tuning(figures: DrumFigures) -> str:
    """The note and how long it rings."""
    parts = []
    if figures.note_hz is not None:
        parts.append(f"note {number(figures.note_hz)} Hz")
    if figures.ring_s is not None:
        parts.append(f"ring {number(figures.ring_s, 2)} s")
    return ", ".join(parts)


def roles(figures: DrumFigures) -> str:
    """How the hits divide: ``96 main (4 weak), 31 ghost, 2 clipped``. Weak hits are main hits."""
    weak = f" ({count(figures.weak_hits)} weak)" if figures.weak_hits else ""
    pairs = (
        (figures.main_hits, f"main{weak}"),
        (figures.ghost_hits, "ghost"),
        (figures.clipped_hits, "clipped"),
    )
    return ", ".join(f"{count(n)} {word}" for n, word in pairs if n)


def suggestion_line(suggestion: Suggestion) -> str:
    """Expander settings in the order they are dialled in."""
    key = ""
    if suggestion.key_highpass_hz is not None or suggestion.key_lowpass_hz is not None:
        low = number(suggestion.key_highpass_hz, 0)
        high = number(suggestion.key_lowpass_hz, 0)
        key = f", key filter {low} to {high} Hz"
    return (
        f"threshold {number(suggestion.threshold_dbfs)} dBFS, "
        f"range {number(suggestion.range_db)} dB, ratio {number(suggestion.ratio)}:1, "
        f"knee {number(suggestion.knee_db)} dB, "
        f"attack {number(suggestion.attack_ms)} ms, hold {number(suggestion.hold_ms, 0)} ms, "
        f"release {number(suggestion.release_ms, 0)} ms{key}"
    )


# --- alerts ---------------------------------------------------------------------------------


def alert_id(alert: Alert) -> AlertId:
    """What tells one occurrence of an alert from another."""
    return (alert.key, alert.drum, alert.mic, alert.start_s)


def ordered_alerts(
    alerts: Iterable[Alert], silenced: Collection[AlertId] = frozenset()
) -> list[Alert]:
    """Most urgent first: lasting before over, heard before silenced, now before between."""
    return sorted(
        alerts,
        key=lambda a: (
            a.end_s is not None,
            alert_id(a) in silenced,
            a.when != "now",
            SEVERITY_ORDER[a.severity],
            -(a.start_s if a.end_s is None else a.end_s),
        ),
    )


def alert_tag(alert: Alert, silenced: Collection[AlertId] = frozenset()) -> tuple[str, str]:
    """The word in front of an alert (at most five letters) and its style."""
    if alert.end_s is not None:
        return "over", "quiet"
    if alert_id(alert) in silenced:
        return "hush", "quiet"
    if alert.when == "now":
        return "NOW", "stop"
    if alert.severity == "info":
        return "note", "strong"
    return "LOOK", "look"


def alert_age(alert: Alert, time_s: float) -> str:
    """Since when it lasts, or how long it has been over."""
    return age(time_s - (alert.start_s if alert.end_s is None else alert.end_s))


# --- take -----------------------------------------------------------------------------------


def take_words(snapshot: Snapshot) -> tuple[str, str, str]:
    """Name of the take, its clock, and a word on what kind it is."""
    take = snapshot.take
    if take is None:
        done = many(snapshot.takes_done, "take") if snapshot.takes_done else "no take yet"
        return "waiting", clock(snapshot.time_s), done
    if take.end_s is not None:
        return take.name, clock(take.end_s - take.start_s), "over"
    kind = "playing, not marked" if take.provisional else "take running"
    return take.name, clock(snapshot.time_s - take.start_s), kind


def evenness_places(takes: Sequence[TakeLine]) -> dict[str, str]:
    """Words for the evenest take and those the hits do not tell from it; none with fewer than two
    to compare. By the drums' spreads together, as squares; punch-ins do not count."""
    drums = {
        drum for line in takes for drum, spread in line.spread_db.items() if spread is not None
    }
    scores: dict[str, float] = {}
    for line in takes:
        spreads = [line.spread_db.get(drum) for drum in sorted(drums)]
        found = [spread for spread in spreads if spread is not None and math.isfinite(spread)]
        if line.punch_in is None and drums and len(found) == len(drums):
            scores[line.name] = math.hypot(*found)
    if len(scores) < 2:
        return {}
    best = min(scores, key=lambda name: scores[name])
    by_name = {line.name: line for line in takes}
    words = {best: "evenest"}
    for name in scores:
        if name != best and not _clearly_worse(by_name[name], by_name[best]):
            words[name] = "as even"
    return words


def _clearly_worse(line: TakeLine, best: TakeLine) -> bool:
    for drum, interval in line.spread_ci.items():
        theirs = best.spread_ci.get(drum)
        if interval is not None and theirs is not None and interval[0] > theirs[1]:
            return True
    return False
