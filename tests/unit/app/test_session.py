"""A session cuts blocks at marks, passes everything on, and reports broken signals."""

from __future__ import annotations

from collections.abc import Sequence

import jsonschema
import numpy as np
import pytest

from liveassist.app.config import load_kit
from liveassist.app.marks import Span
from liveassist.app.session import FIGURES_EVERY_S, Session, nothing_usable
from liveassist.app.summary import schema, summary
from liveassist.model import Audio, Block, Event, OutputState, Snapshot
from tests.unit.app.fakes import FakePipeline

KIT = load_kit("three_mics")
RATE = 48_000


class Recorder:
    """An output that keeps what it is given."""

    def __init__(self) -> None:
        self.got: list[Event] = []
        self.times_s: list[float] = []
        self.last: Snapshot | None = None

    def events(self, events: Sequence[Event]) -> None:
        self.got += events

    def figures(self, snapshot: Snapshot) -> None:
        self.times_s.append(snapshot.time_s)
        self.last = snapshot

    def states(self) -> tuple[OutputState, ...]:
        return (OutputState("desk", "osc", "ok", sent=7),)

    def close(self) -> None:
        return None


def run(session: Session, audio: Audio, step: int) -> None:
    for first in range(0, len(audio), step):
        session.feed(Block(first, audio[first : first + step]))


def clicks(seconds: float = 4.0) -> Audio:
    audio = np.zeros((round(seconds * RATE), 3), np.float32)
    audio[RATE // 4 :: RATE // 2, 0] = 0.9
    return audio


@pytest.mark.parametrize("step", [1009, 63, 512, 10**6])
def test_takes_begin_and_end_at_their_sample_at_any_block_size(step: int) -> None:
    pipeline = FakePipeline(KIT, RATE)
    takes = [Span("one", 0.5, 1.0), Span("two", 1.0, 2.5001), Span("late", 3.9, 4.5)]
    session = Session(pipeline, KIT, RATE, takes=takes)
    run(session, clicks(), step)
    record = session.finish()
    assert pipeline.marks == [
        (24_000, "one"),
        (48_000, None),
        (48_000, "two"),
        (120_005, None),
        (187_200, "late"),
        (192_000, None),
    ]
    assert [hit.take for hit in record.hits] == [
        None, "one", "two", "two", "two", None, None, None,
    ]  # fmt: skip


def test_lost_samples_travel_with_the_first_piece() -> None:
    pipeline = FakePipeline(KIT, RATE)
    session = Session(pipeline, KIT, RATE, takes=[Span("one", 0.5, 1.0)])
    session.feed(Block(0, clicks()[:1000]))
    session.feed(Block(1500, clicks()[:60_000], lost_samples=500))
    assert session.samples_heard == 61_500
    assert [first for first, _ in pipeline.blocks] == [0, 1500, 24_000, 48_000]


def test_outputs_get_events_and_figures() -> None:
    recorder = Recorder()
    session = Session(FakePipeline(KIT, RATE), KIT, RATE, outputs=[recorder], source="x.wav")
    run(session, clicks(), 512)
    session.finish()
    assert len(recorder.got) == 8
    gaps = np.diff(recorder.times_s)[:-1]
    assert gaps.min() >= FIGURES_EVERY_S - 1e-9
    assert gaps.max() < FIGURES_EVERY_S + 512 / RATE + 1e-9
    assert recorder.times_s[-1] == pytest.approx(4.0)
    assert recorder.last is not None
    assert recorder.last.source == "x.wav"
    assert recorder.last.outputs[0].sent == 7


def test_broken_signals_are_alerts_and_reasons() -> None:
    audio = clicks()
    audio[:, 1] = 0.5
    session = Session(FakePipeline(KIT, RATE), KIT, RATE)
    run(session, audio, 4096)
    document = summary(session.finish())
    jsonschema.validate(document, schema())
    (alert,) = document["alerts"]
    assert (alert["alert"], alert["mic"], alert["when"]) == ("constant", "snare_top", "now")
    assert "snare_top carries a constant" in document["unmeasured"]["mics.snare_top"]
    assert not nothing_usable(KIT, session.faults())


def test_nothing_usable_when_every_judged_microphone_is_broken() -> None:
    audio = clicks()
    audio[:, :2] = 1.0
    session = Session(FakePipeline(KIT, RATE), KIT, RATE)
    run(session, audio, 4096)
    assert nothing_usable(KIT, session.faults())


def test_why_the_input_was_cut_short_is_kept() -> None:
    session = Session(FakePipeline(KIT, RATE), KIT, RATE)
    run(session, clicks(), 4096)
    assert summary(session.finish("stopped at 4.0 s"))["unmeasured"]["session"] == (
        "stopped at 4.0 s"
    )
