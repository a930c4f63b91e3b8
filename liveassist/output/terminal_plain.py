"""The same news as whole sentences, for screen readers, logs and terminals that cannot draw."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Mapping, Sequence

from liveassist.model import Alert, DrumFigures, Interval, SessionRecord, Snapshot
from liveassist.output.terminal_canvas import clean
from liveassist.output.terminal_reading import NO_DRUMS, expander_lines
from liveassist.output.terminal_words import (
    MINUS,
    AlertId,
    age,
    alert_id,
    between,
    clock,
    count,
    drum_figures,
    judged,
    level,
    many,
    margin,
    number,
    ordered_alerts,
    roles,
    suggestion_line,
    trend,
    tuning,
    verdict,
)

MOST_ALERTS = 8


def speakable(text: str) -> str:
    """``text`` in ASCII punctuation, with minus as a word: many screen readers skip the sign."""
    text = clean(text).replace(MINUS, "minus ").replace("–", "not measured").replace("…", "...")
    return text.replace("dB/min", "dB a minute").replace(":1,", " to 1,")


def plain_lines(snapshot: Snapshot, silenced: Collection[AlertId] = frozenset()) -> list[str]:
    """The dashboard as sentences, the most urgent first; nothing is told by position or colour."""
    lines = [_take_sentence(snapshot)]
    standing = [
        alert
        for alert in ordered_alerts(snapshot.alerts, silenced)
        if alert.end_s is None and alert_id(alert) not in silenced
    ]
    lines += [_alert_sentence(alert, snapshot.time_s) for alert in standing[:MOST_ALERTS]]
    if len(standing) > MOST_ALERTS:
        lines.append(f"{len(standing) - MOST_ALERTS} more alerts.")
    if not standing:
        lines.append("No alerts.")
    drums = judged(snapshot)
    for drum in drums:
        found = verdict(snapshot, drum, silenced)
        figures = drum_figures(snapshot, drum.name)
        facts = [found.word, *_spread_words(figures), trend(figures)]
        facts += [many(figures.hits, "hit") if figures.hits else "", roles(figures)]
        facts += [margin(snapshot, drum), tuning(figures)]
        if found.tone in ("wait", "stop"):
            facts.insert(1, found.why.rstrip("."))
        lines.append(f"{drum.name}: {', '.join(fact for fact in facts if fact)}.")
    if not drums:
        lines.append(NO_DRUMS)
    lines += [f"{line}." for line in expander_lines(snapshot)]
    lines += [change.sentence for change in snapshot.changes]
    lines += _mic_sentences(snapshot) + _health_sentences(snapshot)
    return [speakable(line) for line in lines]


def _take_sentence(snapshot: Snapshot) -> str:
    take = snapshot.take
    if take is None:
        return f"No take is running; {many(snapshot.takes_done, 'take')} done."
    if take.end_s is not None:
        return f"Take {take.name} is over, {spoken_time(take.end_s - take.start_s)} long."
    kind = "playing, not marked as a take" if take.provisional else "take running"
    return f"{take.name}: {kind}, for {spoken_time(snapshot.time_s - take.start_s)}."


def spoken_time(seconds: float) -> str:
    """``2 minutes 14 seconds``."""
    whole = max(0, int(min(max(seconds, 0.0), 3.6e9))) if seconds == seconds else 0
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    parts = [(hours, "hour"), (minutes, "minute"), (secs, "second")]
    said = [many(n, unit) for n, unit in parts if n]
    return " ".join(said) or "0 seconds"


def _alert_sentence(alert: Alert, time_s: float) -> str:
    urgency = "Now" if alert.when == "now" else "Look between takes"
    if alert.severity == "info" and alert.when != "now":
        urgency = "Note"
    return f"{urgency}, since {age(time_s - alert.start_s)}: {_ended(alert.sentence)}"


def _ended(sentence: str) -> str:
    return sentence if sentence.rstrip().endswith((".", "!", "?")) else f"{sentence.rstrip()}."


def _spread_words(figures: DrumFigures) -> list[str]:
    if figures.spread_db is None:
        return []
    return [f"spread {number(figures.spread_db)} dB{_interval(figures.spread_ci)}"]


def _interval(ci: Interval | None) -> str:
    span = between(ci)
    return f" ({span})" if span else ""


def _mic_sentences(snapshot: Snapshot) -> list[str]:
    lines = []
    for mic in snapshot.mics:
        parts = [f"peak held {level(mic.hold_dbfs)}" + (" dBFS" if mic.hold_dbfs > -140 else "")]
        if mic.fault:
            parts.insert(0, mic.fault)
        if mic.clipped:
            when = f", {age(mic.clip_age_s)} ago" if mic.clip_age_s is not None else ""
            parts.insert(0, f"clipped {many(mic.clipped, 'sample')}{when}")
        lines.append(f"Microphone {mic.name}: {'; '.join(parts)}.")
    return lines


def _health_sentences(snapshot: Snapshot) -> list[str]:
    lost = snapshot.lost_samples
    lost_ms = 1000.0 * lost / snapshot.sample_rate_hz
    lines = [
        f"{count(lost)} samples lost, {lost_ms:.3g} ms of sound." if lost else "No samples lost."
    ]
    words = {"ok": "working", "down": "down", "absent": "not there"}
    for output in snapshot.outputs:
        dropped = f", {count(output.dropped)} dropped" if output.dropped else ""
        note = f"; {output.note}" if output.note else ""
        sent = f"{count(output.sent)} sent"
        lines.append(f"Output {output.name}: {words[output.state]}, {sent}{dropped}{note}.")
    if snapshot.sureness is not None:
        lines.append(f"{number(100 * snapshot.sureness, 0)} percent sure which drum was hit.")
    return lines


# --- at the end -----------------------------------------------------------------------------


def summary_lines(
    record: SessionRecord, of_mics: Mapping[str, Sequence[str]] | None = None
) -> list[str]:
    """What a session was, in plain sentences, for the end of ``demo``, ``replay`` and the like:
    alerts and what changed first, then the drums, then what could be set.

    ``of_mics``: what more is to be said of a microphone's settings, under them.
    """
    lines = [
        f"Listened to {spoken_time(record.duration_s)} of {record.kit.name} "
        f"through {many(len(record.kit.mics), 'microphone')}."
    ]
    lines += _alert_summary(record)
    if record.lost_samples:
        lost_s = record.lost_samples / record.sample_rate_hz
        lines.append(f"{lost_s:.3g} s of sound were lost on the way in.")
    lines += _take_summary(record)
    drums = [drum for drum in record.kit.drums if drum.judged]
    if not drums:
        lines.append(NO_DRUMS)
    for drum in drums:
        figures = record.figures.drums.get(drum.name) or DrumFigures(drum.name)
        lines += _drum_summary(record, drum.name, figures)
    lines += _expander_summary(record, of_mics or {})
    if record.learned:
        lines.append(f"Drums were told apart with what was learned in {record.learned}.")
    # A plain hyphen: what is printed at the end may go to a terminal or file of any encoding.
    return [clean(line).replace(MINUS, "-").replace("–", "-") for line in lines]


def _drum_summary(record: SessionRecord, name: str, figures: DrumFigures) -> list[str]:
    if not figures.hits:
        return [f"{name}: no hits."]
    parts = [f"{many(figures.hits, 'hit')} ({roles(figures)})" if roles(figures) else
             many(figures.hits, "hit")]  # fmt: skip
    if figures.median_dbfs is not None:
        parts.append(f"main hits at {level(figures.median_dbfs)} dBFS")
    if figures.spread_db is not None:
        parts.append(f"spread {number(figures.spread_db)} dB{_interval(figures.spread_ci)}")
    else:
        why = record.unmeasured.get(f"drums.{name}.main.spread_db", "")
        parts.append(f"spread not measured{': ' + why if why else ''}")
    parts += [trend(figures), tuning(figures)]
    return [f"{name}: {', '.join(part for part in parts if part)}."]


def _take_summary(record: SessionRecord) -> list[str]:
    if not record.takes:
        return ["No takes."]
    lines = [f"{many(len(record.takes), 'take')}."]
    for entry in record.takes:
        take = entry.take
        length = clock((record.duration_s if take.end_s is None else take.end_s) - take.start_s)
        kind = " (the reference)" if entry.reference else ""
        spreads = [
            f"{name} spread {number(figures.spread_db)} dB"
            for name, figures in entry.figures.drums.items()
            if figures.spread_db is not None
        ]
        lines.append(f"  {take.name}{kind}, {length}: {', '.join(spreads) or 'too few hits'}.")
        lines += [f"    changed: {_ended(change.sentence)}" for change in entry.changes]
    return lines


def _expander_summary(record: SessionRecord, of_mics: Mapping[str, Sequence[str]]) -> list[str]:
    lines = []
    for mic, suggestion in record.expander.items():
        if suggestion is not None:
            lines.append(f"Expander to try on {mic}: {suggestion_line(suggestion)}.")
            lines += [f"  {line}" for line in of_mics.get(mic, ())]
    without: dict[str, list[str]] = {}
    for mic, suggestion in record.expander.items():
        if suggestion is None:
            why = record.expander_reason.get(mic, "not enough heard")
            without.setdefault(why, []).append(mic)
    for why, mics in without.items():
        lines.append(f"No expander setting for {', '.join(mics)}: {_ended(why)}")
        lines += [f"  {line}" for mic in mics for line in of_mics.get(mic, ())]
    return lines


def _alert_summary(record: SessionRecord) -> list[str]:
    """Every kind of alert in its own sentence, the most urgent first."""
    if not record.alerts:
        return ["No alerts."]
    alike: dict[tuple[str, str | None, str | None], list[Alert]] = {}
    for alert in sorted(record.alerts, key=lambda one: (one.when != "now", one.start_s)):
        alike.setdefault((alert.key, alert.drum, alert.mic), []).append(alert)
    lines = [f"{many(len(record.alerts), 'alert')}:"]
    for same in list(alike.values())[:MOST_ALERTS]:
        times = f", {len(same)} times, last" if len(same) > 1 else ""
        at = f"from {clock(same[0].start_s)} on{times}" if times else f"at {clock(same[0].start_s)}"
        lines.append(f"  {at}: {_ended(same[-1].sentence)}")
    if len(alike) > MOST_ALERTS:
        lines.append(f"  and {len(alike) - MOST_ALERTS} more.")
    return lines


def wrapped(lines: Sequence[str], width: int | None) -> list[str]:
    """The lines broken at ``width`` columns, what follows indented; None: as they are, for files
    and pipes, where one sentence a line is easier to search."""
    if width is None:
        return list(lines)
    found: list[str] = []
    for line in lines:
        margin_by = " " * (len(line) - len(line.lstrip()))
        found += textwrap.wrap(
            line.lstrip(), max(width, 24), initial_indent=margin_by,
            subsequent_indent=margin_by + "    ", break_on_hyphens=False,
        ) or [""]  # fmt: skip
    return found
