"""The list of takes on screen: one row a take, what is known of the chosen one below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.cells import cell_len

from liveassist.model import Snapshot, TakeLine
from liveassist.output.terminal_canvas import Canvas, clean, fit, wrap
from liveassist.output.terminal_parts import join_fitting
from liveassist.output.terminal_reading import View
from liveassist.output.terminal_words import between, clock, evenness_places, judged, many, number

NO_TAKES = "No take yet: press t to start one, or k to keep what was just played."
#: Widest a name may be in the list, cells, and the share of the page that the chosen take has.
_NAME_CELLS = 24
_DETAIL_SHARE = 3


def chosen(takes: Sequence[TakeLine], scroll: int) -> TakeLine | None:
    """The take that is chosen at ``scroll``; beyond the end the last."""
    return takes[max(0, min(scroll, len(takes) - 1))] if takes else None


def draw_takes(canvas: Canvas, view: View) -> None:
    """The list, scrolled so that the chosen take shows, and more of that take below it."""
    takes, width = view.snapshot.takes, canvas.width - 2
    if not takes:
        for row, text in enumerate(wrap(NO_TAKES, width, max(1, view.bottom - view.top))):
            canvas.put(1, view.top + row, text, "strong", width=width)
        return
    at = max(0, min(view.scroll, len(takes) - 1))
    rows = view.bottom - view.top
    detail = _detail(view.snapshot, takes[at], width - 5)
    room = max(1, rows // _DETAIL_SHARE) if rows >= 6 else 0
    below = min(len(detail), room)
    listed = max(1, rows - below - (1 if below else 0))
    first = max(0, min(at - listed // 2, len(takes) - listed))
    places = evenness_places(takes)
    names = min(_NAME_CELLS, max(cell_len(clean(line.name)) for line in takes), max(8, width // 3))
    drums = [drum.name for drum in judged(view.snapshot)]
    for row, line in enumerate(takes[first : first + listed]):
        _draw_row(
            canvas, view.top + row, line, names, drums, places, view.snapshot, first + row == at
        )
    if below:
        y = view.bottom - below - 1
        canvas.fill(1, y, width, "─", "quiet")
        canvas.put(3, y, f" {clean(takes[at].name)} ", "strong", width=max(0, width - 4))
        for row, text in enumerate(detail[:below]):
            more = row == below - 1 and len(detail) > below
            canvas.put(2, y + 1 + row, fit(text, width - 4) + (" …" if more else ""), "plain")


def _draw_row(
    canvas: Canvas,
    y: int,
    line: TakeLine,
    names: int,
    drums: Sequence[str],
    places: Mapping[str, str],
    snapshot: Snapshot,
    is_chosen: bool,
) -> None:
    width = canvas.width - 2
    if is_chosen:
        canvas.put(0, y, ">", "strong")
    star = "*" if line.starred else " "
    x = canvas.put(1, y, f"{star} {fit(clean(line.name), names)}", "strong", width=names + 2)
    x = max(x, 3 + names) + 1
    end_s = snapshot.time_s if line.end_s is None else line.end_s
    length = clock(max(0.0, end_s - line.start_s))
    x = canvas.put(x, y, f"{length:>6}", "quiet") + 2
    spreads = [
        f"{drum} {number(line.spread_db[drum])} dB"
        for drum in drums
        if line.spread_db.get(drum) is not None
    ]
    parts = (
        "runs" if line.end_s is None else "",
        "not marked" if line.provisional else "",
        *spreads,
        places.get(line.name, ""),
        "reference" if line.reference else "",
        many(line.weak_hits, "weak hit") if line.weak_hits else "",
        many(len(line.changes), "change") if line.changes else "",
        "punch-in" if line.punch_in is not None else "",
        clean(line.song or ""),
    )
    canvas.put(x, y, join_fitting(parts, width - x), "plain", width=max(0, width - x + 1))


def _detail(snapshot: Snapshot, line: TakeLine, width: int) -> list[str]:
    """What the row has no room for."""
    said = [f"{clock(line.start_s)} to {'now' if line.end_s is None else clock(line.end_s)}"]
    if line.song is not None:
        said.append(f"of {line.song}")
    if line.punch_in is not None:
        said.append(f"punch-in {line.punch_in}")
    spreads = [
        f"{drum} spread {number(spread)} dB ({between(line.spread_ci.get(drum))})"
        for drum, spread in line.spread_db.items()
        if spread is not None
    ]
    sentences = [", ".join([*said, *spreads])]
    if line.note:
        sentences.append(f"Noted: {line.note}")
    sentences += line.changes
    if line.end_s is not None and not line.changes and not line.reference:
        sentences.append("Nothing changed against the reference that chance would not explain.")
    return [text for sentence in sentences for text in wrap(clean(sentence), width, 3)]


def take_sentences(snapshot: Snapshot) -> list[str]:
    """The list as sentences, for the plain mode."""
    if not snapshot.takes:
        return [NO_TAKES]
    places = evenness_places(snapshot.takes)
    lines = []
    for line in snapshot.takes:
        facts = ["running"] if line.end_s is None else []
        facts += [
            f"{drum} spread {number(spread)} dB"
            for drum, spread in line.spread_db.items()
            if spread is not None
        ]
        facts += [places[line.name]] if line.name in places else []
        facts += ["starred"] if line.starred else []
        facts += ["the reference"] if line.reference else []
        facts += [many(line.weak_hits, "weak hit")] if line.weak_hits else []
        facts += [f"noted {line.note}"] if line.note else []
        lines.append(f"{line.name}: {', '.join(facts) or 'no figures yet'}.")
        lines += [f"{line.name}: {sentence}" for sentence in line.changes]
    return lines
