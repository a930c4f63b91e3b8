"""The report's pages of single drums, of alerts and faults, and of headroom."""

from __future__ import annotations

from liveassist.output.report_page import bullets, paragraph, plot, section, small_plot, table
from liveassist.output.report_plots import (
    headroom,
    histogram,
    level_over_time,
    loudest_bleed_dbfs,
    note_and_ring,
)
from liveassist.output.report_svg import NARROW, clock, signed
from liveassist.output.report_words import (
    expander_words,
    figure_words,
    headroom_rows,
    many,
)
from liveassist.output.stored import MAIN_ROLES, Json, StoredSession

#: Takes whose median level is said in words.
MOST_MEDIANS = 10


def drum_section(session: StoredSession, drum: str, reference: str | None, first: bool) -> str:
    """Everything about one drum: level, histogram with the suggestion, note and ring."""
    number = session.judged().index(drum)
    ident = f"drum-{number}"
    figures = session.summary["drums"][drum]
    body = bullets(_facts(session, drum, figures))
    body += plot(
        level_over_time(session, drum),
        f"{ident}-level",
        f"{drum}: level of every hit",
        _level_words(session, drum, figures),
    )
    left = small_plot(
        histogram(session, drum),
        f"{ident}-hist",
        f"{drum}: how loud the hits were heard",
        _histogram_words(session, drum),
    )
    right = _tones(session, drum, reference, ident)
    body += f'<div class="pair">{left}{right}</div>'
    return section(ident, drum, body, new_page=True)


def _facts(session: StoredSession, drum: str, figures: Json) -> list[str]:
    main, ghost = figures["main"], figures["ghost"]
    facts = [
        f"{many(figures['hits'], 'hit')}, {main['hits']} of them main or weak"
        + (f", {ghost['hits']} ghost" if ghost is not None else "")
        + "."
    ]
    if main["spread_db"] is not None:
        low, high = main["spread_ci"] or (main["spread_db"], main["spread_db"])
        facts.append(
            f"Spread {main['spread_db']:.1f} dB ({low:.1f} to {high:.1f}), dynamics "
            f"{main['dynamics_db']:.1f} dB, weak {100 * (main['weak_share'] or 0):.0f} %."
        )
    else:
        why = session.unmeasured(f"drums.{drum}.main.spread_db") or "too few usable hits"
        facts.append(f"Spread not measured: {why}.")
    note = figure_words(figures["note_hz"], "Hz", 1)
    facts.append(f"Note {note}, ring {figure_words(figures['ring_s'], 's', 2)}.")
    if drum in session.notes:
        facts.append(f"Noted: {session.notes[drum]}")
    return facts


def _level_words(session: StoredSession, drum: str, figures: Json) -> str:
    words = []
    for take in session.takes:
        median = take.main(drum, "median_dbfs")
        if median is not None:
            words.append(f"{take.name} {signed(median, 1)}")
    if len(words) > MOST_MEDIANS:
        words = [*words[:MOST_MEDIANS], f"and {len(words) - MOST_MEDIANS} more"]
    medians = f" Median of main hits in dBFS: {', '.join(words)}." if words else ""
    return (
        "Each mark is one hit, bleed taken off; the shaded spans are the takes, with their "
        f"numbers above.{medians}"
    )


def _histogram_words(session: StoredSession, drum: str) -> str:
    mic = session.own_mic(drum)
    found = session.summary["expander"].get(mic or "")
    worst = loudest_bleed_dbfs(session, drum)
    parts = ["Peaks as the microphone heard them, which is what an expander sees."]
    if worst is not None:
        parts.append(f"95 % of the loudest bleed stays under {signed(worst, 1)} dBFS.")
    if found is None or mic is None:
        why = session.unmeasured(f"expander.{mic}") or "no suggestion was made"
        parts.append(f"No expander setting: {why}.")
        return " ".join(parts)
    parts.append(f"To try: {expander_words(session, mic, found)}.")
    if found["key_highpass_hz"] is not None or found["key_lowpass_hz"] is not None:
        parts.append("That threshold counts behind the key filter and is therefore not drawn here.")
    predicted = found["predicted"]
    if predicted is not None:
        parts.append(prediction_words(predicted))
    return " ".join(parts)


