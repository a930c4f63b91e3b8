"""What a session report says in sentences: what each reader needs first, and which takes are even.

Pure: a stored session in, plain sentences out (not yet HTML).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from liveassist.output.report_svg import clock, signed
from liveassist.output.stored import Json, StoredSession, StoredTake

#: A loudest hit nearer to full scale than this asks for less gain, dB (common practice, no source:
#: takes run hotter than the soundcheck).
LITTLE_HEADROOM_DB = 3.0
#: Most entries of one list at the top of the page.
MOST_LINES = 6
_URGENCY = {"stop": 0, "look": 1, "info": 2}


@dataclass(frozen=True, slots=True)
class Ranked:
    """A take in the order of evenness. ``score_db``: root mean square of the judged drums' spreads.

    ``place`` counts from 1; None where a drum has no spread in this take. ``as_good``: the
    intervals do not tell it from the best.
    """

    take: StoredTake
    place: int | None
    score_db: float | None
    as_good: bool


def rank_takes(session: StoredSession, drums: Sequence[str]) -> list[Ranked]:
    """Takes, the evenest first; takes without a figure for every drum at the end.

    A drum counts if any take has its spread. A take is told from the best if for some drum its
    interval lies wholly above the best's. Punch-ins are not ranked: they are a part of a take.
    """
    takes = session.takes
    counted = [
        drum for drum in drums if any(take.main(drum, "spread_db") is not None for take in takes)
    ]
    scores = {
        take.name: None if take.name in session.punch_ins else _score(take, counted)
        for take in takes
    }
    known = sorted(
        (take for take in takes if scores[take.name] is not None),
        key=lambda take: scores[take.name] or 0.0,
    )
    ranked = [
        Ranked(take, place, scores[take.name], not _clearly_worse(take, known[0], counted))
        for place, take in enumerate(known, 1)
    ]
    rest = [Ranked(take, None, None, False) for take in takes if scores[take.name] is None]
    return ranked + rest


def _score(take: StoredTake, drums: Sequence[str]) -> float | None:
    spreads = [take.main(drum, "spread_db") for drum in drums]
    if not spreads or None in spreads:
        return None
    return math.sqrt(sum(float(one) ** 2 for one in spreads) / len(spreads))


def _clearly_worse(take: StoredTake, best: StoredTake, drums: Sequence[str]) -> bool:
    for drum in drums:
        mine, theirs = take.main(drum, "spread_ci"), best.main(drum, "spread_ci")
        if mine is not None and theirs is not None and mine[0] > theirs[1]:
            return True
    return False


# --- what each reader needs first -------------------------------------------------------------


def for_engineer(session: StoredSession, reference: str | None) -> list[str]:
    """Faults, clipping and headroom, then what changed."""
    alerts = sorted(
        (alert for alert in session.summary["alerts"] if alert["when"] == "now"),
        key=lambda alert: (_URGENCY[alert["severity"]], alert["start_s"]),
    )
    faults = [f"{clock(alert['start_s'])}: {alert['sentence']}" for alert in alerts]
    said = {alert.get("mic") for alert in alerts if alert["alert"] == "clipping"}
    changed = [
        f"{take.name}: {change['sentence']}" for take in session.takes for change in take.changes
    ]
    lines = _shortened(faults, 4) + _shortened(_tight(session, said), 3) + _shortened(changed, 5)
    if not lines:
        lines.append("No fault, no clipping, and nothing changed that the tool could tell.")
    elif not changed and len(session.takes) > 1:
        lines.append(f"Nothing changed against {reference} that the tool could tell.")
    return lines


def _tight(session: StoredSession, said: Collection[str | None]) -> list[str]:
    """Drums with too little headroom; those whose clipping was ``said`` already are left out."""
    lines = []
    for name, _, _, top in headroom_rows(session):
        clipped = sum(hit.clipped for hit in session.of(name))
        if clipped and session.own_mic(name) not in said:
            lines.append(f"{name}: {many(clipped, 'hit')} clipped; turn its preamp down.")
        elif not clipped and top > -LITTLE_HEADROOM_DB:
            lines.append(
                f"{name}: the loudest hit came within {-top:.1f} dB of full scale; takes tend to "
                "run hotter than that, so turn it down a little."
            )
    return lines


def for_drummer(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """Evenness of the takes, the weak hits, ghost notes and the two limbs."""
    lines = []
    ranked = [one for one in rank_takes(session, drums) if one.place is not None]
    if len(ranked) > 1:
        lines.append(_best_sentence(ranked, drums))
    for drum in drums:
        figures = session.summary["drums"].get(drum)
        if figures is not None:
            lines += _drum_lines(session, drum, figures)
    lines.append("Even is not the same as good: the ear decides.")
    return _shortened(lines, MOST_LINES + 2)


def _best_sentence(ranked: Sequence[Ranked], drums: Sequence[str]) -> str:
    best = ranked[0]
    spreads = ", ".join(
        f"{drum} {float(best.take.main(drum, 'spread_db')):.1f} dB"
        for drum in drums
        if best.take.main(drum, "spread_db") is not None
    )
    peers = [one.take.name for one in ranked[1:] if one.as_good]
    sentence = f"Evenest take: {best.take.name} ({spreads})"
    if peers:
        return f"{sentence}; the hits do not tell it apart from {_and(peers)}."
    return f"{sentence}, and clearly so."


def _drum_lines(session: StoredSession, drum: str, figures: Json) -> list[str]:
    lines = []
    main, ghost = figures["main"], figures["ghost"]
    if main["spread_db"] is not None:
        low, high = main["spread_ci"] or (main["spread_db"], main["spread_db"])
        lines.append(
            f"{drum}: main hits scatter {main['spread_db']:.1f} dB ({low:.1f} to {high:.1f}) about "
            f"where they were heading; dynamics {main['dynamics_db']:.1f} dB."
        )
    weak = session.of(drum, roles=("weak",))
    if weak:
        times = [clock(hit.time_s) for hit in weak[:5]]
        more = f" and {len(weak) - 5} more" if len(weak) > 5 else ""
        lines.append(f"{drum}: {many(len(weak), 'weak hit')}, at {', '.join(times)}{more}.")
    if ghost is not None and main["median_dbfs"] is not None and ghost["median_dbfs"] is not None:
        apart = main["median_dbfs"] - ghost["median_dbfs"]
        lines.append(f"{drum}: ghost notes lie {apart:.0f} dB under the main hits.")
    imbalance = figures["limb_imbalance_db"]
    if imbalance is not None:
        lines.append(f"{drum}: alternating strokes differ by {abs(imbalance):.1f} dB.")
    return lines


def for_mixer(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """Which microphones an expander can serve, what rings where, and the loudest bleed."""
    lines = []
    for mic, found in session.summary["expander"].items():
        if found is not None:
            lines.append(f"{mic}: {expander_words(session, mic, found)}.")
    for drum in drums:
        figures = session.summary["drums"].get(drum)
        if figures is not None and figures["note_hz"] is not None:
            ring = figures["ring_s"]
            tail = f", rings {ring:.2f} s" if ring is not None else ""
            lines.append(f"{drum}: note {figures['note_hz']:.0f} Hz{tail}.")
    worst = worst_bleed(session)
    if worst is not None:
        lines.append(worst)
    return _shortened(lines, MOST_LINES + 2) or [
        "No suggestion could be made; the mix sheet says why."
    ]


def expander_words(session: StoredSession, mic: str, found: Json) -> str:
    """The suggestion in one line, at the gain of the track where that is known."""
    level = found["threshold_dbfs"] + track_offset_db(session, mic)
    words = f"threshold {signed(level, 1)} dBFS, range {found['range_db']:.0f} dB"
    key = key_words(found)
    return words + (f", {key}" if key else "")


def key_words(found: Json) -> str:
    """The key filter in words, empty if there is none."""
    low, high = found["key_highpass_hz"], found["key_lowpass_hz"]
    if low is not None and high is not None:
        return f"key filter {low:.0f} to {high:.0f} Hz"
    if low is not None:
        return f"key high-pass {low:.0f} Hz"
    return f"key low-pass {high:.0f} Hz" if high is not None else ""


def track_offset_db(session: StoredSession, mic: str) -> float:
    """Gain of the recorded track over what the tool heard, dB; 0 where it is not noted."""
    if session.kit is None:
        return 0.0
    found = next((one.track_offset_db for one in session.kit.mics if one.name == mic), None)
    return found or 0.0


def worst_bleed(session: StoredSession) -> str | None:
    """The loudest bleed into a microphone that an expander would work on."""
    cells = [
        (value, mic, drum)
        for mic in session.summary["expander"]
        if (mine := _owner_or_pair(session, mic)) is not None
        for drum, value in session.summary["bleed_db"].get(mic, {}).items()
        if value is not None
        and drum != mine
        # At most so much is no figure to put on top of a page.
        and f"{mic}.{drum}" not in session.summary["bleed_upper_bound"]
    ]
    if not cells:
        return None
    value, mic, drum = max(cells)
    return f"Most bleed: {drum} in {mic}, {signed(value)} dB against its own microphone."


def _owner_or_pair(session: StoredSession, mic: str) -> str | None:
    """The kick, snare or tom that a microphone stands at."""
    if session.kit is None:
        return None
    heads = {one.name for one in session.kit.drums if one.kind in ("kick", "snare", "tom")}
    owner = session.kit.owner(mic)
    if owner is not None:
        return owner.name if owner.name in heads else None
    return next((one.of for one in session.kit.mics if one.name == mic and one.of in heads), None)


# --- figures several parts of the page show ---------------------------------------------------


def headroom_rows(session: StoredSession) -> list[tuple[str, float, float, float]]:
    """Drum, then median, 99th percentile and largest of its heard levels, dBFS."""
    rows = []
    for drum in session.summary["drums"]:
        levels = [
            hit.heard_peak_dbfs for hit in session.of(drum) if hit.heard_peak_dbfs is not None
        ]
        if len(levels) >= 3:
            median, high = np.quantile(levels, [0.5, 0.99])
            rows.append((drum, float(median), float(high), float(max(levels))))
    return rows


def amount_words(change: Json) -> str:
    """``−21 cents (−24 to −18)``, or a dash."""
    amount, unit = change["amount"], change["unit"] or ""
    if amount is None:
        return "–"
    decimals = 0 if unit in ("cents", "%", "per cent") else 1
    text = f"{signed(amount, decimals)} {unit}".strip()
    if change["ci"] is not None:
        low, high = change["ci"]
        text += f" ({signed(low, decimals)} to {signed(high, decimals)})"
    return text


def figure_words(value: Any, unit: str, decimals: int = 1) -> str:
    """A figure with its unit, or a dash where it was not measured."""
    return "–" if value is None else f"{signed(float(value), decimals)} {unit}".strip()


def many(count: int, word: str) -> str:
    """``1 hit``, ``2 hits``."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _shortened(lines: Sequence[str], most: int = MOST_LINES) -> list[str]:
    if len(lines) <= most:
        return list(lines)
    return [*lines[: most - 1], f"And {len(lines) - most + 1} more, below."]
