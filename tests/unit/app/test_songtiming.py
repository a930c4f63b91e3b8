"""The session on the recorder's clock: words in, figures and a file out."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.session import Session
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.songfile import CLOCK_NAME, ClockRows, clock_csv, read_song
from liveassist.app.songtiming import SongTiming
from liveassist.app.steering import Steering
from liveassist.errors import InputError
from liveassist.model import Block, ClockWord, Drum, Hit, Kit, Mic
from liveassist.output.commands import Command
from liveassist.output.quantities import QUANTITIES, Value, reason
from liveassist.output.surface_model import MidiPort
from liveassist.song import Beat, Code
from tests.unit.app.fakes import FakePipeline
from tests.unit.output.scene import KIT as DRUMS
from tests.unit.output.scene import SNAPSHOT

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
RATE = 1000
RECORDER = MidiPort("recorder", "rec", output=False, input=True, transport=True)
#: The monotonic clock is this much ahead of the session's.
AHEAD_S = 5000.0


def silence(first: int, seconds: float) -> Block:
    return Block(first, np.zeros((round(seconds * RATE), 1), dtype=np.float32))


class Wire:
    """What ports say, until it is taken."""

    def __init__(self, *ports: MidiPort) -> None:
        self.said: dict[MidiPort, list[ClockWord]] = {port: [] for port in ports or (RECORDER,)}

    def words(self) -> Mapping[MidiPort, Sequence[ClockWord]]:
        said = self.said
        self.said = {port: [] for port in said}
        return said

    def play(
        self, start_s: float, bpm: float, beats: int, port: MidiPort = RECORDER, start: bool = True
    ) -> None:
        """A start and ``beats`` beats of clock, in the session's time."""
        at_s = start_s + AHEAD_S
        said = self.said[port]
        if start:
            said.append(ClockWord("start", at_s))
        said += [ClockWord("tick", at_s + n * 60.0 / bpm / 24) for n in range(24 * beats)]


def _song(wire: Wire, kit: Kit = KIT) -> SongTiming:
    song = SongTiming(wire.words, kit)
    song.time_of = lambda moment_s: moment_s - AHEAD_S
    return song


def _read(song: SongTiming, key: str, time_s: float, drum: str = "") -> Value | None:
    shown = song.shown(replace(SNAPSHOT, time_s=time_s))
    (quantity,) = (q for q in QUANTITIES if q.key == key)
    return quantity.read(shown, drum)


def test_bar_beat_and_tempo_are_figures() -> None:
    wire = Wire()
    song = _song(wire)
    wire.play(10.0, 120.0, 20)
    song.look()
    # 9.3 s after the start at 120 a minute: beat 18.6 of the song, bar 5.
    shown = {key: _read(song, f"clock_{key}", 19.3) for key in ("running", "tempo_bpm", "bar")}
    assert shown == {"running": 1, "tempo_bpm": 120.0, "bar": 5}
    assert _read(song, "clock_beat", 19.3) == 18


def test_bars_are_as_long_as_the_profile_says() -> None:
    port = replace(RECORDER, beats_a_bar=3)
    wire = Wire(port)
    song = _song(wire)
    wire.play(0.0, 120.0, 20, port)
    song.look()
    assert _read(song, "clock_bar", 4.75) == 4  # beat 9.5


def test_a_clock_that_fell_silent_says_nothing() -> None:
    wire = Wire()
    song = _song(wire)
    wire.play(10.0, 120.0, 20)
    song.look()
    assert _read(song, "clock_tempo_bpm", 60.0) is None
    assert _read(song, "clock_running", 60.0) == 0


def test_without_a_clock_the_reason_is_said() -> None:
    song = _song(Wire())
    song.look()
    shown = song.shown(SNAPSHOT)
    assert shown.clock is None
    assert song.files() == {}
    (quantity,) = (q for q in QUANTITIES if q.key == "timing_spread_ms")
    assert reason(shown, quantity, "snare", "") == "no recorder's clock and no metronome is heard"


def test_time_code_in_writing() -> None:
    wire = Wire()
    song = _song(wire)
    wire.said[RECORDER].append(ClockWord("code", AHEAD_S + 20.0, 3723.16, 25.0))
    song.look()
    assert _read(song, "clock_time_code", 20.52) == "01:02:03:17"  # 13 frames later


