"""Takes over time: spans counted by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from liveassist.app.sessionfolder import read_session
from liveassist.output.report import report
from liveassist.output.stored import StoredSession
from liveassist.output.timemaps import SPAN_S, time_lines, time_maps, time_sentences
from tests.unit.output import stored_samples


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> StoredSession:
    folder: Path = stored_samples.write_session(tmp_path_factory.mktemp("timed") / "evening")
    return read_session(folder)


def test_spans_hold_what_was_played_in_them(session: StoredSession) -> None:
    """Quarters at 120 and an eighth every fourth beat: 12 or 13 hits in 5 s; take 2 begins at 50 s,
    a microphone is dead from 60 to 72 s, the weak backbeat is at 80.5 s."""
    first, again = time_maps(session, ["kick", "snare"])
    assert [len(first.cells), len(again.cells)] == [8, 8]
    assert {cell.hits for cell in first.cells} <= {12, 13}
    assert again.signs == "..!!!.w."
    assert all(cell.missing == cell.loose == 0 for cell in again.cells)
    weak = again.cells[int(30.5 // SPAN_S)]
    assert weak.weak == 1
    assert weak.level_db == min(cell.level_db for cell in again.cells if cell.level_db is not None)


def test_takes_that_are_on_bars_are_left_out(session: StoredSession) -> None:
    (again,) = time_maps(session, ["kick", "snare"], ["verse & chorus"])
    assert again.take.name == "again"
    assert time_lines([again])[1] == "again  ..!!!.w."
    assert time_lines([]) == []


def test_sentences_say_when_in_the_session(session: StoredSession) -> None:
    said = time_sentences(time_maps(session, ["kick", "snare"]))
    assert said[0] == "again, from 1:00 on: a fault."
    assert said[-1] == "again, from 1:20 on: weak."
    assert time_sentences(time_maps(session, ["kick", "snare"]), most=1)[-1].startswith("3 more")


def test_the_report_has_them_where_no_tempo_is_known(session: StoredSession) -> None:
    page = report(session)
    assert "Takes over time" in page
    assert "again, from 1:20 on: weak." in page
    on_bars = report(dataclasses.replace(session, tempos={"": 120.0}))
    assert "Takes over time" not in on_bars
    assert "from 1:20 on" not in on_bars
