"""Lines of text typed on the dashboard."""

from __future__ import annotations

import io

import pytest
from rich.cells import cell_len
from rich.console import Console

from liveassist.output.prompt import LONGEST, Prompt
from liveassist.output.terminal import Dashboard, Press
from tests.unit.output.terminal_samples import full


def typed(prompt: Prompt, keys: str) -> str:
    return "".join(prompt.type(key) for key in keys)


def test_letters_and_what_takes_them_back() -> None:
    prompt = Prompt("rename", "take 2")
    assert typed(prompt, "verss\x7fe 2") == "verss\b \be 2"
    assert prompt.text == "verse 2"
    typed(prompt, "\x15chorus\r")
    assert (prompt.text, prompt.state) == ("chorus", "done")


def test_nothing_typed_leaves_things_as_they_are() -> None:
    for keys in ("\r", "   \r", "\x1b", "abc\x1b"):
        prompt = Prompt("note", "take 2")
        typed(prompt, keys)
        assert prompt.state == "left"


def test_control_keys_and_endless_text_are_not_taken() -> None:
    prompt = Prompt("rename", "take 2")
    typed(prompt, "\x01\x0b\t" + "x" * 500)
    assert prompt.text == "x" * LONGEST["rename"]
    assert prompt.type("\x1b[A") == ""
    assert prompt.state == "open"


@pytest.mark.parametrize("width", [18, 38, 78, 198])
def test_the_end_of_the_line_stays_in_sight(width: int) -> None:
    prompt = Prompt("note", "a take with a very long name")
    typed(prompt, "the fill before the last chorus rushes, 二重 and the kick too")
    line = prompt.line(width)
    assert cell_len(line) <= width
    assert "kick too_" in line


def dashboard(plain: bool = False) -> tuple[Dashboard, io.StringIO]:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80, height=24, _environ={"TERM": "x"})
    board = Dashboard(console, plain=plain, clock=lambda: 0.0)
    board.draw(full())
    return board, out


def test_letters_are_no_commands_while_a_line_is_typed() -> None:
    board, _ = dashboard()
    assert board.typed("ctqr") == []
    assert board.typed("\r") == [Press("rename", "take 3", "tqr")]
    assert board.typed("t")[0].command == "take_toggle"


def test_the_chosen_take_is_meant() -> None:
    board, _ = dashboard()
    board.typed("p\x1b[A\x1b[A")
    name = board.chosen
    assert name not in ("", "take 3")
    assert board.typed("wtoo soft\r") == [Press("note", name, "too soft")]
    assert board.typed("s") == [Press("star", name)]


def test_without_pictures_the_letters_are_shown() -> None:
    board, out = dashboard(plain=True)
    out.truncate(0)
    assert board.typed("cverse") == []
    assert "Name of take 3 (Enter keeps it, Escape leaves it):" in out.getvalue()
    assert out.getvalue().endswith("verse")
    assert not board.draw(full()), "nothing is spoken between the letters"
    assert board.typed("\r") == [Press("rename", "take 3", "verse")]
