"""A comparison as one HTML page: what differs, the order of the wishes, decays and spectra."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from liveassist.model import FloatArray
from liveassist.output.compare_words import (
    EAR,
    RowLike,
    StandingLike,
    difference_words,
    ranking_lines,
    side_words,
)
from liveassist.output.report_page import bullets, page, paragraph, section, small_plot, table
from liveassist.output.report_svg import SERIES, Draw

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LINES = ("-", "--", "-.", ":")


@dataclass(frozen=True, slots=True)
class Curves:
    """``decay_db`` over ``time_s`` under each hit's peak; ``share_db`` of the power over
    ``frequency_hz`` in sixths of an octave. NaN where nothing is known."""

    time_s: FloatArray
    decay_db: FloatArray
    frequency_hz: FloatArray
    share_db: FloatArray


def comparison_page(
    drum: str,
    names: Sequence[str],
    rows: Sequence[RowLike],
    standings: Sequence[StandingLike],
    curves: Sequence[Curves],
) -> str:
    """The text of the page."""
    title = f"{drum}: {' and '.join(names)} side by side"
    body = f"<main>{_heading(title)}"
    body += paragraph(
        f"Every measure at matched level, with its 95 % interval, against {names[0]}. {EAR}", "sub"
    )
    if standings:
        lines = ranking_lines(names, standings)
        body += section("wishes", "By what you want", bullets(lines[1:] or lines))
    body += section("picture", "Decay and spectrum", _pictures(names, curves))
    body += section("measures", "Measures", _table(names, rows))
    return page(title, body + "</main>")


def _heading(title: str) -> str:
    from liveassist.output.report_svg import escape

    return f"<h1>{escape(title)}</h1>"


def _table(names: Sequence[str], rows: Sequence[RowLike]) -> str:
    heads = ["Measure", *names]
    heads += [f"{name} against {names[0]}" for name in names[1:]]
    heads.append("More than chance?")
    lines = []
    for row in rows:
        real = [
            name
            for name, one in zip(names, row.differences, strict=True)
            if one is not None and one.real
        ]
        lines.append(
            [
                row.measure.title,
                *(side_words(row, number) for number in range(len(row.sides))),
                *(difference_words(row, one) or "–" for one in row.differences[1:]),
                f"yes: {', '.join(real)}" if real else "no",
            ]
        )
    return table("Side by side", heads, lines)


def _pictures(names: Sequence[str], curves: Sequence[Curves]) -> str:
    left = small_plot(
        _decays(names, curves),
        "decays",
        "Decay of the main hits",
        "Median level of 5 ms spans under each hit's own loudest span; drawn while at least five "
        f"hits ring alone. {_slowest(names, curves)}",
    )
    right = small_plot(
        _spectra(names, curves),
        "spectra",
        "Spectrum of the main hits",
        f"Share of the first 80 ms' power by sixths of an octave. {_loudest(names, curves)}",
    )
    return f'<div class="pair">{left}{right}</div>'


def _decays(names: Sequence[str], curves: Sequence[Curves]) -> Draw:
    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for number, (name, one) in enumerate(zip(names, curves, strict=True)):
            axes.plot(
                1000.0 * one.time_s[: len(one.decay_db)], one.decay_db, label=name, **_look(number)
            )
        axes.set_xlabel("time after the stroke, ms")
        axes.set_ylabel("level under the peak, dB")
        axes.set_ylim(-60.0, 3.0)
        figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=8)

    return draw


def _spectra(names: Sequence[str], curves: Sequence[Curves]) -> Draw:
    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for number, (name, one) in enumerate(zip(names, curves, strict=True)):
            axes.plot(one.frequency_hz, one.share_db, label=name, **_look(number))
        axes.set_xscale("log")
        axes.set_xticks([50, 100, 200, 500, 1000, 2000, 5000, 10000])
        axes.set_xticklabels(["50", "100", "200", "500", "1k", "2k", "5k", "10k"])
        axes.minorticks_off()
        axes.set_ylim(-50.0, 0.0)
        axes.set_xlabel("frequency, Hz")
        axes.set_ylabel("share of power, dB")
        figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=8)

    return draw


def _look(number: int) -> dict[str, Any]:
    return {"color": SERIES[number % len(SERIES)][0], "linestyle": _LINES[number % len(_LINES)]}


def _slowest(names: Sequence[str], curves: Sequence[Curves]) -> str:
    """How long each takes to fall by 20 dB."""
    said = []
    for name, one in zip(names, curves, strict=True):
        down = np.flatnonzero(one.decay_db <= -20.0)
        if down.size:
            said.append(f"{name} {1000.0 * one.time_s[down[0]]:.0f} ms")
    return f"Down by 20 dB after: {', '.join(said)}." if said else ""


def _loudest(names: Sequence[str], curves: Sequence[Curves]) -> str:
    said = [
        f"{name} {one.frequency_hz[int(np.nanargmax(one.share_db))]:.0f} Hz"
        for name, one in zip(names, curves, strict=True)
        if np.isfinite(one.share_db).any()
    ]
    return f"Strongest about: {', '.join(said)}." if said else ""