def test_hits_against_the_clock() -> None:
    """Main snare hits 6 ms late, by turns 2 ms more and less: median 6 ms, scatter 2.1 ms."""
    wire = Wire()
    song = _song(wire, DRUMS)
    wire.play(0.0, 120.0, 60)
    song.look()
    hits = tuple(_hit(n, 0.5 * n + 0.006 + (0.002 if n % 2 else -0.002)) for n in range(4, 24))
    ghosts = tuple(_hit(100 + n, 0.5 * n + 0.05, "ghost") for n in range(4, 24))
    snapshot = replace(SNAPSHOT, time_s=15.0, recent={"snare": hits + ghosts})
    clock = song.shown(snapshot).clock
    assert clock is not None
    timing = clock.timing["snare"]
    assert timing.hits == 20
    assert timing.offset_ms == pytest.approx(6.0, abs=0.01)
    assert timing.spread_ms == pytest.approx(2.05, abs=0.01)  # 2 x sqrt(20 / 19)
    assert clock.timing["kick"].reason == "0 main hits with the clock, 8 needed"


def _hit(number: int, time_s: float, role: str = "main") -> Hit:
    hit = Hit(number, "complete", "snare", round(time_s * RATE), time_s, -9.0, -9.0, 0.9)
    return replace(hit, role=role)  # type: ignore[arg-type]


def test_the_first_clock_is_followed_until_it_falls_silent() -> None:
    other = replace(RECORDER, name="other")
    wire = Wire(RECORDER, other)
    song = _song(wire)
    wire.play(0.0, 120.0, 8)
    song.look()
    wire.play(4.0, 120.0, 4, start=False)
    wire.play(4.0, 90.0, 4, other)
    song.look()
    assert _tempo(song, 6.0) == 120.0
    wire.play(8.0, 90.0, 8, other, start=False)
    song.look()
    assert _tempo(song, 13.0) == 90.0


def _tempo(song: SongTiming, time_s: float) -> Value | None:
    return _read(song, "clock_tempo_bpm", time_s)


def test_the_file_has_a_row_a_beat_and_a_row_a_second_of_time_code(tmp_path: Path) -> None:
    (tmp_path / CLOCK_NAME).write_text("of an earlier session")
    wire = Wire()
    pipeline = FakePipeline(KIT, RATE)
    song = SongTiming(wire.words, KIT)
    files = SessionFiles(tmp_path)
    session = Session(
        pipeline, KIT, RATE, files=files, song=song, time_of=lambda moment_s: moment_s - AHEAD_S
    )
    session.feed(silence(0, 1.0))
    session.snapshot()
    assert not (tmp_path / CLOCK_NAME).exists()
    wire.play(1.0, 120.0, 5)
    wire.said[RECORDER].append(ClockWord("code", AHEAD_S + 1.25, 3600.0, 25.0))
    session.feed(silence(RATE, 4.0))
    session.snapshot()
    session.finish()
    rows = list(csv.DictReader(io.StringIO((tmp_path / CLOCK_NAME).read_text())))
    beats = [(float(row["time_s"]), row["beat"]) for row in rows if row["beat"]]
    assert beats == [(1.0, "0"), (1.5, "1"), (2.0, "2"), (2.5, "3")]
    (code,) = (row for row in rows if row["time_code_s"])
    assert (code["time_s"], code["time_code_s"], code["frames_per_s"]) == (
        "1.250000",
        "3600.000000",
        "25",
    )


def test_a_take_begins_when_it_was_asked_for() -> None:
    """A tenth of a second passes until a command's turn comes; the take does not lose it."""
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline)
    session = Session(
        pipeline, KIT, RATE, steering=steering, time_of=lambda moment_s: moment_s - AHEAD_S
    )
    session.feed(silence(0, 3.0))
    assert steering.obey(Command("take/start", (), "MIDI recorder", heard_s=AHEAD_S + 2.85)).done
    session.feed(Block(3 * RATE, silence(0, 2.0).audio))
    assert steering.obey(Command("take/mark", ("here",), "pad", heard_s=AHEAD_S + 4.5)).done
    assert steering.obey(Command("take/stop", (), "MIDI recorder", heard_s=AHEAD_S + 4.9)).done
    (take,) = pipeline.takes
    assert (take.start_s, take.end_s) == pytest.approx((2.85, 4.9))
    assert pipeline.remarks[0].time_s == pytest.approx(4.5)


