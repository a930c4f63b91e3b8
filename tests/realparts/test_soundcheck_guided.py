"""The guided soundcheck as a person runs it: a real audio server, a process, simulated drums.

What it taught is used by a replay of other audio of the same kit, against the simulator's truth.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile

from sim import open_scenario
from tests.realparts.live_parts import NAME, RATE, Player, Server

pytestmark = pytest.mark.realparts

KIT = """
[kit]
name = "three mics"

[[drum]]
name = "kick"
kind = "kick"
own = "{kick}"

[[drum]]
name = "snare"
kind = "snare"
own = "{snare}"
"""
SONG_S = 10.0
#: Longest that two drums may take, s.
PATIENCE_S = 90.0


@dataclass(frozen=True)
class Parts:
    """A server, and a player that has the soundcheck of kick and snare."""

    player: Player
    kit: Path


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Parts]:
    check = open_scenario("three_mics", soundcheck=True)
    assert check.sample_rate_hz == RATE
    audio = check.read(check.total_frames)
    text = KIT.format(**check.own)
    for number, mic in enumerate(check.mics, 1):
        text += f'\n[[mic]]\nname = "{mic}"\nchannel = {number}\n'
    kit = tmp_path / "kit.toml"
    kit.write_text(text, encoding="utf-8")
    rest = np.zeros((3 * RATE, audio.shape[1]), dtype=np.float32)
    spans = {drum: (start, end) for drum, start, end in check.segments}
    pieces = [rest]
    for drum in ("kick", "snare"):
        start, end = spans[drum]
        pieces += [audio[round(start * RATE) : round(end * RATE)], rest[: RATE // 2]]
    np.save(tmp_path / "check.npy", np.concatenate([*pieces, rest]))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("LIVEASSIST_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("PYTHONPATH", os.getcwd())
    server = Server(4096)
    player = Player("drumsim", str(tmp_path / "check.npy"))
    yield Parts(player, kit)
    player.close()
    server.close()


def test_a_guided_soundcheck_teaches_what_a_replay_can_use(parts: Parts, tmp_path: Path) -> None:
    target = tmp_path / "kit.learned.npz"
    words = ("soundcheck", "--kit", parts.kit, "--device", "drumsim", "--out", target)
    guide = subprocess.Popen(
        [sys.executable, "-m", "liveassist", *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert guide.stdout is not None
        first = [guide.stdout.readline() for _ in range(3)]
        assert "protect your hearing" in first[0]
        assert "r this drum again" in first[1]
        parts.player.go()
        said, _ = guide.communicate(timeout=PATIENCE_S)
    finally:
        guide.kill()
        guide.wait()
    assert guide.returncode == 0, said
    assert "learned kick, snare" in said
    assert str(target) in said

    song = open_scenario("three_mics")
    soundfile.write(tmp_path / "song.wav", song.read(round(SONG_S * RATE)), RATE, subtype="FLOAT")
    song_words = (tmp_path / "song.wav", "--kit", parts.kit, "--learned", target)
    replay_words = ("replay", *song_words, "--out", tmp_path / "out")
    done = subprocess.run(
        [sys.executable, "-m", "liveassist", *map(str, replay_words)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = (tmp_path / "out" / "hits.csv").read_text(encoding="utf-8").splitlines()[1:]
    for drum in ("kick", "snare"):
        got = np.array([float(line.split(",")[0]) for line in lines if line.split(",")[1] == drum])
        rows = [row for row in song.truth(SONG_S) if row["drum"] == drum]
        true = np.array([row["time_s"] for row in rows if row["time_s"] < SONG_S - 0.1])
        assert len(true) >= 5
        f, _, _ = mir_eval.onset.f_measure(true, np.sort(got[got < SONG_S - 0.1]), window=0.010)
        assert f >= 0.85, (drum, f)
