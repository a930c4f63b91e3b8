"""The plots of a session report: what each draws on a figure (see `report_svg`).

Every kind of hit has a colour and a mark of its own, so that a page printed in grey can be read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from liveassist.output.report_svg import (
    BAND,
    BLUE,
    GREEN,
    GREY,
    SERIES,
    SKY,
    VERMILION,
    Draw,
    clock,
    signed,
)
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession, StoredTake

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Colour, mark and word of each role; every other role is drawn as the last.
ROLES: Mapping[str, tuple[str, str, str]] = {
    "main": (BLUE, "o", "main"),
    "ghost": (GREEN, "v", "ghost"),
    "weak": (VERMILION, "D", "weak"),
    "": (GREY, "x", "other"),
}
#: More marks than these are drawn as one picture: ten thousand marks make a page slow.
MOST_MARKS = 1500
#: More takes than these are named by number under a plot.
MOST_NAMES = 8
# --- one drum ---------------------------------------------------------------------------------


def level_over_time(session: StoredSession, drum: str) -> Draw:
    """Level of every hit over the session, takes shaded, the median of each take as a line."""
    hits = [hit for hit in session.of(drum) if hit.peak_dbfs is not None]

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        _takes(axes, session)
        for role, chosen in _by_role(hits).items():
            colour, mark, word = ROLES[role]
            axes.scatter(
                [hit.time_s for hit in chosen],
                [hit.peak_dbfs or 0.0 for hit in chosen],
                s=14 if mark != "D" else 24,
                marker=mark,
                color=colour,
                label=f"{word} ({len(chosen)})",
                linewidths=0.8 if mark == "x" else 0.0,
                rasterized=len(hits) > MOST_MARKS,
                zorder=4 if role == "weak" else 3,
            )
        for take in session.takes:
            median = take.main(drum, "median_dbfs")
            if median is not None:
                axes.hlines(median, take.start_s, take.end_s, color="black", lw=1.2, zorder=5)
        axes.plot([], [], color="black", lw=1.2, label="median of a take")
        _time_axis(axes, session.duration_s)
        axes.set_ylabel("level, dBFS")
        _legend(figure, axes)

    return draw


def histogram(session: StoredSession, drum: str) -> Draw:
    """Levels as the microphone heard them, with the threshold to try where it compares."""
    hits = [hit for hit in session.of(drum) if hit.heard_peak_dbfs is not None]
    found = session.summary["expander"].get(session.own_mic(drum) or "")
    worst = loudest_bleed_dbfs(session, drum)

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        levels = [hit.heard_peak_dbfs or 0.0 for hit in hits]
        low, high = np.floor(min(levels, default=-40.0)), max(0.0, max(levels, default=0.0))
        bins = np.arange(low, np.ceil(high) + 1.0, 1.0).tolist()
        groups = _by_role(hits)
        axes.hist(
            [[hit.heard_peak_dbfs or 0.0 for hit in groups[role]] for role in groups],
            bins=bins,
            stacked=True,
            color=[ROLES[role][0] for role in groups],
            label=[ROLES[role][2] for role in groups],
            edgecolor="white",
            linewidth=0.3,
        )
        if found is not None and found["key_highpass_hz"] is None is found["key_lowpass_hz"]:
            threshold = found["threshold_dbfs"]
            axes.axvline(threshold, color="black", ls="--", lw=1.4, label="threshold to try")
        if worst is not None:
            axes.axvline(worst, color=VERMILION, ls=":", lw=1.6, label="loudest bleed (95 %)")
        axes.set_xlabel("heard level, dBFS")
        axes.set_ylabel("hits a dB")
        _legend(figure, axes)

    return draw


def loudest_bleed_dbfs(session: StoredSession, drum: str) -> float | None:
    """95th percentile of the worst source's level in the drum's own microphone, dBFS."""
    margin = session.summary["bleed_margin_db"].get(session.own_mic(drum) or "", {})
    low = session.summary["drums"][drum]["main"]["p10_dbfs"]
    if low is None or margin.get("full_band") is None:
        return None
    return float(low) - float(margin["full_band"])


def note_and_ring(session: StoredSession, drum: str, reference: str | None) -> Draw:
    """Note and ring over the session, with the band of the reference take."""
    hits = session.of(drum, roles=MAIN_ROLES)

    def draw(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True)
        for axes, figure_of, unit in ((upper, _note, "note, Hz"), (lower, _ring, "ring (T60), s")):
            _one_tone(axes, session, hits, figure_of, reference)
            axes.set_ylabel(unit)
        _time_axis(lower, session.duration_s)
        _legend(figure, upper)

    return draw


def _one_tone(
    axes: Axes,
    session: StoredSession,
    hits: Sequence[StoredHit],
    figure_of: Callable[[StoredHit], float | None],
    reference: str | None,
) -> None:
    known = [(hit.time_s, value) for hit in hits if (value := figure_of(hit)) is not None]
    band = reference_band(session, hits, figure_of, reference)
    if band is not None:
        axes.axhspan(*band, color=SKY, alpha=0.35, lw=0, label="reference take, middle 80 %")
    _takes(axes, session, names=False)
    axes.scatter(
        [time for time, _ in known],
        [value for _, value in known],
        s=9,
        color=GREY,
        linewidths=0,
        rasterized=len(known) > MOST_MARKS,
        label="each main hit",
    )
    for take in session.takes:
        inside = [value for time, value in known if take.start_s <= time <= take.end_s]
        if len(inside) >= 3:
            middle = float(np.median(inside))
            axes.hlines(middle, take.start_s, take.end_s, color=VERMILION, lw=2.2, zorder=4)
    axes.plot([], [], color=VERMILION, lw=2.2, label="median of a take")
    if len(known) >= 8:
        # One stray reading must not squeeze everything else into a line.
        values = np.array([value for _, value in known])
        low, high = np.quantile(values, [0.1, 0.9])
        pad = max(0.8 * (high - low), 0.015 * abs(high))
        axes.set_ylim(float(low - pad), float(high + pad))


def reference_band(
    session: StoredSession,
    hits: Sequence[StoredHit],
    figure_of: Callable[[StoredHit], float | None],
    reference: str | None,
) -> tuple[float, float] | None:
    """10th and 90th percentile of the reference take's hits; None below eight of them."""
    take = next((take for take in session.takes if take.name == reference), None)
    if take is None:
        return None
    inside = [hit for hit in hits if take.start_s <= hit.time_s <= take.end_s]
    values = [value for hit in inside if (value := figure_of(hit)) is not None]
    if len(values) < 8:
        return None
    low, high = np.quantile(values, [0.1, 0.9])
    return float(low), float(high)


