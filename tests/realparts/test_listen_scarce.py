"""`liveassist listen` where something is scarce for real: the processor, then the disk.

Nothing here is simulated but the drums: a server, processes, a processor shared with others, a file
system that is full. Orders, counts and samples are asserted, never how long anything took.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from liveassist.app.controlclient import Connection, choose_running
from liveassist.app.overload import WORDS
from liveassist.output.osc_codec import OscMessage, decode
from sim import open_scenario
from tests.realparts.live_parts import NAME, RATE, Player, Server
from tests.realparts.test_listen_session import listening, rows, run, sample, seconds

pytestmark = pytest.mark.realparts

SCENARIO, LENGTH_S, TIMES = "three_mics", 8.0, 20
#: How long anything may take before the test gives up, seconds.
PATIENCE_S = 90.0
#: Processes that may be started to starve the daemon; each takes as much as it gets.
MOST_RIVALS = 48
#: Addresses that report a hit: at once, corrected, and with all its detail.
REPORTS = ("/hit", "/hit/revised", "/hit/complete")
SURFACE = """
surface = {{ name = "ear" }}
[[osc]]
name = "ear"
host = "127.0.0.1"
port = {port}
"""


class Ear:
    """Takes datagrams and keeps the numbers of the hits told."""

    def __init__(self) -> None:
        self.numbers: set[int] = set()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.1)
        self._closing = False
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    @property
    def surface(self) -> str:
        """The profile that sends here."""
        return SURFACE.format(port=self._socket.getsockname()[1])

    def _listen(self) -> None:
        while not self._closing:
            with contextlib.suppress(TimeoutError):
                message = decode(self._socket.recv(65536))
                if isinstance(message, OscMessage) and message.address.endswith(REPORTS):
                    assert isinstance(message.args[0], int)
                    self.numbers.add(message.args[0])

    def close(self) -> None:
        """Stop listening."""
        self._closing = True
        self._thread.join()
        self._socket.close()


@dataclass(frozen=True)
class Place:
    """Server, player and ear of a test, and the words that listen to them."""

    audio: np.ndarray
    player: Player
    ear: Ear
    words: tuple[str | Path, ...]


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("LIVEASSIST_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("PYTHONPATH", os.getcwd())
    before = _before_other_sessions()
    scene = open_scenario(SCENARIO)
    assert scene.sample_rate_hz == RATE
    audio = np.tile(scene.read(round(LENGTH_S * RATE)), (TIMES, 1))
    np.save(tmp_path / "drums.npy", audio)
    (tmp_path / "kit.toml").write_text(scene.kit_toml, encoding="utf-8")
    ear = Ear()
    (tmp_path / "ear.toml").write_text(ear.surface, encoding="utf-8")
    # A long period, which a busy machine does not make lose time.
    server = Server(4096)
    player = Player("drumsim", str(tmp_path / "drums.npy"))
    words = ("--kit", tmp_path / "kit.toml", "--device", "drumsim")
    yield Place(audio, player, ear, (*words, "--surface", tmp_path / "ear.toml"))
    player.close()
    server.close()
    ear.close()
    before()


def _before_other_sessions() -> Callable[[], None]:
    """What starves the daemon must be the test alone, not what else this computer does: where the
    kernel shares the processor among log-in sessions (sched(7), autogroup), ours comes first as
    far as we may say so (a kernel that does not share so leaves the file out or empty). How to
    undo it."""
    group = Path("/proc/self/autogroup")
    with contextlib.suppress(OSError):
        told = group.read_text(encoding="ascii").split()
        if told:
            group.write_text("-15", encoding="ascii")
            return lambda: _write(group, told[-1])
    return lambda: None


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="ascii")


@dataclass
class Told:
    """What ``status`` tells, asked over and over; ``levels`` of giving way in order of coming."""

    daemon: Connection
    levels: list[int] = field(default_factory=list)
    #: Where the session was when it was first without detail, and last before it had it again, s.
    lean_s: list[float] = field(default_factory=list)
    detail_again: bool = False

    def ask(self) -> dict[str, Any]:
        """Ask once."""
        status: dict[str, Any] = self.daemon.answer("status")["status"]
        level = WORDS.index(status.get("giving_way", ""))  # empty until it began
        if self.levels[-1:] != [level]:
            self.levels.append(level)
        if level >= 2 and not self.detail_again:
            self.lean_s = [*self.lean_s[:1], status["heard_s"]]
        elif self.lean_s:
            self.detail_again = True
        return status

    def until(self, what: str, true: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Ask until ``true`` of the answer."""
        end_s = time.monotonic() + PATIENCE_S
        while not true(status := self.ask()):
            assert time.monotonic() < end_s, f"waited for {what} in vain: {status}"
            time.sleep(0.05)
        return status


