"""An hour of `liveassist listen` in real time: a real audio server, its dashboard, its datagrams.

Run by hand: ``python -m tests.speed.live_hour [--minutes 60] [--period 128] [--scenario NAME]
[--realtime]``. A server of its own with the dummy driver; a player that loops a simulated session
of eight microphones into it; the daemon after a soundcheck, with store, files, an OSC target and a
dashboard attached in a terminal of its own. Printed every few minutes: memory, threads and open
files of the daemon and its child processes, and its share of one core. ``--realtime`` has the
server and its clients scheduled as on a studio's computer (root or rights for it needed); without
it a busy machine loses audio before it comes here. At the end what was lost, and the time from the
sample of each true onset, when the server played it, to the first datagram about that hit: block,
analysis and sending included, a converter's delay not. Exit status 1 where threads or open files
grew or the daemon ended by itself.
"""

from __future__ import annotations

import argparse
import bisect
import json
import os
import pty
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from liveassist.app.demo import open_scene
from liveassist.output.osc_codec import OscMessage, decode

NAME = "liveassist-hour"
RATE = 48_000
#: A datagram belongs to the last true onset of its drum before it, this long ago at most, s.
LATEST_S = 0.25
JUDGED = ("kick", "snare")
SURFACE = """
[surface]
name = "ear"
[[osc]]
name = "ear"
host = "127.0.0.1"
port = {port}
"""
#: The looping player: prints where it is in frames played and microseconds, once a second.
PLAYER = """
import sys, threading, time, jack, numpy as np
audio = np.load(sys.argv[1]); client = jack.Client("drumsim", no_start_server=True)
ports = [client.outports.register(f"out_{i + 1}") for i in range(audio.shape[1])]
state = {"position": 0, "on": False, "said": None}
def process(frames):
    if not state["on"]:
        for port in ports: port.get_array()[:] = 0.0
        return
    now = time.monotonic()
    offset = now - state["position"] / 48000.0
    if state["said"] is None or offset < state["said"][2]:
        # The callback comes late, never early: the least late of half a second tells the time.
        state["said"] = (state["position"], 1e6 * now, offset)
    index = (state["position"] + np.arange(frames)) % len(audio)
    for column, port in enumerate(ports): port.get_array()[:] = audio[index, column]
    state["position"] += frames
client.set_process_callback(process); client.activate(); print("ready", flush=True)
sys.stdin.readline(); state["on"] = True
def report():
    while True:
        time.sleep(0.5)
        said, state["said"] = state["said"], None
        if said: print(*said[:2], flush=True)
threading.Thread(target=report, daemon=True).start()
sys.stdin.readline()
"""


class Ear:
    """Takes datagrams and notes the first of each hit."""

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.first: list[tuple[str, float]] = []
        self._known: set[int] = set()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            data = self.socket.recv(65536)
            now_s = time.monotonic()
            message = decode(data)
            if not isinstance(message, OscMessage) or not message.address.endswith("/hit"):
                continue
            number = message.args[0]
            if isinstance(number, int) and number not in self._known:
                self._known.add(number)
                self.first.append((message.address.split("/")[-2], now_s))


def daemon_state(pid: int) -> tuple[float, int, int, float]:
    """Memory (MB), threads, open files and processor seconds of a process and its children."""
    memory = ticks = 0.0
    threads = handles = 0
    for process in [pid, *_children(pid)]:
        try:
            status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
            stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1]
            handles += len(os.listdir(f"/proc/{process}/fd"))
        except OSError:
            continue
        if "VmRSS" not in status:
            continue  # it has ended and nobody has asked how
        fields = dict(line.split(":", 1) for line in status.splitlines() if ":" in line)
        memory += float(fields["VmRSS"].split()[0]) / 1024.0
        threads += int(fields["Threads"])
        ticks += sum(int(word) for word in stat.split()[11:13])
    return memory, threads, handles, ticks / os.sysconf("SC_CLK_TCK")


