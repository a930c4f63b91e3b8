"""The report's sheets to keep: how it was set up, what to try in the mix, what the words mean."""

from __future__ import annotations

from liveassist.output import expander_plots
from liveassist.output.report_drums import prediction_words
from liveassist.output.report_page import paragraph, section, small_plot, table
from liveassist.output.report_svg import escape, signed
from liveassist.output.report_words import figure_words, key_words, track_offset_db
from liveassist.output.stored import Json, StoredSession

#: Most modes named of one drum, the strongest.
MOST_MODES = 6
#: Words of the trade as this page uses them.
WORDS = (
    ("level", "peak of the hit alone within 40 ms of its onset, what else rang taken off, dBFS"),
    ("heard level", "peak of everything in the microphone there, which is what an expander sees"),
    ("main, weak, ghost", "the strokes that carry the beat; one that fell short; meant quiet"),
    ("spread", "scatter of the main hits about the level they were heading for, dB: how uneven"),
    ("dynamics", "how far that level itself moved: a louder chorus is not uneven, dB"),
    ("bleed", "a drum's level in another's microphone less its level in its own, dB"),
    ("bleed margin", "softest main hits (10 %) less the loudest bleed (95 %), dB"),
    ("note, ring", "frequency of the head's lowest mode; time until it has fallen by 60 dB"),
    ("threshold, range, ratio", "where the expander begins to close, how far down it goes at "
     "most, output dB for each dB under the threshold"),
    ("key filter", "a filter on what the expander listens to, not on what passes"),
    ("95 % interval", "the figures in brackets: where the true value lies 19 times in 20"),
)  # fmt: skip


def setup_sheet(session: StoredSession) -> str:
    """Drums, microphones, channels, and what the user noted."""
    kit = session.kit
    if kit is None:
        text = "The folder holds no kit; give --kit KIT.toml to have the set-up sheet."
        return section("setup", "Set-up sheet", paragraph(text), new_page=True)
    drums = [
        [
            drum.name,
            drum.kind,
            drum.own or "–",
            f"{drum.head_diameter_in:g} in" if drum.head_diameter_in else "–",
            str(drum.lugs or "–"),
            figure_words(session.summary["drums"].get(drum.name, {}).get("note_hz"), "Hz"),
            session.notes.get(drum.name, ""),
        ]
        for drum in kit.drums
    ]
    mics = []
    for mic in sorted(kit.inputs, key=lambda one: one.channel):
        owner = kit.owner(mic.name)
        where = owner.name if owner else f"{mic.of} (second)" if mic.of else "–"
        where = "the click" if mic is kit.click else where
        offset = "–" if mic.track_offset_db is None else f"{signed(mic.track_offset_db, 1)} dB"
        row = [str(mic.channel), mic.name, where, mic.type, offset]
        mics.append([*row, session.notes.get(mic.name, "")])
    body = table(
        f"Drums of {kit.name}",
        ["Drum", "Kind", "Own microphone", "Head", "Lugs", "Note", "Noted"],
        drums,
    )
    body += table(
        "Channels (gains and places as noted by you: --note MICROPHONE=TEXT)",
        ["Channel", "Microphone", "At", "Type", "Track offset", "Noted"],
        mics,
    )
    return section("setup", "Set-up sheet", body, new_page=True)


def mix_sheet(session: StoredSession) -> str:
    """Expander settings at the gain of the tracks, landmarks of ring, the pairs."""
    rows, refused = [], []
    for mic, found in session.summary["expander"].items():
        if found is None:
            refused.append([mic, session.unmeasured(f"expander.{mic}") or "no suggestion"])
            continue
        offset = track_offset_db(session, mic)
        predicted = found["predicted"]
        rows.append(
            [
                mic,
                f"{signed(found['threshold_dbfs'] + offset, 1)} dBFS, closes "
                f"{found['hysteresis_db']:.1f} dB lower",
                f"{found['range_db']:.0f} dB, {found['ratio']:g}:1, knee {found['knee_db']:g} dB",
                f"attack {found['attack_ms']:g}, hold {found['hold_ms']:g}, release "
                f"{found['release_ms']:g}, look-ahead {found['lookahead_ms']:g} ms",
                key_words(found) or "none needed",
                prediction_words(predicted) if predicted is not None else "–",
            ]
        )
    body = paragraph(
        "Levels are those of the recorded track where the kit profile knows the track's offset; "
        "elsewhere those of the gain that the tool heard. Times are time constants (63 %)."
    )
    heads = ["Microphone", "Threshold", "Range, ratio", "Times", "Key filter", "Predicted"]
    body += table("Expander to try", heads, rows)
    body += _expander_plots(session)
    body += table("No expander, and why", ["Microphone", "Why"], refused)
    body += _landmarks(session)
    body += _pairs(session)
    return section("mix", "Mix sheet", body, new_page=True)


