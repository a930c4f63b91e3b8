"""Rows and columns of the benchmark of hits, as Markdown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from liveassist.model import Hit
from tests.bench import hit_scores as scores
from tests.bench.recordings import (
    Recording,
)

Row = tuple[str, str, scores.Score]


@dataclass(frozen=True)
class Heard:
    """One recording as heard with its soundcheck (``checked``) and without (``blind``)."""

    song: Recording
    check: Recording
    checked: list[Hit]
    blind: list[Hit]
    recorded: bool


def number(value: float, digits: int = 3) -> str:
    """As printed in a cell."""
    return "–" if math.isnan(value) else f"{value:.{digits}f}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a markdown table, with an empty line after it."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return [*lines, *("| " + " | ".join(row) + " |" for row in rows), ""]


def mean_row(name: str, rows: Sequence[Row]) -> Row:
    """Mean over the rows, figure by figure, where there is one."""
    means = []
    for field in fields(scores.Score):
        values = [getattr(row[2], field.name) for row in rows]
        known = [value for value in values if not math.isnan(value)]
        means.append(float(np.mean(known)) if known else scores.NAN)
    return name, "", scores.Score(*means)


def score_table(
    rows: Sequence[Row], more_head: Sequence[str], more: Mapping[str, Sequence[str]]
) -> list[str]:
    """Worst F first, then the mean."""
    head = [
        "recording",
        "F",
        "precision",
        "recall",
        "ghost recall",
        "time, ms: median / p95",
        "level, dB: median / p95",
        *more_head,
    ]
    ordered = [*sorted(rows, key=lambda row: row[2].f), mean_row("**mean**", rows)]
    cells = []
    for row in ordered:
        s = row[2]
        cells.append(
            [
                row[0],
                number(s.f),
                number(s.precision),
                number(s.recall),
                number(s.ghost_recall, 2),
                f"{number(s.time_median_ms, 2)} / {number(s.time_p95_ms, 2)}",
                f"{number(s.level_median_db, 2)} / {number(s.level_p95_db, 2)}",
                *more[row[0]],
            ]
        )
    return table(head, cells)


def _mean(values: Iterable[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return float(np.mean(known)) if known else scores.NAN


def _of(cells: Mapping[str, Sequence[str]], row: Row) -> Sequence[str]:
    """Further cells of a row, by the name of its recording."""
    return cells[row[0]]
