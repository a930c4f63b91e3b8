"""The pages that are read rather than glanced at: between takes, and help."""

from __future__ import annotations

from collections.abc import Collection

from rich.cells import cell_len

from liveassist.model import Snapshot
from liveassist.output.keys import COMMANDS
from liveassist.output.terminal_canvas import Canvas, fit, wrap
from liveassist.output.terminal_parts import drum_facts, learned
from liveassist.output.terminal_words import (
    AlertId,
    count,
    judged,
    many,
    number,
    suggestion_line,
    verdict,
)

NO_DRUMS = "This kit has no kick or snare with a microphone of its own: there is nothing to judge."


def draw_between(
    canvas: Canvas, top: int, bottom: int, snapshot: Snapshot, silenced: Collection[AlertId]
) -> None:
    """Verdicts, what changed against the reference, expander settings: to read, not to glance."""
    paragraphs: list[tuple[str, str]] = [("The drums", "strong")]
    drums = judged(snapshot)
    for drum in drums:
        found = verdict(snapshot, drum, silenced)
        facts = drum_facts(snapshot, drum, found)
        why = [found.why] if found.tone in ("good", "look") else []
        body = ", ".join([*why, *facts])
        paragraphs.append((f"{drum.name}: {found.word}; {body}" if body else drum.name, "plain"))
    if not drums:
        paragraphs.append((NO_DRUMS, "plain"))
    paragraphs.append(("What changed since the reference take", "strong"))
    paragraphs += [(change.sentence, "plain") for change in snapshot.changes] or [
        ("nothing that chance would not explain", "quiet")
    ]
    paragraphs.append(("Expander settings to try (suggested, never sent by itself)", "strong"))
    paragraphs += [(line, "plain") for line in expander_lines(snapshot)] or [("none yet", "quiet")]
    paragraphs.append((learned(snapshot).capitalize(), "quiet"))
    _text(canvas, top, bottom, paragraphs)


def expander_lines(snapshot: Snapshot) -> list[str]:
    """One sentence a microphone: settings and what they would do, or why there are none."""
    lines = []
    for mic, suggestion in snapshot.expander.items():
        if suggestion is None:
            why = snapshot.expander_reason.get(mic, "not enough heard yet")
            lines.append(f"{mic}: none, {why}")
            continue
        line = f"{mic}: {suggestion_line(suggestion)}"
        predicted = suggestion.predicted
        if predicted is not None and predicted.main_passed is not None:
            line += f"; passes {number(100 * predicted.main_passed, 0)} % of main hits"
            if predicted.bleed_cut_db is not None:
                line += f", bleed {number(predicted.bleed_cut_db)} dB down"
            line += f" (from {many(predicted.hits, 'hit')})"
        wrong = snapshot.expander_wrong.get(mic)
        if wrong is not None:
            line += f"; no longer right: {wrong}"
        lines.append(line)
    return lines


_LEGEND = (
    "Each upright stroke is one hit, the newest on the right, its height the level. The letter "
    "beneath: · main, w weak, g ghost, r rim click, f flam, C clipped, ? unsure.",
    "Right of it, how many hits lie at each level. Across: the suggested threshold (solid) and "
    "the loudest bleed (dashed).",
    "Spread: how uneven the main hits are about their own course. Bleed margin: how far the "
    "loudest other sound lies below the soft end of the main hits.",
    "Meters reach from −60 dBFS to full scale; the stroke and the number are the peak held.",
    "Drums are louder than they seem near a microphone: keep headphones down between takes.",
)


def draw_help(
    canvas: Canvas, top: int, bottom: int, snapshot: Snapshot, silenced: Collection[AlertId]
) -> None:
    # The last row says how much did not fit.
    rows = min(len(COMMANDS), max(0, bottom - top - 1))
    for row, binding in enumerate(COMMANDS[:rows]):
        canvas.put(2, top + row, binding.key, "strong")
        canvas.put(5, top + row, binding.sentence, "plain", width=max(0, canvas.width - 6))
    gap = 1 if bottom - top - rows > 2 else 0
    left_out = [f"{binding.key}  {binding.sentence}" for binding in COMMANDS[rows:]]
    _text(canvas, top + rows + gap, bottom, [(text, "plain") for text in (*left_out, *_LEGEND)])


def _text(canvas: Canvas, top: int, bottom: int, paragraphs: list[tuple[str, str]]) -> None:
    """Paragraphs down the page; the last row says so where some had to be left out."""
    width = canvas.width - 3
    lines: list[tuple[int, str, str]] = []
    for text, style in paragraphs:
        indent = 1 if style == "strong" else 2
        lines += [(indent, line, style) for line in wrap(text, width, 6)]
    room = bottom - top
    for row, (indent, line, style) in enumerate(lines[: max(0, room)]):
        if row == room - 1 and len(lines) > room:
            rest = f"{count(len(lines) - row)} more lines: make the window taller"
            canvas.put(2, top + row, fit(rest, width), "quiet")
            return
        canvas.put(indent, top + row, line, style, width=min(width, max(1, cell_len(line))))
