"""Which part gives way first on a slow computer, and that it comes back by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from liveassist.app.livesession import LiveSession
from liveassist.app.overload import CALM_S, STEPS_S, Overload, newest
from liveassist.model import Alert, Block, Event, Hit
from tests.unit.app.fakes import FakePipeline
from tests.unit.app.test_livesession import KIT, RATE, Recorder, Source

HIT = Hit(1, "early", "snare", 10, 0.01, -6.0, -6.0, 0.9)


def test_each_step_in_its_order_and_back() -> None:
    overload, levels, now_s = Overload(), [0], 0.0
    for behind_s in (0.05, *STEPS_S, 0.9):
        now_s += 0.01
        overload.note(behind_s, now_s)
        levels.append(overload.level)
    assert levels == [0, 0, 1, 2, 3, 3]
    while overload.level:
        now_s += 0.1
        if overload.note(0.0, now_s):
            levels.append(overload.level)
    assert levels[-3:] == [2, 1, 0]
    assert now_s == pytest.approx(3 * CALM_S, abs=0.5)
    assert overload.worst_s == 0.9


def test_a_step_is_not_taken_back_while_much_waits() -> None:
    overload = Overload()
    overload.note(0.35, 0.0)
    for tenth in range(1, 1000):
        overload.note(0.2, tenth / 10.0)
    assert overload.level == 2


def test_only_the_last_report_of_a_hit_is_kept() -> None:
    alert = Alert("hum", 0.0, None, "now", "look", "There is hum.")
    other = replace(HIT, number=2)
    events: list[Event] = [HIT, alert, replace(HIT, stage="revised"), other, alert]
    assert newest(events) == [replace(HIT, stage="revised"), alert, other, alert]


class SlowPipeline(FakePipeline):
    """Takes ``cost`` of a block's length to analyse it; less without detail."""

    cost = 0.5
    lean = False

    def set_lean(self, lean: bool) -> None:
        self.lean = lean

    def seconds(self, frames: int) -> float:
        return self.cost * (0.6 if self.lean else 1.0) * frames / self.rate


def lean_at_the_end(pipeline: SlowPipeline) -> bool:
    return pipeline.lean


def play(
    session: LiveSession, pipeline: SlowPipeline, blocks: range, behind_s: float
) -> tuple[float, list[int]]:
    """Blocks of 10 ms on a processor that falls behind as the pipeline's cost says."""
    levels = []
    for number in blocks:
        audio = np.full((10, 1), 0.8 if number % 20 == 0 else 0.0, dtype=np.float32)
        session.hear(Block(number * 10, audio))
        behind_s = max(0.0, behind_s + pipeline.seconds(10) - 0.010)
        session.note_behind(round(behind_s * RATE))
        session.look(idle=False)
        levels.append(session.overload.level)
    return behind_s, levels


def test_a_starved_session_gives_way_says_so_and_recovers() -> None:
    pipeline, recorder = SlowPipeline(KIT, RATE), Recorder()
    session = LiveSession(pipeline, KIT, RATE, Source(), "box", outputs=[recorder])
    behind_s, levels = play(session, pipeline, range(200), 0.0)
    assert set(levels) == {0}
    at_ease = len(recorder.snapshots)
    pipeline.cost = 2.0
    behind_s, levels = play(session, pipeline, range(200, 700), behind_s)
    assert levels == sorted(levels)
    assert set(levels) == {0, 1, 2, 3}
    assert pipeline.lean
    # Five seconds of audio, of which the last few with a picture every two: far fewer than 50.
    assert len(recorder.snapshots) - at_ease < 12
    assert [alert.key for alert in recorder.alerts] == ["overload"]
    assert "cannot keep up" in recorder.alerts[0].sentence
    pipeline.cost = 0.3
    behind_s, levels = play(session, pipeline, range(700, 2600), behind_s)
    assert behind_s == 0.0
    assert levels[-1] == 0
    assert lean_at_the_end(pipeline) is False
    assert recorder.alerts[-1].end_s is not None
    # Nothing was lost on the way: every block came to the analysis, every hit to the record.
    assert len(pipeline.blocks) == 2600
    assert len(pipeline.hits) == 130
    assert session.lost_samples == 0


def test_a_screen_slow_for_a_moment_is_not_said() -> None:
    overload = Overload()

    def said(behind_s: float, now_s: float) -> bool:
        overload.note(behind_s, now_s)
        return overload.sentence is not None

    # Behind, for how long; then caught up; then so far behind that detail is lost.
    told = [said(0.15, at_s) for at_s in (10.0, 14.0, 15.1)]
    assert told == [False, False, True]
    assert [said(0.0, at_s) for at_s in (16.0, 19.1)] == [True, False]
    assert said(0.4, 20.0), "lost detail is said at once"


def test_a_spell_is_one_alert_however_it_goes_up_and_down() -> None:
    overload, said = Overload(), list[bool]()
    # Detail goes at once, is back after 3 s, and the screen is at its pace again 3 s later.
    for tenth in range(100):
        overload.note(0.4 if tenth < 2 else 0.0, tenth / 10.0)
        said.append(overload.sentence is not None)
    assert said[0]
    assert said == sorted(said, reverse=True), "it was taken back and said again"
    assert overload.level == 0


def test_screens_show_the_step_at_which_it_is() -> None:
    pipeline, recorder = SlowPipeline(KIT, RATE), Recorder()
    session = LiveSession(pipeline, KIT, RATE, Source(), "box", outputs=[recorder])
    pipeline.cost = 2.0
    play(session, pipeline, range(600), 0.0)
    assert session.overload.level == 3
    (shown,) = session.snapshot().alerts
    assert shown.sentence.startswith("This computer cannot keep up: figures come every 2 s")
    assert [alert.key for alert in recorder.alerts] == ["overload"]
