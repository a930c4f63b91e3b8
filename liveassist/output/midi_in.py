"""MIDI in: buttons and switches to the same commands that OSC gives."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from liveassist.model import ClockWord

from .commands import Command
from .midi_time import MidiTime, Timing, clock_note
from .surface_model import MidiPort, Press, Surface

_KIND = {0x9: "note", 0xB: "cc", 0xC: "program", 0xE: "bend"}


def values_of(message: bytes) -> tuple[str, int, int, int] | None:
    """Kind, channel, number and value of what a control said; None if no control says this.

    A pitch bend is a fader without a number; its value is its high 7 bits.
    """
    kind = _KIND.get(message[0] >> 4) if message[0] < 0xF0 else None
    if kind is None:
        return None
    channel = (message[0] & 0x0F) + 1
    if kind == "bend":
        return kind, channel, 0, message[2]
    return kind, channel, message[1], message[2] if kind != "program" else 127


def pressed(message: bytes, port: str, surface: Surface, down: set[Press]) -> list[Press]:
    """The buttons that a message has just pressed. ``down``: those held, kept up to date: a
    controller that repeats its value is one press (MIDI 1.0: 64 to 127 is on, unless the profile
    says ``between``)."""
    said = values_of(message)
    if said is None:
        return []
    kind, channel, number, value = said
    found = []
    for press in surface.presses:
        at = (press.on, press.message, press.channel, 0 if kind == "bend" else press.number)
        if at != (port, kind, channel, number):
            continue
        if kind in ("cc", "bend"):
            inside = press.between[0] <= value <= press.between[1]
            if inside and press not in down:
                found.append(press)
            (down.add if inside else down.discard)(press)
        elif value:
            found.append(press)
    return found


def command_of(press: Press, source: str, heard_s: float | None = None) -> Command:
    """The command a button gives."""
    return Command(press.command, (press.value,) if press.value else (), source, heard_s=heard_s)


class Paged(Protocol):
    """What `Presses` needs of the output on the same port."""

    def turn(self, page: int) -> None:
        """Show another page."""

    def is_echo(self, message: bytes) -> bool:
        """Whether a message only repeats what was just sent."""


@dataclass(slots=True)
class _Listener:
    port: MidiPort
    surface: Surface
    output: Paged
    wake: Callable[[], None]
    down: set[Press] = field(default_factory=set)
    time: MidiTime = field(default_factory=MidiTime)


class Presses:
    """Turns what MIDI ports say into commands, pages within the surface included."""

    def __init__(
        self, offer: Callable[[Command], bool], monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._offer = offer
        self._monotonic = monotonic
        self._listeners: dict[int, _Listener] = {}
        self.dropped = 0

    def add(
        self,
        port: MidiPort,
        surface: Surface,
        output: Paged,
        wake: Callable[[], None],
    ) -> None:
        """Listen for the buttons of one surface on one port, whose output is ``output``."""
        self._listeners[id(port)] = _Listener(
            port, surface, output, wake, time=MidiTime(port.record_only)
        )

    def heard(self, port: MidiPort, message: bytes, heard_s: float | None = None) -> None:
        """A whole message came in on a port (the port process's reading thread), at ``heard_s``
        of the monotonic clock (None: just now)."""
        listener = self._listeners.get(id(port))
        if listener is None or any(o.output.is_echo(message) for o in self._listeners.values()):
            return  # what we sent came back, by whatever way: acting on it could go on for ever
        now = self._monotonic() if heard_s is None else heard_s
        asked = listener.time.hear(message, now)
        if asked is not None and port.transport:
            self._give(Command(f"take/{asked}", (), f"MIDI {port.name}", heard_s=now))
        for press in pressed(message, port.name, listener.surface, listener.down):
            self._do(press, listener, now)

    def _do(self, press: Press, listener: _Listener, now: float) -> None:
        if press.command == "page":
            for other in self._listeners.values():
                if other.surface is listener.surface:
                    other.output.turn(int(press.value or 1))
                    other.wake()
        else:
            self._give(command_of(press, f"MIDI {listener.port.name}", now))

    def timing(self) -> dict[str, Timing]:
        """What each port says about tempo and time code, by its name."""
        return {item.port.name: item.time.timing() for item in self._listeners.values()}

    def clock_notes(self, now: float) -> Mapping[str, str]:
        """By port: what clock and time code it hears, in words (see `midi_time.clock_note`)."""
        return {
            item.port.name: clock_note(item.time.timing(), now) for item in self._listeners.values()
        }

    def clock_words(self) -> Mapping[MidiPort, Sequence[ClockWord]]:
        """What the ports that keep the session's time said since the last call, in the monotonic
        clock. Called on one thread, which need not be that of `heard`."""
        found: dict[MidiPort, list[ClockWord]] = {}
        for item in self._listeners.values():
            if item.port.keeps_time:
                words = item.time.words
                found[item.port] = [words.popleft() for _ in range(len(words))]
        return found

    def _give(self, command: Command) -> None:
        if not self._offer(command):
            self.dropped += 1