class Rivals:
    """Busy processes on the one core to which all threads of process ``pid`` are bound, as long
    as it lasts; its children, the capture child among them, stay where they are."""

    def __init__(self, pid: int) -> None:
        self._tasks = [int(path.name) for path in Path(f"/proc/{pid}/task").iterdir()]
        self._before = os.sched_getaffinity(pid)
        self._core = max(self._before)
        self._busy: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Rivals:
        self._bind({self._core})
        return self

    def one_more(self) -> None:
        """Start another, up to `MOST_RIVALS`."""
        if len(self._busy) >= MOST_RIVALS:
            return
        code = f"import os\nos.sched_setaffinity(0, {{{self._core}}})\nwhile True: pass"
        self._busy.append(subprocess.Popen([sys.executable, "-S", "-c", code]))

    def __exit__(self, *_: object) -> None:
        for one in self._busy:
            one.kill()
        for one in self._busy:
            one.wait()
        self._bind(self._before)

    def _bind(self, cores: set[int]) -> None:
        for task in self._tasks:
            with contextlib.suppress(ProcessLookupError):
                os.sched_setaffinity(task, cores)


def test_a_starved_processor_costs_no_audio(place: Place, tmp_path: Path) -> None:
    """The daemon is bound to one core and rivals join it there until it is at its last step."""
    out, log = tmp_path / "out", tmp_path / "listen.log"
    with listening(*place.words, "--out", out, "--log", log) as listener:
        place.player.go()
        with Connection(choose_running(None).socket) as daemon:
            told = Told(daemon)
            told.until("hits", lambda _: len(place.ear.numbers) >= 10)
            told.until("calm", lambda status: status["giving_way"] == "")
            del told.levels[:-1]
            with Rivals(listener.process.pid) as rivals:
                for _ in range(round(PATIENCE_S / 0.5)):
                    rivals.one_more()
                    end_s = time.monotonic() + 0.5
                    while time.monotonic() < end_s and told.levels[-1] < 3:
                        told.ask()
                        time.sleep(0.02)
                    if told.levels[-1] == 3:
                        break
            steps = list(told.levels)
            at_worst = told.ask()
            told.until("recovery", lambda status: status["giving_way"] == "")
            known = len(place.ear.numbers)
            over = told.until("hits afterwards", lambda _: len(place.ear.numbers) >= known + 10)
        assert run("stop").returncode == 0
        assert listener.end()[0] == 0
    print(f"levels {told.levels}, behind by {over['behind_most_s']:.2f} s at most")
    # How steps follow one another upwards is a test of `Overload`: a look may miss one that was
    # short, and who is not let on for a second takes all three at once.
    assert steps[-1] == 3
    # Back one step at a time, however often others kept it from going on.
    levels = told.levels
    assert all(before - after == 1 for before, after in pairwise(levels) if after < before), levels
    # What a busy server itself skipped never came here; what came here was all heard.
    assert (at_worst["overrun_samples"], over["overrun_samples"]) == (0, 0), "audio was lost"
    alerts = json.loads((out / "summary.json").read_text(encoding="utf-8"))["alerts"]
    overload = next(alert for alert in alerts if alert["alert"] == "overload")
    assert overload["end_s"] is not None
    said = log.read_text(encoding="utf-8")
    assert "WARNING This computer cannot keep up" in said
    assert "over: This computer cannot keep up" in said
    heard = rows(out)
    _detail_is_missing_only_between(heard, told.lean_s[0], told.lean_s[-1])
    # At once or several at a time: every hit of the session was told.
    assert len(place.ear.numbers) >= len(heard)
    # And is what a replay at leisure finds.
    skipped_s = over["lost_samples"] / RATE
    calm = onsets(_replayed(place, heard, tmp_path), seconds(heard[-1]) - 1.0)
    starved = onsets(heard, seconds(heard[-1]) - 1.0 + skipped_s)
    print({drum: len(times) for drum, times in starved.items()}, f"skipped {skipped_s:.4f} s")
    if not skipped_s:
        assert starved == calm
        return
    # The server of a busy machine let some milliseconds pass: what was played then sounds broken,
    # and what comes after lies later and across other chunks.
    for drum, times in calm.items():
        there = np.array(starved[drum])
        alone = [t for t in times if not np.any(np.abs(there - t) < skipped_s + 0.005)]
        assert len(alone) <= 1 + len(times) // 25, (drum, alone)


def _detail_is_missing_only_between(
    heard: list[dict[str, str]], begin_s: float, end_s: float
) -> None:
    """Detail of a hit is known some 0.3 s after it, so half a second each side is left out."""

    def detailed(row: dict[str, str]) -> bool:
        return bool(row["note_hz"] or row["ring_s"])

    assert any(detailed(row) for row in heard if seconds(row) < begin_s - 0.5)
    assert not any(detailed(row) for row in heard if begin_s + 0.5 < seconds(row) < end_s - 0.5)
    assert any(detailed(row) for row in heard if seconds(row) > end_s + 0.5)


