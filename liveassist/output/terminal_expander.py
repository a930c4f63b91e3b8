"""The page of the dashboard to choose expander settings by.

For each microphone one level axis from soft (left) to loud. Above it how many main hits, ghosts and
foreign hits the detector saw at each level and the gain that the settings give there, below it what
a threshold at that place would do: main hits passed, openings by bleed. The suggested threshold is
drawn down through all of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from liveassist.model import ExpanderPicture, ExpanderRate, Snapshot, Suggestion
from liveassist.output.terminal_canvas import wrap
from liveassist.output.terminal_plot import EIGHTHS
from liveassist.output.terminal_words import many, number, suggestion_line

#: Cells before the axis and after it, and the fewest an axis is drawn in.
NAME_CELLS, FIGURE_CELLS, LEAST_CELLS = 9, 16, 16
#: Levels the axis spans at most, dB.
MOST_DB = 60.0

#: A line of a page: cells it is set in by, words, style.
Line = tuple[int, str, str]


def expander_rows(snapshot: Snapshot, width: int) -> list[Line]:
    """The page, line by line, for lines of ``width`` cells."""
    rows: list[Line] = []
    for mic, suggestion in snapshot.expander.items():
        picture = snapshot.expander_picture.get(mic)
        if suggestion is None:
            why = snapshot.expander_reason.get(mic, "not enough heard yet")
            rows += [(1, line, "quiet") for line in wrap(f"{mic}: none, {why}", width, 3)]
            continue
        rows += [
            (1, line, "strong") for line in wrap(f"{mic}: {suggestion_line(suggestion)}", width, 3)
        ]
        wrong = snapshot.expander_wrong.get(mic)
        if wrong is not None:
            rows += [(3, line, "look") for line in wrap(f"no longer right: {wrong}", width - 2, 3)]
        if picture is not None and width >= NAME_CELLS + FIGURE_CELLS + LEAST_CELLS:
            rows += [(2, line, "plain") for line in picture_lines(picture, suggestion, width - 1)]
    return rows or [(1, "There is no microphone that an expander may be suggested for.", "quiet")]


def picture_lines(picture: ExpanderPicture, s: Suggestion, width: int) -> list[str]:
    """The picture of one microphone, seven lines of at most ``width`` cells."""
    cells = width - NAME_CELLS - FIGURE_CELLS
    low, high = _span(picture, s)
    levels = [low + (high - low) * (cell + 0.5) / cells for cell in range(cells)]
    mark = min(cells - 1, max(0, int((s.threshold_dbfs - low) / (high - low) * cells)))
    lines = []
    for name, counts in (
        ("main", picture.main),
        ("ghosts", picture.ghost),
        ("bleed", picture.bleed),
    ):
        heights = [_density(picture.edges_dbfs, counts, level) for level in levels]
        lines.append(_line(name, _bars(heights), many(sum(counts), "hit"), mark))
    gains = [1.0 + _gain_db(level, s) / max(s.range_db, 1e-9) for level in levels]
    figure = f"down by {number(s.range_db, 0)} dB"
    lines.append(_line("gain", "".join(EIGHTHS[1 + round(7 * g)] for g in gains), figure, mark))
    near = min(picture.rates, key=lambda r: abs(r.threshold_dbfs - s.threshold_dbfs), default=None)
    if near is not None:
        lines += _rate_lines(picture.rates, near, levels, mark)
    lines.append(_axis(low, high, cells))
    return lines


def _rate_lines(
    rates: Sequence[ExpanderRate], near: ExpanderRate, levels: list[float], mark: int
) -> list[str]:
    """What a threshold at each place would do, and in figures what the one drawn does."""
    most = max([rate.openings_per_min for rate in rates] + [6.0])
    passed = [_at(rates, level, lambda rate: rate.main_passed) for level in levels]
    opened = [_at(rates, level, lambda rate: rate.openings_per_min / most) for level in levels]
    share = "–" if near.main_passed is None else f"{number(100.0 * near.main_passed, 0)} % pass"
    return [
        _line("passed", _bars(passed), share, mark),
        _line("opened", _bars(opened), f"{number(near.openings_per_min)} a minute", mark),
    ]


def _span(picture: ExpanderPicture, s: Suggestion) -> tuple[float, float]:
    """The levels worth showing: from the softest that counts to full scale."""
    full = s.threshold_dbfs - s.range_db / max(s.ratio - 1.0, 0.1) - s.knee_db
    starts = [
        edge
        for counts in (picture.main, picture.ghost, picture.bleed)
        for edge, count in zip(picture.edges_dbfs, counts, strict=False)
        if count
    ]
    low = min([*starts, full, s.threshold_dbfs - 6.0])
    high = max(0.0, s.threshold_dbfs + 6.0)
    return max(6.0 * math.floor(low / 6.0), high - MOST_DB), high


def _density(edges: Sequence[float], counts: Sequence[int], level: float) -> float:
    """How many lie at ``level``, as a share of the fullest place."""
    most = max([*counts, 1])
    for number_, count in enumerate(counts):
        if edges[number_] <= level < edges[number_ + 1]:
            return count / most
    return 0.0


def _at(
    rates: Sequence[ExpanderRate], level: float, what: Callable[[ExpanderRate], float | None]
) -> float:
    """The rate nearest to ``level``, 0 to 1; outside what was tried, that at the end."""
    near = min(rates, key=lambda rate: abs(rate.threshold_dbfs - level))
    value = what(near)
    return 0.0 if value is None else value


def _bars(shares: Sequence[float]) -> str:
    """A row of bars; whatever is not nothing shows."""
    return "".join(
        EIGHTHS[0 if share <= 0.0 else max(1, min(8, round(8 * share)))] for share in shares
    )


def _gain_db(level: float, s: Suggestion) -> float:
    """Gain of the closed expander at a steady level: the curve of the advice, as drawn."""
    below = level - s.threshold_dbfs
    half = s.knee_db / 2.0
    if below >= half:
        gain = 0.0
    elif below > -half:
        gain = (1.0 - s.ratio) * (below - half) ** 2 / (2.0 * s.knee_db)
    else:
        gain = (s.ratio - 1.0) * below
    return max(gain, -s.range_db)


def _line(name: str, row: str, figure: str, mark: int) -> str:
    """Name, row with the threshold drawn through it, and what it says in figures."""
    drawn = row[:mark] + "│" + row[mark + 1 :]
    return f"{name:<{NAME_CELLS}}{drawn} {figure}"


def _axis(low: float, high: float, cells: int) -> str:
    """Levels under the picture, at most one for every eight cells."""
    words = [" "] * cells
    step = 6.0 * max(1, math.ceil(8.0 * (high - low) / cells / 6.0))
    level = low
    while level <= high + 1e-9:
        text = number(level, 0)
        at = min(cells - len(text), int((level - low) / (high - low) * cells))
        if all(char == " " for char in words[max(0, at - 1) : at + len(text) + 1]):
            words[at : at + len(text)] = text
        level += step
    return " " * NAME_CELLS + "".join(words) + " dBFS"
