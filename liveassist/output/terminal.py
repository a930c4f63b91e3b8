"""The terminal dashboard: the thin edge around `terminal_pages.render`.

`Dashboard.draw` is called with whatever snapshot is newest and draws at most ten times a second;
it never waits, and a terminal that breaks ends the drawing, never the listening.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rich.console import Console, ConsoleDimensions

from liveassist.model import Alert, Snapshot
from liveassist.output.keys import Command, KeyReader, command_of, keys_in
from liveassist.output.prompt import Prompt
from liveassist.output.terminal_pages import page_rows, render
from liveassist.output.terminal_picture import export_svg
from liveassist.output.terminal_plain import plain_lines, speakable, summary_lines
from liveassist.output.terminal_reading import View, help_paragraphs, most_scroll
from liveassist.output.terminal_screen import Screen
from liveassist.output.terminal_takes import chosen, take_sentences
from liveassist.output.terminal_words import AlertId, alert_id, ordered_alerts

__all__ = [
    "Command",
    "Dashboard",
    "KeyReader",
    "Press",
    "export_svg",
    "plain_lines",
    "render",
    "summary_lines",
]

#: Redraws a second at most; more cannot be read and costs analysis time.
MOST_PER_S = 10.0
#: Plain mode speaks at most this often, s, and only what is new.
PLAIN_EVERY_S = 10.0
#: Plain mode repeats figures that have changed this often, s; in between only new wordings.
PLAIN_ALL_EVERY_S = 60.0
#: The second press of quit counts within this time, s.
QUIT_AGAIN_S = 3.0
#: How long a message stays on the key line, s.
MESSAGE_S = 3.0
#: Pages by the key that turns to them, and how far other keys move on one, lines.
_PAGE_KEYS: Mapping[Command, str] = {
    "page_large": "large",
    "page_between": "between",
    "page_takes": "takes",
    "page_expander": "expander",
    "help": "help",
}
_MOVES: Mapping[Command, int] = {"up": -1, "down": 1, "page_up": -10, "page_down": 10}
#: Alerts put away are remembered up to this many, oldest forgotten first.
MOST_SILENCED = 256


@dataclass(frozen=True, slots=True)
class Press:
    """What is left to do of a key: a command, on a take or an alert, with what was typed for it."""

    command: Command
    take: str = ""
    text: str = ""
    alert: Alert | None = None


def _wordings(line: str) -> str:
    """A sentence without its figures."""
    return re.sub(r"[0-9][0-9.]*", "#", line)


class Dashboard:
    """Draws snapshots on a terminal; draws nothing where there is none.

    ``plain`` prints changed sentences instead of drawing, into a pipe too; so does a terminal that
    cannot move its cursor (TERM=dumb). ``clock`` gives seconds that never run backwards. Use from
    one thread.
    ``problem`` says why drawing has ended, ``frames`` how many pictures were drawn, ``skipped``
    how many snapshots came too soon.
    """

    def __init__(
        self,
        console: Console | None = None,
        *,
        page: str = "main",
        plain: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.console = Console() if console is None else console
        self.page = page
        self.problem: str | None = None
        self.frames = 0
        self.skipped = 0
        self._plain = plain or self.console.is_dumb_terminal
        self._clock = clock
        self._screen = Screen(self.console, clock)
        self._closed = False
        self._last_drawn: float | None = None
        self._last_lines: list[str] = []
        self._last_all: float | None = None
        self._latest: Snapshot | None = None
        self._silenced: dict[AlertId, None] = {}
        #: Lines that the page is moved down by; on the list of takes, the take that is chosen.
        self._scroll = 0
        #: The alert that the last ``silence_alert`` put away; None if there was none to.
        self.put_away: Alert | None = None
        self._message, self._message_until = "", 0.0
        self._noticed = ""
        self._quit_until: float | None = None
        self._prompt: Prompt | None = None

    @property
    def active(self) -> bool:
        """Whether snapshots are shown: there is a terminal, or sentences, which need none; not
        closed and not broken."""
        shown = self.console.is_terminal or self._plain
        return shown and not self._closed and self.problem is None

    def draw(self, snapshot: Snapshot) -> bool:
        """Show ``snapshot`` unless the last was shown too short a time ago; whether it was."""
        if snapshot.notice and snapshot.notice != self._noticed:
            self.say(snapshot.notice)
        self._noticed = snapshot.notice
        self._latest = snapshot
        if not self.active:
            return False
        now = self._clock()
        if self._plain and self._prompt is not None:
            return False  # nothing is said between the letters of what is typed
        every = PLAIN_EVERY_S if self._plain else 1.0 / MOST_PER_S
        if self._last_drawn is not None and now - self._last_drawn < every:
            self.skipped += 1
            return False
        self._last_drawn = now
        try:
            if self._plain:
                self._speak(snapshot)
            else:
                self._paint(snapshot, now)
        except OSError as problem:
            self.problem = f"The terminal cannot be written to: {problem}."
            self.close()
            return False
        self.frames += 1
        return True

    def typed(self, text: str) -> list[Press]:
        """Take in what was typed: letters of a line that is asked for, else keys; what is left for
        the caller to do."""
        left = []
        for key in keys_in(text):
            press = self._letter(key) if self._prompt is not None else self._key(key)
            if press is not None:
                left.append(press)
        return left

    def _key(self, key: str) -> Press | None:
        command = command_of(key)
        left = None if command is None else self.handle(command)
        if left is None:
            return None
        alert = self.put_away if left == "silence_alert" else None
        return Press(left, self.subject(left), alert=alert)

    def _letter(self, key: str) -> Press | None:
        prompt = self._prompt
        assert prompt is not None
        echo = prompt.type(key)
        if self._plain and echo:
            self.console.file.write(echo)
            self.console.file.flush()
        self._redraw_soon()
        if prompt.state == "open":
            return None
        self._prompt = None
        if self._plain:
            self._print([""])
        if prompt.state == "left":
            self.say(f"{prompt.take} stays as it is.")
            return None
        return Press(prompt.command, prompt.take, prompt.text.strip())

    def _ask(self, command: Command) -> None:
        """Ask for a line of text about the chosen take, else the one that runs or was last."""
        takes = () if self._latest is None else self._latest.takes
        take = self.chosen or max(
            takes, key=lambda one: (one.end_s is None, one.end_s or 0.0), default=None
        )
        if not take:
            self.say("There is no take yet.")
            return
        self._prompt = Prompt(command, take if isinstance(take, str) else take.name)
        if self._plain:
            self._print([self._prompt.question])
        self._redraw_soon()

    def handle(self, command: Command) -> Command | None:
        """Carry out what concerns the screen alone; return what is left for the caller to do.

        Left are commands on takes and corrections (`chosen` says on which take), ``silence_alert``
        (already put away on screen) and ``quit``, the last only at the second press while a marked
        take runs.
        """
        now = self._clock()
        if command in _PAGE_KEYS:
            self._turn_to(_PAGE_KEYS[command])
            return None
        if command in _MOVES:
            self._move(_MOVES[command])
            return None
        if command in ("rename", "note"):
            self._ask(command)
            return None
        if command == "quit" and self._take_is_marked():
            if self._quit_until is None or now > self._quit_until:
                self._quit_until = now + QUIT_AGAIN_S
                self.say("A take is running. Press q again to stop listening.")
                return None
        elif command == "silence_alert":
            self._silence_first()
        return command

    @property
    def chosen(self) -> str:
        """Name of the take chosen in the list; empty on other pages."""
        if self.page != "takes" or self._latest is None:
            return ""
        line = chosen(self._latest.takes, self._scroll)
        return "" if line is None else line.name

    def subject(self, command: Command) -> str:
        """The take that a command is about: the chosen one for those that the list offers."""
        return self.chosen if command in ("star", "set_reference", "join") else ""

    def _turn_to(self, page: str) -> None:
        self.page = "main" if self.page == page else page
        takes = self._latest.takes if self._latest is not None else ()
        self._scroll = max(0, len(takes) - 1) if self.page == "takes" else 0
        if self._plain and self._latest is not None:
            if self.page == "takes":
                self._print(take_sentences(self._latest))
            elif self.page == "help":
                self._print([text for text, _ in help_paragraphs()])
            else:
                self._last_lines, self._last_all, self._last_drawn = [], None, None
        self._redraw_soon()

    def _move(self, lines: int) -> None:
        if self._latest is None:
            return
        if self.page == "takes":
            most = len(self._latest.takes) - 1
        else:
            width, height = self._size()
            rows = page_rows(height)
            view = View(0, rows, self._latest, self._put_away(self._latest))
            most = most_scroll(view, self.page, width, rows)
        self._scroll = max(0, min(self._scroll + lines, most))
        self._redraw_soon()

    def say(self, message: str) -> None:
        """Put a sentence on the key line for a few seconds (in plain mode: print it)."""
        self._message, self._message_until = message, self._clock() + MESSAGE_S
        self._redraw_soon()

    def close(self) -> None:
        """Give the screen back as it was. May be called any number of times."""
        self._closed = True
        # A terminal that has gone away cannot be put back in order, nor need it be.
        try:
            self._screen.close()
        except OSError as problem:
            self.problem = self.problem or f"The terminal cannot be written to: {problem}."

    def __enter__(self) -> Dashboard:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _paint(self, snapshot: Snapshot, now: float) -> None:
        width, height = self._size()
        frame = render(
            snapshot,
            width,
            height,
            colour=self.console.color_system is not None and not self.console.no_color,
            page=self.page,
            silenced=self._put_away(snapshot),
            message=self._foot(width, now),
            scroll=self._scroll,
        )
        self._screen.paint(frame)

    def _foot(self, width: int, now: float) -> str:
        """What stands on the key line in place of the keys."""
        if self._prompt is not None:
            return self._prompt.line(width - 2)
        return self._message if now < self._message_until else ""

    def _size(self) -> tuple[int, int]:
        """The terminal's size now, asked for at every picture so that a resize is followed.

        The terminal itself is asked first: rich would believe an exported COLUMNS for ever.
        """
        try:
            asked = os.get_terminal_size(self.console.file.fileno())
        except (AttributeError, OSError, ValueError):  # no real terminal behind it
            return self.console.size
        if asked.columns > 0 and asked.lines > 0:
            self.console.size = ConsoleDimensions(asked.columns, asked.lines)
        return self.console.size

    def _speak(self, snapshot: Snapshot) -> None:
        lines = plain_lines(snapshot, self._put_away(snapshot))
        if self._message:
            lines.insert(0, self._message)
            self._message = ""
        # A clock or a meter that has moved on is not news; now and then every figure is.
        now = self._clock()
        everything = self._last_all is None or now - self._last_all >= PLAIN_ALL_EVERY_S
        if everything:
            self._last_all = now
        known = set(self._last_lines) if everything else set(map(_wordings, self._last_lines))
        for line in lines:
            if (line if everything else _wordings(line)) not in known:
                self.console.print(line, markup=False, highlight=False, soft_wrap=True)
        self._last_lines = lines

    def _print(self, lines: list[str]) -> None:
        for line in lines:
            self.console.print(speakable(line), markup=False, highlight=False, soft_wrap=True)

    def _put_away(self, snapshot: Snapshot) -> set[AlertId]:
        """Alerts silenced here, and those acknowledged anywhere else."""
        return {*self._silenced, *map(alert_id, snapshot.silenced)}

    def _take_is_marked(self) -> bool:
        take = self._latest.take if self._latest else None
        return take is not None and take.end_s is None and not take.provisional

    def _silence_first(self) -> None:
        if self._latest is None:
            return
        known = self._put_away(self._latest)
        self.put_away = None
        for alert in ordered_alerts(self._latest.alerts, known):
            name = alert_id(alert)
            if alert.end_s is None and name not in known:
                self._silenced[name] = None
                self.put_away = alert
                while len(self._silenced) > MOST_SILENCED:
                    del self._silenced[next(iter(self._silenced))]
                self._redraw_soon()
                return

    def _redraw_soon(self) -> None:
        """Let the next snapshot through at once: a key wants an answer."""
        if not self._plain:
            self._last_drawn = None
