"""The report's map of takes on bars: level, timing, weak and missing hits, faults; punch-ins."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from liveassist.output.bars import LEAST_HOLD, BarCell, TakeMap, choice_lines, session_maps
from liveassist.output.clickgrid import ClickGrid
from liveassist.output.grid import SongGrid
from liveassist.output.punchins import punch_lines
from liveassist.output.report_page import bullets, paragraph, plot, section, table
from liveassist.output.report_svg import Draw, signed
from liveassist.output.stored import StoredSession
from liveassist.output.timemaps import SPAN_S, time_maps, time_sentences

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Largest deviation of level and of time that the colours tell apart, dB and ms.
LEVEL_DB, TIMING_MS = 3.0, 30.0
#: Letters are drawn where a bar is at least so wide, inches; the sentences have them all.
LEAST_CELL_IN = 0.1
#: White ground behind a letter, so that it is read on dark and light alike.
_PAPER = {"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"}


def kick_names(session: StoredSession) -> list[str]:
    """Names of the kick drums."""
    if session.kit is None:
        return [name for name in session.summary["drums"] if "kick" in name.casefold()]
    return [drum.name for drum in session.kit.drums if drum.kind == "kick"]


def bars_section(session: StoredSession, drums: Sequence[str]) -> str:
    """The part of the page; how to get one, where no tempo is known."""
    songs = session_maps(session, drums, kick_names(session))
    grids = {one.take.name: one.grid for song in songs for one in song}
    body = "".join(_song(session, number, song) for number, song in enumerate(songs))
    timed = time_maps(session, drums, grids)
    if timed:
        body += plot(
            time_map(timed),
            "bars-time",
            "Takes over time, level by span",
            f"Spans of {SPAN_S:g} s from the beginning of each take, where no tempo is known: how "
            "far their main hits lie over or under their drums' medians in that take. Letters: w a "
            "weak hit, ! a fault. The sentences below say the same.",
        )
        body += bullets(time_sentences(timed) or ["No span stands out."])
    rows = timing_rows(session, drums)
    if rows:
        body += table(
            "Timing against the click",
            ("Take", "Drum", "Main hits", "Late (+) or early (−)", "Scatter", "95 % interval"),
            rows,
        )
        body += paragraph(
            "Against the nearest sixteenth of the click channel or, where one was heard, of the "
            "recorder's MIDI clock. A steady lateness may be the way of the sound; the scatter is "
            "the drummer's."
        )
    punched = punch_lines(session, drums, grids)
    if punched:
        body += "<h3>Punch-ins</h3>" + bullets([line.strip() for line in punched])
    if not songs:
        body = (
            paragraph(
                "No tempo is known. Give it with: liveassist takes SESSION --tempo BPM, and every "
                "bar of every take is laid out here."
            )
            + body
        )
    return section("bars", "Takes on bars" if songs else "Takes over time", body)


def timing_rows(session: StoredSession, drums: Sequence[str]) -> list[tuple[str, ...]]:
    """A row a take and drum: how its main hits lie on the clock or the metronome; or why not."""
    rows: list[tuple[str, ...]] = []
    for take in session.takes:
        for drum in drums:
            found = session.timing.get(take.name, {}).get(drum)
            if found is None:
                continue
            if found.offset_ms is None or found.spread_ci is None:
                rows.append((take.name, drum, str(found.hits), found.reason or "", "", ""))
                continue
            low, high = found.spread_ci
            rows.append(
                (
                    take.name, drum, str(found.hits), f"{signed(found.offset_ms, 1)} ms",
                    f"{found.spread_ms:.1f} ms", f"{low:.1f} to {high:.1f} ms",
                )
            )  # fmt: skip
    return rows


def _song(session: StoredSession, number: int, maps: Sequence[TakeMap]) -> str:
    name = session.songs.get(maps[0].take.name, "")
    title = f"{name}, bar by bar" if name else "Bar by bar"
    loose = [one.take.name for one in maps if one.grid.hold < LEAST_HOLD]
    words = (
        f"At {maps[0].grid.tempo_bpm:g} beats a minute{_source(maps[0])}. Above, "
        "how far the main hits of a bar lie over or under their drums' medians in that take; "
        "below, how far from the grid in time. "
        "Letters: w a weak hit, m a hit missing that most other takes have, t loose in time, "
        "! a fault. The sentences below say the same."
    )
    body = plot(bar_map(maps), f"bars-{number}", title, words)
    said = choice_lines(maps, most=40)
    body += bullets(said or ["No bar stands out."])
    if loose:
        body += paragraph(
            f"{', '.join(loose)}: the hits do not keep to this tempo, so its bars mean little."
        )
    return body


def _source(one: TakeMap) -> str:
    """What told the beats, where it was not the user."""
    if isinstance(one.grid, ClickGrid):
        return ", by the click"
    return ", by the recorder's clock" if isinstance(one.grid, SongGrid) else ""


def bar_map(maps: Sequence[TakeMap]) -> Draw:
    """Two maps, takes by bars: level against the take, and distance from the grid."""
    bars = max(one.last_bar for one in maps)
    level = _grid(maps, bars, lambda cell: cell.level_db)
    timing = _grid(maps, bars, lambda cell: cell.timing_ms)

    def draw(figure: Figure) -> None:
        from matplotlib.ticker import MaxNLocator

        upper, lower = figure.subplots(2, 1, sharex=True)
        cell_in = figure.get_size_inches()[0] * 0.75 / max(1, bars)
        for axes, values, low, high, colours, label in (
            (upper, level, -LEVEL_DB, LEVEL_DB, "PuOr", "level, dB"),
            (lower, timing, 0.0, TIMING_MS, "cividis_r", "off the grid, ms"),
        ):
            axes.grid(False)
            picture = axes.imshow(
                np.ma.masked_invalid(values),
                cmap=colours,
                vmin=low,
                vmax=high,
                aspect="auto",
                extent=(0.5, bars + 0.5, len(maps) - 0.5, -0.5),
            )
            axes.set_yticks(range(len(maps)), [one.take.name for one in maps])
            axes.tick_params(length=0)
            bar = figure.colorbar(picture, ax=axes, pad=0.02, fraction=0.05)
            bar.set_label(label)
        if cell_in >= LEAST_CELL_IN:
            for row, one in enumerate(maps):
                for cell in one.cells:
                    if cell.sign not in (".", " "):
                        upper.text(cell.bar, row, cell.sign, ha="center", va="center", bbox=_PAPER)
        lower.set_xlabel("bar")
        lower.xaxis.set_major_locator(MaxNLocator(integer=True))

    return draw


def time_map(maps: Sequence[TakeMap]) -> Draw:
    """One map, takes by spans of time: level against the take."""
    spans = max(one.last_bar for one in maps)
    level = _grid(maps, spans, lambda cell: cell.level_db)

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.grid(False)
        picture = axes.imshow(
            np.ma.masked_invalid(level),
            cmap="PuOr",
            vmin=-LEVEL_DB,
            vmax=LEVEL_DB,
            aspect="auto",
            extent=(0.0, spans * SPAN_S, len(maps) - 0.5, -0.5),
        )
        if figure.get_size_inches()[0] * 0.75 / spans >= LEAST_CELL_IN:
            for row, one in enumerate(maps):
                for cell in one.cells:
                    if cell.sign not in (".", " "):
                        middle = (cell.bar - 0.5) * SPAN_S
                        axes.text(middle, row, cell.sign, ha="center", va="center", bbox=_PAPER)
        axes.set_yticks(range(len(maps)), [one.take.name for one in maps])
        axes.tick_params(length=0)
        axes.set_xlabel("time in the take, s")
        figure.colorbar(picture, ax=axes, pad=0.02, fraction=0.05).set_label("level, dB")

    return draw


def _grid(
    maps: Sequence[TakeMap], bars: int, value: Callable[[BarCell], float | None]
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Values by take (rows) and bar (columns); NaN where there is none."""
    table = np.full((len(maps), max(1, bars)), np.nan)
    for row, one in enumerate(maps):
        for cell in one.cells:
            known = value(cell)
            if known is not None and 1 <= cell.bar <= bars:
                table[row, cell.bar - 1] = known
    return table