def onsets(heard: list[dict[str, str]], until_s: float) -> dict[str, list[float]]:
    """Moments of the hits of each drum, up to ``until_s``: the recording was cut a little later."""
    found: dict[str, list[float]] = {}
    for row in heard:
        if seconds(row) < until_s:
            found.setdefault(row["drum"], []).append(seconds(row))
    return found


def _replayed(place: Place, heard: list[dict[str, str]], tmp_path: Path) -> list[dict[str, str]]:
    """Hits of a replay, on a processor of its own, of the samples that the listener heard."""
    wav, kit = tmp_path / "drums.wav", ("--kit", tmp_path / "kit.toml")
    soundfile.write(wav, place.audio[: round(LENGTH_S * RATE)], RATE, subtype="FLOAT")
    assert run("replay", wav, *kit, "--out", tmp_path / "alone").returncode == 0
    before = sample(heard[0]) - sample(rows(tmp_path / "alone")[0])
    silence = np.zeros((before, place.audio.shape[1]), dtype=np.float32)
    until = sample(heard[-1]) - before + RATE // 4
    samples = np.concatenate([silence, place.audio[:until]])
    soundfile.write(wav, samples, RATE, subtype="FLOAT")
    assert run("replay", wav, *kit, "--out", tmp_path / "same").returncode == 0
    return rows(tmp_path / "same")


#: Where no file system can be mounted: files of the daemon may grow so far, bytes. Enough for the
#: few lines of its log, too little for a page of the store.
SMALL_FILE = 2048


class Disk:
    """A file system that can be full: 4 MB of its own where the system lets us mount one, else a
    limit on the size of any file that the process writes."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        mount = ["mount", "-t", "tmpfs", "-o", "size=4m,mode=0700", "tmpfs", str(folder)]
        done = subprocess.run(mount, capture_output=True, check=False)
        self.mounted = done.returncode == 0

    def fill(self, pid: int) -> None:
        """Leave no room."""
        if not self.mounted:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (SMALL_FILE, resource.RLIM_INFINITY))
            return
        with (self.folder / "rubbish").open("wb", buffering=0) as file:
            for size in (65536, 512, 1):
                with contextlib.suppress(OSError):
                    while file.write(bytes(size)) == size:
                        pass

    def make_room(self, pid: int) -> None:
        """Take the rubbish away."""
        if self.mounted:
            (self.folder / "rubbish").unlink()
        else:
            unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, unlimited)

    def close(self) -> None:
        """Unmount it."""
        if self.mounted:
            subprocess.run(["umount", "-l", str(self.folder)], check=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    made = Disk(tmp_path / "disk")
    yield made
    made.close()


def test_a_full_disk_stops_storage_only(place: Place, disk: Disk, tmp_path: Path) -> None:
    out, log = disk.folder / "out", tmp_path / "listen.log"
    with listening(*place.words, "--out", out, "--log", log) as listener:
        pid = listener.process.pid
        with Connection(choose_running(None).socket) as daemon:
            told = Told(daemon)
            told.until("the store", lambda _: (out / "session.db").exists())
            disk.fill(pid)
            place.player.go()
            told.until("the alert", lambda _: "cannot be written" in log.read_text("utf-8"))
            known = len(place.ear.numbers)
            # Analysis and outputs go on while nothing can be written, and a dozen tries fail.
            full = told.until("hits", lambda _: len(place.ear.numbers) >= known + 60)
            assert any("session store" in line and "down" in line for line in full["outputs"])
            before = len(rows(out))
            disk.make_room(pid)
            told.until("storage", lambda _: f"over: {out}" in log.read_text("utf-8"))
            told.until("rows", lambda _: len(rows(out)) >= before + 60)
        listener.process.kill()
        listener.end()
    print(f"mounted {disk.mounted}; {before} rows while full, {len(rows(out))} at the kill")
    said = [line for line in log.read_text("utf-8").splitlines() if "cannot be written" in line]
    assert len(said) == 2, said  # it began and it was over, once
    if disk.mounted:
        assert "disk is full; make room" in said[0]
    told_until_kill = rows(out)
    # Killed: what the next start finds must hold all, those of the full disk among them.
    with listening(*place.words, "--out", out, "--seconds", "0.5") as again:
        assert again.end()[0] == 0
    kept = {(row["time_s"], row["drum"]) for row in rows(out)}
    old = [r for r in told_until_kill if seconds(r) < seconds(told_until_kill[-1]) - 1.0]
    assert len(old) >= before + 50
    assert {(row["time_s"], row["drum"]) for row in old} <= kept
