"""A line of text that is typed on the dashboard: a take's name, a note about it.

Pure: keys in, what they make of the line out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rich.cells import cell_len

from liveassist.output.keys import Command

#: Longest text that is taken, characters: what the list of takes and the files can show.
LONGEST = {"rename": 64, "note": 240}
_ASKS = {"rename": "Name of {take}", "note": "Note about {take}"}
_KEYS = "Enter keeps it, Escape leaves it"

State = Literal["open", "done", "left"]


@dataclass(slots=True)
class Prompt:
    """One question: for the ``command`` about the take called ``take``."""

    command: Command
    take: str
    text: str = ""
    state: State = "open"

    def type(self, key: str) -> str:
        """Take in one key; what a terminal without a picture should echo of it."""
        if key in ("\r", "\n"):
            self.state = "done" if self.text.strip() else "left"
        elif key in ("\x1b", "\x07", "\x04"):
            self.state = "left"
        elif key in ("\x7f", "\b"):
            gone, self.text = self.text[-1:], self.text[:-1]
            return "\b \b" * cell_len(gone)
        elif key == "\x15":  # the whole line, as terminals have it
            gone, self.text = self.text, ""
            return "\b \b" * cell_len(gone)
        elif len(key) == 1 and key.isprintable() and len(self.text) < LONGEST[self.command]:
            self.text += key
            return key
        return ""

    @property
    def question(self) -> str:
        """What is asked, with the keys that end it."""
        return f"{_ASKS[self.command].format(take=self.take)} ({_KEYS}):"

    def line(self, width: int) -> str:
        """The question and what was typed, in ``width`` cells: its end stays in sight."""
        for ask in (
            f"{_ASKS[self.command].format(take=self.take)}: ",
            f"{_ASKS[self.command].split()[0]}: ",
            "",
        ):
            if cell_len(ask) <= width // 2:
                break
        hint = f"  {_KEYS}"
        room = max(1, width - cell_len(ask) - 1)
        if cell_len(self.text) + cell_len(hint) <= room:
            return f"{ask}{self.text}_{hint}"
        shown = self.text
        while cell_len(shown) > room:
            shown = shown[1:]
        return f"{ask}{shown}_"
