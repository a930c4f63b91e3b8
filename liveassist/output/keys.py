"""Which key does what, and a reader that never waits for one.

`COMMANDS` is the one table that the reader and the help on screen share.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Literal

Command = Literal[
    "quit",
    "page_large",
    "page_between",
    "take_toggle",
    "set_reference",
    "silence_alert",
    "no_hit",
    "missed_hit",
    "audit",
    "help",
]


@dataclass(frozen=True, slots=True)
class Binding:
    """One key: what it commands, two words for the key line, a sentence for the help page."""

    key: str
    command: Command
    brief: str
    sentence: str


COMMANDS: tuple[Binding, ...] = (
    Binding("t", "take_toggle", "take", "start a take, or end the one that is running"),
    Binding(
        "l", "page_large", "large", "large figures, to read from across the room; again to go back"
    ),
    Binding(
        "b", "page_between", "between", "between takes: verdicts, what changed, expander settings"
    ),
    Binding("r", "set_reference", "reference", "compare later takes with this one"),
    Binding(
        "a", "silence_alert", "silence", "silence the alert shown at the top until it happens again"
    ),
    Binding("n", "no_hit", "no hit", "the last hit shown was none: take it back and learn from it"),
    Binding("h", "missed_hit", "was hit", "there was a hit that is not shown: learn from it"),
    Binding("g", "audit", "how soft", "try how soft a hit would still be heard in this bleed"),
    Binding("?", "help", "help", "this page"),
    Binding("q", "quit", "quit", "stop listening and write everything; twice while a take runs"),
)
_BY_KEY = {binding.key: binding.command for binding in COMMANDS}

#: Arrow and function keys arrive as escape sequences whose last letter must not be a command.
_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.|.|$)", re.DOTALL)
#: Read at most this many bytes in one look; a held key never keeps the reader busy.
MOST_BYTES = 64


def commands_in(text: str) -> list[Command]:
    """The commands that typed ``text`` asks for, in order; other keys are nothing."""
    return [_BY_KEY[key] for key in _ESCAPES.sub("", text).lower() if key in _BY_KEY]


class KeyReader:
    """Reads keys from a terminal without waiting and without echo.

    Where ``stream`` is not a terminal it reads nothing and changes nothing. ``close`` gives the
    terminal back as it was and may be called any number of times. Ctrl-C keeps its meaning.
    """

    def __init__(self, stream: IO[str] | None = None) -> None:
        self._stream = sys.stdin if stream is None else stream
        self._read: Callable[[], str] | None = None
        self._restore: Callable[[], None] | None = None

    @property
    def active(self) -> bool:
        """Whether keys are being read."""
        return self._read is not None

    def open(self) -> KeyReader:
        """Take hold of the keyboard, where there is one."""
        if self._read is None and _is_terminal(self._stream):
            opener = _open_windows if sys.platform == "win32" else _open_posix
            self._read, self._restore = opener(self._stream)
        return self

    def poll(self) -> list[Command]:
        """The commands typed since the last call; empty at once where there are none."""
        return commands_in(self.typed())

    def typed(self) -> str:
        """What was typed since the last call; empty at once where nothing was."""
        if self._read is None:
            return ""
        try:
            return self._read()
        except OSError:
            self.close()
            return ""

    def close(self) -> None:
        """Give the terminal back."""
        restore, self._restore, self._read = self._restore, None, None
        if restore is not None:
            restore()

    def __enter__(self) -> KeyReader:
        return self.open()

    def __exit__(self, *_: object) -> None:
        self.close()


def _is_terminal(stream: IO[str] | None) -> bool:
    try:
        return stream is not None and stream.isatty()
    except ValueError:  # closed
        return False


_Opened = tuple[Callable[[], str] | None, Callable[[], None] | None]


def _open_posix(stream: IO[str]) -> _Opened:
    import os
    import select
    import termios
    import tty

    try:
        descriptor = stream.fileno()
        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor, termios.TCSANOW)
    except (OSError, termios.error):
        return None, None

    def read() -> str:
        if not select.select([descriptor], [], [], 0)[0]:
            return ""
        data = os.read(descriptor, MOST_BYTES)
        if not data:
            raise OSError("the terminal is gone")
        return data.decode("utf-8", "ignore")

    def restore() -> None:
        # The terminal may have been closed under us: then there is nothing to give back.
        try:
            termios.tcsetattr(descriptor, termios.TCSANOW, before)
        except (OSError, termios.error):
            return

    return read, restore


def _open_windows(stream: IO[str]) -> _Opened:
    import importlib

    console = importlib.import_module("msvcrt")

    def read() -> str:
        typed = ""
        while console.kbhit() and len(typed) < MOST_BYTES:
            key = console.getwch()
            if key in ("\x00", "\xe0"):  # an arrow or function key: its second half says which
                console.getwch()
            else:
                typed += key
        return typed

    return read, lambda: None