def prediction_words(predicted: Json) -> str:
    """What an expander with these settings would have done, in a sentence."""
    said = []
    if predicted["main_passed"] is not None:
        said.append(
            f"{100 * predicted['main_passed']:.0f} % of main hits pass whole"
            + _between(predicted["main_passed_ci"], 100.0, 0)
        )
    if predicted["bleed_cut_db"] is not None:
        said.append(
            f"bleed comes down {predicted['bleed_cut_db']:.1f} dB"
            + _between(predicted["bleed_cut_ci"], 1.0, 1)
        )
    if predicted["ghost_cut_db"] is not None:
        said.append(f"ghost notes come down {predicted['ghost_cut_db']:.1f} dB")
    if predicted["bleed_openings_per_min"] is not None:
        said.append(
            f"bleed opens it {predicted['bleed_openings_per_min']:.1f} times a minute"
            + _between(predicted["openings_ci"], 1.0, 1)
        )
    return f"Predicted from {many(predicted['hits'], 'hit')}: {', '.join(said)}."


def _between(interval: list[float] | None, scale: float, decimals: int) -> str:
    if interval is None:
        return ""
    low, high = (scale * end for end in interval)
    return f" ({low:.{decimals}f} to {high:.{decimals}f})"


def _tones(session: StoredSession, drum: str, reference: str | None, ident: str) -> str:
    known = [hit for hit in session.of(drum, roles=MAIN_ROLES) if hit.note_hz is not None]
    if len(known) < 3:
        why = session.unmeasured(f"drums.{drum}.note_hz") or "no hit rang clearly enough"
        return paragraph(f"{drum}: note and ring are not drawn: {why}.")
    drift = [
        f"{take.name}: {change['sentence']}"
        for take in session.takes
        for change in take.changes
        if change.get("drum") == drum and change["cause"] in ("head_pitch", "ring", "drum_changed")
    ]
    words = f"Main hits; the band is {reference}. " if reference else "Main hits. "
    words += " ".join(drift) if drift else "No shift of the head was found."
    return small_plot(
        note_and_ring(session, drum, reference),
        f"{ident}-tone",
        f"{drum}: note and ring over the session",
        words,
        (5.4, 3.9),
        (NARROW[0], 3.9),
    )


# --- the whole session ------------------------------------------------------------------------


def faults_section(session: StoredSession) -> str:
    """Alerts in order of time, and what could not be heard at all."""
    rows = [
        [
            clock(alert["start_s"]),
            "to the end" if alert["end_s"] is None else clock(alert["end_s"]),
            alert["severity"],
            alert["alert"].replace("_", " "),
            alert.get("drum") or alert.get("mic") or "–",
            alert["sentence"],
        ]
        for alert in sorted(session.summary["alerts"], key=lambda alert: alert["start_s"])
    ]
    faults = [
        str(why)
        for path, why in session.summary["unmeasured"].items()
        if path.startswith("mics.") or path == "session"
    ]
    body = bullets(faults) if faults else ""
    if rows:
        heads = ["From", "To", "How urgent", "Alert", "Where", "What was said"]
        body += table("Alerts, in order of time", heads, rows)
    else:
        body += paragraph("No alert.")
    return section("alerts", "Alerts and faults", body)


def headroom_section(session: StoredSession) -> str:
    """How near to full scale the hits came."""
    rows = headroom_rows(session)
    if not rows:
        return section("headroom", "Headroom", paragraph("Too few hits to say."))
    cells = [
        [
            name,
            figure_words(median, "dBFS"),
            figure_words(high, "dBFS"),
            figure_words(-top, "dB"),
            str(sum(hit.clipped for hit in session.of(name))),
        ]
        for name, median, high, top in rows
    ]
    heads = ["Drum", "Median", "99 % of hits under", "Left above the loudest", "Clipped hits"]
    tall = max(2.2, 0.32 * len(rows) + 1.5)
    body = small_plot(
        headroom(session, rows),
        "headroom-plot",
        "Headroom",
        "Heard level of each drum in its own microphone, from the median to the loudest hit; "
        "the line at 0 is full scale. The figures stand in the table.",
        (7.2, tall),
        (NARROW[0], tall),
    )
    return section("headroom", "Headroom", body + table("Headroom by drum", heads, cells))
