"""What a device and a disk do to a session is said, and ends when it is over."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.livefiles import LiveFiles
from liveassist.app.livesession import LOSS_OVER_S, MOST_STUMBLES, LiveSession
from liveassist.errors import StorageError
from liveassist.input.device import SourceState
from liveassist.model import (
    Alert,
    Block,
    Drum,
    Event,
    Hit,
    Kit,
    Mic,
    OutputState,
    SessionRecord,
    Snapshot,
)
from tests.unit.app.fakes import FakePipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
RATE = 1000
HIT = Hit(1, "complete", "snare", 100, 0.1, -6.0, -6.0, 0.9)


class Source:
    """A device whose state the test sets."""

    state: SourceState = "running"
    note = ""
    rate_note: str | None = None
    started_at_s: float | None = 1_700_000_000.25

    def time_of(self, moment_s: float) -> float | None:
        return moment_s - 5000.0


class Recorder:
    """An output that keeps what it is given."""

    def __init__(self) -> None:
        self.alerts: list[Alert] = []
        self.snapshots: list[Snapshot] = []

    def events(self, events: Sequence[Event]) -> None:
        self.alerts += [event for event in events if isinstance(event, Alert)]

    def figures(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def states(self) -> tuple[OutputState, ...]:
        return ()

    def close(self) -> None:
        pass


def make(
    files: LiveFiles | None = None,
) -> tuple[LiveSession, Source, Recorder]:
    source, recorder = Source(), Recorder()
    session = LiveSession(
        FakePipeline(KIT, RATE), KIT, RATE, source, "box", files=files, outputs=[recorder]
    )
    return session, source, recorder


def block(first: int, frames: int = 100, lost: int = 0, hit: bool = False) -> Block:
    audio = np.zeros((frames, 1), dtype=np.float32)
    if hit:
        audio[10] = 0.8
    return Block(first, audio, lost)


def test_lost_audio_is_said_added_up_and_over_after_a_while() -> None:
    session, _, recorder = make()
    session.hear(block(0))
    session.hear(block(150, lost=50))
    session.hear(block(350, lost=100))
    session.look(idle=False)
    (begun,) = recorder.alerts
    assert (begun.key, begun.start_s, begun.end_s) == ("audio_lost", 0.1, None)
    snapshot = session.snapshot()
    assert snapshot.lost_samples == 150
    assert snapshot.alerts[0].value == pytest.approx(150.0)
    assert "150 ms of audio did not arrive" in snapshot.alerts[0].sentence
    frames = round(LOSS_OVER_S * RATE)
    session.hear(block(450, frames))
    session.look(idle=False)
    ended = recorder.alerts[-1]
    assert ended.key == "audio_lost"
    assert ended.end_s == session.time_s
    record = session.finish()
    assert record.lost_samples == 150
    assert record.alerts == (ended,)
    assert record.started_at is not None
    assert record.started_at.split(".")[1].startswith("250")


def test_a_device_that_is_away_is_shown_while_no_block_comes() -> None:
    session, source, recorder = make()
    session.hear(block(0))
    source.state, source.note = "recovering", "The audio input stopped by itself."
    session.look(idle=True)
    session.look(idle=True)
    assert [alert.sentence for alert in recorder.alerts] == [source.note]
    assert recorder.snapshots[-1].source == "box (away)"
    assert recorder.snapshots[-1].alerts[0].severity == "stop"
    source.state, source.note = "running", ""
    session.hear(block(600, lost=500))
    session.look(idle=False)
    assert [(alert.key, alert.end_s) for alert in recorder.alerts] == [
        ("input_away", None),
        ("audio_lost", None),
        ("input_away", 0.7),
    ]
    assert session.snapshot().source == "box"


def test_a_device_at_another_rate_is_said_as_long_as_it_is() -> None:
    session, source, recorder = make()
    session.hear(block(0))
    for note in (None, "The input runs at 44100 Hz now.", "The input runs at 44100 Hz now.", None):
        source.rate_note = note
        session.look(idle=False)
    begun, over = recorder.alerts
    assert (begun.key, begun.severity, begun.end_s) == ("rate_changed", "look", None)
    assert over.end_s is not None


def test_a_disk_that_fails_does_not_end_the_session_and_is_made_up_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [0.0]
    files = LiveFiles(tmp_path, clock=lambda: now[0])
    session, _, recorder = make(files)
    full = [True]

    def write_whole(path: Path, text: str | Iterable[str]) -> None:
        if full[0]:
            raise StorageError(f"{path}: cannot be written: the disk is full")
        path.write_text("".join(text))

    monkeypatch.setattr("liveassist.app.livefiles.write_whole", write_whole)
    session.hear(block(0, hit=True))
    wait_for(files, lambda: files.problem is not None)
    session.look(idle=False)
    assert [alert.key for alert in recorder.alerts] == ["storage"]
    assert "disk is full" in recorder.alerts[0].sentence
    full[0] = False
    now[0] = 60.0
    session.hear(block(100, hit=True))
    wait_for(files, lambda: files.problem is None)
    session.look(idle=False)
    assert recorder.alerts[-1].end_s == session.time_s
    files.finish()
    files.finish()
    assert len((tmp_path / "hits.csv").read_text().splitlines()) == 1 + 2
    assert session.finish().alerts[-1].key == "storage"


def test_a_summary_that_takes_long_waits_for_a_pause(tmp_path: Path) -> None:
    """Ten milliseconds are held up while playing, up to a second in a pause, more never."""
    now, spent = [0.0], [0.005]
    files = LiveFiles(tmp_path, clock=lambda: now[0])
    asked: list[float] = []
    known = make(files)[0].record()

    def record() -> SessionRecord:
        asked.append(now[0])
        now[0] += spent[0]
        return known

    def go(until_s: float, *, playing: bool) -> None:
        while now[0] < until_s:
            now[0] += 0.5
            files.collect([HIT] if playing else [])
            files.write_if_due(record)

    go(30.0, playing=True)
    assert len(asked) == 3, "at once, and every ten seconds"
    spent[0] = 0.8
    go(45.0, playing=True)
    assert len(asked) == 4
    go(400.0, playing=True)
    assert len(asked) == 4, "not while drums are played"
    go(410.0, playing=False)
    assert len(asked) == 5
    assert asked[-1] == pytest.approx(403.0, abs=0.6)
    spent[0] = 1.5
    go(900.0, playing=False)
    assert len(asked) == 6
    go(2000.0, playing=False)
    assert len(asked) == 6
    files.finish()


def wait_for(files: LiveFiles, condition: object) -> None:
    """Until the thread of ``files`` has done what is handed to it."""
    assert callable(condition)
    while not condition():
        files._thread.join(0.01)
        assert files._thread.is_alive()


def test_load_is_the_share_of_real_time_analysis_needs() -> None:
    session, _, _ = make()
    for _ in range(500):
        session.note_load(0.025, 100)
    assert session.snapshot().load == pytest.approx(0.25, rel=0.01)


def test_a_moment_is_told_through_the_device_and_over_a_break() -> None:
    session, _, _ = make()
    assert session.time_of(5001.5) == pytest.approx(1.5)
    session._offset = 3 * RATE  # a session gone on with after a break
    assert session.time_of(5001.5) == pytest.approx(4.5)


class Stumbling(FakePipeline):
    """A pipeline whose analysis fails at some blocks."""

    def __init__(self, bad: set[int]) -> None:
        super().__init__(KIT, RATE)
        self.bad, self.recovered = bad, 0

    def feed(self, block: Block) -> list[Event]:
        events = super().feed(block)
        if block.first_sample in self.bad:
            raise IndexError("index 5 is out of bounds")
        return events

    def recover(self) -> None:
        self.recovered += 1


def stumbling(bad: set[int]) -> tuple[LiveSession, Stumbling, Recorder]:
    pipeline, recorder = Stumbling(bad), Recorder()
    return LiveSession(pipeline, KIT, RATE, Source(), "box", outputs=[recorder]), pipeline, recorder


def test_a_fault_of_the_analysis_does_not_end_the_take() -> None:
    session, pipeline, recorder = stumbling({100})
    for first in range(0, 400, 100):
        session.hear(block(first, hit=True))
    session.look(idle=False)
    assert pipeline.recovered == 1
    assert session.samples_heard == 400
    (alert,) = recorder.alerts
    assert alert.key == "fault"
    assert "stumbled and went on" in alert.sentence
    assert "IndexError, index 5 is out of bounds" in alert.sentence
    session.hear(block(400, round(LOSS_OVER_S * RATE) + 100))
    session.look(idle=False)
    assert recorder.alerts[-1].key == "fault"
    assert recorder.alerts[-1].end_s is not None


def test_a_fault_that_comes_again_and_again_ends_it() -> None:
    session, pipeline, _ = stumbling(set(range(0, 2000, 100)))
    for number in range(MOST_STUMBLES - 1):
        session.hear(block(100 * number))
    with pytest.raises(IndexError):
        session.hear(block(100 * MOST_STUMBLES - 100))
    assert pipeline.recovered == MOST_STUMBLES - 1


def test_a_summary_while_running_asks_for_no_hits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hours of them would have to be unpacked; hits.csv is at hand as text."""
    asked: list[bool] = []
    whole = FakePipeline.session

    def noted(self: FakePipeline, *, hits: bool = True) -> SessionRecord:
        asked.append(hits)
        return whole(self, hits=hits)

    monkeypatch.setattr(FakePipeline, "session", noted)
    files = LiveFiles(tmp_path)
    session, _, _ = make(files)
    session.hear(block(0, hit=True))
    session.look(idle=False)
    assert asked == [False]
    files.finish()
    session.finish()
    assert asked == [False, True]


