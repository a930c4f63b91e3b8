"""Pictures of an expander: what is drawn where, and what is said without matplotlib."""

from __future__ import annotations

import builtins
import io
import struct
from typing import Any
from xml.etree import ElementTree

import matplotlib
import pytest
from matplotlib.figure import Figure

from liveassist.errors import OutputError
from liveassist.output import expander_plots as plots
from liveassist.output.report_svg import CARD, NARROW

SHEET: dict[str, Any] = {
    "settings": {"threshold_dbfs": -20.0, "knee_db": 4.0, "range_db": 12.0},
    "levels": {
        "edges_dbfs": [-40.0, -30.0, -20.0, -10.0, 0.0],
        "main": [0, 0, 3, 2],
        "ghost": [0, 4, 0, 0],
        "bleed": [7, 1, 0, 0],
    },
    "curve": {"level_dbfs": [-40.0, -20.0, 0.0], "gain_db": [-12.0, -1.25, 0.0]},
    "rates": [
        {"threshold_dbfs": -24.0, "main_passed": 1.0, "bleed_openings_per_min": 9.0},
        {"threshold_dbfs": -20.0, "main_passed": 0.98, "bleed_openings_per_min": 2.0},
        {"threshold_dbfs": -16.0, "main_passed": None, "bleed_openings_per_min": 0.0},
    ],
}


def figure(draw: plots.Draw) -> Any:
    drawn = Figure(figsize=(6.0, 3.0), layout="constrained")
    draw(drawn)
    return drawn


def test_levels_are_stacked_and_the_threshold_stands_where_it_is() -> None:
    axes, gain = figure(plots.levels(SHEET, "snare_top")).axes
    bars = {container.get_label(): container for container in axes.containers}
    assert set(bars) == {"bleed (8)", "ghosts (4)", "main hits (5)"}
    heights = [bar.get_height() for bar in bars["main hits (5)"]]
    assert heights == [0, 0, 3, 2]
    assert [bar.get_y() for bar in bars["main hits (5)"]] == [7, 5, 0, 0]
    (line,) = axes.lines
    assert list(line.get_xdata()) == [-20.0, -20.0]
    (knee,) = [one for one in axes.patches if one.get_label() == "knee"]
    assert (knee.get_x(), knee.get_x() + knee.get_width()) == (-22.0, -18.0)
    assert list(gain.lines[0].get_ydata()) == [-12.0, -1.25, 0.0]
    assert "range 12 dB" in line.get_label()


def test_rates_leave_out_what_is_not_known() -> None:
    axes, opened = figure(plots.rates(SHEET, "snare_top")).axes
    passed, chosen = axes.lines
    assert list(passed.get_xdata()) == [-24.0, -20.0]
    assert list(passed.get_ydata()) == [100.0, 98.0]
    assert chosen.get_label() == "chosen: -20 dBFS"
    assert list(opened.lines[0].get_ydata()) == [9.0, 2.0, 0.0]


@pytest.mark.parametrize("size_in", [NARROW, CARD])
@pytest.mark.parametrize("kind", [plots.levels, plots.rates])
def test_the_legend_covers_nothing(kind: Any, size_in: tuple[float, float]) -> None:
    """At the sizes and with the letters of the report (points)."""
    with matplotlib.rc_context({"font.size": 9.0}):
        drawn = Figure(figsize=size_in, layout="constrained")
        kind(SHEET, "snare_top")(drawn)
        drawn.savefig(io.BytesIO(), format="png", dpi=drawn.dpi)
    (legend,) = drawn.legends
    box = legend.get_window_extent()
    assert all(axes.get_legend() is None for axes in drawn.axes)
    assert all(box.y1 <= axes.get_window_extent().y0 for axes in drawn.axes)
    assert box.x0 >= 0.0
    assert box.x1 <= drawn.bbox.x1
    for axes in drawn.axes:
        words = axes.yaxis.get_label().get_window_extent()
        assert words.y0 >= 0.0, axes.get_ylabel()
        assert words.y1 <= drawn.bbox.y1, axes.get_ylabel()


def test_files_are_what_they_say_and_the_same_each_time() -> None:
    svg = plots.picture(plots.levels(SHEET, "snare_top"), "svg")
    root = ElementTree.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "threshold -20 dBFS" in svg.decode()
    assert svg == plots.picture(plots.levels(SHEET, "snare_top"), "svg")
    png = plots.picture(plots.rates(SHEET, "snare_top"), "png", (2.0, 1.0))
    # PNG signature and IHDR (ISO/IEC 15948): width and height at 144 points an inch.
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", png[16:24]) == (288, 144)


def test_without_matplotlib_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def absent(name: str, *rest: Any, **more: Any) -> Any:
        if name.split(".")[0] == "matplotlib":
            raise ImportError("No module named 'matplotlib'")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(OutputError, match=r"pictures need matplotlib.*pip install matplotlib"):
        plots.picture(plots.levels(SHEET, "snare_top"), "png")
