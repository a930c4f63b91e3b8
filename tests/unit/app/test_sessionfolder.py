"""Session folders: what was written is read back; what is damaged is said in one sentence."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from liveassist.app.config import load_kit, parse_kit
from liveassist.app.kittoml import kit_toml
from liveassist.app.notes import Notes, write_notes
from liveassist.app.sessionfolder import (
    find_sessions,
    is_session,
    parse_notes,
    read_session,
)
from liveassist.errors import ConfigError, InputError, LiveassistError
from liveassist.model import Drum, Kit, Mic, Windows
from tests.unit.output import stored_samples


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return stored_samples.write_session(tmp_path / "evening")


def test_what_was_written_is_read_back(folder: Path) -> None:
    session = read_session(folder)
    written = sorted(stored_samples.hits(), key=lambda hit: hit.sample)
    assert len(session.hits) == len(written)
    for read, hit in zip(session.hits, written, strict=True):
        assert read.time_s == pytest.approx(hit.time_s, abs=5e-7)
        assert (read.drum, read.role, read.take) == (hit.drum, hit.role, hit.take)
        assert read.peak_dbfs == pytest.approx(hit.peak_dbfs, abs=0.005)
        assert read.clipped == ("clipped" in hit.flags)
    assert session.kit == stored_samples.kit()
    assert [take.name for take in session.takes] == ["verse & chorus", "again"]
    assert session.judged() == ("kick", "snare")
    assert session.duration_s >= 72.0


@pytest.mark.parametrize("name", ["three_mics", "six_mics", "eight_mics"])
def test_a_kit_survives_being_written(name: str) -> None:
    kit = load_kit(name)
    assert parse_kit(kit_toml(kit, ["two", "comments"]), name) == kit


def test_a_kit_with_everything_survives_and_is_toml() -> None:
    """tomllib, which knows nothing of our writer, must read the same."""
    kit = Kit(
        'a "quoted" name \\ with é, tab\tand \x7f',
        (Drum("k", "kick", "m", 22.5, 8), Drum("h", "hihat")),
        (Mic("m", 3, None, "acoustic", -3.25), Mic("t", 4, "k", "trigger")),
        Windows(40, 123.5),
    )
    text = kit_toml(kit)
    assert tomllib.loads(text)["kit"]["name"] == kit.name
    assert parse_kit(text, "here") == kit


def test_without_a_kit_the_drums_are_found_from_the_summary(folder: Path) -> None:
    (folder / "session_kit.toml").unlink()
    session = read_session(folder)
    assert session.kit is None
    assert session.judged() == ("kick", "snare")
    assert read_session(folder, "three_mics").kit == load_kit("three_mics")


def test_reasons_are_found_by_path_or_group(folder: Path) -> None:
    session = read_session(folder)
    assert session.unmeasured("expander.over") == "overheads get no expander"
    assert session.unmeasured("expander.over.threshold_dbfs") == "overheads get no expander"
    assert session.unmeasured("nothing.of.the.kind") is None


def test_notes_and_stars_are_kept(folder: Path) -> None:
    write_notes(folder, Notes({"snare_top": "gain 34"}, frozenset({"again"})))
    session = read_session(folder)
    assert session.notes == {"snare_top": "gain 34"}
    assert session.stars == {"again"}


def test_wrong_notes_are_all_said_with_the_nearest_name() -> None:
    with pytest.raises(ConfigError) as error:
        parse_notes("--note", ["snare_tip=x", "plain"], ["snare_top", "over"])
    assert len(error.value.problems) == 2
    assert 'did you mean "snare_top"?' in error.value.problems[0]


def test_sessions_are_found_in_a_tree(tmp_path: Path) -> None:
    for name in ("b", "a", "c/earlier_1"):
        stored_samples.write_session(tmp_path / name)
    (tmp_path / "empty").mkdir()
    assert find_sessions(tmp_path) == [tmp_path / n for n in ("a", "b", "c/earlier_1")]
    assert find_sessions(tmp_path / "a") == [tmp_path / "a"]
    assert not is_session(tmp_path / "empty")


def damage(folder: Path, name: str, text: str) -> str:
    (folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(LiveassistError) as error:
        read_session(folder)
    sentence = str(error.value)
    assert "\n" not in sentence
    assert name in sentence
    return sentence


def test_damage_is_said_in_one_sentence(folder: Path) -> None:
    summary = json.loads((folder / "summary.json").read_text())
    hits = (folder / "hits.csv").read_text()
    assert "line 3" in damage(folder, "hits.csv", hits.replace("snare,-", "snare,x-", 1))
    assert "take" in damage(folder, "hits.csv", "time_s,drum\n")
    (folder / "hits.csv").write_text(hits)
    assert "damaged" in damage(folder, "summary.json", "{")
    assert "schema" in damage(folder, "summary.json", json.dumps({**summary, "schema": 2}))
    del summary["alerts"]
    assert "alerts" in damage(folder, "summary.json", json.dumps(summary))


def test_a_folder_that_is_no_session_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such folder"):
        read_session(tmp_path / "nowhere")
    with pytest.raises(ConfigError, match="no summary"):
        read_session(tmp_path)


def test_notes_by_another_hand_are_refused(folder: Path) -> None:
    (folder / "notes.json").write_text("[]")
    with pytest.raises(InputError, match="notes"):
        read_session(folder)
