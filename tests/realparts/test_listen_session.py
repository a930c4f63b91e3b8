"""`liveassist listen` as a person runs it: real server, real processes, simulated drums.

What it heard is compared with a replay of the very same samples: the recording with as much
silence before it as the listener had heard when it began.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
import pytest
import soundfile

from liveassist.app.sharing import sharing_note
from sim import open_scenario
from tests.realparts.live_parts import NAME, PATIENCE_S, RATE, Player, Server

pytestmark = pytest.mark.realparts

SCENARIO, LENGTH_S = "three_mics", 8.0


@dataclass(frozen=True)
class Drums:
    """A few seconds of simulated drums and the kit they were recorded with."""

    audio: np.ndarray
    npy: Path
    kit: Path


@pytest.fixture(scope="module")
def drums(tmp_path_factory: pytest.TempPathFactory) -> Drums:
    folder = tmp_path_factory.mktemp("drums")
    scene = open_scenario(SCENARIO)
    assert scene.sample_rate_hz == RATE
    audio = scene.read(round(LENGTH_S * RATE))
    np.save(folder / "drums.npy", audio)
    (folder / "kit.toml").write_text(scene.kit_toml, encoding="utf-8")
    return Drums(audio, folder / "drums.npy", folder / "kit.toml")


@pytest.fixture
def player(drums: Drums, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Player]:
    """A server with a long period, which a busy machine does not make lose time, and a player."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("LIVEASSIST_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("PYTHONPATH", os.getcwd())
    server = Server(4096)
    made = Player("drumsim", str(drums.npy))
    yield made
    made.close()
    server.close()


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "liveassist", *map(str, words)]


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=120, check=False)


class Listener:
    """``liveassist listen --headless`` as a process; ready when it says that it listens."""

    def __init__(self, *words: str | Path) -> None:
        self.process = subprocess.Popen(
            command("listen", "--headless", *words),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # Under nohup a hang-up is ignored, here and in every child.
            preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL),
        )
        first = _text(self.process.stderr).readline()
        if "Going on with the session" in first:
            first = _text(self.process.stderr).readline()
        if "Listening on" not in first:
            self.close()
            pytest.fail(f"listen said: {first}")

    def close(self) -> None:
        """End it at once. May be called twice."""
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            _text(stream).close()

    def end(self) -> tuple[int, str, str]:
        """Wait for its end; exit code, output, errors."""
        try:
            out, err = self.process.communicate(timeout=PATIENCE_S)
        finally:
            self.close()
        return self.process.returncode, out, err


@contextlib.contextmanager
def listening(*words: str | Path) -> Iterator[Listener]:
    """A listener that is gone at the end, however the test goes."""
    listener = Listener(*words)
    try:
        yield listener
    finally:
        listener.close()


def _text(stream: IO[str] | None) -> IO[str]:
    assert stream is not None
    return stream


