"""Supervision of the capture child, with a child played by the test and a clock it moves."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from liveassist.errors import DeviceError
from liveassist.input import device as device_module
from liveassist.input.blockring import BlockRing
from liveassist.input.device import RETRY_S, STALL_S, START_TIMEOUT_S, DeviceSource, list_inputs
from liveassist.model import Block, Drum, Kit, Mic

RATE = 48_000
KIT = Kit("yard", (Drum("snare", "snare", "b"),), (Mic("b", 2), Mic("a", 1)))
DEVICE = {
    "number": 4,
    "name": "box",
    "host": "JACK",
    "channels": 2,
    "default_sample_rate_hz": RATE,
    "is_default": False,
}


class World:
    """The clock, and every child started so far."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.children: list[Child] = []
        self.on_wait: Callable[[Child], None] = lambda child: None


#: Ports of the stream, as an audio server names them.
PORTS = ["box stream:in_0"]

WORLD = World()


class Child:
    """Stands for `CaptureProcess`: hears what it is asked, says what the test lets it say."""

    def __init__(self, asked: dict[str, Any], share_fd: int = -1) -> None:
        self.asked = asked
        self.pid = 1
        self.records: deque[tuple[int, int, int]] = deque()
        self.messages: deque[dict[str, Any]] = deque()
        self.chatter: deque[str] = deque()
        self.ended = False
        self.killed = False
        if asked["do"] == "capture":
            self.ring = BlockRing.attach(str(share_fd), asked["channels"], asked["ring_frames"])
        WORLD.children.append(self)

    def wait(self, timeout_s: float) -> None:
        """Nothing comes by itself: time passes."""
        WORLD.on_wait(self)
        if not (self.messages or self.records or self.ended):
            WORLD.now_s += timeout_s

    def kill(self) -> None:
        self.killed = True

    let_go = kill

    def run(self, rate: int = RATE) -> None:
        self.messages.append({"what": "running", "device": DEVICE, "sample_rate_hz": rate})
        self.messages.append({"what": "ports", "ports": PORTS})

    def play(self, frames: int, value: float = 1.0) -> None:
        """Deliver ``frames`` of a count in channel 1 and ``value`` in channel 2, in time."""
        audio = np.empty((frames, 2), dtype=np.float32)
        first = self.ring.frames_written
        audio[:, 0] = np.arange(first, first + frames)
        audio[:, 1] = value
        written = self.ring.write(audio.data, frames)
        WORLD.now_s += frames / RATE
        self.records.append((written, round(WORLD.now_s * 1e9), 0))


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> World:
    global WORLD
    WORLD = World()

    def pause(_source: DeviceSource, seconds: float) -> None:
        WORLD.now_s += seconds

    monkeypatch.setattr(device_module, "CaptureProcess", Child)
    monkeypatch.setattr("liveassist.input.probe.CaptureProcess", Child)
    monkeypatch.setattr(DeviceSource, "_pause", pause)
    monkeypatch.setattr(BlockRing, "close", _close_but_not_the_shared_file)
    return WORLD


def _close_but_not_the_shared_file(self: BlockRing) -> None:
    """Both sides share one file number here; the child's view must not close it."""


def source(world: World, **options: Any) -> DeviceSource:
    return DeviceSource(KIT, "box", clock=lambda: world.now_s, **options)


def running(world: World) -> tuple[DeviceSource, Child]:
    world.on_wait = lambda child: child.run() if not child.messages else None
    made = source(world)
    made.start()
    world.on_wait = lambda child: None
    return made, world.children[-1]


def state(made: DeviceSource) -> str:
    return made.state


def read_all(made: DeviceSource) -> list[Block]:
    blocks = []
    while (block := made.read(0.0)) is not None:
        blocks.append(block)
    return blocks


def test_columns_follow_the_kit_and_blocks_follow_each_other(world: World) -> None:
    made, child = running(world)
    for _ in range(50):
        child.play(128)
    blocks = read_all(made)
    audio = np.concatenate([block.audio for block in blocks])
    np.testing.assert_array_equal(audio[:, 0], 1.0)
    np.testing.assert_array_equal(audio[:, 1], np.arange(50 * 128))
    assert [block.first_sample for block in blocks[:1]] == [0]
    assert state(made) == "running"
    assert made.lost_samples == 0


