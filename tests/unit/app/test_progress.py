"""The bar appears for a person and is silent for a pipe."""

from __future__ import annotations

import io

from liveassist.app.progress import ProgressBar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Wall:
    now_s = 0.0

    def clock(self) -> float:
        return self.now_s


def run(stream: io.StringIO) -> str:
    wall = Wall()
    with ProgressBar("replay", 100.0, stream, wall.clock) as bar:
        for second in range(101):
            bar.at(float(second))
            wall.now_s += 0.5
    return stream.getvalue()


def test_silent_when_piped() -> None:
    assert run(io.StringIO()) == ""


def test_shows_share_and_speed_on_a_terminal() -> None:
    text = run(Terminal())
    assert "replay" in text
    assert "50%" in text
    assert "2 × real time" in text
    assert "left" in text
    # Gone again at the end: the cursor is shown and the line erased (ECMA-48 EL).
    assert text.rstrip("\n").endswith("\x1b[2K")
