"""The process that hears ahead: same answer, in order; and what happens when something fails."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sim
from liveassist.app import ahead, replay
from liveassist.app.ahead import Ahead
from liveassist.app.config import parse_kit
from liveassist.errors import InputError
from liveassist.model import Block, Kit
from liveassist.pipeline import Pipeline
from tests.unit.hearing.alike import assert_alike

ROOT = Path(__file__).resolve().parents[3]
BLOCK = 4096


@pytest.fixture(scope="module")
def scene() -> tuple[Kit, int, np.ndarray]:
    opened = sim.open_scenario("three_mics")
    kit = parse_kit(opened.kit_toml, "three_mics")
    return kit, opened.sample_rate_hz, opened.read(20 * opened.sample_rate_hz)


def blocks(audio: np.ndarray) -> Iterator[Block]:
    for first in range(0, len(audio), BLOCK):
        yield Block(first, audio[first : first + BLOCK])


def write(path: Path, scene: tuple[Kit, int, np.ndarray]) -> Path:
    soundfile.write(path, scene[2], scene[1], subtype="FLOAT")
    return path


def request(path: Path, out: Path) -> replay.ReplayRequest:
    return replay.ReplayRequest((str(path),), "three_mics", out=out, takes=("one=2:9.5",))


@pytest.fixture(autouse=True)
def no_fork(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other tests leave threads in this process; how it is with a fork, a fresh one tells."""
    monkeypatch.setattr(ahead, "may_fork", lambda: False)