def test_what_a_summary_held_up_is_no_overload(tmp_path: Path) -> None:
    files = LiveFiles(tmp_path)
    session, _, _ = make(files)
    session.note_behind(0)
    files.held_s += 0.5
    session.note_behind(round(0.5 * RATE))
    assert session.overload.level == 0
    session.note_behind(round(0.7 * RATE))
    assert session.overload.level == 1, "0.2 s more than that"
    session.note_behind(0)
    session.note_behind(round(0.5 * RATE))
    assert session.overload.level == 2, "worked off long since"
    files.held_s += 5.0
    session.note_behind(round(1.7 * RATE))
    assert session.overload.level == 3, "however much summaries held up"
    files.finish()


class Announcing(FakePipeline):
    """Says at once what it hears, and does the rest at the ends of chunks."""

    chunk = 46

    def __init__(self) -> None:
        super().__init__(KIT, RATE)
        self.announced = 0
        self.fed: list[Block] = []

    def announce(self, block: Block) -> list[Event]:
        end = block.first_sample + len(block.audio)
        early = [HIT] if self.announced <= HIT.sample < end else []
        self.announced = max(self.announced, end)
        return [*early]

    def feed(self, block: Block) -> list[Event]:
        self.fed.append(block)
        return super().feed(block)


def announcing() -> tuple[LiveSession, Announcing, Recorder]:
    pipeline, recorder = Announcing(), Recorder()
    return LiveSession(pipeline, KIT, RATE, Source(), "box", outputs=[recorder]), pipeline, recorder