# --- the whole kit ----------------------------------------------------------------------------


def evenness(session: StoredSession, drums: Sequence[str]) -> Draw:
    """Spread of each drum in each take, with its 95 % interval."""
    takes = session.takes

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for number, drum in enumerate(drums):
            colour, mark = SERIES[number % len(SERIES)]
            shift = 0.16 * (number - (len(drums) - 1) / 2)
            rows = [(i + shift, take) for i, take in enumerate(takes)]
            known = [(at, take) for at, take in rows if take.main(drum, "spread_db") is not None]
            if not known:
                continue
            middle = [float(take.main(drum, "spread_db")) for _, take in known]
            ends = [_ends(take, drum) for _, take in known]
            error = [
                [max(0.0, value - low) for value, (low, _) in zip(middle, ends, strict=True)],
                [max(0.0, high - value) for value, (_, high) in zip(middle, ends, strict=True)],
            ]
            axes.errorbar(
                [at for at, _ in known],
                middle,
                yerr=error,
                fmt=mark,
                color=colour,
                capsize=3,
                ms=6,
                label=drum,
            )
        _take_ticks(axes, takes)
        axes.set_ylim(bottom=0.0)
        axes.set_ylabel("spread, dB (lower is evener)")
        _legend(figure, axes)

    return draw


def bleed_map(session: StoredSession, mics: Sequence[str], drums: Sequence[str]) -> Draw:
    """Bleed of every drum (columns) in every microphone (rows), dB against its own microphone."""
    table = session.summary["bleed_db"]
    bounds = set(session.summary["bleed_upper_bound"])
    values = np.full((len(mics), len(drums)), np.nan)
    for row, mic in enumerate(mics):
        for column, drum in enumerate(drums):
            value = table.get(mic, {}).get(drum)
            if value is not None:
                values[row, column] = value

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.grid(False)
        shown = np.ma.masked_invalid(values)
        picture = axes.imshow(shown, cmap="cividis", vmin=-45.0, vmax=0.0, aspect="auto")
        for row, mic in enumerate(mics):
            for column, drum in enumerate(drums):
                value = values[row, column]
                text = "own" if session.own_mic(drum) == mic else "–"
                if np.isfinite(value):
                    text = ("≤" if f"{mic}.{drum}" in bounds else "") + signed(value)
                dark = np.isfinite(value) and value < -25.0
                axes.text(
                    column, row, text, ha="center", va="center", color="white" if dark else "black"
                )
        axes.set_xticks(range(len(drums)), list(drums), rotation=35, ha="right")
        axes.set_yticks(range(len(mics)), list(mics))
        axes.tick_params(length=0)
        bar = figure.colorbar(picture, ax=axes, pad=0.02, fraction=0.05)
        bar.set_label("bleed, dB")

    return draw