def test_replay_gives_the_same_files(
    tmp_path: Path, scene: tuple[Kit, int, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "x.wav", scene)
    said = []
    began: list[int] = []
    begin = Ahead.__init__

    def begun(self: Ahead, kit: Kit, rate: int, frames: int) -> None:
        begin(self, kit, rate, frames)
        began.append(self.pid)

    monkeypatch.setattr(Ahead, "__init__", begun)
    monkeypatch.setattr(ahead, "processors", lambda: 2)
    for number, least in enumerate((1e9, 0.0)):
        monkeypatch.setattr(ahead, "WORTH_IT_S", least)
        out = io.StringIO()
        assert replay.replay(request(path, tmp_path / str(number)), out, io.StringIO()) == 0
        said.append(out.getvalue().replace(str(tmp_path / str(number)), "DIR"))
        assert len(began) == number, "once by itself, once with the process"
    assert said[0] == said[1]
    for name in ("hits.csv", "summary.json", "advice.json"):
        texts = [(tmp_path / str(number) / name).read_text() for number in (0, 1)]
        assert texts[0] == texts[1], name
    assert len((tmp_path / "1" / "hits.csv").read_text().splitlines()) > 40
    with pytest.raises(ProcessLookupError):
        os.kill(began[0], 0)


def test_without_a_process_to_be_had_one_does_all(
    tmp_path: Path, scene: tuple[Kit, int, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = []

    def none_left(_ring_fd: int) -> None:
        refused.append(1)
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(ahead, "_started", none_left)
    monkeypatch.setattr(ahead, "processors", lambda: 2)
    monkeypatch.setattr(ahead, "WORTH_IT_S", 0.0)
    path = write(tmp_path / "x.wav", scene)
    assert replay.replay(request(path, tmp_path / "s"), io.StringIO(), io.StringIO()) == 0
    assert refused == [1]
    assert len((tmp_path / "s" / "hits.csv").read_text().splitlines()) > 40


def test_a_short_recording_or_one_processor_is_not_worth_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(ahead, "processors", lambda: 2)
    assert ahead.worth_it(60.0)
    assert not ahead.worth_it(10.0)
    monkeypatch.setattr(ahead, "processors", lambda: 1)
    assert not ahead.worth_it(60.0)


def test_blocks_come_through_whole_and_a_fault_after_them(
    scene: tuple[Kit, int, np.ndarray],
) -> None:
    kit, rate, audio = scene

    def failing() -> Iterator[Block]:
        yield from blocks(audio[: 90 * BLOCK])
        raise InputError("the file ends here")

    forerunner = Ahead(kit, rate, BLOCK)
    pipeline = Pipeline(kit, rate, elsewhere=forerunner.begin())
    got: list[np.ndarray] = []
    fault = ""
    try:
        for block in forerunner.through(failing()):
            got.append(block.audio)
            pipeline.feed(block)
    except InputError as problem:
        fault = str(problem)
    assert fault == "the file ends here"
    assert np.array_equal(np.concatenate(got), audio[: 90 * BLOCK])
    pipeline.finish()
    forerunner.close()
    forerunner.close()
    alone = Pipeline(kit, rate)
    for block in blocks(audio[: 90 * BLOCK]):
        alone.feed(block)
    alone.finish()
    assert_alike(pipeline.session(), alone.session())


@pytest.mark.skipif(sys.platform == "win32", reason="signals to a process are POSIX here")
def test_where_the_process_is_killed_it_is_said(scene: tuple[Kit, int, np.ndarray]) -> None:
    kit, rate, audio = scene
    forerunner = Ahead(kit, rate, BLOCK)
    forerunner.begin()
    source = forerunner.through(blocks(audio))
    next(source)
    os.kill(forerunner.pid, signal.SIGKILL)
    with pytest.raises(RuntimeError, match="ended"):
        list(source)
    forerunner.close()


def test_a_fault_there_is_told_here(scene: tuple[Kit, int, np.ndarray]) -> None:
    kit, rate, audio = scene
    forerunner = Ahead(kit, rate, BLOCK)
    forerunner.begin()
    backwards = [Block(BLOCK, audio[:BLOCK]), Block(0, audio[:BLOCK])]
    with pytest.raises(RuntimeError, match="blocks must come in order"):
        list(forerunner.through(backwards))
    forerunner.close()
    with pytest.raises(ValueError, match="a block of 0 samples"):
        forerunner._give(Block(0, audio[:0]))


FORK = """
import io, sys
from pathlib import Path
import numpy as np
from liveassist.app import ahead, replay
from liveassist.app.config import load_kit
from liveassist.model import Block

ahead.WORTH_IT_S, ahead.processors = 0.0, lambda: 2
path, folder = sys.argv[1:]
made = []
fork = ahead._Fork
ahead._Fork = lambda: made.append(fork()) or made[-1]
asked = replay.ReplayRequest((path,), "three_mics", out=Path(folder), takes=("one=2:9.5",))
assert replay.replay(asked, sys.stdout, io.StringIO()) == 0
kit = load_kit("three_mics")
quiet = np.zeros((4096, len(kit.mics)), np.float32)
for order, kill in (((0, 1, 2, 3), True), ((1, 0), False)):
    there = ahead.Ahead(kit, 48000, 4096)
    there.begin()
    if kill:
        made[-1].kill()
    try:
        for _ in there.through(Block(4096 * n, quiet) for n in order):
            pass
    except RuntimeError as problem:
        print(str(problem).splitlines()[0], str(problem).splitlines()[-1], sep="; ")
    there.close()
print(len(made), "forks, left", [one.returncode for one in made])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks on Linux only")
def test_a_fork_does_the_same(
    tmp_path: Path, scene: tuple[Kit, int, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "x.wav", scene)
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", FORK, str(path), str(tmp_path / "fork")],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    killed, fault, forks = ran.stdout.splitlines()[-3:]
    assert killed.startswith("the process that hears the hits ended (exit -9)")
    assert fault.startswith("the process that hears the hits failed:")
    assert fault.endswith("ValueError: blocks must come in order")
    assert forks.startswith("3 forks, left [")
    assert "None" not in forks, "each was waited for"
    monkeypatch.setattr(ahead, "WORTH_IT_S", 1e9)
    assert replay.replay(request(path, tmp_path / "alone"), io.StringIO(), io.StringIO()) == 0
    for name in ("hits.csv", "summary.json", "advice.json"):
        assert (tmp_path / "fork" / name).read_text() == (tmp_path / "alone" / name).read_text()


PARENT = """
import sys
import numpy as np
from liveassist.app.ahead import Ahead
from liveassist.app.config import load_kit
kit = load_kit("three_mics")
ahead = Ahead(kit, 48000, 4096)
ahead.begin()
from liveassist.model import Block
quiet = np.zeros((4096, len(kit.mics)), np.float32)
for _ in ahead.through(Block(4096 * n, quiet) for n in range(10**9)):
    print(ahead.pid, flush=True)
"""


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="asks /proc whether a process is there")
def test_it_does_not_outlive_who_asked() -> None:
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert parent.stdout is not None
    try:
        child = int(parent.stdout.readline())
        assert _runs(child)
    finally:
        parent.kill()  # it would never end by itself
        parent.communicate()
    deadline_s = time.monotonic() + 20.0
    while _runs(child) and time.monotonic() < deadline_s:
        time.sleep(0.05)
    assert not _runs(child)


def _runs(pid: int) -> bool:
    """Whether it is there and no mere entry that nobody has asked after."""
    try:
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
