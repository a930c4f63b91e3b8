"""The router: nothing waits, queues are bounded, outputs come and go."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from liveassist.errors import OutputError
from liveassist.model import Event, Hit, LevelFrames, OutputState, Snapshot
from liveassist.output.commands import Command
from liveassist.output.osc_codec import OscMessage
from liveassist.output.router import MAX_COMMANDS, Router
from liveassist.output.worker import MAX_DELIVERIES, Delivery, Worker

from .scene import ALERT, HIT, SNAPSHOT

WAIT_S = 5.0


@pytest.fixture(autouse=True)
def _no_thread_is_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    left = [thread for thread in threading.enumerate() if thread not in before]
    for thread in left:
        thread.join(WAIT_S)
    assert not [thread for thread in left if thread.is_alive()]


class _Output:
    """An output that can be held up."""

    name = "fake"

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.gate.set()
        self.entered = threading.Event()
        self.events: list[Event] = []
        self.snapshots: list[Snapshot] = []
        self.delivered: list[bytes | OscMessage] = []
        self.closed = 0
        self.fault: Exception | None = None

    def event(self, event: Event) -> None:
        self.entered.set()
        assert self.gate.wait(WAIT_S)
        if self.fault is not None:
            raise self.fault
        self.events.append(event)

    def snapshot(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        raise AssertionError("nothing is said here")

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Delivery:
        assert self.gate.wait(WAIT_S)
        if self.fault is not None:
            raise self.fault
        self.delivered += messages
        return Delivery()

    def tick(self) -> float:
        return 10.0

    def state(self) -> OutputState:
        return OutputState(self.name, "osc", "ok", len(self.events))

    def close(self) -> None:
        self.closed += 1


def _hit(number: int) -> Hit:
    return replace(HIT, number=number)


def test_everything_queued_is_sent_before_the_end() -> None:
    output = _Output()
    router = Router([Worker(output)])
    hits = [_hit(number) for number in range(100)]
    for hit in hits:
        router.publish(hit)
    router.publish_snapshot(SNAPSHOT)
    router.close()
    router.close()
    assert output.events == hits
    assert output.snapshots == [SNAPSHOT]
    assert output.closed == 1


def test_an_output_that_hangs_holds_up_nobody_and_loses_the_oldest() -> None:
    slow, quick = _Output(), _Output()
    slow.gate.clear()
    slow_worker = Worker(slow, max_events=10)
    router = Router([slow_worker, Worker(quick)])
    router.publish(_hit(0))
    assert slow.entered.wait(WAIT_S)
    begin = time.perf_counter()
    for number in range(1, 101):
        router.publish(_hit(number))
        router.publish_snapshot(replace(SNAPSHOT, time_s=float(number)))
    assert time.perf_counter() - begin < 1.0  # 200 calls; it would be WAIT_S if one waited
    assert [state.dropped for state in router.states()] == [90, 0]
    assert slow_worker.most_held == 10
    slow.gate.set()
    router.close()
    numbers = [event.number for event in slow.events if isinstance(event, Hit)]
    assert numbers == [0, *range(91, 101)]
    assert [snapshot.time_s for snapshot in slow.snapshots] == [100.0]
    assert len(quick.events) == 101


def test_a_fault_of_an_output_stops_nothing_else() -> None:
    output = _Output()
    output.fault = OutputError("the target went away")
    router = Router([Worker(output)])
    router.publish(_hit(1))
    router.close()
    assert output.closed == 1


def test_a_delivery_that_was_called_off_is_never_made() -> None:
    """What changes sound must not come late: an output that hangs may wake up after minutes."""
    output = _Output()
    output.gate.clear()
    worker = Worker(output)
    first = worker.deliver([b"\x90\x01\x01"])
    while not first.running():
        time.sleep(0.001)
    second = worker.deliver([b"\x90\x02\x02"])
    assert second.cancel()
    rest = [worker.deliver([b"\x90\x03\x03"]) for _ in range(MAX_DELIVERIES)]
    assert rest[-1].result(0.0).why == "too much waits to be delivered"
    output.gate.set()
    assert first.result(WAIT_S) == Delivery()
    worker.close()
    assert b"\x90\x02\x02" not in output.delivered
    assert len(output.delivered) == MAX_DELIVERIES


def test_a_delivery_that_cannot_be_put_into_bytes_says_so() -> None:
    output = _Output()
    output.fault = OutputError("too long")
    worker = Worker(output)
    assert worker.deliver([b"x"]).result(WAIT_S) == Delivery("too long")
    worker.close()


def test_level_frames_do_not_fill_queues() -> None:
    output = _Output()
    router = Router([Worker(output)])
    router.publish(LevelFrames(0, 4, np.zeros((4, 1), np.float32)))
    router.close()
    assert output.events == []


def test_what_toggling_means_is_not_decided_on_old_figures() -> None:
    """Pressed twice before figures come: it is start, then stop, and only whoever keeps the takes
    knows that."""
    router = Router()
    router.publish_snapshot(replace(SNAPSHOT, take=None))
    for _ in range(2):
        router.offer(Command("take/toggle", (), "button"))
    assert [command.name for command in router.commands()] == ["take/toggle"] * 2


def test_a_button_that_acknowledges_means_the_most_urgent_alert() -> None:
    router = Router()
    now = replace(ALERT, key="clipping", when="now", drum=None, mic="snare_top")
    router.publish_snapshot(replace(SNAPSHOT, alerts=(now, ALERT)))
    router.offer(Command("alert/acknowledge"))
    router.offer(Command("alert/acknowledge", ("uneven.snare",)))
    given = [command.args for command in router.commands()]
    assert given == [("clipping.snare_top",), ("uneven.snare",)]


def test_commands_are_bounded_and_drained() -> None:
    router = Router()
    accepted = [router.offer(Command("take/mark")) for _ in range(MAX_COMMANDS + 5)]
    assert accepted.count(True) == MAX_COMMANDS
    # However full it is, there is room for what must not be missed, and that has a bound too.
    urgent = [router.offer(Command("take/stop")) for _ in range(MAX_COMMANDS)]
    assert urgent.count(True) == MAX_COMMANDS // 4
    assert len(router.commands()) == MAX_COMMANDS + MAX_COMMANDS // 4
    assert router.commands() == []


# --- over a real loopback ------------------------------------------------------------------