def test_short_blocks_are_announced_at_once_and_fed_by_the_chunk() -> None:
    session, pipeline, _ = announcing()
    told = [session.hear(block(5 * number, 5)) for number in range(40)]
    assert [number for number, events in enumerate(told) if HIT in events] == [HIT.sample // 5]
    assert max(len(fed.audio) for fed in pipeline.fed) <= Announcing.chunk + 5
    session.finish()
    assert sum(len(fed.audio) for fed in pipeline.fed) == 200
    assert session.samples_heard == 200


def test_what_was_gathered_before_a_loss_is_fed_first_and_the_loss_told_at_once() -> None:
    session, pipeline, _ = announcing()
    session.hear(block(0, 5))
    session.hear(block(25, 5, lost=20))
    assert session.lost_samples == 20
    assert [fed.first_sample for fed in pipeline.fed] == [0]
    session.look(idle=True)
    assert [(fed.first_sample, fed.lost_samples) for fed in pipeline.fed] == [(0, 0), (25, 20)]


def test_figures_come_ten_times_a_second_though_chunks_do_not_divide_it() -> None:
    session, _, recorder = announcing()
    for number in range(20 * RATE // 5):
        session.hear(block(5 * number, 5))
    assert len(recorder.snapshots) == pytest.approx(200, abs=8)


def test_a_fault_in_the_last_blocks_does_not_keep_the_end_from_being_written(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    session, pipeline, _ = announcing()
    session.hear(block(0, 5))

    def fail(_block: Block) -> list[Event]:
        raise IndexError("broken")

    monkeypatch.setattr(pipeline, "feed", fail)
    assert session.finish().kit == KIT
