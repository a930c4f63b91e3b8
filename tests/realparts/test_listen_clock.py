"""`liveassist listen` beside a recorder that starts, sends clock and time code, and stops.

The recorder of the test plays drums and says where it is to the sample (`jack_recorder`), so what
the session makes of it can be checked to a fraction of a millisecond.
"""

from __future__ import annotations

import csv
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest

from sim import open_scenario
from tests.realparts.live_parts import NAME, RATE, Player, Server
from tests.realparts.test_listen_session import listening, run

pytestmark = pytest.mark.realparts

#: Frames a period, long so that a busy machine loses none: MIDI comes in at the end of one, up to
#: 42.7 ms after it was played.
PERIOD = 2048
PERIOD_MS = 1000.0 * PERIOD / RATE
FIRST_S, BPM, BEATS = 0.9, 120.0, 12
PROFILE = """
surface = { name = "recorder" }
[[midi]]
name = "recorder"
port = "tape*midi"
output = false
input = true
transport = true
"""


def test_a_take_on_the_recorder_s_clock_and_time_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("LIVEASSIST_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("PYTHONPATH", os.getcwd())
    scene = open_scenario("three_mics")
    audio = scene.read(round(8.5 * RATE))
    truth = [row for row in scene.truth(until_s=8.0) if row["drum"] in ("kick", "snare")]
    np.save(tmp_path / "drums.npy", audio)
    (tmp_path / "kit.toml").write_text(scene.kit_toml, encoding="utf-8")
    (tmp_path / "recorder.toml").write_text(PROFILE, encoding="utf-8")
    out = tmp_path / "out"
    server = Server(PERIOD)
    words = [str(tmp_path / "drums.npy"), str(round(FIRST_S * RATE)), str(BPM), str(BEATS)]
    recorder = Player("tape", *words, program=Path(__file__).with_name("jack_recorder.py"))
    try:
        kit, surface = tmp_path / "kit.toml", tmp_path / "recorder.toml"
        with listening("--kit", kit, "--device", "tape", "--surface", surface, "--out", out) as me:
            _wait_for_port(me)
            recorder.go()
            recorder.expect("done")
            assert run("stop").returncode == 0
            code, said, _ = me.end()
            assert code == 0, said
    finally:
        recorder.close()
        server.close()
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    lost = [alert for alert in summary["alerts"] if alert["alert"] == "audio_lost"]
    assert not lost, "this machine was too busy for its audio server; nothing can be compared"
    begin_s = _offset(out, truth) + FIRST_S
    rows = list(csv.DictReader((out / "clock.csv").read_text(encoding="utf-8").splitlines()))
    beats = np.array([(float(r["beat"]), float(r["time_s"])) for r in rows if r["beat"]])
    assert list(beats[:, 0]) == list(range(BEATS))
    late_ms = 1000 * (beats[:, 1] - begin_s - beats[:, 0] * 60.0 / BPM)
    # A tick waits for the end of its period, evenly from nothing to all of it; 49 of them put a
    # beat half a period late, and off by PERIOD / sqrt(12) / sqrt(49) = 1.8 ms (twice that
    # where ticks lie on one side only).
    print(f"beats late by {np.mean(late_ms):.2f} ms, scatter {np.std(late_ms):.2f} ms")
    assert np.mean(late_ms) == pytest.approx(PERIOD_MS / 2, abs=8.0)
    assert np.std(late_ms) < 4.0
    (take,) = summary["takes"]
    # One message has its own wait, and the analysis adds none: half a period and half again.
    late_s = (take["start_s"] - begin_s, take["end_s"] - begin_s - BEATS * 60.0 / BPM)
    print(f"take late by {1000 * late_s[0]:.1f} ms, its end by {1000 * late_s[1]:.1f} ms")
    for late in late_s:
        assert 1000 * late == pytest.approx(PERIOD_MS / 2, abs=PERIOD_MS / 2 + 8.0)
    codes = np.array(
        [(float(r["time_s"]), float(r["time_code_s"])) for r in rows if r["time_code_s"]]
    )
    assert len(codes) >= 5
    # From 01:00:00:00 on; a code is as late as its first piece, one of four to a frame of 40 ms.
    late_ms = 1000 * ((codes[:, 0] - begin_s) - (codes[:, 1] - 3600.0))
    print(f"time code late by {np.mean(late_ms):.1f} ms, scatter {np.std(late_ms):.1f} ms")
    assert np.all(np.abs(late_ms - PERIOD_MS / 2) < PERIOD_MS / 2 + 18.0)
    # And afterwards, from the folder alone: bars by the clock, hits against it.
    page = run("takes", out).stdout
    assert re.search(r"recorder: time code 01:00:00:\d\d to 01:00:0[56]:\d\d", page), page
    assert re.search(r"bars 1 to [34], (119\.[89]|120\.[012]) beats a minute", page), page
    table = run("export", out, "--as", "csv", "--out", tmp_path / "on_bars.csv")
    assert table.returncode == 0, table.stderr
    laid = list(csv.DictReader((tmp_path / "on_bars.csv").read_text("utf-8").splitlines()))
    bars = {row["bar"] for row in laid if row["take"] == take["name"]}
    # The stop comes in late by part of a period: a hit at the beginning of bar 4 may be before it.
    assert {"1", "2", "3"} <= bars <= {"1", "2", "3", "4"}


def _wait_for_port(listener: object) -> None:
    """Until the daemon has found the recorder's MIDI port."""
    from tests.realparts.conftest import wait_until

    wait_until(lambda: "recorder (midi): 0 sent, 0 dropped, ok" in run("status").stdout, 15.0, "it")


def _offset(out: Path, truth: list[dict[str, object]]) -> float:
    """Where the file begins in the session: from its hits, whose places in the file are known."""
    with (out / "hits.csv").open(encoding="utf-8", newline="") as file:
        heard = np.array([float(r["time_s"]) for r in csv.DictReader(file) if float(r["time_s"])])
    known = np.array([float(str(row["time_s"])) for row in truth])
    guesses = (heard[:, None] - known[None, :]).ravel()
    best = max(guesses, key=lambda guess: np.sum(np.abs(guesses - guess) < 0.001))
    return float(np.median(guesses[np.abs(guesses - best) < 0.001]))
