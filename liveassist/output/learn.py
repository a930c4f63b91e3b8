"""Writing a surface profile by asking the user to move each control.

`identify` tells from the messages a control sent what kind of control it is; `Learner` asks and
collects; `to_toml` writes the profile. No port is opened here: listening, asking and telling are
given as functions.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .profile_schema import Problems
from .quantities import Quantity
from .surface_model import PRESS_COMMANDS
from .surfaces import BY_KEY

#: How long one control may take, seconds; and the pause that ends its movement.
MOVE_S = 20.0
PAUSE_S = 0.5
#: Figures a fader can be taught here; bleed needs a microphone and a drum: write it by hand.
FADER_FIGURES = [key for key, q in BY_KEY.items() if q.type != "s" and q.subject != "bleed"]


@dataclass(frozen=True, slots=True)
class Moved:
    """What a control turned out to be. ``continuous``: a fader or knob; otherwise a button."""

    message: str
    channel: int
    number: int
    continuous: bool


@dataclass(frozen=True, slots=True)
class Learned:
    """One control with what it is to do: show a figure, or give a command."""

    name: str
    moved: Moved
    shows: str = ""
    subject: str = ""
    command: str = ""
    value: str = ""


def identify(messages: Sequence[bytes]) -> Moved | None:
    """The control that sent these whole messages; None if they are not of one control.

    Of several controls moved at once the one that spoke most is meant.
    """
    counts: dict[tuple[int, int], list[int]] = {}
    for message in messages:
        kind = message[0] & 0xF0
        if kind == 0x90 or kind == 0xB0:
            counts.setdefault((message[0], message[1]), []).append(message[2])
        elif kind == 0xC0:
            counts.setdefault((message[0], message[1]), []).append(127)
        elif kind == 0xE0:
            counts.setdefault((message[0], 0), []).append(message[2])
    if not counts:
        return None
    parameter = _parameter(messages)
    if parameter is not None:
        return parameter
    status, number = max(counts, key=lambda key: len(counts[key]))
    channel = (status & 0x0F) + 1
    kind = status & 0xF0
    if kind == 0xE0:
        return Moved("bend", channel, 0, continuous=True)
    if kind == 0xC0:
        return Moved("program", channel, number, continuous=False)
    if kind == 0x90:
        return Moved("note", channel, number, continuous=False)
    low = number - 32 if number >= 32 else number
    if low < 32 and (status, low) in counts and (status, low + 32) in counts:
        return Moved("cc14", channel, low, continuous=True)
    continuous = bool(set(counts[status, number]) - {0, 127})
    return Moved("cc", channel, number, continuous)


def _parameter(messages: Sequence[bytes]) -> Moved | None:
    """A non-registered parameter: controllers 99 and 98 select it, 6 sets it (MIDI 1.0)."""
    high = low = None
    for message in messages:
        if message[0] & 0xF0 != 0xB0:
            continue
        if message[1] == 99:
            high = message[2]
        elif message[1] == 98:
            low = message[2]
        elif message[1] == 6 and high is not None and low is not None:
            return Moved("nrpn", (message[0] & 0x0F) + 1, high << 7 | low, continuous=True)
    return None


class Learner:
    """Asks for one control after the other.

    ``listen(seconds, pause)`` returns the whole messages heard until nothing came for ``pause``
    seconds after the first, at most ``seconds``. ``ask(question)`` returns the user's answer,
    ``tell(text)`` shows a line.
    """

    def __init__(
        self,
        listen: Callable[[float, float], Sequence[bytes]],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
    ) -> None:
        self._listen, self._ask, self._tell = listen, ask, tell

    def run(self) -> list[Learned]:
        """Learn controls until the user answers the first question with nothing."""
        learned: list[Learned] = []
        while name := self._ask("name of the next control (empty: done)? ").strip():
            self._tell(f"move {name} now, over its whole way, or press it twice")
            moved = identify(self._listen(MOVE_S, PAUSE_S))
            if moved is None:
                self._tell("nothing was heard; is the port the right one?")
                continue
            kind = "fader" if moved.continuous else "button"
            place = f"{moved.message} {moved.number}, channel {moved.channel}"
            self._tell(f"{name} is a {kind}: {place}")
            taken = next((item.name for item in learned if item.moved == moved), None)
            if taken is not None:
                self._tell(f"that is {taken} again")
                continue
            use = self._fader if moved.continuous else self._button
            learned.append(use(name, moved))
        return learned

    def _fader(self, name: str, moved: Moved) -> Learned:
        shows = self._choose("which figure does it show? ", FADER_FIGURES, "the figure")
        subject = ""
        needs = BY_KEY[shows].subject
        while needs in ("drum", "mic") and not subject:
            subject = self._ask(f"of which {needs} (a name or kind, such as snare)? ").strip()
        return Learned(name, moved, shows=shows, subject=subject)

    def _button(self, name: str, moved: Moved) -> Learned:
        command = self._choose("what does it do? ", list(PRESS_COMMANDS), "the command")
        value = ""
        if command in ("page", "aim"):
            value = self._ask(f"which {command}? ").strip()
        return Learned(name, moved, command=command, value=value)

    def _choose(self, question: str, words: list[str], what: str) -> str:
        while True:
            given = self._ask(question).strip()
            if given in words:
                return given
            problems = Problems("answer")
            problems.unknown(what, "the word", given, words)
            self._tell(problems.found[0])


def to_toml(name: str, port: str, learned: Sequence[Learned], pages: int = 1) -> str:
    """The profile of what was learned. Texts are quoted as JSON, which TOML reads alike."""
    q = json.dumps
    lines = [f"# Written by liveassist learn for the MIDI port {port!r}.", "", "[surface]"]
    lines += [f"name = {q(name)}", f"pages = {pages}", "", "[[midi]]", f"name = {q(name)}"]
    lines += [f"port = {q(port)}", "input = true", ""]
    for item in learned:
        moved = item.moved
        place = [f"message = {q(moved.message)}", f"channel = {moved.channel}"]
        place.append(f"number = {moved.number}")
        if item.command:
            lines += ["[[press]]", f"name = {q(item.name)}", *place, f"command = {q(item.command)}"]
            lines += [f"value = {q(item.value)}"] if item.value else []
        else:
            quantity = BY_KEY[item.shows]
            lines += ["[[control]]", f"name = {q(item.name)}", *place, f"shows = {q(item.shows)}"]
            if quantity.subject in ("drum", "mic"):
                lines.append(f"{quantity.subject} = {q(item.subject)}")
            lines.append(f"range = [{_usual_range(quantity)}]")
        lines.append("")
    return "\n".join(lines)


def _usual_range(quantity: Quantity) -> str:
    """A useful range to begin with; the user may narrow it in the file."""
    if quantity.unit == "dBFS":
        return "-60, 0"
    low = 0.0 if quantity.low is None else quantity.low
    high = low + 100.0 if quantity.high is None else quantity.high
    return f"{low:g}, {high:g}"