def test_behind_is_what_was_captured_and_not_yet_read(world: World) -> None:
    made, child = running(world)
    assert made.behind_samples == 0
    for _ in range(3 * RATE // 128):
        child.play(128)
        assert made.read(0.0) is not None
        # However long it runs: nothing waits once all is read.
        assert made.behind_samples == 0
    for _ in range(5):
        child.play(128)
    assert made.behind_samples == 5 * 128
    read_all(made)
    assert made.behind_samples == 0


def test_a_child_that_says_why_it_cannot_start_is_quoted(world: World) -> None:
    def refuse(child: Child) -> None:
        child.messages.append({"what": "error", "sentence": "No such thing."})
        child.ended = True

    world.on_wait = refuse
    made = source(world)
    with pytest.raises(DeviceError, match=r"^No such thing\.$"):
        made.start()
    assert state(made) == "closed"
    assert world.children[-1].killed


def test_an_opening_that_hangs_is_given_up(world: World) -> None:
    made = source(world)
    with pytest.raises(DeviceError, match="does not answer"):
        made.start()
    assert world.now_s == pytest.approx(100.0 + START_TIMEOUT_S)
    assert world.children[-1].killed


def test_a_child_that_dies_is_replaced_and_the_pause_counted(world: World) -> None:
    made, child = running(world)
    for _ in range(400):
        child.play(128)
    before = sum(len(block.audio) for block in read_all(made))
    child.ended = True
    assert made.read(0.01) is None
    assert state(made) == "recovering"
    assert child.killed
    # The new child asks for the very same device at the very same rate.
    again = world.children[-1]
    assert again is not child
    assert again.asked["device"] == "box, JACK"
    assert again.asked["sample_rate_hz"] == RATE
    world.now_s += 2.0
    again.run()
    for _ in range(60):
        again.play(128)
    blocks = read_all(made)
    assert state(made) == "running"
    assert made.restarts == 1
    assert blocks[0].first_sample == before + blocks[0].lost_samples
    assert blocks[0].lost_samples == made.lost_samples
    assert made.lost_samples == pytest.approx(2.01 * RATE, abs=RATE * 0.02)
    assert blocks[0].audio[0, 1] == before


def test_attempts_that_fail_leave_time_between_them(world: World) -> None:
    made, child = running(world)
    child.play(128)
    read_all(made)

    def fail(one: Child) -> None:
        one.ended = True

    child.ended = True
    world.on_wait = fail
    begin_s, begun = world.now_s, len(world.children)
    made.read(10.0)
    assert len(world.children) - begun <= 10.0 / RETRY_S + 2
    assert world.now_s >= begin_s + 10.0


def test_a_stall_is_shown_and_the_child_kept_while_nothing_answers(world: World) -> None:
    made, child = running(world)
    child.play(128)
    read_all(made)
    made.read(STALL_S + 0.2)
    assert state(made) == "recovering"
    assert not child.killed
    probe = world.children[-1]
    assert probe.asked == {"do": "list", "ports": []}
    made.read(5.0)
    assert not child.killed
    child.play(128)
    made.read(0.0)
    assert state(made) == "running"
    assert made.restarts == 0


def test_a_stalled_child_is_replaced_when_the_system_answers(world: World) -> None:
    made, child = running(world)
    child.play(128)
    read_all(made)
    made.read(STALL_S + 0.2)
    probe = world.children[-1]
    probe.messages.append({"what": "devices", "devices": [DEVICE], "connected": True})
    made.read(1.0)
    assert child.killed
    assert probe.killed
    assert world.children[-1].asked["do"] == "capture"


@pytest.mark.parametrize(
    ("name", "connected", "gone"),
    [
        ("other", True, True),
        ("other", None, True),
        (DEVICE["name"], False, True),
        (DEVICE["name"], True, False),
        (DEVICE["name"], None, False),
    ],
)
def test_a_source_that_vanished_into_silence_is_found_out(
    world: World, name: str, connected: bool | None, gone: bool
) -> None:
    """Gone from the list, or there again but connected with us no more; else it is muted."""
    made, child = running(world)
    for _ in range(10):
        child.play(4096, value=0.0)
    read_all(made)

    def silence(one: Child) -> None:
        if one is child:
            audio = np.zeros((4096, 2), dtype=np.float32)
            world.now_s += 4096 / RATE
            written = child.ring.write(audio.data, 4096)
            child.records.append((written, round(world.now_s * 1e9), 0))
        elif one.asked["do"] == "list":
            assert one.asked["ports"] == PORTS
            devices = [{**DEVICE, "name": name}]
            said = {"what": "devices", "devices": devices, "connected": connected}
            one.messages.append(said)

    world.on_wait = silence
    for _ in range(40):
        made.read(0.05)
        if child.killed:
            break
    assert child.killed == gone
    assert ("is gone" in made.note) == gone
    made.close()


def test_close_at_any_moment_and_twice(world: World) -> None:
    source(world).close()
    made, child = running(world)
    made.close()
    made.close()
    assert child.killed
    assert state(made) == "closed"
    with pytest.raises(RuntimeError):
        made.read(0.0)


@pytest.mark.parametrize(
    ("library", "sentence"),
    [
        ("raise OSError('PortAudio library not found')", "apt-get install libportaudio2"),
        ("raise ImportError('no such package')", "pip install sounddevice"),
        ("import os; os._exit(3)", "failed when asked for its inputs"),
    ],
)
def test_without_the_audio_library_one_line_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, sentence: str
) -> None:
    """A real child, with a library put before the real one."""
    (tmp_path / "sounddevice.py").write_text(library)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(DeviceError, match=sentence) as caught:
        list_inputs()
    assert "\n" not in str(caught.value)


def test_a_moment_of_the_clock_is_a_moment_of_the_audio(world: World) -> None:
    made = source(world)
    assert made.time_of(world.now_s) is None
    made, child = running(world)
    for _ in range(50):
        child.play(128)
    read_all(made)
    assert made.time_of(world.now_s) == pytest.approx(50 * 128 / RATE)
    assert made.time_of(world.now_s - 0.05) == pytest.approx(50 * 128 / RATE - 0.05)
