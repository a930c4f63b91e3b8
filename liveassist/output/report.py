"""The session report: one HTML page that needs nothing else, from a stored session.

First what an engineer, a drummer and a mixer each need, then the takes, each drum, bleed, what
changed, alerts and headroom, then two sheets to keep: the set-up and the mix.
"""

from __future__ import annotations

from collections.abc import Sequence

from liveassist.output.report_bars import bars_section
from liveassist.output.report_drums import drum_section, faults_section, headroom_section
from liveassist.output.report_page import (
    bullets,
    card,
    page,
    paragraph,
    plot,
    section,
    small_plot,
    table,
)
from liveassist.output.report_plots import bleed_map, evenness
from liveassist.output.report_sheets import mix_sheet, setup_sheet, words_section
from liveassist.output.report_svg import clock, escape, signed
from liveassist.output.report_words import (
    amount_words,
    figure_words,
    for_drummer,
    for_engineer,
    for_mixer,
    many,
    rank_takes,
)
from liveassist.output.stored import StoredSession


def report(session: StoredSession, *, reference: str | None = None) -> str:
    """The text of the page. ``reference``: take whose band is drawn; None: that of the session.

    OutputError where matplotlib is missing.
    """
    takes = session.takes
    if reference is None and takes:
        reference = session.summary.get("reference", takes[0].name)
    drums = session.judged()
    parts = [
        _top(session),
        _glance(session, drums, reference),
        _takes(session, drums),
        *([bars_section(session, _kick_and_snare(session, drums))] if takes else []),
        *(drum_section(session, drum, reference, first) for first, drum in _numbered(drums)),
        _bleed(session),
        _changes(session, reference),
        faults_section(session),
        headroom_section(session),
        setup_sheet(session),
        mix_sheet(session),
        words_section(),
        _foot(),
    ]
    return page(f"Session report: {session.title or session.name}", "".join(parts))


def _numbered(drums: Sequence[str]) -> list[tuple[bool, str]]:
    return [(number == 0, drum) for number, drum in enumerate(drums)]


def _top(session: StoredSession) -> str:
    summary = session.summary
    facts = [f"{clock(session.duration_s)} heard", many(len(session.takes), "take")]
    facts.append(many(len(session.hits), "hit"))
    if session.kit is not None:
        facts.append(many(len(session.kit.mics), "microphone"))
    facts.append(f"{summary['sample_rate_hz'] / 1000:g} kHz")
    began = summary["started_at"]
    when = f"Began {began.replace('T', ' ')}. " if began else ""
    learned = summary["learned"]
    how = f"Learned from {learned}." if learned else "No soundcheck was used."
    links = [("glance", "At a glance"), ("takes", "Takes")]
    if session.takes:
        links.append(("bars", "Takes on bars or time"))
    links += [(f"drum-{number}", name) for number, name in enumerate(session.judged())]
    links += [("bleed", "Bleed"), ("changes", "What changed"), ("alerts", "Alerts and faults")]
    links += [("headroom", "Headroom"), ("setup", "Set-up sheet"), ("mix", "Mix sheet")]
    links.append(("words", "Words"))
    nav = "".join(f'<a href="#{ident}">{escape(text)}</a>' for ident, text in links)
    return (
        f"<header><h1>Session report: {escape(session.title or session.name)}</h1>\n"
        + paragraph(f"{when}{', '.join(facts)}. {how}", "sub")
        + (paragraph(session.notes["session"]) if "session" in session.notes else "")
        + f'<nav aria-label="Parts of this page">{nav}</nav></header>\n<main>\n'
    )


def _glance(session: StoredSession, drums: Sequence[str], reference: str | None) -> str:
    cards = card("For the engineer", for_engineer(session, reference))
    cards += card("For the drummer", for_drummer(session, _kick_and_snare(session, drums)))
    cards += card("For the mix", for_mixer(session, drums))
    return section("glance", "At a glance", f'<div class="cards">{cards}</div>')


