"""Which key does what, and a reader that never waits for one.

`COMMANDS` is the one table that the reader and the help on screen share.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import IO, Literal

Command = Literal[
    "quit",
    "page_large",
    "page_between",
    "page_takes",
    "page_expander",
    "up",
    "down",
    "page_up",
    "page_down",
    "take_toggle",
    "keep",
    "join",
    "split",
    "star",
    "rename",
    "note",
    "mark",
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
    Binding("k", "keep", "keep", "what is being played, or was played last, is a take"),
    Binding("p", "page_takes", "takes", "the list of takes; again to go back"),
    Binding(
        "l", "page_large", "large", "large figures, to read from across the room; again to go back"
    ),
    Binding(
        "b", "page_between", "between", "between takes: verdicts, what changed, expander settings"
    ),
    Binding("e", "page_expander", "expander", "levels and rates to choose a threshold by"),
    Binding("r", "set_reference", "reference", "compare later takes with this one"),
    Binding("s", "star", "star", "star this take, or take its star away"),
    Binding("c", "rename", "name", "call this take otherwise: type its name, then Enter"),
    Binding("w", "note", "note", "write a note about this take: type it, then Enter"),
    Binding("m", "mark", "mark", "put a mark at this moment"),
    Binding("x", "split", "split", "make two takes of the running one, here"),
    Binding("j", "join", "join", "make one take of the last two"),
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

#: Keys that arrive as escape sequences (xterm control sequences, DEC VT220) and move on a page.
MOVES: Mapping[str, Command] = {
    "\x1b[A": "up", "\x1bOA": "up", "\x1b[B": "down", "\x1bOB": "down",
    "\x1b[5~": "page_up", "\x1b[6~": "page_down",
}  # fmt: skip
MOVES_SENTENCE = (
    "up, down, Page Up and Page Down move here, between takes, and in the list of takes; there "
    "r, s, c, w and j are about the chosen take (j: and the one before it)"
)
#: Other function keys arrive as escape sequences too; their last letter must not be a command.
_KEYS = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.|.|$)|.", re.DOTALL)
#: Read at most this many bytes in one look; a held key never keeps the reader busy.
MOST_BYTES = 64


def keys_in(text: str) -> list[str]:
    """Typed ``text`` key by key; an escape sequence is one key."""
    return _KEYS.findall(text)


def command_of(key: str) -> Command | None:
    """The command that a key asks for; None if it is for none."""
    return MOVES.get(key) or _BY_KEY.get(key.lower())


def commands_in(text: str) -> list[Command]:
    """The commands that typed ``text`` asks for, in order; other keys are nothing."""
    found = map(command_of, keys_in(text))
    return [command for command in found if command is not None]


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
