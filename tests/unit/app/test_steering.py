"""Everything a person can ask of a session is done or refused, logged, and shown."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.outputs import applied_csv
from liveassist.app.session import Session
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.steering import Steering
from liveassist.model import Alert, Block, Drum, Event, Kit, Mic, OutputState, Snapshot, Take
from liveassist.output.apply import Applied
from liveassist.output.commands import Command
from liveassist.output.midi_in import Presses
from liveassist.output.midi_time import Timing
from liveassist.output.osc_messages import messages_for_event
from liveassist.output.quantities import worst_alert
from liveassist.output.surface_model import MidiPort, Press, Surface
from liveassist.pipeline import Pipeline
from tests.unit.app.fakes import FakePipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
RATE = 48_000
UNEVEN = Alert("uneven", 2.0, None, "between", "look", "The snare is uneven.", drum="snare")


class Collector:
    """An output that keeps what it is given."""

    def __init__(self) -> None:
        self.seen: list[Event] = []
        self.snapshots: list[Snapshot] = []

    def events(self, events: Sequence[Event]) -> None:
        self.seen += events

    def figures(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def states(self) -> tuple[OutputState, ...]:
        return ()

    def armed(self) -> dict[str, float]:
        return {"top": 12.0}

    def files(self) -> dict[str, str]:
        return {"applied.csv": "time_s,mic\n1.0,top\n"}

    def close(self) -> None:
        """Nothing is held."""


def silence(first: int, seconds: float) -> Block:
    return Block(first, np.zeros((round(seconds * RATE), 1), dtype=np.float32))


@pytest.fixture
def real() -> tuple[Pipeline, Steering]:
    pipeline = Pipeline(KIT, RATE)
    return pipeline, Steering(pipeline)


def play(pipeline: Pipeline, seconds: float) -> None:
    pipeline.feed(silence(round(pipeline.snapshot().time_s * RATE), seconds))


def test_takes_begin_end_and_are_named(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    play(pipeline, 1.0)
    assert steering.do("take/stop").words == "no take runs"
    assert not steering.do("take/rename", ("verse",)).done
    assert steering.do("take/start", ("verse",)).done
    play(pipeline, 1.0)
    assert steering.do("take/rename", ("second verse",)).done
    assert steering.do("take/mark", ("stick broke",)).words == "mark at 2.0 s: stick broke"
    assert steering.do("take/toggle").words == "second verse ended"
    news = [event for event in steering.take_news() if isinstance(event, Take)]
    assert [(take.name, take.end_s, take.was) for take in news] == [
        ("verse", None, None),
        ("second verse", None, "verse"),
        ("second verse", 2.0, None),
    ]
    record = pipeline.session()
    assert [take.take.name for take in record.takes] == ["second verse"]
    assert record.takes[0].reference, "the first take is what others are compared with"
    assert [(mark.time_s, mark.text, mark.take) for mark in record.remarks] == [
        (2.0, "stick broke", "second verse")
    ]
    assert not steering.do("take/rename", ("  ",)).done


def test_toggling_twice_at_once_is_start_and_stop_and_makes_no_reference(
    real: tuple[Pipeline, Steering],
) -> None:
    """A take of no length is nothing to compare with."""
    pipeline, steering = real
    play(pipeline, 1.0)
    assert steering.do("take/toggle").words == "take 1 started"
    assert steering.do("take/toggle").words == "take 1 ended"
    assert not steering.do("reference/set").done
    why = "take 1 has no length, so nothing can be compared with it"
    assert steering.do("reference/set", ("take 1",)).words == why
    steering.do("take/start")
    play(pipeline, 1.0)
    steering.do("take/stop")
    assert [record.reference for record in pipeline.session().takes] == [False, True]


def test_takes_nest_and_the_inner_one_ends_first(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    play(pipeline, 1.0)
    for name in ("whole", "part"):
        steering.do("take/start", (name,))
        play(pipeline, 0.5)
    assert [steering.do("take/stop").words for _ in range(2)] == ["part ended", "whole ended"]


def test_a_take_of_the_list_that_is_named_says_so(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    play(pipeline, 1.0)
    for _ in range(2):
        steering.do("take/start")
        play(pipeline, 0.5)
        steering.do("take/stop")
    steering.take_news()
    steering.do("take/rename", ("verse", "take 1"))
    (take,) = steering.take_news()
    assert isinstance(take, Take)
    assert (take.was, take.name) == ("take 1", "verse")
    (said,) = messages_for_event(take, KIT)
    assert (said.address, said.args) == ("/liveassist/1/take/renamed", ("take 1", "verse"))


def test_a_name_is_given_once(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    for _ in range(2):
        steering.do("take/start", ("song",))
        play(pipeline, 0.5)
        steering.do("take/stop")
    names = [take.take.name for take in pipeline.session().takes]
    assert names == ["song", "song (2)"]
    assert steering.do("take/rename", ("song",)).words == "named song (3)"


def test_the_reference_is_set_and_cleared(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    assert steering.do("reference/set").words == "no take has ended yet"
    for name in ("one", "two"):
        steering.do("take/start", (name,))
        play(pipeline, 0.5)
        steering.do("take/stop")
    refused = steering.do("reference/set", ("twq",))
    assert not refused.done
    assert "twq; " not in refused.words
    assert "takes: one, two" in refused.words
    assert [take.reference for take in pipeline.session().takes] == [True, False]
    assert steering.do("reference/set", ("two",)).done
    assert [take.reference for take in pipeline.session().takes] == [False, True]
    assert steering.do("reference/clear").done
    steering.do("take/start", ("three",))
    play(pipeline, 0.5)
    steering.do("take/stop")
    assert pipeline.session().takes[-1].reference is False
    assert steering.do("reference/set").words.endswith("with three")


def test_with_no_reference_no_take_becomes_one(real: tuple[Pipeline, Steering]) -> None:
    pipeline, steering = real
    steering.do("reference/clear")
    steering.do("take/start")
    play(pipeline, 0.5)
    steering.do("take/stop")
    assert [take.reference for take in pipeline.session().takes] == [False]


def test_aim_is_checked() -> None:
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline)
    assert "natural, tight" in steering.do("aim", ("tihgt",)).words
    assert steering.do("aim", ("tight",)).done
    assert pipeline.options["aim"] == "tight"
    assert steering.do("make/coffee").words == "make/coffee is not possible here"


def test_an_acknowledged_alert_is_put_away_everywhere_until_it_begins_anew() -> None:
    pipeline = FakePipeline(KIT, RATE)
    pipeline.alerts = [UNEVEN]
    steering = Steering(pipeline)
    assert steering.do("alert/acknowledge", ("uneven.kick",)).words == "no alert uneven.kick lasts"
    assert worst_alert(steering.shown(pipeline.snapshot())) == UNEVEN
    assert steering.press("silence_alert", UNEVEN).done
    shown = steering.shown(pipeline.snapshot())
    assert shown.silenced == (UNEVEN,)
    assert worst_alert(shown) is None
    assert pipeline.silenced == [("uneven", "snare", None)]
    again = replace(UNEVEN, start_s=50.0)
    pipeline.alerts = [again]
    assert worst_alert(steering.shown(pipeline.snapshot())) == again


def test_every_command_is_logged_with_the_recorder_s_clock() -> None:
    now = [100.0]
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline, monotonic=lambda: now[0])
    said = Timing(120.0, None, 0.1, 3600.0, 99.5, 25.0, running=True)
    steering.timing = lambda: {"machine": said}
    steering.obey(Command("take/start", ("a, b",), "MIDI machine"))
    steering.obey(Command("aim", ("loud",), "192.0.2.7:9000"))
    rows = list(csv.DictReader(io.StringIO(steering.files()["log.csv"])))
    assert [row["command"] for row in rows] == ["take/start", "aim"]
    assert [row["outcome"] for row in rows] == ["done", "refused"]
    assert rows[0]["source"] == "MIDI machine"
    assert rows[0]["tempo_bpm"] == "120.00"
    # The time code was right half a second ago, and the machine runs.
    assert rows[0]["time_code_s"] == "3600.500"
    assert Steering(pipeline).files() == {}


def test_the_session_passes_on_takes_and_files_what_was_done(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("of an earlier session")
    pipeline, output = FakePipeline(KIT, RATE), Collector()
    steering = Steering(pipeline)
    files = SessionFiles(tmp_path)
    session = Session(pipeline, KIT, RATE, files=files, outputs=[output], steering=steering)
    session.feed(silence(0, 0.5))
    assert not (tmp_path / "log.csv").exists()
    pipeline_takes = [Take("one", 0.5, None, False)]
    pipeline.start_take = lambda name, at_s=None: pipeline_takes  # type: ignore[assignment, method-assign]
    steering.do("take/start", ("one",), "key")
    session.feed(silence(RATE // 2, 0.5))
    session.finish()
    assert output.seen == pipeline_takes
    assert output.snapshots[-1].armed == {"top": 12.0}
    assert output.snapshots[-1].notice == "one started"
    assert (tmp_path / "log.csv").read_text().count("\n") == 2
    assert (tmp_path / "applied.csv").read_text() == output.files()["applied.csv"]


def test_applied_values_are_filed_with_what_was_there_before() -> None:
    rows = [
        Applied(3.0, "top", "suggested/threshold_dbfs", -24.5, -30.0, "key"),
        Applied(4.0, "top", "suggested/range_db", 12.0, None, "key", sent=False, why="gone"),
        Applied(5.0, "top", "suggested/threshold_dbfs", -30.0, -24.5, "key", undo=True),
    ]
    read = list(csv.DictReader(io.StringIO(applied_csv(rows))))
    assert [row["why"] for row in read] == ["", "gone", ""]
    assert [row["before"] for row in read] == ["-30", "", "-24.5"]
    assert [row["what"] for row in read] == ["sent", "not sent", "undo sent"]


def test_buttons_and_transport_over_midi_end_in_the_same_place() -> None:
    """Raw bytes of MIDI 1.0 and RP-013 (machine control record: F0 7F id 06 06 F7)."""
    pipeline = FakePipeline(KIT, RATE)
    steering = Steering(pipeline)
    port = MidiPort("pads", "*", transport=True)
    press = Press("name", "pads", "note", 10, 40, "take/mark", "listen again")
    surface = Surface("pads", presses=(press,), midi=(port,))
    given: list[Command] = []

    class Quiet:
        def turn(self, page: int) -> None:
            raise AssertionError("no page is turned")

        def is_echo(self, message: bytes) -> bool:
            return False

    presses = Presses(lambda command: given.append(command) or True)  # type: ignore[func-returns-value]
    presses.add(port, surface, Quiet(), lambda: None)
    for message in (b"\xfa", b"\x99\x28\x7f", b"\xfc", b"\xf0\x7f\x7f\x06\x06\xf7"):
        presses.heard(port, message)
    outcomes = [steering.obey(command) for command in given]
    assert [command.name for command in given] == [
        "take/start",
        "take/mark",
        "take/stop",
        "take/start",
    ]
    assert all(outcome.done for outcome in outcomes)
    assert [remark.text for remark in pipeline.remarks] == ["listen again"]
    assert len(pipeline.takes) == 2
