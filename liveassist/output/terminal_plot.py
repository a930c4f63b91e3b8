"""The picture of one drum: recent hits as a strip, their histogram, threshold and bleed.

All of it shares one level axis, so that a line drawn across says which hits a gate at that level
would pass. Each hit is one upright stroke, the newest on the right; its shape and the letter
beneath tell its role, so that colour only repeats what is already there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from liveassist.model import Hit
from liveassist.output.terminal_canvas import Canvas
from liveassist.output.terminal_words import many, number

UPPER, LOWER, FULL = "▀", "▄", "█"
EIGHTHS = " ▁▂▃▄▅▆▇█"
AXIS_CELLS = 5
#: From this width on there is a gap between strokes.
SPACED_CELLS = 50
#: Cells between strip and histogram.
GRAPH_GAP = 2

#: Role -> (letter beneath the stroke, body of the stroke, its upper half end, style).
#: An end of None means that the end is drawn in eighths.
ROLE_MARKS: dict[str, tuple[str, str, str | None, str]] = {
    "main": ("·", FULL, None, "main"),
    "weak": ("w", FULL, None, "weak"),
    "ghost": ("g", "│", "╷", "ghost"),
    "rim_click": ("r", "┆", "┆", "other"),
    "flam": ("f", "║", "║", "main"),
    "unsure": ("?", "┊", "┊", "quiet"),
}
CLIPPED_MARK = "C"


@dataclass(frozen=True, slots=True)
class Axis:
    """Levels from ``low_dbfs`` at the foot to ``high_dbfs`` at the top over ``rows`` rows."""

    low_dbfs: float
    high_dbfs: float
    rows: int

    def share(self, level_dbfs: float) -> float:
        """Where a level lies, 0 at the foot to 1 at the top; outside it is held at the end."""
        if not math.isfinite(level_dbfs):
            return 0.0
        span = self.high_dbfs - self.low_dbfs
        return min(1.0, max(0.0, (level_dbfs - self.low_dbfs) / span))

    def row(self, level_dbfs: float) -> int:
        """The row, 0 at the top, that holds a level."""
        return self.rows - 1 - min(self.rows - 1, int(self.share(level_dbfs) * self.rows))

    def line(self, level_dbfs: float) -> tuple[int, str]:
        """Row and character of a line at a level, to a third of a row."""
        exact = self.share(level_dbfs) * self.rows
        row = min(self.rows - 1, int(exact))
        third = min(2, int((exact - row) * 3))
        return self.rows - 1 - row, "▁─▔"[third]


def hit_level(hit: Hit) -> float | None:
    """The level a hit is drawn at: alone where that is known, else as heard."""
    value = hit.peak_dbfs if hit.peak_dbfs is not None else hit.heard_peak_dbfs
    return value if value is not None and math.isfinite(value) else None


def drawable(hits: Sequence[Hit]) -> list[Hit]:
    """The hits that stand, withdrawn ones left out."""
    return [hit for hit in hits if hit.stage != "withdrawn" and hit_level(hit) is not None]


def axis_for(levels: Sequence[float], marks: Sequence[float | None], rows: int) -> Axis:
    """An axis that holds all levels and marks, with edges on whole steps of 6 dB.

    Steps keep the picture still while hits come and go; at least 24 dB are shown, at most 72.
    """
    values = [v for v in (*levels, *marks) if v is not None and math.isfinite(v)]
    values = [min(12.0, max(-120.0, v)) for v in values] or [-30.0, -6.0]
    high = math.ceil((max(values) + 0.5) / 6.0) * 6.0
    if max(values) <= 0.0:
        high = min(0.0, high)
    low = math.floor((min(values) - 1.0) / 6.0) * 6.0
    return Axis(max(min(low, high - 24.0), high - 72.0), high, max(1, rows))


@dataclass(frozen=True, slots=True)
class Lines:
    """The levels drawn across a picture; None where there is nothing to draw."""

    threshold_dbfs: float | None = None
    bleed_dbfs: float | None = None
    median_dbfs: float | None = None
    bleed_source: str = ""

    def labels(self) -> list[tuple[float, str, str]]:
        """(level, words, style) of each line that is there."""
        rows = (
            (self.threshold_dbfs, "threshold", "threshold"),
            (self.median_dbfs, "main hits", "strong"),
            (self.bleed_dbfs, f"bleed {self.bleed_source}".strip(), "bleed"),
        )
        return [
            (value, f"{number(value)} {words}", style)
            for value, words, style in rows
            if value is not None and math.isfinite(value)
        ]


def draw_drum_plot(
    canvas: Canvas, x: int, y: int, width: int, rows: int, hits: Sequence[Hit], lines: Lines
) -> None:
    """Draw strip, histogram and labels into ``width`` by ``rows`` cells (``rows`` at least 2).

    The last row carries the role letters. Histogram and labels go first where it gets narrow.
    """
    hits = drawable(hits)
    levels = [value for hit in hits if (value := hit_level(hit)) is not None]
    if not levels and not lines.labels():
        return
    axis = axis_for(levels, (lines.threshold_dbfs, lines.bleed_dbfs), rows - 1)
    label_width = 18 if width >= 56 else 0
    graph_width = max(8, min(24, width // 7)) if width >= 44 else 0
    strip_x = x + AXIS_CELLS
    strip_width = width - AXIS_CELLS - label_width - (graph_width + GRAPH_GAP if graph_width else 0)
    if strip_width < 4:
        return
    graph_x = strip_x + strip_width + GRAPH_GAP
    line_width = strip_width + (graph_width + GRAPH_GAP if graph_width else 0)
    _draw_axis(canvas, x, y, axis)
    _draw_lines(canvas, strip_x, y, line_width, axis, lines)
    _draw_strip(canvas, strip_x, y, strip_width, axis, hits)
    if graph_width:
        _draw_histogram(canvas, graph_x, y, graph_width, axis, levels)
        words = many(len(levels), "hit") if levels else ""
        canvas.put(graph_x, y + axis.rows, words, "quiet", width=graph_width)
    _cut_threshold(canvas, strip_x, y, line_width, axis, lines)
    if label_width:
        _draw_labels(canvas, x + width - label_width + 1, y, label_width - 1, axis, lines)


def _draw_axis(canvas: Canvas, x: int, y: int, axis: Axis) -> None:
    canvas.put(x, y, number(axis.high_dbfs, 0), "quiet", width=4, align="right")
    if axis.rows > 1:
        canvas.put(x, y + axis.rows - 1, number(axis.low_dbfs, 0), "quiet", width=4, align="right")


def _draw_lines(canvas: Canvas, x: int, y: int, width: int, axis: Axis, lines: Lines) -> None:
    if lines.bleed_dbfs is not None and math.isfinite(lines.bleed_dbfs):
        canvas.fill(x, y + axis.row(lines.bleed_dbfs), width, "┄", "bleed")
    if lines.threshold_dbfs is not None and math.isfinite(lines.threshold_dbfs):
        row, char = axis.line(lines.threshold_dbfs)
        canvas.fill(x, y + row, width, char, "threshold")


def _cut_threshold(canvas: Canvas, x: int, y: int, width: int, axis: Axis, lines: Lines) -> None:
    """Let the threshold show through full strokes, as a gap in the line's place."""
    if lines.threshold_dbfs is None or not math.isfinite(lines.threshold_dbfs):
        return
    row, char = axis.line(lines.threshold_dbfs)
    for column in range(x, x + width):
        if canvas.char(column, y + row) == FULL:
            canvas.put(column, y + row, char, "cut")


