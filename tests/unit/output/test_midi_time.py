"""Transport, clock and time code by MIDI 1.0 and RP-013."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from liveassist.output import midi_codec as midi
from liveassist.output.commands import Command
from liveassist.output.midi_in import Presses
from liveassist.output.midi_time import MidiTime
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
