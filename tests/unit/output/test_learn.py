"""Learning a surface from what its controls send and its lights show (forms: MIDI 1.0)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from liveassist.output import midi_codec as midi
from liveassist.output.learn import Learned, LearnedLight, Learner, Lesson, Moved, identify
from liveassist.output.learn_lights import LightLearner
from liveassist.output.learn_toml import to_toml
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


class _Person:
    """Answers in order; what was told; what controls send when a person is told to move them."""

    def __init__(self, answers: Sequence[str], heard: Sequence[bytes]) -> None:
        self.answers, self.heard = list(answers), list(heard)
        self.asked: list[str] = []
        self.told: list[str] = []
        self.sent: list[str] = []

    def ask(self, question: str) -> str:
        self.asked.append(question)
        return self.answers.pop(0) + "\n"

    def listen(self, seconds: float, pause: float) -> Sequence[bytes]:
        return _split(self.heard.pop(0))

    def send(self, message: bytes) -> None:
        self.sent.append(message.hex(" "))

    def controls(self) -> tuple[Learner, list[Learned]]:
        learner = Learner(self.listen, self.ask, self.told.append)
        return learner, learner.run()

    def lights(self, pages: int = 1) -> tuple[LightLearner, list[LearnedLight]]:
        teacher = LightLearner(self.listen, self.send, self.ask, self.told.append, pages)
        return teacher, teacher.run()


SWEEP = b"".join(midi.controller(1, 3, v) for v in range(0, 128, 9))
PAD = midi.note_on(1, 36, 90)


def test_a_conversation() -> None:
    person = _Person(
        ["", "fader 3", "spred_db", "spread_db", "kick", "", "lost", "pad", "take/mark",
         "pad again", ""],
        [SWEEP, b"", PAD, PAD],
    )  # fmt: skip
    learner, learned = person.controls()
    assert learned == [
        Learned("fader 3", Moved("cc", 1, 3, True), shows="spread_db", subject="kick",
                span=(0.0, 60.0)),
        Learned("pad", Moved("note", 1, 36, False), command="take/mark"),
    ]  # fmt: skip
    assert learner.pages == 1
    assert any("did you mean 'spread_db'?" in line for line in person.told)
    assert any("nothing was heard" in line for line in person.told)
    assert "that is pad again" in person.told
    surface = parse_surface(to_toml("my bank", "bank*", Lesson(tuple(learned))), "learned.toml")
    assert (surface.controls[0].quantity.key, surface.controls[0].drum) == ("spread_db", "kick")
    assert surface.presses[0].command == "take/mark"


def test_the_range_is_asked_for() -> None:
    person = _Person(
        ["", "f", "suggested_threshold_dbfs", "", "snare", "loud", "0 -60", "-48 to -6", ""],
        [SWEEP],
    )
    _, (learned,) = person.controls()
    assert (learned.subject, learned.span) == ("snare", (-48.0, -6.0))
    assert "from what to what dBFS (empty: -60 0)? " in person.asked
    assert person.told.count("that is two numbers, the lower first, such as -60 0") == 2


def test_a_fader_may_show_another_figure_on_another_page() -> None:
    person = _Person(
        ["17", "2", "f", "spread_db", "snare", "0 6", "1", "f too", "ring_s", "snare", "0.1 2",
         "2", "turn", "page", "3", "2", ""],
        [SWEEP, SWEEP, PAD],
    )  # fmt: skip
    learner, learned = person.controls()
    assert (learner.pages, [item.page for item in learned]) == (2, [1, 2, 0])
    assert learned[2].value == "2"
    assert "that is a whole number from 1 to 16, not '17'" in person.told
    text = to_toml("x", "p", Lesson(tuple(learned), pages=learner.pages))
    surface = parse_surface(text, "x.toml")
    assert surface.pages == 2
    assert [(c.page, c.number) for c in surface.controls] == [(1, 3), (2, 3)]


def test_a_button_that_arms_needs_its_microphone() -> None:
    person = _Person(["", "pad", "apply/arm", "", "snare_top", ""], [PAD])
    _, (learned,) = person.controls()
    assert learned.value == "snare_top"
    text = to_toml("x", "p", Lesson((learned,)))
    assert parse_surface(text, "x.toml").presses[0].value == "snare_top"
    assert not parse_surface(text, "x.toml").midi[0].output  # nothing to show there


def test_lights_are_taught_by_looking_at_them() -> None:
    person = _Person(
        ["yes",
         "", "-", "0", "",            # off: nothing shown yet, must not be left out, 0, kept
         "-",                         # quiet is left out
         "12", "300", "13", "",       # good: looked at two
         "-", "5", "",                # info left out, look
         "96", "",                    # stop
         "13", "", "-",               # running, waiting
         "stop, loud", "stop",
         "take light", "take",
         "snare light", "drum", "snare",
         "lamp", "note 200", "cc 20 2", "alerts",
         ""],
        [PAD, PAD, midi.note_on(1, 40, 5), b""],
    )  # fmt: skip
    teacher, lights = person.lights()
    assert teacher.meanings == {"off": 0, "good": 13, "look": 5, "stop": 96, "running": 13}
    assert teacher.blink == ("stop",)
    assert lights == [
        LearnedLight("take light", Moved("note", 1, 36, False), "take"),
        LearnedLight("snare light", Moved("note", 1, 40, False), "drum", "snare"),
        LearnedLight("lamp", Moved("cc", 2, 20, False), "alerts"),
    ]
    assert person.sent == [
        "90 24 00", "90 24 0c", "90 24 0d", "90 24 05", "90 24 60", "90 24 0d",
        "90 24 0d", "90 28 0d", "b1 14 0d",      # each light as good
        "90 24 00", "90 28 00", "b1 14 00",      # dark again
    ]  # fmt: skip
    assert any("not '300'" in line for line in person.told)
    assert "'loud' is none of them; taught: good, look, stop, running" in person.told
    lesson = Lesson((), tuple(lights), teacher.meanings, teacher.blink)
    surface = parse_surface(to_toml("grid", "grid", lesson), "learned.toml")
    assert surface.blink == ("stop",)
    assert surface.meanings == teacher.meanings
    assert [(light.shows, light.message, light.number) for light in surface.lights] == [
        ("take", "note", 36),
        ("drum", "note", 40),
        ("alerts", "cc", 20),
    ]
    assert surface.midi[0].output


def test_lights_stand_on_pages_too() -> None:
    answers = ["y", "0", "", "-", "1", "", "-", "-", "-", "-", "-", "", "a", "take", "2", ""]
    person = _Person(answers, [PAD, PAD])
    teacher, (light,) = person.lights(pages=2)
    assert light.page == 2
    lesson = Lesson((), (light,), teacher.meanings, (), 2)
    assert parse_surface(to_toml("x", "p", lesson), "x.toml").lights[0].page == 2


def test_without_lights_nothing_is_sent() -> None:
    person = _Person([""], [])
    teacher, lights = person.lights()
    assert (lights, person.sent, teacher.meanings) == ([], [], {})


def test_a_conversation_that_breaks_off_leaves_no_light_on() -> None:
    person = _Person(["yes", "9"], [PAD])
    with pytest.raises(IndexError):
        person.lights()
    assert person.sent == ["90 24 09", "90 24 00"]


@pytest.mark.parametrize(
    "shows", [q.key for q in QUANTITIES if q.type != "s" and q.subject != "bleed"]
)
def test_every_figure_makes_a_profile_that_can_be_read(shows: str) -> None:
    item = Learned('a "fader"', Moved("cc14", 16, 31, True), shows=shows, subject="snare")
    text = to_toml("x", 'odd "port" \\', Lesson((item,)))
    surface = parse_surface(text, "learned.toml")
    assert surface.controls[0].name == 'a "fader"'
    assert surface.midi[0].port == 'odd "port" \\'


@pytest.mark.parametrize("command", PRESS_COMMANDS)
def test_every_command_makes_a_profile_that_can_be_read(command: str) -> None:
    item = Learned("b", Moved("note", 1, 5, False), command=command, value="1")
    text = to_toml("x", "p", Lesson((item,)))
    assert parse_surface(text, "l.toml").presses[0].command == command