def headroom(session: StoredSession, rows: Sequence[tuple[str, float, float, float]]) -> Draw:
    """Median, 99th percentile and loudest hit of each drum (name, then the three) to full scale."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for number, (_, median, high, top) in enumerate(rows):
            axes.plot([median, high], [number, number], color=BLUE, lw=6, solid_capstyle="butt")
            axes.plot(top, number, "D", color=VERMILION, ms=6)
        axes.plot([], [], color=BLUE, lw=6, label="median to 99 %")
        axes.plot([], [], "D", color=VERMILION, label="loudest hit")
        axes.axvline(0.0, color="black", lw=1.2)
        axes.set_yticks(range(len(rows)), [name for name, *_ in rows])
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlabel("heard level, dBFS (0 is full scale)")
        _legend(figure, axes)

    return draw


# --- parts of plots ---------------------------------------------------------------------------


def _by_role(hits: Sequence[StoredHit]) -> dict[str, list[StoredHit]]:
    groups: dict[str, list[StoredHit]] = {}
    for role in ROLES:
        chosen = [hit for hit in hits if (hit.role if hit.role in ROLES else "") == role]
        if chosen:
            groups[role] = chosen
    return groups


def _note(hit: StoredHit) -> float | None:
    return hit.note_hz


def _ring(hit: StoredHit) -> float | None:
    return hit.ring_s


def _ends(take: StoredTake, drum: str) -> tuple[float, float]:
    ends = take.main(drum, "spread_ci")
    middle = float(take.main(drum, "spread_db"))
    return (float(ends[0]), float(ends[1])) if ends is not None else (middle, middle)


def _take_ticks(axes: Axes, takes: Sequence[StoredTake]) -> None:
    """Names of the takes; where they are many, their numbers in the table."""
    if len(takes) <= MOST_NAMES:
        axes.set_xticks(range(len(takes)), [take.name for take in takes], rotation=30, ha="right")
        return
    each = math.ceil(len(takes) / (3 * MOST_NAMES if _is_wide(axes) else MOST_NAMES))
    shown = range(0, len(takes), each)
    axes.set_xticks(shown, [str(number + 1) for number in shown])
    axes.set_xlabel("number of the take")


def _is_wide(axes: Axes) -> bool:
    return axes.figure.get_figure(root=True).get_figwidth() > 6.0


def _takes(axes: Axes, session: StoredSession, *, names: bool = True) -> None:
    room_s = session.duration_s / (60.0 if _is_wide(axes) else 18.0)
    free_s = -1.0
    for number, take in enumerate(session.takes):
        axes.axvspan(take.start_s, take.end_s, color=BAND, lw=0, zorder=0)
        middle_s = (take.start_s + take.end_s) / 2
        if names and middle_s >= free_s:
            free_s = middle_s + room_s
            # The number only: names do not fit over short takes, and stand in the table.
            axes.text(
                middle_s,
                1.0,
                str(number + 1),
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                color=GREY,
                fontsize=8,
            )


def _time_axis(axes: Axes, duration_s: float) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    steps = (5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)
    most = 10 if _is_wide(axes) else 4
    step = next((one for one in steps if duration_s / one <= most), 14_400)
    axes.xaxis.set_major_locator(MultipleLocator(step))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value)))
    axes.set_xlim(0.0, max(duration_s * 1.01, 1.0))
    axes.set_xlabel("time from the start, min:s" if duration_s < 3600 else "time, h:min:s")


def _legend(figure: Figure, axes: Axes) -> None:
    handles, labels = axes.get_legend_handles_labels()
    columns = 6 if figure.get_figwidth() > 6.0 else 2
    figure.legend(
        handles,
        labels,
        loc="outside lower center",
        ncols=min(columns, max(len(labels), 1)),
        frameon=False,
        fontsize=8,
        handletextpad=0.4,
        columnspacing=1.0,
    )