def _children(pid: int) -> list[int]:
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(word) for word in task.read_text(encoding="ascii").split()]
        except OSError:
            continue
    return found + [grandchild for child in found for grandchild in _children(child)]


def run(minutes: float, period: int, scenario: str, realtime: bool, folder: Path) -> int:
    """Do it all; the exit status."""
    scene: Any = open_scene(scenario)
    audio = np.asarray(scene.read(round(scene.duration_s * RATE)), dtype=np.float32)
    np.save(folder / "drums.npy", audio)
    (folder / "kit.toml").write_text(scene.kit_toml, encoding="utf-8")
    from tests.bench.recordings import from_scenario, learned_from

    with (folder / "learned.npz").open("wb") as file:
        learned_from(from_scenario(scenario, 0.0, soundcheck=True)).save(file)
    onsets = {
        drum: [float(row["time_s"]) for row in scene.truth() if row["drum"] == drum]
        for drum in JUDGED
    }
    loop_s = len(audio) / RATE
    ear = Ear()
    surface = SURFACE.format(port=ear.socket.getsockname()[1])
    (folder / "ear.toml").write_text(surface, encoding="utf-8")
    os.environ |= {
        "JACK_DEFAULT_SERVER": NAME,
        "JACK_NO_START_SERVER": "1",
        "LIVEASSIST_RUNTIME_DIR": str(folder / "run"),
        "PYTHONPATH": os.getcwd(),
        "OPENBLAS_NUM_THREADS": "1",
    }
    server = subprocess.Popen(
        f"jackd -n {NAME} -p 256 {'-R' if realtime else '-r'} "
        f"-d dummy -r {RATE} -p {period} -C 2 -P 2".split(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    player = watcher = listener = None
    main_pty, child_pty = pty.openpty()
    try:
        time.sleep(2.0)
        player = subprocess.Popen(
            [sys.executable, "-c", PLAYER, str(folder / "drums.npy")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert player.stdin is not None
        assert player.stdout is not None
        player.stdout.readline()
        words = [sys.executable, "-m", "liveassist"]
        listener = subprocess.Popen(
            [
                *words,
                *("listen", "--headless", "--kit", str(folder / "kit.toml")),
                *("--device", "drumsim", "--rate", str(RATE), "--out", str(folder / "out")),
                *("--surface", str(folder / "ear.toml"), "--seconds", str(60.0 * minutes + 5.0)),
                *("--learned", str(folder / "learned.npz")),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert listener.stderr is not None
        print(listener.stderr.readline().strip(), flush=True)
        watcher = subprocess.Popen(
            [*words, "watch"], stdin=child_pty, stdout=child_pty, stderr=child_pty
        )
        threading.Thread(target=_drain, args=(main_pty,), daemon=True).start()
        places: list[tuple[int, float]] = []
        threading.Thread(target=_follow, args=(player, places), daemon=True).start()
        player.stdin.write("go\n")
        player.stdin.flush()
        return _watch(listener, minutes, places, ear, onsets, loop_s, folder)
    finally:
        for process in (watcher, listener, player, server):
            if process is not None and process.poll() is None:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(10.0)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        os.close(child_pty)


def _drain(terminal: int) -> None:
    while True:
        try:
            os.read(terminal, 65536)
        except OSError:
            return


def _follow(player: subprocess.Popen[str], places: list[tuple[int, float]]) -> None:
    assert player.stdout is not None
    for line in player.stdout:
        frames, microseconds = line.split()
        places.append((int(frames), float(microseconds) / 1e6))


def _watch(
    listener: subprocess.Popen[str],
    minutes: float,
    places: list[tuple[int, float]],
    ear: Ear,
    onsets: dict[str, list[float]],
    loop_s: float,
    folder: Path,
) -> int:
    print("| minute | memory, MB | threads | open files | share of a core, % | hits |")
    print("|---|---|---|---|---|---|", flush=True)
    begun_s = time.monotonic()
    rows: list[tuple[float, float, int, int, float]] = []
    before = (begun_s, daemon_state(listener.pid)[3])
    step_s = min(300.0, 60.0 * minutes / 4.0)
    while listener.poll() is None and time.monotonic() - begun_s < 60.0 * minutes:
        time.sleep(min(step_s, max(begun_s + 60.0 * minutes - time.monotonic(), 0.1)))
        if listener.poll() is not None:
            break
        memory, threads, handles, spent = daemon_state(listener.pid)
        now_s = time.monotonic()
        share = 100.0 * (spent - before[1]) / (now_s - before[0])
        before = (now_s, spent)
        rows.append(((now_s - begun_s) / 60.0, memory, threads, handles, share))
        line = f"{rows[-1][0]:6.1f} | {memory:6.0f} | {threads:3} | {handles:3} | {share:5.1f}"
        print(f"| {line} | {len(ear.first):6} |", flush=True)
    early = listener.poll() is not None
    if early:
        assert listener.stderr is not None
        print(f"the daemon ended with {listener.returncode}: {listener.stderr.read()}")
    else:
        try:
            listener.wait(120.0)
        except subprocess.TimeoutExpired:
            print("the daemon did not end in time")
    print("\n".join(latencies(places, ear.first, onsets, loop_s)))
    if not (folder / "out" / "summary.json").exists():
        return 1
    summary = json.loads((folder / "out" / "summary.json").read_text(encoding="utf-8"))
    for alert in summary["alerts"]:
        if alert["alert"] in ("audio_lost", "overload", "input_away", "storage"):
            print(f"{alert['start_s']:.0f} s: {alert['sentence']}")
    lost_ms = sum(a["value"] for a in summary["alerts"] if a["alert"] == "audio_lost")
    print(f"{lost_ms:.0f} ms of audio lost")
    hits = sum(drum["hits"] for drum in summary["drums"].values())
    print(f"{hits} hits in the summary; daemon ended with {listener.returncode}")
    grew = not rows or rows[-1][2] > rows[0][2] or rows[-1][3] > rows[0][3] + 2
    return int(early or grew or listener.returncode != 0)


def latencies(
    places: list[tuple[int, float]],
    heard: list[tuple[str, float]],
    onsets: dict[str, list[float]],
    loop_s: float,
) -> list[str]:
    """One line a drum: onset as played to first datagram, ms."""
    frames = [place[0] for place in places]
    out = []
    everything: list[float] = []
    for drum, times in onsets.items():
        found, used = list[float](), set[tuple[int, int]]()
        for name, at_s in heard:
            if name != drum or not times:
                continue
            index = bisect.bisect_right([place[1] for place in places], at_s) - 1
            if index < 0:
                continue
            position_s = (frames[index] + (at_s - places[index][1]) * RATE) / RATE
            turn, inside_s = divmod(position_s, loop_s)
            which = bisect.bisect_right(times, inside_s) - 1
            late_s = inside_s - times[which] if which >= 0 else 1.0
            if late_s < LATEST_S and (int(turn), which) not in used:
                used.add((int(turn), which))
                found.append(1000.0 * late_s)
        everything += found
        out.append(_line(drum, found))
    out.append(_line("both", everything))
    return out


def _line(name: str, found: list[float]) -> str:
    if not found:
        return f"{name}: no datagram"
    parts = [f"{q} %: {np.percentile(found, q):.1f}" for q in (50, 90, 95, 99)]
    return f"{name}: {len(found)} hits, onset to datagram, ms, {', '.join(parts)}"


def main() -> None:
    """Run it by the options."""
    parser = argparse.ArgumentParser(description="listen for an hour")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--period", type=int, default=128)
    parser.add_argument("--scenario", default="first_light")
    parser.add_argument("--realtime", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        sys.exit(run(asked.minutes, asked.period, asked.scenario, asked.realtime, Path(folder)))


if __name__ == "__main__":
    main()