def rows(folder: Path) -> list[dict[str, str]]:
    if not (folder / "hits.csv").exists():
        return []
    with (folder / "hits.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def seconds(row: dict[str, str]) -> float:
    return float(row["time_s"])


def assert_silent(err: str) -> None:
    """Nothing but the rest of the sentence of the start, of which the first line was read."""
    note = sharing_note("drumsim", "JACK Audio Connection Kit")
    assert f"\n{note}\n".endswith(err)


def sample(row: dict[str, str]) -> int:
    return round(float(row["time_s"]) * RATE)


def test_live_hits_equal_those_of_the_replay(drums: Drums, player: Player, tmp_path: Path) -> None:
    live, alone, same = tmp_path / "live", tmp_path / "alone", tmp_path / "same"
    kit = ("--kit", drums.kit)
    with listening(*kit, "--device", "drumsim", "--block", "128", "--out", live) as listener:
        player.go()
        player.expect("done")

        status = run("status")
        assert status.returncode == 0
        assert "drumsim" in status.stdout
        assert f"process {listener.process.pid}" in status.stdout
        second = run("listen", "--headless", *kit, "--device", "drumsim")
        assert second.returncode == 1
        assert f"Process {listener.process.pid} listens on" in second.stderr

        stopped = run("stop")
        assert (stopped.returncode, stopped.stderr) == (0, "")
        code, out, err = listener.end()
        assert code == 0
        assert_silent(err)
        assert "snare" in out
    summary = json.loads((live / "summary.json").read_text(encoding="utf-8"))
    lost = [alert for alert in summary["alerts"] if alert["alert"] == "audio_lost"]
    assert not lost, "this machine was too busy for its audio server; nothing can be compared"
    assert summary["started_at"] is not None
    assert run("status").returncode == 1

    wav = tmp_path / "drums.wav"
    soundfile.write(wav, drums.audio, RATE, subtype="FLOAT")
    assert run("replay", wav, *kit, "--out", alone).returncode == 0
    before = sample(rows(live)[0]) - sample(rows(alone)[0])
    assert before > 0
    silence = np.zeros((before, drums.audio.shape[1]), dtype=np.float32)
    after = np.zeros((2 * RATE, drums.audio.shape[1]), dtype=np.float32)
    soundfile.write(wav, np.concatenate([silence, drums.audio, after]), RATE, subtype="FLOAT")
    assert run("replay", wav, *kit, "--out", same).returncode == 0
    assert len(rows(live)) > 10
    assert rows(live) == rows(same)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_leaves_whole_files(
    drums: Drums, player: Player, tmp_path: Path, number: signal.Signals
) -> None:
    out = tmp_path / "out"
    with listening("--kit", drums.kit, "--device", "drumsim", "--out", out) as listener:
        player.go()
        end_s = time.monotonic() + PATIENCE_S
        while not rows(out):
            assert time.monotonic() < end_s, "no hit was ever written"
            time.sleep(0.05)
        listener.process.send_signal(number)
        code, _, err = listener.end()
        assert code == 0
        assert_silent(err)
    assert len(rows(out)) > 0
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert sum(drum["hits"] for drum in summary["drums"].values()) == len(rows(out))


def test_a_killed_listener_leaves_whole_files_and_starts_clean(
    drums: Drums, player: Player, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    words = ("--kit", drums.kit, "--device", "drumsim", "--out", out)
    with listening(*words) as listener:
        player.go()
        end_s = time.monotonic() + PATIENCE_S
        # Until two seconds lie between its first hit and its last.
        while not (known := rows(out)) or seconds(known[-1]) - seconds(known[0]) < 2.0:
            assert time.monotonic() < end_s, "too few hits were ever written"
            time.sleep(0.05)
        listener.process.kill()
        listener.end()
    before = rows(out)
    json.loads((out / "summary.json").read_text(encoding="utf-8"))
    with listening(*words, "--seconds", "0.5") as again:
        assert again.end()[0] == 0
    json.loads((out / "summary.json").read_text(encoding="utf-8"))
    # The session goes on: all that was older than a second when it was killed is still there.
    kept = {(row["time_s"], row["drum"], row["peak_dbfs"]) for row in rows(out)}
    old = [row for row in before if seconds(row) < seconds(before[-1]) - 1.0]
    assert old
    assert {(row["time_s"], row["drum"], row["peak_dbfs"]) for row in old} <= kept


def test_in_the_background_until_it_is_stopped(
    drums: Drums, player: Player, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    words = ("--kit", drums.kit, "--device", "drumsim", "--out", out, "--background")
    started = run("listen", *words)
    assert (started.returncode, started.stderr) == (0, "")
    player.go()
    again = run("listen", *words)
    assert again.returncode == 1
    assert again.stderr.startswith("liveassist: Process ")
    assert "listens on" in again.stderr
    end_s = time.monotonic() + PATIENCE_S
    while not rows(out):
        assert time.monotonic() < end_s, "no hit was ever written"
        time.sleep(0.05)
    assert run("stop").returncode == 0
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert sum(drum["hits"] for drum in summary["drums"].values()) == len(rows(out))
    assert "listening on drumsim" in (out / "liveassist.log").read_text(encoding="utf-8")


def test_no_such_device_is_one_sentence(drums: Drums, player: Player) -> None:
    done = run("listen", "--headless", "--kit", drums.kit, "--device", "drumsym")
    assert done.returncode == 1
    assert 'did you mean "drumsim"' in done.stderr
    assert len(done.stderr.splitlines()) == 1
