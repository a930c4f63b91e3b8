"""The drum picture: axis, histogram, lines, strokes. Expected values are counted by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.output.terminal_big import GLYPHS, best_scale, big_size
from liveassist.output.terminal_canvas import Canvas, clean, fit, wrap
from liveassist.output.terminal_meters import plan_meters, shorten
from liveassist.output.terminal_plot import (
    Axis,
    Lines,
    axis_for,
    draw_drum_plot,
    drawable,
    histogram,
    spread_rows,
)
from tests.unit.output.terminal_samples import hit


def test_axis_holds_levels_and_marks_on_steps_of_6_db() -> None:
    axis = axis_for([-11.0, -31.0], (-22.5, None), 4)
    assert (axis.low_dbfs, axis.high_dbfs) == (-36.0, -6.0)


def test_axis_goes_above_full_scale_only_where_a_level_does() -> None:
    assert axis_for([0.0], (), 4).high_dbfs == 0.0
    assert axis_for([1.5], (), 4).high_dbfs == 6.0


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=20), st.integers(1, 30))
def test_axis_is_sane_for_any_levels(levels: list[float], rows: int) -> None:
    axis = axis_for(levels, (), rows)
    assert 24.0 <= axis.high_dbfs - axis.low_dbfs <= 72.0
    for value in (*levels, math.nan):
        assert 0 <= axis.row(value) < rows


def test_line_lies_in_the_third_of_its_row() -> None:
    axis = Axis(-40.0, 0.0, 4)  # 10 dB a row
    assert axis.line(-39.0) == (3, "▁")
    assert axis.line(-35.0) == (3, "─")
    assert axis.line(-31.0) == (3, "▔")
    assert axis.line(0.0)[0] == 0


@given(st.lists(st.floats(-39.9, -0.1), min_size=1, max_size=60))
def test_histogram_counts_like_numpy(levels: list[float]) -> None:
    counted, _ = np.histogram(levels, bins=8, range=(-40.0, 0.0))
    ours = histogram(levels, Axis(-40.0, 0.0, 4))[::-1]
    # A level on the edge of two bins may round into either.
    assert sum(ours) == len(levels)
    assert np.abs(np.cumsum(ours) - np.cumsum(counted)).max() <= sum(
        abs(v / 5.0 - round(v / 5.0)) < 1e-9 for v in levels
    )


def test_stroke_height_is_the_level_in_eighths() -> None:
    canvas = Canvas(40, 5)
    hits = [hit(0, "snare", -10.0), hit(1, "snare", -24.0)]
    draw_drum_plot(canvas, 0, 0, 40, 5, hits, Lines())
    lines = canvas.frame(colour=False).lines()
    # Axis −30 (24 and one more below, on 6) to −6 over 4 rows of 6 dB: −10 is 3 rows and
    # a third of a row, 2.7 eighths; −24 is one row.
    assert lines[0][:4] == "  −6"
    assert [line[38] for line in lines[:4]] == ["▃", "█", "█", "█"]
    assert [line[39] for line in lines[:4]] == [" ", " ", " ", "█"]
    assert lines[4][38:] == "··"


def test_newest_hits_are_kept_at_the_right() -> None:
    canvas = Canvas(20, 4)
    hits = [hit(i, "snare", -10.0) for i in range(50)] + [hit(50, "snare", -30.0, "ghost")]
    draw_drum_plot(canvas, 0, 0, 20, 4, hits, Lines())
    marks = canvas.frame(colour=False).lines()[3]
    assert marks.endswith("·g")


def test_clipped_hits_are_marked_before_their_role() -> None:
    canvas = Canvas(20, 4)
    draw_drum_plot(canvas, 0, 0, 20, 4, [hit(0, "snare", 0.0, "weak", "clipped")], Lines())
    assert canvas.frame(colour=False).lines()[3].endswith("C")


def test_withdrawn_hits_are_not_drawn() -> None:
    stands = hit(0, "snare", -10.0)
    assert drawable([stands, replace(stands, stage="withdrawn")]) == [stands]


def test_threshold_crosses_strip_and_histogram() -> None:
    canvas = Canvas(80, 8)
    hits = [hit(i, "snare", -10.0) for i in range(5)]
    draw_drum_plot(canvas, 0, 0, 80, 8, hits, Lines(threshold_dbfs=-24.0))
    row = next(line for line in canvas.frame(colour=False).lines() if "threshold" in line)
    assert "−24.0 threshold" in row
    assert len([c for c in row[:62] if c in "▁─▔"]) == 57


@given(st.lists(st.integers(0, 9), max_size=8), st.integers(1, 10))
def test_labels_never_share_a_row(wanted: list[int], rows: int) -> None:
    placed = spread_rows(sorted(min(w, rows - 1) for w in wanted), rows)
    assert len(placed) == min(len(wanted), rows)
    assert len(set(placed)) == len(placed)
    assert all(0 <= row < rows for row in placed)


@given(st.integers(1, 64), st.integers(10, 200), st.integers(1, 40))
def test_meters_have_room_for_all_or_are_tiny(mics: int, width: int, rows: int) -> None:
    plan = plan_meters(mics, width, rows)
    assert plan.columns * plan.cells <= width
    assert plan.columns * plan.rows >= mics or plan.form.kind == "tiny"
    assert plan.cells >= min(width, 10)


def test_short_names_stay_apart() -> None:
    names = ("snare_top", "snare_bottom", "tom_1", "tom_2", "over_left", "over_right")
    for width in (5, 6, 7):
        assert len({shorten(name, width) for name in names}) == len(names)
        assert all(len(shorten(name, width)) <= width for name in names)


def test_clean_drops_escape_sequences_and_direction_marks() -> None:
    assert clean("a\x1b[31mb\u202ec\nd") == "a[31mbc d"


@pytest.mark.parametrize(
    ("text", "width", "expected"),
    [("kick", 4, "kick"), ("kick in", 5, "kick…"), ("太鼓太鼓", 5, "太鼓…"), ("abc", 0, "")],
)
def test_fit_counts_cells(text: str, width: int, expected: str) -> None:
    assert fit(text, width) == expected


def test_wrap_ends_in_an_ellipsis_where_lines_run_out() -> None:
    assert wrap("one two three four", 9, 2) == ["one two", "three fo…"]
    assert wrap("one two", 20, 2) == ["one two"]
    assert wrap("", 20, 2) == []


def test_overwriting_half_of_a_wide_character_keeps_the_width() -> None:
    canvas = Canvas(6, 1)
    canvas.put(0, 0, "太鼓太")
    canvas.put(1, 0, "ab")
    assert canvas.frame(colour=False).lines() == [" ab 太"]


def test_big_letters_are_all_different_and_five_rows() -> None:
    assert all(len(rows) == 5 and set(rows) <= set("01234567") for rows in GLYPHS.values())
    letters = {GLYPHS[c] for c in "ABCDEFGHIJKLMNPQRSTUVWXYZ0123456789"}
    assert len(letters) == 35


@given(st.text("ABC019", min_size=1, max_size=12), st.integers(1, 200), st.integers(1, 50))
def test_best_scale_fits_and_the_next_does_not(text: str, width: int, rows: int) -> None:
    scale = best_scale(text, width, rows)
    across, down = big_size(text, scale)
    assert across <= width
    assert down <= rows
    bigger = big_size(text, scale + 1)
    assert bigger[0] > width or bigger[1] > rows
