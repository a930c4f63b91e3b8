"""A recording with the recorder's metronome on a channel of its own, through the whole program."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

import sim
from tests.unit.rolling.metronome import ACCENT, BEAT, bleed, channel

ROOT = Path(__file__).resolve().parents[2]
SECONDS = 16.0
#: The scenario counts in from 1.0 s at this tempo; its first bar begins four beats later.
TEMPO_BPM, FIRST_S = 126.0, 1.0
BEAT_S = 60.0 / TEMPO_BPM
CLICK = '\n[[mic]]\nname = "click"\nchannel = 9\ntype = "line"\nclick = true\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same session with and without the channel, replayed into ``with`` and ``without``."""
    folder = tmp_path_factory.mktemp("click")
    sim.write_scene(sim.open_scenario("first_light"), folder, seconds=SECONDS, stem="song")
    drums, rate = soundfile.read(folder / "song.flac", dtype="float32")
    beats = np.arange(FIRST_S, SECONDS - 0.3, BEAT_S)
    # Four of its beeps are lost, and the drums are heard in it.
    click = channel(list(beats), [ACCENT, BEAT, BEAT, BEAT], lost=[12, 13, 14, 15],
                    length_s=SECONDS, rate_hz=rate)  # fmt: skip
    click += bleed(list(beats[4:] + 0.012), SECONDS, -32.0, rate_hz=rate)[: len(click)]
    soundfile.write(folder / "click.wav", np.column_stack([drums, click]), rate, "FLOAT")
    (folder / "click.toml").write_text((folder / "song.kit.toml").read_text() + CLICK)
    run(folder, "replay", "click.wav", "--kit", "song.kit.toml", "--out", "without")
    run(folder, "replay", "click.wav", "--kit", "click.toml", "--out", "with")
    return folder


def run(folder: Path, *arguments: str, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "liveassist", *arguments],
        capture_output=True, text=True, cwd=folder, check=False, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_the_analysis_never_hears_the_click(folder: Path) -> None:
    """Hits, bleed, alerts: as if the channel were not there."""
    assert (folder / "with/hits.csv").read_text() == (folder / "without/hits.csv").read_text()
    one, other = (
        json.loads((folder / name / "summary.json").read_text()) for name in ("with", "without")
    )
    assert one == other
    assert "click" not in one["bleed_db"]


def test_every_beat_is_where_it_was_made(folder: Path) -> None:
    beats = rows(folder / "with/click.csv")
    truth = np.arange(FIRST_S, SECONDS - 0.3, BEAT_S)
    found = np.array([float(row["time_s"]) for row in beats])
    assert len(found) == len(truth)
    assert float(np.abs(found - truth).max()) < 0.001
    assert {row["beats_a_bar"] for row in beats} == {"4"}
    assert [n for n, row in enumerate(beats) if row["heard"] == "0"] == [12, 13, 14, 15]
    assert [int(row["beat"]) for row in beats] == list(range(len(beats)))


def test_takes_lie_on_bars_without_a_tempo(folder: Path) -> None:
    text = run(folder, "takes", "with")
    assert "126.0 beats a minute, 4 beats a bar, by its accents" in text
    assert "scatter" in text
    assert "by time, 5 s a letter" not in text
    assert "does not keep" not in text
    assert "by time, 5 s a letter" in run(folder, "takes", "without")


def test_the_users_metre_goes_before_the_accents(folder: Path) -> None:
    run(folder, "replay", "click.wav", "--kit", "click.toml", "--out", "again")
    text = run(folder, "takes", "again", "--beats", "2")
    assert "2 beats a bar" in text
    assert "by its accents" not in text
    # A tempo that is half the click's says that every second click is a beat.
    assert "63.0 beats a minute" in run(folder, "takes", "again", "--tempo", "63")


def test_exports_count_the_same_bars(folder: Path) -> None:
    run(folder, "export", "with", "--as", "csv", "--out", "hits.csv")
    bar_s, first_s = 4 * BEAT_S, FIRST_S + 4 * BEAT_S
    for row in rows(folder / "hits.csv"):
        if row["bar"] and row["drum"] in ("kick", "snare"):
            step = (float(row["time_s"]) - first_s) / (BEAT_S / 4)
            assert int(row["bar"]) == round(step) // 16 + 1
            assert float(row["offset_ms"]) == pytest.approx(
                1000 * (step - round(step)) * BEAT_S / 4, abs=1.0
            )
    run(folder, "export", "with", "--as", "midi", "--out", "song.mid")
    tempo = next(m for m in mido.MidiFile(folder / "song.mid").tracks[0] if m.type == "set_tempo")
    assert mido.tempo2bpm(tempo.tempo) == pytest.approx(TEMPO_BPM, abs=0.05)
    run(folder, "export", "with", "--as", "markers", "--out", "markers.csv")
    for row in rows(folder / "markers.csv"):
        if row["kind"] == "bar":
            bars = (float(row["start_s"]) - first_s) / bar_s
            assert bars == pytest.approx(round(bars), abs=0.002)
    run(folder, "export", "with", "--as", "json", "--out", "all.json")
    timing = json.loads((folder / "all.json").read_text())["timing"]
    (take,) = timing.values()
    # The simulated drummer's snare is 2 ms late and scatters by 4.
    assert take["snare"]["spread_ms"] == pytest.approx(4.0, abs=2.5)


def test_the_report_has_bars_and_timing(folder: Path) -> None:
    run(folder, "report", "with")
    page = (folder / "with" / "report.html").read_text(encoding="utf-8")
    assert "Takes on bars" in page
    assert "Timing against the click" in page
    assert "the click" in page


def test_a_recording_without_the_channel_says_so(folder: Path) -> None:
    text = run(folder, "replay", "song.flac", "--kit", "click.toml")
    assert "has no channel for click" in text


def test_mistakes_in_the_profile_are_said(folder: Path) -> None:
    kit = (folder / "song.kit.toml").read_text()
    (folder / "wrong.toml").write_text(kit + CLICK.replace('type = "line"\n', 'of = "kick"\n'))
    done = subprocess.run(
        [sys.executable, "-m", "liveassist", "check", "wrong.toml"],
        capture_output=True, text=True, cwd=folder, check=False, timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 1
    assert 'write type = "line"' in done.stderr
    assert "leave of out" in done.stderr
    assert "the click on channel 9" in run(folder, "check", "click.toml")