def _draw_strip(
    canvas: Canvas, x: int, y: int, width: int, axis: Axis, hits: Sequence[Hit]
) -> None:
    pitch = 2 if width >= SPACED_CELLS else 1
    shown = hits[-(width // pitch) :]
    left = x + width - pitch * len(shown)
    for index, hit in enumerate(shown):
        column = left + index * pitch
        letter, body, end, style = ROLE_MARKS.get(hit.role, ROLE_MARKS["unsure"])
        if "clipped" in hit.flags:
            letter, style = CLIPPED_MARK, "clip"
        height = axis.share(hit_level(hit) or 0.0) * axis.rows
        _draw_stroke(canvas, column, y, axis.rows, height, (body, end, style))
        canvas.put(column, y + axis.rows, letter, style if letter != "·" else "quiet")


def _draw_stroke(
    canvas: Canvas, x: int, y: int, rows: int, height: float, mark: tuple[str, str | None, str]
) -> None:
    """One upright stroke ``height`` rows high, its end to an eighth or half of a row."""
    body, end, style = mark
    eighths = max(1, round(height * 8))
    whole, rest = divmod(eighths, 8)
    for step in range(whole):
        canvas.put(x, y + rows - 1 - step, body, style)
    if rest and whole < rows:
        if end is None:
            canvas.put(x, y + rows - 1 - whole, EIGHTHS[rest], style)
        elif rest >= 3 or whole == 0:
            canvas.put(x, y + rows - 1 - whole, end, style)


def histogram(levels: Sequence[float], axis: Axis) -> list[int]:
    """How many levels fall into each half row, the top half row first."""
    bins = [0] * (2 * axis.rows)
    for value in levels:
        index = min(len(bins) - 1, int(axis.share(value) * len(bins)))
        bins[len(bins) - 1 - index] += 1
    return bins


def _draw_histogram(
    canvas: Canvas, x: int, y: int, width: int, axis: Axis, levels: Sequence[float]
) -> None:
    bins = histogram(levels, axis)
    largest = max(bins, default=0)
    if largest == 0:
        return
    lengths = [math.ceil(width * n / largest) for n in bins]
    for row in range(axis.rows):
        upper, lower = lengths[2 * row], lengths[2 * row + 1]
        both = min(upper, lower)
        canvas.fill(x, y + row, both, FULL, "main")
        longer = UPPER if upper > lower else LOWER
        canvas.fill(x + both, y + row, max(upper, lower) - both, longer, "main")


def _draw_labels(canvas: Canvas, x: int, y: int, width: int, axis: Axis, lines: Lines) -> None:
    """Name each line beside it; where two would share a row the lower level moves down."""
    labels = sorted(lines.labels(), key=lambda label: -label[0])
    wanted = [axis.row(value) for value, _, _ in labels]
    rows = spread_rows(wanted, axis.rows)
    for (_, words, style), row in zip(labels, rows, strict=False):
        canvas.put(x, y + row, words, style, width=width)


def spread_rows(wanted: Sequence[int], rows: int) -> list[int]:
    """Ascending rows moved as little as needed for no two to be equal; what does not fit is cut."""
    placed: list[int] = []
    for row in wanted[:rows]:
        placed.append(max(row, placed[-1] + 1) if placed else row)
    limit = rows - 1
    for index in range(len(placed) - 1, -1, -1):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - 1
    return placed
