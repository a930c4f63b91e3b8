"""Transport, clock and time code by MIDI 1.0 and RP-013."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from liveassist.output import midi_codec as midi
from liveassist.output.commands import Command
from liveassist.output.midi_in import Presses
from liveassist.output.midi_time import MidiTime, clock_note
from liveassist.output.surfaces import parse_surface


def test_start_stop_and_continue() -> None:
    time = MidiTime()
    heard = [midi.START, midi.START, midi.STOP, midi.STOP, midi.CONTINUE, midi.STOP]
    assert [time.hear(m, 0.0) for m in heard] == ["start", None, "stop", None, "start", "stop"]


def test_machine_control() -> None:
    time = MidiTime()
    heard = [midi.MMC_PLAY, midi.MMC_RECORD, midi.MMC_RECORD_EXIT, midi.MMC_RECORD, midi.MMC_STOP]
    asked = [time.hear(midi.machine_control(command), 0.0) for command in heard]
    assert asked == [None, "start", "stop", "start", "stop"]


def test_playback_is_no_take_where_only_record_counts() -> None:
    time = MidiTime(record_only=True)
    heard = [
        midi.START,
        midi.STOP,
        midi.machine_control(midi.MMC_RECORD),
        midi.START,
        midi.STOP,
        midi.CONTINUE,
        midi.machine_control(midi.MMC_RECORD),
        midi.machine_control(midi.MMC_RECORD_EXIT),
        midi.STOP,
    ]
    asked = [time.hear(m, 0.0) for m in heard]
    assert asked == [None, None, "start", None, "stop", None, "start", "stop", None]
    # The song runs all the same.
    assert [w.what for w in time.words] == ["start", "stop", "start", "stop", "continue", "stop"]


def test_a_machine_that_says_it_twice_makes_one_take() -> None:
    time = MidiTime()
    heard = [midi.machine_control(midi.MMC_RECORD), midi.START, midi.STOP]
    heard.append(midi.machine_control(midi.MMC_STOP))
    assert [time.hear(m, 0.0) for m in heard] == ["start", None, "stop", None]


@pytest.mark.parametrize("bpm", [60.0, 120.0, 187.5])
def test_tempo_and_beat(bpm: float) -> None:
    """24 clocks a quarter note: 20.833 ms apart at 120 beats a minute (MIDI 1.0)."""
    time = MidiTime()
    tick = 60.0 / bpm / 24
    time.hear(midi.START, 5.0)
    for number in range(24 * 4 + 7):
        time.hear(midi.CLOCK, 5.0 + number * tick)
    timing = time.timing()
    assert timing.tempo_bpm == pytest.approx(bpm, rel=1e-9)
    assert timing.beat_s == pytest.approx(5.0 + 24 * 4 * tick, abs=1e-9)
    assert timing.jitter_ms == pytest.approx(0.0, abs=1e-6)
    assert timing.running


def test_jitter_hardly_moves_the_beat() -> None:
    """Ticks 1 ms off at random: a fitted line over 49 is off by about 1/sqrt(49) x 2 at its end
    (ordinary least squares), so three of those bound the beat."""
    rng = random.Random(3)
    time = MidiTime()
    tick = 60.0 / 120 / 24
    for number in range(24 * 8 + 1):
        time.hear(midi.CLOCK, number * tick + rng.gauss(0, 0.001))
    timing = time.timing()
    assert timing.tempo_bpm == pytest.approx(120, abs=0.5)
    assert timing.beat_s == pytest.approx(4.0, abs=3 * 0.001 * 2 / 7)
    assert timing.jitter_ms == pytest.approx(1.0, abs=0.35)


def test_a_stopped_clock_begins_anew() -> None:
    time = MidiTime()
    for number in range(60):
        time.hear(midi.CLOCK, number * 0.02)
    assert time.timing().tempo_bpm is not None
    time.hear(midi.CLOCK, 100.0)
    assert time.timing().tempo_bpm is None


def test_time_code_from_quarter_frames() -> None:
    time = MidiTime()
    for number, piece in enumerate(midi.quarter_frames(1, 2, 3, 4, 1)):
        time.hear(piece, 10.0 + number / 100)
    timing = time.timing()
    assert timing.time_code_s == pytest.approx(3723 + 4 / 25)
    assert timing.time_code_at_s == 10.0
    assert timing.frames_per_s == 25.0


def test_a_lost_piece_spoils_only_its_own_time_code() -> None:
    time = MidiTime()
    pieces = midi.quarter_frames(1, 2, 3, 4, 1)
    for piece in (*pieces[:3], *pieces[4:]):
        time.hear(piece, 1.0)
    assert time.timing().time_code_s is None
    for piece in pieces:
        time.hear(piece, 2.0)
    assert time.timing().time_code_s is not None


def test_full_time_code() -> None:
    time = MidiTime()
    time.hear(midi.full_time_code(1, 2, 3, 4, 3), 7.0)
    assert time.timing().time_code_s == pytest.approx(3723 + 4 / 30)


@pytest.mark.parametrize(
    ("code", "frame"),
    [
        # SMPTE 12M: frames 0 and 1 are dropped each minute except each tenth.
        ((0, 0, 59, 29), 1799),
        ((0, 1, 0, 2), 1800),
        ((0, 10, 0, 0), 17982),
        ((1, 0, 0, 0), 107892),
    ],
)
def test_drop_frame(code: tuple[int, int, int, int], frame: int) -> None:
    time = MidiTime()
    time.hear(midi.full_time_code(*code, 2), 0.0)
    assert time.timing().time_code_s == pytest.approx(float(frame / Fraction(30000, 1001)))


@pytest.mark.parametrize("code", [(24, 0, 0, 0), (0, 60, 0, 0), (0, 0, 60, 0), (0, 0, 0, 25)])
def test_impossible_time_codes_are_ignored(code: tuple[int, int, int, int]) -> None:
    time = MidiTime()
    time.hear(midi.full_time_code(*code, 1), 0.0)
    assert time.timing().time_code_s is None


def test_any_bytes_are_survived() -> None:
    rng = random.Random(9)
    time, reader = MidiTime(), midi.MidiReader()
    for step in range(200):
        for message in reader.feed(rng.randbytes(100)):
            time.hear(message, step * rng.random())
            time.timing()


class _Output:
    def turn(self, page: int) -> None:
        raise AssertionError("no page is turned here")

    def is_echo(self, message: bytes) -> bool:
        return False


@pytest.mark.parametrize(
    ("transport", "names"), [("true", ["take/start", "take/stop"]), ("false", [])]
)
def test_the_transport_starts_takes_only_where_the_profile_says_so(
    transport: str, names: list[str]
) -> None:
    surface = parse_surface(
        'surface = { name = "x" }\n'
        f'midi = [{{ name = "m", port = "p", input = true, transport = {transport} }}]',
        "x.toml",
    )
    commands: list[Command] = []

    def offer(command: Command) -> bool:
        commands.append(command)
        return True

    presses = Presses(offer, lambda: 1.0)
    presses.add(surface.midi[0], surface, _Output(), lambda: None)
    presses.heard(surface.midi[0], midi.START)
    presses.heard(surface.midi[0], midi.STOP)
    assert [command.name for command in commands] == names
    assert not presses.timing()["m"].running


def test_the_line_about_a_port_says_what_clock_it_hears() -> None:
    time = MidiTime()
    assert clock_note(time.timing(), 0.0) == ""
    for number in range(24 * 3):
        time.hear(midi.CLOCK, number * 60.0 / 132 / 24)
    assert clock_note(time.timing(), 1.5) == "clock at 132 beats a minute, not started"
    time.hear(midi.START, 1.5)
    for number in range(24 * 3):
        time.hear(midi.CLOCK, 2.0 + number * 0.5 / 24)
    for piece in midi.quarter_frames(1, 2, 3, 4, 1):
        time.hear(piece, 3.0)
    assert clock_note(time.timing(), 3.6) == "clock at 120 beats a minute and time code"
    assert clock_note(time.timing(), 9.0) == ""


def test_words_for_the_session_are_in_order_and_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Song position counts sixteenths (MIDI 1.0): 256 of them are beat 64."""
    monkeypatch.setattr("liveassist.output.midi_time.MAX_WORDS", 12)
    time = MidiTime()
    heard = [bytes([0xF2, 0x00, 0x02]), midi.CONTINUE, midi.CLOCK, midi.STOP]
    for number, message in enumerate(heard):
        time.hear(message, float(number))
    for number, piece in enumerate(midi.quarter_frames(1, 2, 3, 4, 1)):
        time.hear(piece, 10.0 + number / 100)
    said = [(word.what, word.time_s, word.value) for word in time.words]
    assert said == [
        ("position", 0.0, 64.0),
        ("continue", 1.0, 0.0),
        ("tick", 2.0, 0.0),
        ("stop", 3.0, 0.0),
        ("code", 10.0, pytest.approx(3723.16)),
    ]
    # A full time code is a locate, said while the machine stands: nothing goes on from it.
    time.hear(midi.full_time_code(2, 0, 0, 0, 1), 11.0)
    assert len(time.words) == 5
    for number in range(20):
        time.hear(midi.CLOCK, 20.0 + number)
    assert (len(time.words), time.dropped) == (12, 13)


def test_only_ports_that_keep_time_speak_to_the_session() -> None:
    surface = parse_surface(
        'surface = { name = "x" }\n'
        'midi = [{ name = "a", port = "p", input = true },'
        ' { name = "b", port = "q", input = true, clock = true }]',
        "x.toml",
    )
    presses = Presses(lambda command: True, lambda: 1.0)
    for port in surface.midi:
        presses.add(port, surface, _Output(), lambda: None)
        presses.heard(port, midi.CLOCK, 7.5)
    words = presses.clock_words()
    assert [port.name for port in words] == ["b"]
    assert [(word.what, word.time_s) for word in words[surface.midi[1]]] == [("tick", 7.5)]
    assert list(presses.clock_words()[surface.midi[1]]) == []  # taken once
