"""Buttons to commands, and what must not become one."""

from __future__ import annotations

from liveassist.output import midi_codec as midi
from liveassist.output.commands import Command
from liveassist.output.midi_in import Presses
from liveassist.output.midi_sender import ECHO_S, MidiSender
from liveassist.output.surface_model import Surface
from liveassist.output.surfaces import parse_surface

from .scene import HIT

TEXT = """
surface = { name = "x", pages = 2 }
midi = [{ name = "m", port = "p", input = true }, { name = "n", port = "q", input = true }]
hit = [{ drum = "snare", note = 38, to = "m" }]
press = [
  { name = "a", on = "m", number = 64, command = "take/toggle" },
  { name = "b", on = "m", number = 65, channel = 3, command = "page", value = "2" },
  { name = "c", on = "m", message = "note", number = 36, command = "take/mark", value = "here" },
  { name = "d", on = "m", message = "program", number = 5, command = "aim", value = "tight" },
]
"""


class _Paged:
    def __init__(self) -> None:
        self.page = 1
        self.echo: set[bytes] = set()

    def turn(self, page: int) -> None:
        self.page = page

    def is_echo(self, message: bytes) -> bool:
        return message in self.echo


class _Desk:
    """Two ports of one surface, and what came of their messages."""

    def __init__(self) -> None:
        self.surface: Surface = parse_surface(TEXT, "x.toml")
        self.commands: list[Command] = []
        self.woken = 0
        self.presses = Presses(self._offer)
        self.outputs = [_Paged(), _Paged()]
        for port, output in zip(self.surface.midi, self.outputs, strict=True):
            self.presses.add(port, self.surface, output, self._wake)

    def _offer(self, command: Command) -> bool:
        self.commands.append(command)
        return True

    def _wake(self) -> None:
        self.woken += 1

    def hear(self, *messages: bytes, port: int = 0) -> list[str]:
        before = len(self.commands)
        for message in messages:
            self.presses.heard(self.surface.midi[port], message)
        return [command.name for command in self.commands[before:]]


def test_a_controller_is_pressed_from_64_up() -> None:
    # MIDI 1.0: switches read 0 to 63 as off and 64 to 127 as on.
    desk = _Desk()
    assert desk.hear(midi.controller(1, 64, 63)) == []
    assert desk.hear(midi.controller(1, 64, 64)) == ["take/toggle"]


def test_a_button_held_down_is_one_press() -> None:
    desk = _Desk()
    down, up = midi.controller(1, 64, 127), midi.controller(1, 64, 0)
    assert desk.hear(down, down, down) == ["take/toggle"]
    assert desk.hear(up, down) == ["take/toggle"]


def test_notes_and_programs() -> None:
    desk = _Desk()
    assert desk.hear(midi.note_on(1, 36, 1)) == ["take/mark"]
    assert desk.commands[-1].args == ("here",)
    assert desk.hear(midi.note_on(1, 36, 0), midi.note_off(1, 36)) == []
    assert desk.hear(midi.program_change(1, 5)) == ["aim"]
    assert desk.commands[-1] == Command("aim", ("tight",), "MIDI m")


def test_other_channels_numbers_and_ports_say_nothing() -> None:
    desk = _Desk()
    assert desk.hear(midi.controller(2, 64, 127), midi.controller(1, 63, 127)) == []
    assert desk.hear(midi.controller(1, 64, 127), port=1) == []
    assert desk.hear(midi.CLOCK, midi.sysex(b"\x7d"), midi.pitch_bend(1, 0)) == []


def test_a_page_is_turned_on_all_ports_of_the_surface() -> None:
    desk = _Desk()
    assert desk.hear(midi.controller(3, 65, 127)) == []
    assert [output.page for output in desk.outputs] == [2, 2]
    assert desk.woken == 2


def test_what_a_port_sends_back_is_not_a_press() -> None:
    desk = _Desk()
    message = midi.note_on(1, 36, 100)
    desk.outputs[0].echo.add(message)
    assert desk.hear(message) == []
    assert desk.hear(midi.note_on(1, 36, 99)) == ["take/mark"]


def test_an_echo_is_what_was_sent_a_moment_ago() -> None:
    surface = parse_surface(TEXT, "x.toml")
    sender = MidiSender(surface, surface.midi[0])
    (note,) = sender.event(HIT, 10.0)
    assert sender.is_echo(note, 10.0 + ECHO_S / 2)
    assert not sender.is_echo(note, 10.0 + ECHO_S)
    assert not sender.is_echo(midi.note_on(10, 39, 104), 10.0)


def test_what_is_remembered_of_the_past_is_bounded() -> None:
    surface = parse_surface(TEXT, "x.toml")
    sender = MidiSender(surface, surface.midi[0])
    for number in range(1000):
        sender.spend(midi.controller(1 + number // 128 % 16, number % 128, number % 127), 0.0)
    assert len(sender._said) <= 256


FADERS = """
surface = { name = "x", pages = 3 }
midi = [{ name = "m", port = "p", input = true }]
press = [
  { name = "low", number = 9, between = [0, 40], command = "aim", value = "loose" },
  { name = "mid", number = 9, between = [41, 86], command = "aim", value = "natural" },
  { name = "high", number = 9, between = [87, 127], command = "aim", value = "tight" },
  { name = "strip", message = "bend", channel = 2, between = [96, 127], command = "take/mark" },
]
"""


def _faders() -> tuple[Surface, Presses, list[Command]]:
    surface = parse_surface(FADERS, "x.toml")
    given: list[Command] = []

    def offer(command: Command) -> bool:
        given.append(command)
        return True

    presses = Presses(offer)
    presses.add(surface.midi[0], surface, _Paged(), lambda: None)
    return surface, presses, given


def test_a_fader_chooses_one_thing_of_several() -> None:
    surface, presses, given = _faders()
    for value in (0, 10, 39, 41, 60, 86, 90, 127, 88, 60):
        presses.heard(surface.midi[0], midi.controller(1, 9, value))
    assert [command.args[0] for command in given] == ["loose", "natural", "tight", "natural"]


def test_a_motor_fader_speaks_in_pitch_bend() -> None:
    """The high 7 bits count: 96 of them is 12288 of 16383 (MIDI 1.0, bend: low bits first)."""
    surface, presses, given = _faders()
    for value in (0, 12287, 12288, 16383, 5000, 12288):
        presses.heard(surface.midi[0], midi.pitch_bend(2, value))
    assert [command.name for command in given] == ["take/mark", "take/mark"]
    presses.heard(surface.midi[0], midi.pitch_bend(3, 16383))
    assert len(given) == 2


def test_what_comes_back_by_another_port_is_no_press_either() -> None:
    """A loop may lead from one port into another: both are asked whether it was theirs."""
    desk = _Desk()
    desk.outputs[1].echo.add(midi.controller(1, 64, 127))
    assert desk.hear(midi.controller(1, 64, 127)) == []
    desk.outputs[1].echo.clear()
    assert desk.hear(midi.controller(1, 64, 127)) == ["take/toggle"]


def test_a_command_carries_when_it_was_heard() -> None:
    desk = _Desk()
    desk.presses.heard(desk.surface.midi[0], midi.note_on(1, 36, 1), 123.5)
    assert desk.commands[-1].heard_s == 123.5
