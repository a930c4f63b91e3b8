"""Two pictures to choose an expander by, from one microphone's part of advice.json.

`levels`: how many main hits, ghosts and foreign hits the detector saw at each level, with
threshold, knee and range drawn in. `rates`: what each threshold would have passed and how often
bleed would have opened it, with the chosen one marked. Both draw on a figure of matplotlib, which
is needed only when one is drawn.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Literal

from liveassist.errors import OutputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Json = Mapping[str, Any]
Draw = Callable[["Figure"], None]

#: Colours of M. Okabe and K. Ito, "Color Universal Design" (2008), told apart by colour-blind
#: eyes; hatches tell the bars apart in grey.
_MAIN, _GHOST, _BLEED, _LINE = "#0072B2", "#009E73", "#D55E00", "#222222"
_BARS = (("bleed", "bleed", _BLEED, "xx"), ("ghost", "ghosts", _GHOST, "//"),
         ("main", "main hits", _MAIN, ""))  # fmt: skip


def levels(sheet: Json, mic: str) -> Draw:
    """Draws the level histogram of ``sheet`` (``suggested`` or ``yours`` of microphone ``mic``)."""

    def draw(figure: Figure) -> None:
        found, settings, curve = sheet["levels"], sheet["settings"], sheet["curve"]
        edges = found["edges_dbfs"]
        axes = figure.subplots()
        base = [0] * (len(edges) - 1)
        width = edges[1] - edges[0]
        for key, word, colour, hatch in _BARS:
            counts = found[key]
            label = f"{word} ({sum(counts)})"
            axes.bar(edges[:-1], counts, width, base, align="edge", color=colour, label=label,
                     hatch=hatch, edgecolor="white", linewidth=0.4)  # fmt: skip
            base = [low + more for low, more in zip(base, counts, strict=True)]
        axes.set_ylim(0.0, 1.08 * max([*base, 1]))
        threshold, half = settings["threshold_dbfs"], settings["knee_db"] / 2.0
        axes.axvspan(threshold - half, threshold + half, color="#999999", alpha=0.3, label="knee")
        axes.axvline(
            threshold, color=_LINE, linewidth=1.2,
            label=f"threshold {threshold:g} dBFS, range {settings['range_db']:g} dB",
        )  # fmt: skip
        gain = axes.twinx()
        gain.plot(curve["level_dbfs"], curve["gain_db"], color=_LINE, linestyle="--", linewidth=1.0)
        gain.set_ylim(-max(settings["range_db"] * 1.25, 1.0), max(settings["range_db"] * 0.1, 0.5))
        gain.set_ylabel("gain, dB (dashed)")
        axes.set_xlim(edges[0], min(0.0, edges[-1]))
        axes.set_xlabel("level at the detector, dBFS peak")
        axes.set_ylabel("hits")
        axes.set_title(f"{mic}: levels and threshold", loc="left")
        _legend(figure, axes)

    return draw


def rates(sheet: Json, mic: str) -> Draw:
    """Draws pass rate and false openings against the threshold, the chosen one marked."""

    def draw(figure: Figure) -> None:
        rows, chosen = sheet["rates"], sheet["settings"]["threshold_dbfs"]
        at = [row["threshold_dbfs"] for row in rows]
        axes = figure.subplots()
        passed = [(row["threshold_dbfs"], 100.0 * row["main_passed"]) for row in rows
                  if row["main_passed"] is not None]  # fmt: skip
        axes.plot(*_columns(passed), color=_MAIN, marker="o", markersize=3)
        axes.set_ylim(-3.0, 103.0)
        axes.set_ylabel("main hits passed whole, %", color=_MAIN, fontsize="small")
        axes.set_xlabel("threshold, dBFS")
        opened = axes.twinx()
        counts = [row["bleed_openings_per_min"] for row in rows]
        opened.plot(at, counts, color=_BLEED, marker="x", markersize=4, linestyle="--")
        opened.set_ylabel("bleed opens, a minute (dashed)", color=_BLEED, fontsize="small")
        opened.set_ylim(-0.03 * max([*counts, 1.0]), 1.03 * max([*counts, 1.0]))
        axes.axvline(chosen, color=_LINE, linewidth=1.2, label=f"chosen: {chosen:g} dBFS")
        axes.set_title(f"{mic}: what each threshold would do", loc="left")
        _legend(figure, axes)

    return draw


def _legend(figure: Figure, axes: Axes) -> None:
    """Below the axes, where it covers no bar."""
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="outside lower center", fontsize="small", frameon=False,
        ncols=min(len(labels), 3 if figure.get_figwidth() > 4.0 else 2),
    )  # fmt: skip


def _columns(points: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def picture(
    draw: Draw, form: Literal["svg", "png"], size_in: tuple[float, float] = (6.4, 3.6)
) -> bytes:
    """The picture as the bytes of a file; the same every time for the same figures.

    OutputError where matplotlib is missing.
    """
    try:
        import matplotlib as mpl
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OutputError(
            f"pictures need matplotlib, which cannot be used here ({error}); install it with: "
            "pip install matplotlib"
        ) from None
    out = io.BytesIO()
    # Text stays text in SVG; no date and a fixed salt, so that nothing differs from run to run.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "liveassist", "font.size": 9.0}):
        figure = Figure(figsize=size_in, layout="constrained")
        FigureCanvasAgg(figure)
        draw(figure)
        metadata = {"Date": None} if form == "svg" else {"Software": None}
        figure.savefig(out, format=form, dpi=144, metadata=metadata)
    return out.getvalue()
