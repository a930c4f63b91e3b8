"""Puts finished pictures on a terminal: of each only the rows that are not there already.

Ten pictures a second of which half the rows are the same: writing them all took most of what a
dashboard takes. Whatever else writes on the terminal is covered again within `WHOLE_EVERY_S`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult
from rich.control import Control

from liveassist.output.terminal_canvas import Frame

#: So long rows may be left as they are; the next picture is written whole.
WHOLE_EVERY_S = 5.0


class Screen:
    """The other screen of ``console``, taken with the first picture. OSError if it breaks.

    ``clock`` gives seconds that never run backwards.
    """

    def __init__(self, console: Console, clock: Callable[[], float] = time.monotonic) -> None:
        self._console = console
        self._clock = clock
        self._shown: Frame | None = None
        self._whole_s = 0.0
        self._taken = False

    def paint(self, frame: Frame) -> int:
        """Show ``frame``; how many rows were written."""
        if not self._taken:
            self._taken = True
            self._console.set_alt_screen(True)
            self._console.show_cursor(False)
        before = self._shown
        alike = before is not None and _form(before) == _form(frame)
        now_s = self._clock()
        if before is None or not alike or now_s - self._whole_s >= WHOLE_EVERY_S:
            self._whole_s = now_s
            rows = list(range(len(frame.rows)))
        else:
            rows = [i for i, row in enumerate(frame.rows) if row != before.rows[i]]
        if rows:
            # What is shown is not known until it is written.
            self._shown = None
            part = _Rows(frame, rows, clear=not alike)
            self._console.print(part, end="", crop=False, soft_wrap=True)
        self._shown = frame
        return len(rows)

    def close(self) -> None:
        """Give the screen back as it was. May be called any number of times."""
        if self._taken:
            self._taken = False
            self._console.show_cursor(True)
            self._console.set_alt_screen(False)


def _form(frame: Frame) -> tuple[int, int, bool]:
    return frame.width, frame.height, frame.colour


@dataclass(frozen=True, slots=True)
class _Rows:
    """Some rows of a picture, each at its place; ``clear``: on an empty screen."""

    frame: Frame
    rows: list[int]
    clear: bool

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if self.clear:
            yield Control.clear().segment
        for row in self.rows:
            yield Control.move_to(0, row).segment
            yield from self.frame.row(row, options)