def _kick_and_snare(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """The drums whose evenness is judged: toms are hit too seldom to say."""
    if session.kit is None:
        return list(drums)
    judged = {drum.name for drum in session.kit.drums if drum.judged}
    return [drum for drum in drums if drum in judged]


def _takes(session: StoredSession, drums: Sequence[str]) -> str:
    takes = session.takes
    if not takes:
        return section("takes", "Takes", paragraph("No take was played or marked."))
    judged = _kick_and_snare(session, drums)
    places = {one.take.name: one for one in rank_takes(session, judged)}
    noted = any(take.name in session.notes for take in takes)
    songs = any(take.name in session.songs for take in takes)
    rows = []
    for number, take in enumerate(takes, 1):
        ranked = places[take.name]
        place = "–" if ranked.place is None else str(ranked.place)
        if ranked.as_good and ranked.place is not None:
            place += " (best)" if ranked.place == 1 else " (as good)"
        if take.name in session.punch_ins:
            place = f"punch-in {session.punch_ins[take.name].words}"
        reference = ", the reference" if take.name == session.summary.get("reference") else ""
        star = " ★ starred" if take.name in session.stars else ""
        row = [
            f"{number}. {take.name}{reference}{star}",
            f"{clock(take.start_s)} to {clock(take.end_s)}",
            place,
        ]
        for drum in judged:
            row.append(_spread_cell(take.main(drum, "spread_db"), take.main(drum, "spread_ci")))
        row.append(_weak_cell(session, take.name, judged))
        changed = many(len(take.changes), "change") if take.changes else ""
        row.append(changed or session.not_compared(take) or "none")
        if songs:
            row.append(session.songs.get(take.name, ""))
        if noted:
            row.append(session.notes.get(take.name, ""))
        rows.append(row)
    heads = ["Take", "From, to", "Evenness"]
    heads += [f"{drum} spread, dB" for drum in judged]
    heads += ["Weak hits", "Changed", *(["Song"] if songs else []), *(["Noted"] if noted else [])]
    body = paragraph(
        "Places by evenness: root mean square of the spreads of "
        f"{' and '.join(judged) or 'no drum'}. As good: the hits do not tell it from the best."
    )
    body += table("Takes in order of time", heads, rows)
    if any(take.main(drum, "spread_db") is not None for take in takes for drum in judged):
        body += plot(
            evenness(session, judged),
            "evenness",
            "Evenness by take",
            "Spread of the main hits in dB with its 95 % interval; lower is evener. Takes whose "
            "intervals overlap widely are not told apart. The figures stand in the table above.",
        )
    return section("takes", "Takes", body, new_page=True)


def _spread_cell(value: float | None, interval: Sequence[float] | None) -> str:
    text = figure_words(value, "")
    if value is None or interval is None:
        return text
    return f"{text} ({interval[0]:.1f} to {interval[1]:.1f})"


def _weak_cell(session: StoredSession, take: str, drums: Sequence[str]) -> str:
    found = next(one for one in session.takes if one.name == take)
    weak = [hit for hit in session.between(found) if hit.role == "weak" and hit.drum in drums]
    return str(len(weak))


def _bleed(session: StoredSession) -> str:
    cells = session.summary["bleed_db"]
    mics = list(cells)
    if session.kit is not None:
        mics = [mic.name for mic in session.kit.mics if mic.name in cells]
    drums = [
        drum
        for drum in session.summary["drums"]
        if any(cells[mic].get(drum) is not None for mic in mics)
    ]
    if not mics or not drums:
        return section("bleed", "Bleed", paragraph("No bleed could be measured."))
    tall = max(2.4, 0.42 * len(mics) + 1.6)
    body = small_plot(
        bleed_map(session, mics, drums),
        "bleed-map",
        "Bleed of every drum in every microphone",
        "Level of the drum (column) in the microphone (row) against its level in its own "
        "microphone, dB; ≤ is an upper bound, a dash was not measured. "
        f"{_loudest_cells(session, mics)}",
        (7.2, tall),
        (3.6, tall),
    )
    rows = []
    for mic in mics:
        margin = session.summary["bleed_margin_db"].get(mic)
        if margin is not None and margin["full_band"] is not None:
            rows.append(
                [
                    mic,
                    figure_words(margin["full_band"], "dB"),
                    figure_words(margin["key_filtered"], "dB"),
                    margin["worst_source"] or "–",
                ]
            )
    body += table(
        "Bleed margin: softest main hits (10 %) less the loudest bleed (95 %). "
        "Below some 6 dB a threshold gets hard (common practice)",
        ["Microphone", "Full band", "Behind a key filter", "Worst source"],
        rows,
    )
    return section("bleed", "Bleed", body, new_page=True)


def _loudest_cells(session: StoredSession, mics: Sequence[str]) -> str:
    cells = sorted(
        (
            (value, drum, mic)
            for mic in mics
            for drum, value in session.summary["bleed_db"][mic].items()
            if value is not None
        ),
        reverse=True,
    )[:3]
    said = "; ".join(f"{drum} in {mic} {signed(value)} dB" for value, drum, mic in cells)
    return f"Loudest: {said}."


def _changes(session: StoredSession, reference: str | None) -> str:
    rows = [
        [
            take.name,
            f"from {clock(take.start_s)}",
            change["cause"].replace("_", " "),
            change.get("drum") or change.get("mic") or change.get("source") or "–",
            amount_words(change),
            change["sentence"],
        ]
        for take in session.takes
        for change in take.changes
    ]
    if not rows:
        text = (
            "Nothing changed against the reference take that the tool could tell."
            if len(session.takes) > 1
            else "There is only one take, so nothing to compare it with."
        )
        return section("changes", "What changed, and when", paragraph(text))
    body = paragraph(f"Against {reference}, take by take; amounts with their 95 % interval.")
    heads = ["Take", "When", "Cause", "Where", "Amount", "What it means"]
    return section("changes", "What changed, and when", body + table("Changes", heads, rows))


def _foot() -> str:
    note = [
        "Suggestions only: nothing was changed by itself, and the ear decides.",
        "Drum peaks at close range harm hearing: protect it, check settings at low volume, and "
        "follow the rules of your workplace and of whoever is responsible for the PA.",
    ]
    return f"</main>\n<footer>{bullets(note)}</footer>"
