"""What follows a session, through the whole program: replay, then every command on its folder."""

from __future__ import annotations

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
