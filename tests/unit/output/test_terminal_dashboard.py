"""The edges: drawing on a console of fixed size by a clock of our own, keys through a real pty."""

from __future__ import annotations

import io
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from rich.console import Console

from liveassist.errors import StorageError
from liveassist.output.keys import COMMANDS, KeyReader, commands_in
from liveassist.output.terminal import Dashboard, export_svg, plain_lines, render
from liveassist.output.terminal_words import age, clock, count, level, number
from tests.unit.output import terminal_samples as samples
from tests.unit.output.vt import Terminal


class Clock:
    """A clock that moves when told."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Screen:
    """A dashboard on a pretended terminal, and what was written to it."""

    def __init__(self, *, width: int = 80, height: int = 24, **kwargs: object) -> None:
        self.clock = Clock()
        self.file = io.StringIO()
        # The size comes from the environment so that the test can change it.
        self.console = Console(
            file=self.file,
            force_terminal=True,
            color_system="256",
            _environ={"COLUMNS": str(width), "LINES": str(height), "TERM": "xterm-256color"},
        )
        self.dashboard = Dashboard(self.console, clock=self.clock, **kwargs)  # type: ignore[arg-type]

    def written(self) -> str:
        text = self.file.getvalue()
        self.file.seek(0)
        self.file.truncate()
        return text


@pytest.fixture
def screen() -> Iterator[Screen]:
    made = Screen()
    yield made
    made.dashboard.close()


def test_first_snapshot_takes_the_alternate_screen_and_close_gives_it_back(screen: Screen) -> None:
    assert screen.dashboard.draw(samples.full())
    first = screen.written()
    # xterm control sequences, private mode 1049: alternate screen buffer; 25: cursor.
    assert "\x1b[?1049h" in first
    assert "\x1b[?25l" in first
    screen.dashboard.close()
    last = screen.written()
    assert "\x1b[?1049l" in last
    assert "\x1b[?25h" in last
    screen.dashboard.close()
    assert screen.written() == ""


def test_no_frame_clears_the_screen(screen: Screen) -> None:
    """Clearing before painting is what flickers: frames are painted over one another."""
    screen.dashboard.draw(samples.full())
    screen.written()
    screen.clock.now += 1
    screen.dashboard.draw(replace(samples.full(), time_s=samples.full().time_s + 61.0))
    frame = screen.written()
    assert re.search(r"\x1b\[[0-9]+;[0-9]+H", frame)
    assert not re.search(r"\x1b\[[0-3]?[JK]", frame)


def test_at_most_ten_frames_a_second(screen: Screen) -> None:
    drawn = 0
    for _ in range(1000):
        drawn += screen.dashboard.draw(samples.full())
        screen.clock.now += 0.001
    assert 9 <= drawn <= 10
    assert screen.dashboard.frames == drawn
    assert screen.dashboard.skipped == 1000 - drawn


def test_resized_terminal_gets_the_new_size(screen: Screen) -> None:
    screen.dashboard.draw(samples.full())
    screen.written()
    screen.console._environ = {"COLUMNS": "50", "LINES": "14", "TERM": "xterm-256color"}
    screen.console._width, screen.console._height = 50, 14
    screen.clock.now += 1
    screen.dashboard.draw(samples.full())
    seen = Terminal(50, 14)
    seen.take(screen.written())
    assert seen.lines() == render(samples.full(), 50, 14).lines()


def test_no_terminal_no_drawing() -> None:
    out = io.StringIO()
    dashboard = Dashboard(Console(file=out, force_terminal=False))
    assert not dashboard.active
    assert not dashboard.draw(samples.full())
    dashboard.close()
    assert out.getvalue() == ""


def test_plain_sentences_need_no_terminal() -> None:
    out = io.StringIO()
    dashboard = Dashboard(Console(file=out, force_terminal=False), plain=True)
    assert dashboard.active
    assert dashboard.draw(samples.calm())
    assert "No samples lost." in out.getvalue()


def test_no_color_is_obeyed() -> None:
    out = io.StringIO()
    environ = {"NO_COLOR": "1", "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
    with Dashboard(Console(file=out, force_terminal=True, _environ=environ)) as dashboard:
        dashboard.draw(samples.full())
    codes = re.findall(r"\x1b\[([0-9;]*)m", out.getvalue())
    assert codes
    assert not any(int(c) >= 30 for code in codes for c in code.split(";") if c)


def test_terminal_that_cannot_move_its_cursor_gets_sentences() -> None:
    out = io.StringIO()
    time = Clock()
    environ = {"TERM": "dumb", "COLUMNS": "80", "LINES": "24"}
    console = Console(file=out, force_terminal=True, _environ=environ)
    dashboard = Dashboard(console, clock=time)
    assert dashboard.draw(samples.full())
    text = out.getvalue()
    assert "\x1b" not in text
    assert text.split("\n")[: len(plain_lines(samples.full()))] == plain_lines(samples.full())
    time.now += 5
    assert not dashboard.draw(samples.full())
    dashboard.close()


def test_plain_mode_repeats_only_what_is_new(screen: Screen) -> None:
    plain = Screen(plain=True)
    base = samples.full()
    plain.dashboard.draw(base)
    plain.written()
    plain.clock.now += 20
    plain.dashboard.draw(replace(base, time_s=base.time_s + 20))
    assert plain.written() == ""
    plain.clock.now += 20
    plain.dashboard.draw(replace(base, lost_samples=7))
    assert plain.written() == "7 samples lost, 0.146 ms of sound.\n", "7 at 48 kHz"
    plain.clock.now += 60
    plain.dashboard.draw(replace(base, time_s=base.time_s + 60, lost_samples=7))
    assert "for 3 minutes 14 seconds" in plain.written()


class Broken(io.StringIO):
    """A terminal that has been closed."""

    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")


def test_broken_terminal_ends_the_drawing_with_a_sentence() -> None:
    dashboard = Dashboard(Console(file=Broken(), force_terminal=True, width=80, height=24))
    assert not dashboard.draw(samples.full())
    assert dashboard.problem is not None
    assert "cannot be written" in dashboard.problem
    assert not dashboard.draw(samples.full())
    dashboard.close()


def test_page_keys_toggle(screen: Screen) -> None:
    assert screen.dashboard.handle("page_large") is None
    assert screen.dashboard.page == "large"
    assert screen.dashboard.handle("help") is None
    assert screen.dashboard.page == "help"
    assert screen.dashboard.handle("help") is None
    assert screen.dashboard.page == "main"


def test_a_key_is_answered_by_the_next_snapshot(screen: Screen) -> None:
    screen.dashboard.draw(samples.full())
    screen.written()
    screen.dashboard.handle("help")
    assert screen.dashboard.draw(samples.full())
    assert "start a take" in screen.written()


def test_quit_asks_again_while_a_marked_take_runs(screen: Screen) -> None:
    screen.dashboard.draw(samples.full())
    assert screen.dashboard.handle("quit") is None
    screen.dashboard.draw(samples.full())
    assert "Press q again" in screen.written()
    assert screen.dashboard.handle("quit") == "quit"


def test_second_quit_must_follow_soon(screen: Screen) -> None:
    screen.dashboard.draw(samples.full())
    assert screen.dashboard.handle("quit") is None
    screen.clock.now += 10
    assert screen.dashboard.handle("quit") is None


def test_quit_is_at_once_without_a_marked_take(screen: Screen) -> None:
    screen.dashboard.draw(replace(samples.full(), take=None))
    assert screen.dashboard.handle("quit") == "quit"


def test_other_commands_are_left_to_the_caller(screen: Screen) -> None:
    assert screen.dashboard.handle("take_toggle") == "take_toggle"
    assert screen.dashboard.handle("set_reference") == "set_reference"


def test_silencing_takes_alerts_away_one_by_one(screen: Screen) -> None:
    seen = Terminal(*screen.console.size)
    screen.dashboard.draw(samples.full())
    assert screen.dashboard.handle("silence_alert") == "silence_alert"
    screen.dashboard.draw(samples.full())
    seen.take(screen.written())
    assert "LOOK" in seen.lines()[1]
    screen.dashboard.handle("silence_alert")
    screen.dashboard.draw(samples.full())
    seen.take(screen.written())
    assert "nothing new" in seen.lines()[1]


# --- keys -----------------------------------------------------------------------------------


def test_keys_are_unique() -> None:
    assert len({binding.key for binding in COMMANDS}) == len(COMMANDS)
    assert len({binding.command for binding in COMMANDS}) == len(COMMANDS)


def test_typed_text_becomes_commands_in_order() -> None:
    assert commands_in("tL?z q") == ["take_toggle", "page_large", "help", "quit"]


def test_arrows_and_page_keys_move() -> None:
    """xterm control sequences: CSI A and B, in application mode SS3; CSI 5~ and 6~ (VT220)."""
    typed = "\x1b[A\x1b[B\x1bOA\x1bOB\x1b[5~\x1b[6~"
    assert commands_in(typed) == ["up", "down", "up", "down", "page_up", "page_down"]


def test_escape_sequences_are_not_commands() -> None:
    # ECMA-48 control sequences end in 0x40 to 0x7e; xterm sends SS3 for function keys.
    assert commands_in("\x1b[C\x1bOQ\x1b[15~\x1b[1;5q") == []
    assert commands_in("\x1b[Ct") == ["take_toggle"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_keys_come_through_a_real_terminal_without_waiting() -> None:
    import pty
    import termios

    outer, inner = pty.openpty()
    try:
        with os.fdopen(inner, "r", closefd=False) as stream:
            before = termios.tcgetattr(inner)
            reader = KeyReader(stream)
            assert reader.poll() == []
            with reader:
                assert reader.active
                assert not termios.tcgetattr(inner)[3] & termios.ECHO
                assert reader.poll() == []
                os.write(outer, b"t\x1b[Cl")
                assert reader.poll() == ["take_toggle", "page_large"]
                assert reader.poll() == []
            reader.close()
            assert termios.tcgetattr(inner) == before
            assert reader.poll() == []
    finally:
        os.close(inner)
        os.close(outer)


def test_no_terminal_no_keys(tmp_path: Path) -> None:
    path = tmp_path / "typed"
    path.write_text("q")
    with path.open() as stream, KeyReader(stream) as reader:
        assert not reader.active
        assert reader.poll() == []
    assert KeyReader(stream).open().poll() == []  # closed


# --- words ----------------------------------------------------------------------------------


def test_plain_lines_are_ascii_sentences_with_minus_as_a_word() -> None:
    lines = plain_lines(samples.full())
    assert all(line.isascii() and line.rstrip().endswith(".") for line in lines)
    assert lines[0] == "take 3: take running, for 2 minutes 14 seconds."
    assert any("threshold minus 22.5 dBFS" in line for line in lines)
    assert any(line.startswith("Now, since 6 s: snare_top clipped") for line in lines)


@pytest.mark.parametrize("make", ["empty", "no_drums", "huge", "long_names", "many_mics"])
def test_plain_lines_survive_everything(make: str) -> None:
    lines = plain_lines(getattr(samples, make)())
    assert lines
    assert not re.search(r"[\x00-\x1f]", "".join(lines))


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (number(-12.34), "−12.3"),
        (number(-0.04), "0.0"),
        (number(None), "–"),
        (number(float("nan")), "–"),
        (number(3.0, 0, sign=True), "+3"),
        (level(-200.0), "silent"),
        (count(9999), "9999"),
        (count(12840), "12.8k"),
        (count(1e30), "99999P"),
        (clock(134.4), "2:14"),
        (clock(3661), "1:01:01"),
        (clock(float("inf")), "–:––"),
        (age(59.9), "59 s"),
        (age(60), "1 min"),
        (age(7200), "2 h"),
        (age(-3), "0 s"),
    ],
)
def test_numbers_in_words(made: str, expected: str) -> None:
    assert made == expected


# --- picture --------------------------------------------------------------------------------


def test_picture_is_well_formed_and_fetches_nothing(tmp_path: Path) -> None:
    path = export_svg(samples.full(), tmp_path / "screen.svg", 80, 24)
    text = path.read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert not re.search(r"url\((?!#)|href|@import|@font-face|<script", text)
    description = root.findtext("{http://www.w3.org/2000/svg}desc")
    assert description is not None
    assert "kick: even" in description
    shown = "".join(root.itertext()).replace("\xa0", " ")
    assert "SNARE" in shown
    assert "−22.5" in shown


def test_picture_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"cannot be written to .*Choose a folder"):
        export_svg(samples.full(), tmp_path / "missing" / "screen.svg")
