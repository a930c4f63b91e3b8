"""Learning a surface from what its controls send (message forms: MIDI 1.0)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from liveassist.output import midi_codec as midi
from liveassist.output.learn import Learned, Learner, Moved, identify, to_toml
from liveassist.output.quantities import QUANTITIES
from liveassist.output.surface_model import PRESS_COMMANDS
from liveassist.output.surfaces import parse_surface


def _split(data: bytes) -> list[bytes]:
    return midi.MidiReader().feed(data)


@pytest.mark.parametrize(
    ("data", "moved"),
    [
        (b"".join(midi.controller(2, 20, v) for v in range(0, 128, 9)), Moved("cc", 2, 20, True)),
        (midi.controller(1, 64, 127) + midi.controller(1, 64, 0), Moved("cc", 1, 64, False)),
        (
            b"".join(midi.controller_14(1, 7, v) for v in range(0, 16384, 999)),
            Moved("cc14", 1, 7, True),
        ),
        (b"".join(midi.nrpn(3, 1000, v) for v in (0, 8192)), Moved("nrpn", 3, 1000, True)),
        (b"".join(midi.pitch_bend(5, v) for v in (0, 9000)), Moved("bend", 5, 0, True)),
        (midi.note_on(10, 36, 90) + midi.note_on(10, 36, 0), Moved("note", 10, 36, False)),
        (midi.program_change(1, 9), Moved("program", 1, 9, False)),
        (
            midi.controller(1, 3, 5) + b"".join(midi.controller(1, 4, v) for v in range(20)),
            Moved("cc", 1, 4, True),
        ),
        (midi.CLOCK + midi.sysex(b"\x7d"), None),
        (b"", None),
    ],
)
def test_what_was_moved(data: bytes, moved: Moved | None) -> None:
    assert identify(_split(data)) == moved


def test_a_conversation() -> None:
    heard = [
        b"".join(midi.controller(1, 3, v) for v in range(0, 128, 9)),
        b"",
        midi.note_on(1, 36, 90),
        midi.note_on(1, 36, 90),
    ]
    answers = iter(
        ["fader 3", "spred_db", "spread_db", "kick", "lost", "pad", "page", "1", "pad again", ""]
    )
    told: list[str] = []

    def listen(seconds: float, pause: float) -> Sequence[bytes]:
        return _split(heard.pop(0))

    learned = Learner(listen, lambda question: next(answers), told.append).run()
    assert learned == [
        Learned("fader 3", Moved("cc", 1, 3, True), shows="spread_db", subject="kick"),
        Learned("pad", Moved("note", 1, 36, False), command="page", value="1"),
    ]
    assert any("did you mean 'spread_db'?" in line for line in told)
    assert any("nothing was heard" in line for line in told)
    assert "that is pad again" in told
    surface = parse_surface(to_toml("my bank", "bank*", learned), "learned.toml")
    assert (surface.controls[0].quantity.key, surface.controls[0].drum) == ("spread_db", "kick")
    assert surface.presses[0].command == "page"


@pytest.mark.parametrize(
    "shows", [q.key for q in QUANTITIES if q.type != "s" and q.subject != "bleed"]
)
def test_every_figure_makes_a_profile_that_can_be_read(shows: str) -> None:
    item = Learned('a "fader"', Moved("cc14", 16, 31, True), shows=shows, subject="snare")
    surface = parse_surface(to_toml("x", 'odd "port" \\', [item]), "learned.toml")
    assert surface.controls[0].name == 'a "fader"'
    assert surface.midi[0].port == 'odd "port" \\'


@pytest.mark.parametrize("command", PRESS_COMMANDS)
def test_every_command_makes_a_profile_that_can_be_read(command: str) -> None:
    item = Learned("b", Moved("note", 1, 5, False), command=command, value="1")
    assert parse_surface(to_toml("x", "p", [item]), "l.toml").presses[0].command == command
