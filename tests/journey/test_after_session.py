"""What follows a session, through the whole program: replay, then every command on its folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import mido
import pytest

import sim
from liveassist.app.config import load_kit

ROOT = Path(__file__).resolve().parents[2]
SECONDS = 14.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated recording with its kit, replayed into ``heard``."""
    folder = tmp_path_factory.mktemp("after")
    sim.write_scene(sim.open_scenario("first_light"), folder, seconds=SECONDS, stem="song")
    run(folder, "replay", "song.flac", "--kit", "song.kit.toml", "--take", "one=0:14",
        "--out", "heard")  # fmt: skip
    return folder


def run(folder: Path, *arguments: str, code: int = 0) -> str:
    environment = {
        **os.environ, "PYTHONPATH": str(ROOT), "LIVEASSIST_SETUPS_DIR": str(folder / "setups"),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "liveassist", *arguments],
        capture_output=True, text=True, cwd=folder, env=environment, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout


def test_the_session_keeps_its_kit(folder: Path) -> None:
    assert load_kit(folder / "heard" / "session_kit.toml") == load_kit(folder / "song.kit.toml")


def test_takes_and_sessions_are_listed(folder: Path) -> None:
    assert run(folder, "sessions").startswith("heard: ")
    text = run(folder, "takes", "heard", "--star", "one", "--tempo", "126")
    assert text.startswith("1. one *: 0:00 to 0:14")
    assert "\none  ......" in text, "six clean bars"
    assert "does not keep" not in text, "126 is the tempo that was simulated"


def test_the_midi_file_holds_every_hit(folder: Path) -> None:
    run(folder, "export", "heard", "--as", "midi", "--out", "song.mid", "--tempo", "126")
    file = mido.MidiFile(folder / "song.mid")
    notes = sum(message.type == "note_on" for track in file.tracks for message in track)
    assert notes == len((folder / "heard" / "hits.csv").read_text().splitlines()) - 1


def test_the_report_has_the_pair_check(folder: Path) -> None:
    run(folder, "report", "heard", "--audio", "song.flac", "--note", "over_left=1.1 m up")
    page = (folder / "heard" / "report.html").read_text(encoding="utf-8")
    assert "Pair check" in page
    assert "snare_top and snare_bottom" in page
    assert "1.1 m up" in page


def test_a_setup_matches_itself(folder: Path) -> None:
    run(folder, "save-setup", "here", "heard")
    assert "It matches" in run(folder, "restore-check", "here", "heard")


def test_wrong_use_ends_with_2(folder: Path) -> None:
    run(folder, "takes", "nowhere", code=2)
    run(folder, "export", "heard", "--as", "cues", code=2)
    run(folder, "compare", "song.flac", "--kit", "song.kit.toml", code=2)
    run(folder, "restore-check", "there", "heard", code=2)


def test_takes_split_afterwards_are_as_if_marked_so(folder: Path) -> None:
    """The same recording, replayed with the marks, is the oracle for splitting without it."""
    run(folder, "replay", "song.flac", "--kit", "song.kit.toml", "--take", "a=0:8", "--take",
        "b=8:14", "--out", "marked")  # fmt: skip
    run(folder, "replay", "song.flac", "--kit", "song.kit.toml", "--take", "one=0:14",
        "--out", "split")  # fmt: skip
    run(folder, "takes", "split", "--note", "one=good", "--split", "one=8", code=2)
    run(folder, "takes", "split", "--split", "one=8", "--rename", "one a=a", "--rename", "one b=b")
    marked, split = (
        json.loads((folder / name / "summary.json").read_text(encoding="utf-8"))
        for name in ("marked", "split")
    )
    assert split["reference"] == marked["reference"] == "a"
    for one, other in zip(split["takes"], marked["takes"], strict=True):
        assert (one["name"], one["start_s"], one["end_s"]) == (
            other["name"], pytest.approx(other["start_s"], abs=0.001),
            pytest.approx(other["end_s"], abs=0.001),
        )  # fmt: skip
        for drum in ("kick", "snare"):
            mine, theirs = one["drums"][drum], other["drums"][drum]
            assert mine["hits"] == theirs["hits"]
            assert mine["main"]["median_dbfs"] == pytest.approx(theirs["main"]["median_dbfs"])
            assert mine["main"]["spread_db"] == pytest.approx(
                theirs["main"]["spread_db"], abs=0.02, nan_ok=True
            )
        # What is heard between hits is kept too: margins are those of the live take.
        assert one["review"]["bleed_margin_db"] == pytest.approx(
            other["review"]["bleed_margin_db"], abs=0.5, nan_ok=True
        )
        assert [change["cause"] for change in one["changes"]] == [
            change["cause"] for change in other["changes"]
        ]
    rows = (folder / "split" / "hits.csv").read_text(encoding="utf-8").splitlines()
    assert {row.rsplit(",", 1)[1] for row in rows[1:]} <= {"a", "b", ""}


def test_a_second_run_puts_the_first_aside(folder: Path) -> None:
    before = (folder / "heard" / "hits.csv").read_bytes()
    run(folder, "replay", "song.flac", "--kit", "song.kit.toml", "--out", "heard")
    assert (folder / "heard" / "earlier_1" / "hits.csv").read_bytes() == before
    assert (folder / "heard" / "earlier_1" / "report.html").exists()
    assert "earlier_1" in run(folder, "sessions", "heard")
