"""The pages of the dashboard: main, large, between takes, takes, expander, help.

`render` is a pure function of the snapshot and the size. It never raises on account of either:
what does not fit is left out, the most urgent last.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Literal

from liveassist.model import Snapshot
from liveassist.output.terminal_big import best_scale, big_size, draw_big
from liveassist.output.terminal_canvas import Canvas, Frame, clean, fit, wrap
from liveassist.output.terminal_meters import draw_meters, rows_wanted
from liveassist.output.terminal_parts import (
    draw_alerts,
    draw_drum,
    draw_foot,
    draw_head,
    draw_outputs,
    draw_status,
    draw_urgent,
    join_fitting,
    level_words,
    standing_alerts,
)
from liveassist.output.terminal_reading import (
    NO_DRUMS,
    View,
    draw_between,
    draw_expander,
    draw_help,
    expander_lines,
)
from liveassist.output.terminal_takes import draw_takes
from liveassist.output.terminal_words import (
    AlertId,
    Verdict,
    drum_figures,
    judged,
    many,
    number,
    plain_name,
    take_words,
    trend,
    verdict,
)

Page = Literal["main", "large", "between", "takes", "expander", "help"]

#: From this size on meters, alerts and outputs stand beside the drums rather than below them.
WIDE_CELLS, WIDE_ROWS = 120, 24
LARGEST_CELLS, LARGEST_ROWS = 1000, 400


def render(
    snapshot: Snapshot,
    width: int,
    height: int,
    *,
    colour: bool = True,
    page: str = "main",
    silenced: Collection[AlertId] = frozenset(),
    message: str = "",
    scroll: int = 0,
) -> Frame:
    """A picture of ``snapshot``, exactly ``width`` by ``height`` cells.

    Made for 80 x 24 and larger and whole from 40 x 12; below that it shows what fits.
    ``silenced`` are alerts the engineer has put away (`terminal_words.alert_id`), ``message``
    takes the place of the key line, ``scroll`` moves pages that are longer (see
    `terminal_reading.View`). An unknown ``page`` is a ValueError.
    """
    if page not in _PAGES:
        raise ValueError(f"there is no page {page!r}; there are {', '.join(_PAGES)}")
    canvas = Canvas(min(width, LARGEST_CELLS), min(height, LARGEST_ROWS))
    draw_head(canvas, snapshot)
    top, bottom = 1, canvas.height
    if canvas.height >= 3:
        draw_urgent(canvas, 1, snapshot, silenced)
        top = 2
    if canvas.height >= 6:
        bottom -= 1
        draw_foot(canvas, bottom, message)
    if canvas.height >= 9:
        bottom -= 1
        draw_status(canvas, bottom, snapshot)
    if bottom > top:
        _PAGES[page](canvas, View(top, bottom, snapshot, silenced, scroll))
    return canvas.frame(colour=colour)


# --- main -----------------------------------------------------------------------------------


def page_rows(height: int) -> int:
    """Rows that a page has in a window of ``height``."""
    return max(0, height - 1 - (height >= 3) - (height >= 6) - (height >= 9))


def _main(canvas: Canvas, view: View) -> None:
    top, bottom, snapshot, silenced = view.top, view.bottom, view.snapshot, view.silenced
    if canvas.width >= WIDE_CELLS and canvas.height >= WIDE_ROWS:
        _main_wide(canvas, top, bottom, snapshot, silenced)
    else:
        _main_stacked(canvas, top, bottom, snapshot, silenced)


def _main_stacked(
    canvas: Canvas, top: int, bottom: int, snapshot: Snapshot, silenced: Collection[AlertId]
) -> None:
    """Drums, then meters, then alerts, one below the other."""
    width, rows = canvas.width - 2, bottom - top
    drums = max(1, len(judged(snapshot)))
    meters = min(rows_wanted(len(snapshot.mics), width), max(1, rows // 4))
    alerts = min(max(1, len(snapshot.alerts)), max(1, rows // 9))
    if rows - meters - alerts < drums:
        alerts = 0
    if rows - meters - alerts < drums:
        meters = 0
    rules = 2 if rows >= 26 else 0
    area = rows - meters - alerts - rules
    # What does not divide among the drums goes to the alerts, so that drums look alike.
    alerts += area % drums
    area -= area % drums
    _draw_drums(canvas, (1, top, width, area), snapshot, silenced)
    y = top + area
    if rules:
        _rule(canvas, 1, y, width, "microphones")
        y += 1
    if meters:
        draw_meters(canvas, 1, y, width, meters, snapshot.mics)
        y += meters
    if rules:
        _rule(canvas, 1, y, width, "alerts")
        y += 1
    if alerts:
        place = (1, y, width, alerts)
        draw_alerts(canvas, place, snapshot, silenced, shown_above=width >= 70)


def _main_wide(
    canvas: Canvas, top: int, bottom: int, snapshot: Snapshot, silenced: Collection[AlertId]
) -> None:
    """Drums on the left; meters, alerts, outputs and, where there is room, advice on the right."""
    side = max(48, canvas.width * 2 // 5)
    x = canvas.width - side - 1
    rows = bottom - top
    _draw_drums(canvas, (1, top, x - 4, rows), snapshot, silenced)
    for row in range(rows):
        canvas.put(x - 2, top + row, "│", "quiet")
    outputs = min(len(snapshot.outputs), max(1, rows // 6))
    alert_rows = sum(len(wrap(alert.sentence, side - 13, 3) or [""]) for alert in snapshot.alerts)
    alerts = max(1, min(alert_rows, rows // 3))
    meters = max(1, min(len(snapshot.mics), rows - outputs - alerts - 3))
    y = _section(canvas, x, top, side, "microphones")
    draw_meters(canvas, x, y, side, meters, snapshot.mics)
    y = _section(canvas, x, y + meters, side, "alerts")
    draw_alerts(canvas, (x, y, side, alerts), snapshot, silenced)
    y += alerts
    if outputs:
        y = _section(canvas, x, y, side, "outputs")
        draw_outputs(canvas, x, y, side, outputs, snapshot.outputs)
        y += outputs
    changed = [change.sentence for change in snapshot.changes]
    for title, sentences in (
        ("changed since the reference", changed),
        ("expander to try", expander_lines(snapshot)),
    ):
        lines = [line for sentence in sentences for line in hanging(sentence, side, 5)]
        if not lines or bottom - y < 3:
            continue
        y = _section(canvas, x, y, side, title)
        room = bottom - y
        for line in lines[:room] if len(lines) <= room else [*lines[: room - 1], "…"]:
            canvas.put(x, y, line, "plain", width=side)
            y += 1


def hanging(sentence: str, width: int, lines: int) -> list[str]:
    """``sentence`` wrapped, every line after the first set in by two cells."""
    first = wrap(sentence, width - 2, lines)
    return [line if index == 0 else f"  {line}" for index, line in enumerate(first)]


def _section(canvas: Canvas, x: int, y: int, width: int, title: str) -> int:
    """Draw a heading and return the row below it."""
    _rule(canvas, x, y, width, title)
    return y + 1


def _draw_drums(
    canvas: Canvas,
    place: tuple[int, int, int, int],
    snapshot: Snapshot,
    silenced: Collection[AlertId],
) -> None:
    """All judged drums stacked in ``place``, in equal shares; what has no row is counted."""
    x, y, width, rows = place
    drums = judged(snapshot)
    if not drums:
        for row, line in enumerate(wrap(NO_DRUMS, width, max(1, rows))):
            canvas.put(x, y + row, line, "strong", width=width)
        return
    shown = drums[: max(1, rows)]
    each, spare = divmod(rows, len(shown))
    for index, drum in enumerate(shown):
        size = each + (1 if index < spare else 0)
        last = index == len(shown) - 1 and len(drums) > len(shown)
        if last:
            words = f"+{len(drums) - index} more drums"
            canvas.put(x, y, words, "strong", width=width)
            return
        gap = 1 if size >= 10 and index < len(shown) - 1 else 0
        draw_drum(canvas, (x, y, width, size - gap), snapshot, drum, silenced)
        y += size


def _rule(canvas: Canvas, x: int, y: int, width: int, title: str) -> None:
    """A line with a heading in it."""
    canvas.fill(x, y, width, "─", "quiet")
    canvas.put(x + 2, y, f" {title} ", "strong", width=max(0, width - 4))


# --- large ----------------------------------------------------------------------------------


def _large(canvas: Canvas, view: View) -> None:
    """The take clock and one verdict a drum, as large as the screen allows."""
    top, bottom, snapshot, silenced = view.top, view.bottom, view.snapshot, view.silenced
    width, rows = canvas.width - 2, bottom - top
    drums = judged(snapshot)
    clock_rows = max(1, rows // 4) if drums else rows
    name, clock_text, kind = take_words(snapshot)
    # A drum in trouble says so itself, as large; this is for the other microphones.
    told = {name for drum in drums for name in (drum.name, drum.own)}
    urgent = [
        alert
        for alert in standing_alerts(snapshot, silenced)
        if alert.when == "now" and not told & {alert.drum, alert.mic}
    ]
    beside = f"{clean(name)}, {kind}"
    end = _big_line(canvas, (1, top, width, clock_rows), clock_text, beside, "strong")
    if urgent:
        _big_urgent(canvas, (end, top, width + 1 - end, clock_rows), plain_name(urgent[0].key))
    top, rows = top + clock_rows, rows - clock_rows
    if not drums or rows < 1:
        return
    shown = drums[: max(1, rows // 2)]
    each, spare = divmod(rows, len(shown))
    verdicts = [verdict(snapshot, drum, silenced) for drum in shown]
    for index, (drum, found) in enumerate(zip(shown, verdicts, strict=True)):
        size = each + (1 if index < spare else 0)
        figures = drum_figures(snapshot, drum.name)
        value = number(figures.spread_db) if found.tone in ("good", "look") else ""
        words = join_fitting(
            (
                clean(drum.name).upper(),
                clean(found.why),
                trend(figures),
                level_words(snapshot, drum),
                many(figures.hits, "hit"),
            ),
            width - 4,
            "   ",
        )
        _big_verdict(canvas, (1, top, width, size), words, found, value)
        top += size


def _big_verdict(
    canvas: Canvas, place: tuple[int, int, int, int], words: str, found: Verdict, value: str
) -> None:
    """A small line of words, then the verdict large, the figure large on the right."""
    x, y, width, rows = place
    canvas.fill(x, y, width, "─", "quiet")
    canvas.put(x + 1, y, f" {words} ", "strong", width=max(0, width - 2))
    # A reversed ground would fill the gaps between the dots: large letters are told by their word.
    style = {"stop": "clip", "wait": "strong"}.get(found.tone, found.tone)
    word = clean(found.word).upper()
    both = f"{word} {value}" if value else word
    room = rows - 2 if rows > 4 else rows - 1
    scale = best_scale(both, width, room)
    if scale == 0:
        scale = best_scale(word, width, room)
        if scale == 0:
            canvas.put(x, y + 1, f"{word}  {value}".strip(), "strong", width=width)
            return
        value = ""
    down = y + 1 + (rows - 1 - big_size(both, scale)[1]) // 2
    draw_big(canvas, x, down, word, scale, style)
    if value:
        draw_big(canvas, x + width - big_size(value, scale)[0], down, value, scale, style)


def _big_line(
    canvas: Canvas, place: tuple[int, int, int, int], text: str, beside: str, style: str
) -> int:
    """Large ``text`` on the left, small ``beside`` it in a narrow column; the cell after both."""
    x, y, width, rows = place
    scale = best_scale(text, width, rows)
    if scale == 0:
        return canvas.put(x, y, fit(f"{text}  {beside}", width), style)
    end = draw_big(canvas, x, y, text, scale, style)
    lines = wrap(beside, max(0, min(14, x + width - end - 3)), rows)
    for row, line in enumerate(lines):
        canvas.put(end + 3, y + row, line, "strong")
    return min(x + width, end + 18)


def _big_urgent(canvas: Canvas, place: tuple[int, int, int, int], words: str) -> None:
    """What is wrong right now, large, at the right end of ``place``, where there is room."""
    x, y, width, rows = place
    word = clean(words).upper()
    scale = best_scale(word, width, rows)
    if scale:
        draw_big(canvas, x + width - big_size(word, scale)[0], y, word, scale, "clip")


_Draw = Callable[[Canvas, View], None]
_PAGES: Mapping[str, _Draw] = {
    "main": _main,
    "large": _large,
    "between": draw_between,
    "takes": draw_takes,
    "expander": draw_expander,
    "help": draw_help,
}
