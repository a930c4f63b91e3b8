"""The pages that are read rather than glanced at: between takes, and help."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from rich.cells import cell_len

from liveassist.model import Snapshot
from liveassist.output.keys import COMMANDS, MOVES_SENTENCE
from liveassist.output.terminal_canvas import Canvas, fit, wrap
from liveassist.output.terminal_expander import expander_rows
from liveassist.output.terminal_parts import drum_facts, learned
from liveassist.output.terminal_words import (
    AlertId,
    between,
    count,
    evenness_places,
    judged,
    many,
    number,
    suggestion_line,
    verdict,
)


@dataclass(frozen=True, slots=True)
class View:
    """What a page is drawn of, and the rows it has: ``top`` up to ``bottom``. ``scroll``: lines it
    was moved down by, on the list of takes the take that is chosen, from 0."""

    top: int
    bottom: int
    snapshot: Snapshot
    silenced: Collection[AlertId]
    scroll: int = 0


NO_DRUMS = "This kit has no kick or snare with a microphone of its own: there is nothing to judge."


def draw_between(canvas: Canvas, view: View) -> None:
    """Verdicts, what changed against the reference, expander settings: to read, not to glance."""
    _text(canvas, view, between_paragraphs(view.snapshot, view.silenced))


def between_paragraphs(snapshot: Snapshot, silenced: Collection[AlertId]) -> list[tuple[str, str]]:
    """What that page says, each with its style."""
    paragraphs = _last_take(snapshot)
    paragraphs.append(("The drums now", "strong"))
    drums = judged(snapshot)
    for drum in drums:
        found = verdict(snapshot, drum, silenced)
        facts = drum_facts(snapshot, drum, found)
        why = [found.why] if found.tone in ("good", "look") else []
        body = ", ".join([*why, *facts])
        paragraphs.append((f"{drum.name}: {found.word}; {body}" if body else drum.name, "plain"))
    if not drums:
        paragraphs.append((NO_DRUMS, "plain"))
    paragraphs.append(("Expander settings to try (suggested, never sent by itself)", "strong"))
    paragraphs += [(line, "plain") for line in expander_lines(snapshot)] or [("none yet", "quiet")]
    paragraphs.append((learned(snapshot).capitalize(), "quiet"))
    return paragraphs


def _last_take(snapshot: Snapshot) -> list[tuple[str, str]]:
    """The take that ended last: how even, and what changed against the reference."""
    ended = [line for line in snapshot.takes if line.end_s is not None]
    reference = next((line.name for line in snapshot.takes if line.reference), None)
    paragraphs: list[tuple[str, str]] = []
    if ended:
        last = max(ended, key=lambda line: line.end_s or 0.0)
        place = evenness_places(snapshot.takes).get(last.name, "")
        facts = [
            f"{drum} spread {number(spread)} dB ({between(last.spread_ci.get(drum))})"
            for drum, spread in last.spread_db.items()
            if spread is not None
        ] + ([place] if place else [])
        facts += [many(last.weak_hits, "weak hit")] if last.weak_hits else []
        paragraphs.append((f"The last take, {last.name}", "strong"))
        paragraphs += _verdict_lines(snapshot)
        paragraphs.append((", ".join(facts) or "too few hits to judge", "plain"))
    against = f" ({reference})" if reference is not None else ""
    paragraphs.append((f"What changed in it since the reference take{against}", "strong"))
    paragraphs += [(change.sentence, "plain") for change in snapshot.changes] or [
        ("nothing that chance would not explain", "quiet")
    ]
    return paragraphs


def _verdict_lines(snapshot: Snapshot) -> list[tuple[str, str]]:
    """Fine, look or stop, why, and what else was heard of the take."""
    if snapshot.review is None:
        return []
    told = snapshot.review.verdict
    lines = [(f"{told.light.upper()}: {told.sentence}", "strong")]
    more = [one.sentence for one in snapshot.review.uneven]
    more += [one.sentence for one in snapshot.review.limbs]
    more += [one.sentence for one in snapshot.review.forecast if one.turn_down_db > 0.0]
    return [*lines, *((text, "plain") for text in more if text and text not in told.sentence)]


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


def draw_help(canvas: Canvas, view: View) -> None:
    """Every key, then how to read the screen."""
    _text(canvas, view, help_paragraphs())


def help_paragraphs() -> list[tuple[str, str]]:
    """What that page says, each with its style."""
    keys = [(f"{binding.key}  {binding.sentence}", "plain") for binding in COMMANDS]
    return [*keys, (MOVES_SENTENCE, "plain"), *((text, "quiet") for text in _LEGEND)]


def most_scroll(view: View, page: str, width: int, rows: int) -> int:
    """How many lines a page that is read can be moved down."""
    if page == "expander":
        return _most(len(expander_rows(view.snapshot, width - 3)), rows)
    if page == "help":
        paragraphs = help_paragraphs()
    elif page == "between":
        paragraphs = between_paragraphs(view.snapshot, view.silenced)
    else:
        return 0
    return _most(len(_lines(paragraphs, width - 3)), rows)


def _most(lines: int, rows: int) -> int:
    """The last row is lost to saying how much there is, where not all fits."""
    return 0 if lines <= rows else max(0, lines - max(0, rows - 1))


def _lines(paragraphs: list[tuple[str, str]], width: int) -> list[tuple[int, str, str]]:
    lines: list[tuple[int, str, str]] = []
    for text, style in paragraphs:
        indent = 1 if style == "strong" else 2
        lines += [(indent, line, style) for line in wrap(text, width, 6)]
    return lines


def _text(canvas: Canvas, view: View, paragraphs: list[tuple[str, str]]) -> None:
    """Paragraphs down the page from the line it was moved to; the last row says how to move where
    not all fits."""
    _rows(canvas, view, _lines(paragraphs, canvas.width - 3))


def draw_expander(canvas: Canvas, view: View) -> None:
    """Levels and rates to choose a threshold by, microphone after microphone."""
    _rows(canvas, view, expander_rows(view.snapshot, canvas.width - 3))


def _rows(canvas: Canvas, view: View, lines: list[tuple[int, str, str]]) -> None:
    width, room = canvas.width - 3, view.bottom - view.top
    first = max(0, min(view.scroll, _most(len(lines), room)))
    fits = len(lines) <= room
    shown = lines if fits else lines[first : first + max(0, room - 1)]
    for row, (indent, line, style) in enumerate(shown):
        canvas.put(indent, view.top + row, line, style, width=min(width, max(1, cell_len(line))))
    if not fits and room > 0:
        last = first + len(shown)
        words = f"lines {first + 1} to {last} of {count(len(lines))}; up and down move"
        canvas.put(2, view.bottom - 1, fit(words, width), "quiet")
