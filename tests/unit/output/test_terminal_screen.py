"""Only rows that changed are written, and what is seen is the whole picture all the same."""

from __future__ import annotations

import io
import re

from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from liveassist.output.terminal_canvas import Canvas
from liveassist.output.terminal_screen import WHOLE_EVERY_S, Screen

from .vt import Terminal

texts = st.text(st.sampled_from("abc │█ é漢"), max_size=12)
#: Pictures: their size, and what stands on some of their rows.
pictures = st.lists(
    st.tuples(
        st.sampled_from([(12, 4), (9, 3)]),
        st.dictionaries(st.integers(0, 3), texts, max_size=4),
    ),
    min_size=1,
    max_size=8,
)


def console(out: io.StringIO) -> Console:
    return Console(file=out, force_terminal=True, width=12, height=4, color_system="256")


def drawn(size: tuple[int, int], rows: dict[int, str]) -> Canvas:
    canvas = Canvas(*size)
    for row, text in rows.items():
        canvas.put(0, row, text, "strong" if row % 2 else "plain")
    return canvas


@settings(max_examples=150, deadline=None)
@given(pictures)
def test_what_is_seen_is_the_picture(
    shown: list[tuple[tuple[int, int], dict[int, str]]],
) -> None:
    out = io.StringIO()
    screen = Screen(console(out))
    terminal = Terminal(12, 4)
    for size, rows in shown:
        frame = drawn(size, rows).frame(colour=True)
        screen.paint(frame)
        terminal.take(out.getvalue())
        out.seek(0)
        out.truncate()
        seen = terminal.lines()
        for row, line in enumerate(frame.lines()):
            assert "".join(terminal.rows[row][: size[0]]) == line
        # Nothing of a larger picture is left beside a smaller one.
        assert "".join(seen[size[1] :]).strip() == ""
        assert all("".join(cells[size[0] :]).strip() == "" for cells in terminal.rows)


def test_rows_that_are_there_are_not_written_again_but_now_and_then() -> None:
    now = [100.0]
    screen = Screen(console(io.StringIO()), lambda: now[0])
    first = drawn((12, 4), {0: "take 1", 2: "snare"}).frame(colour=True)
    assert screen.paint(first) == 4
    assert screen.paint(drawn((12, 4), {0: "take 2", 2: "snare"}).frame(colour=True)) == 1
    assert screen.paint(first) == 1
    assert screen.paint(first) == 0
    now[0] += WHOLE_EVERY_S
    assert screen.paint(first) == 4
    assert screen.paint(first) == 0


def test_a_picture_that_broke_off_is_written_whole_the_next_time() -> None:
    class Full(io.StringIO):
        broken = False

        def write(self, text: str) -> int:
            if self.broken:
                raise OSError("gone")
            return super().write(text)

    out = Full()
    screen = Screen(console(out))
    screen.paint(drawn((12, 4), {0: "one"}).frame(colour=True))
    out.broken = True
    try:
        screen.paint(drawn((12, 4), {0: "two"}).frame(colour=True))
    except OSError:
        out.broken = False
    assert screen.paint(drawn((12, 4), {0: "two"}).frame(colour=True)) == 4


def test_only_the_first_picture_and_a_new_size_clear_the_screen() -> None:
    """Clearing before painting is what flickers."""
    out = io.StringIO()
    screen = Screen(console(out))
    cleared: list[bool] = []
    for size in ((12, 4), (12, 4), (9, 3), (9, 3)):
        screen.paint(drawn(size, {0: str(len(cleared))}).frame(colour=True))
        cleared.append(bool(re.search(r"\x1b\[[0-3]?J", out.getvalue())))
        out.seek(0)
        out.truncate()
    assert cleared == [True, False, True, False]
