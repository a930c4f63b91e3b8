"""Takes edited, starred, noted and named while the session runs, on the real pipeline."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.notes import NoteKeeper, Notes, read_notes
from liveassist.app.steering import Steering
from liveassist.model import Block, Drum, Kit, Mic, Take
from liveassist.output.address_takes import TAKE_COMMANDS
from liveassist.output.commands import Command, parse
from liveassist.output.osc_codec import OscMessage, decode_message, encode_message
from liveassist.output.stored import PunchIn
from liveassist.pipeline import Pipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
RATE = 8_000


class Room:
    """A session whose notes are kept in ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.pipeline = Pipeline(KIT, RATE)
        self.steering = Steering(self.pipeline)
        self.steering.desk.notes = NoteKeeper(folder)

    def play(self, seconds: float) -> None:
        """Beats of a stroke every half second, with 3.5 s of silence after where asked."""
        first = round(self.pipeline.snapshot().time_s * RATE)
        length = round(seconds * RATE)
        audio = np.zeros((length, 1), dtype=np.float32)
        ring = np.exp(-np.arange(1600) / 300.0) * np.sin(np.arange(1600) * 0.15)
        for start in range(0, length - 1600, RATE // 2):
            audio[start : start + 1600, 0] += (0.5 * ring).astype(np.float32)
        self.pipeline.feed(Block(first, audio))

    def rest(self, seconds: float = 4.0) -> None:
        first = round(self.pipeline.snapshot().time_s * RATE)
        self.pipeline.feed(Block(first, np.zeros((round(seconds * RATE), 1), dtype=np.float32)))

    def do(self, name: str, *args: str | float) -> str:
        outcome = self.steering.do(name, args)
        assert outcome.done, outcome.words
        return outcome.words

    def refused(self, name: str, *args: str | float) -> str:
        outcome = self.steering.do(name, args)
        assert not outcome.done
        return outcome.words

    def takes(self) -> list[Take]:
        return [record.take for record in self.pipeline.session().takes]

    def said(self) -> Notes:
        self.steering.desk.notes.close()
        return read_notes(self.folder)


@pytest.fixture
def room(tmp_path: Path) -> Room:
    return Room(tmp_path)


def marked(room: Room, *names: str) -> None:
    for name in names:
        room.do("take/start", name)
        room.rest(1.0)
        room.do("take/stop")


def test_playing_becomes_a_take_during_and_after(room: Room) -> None:
    assert room.refused("take/keep").startswith("no playing")
    room.rest(1.0)
    room.play(6.0)
    assert "ends with the playing" in room.do("take/keep", "verse")
    room.rest()
    (verse,) = room.takes()
    assert not verse.provisional
    assert verse.start_s == pytest.approx(1.0, abs=0.01)
    assert verse.end_s == pytest.approx(6.5, abs=0.6)
    room.play(6.0)
    room.rest()
    room.do("take/keep")
    assert [take.name for take in room.takes()] == ["verse", "take 2"]
    news = room.steering.take_news()
    assert [event.name for event in news if isinstance(event, Take)] == ["verse", "take 2"]


def test_takes_are_joined_split_and_moved(room: Room) -> None:
    marked(room, "one", "two", "three")
    assert room.do("take/join") == "joined: two"
    assert [(take.name, take.end_s) for take in room.takes()] == [("one", 1.0), ("two", 3.0)]
    room.do("take/split", "two", 2.5)
    room.do("take/move", "two b", 2.6, 2.9)
    room.do("take/remove", "two a")
    assert [(take.name, take.start_s, take.end_s) for take in room.takes()] == [
        ("one", 0.0, 1.0), ("two b", 2.6, 2.9),
    ]  # fmt: skip
    assert "inside" in room.refused("take/split", "one", 7.0)
    assert "there is no take five" in room.refused("take/join", "five")


def test_the_running_take_is_split_at_this_moment(room: Room) -> None:
    room.do("take/start", "long")
    room.rest(2.0)
    room.do("take/split")
    room.rest(1.0)
    room.do("take/stop")
    assert [(take.name, take.start_s, take.end_s) for take in room.takes()] == [
        ("long a", 0.0, 2.0), ("long b", 2.0, 3.0),
    ]  # fmt: skip


def test_stars_and_notes_are_kept_beside_the_session_and_go_with_a_take(room: Room) -> None:
    marked(room, "one", "two")
    room.do("take/star")
    room.do("take/star", "one")
    room.do("take/star", "one")
    room.do("take/note", "fill too early", "one")
    room.do("take/rename", "chorus")
    lines = room.steering.shown(room.pipeline.snapshot()).takes
    assert [(line.name, line.starred, line.note) for line in lines] == [
        ("one", False, "fill too early"), ("chorus", True, ""),
    ]  # fmt: skip
    said = room.said()
    assert said.stars == {"chorus"}
    assert said.notes == {"one": "fill too early"}
    assert "there is no take six" in room.refused("take/star", "six")


def test_what_was_written_meanwhile_stays(room: Room) -> None:
    marked(room, "one")
    room.do("take/star")
    room.said()
    text = (room.folder / "notes.json").read_text(encoding="utf-8")
    by_hand = text.replace('"notes": {}', '"notes": {"top": "gain 34"}')
    assert by_hand != text
    (room.folder / "notes.json").write_text(by_hand, encoding="utf-8")
    room.do("take/note", "good", "one")
    assert room.said().notes == {"top": "gain 34", "one": "good"}


def test_changes_are_kept_in_the_order_in_which_they_were_made(tmp_path: Path) -> None:
    for _ in range(20):
        keeper = NoteKeeper(tmp_path)
        for text in "abcdefgh":
            keeper.change(lambda notes, text=text: replace(notes, title=notes.title + text))  # type: ignore[misc]
        keeper.close()
        assert read_notes(tmp_path).title == "abcdefgh"
        keeper.change(lambda notes: replace(notes, title=""))
        keeper.close()
    assert keeper.known.title == ""


def test_takes_of_a_song_are_named_for_it(room: Room) -> None:
    room.do("song/start", "gannet road")
    for _ in range(2):
        room.do("take/start")
        room.rest(1.0)
        room.do("take/stop")
    room.do("song/start")
    room.do("take/start")
    assert [take.name for take in room.takes()] == ["gannet road 1", "gannet road 2", "take 3"]
    assert room.said().songs == {"gannet road 1": "gannet road", "gannet road 2": "gannet road"}


def test_a_punch_in_belongs_to_its_take(room: Room) -> None:
    assert room.refused("take/punch") == "there is no take yet"
    marked(room, "one")
    assert "from bar 17 of one" in room.do("take/punch", "one", 17)
    room.rest(1.0)
    room.do("take/stop")
    assert "into one" in room.do("take/punch")
    assert room.said().punch_ins == {
        "one punch 1": PunchIn("one", bar=17), "one punch 2": PunchIn("one"),
    }  # fmt: skip


def test_without_a_folder_it_is_said_that_nothing_is_kept(room: Room) -> None:
    room.steering.desk.notes = NoteKeeper(None)
    marked(room, "one")
    assert "no --out folder" in room.do("take/star")


def test_every_command_of_the_table_is_carried_out_and_takes_its_example(room: Room) -> None:
    for row in TAKE_COMMANDS:
        packed = encode_message(OscMessage(row.path, row.types, row.example))
        message = decode_message(packed)
        command = parse(message, "test", 0)
        assert isinstance(command, Command)
        outcome = room.steering.obey(command)
        assert "not possible" not in outcome.words
