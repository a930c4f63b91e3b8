"""As much of a terminal as the dashboard asks for: text, cursor position, clearing.

Control sequences by ECMA-48: CUP (``CSI row ; column H``), ED (``CSI n J``); others leave the
picture as it is.
"""

from __future__ import annotations

import re

from rich.cells import get_character_cell_size

_PARTS = re.compile(r"\x1b\[([?0-9;]*)([a-zA-Z])|([^\x1b])", re.DOTALL)


class Terminal:
    """``height`` rows of ``width`` cells."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.rows = [[" "] * width for _ in range(height)]
        self.at = (0, 0)

    def take(self, written: str) -> None:
        """Act on what was written."""
        for numbers, final, char in _PARTS.findall(written):
            if char:
                self._put(char)
            elif final == "H":
                row, column = (int(n or 1) for n in (numbers or "1;1").split(";"))
                self.at = (row - 1, column - 1)
            elif final == "J":
                self.rows = [[" "] * self.width for _ in range(self.height)]

    def _put(self, char: str) -> None:
        row, column = self.at
        assert char != "\n", "a picture goes by positions, not by lines"
        assert row < self.height, "written below the screen"
        assert column < self.width, "written beyond the last column"
        size = get_character_cell_size(char)
        if size == 0:
            self.rows[row][column - 1] += char
            return
        self.rows[row][column] = char
        for extra in range(1, size):
            self.rows[row][column + extra] = ""
        self.at = (row, column + size)

    def lines(self) -> list[str]:
        """What is seen."""
        return ["".join(row) for row in self.rows]