def _expander_plots(session: StoredSession) -> str:
    """Levels with the threshold, and what each threshold would do, where the session kept them."""
    body = ""
    for number, (mic, known) in enumerate((session.advice or {}).get("microphones", {}).items()):
        sheet = known.get("suggested")
        if not isinstance(sheet, dict):
            continue
        counts = {key: sum(sheet["levels"][key]) for key in ("main", "ghost", "bleed")}
        threshold = f"{signed(sheet['settings']['threshold_dbfs'], 1)} dBFS"
        left = small_plot(
            expander_plots.levels(sheet, mic),
            f"expander-levels-{number}",
            f"{mic}: levels the expander sees",
            f"{counts['main']} main hits, {counts['ghost']} ghosts and {counts['bleed']} foreign "
            f"hits against a threshold of {threshold}; the dashed line is the gain",
        )
        right = small_plot(
            expander_plots.rates(sheet, mic),
            f"expander-rates-{number}",
            f"{mic}: what each threshold would do",
            f"share of main hits passed whole and openings by bleed a minute; {threshold} is "
            "suggested",
        )
        body += f'<div class="pair">{left}{right}</div>'
    return body


def _landmarks(session: StoredSession) -> str:
    found: Json = (session.advice or {}).get("landmarks", {})
    rows = []
    for drum, figures in session.summary["drums"].items():
        modes = sorted(found.get(drum, ()), key=lambda mode: -mode["level_db"])[:MOST_MODES]
        if modes:
            words = "; ".join(
                f"{mode['frequency_hz']:.0f} Hz, {signed(mode['level_db'])} dB, "
                f"{mode['t60_s']:.2f} s"
                for mode in sorted(modes, key=lambda mode: mode["frequency_hz"])
            )
            rows.append([drum, words])
        elif figures["note_hz"] is not None:
            ring = figure_words(figures["ring_s"], "s", 2)
            rows.append([drum, f"{figures['note_hz']:.0f} Hz (the note), {ring}"])
    body = table(
        "Ring landmarks: where a ringing mode lies, should the ear want it notched",
        ["Drum", "Frequency, level against the strongest, ring (T60)"],
        rows,
    )
    if rows and not found:
        body += paragraph("Give --audio RECORDING for the modes above the note.")
    return body


def _pairs(session: StoredSession) -> str:
    if session.advice is None:
        text = "Pairs of microphones on one drum: give --audio RECORDING to have them checked."
        return paragraph(text)
    rows = []
    for pair in session.advice.get("pairs", []):
        names = f"{pair['first']} and {pair['second']}"
        if pair.get("reason"):
            rows.append([names, pair["reason"], "–", "–"])
            continue
        polarity = "opposite" if pair["inverted"] else "the same"
        rows.append(
            [
                names,
                f"{pair['sentence']} (polarity {polarity} in {100 * pair['agreement']:.0f} % of "
                f"{pair['hits']} hits)",
                f"{signed(pair['delay_ms'], 2)} ms, {signed(pair['distance_mm'])} mm",
                f"{signed(pair['blend_db'], 1)} dB on {pair['second']} puts it 14 dB under",
            ]
        )
    if not rows:
        return paragraph("No drum has two microphones, so there is no pair to check.")
    heads = ["Pair", "Polarity", "Second is later by", "Blend to start from (common practice)"]
    return table("Pair check", heads, rows)


def words_section() -> str:
    """What the words on the page mean."""
    rows = "".join(f"<dt>{escape(word)}</dt><dd>{escape(text)}</dd>" for word, text in WORDS)
    return section("words", "Words", f"<dl>{rows}</dl>")