def test_beginning_and_end_are_of_one_clock_however_far_the_analysis_is_behind() -> None:
    """The lag grows over the 10 s up to which a moment was believed against the analysis's own
    time: the take must not end before it began."""
    now_s = 12.2
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline, lambda: AHEAD_S + now_s)
    session = Session(
        pipeline, KIT, RATE, steering=steering, time_of=lambda moment_s: moment_s - AHEAD_S
    )
    session.feed(silence(0, 3.0))
    assert steering.obey(Command("take/start", (), "pad", heard_s=AHEAD_S + 12.15)).done
    now_s = 31.0
    assert steering.obey(Command("take/stop", (), "pad", heard_s=AHEAD_S + 30.9)).done
    assert steering.press("take_toggle").done  # keys are on the same clock
    spans = [(take.start_s, take.end_s) for take in pipeline.takes]
    assert spans == [pytest.approx((12.15, 30.9)), (pytest.approx(31.0), None)]


@pytest.mark.parametrize("heard_s", [None, AHEAD_S - 60.0, AHEAD_S + 60.0])
def test_a_moment_that_cannot_be_is_not_believed(heard_s: float | None) -> None:
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline, lambda: AHEAD_S + 3.0)
    session = Session(
        pipeline, KIT, RATE, steering=steering, time_of=lambda moment_s: moment_s - AHEAD_S
    )
    session.feed(silence(0, 3.0))
    steering.obey(Command("take/start", (), "pad", heard_s=heard_s))
    assert pipeline.takes[0].start_s == 3.0


def test_the_file_comes_back_as_it_was(tmp_path: Path) -> None:
    beats = [Beat(n, 1.0 + 0.5 * n, 0) for n in range(4)] + [Beat(64, 9.0, 1), Beat(65, 9.5, 1)]
    codes = [Code(1.25, 3600.0, 30000 / 1001)]
    path = tmp_path / CLOCK_NAME
    path.write_text(clock_csv(beats, codes, 3), encoding="utf-8")
    song = read_song(path)
    assert song is not None
    assert (list(song.beats), song.beats_a_bar) == (beats, 3)
    assert song.codes[0].frames_per_s == pytest.approx(30000 / 1001, rel=1e-8)
    assert read_song(tmp_path / "none.csv") is None


@pytest.mark.parametrize(
    "text",
    [
        "time_s,beat\n1.0,2\n",
        "time_s,beat,beats_a_bar,run,time_code_s,frames_per_s\nnan,1,4,0,,\n",
        "time_s,beat,beats_a_bar,run,time_code_s,frames_per_s\n2,1,4,0,,\n1,2,4,0,,\n",
        "time_s,beat,beats_a_bar,run,time_code_s,frames_per_s\n2,1,0,0,,\n",
        "time_s,beat,beats_a_bar,run,time_code_s,frames_per_s\n2,,,,x,25\n",
    ],
)
def test_a_damaged_file_is_said(tmp_path: Path, text: str) -> None:
    path = tmp_path / CLOCK_NAME
    path.write_text(text)
    with pytest.raises(InputError, match=r"clock\.csv: this is not what liveassist wrote there"):
        read_song(path)


def test_the_file_grows_without_being_worked_out_anew() -> None:
    rows = ClockRows(most=20)
    beats = [Beat(n, 0.5 * n, 0) for n in range(15)]
    codes = [Code(1.0 * n, 3600.0 + n, 25.0) for n in range(7)]
    assert rows.text([], [], 4).count("\n") == 1
    assert rows.text(beats[:5], codes[:2], 4) == clock_csv(beats[:5], codes[:2], 4)
    text = rows.text(beats, codes, 4)
    assert sorted(text.splitlines()) == sorted(clock_csv(beats, codes, 4).splitlines())
    assert rows.text(beats, codes, 4) == text
    beats += [Beat(n, 0.5 * n, 0) for n in range(15, 40)]
    lines = rows.text(beats, codes, 4).splitlines()
    assert len(lines) == 1 + 20  # the oldest fell out
    assert lines[-1].startswith("19.500000,39,")


def test_runs_are_counted_on_in_a_session_that_is_gone_on_with(tmp_path: Path) -> None:
    (tmp_path / CLOCK_NAME).write_text(clock_csv([Beat(0, 1.0, 4), Beat(1, 1.5, 4)], [], 4))
    wire = Wire()
    song = SongTiming(wire.words, KIT, going_on=tmp_path)
    song.time_of = lambda moment_s: moment_s - AHEAD_S
    wire.play(10.0, 120.0, 8)
    song.look()
    path = tmp_path / "again.csv"
    path.write_text(song.files()[CLOCK_NAME])
    again = read_song(path)
    assert again is not None
    assert {beat.run for beat in again.beats} <= {5, 6}
