"""One output on a thread of its own, behind a bounded queue, so that nobody waits for it.

What must be known to have left (an applied setting) does not go through that queue, where it could
fall out unseen: see `Worker.deliver`.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Protocol

from liveassist.errors import OutputError
from liveassist.model import Event, OutputState, Snapshot

from .osc_codec import OscMessage

#: Events held for one output: at 20 hits a second with three reports each, 17 s.
MAX_EVENTS = 1024
#: Deliveries that may wait for one output; there are a few a minute.
MAX_DELIVERIES = 16
#: An output is given so long to say its last words, seconds.
CLOSE_S = 3.0


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of messages that had to arrive. ``why`` they did not; empty if nothing speaks
    against it. ``life`` differs once the output was lost and came back in between."""

    why: str = ""
    life: int = 0


class Output(Protocol):
    """What the router needs of an output. All but ``state`` are called on one thread."""

    name: str

    def event(self, event: Event) -> None:
        """Send what an event says, now."""

    def snapshot(self, snapshot: Snapshot) -> None:
        """Take over the latest figures."""

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Send one message of its own kind, once; ``table``: subject to filters and prefix."""

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Delivery:
        """Find out whether anybody is there, send ``messages`` (there may be none), and wait as
        long as a refusal takes to come back. Nothing is sent if it is known that nobody is there.
        """

    def tick(self) -> float:
        """Send what is due; returns the longest time until the next call, seconds."""

    def state(self) -> OutputState:
        """Health and counters; any thread."""

    def close(self) -> None:
        """Say the last words and let go."""


@dataclass(frozen=True, slots=True)
class _Say:
    """A message in the queue of an output."""

    message: bytes | OscMessage
    table: bool


class Worker:
    """One output, its bounded queue and its thread."""

    def __init__(self, output: Output, max_events: int = MAX_EVENTS) -> None:
        self.output = output
        self._events: deque[Event | _Say] = deque()
        self._max_events = max_events
        self._deliveries: deque[tuple[tuple[bytes | OscMessage, ...], Future[Delivery]]] = deque()
        self._snapshot: Snapshot | None = None
        self._condition = threading.Condition()
        self._woken = False
        self._closing = False
        self._failed = ""
        self.dropped = 0
        self.most_held = 0
        self._thread = threading.Thread(target=self._run, name=output.name, daemon=True)
        self._thread.start()

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Queue one message."""
        self.publish(_Say(message, table))

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Future[Delivery]:
        """Have messages delivered on the output's own thread (see `Output.deliver`). Until that
        began it can be cancelled, and then nothing is ever sent."""
        future: Future[Delivery] = Future()
        with self._condition:
            if len(self._deliveries) >= MAX_DELIVERIES:
                future.set_result(Delivery("too much waits to be delivered"))
                return future
            self._deliveries.append((tuple(messages), future))
            self._condition.notify()
        return future

    def publish(self, event: Event | _Say) -> None:
        """Queue an event; the oldest falls out if the queue is full. Never waits for the output."""
        with self._condition:
            if len(self._events) >= self._max_events:
                self._events.popleft()
                self.dropped += 1
            self._events.append(event)
            self.most_held = max(self.most_held, len(self._events))
            self._condition.notify()

    def publish_snapshot(self, snapshot: Snapshot) -> None:
        """Put the latest figures in the place of those not sent yet."""
        with self._condition:
            self._snapshot = snapshot
            self._condition.notify()

    def wake(self) -> None:
        """Let the output look whether something is due."""
        with self._condition:
            self._woken = True
            self._condition.notify()

    def state(self) -> OutputState:
        """Health of the output, with what fell out of the queue counted in."""
        state = self.output.state()
        state = replace(state, dropped=state.dropped + self.dropped)
        return replace(state, state="down", note=self._failed) if self._failed else state

    def close(self) -> None:
        """Send what is queued, close the output, end the thread. May be called twice."""
        with self._condition:
            self._closing = True
            self._condition.notify()
        self._thread.join(CLOSE_S)

    def _run(self) -> None:
        try:
            while self._round():
                pass
            self.output.close()
        except BaseException as error:
            self._failed = f"stopped by a fault of ours: {error!r}"
            self.output.close()
            raise

    def _round(self) -> bool:
        """Serve what is there, then wait; false when all is served and the end has come."""
        with self._condition:
            events, snapshot = list(self._events), self._snapshot
            deliveries = list(self._deliveries)
            self._events.clear()
            self._deliveries.clear()
            self._snapshot = None
            self._woken = False
            last = self._closing
        for messages, future in deliveries:
            if future.set_running_or_notify_cancel():
                self._deliver(messages, future)
        # An OutputError loses this one thing only; the output keeps the sentence for its state.
        for event in events:
            with contextlib.suppress(OutputError):
                if isinstance(event, _Say):
                    self.output.say(event.message, event.table)
                else:
                    self.output.event(event)
        if snapshot is not None:
            self.output.snapshot(snapshot)
        wait = 0.1
        with contextlib.suppress(OutputError):
            wait = self.output.tick()
        if last:
            return False
        with self._condition:
            waiting = self._events or self._deliveries or self._snapshot
            idle = not (waiting or self._woken or self._closing)
            if idle:
                self._condition.wait(wait)
        return True

    def _deliver(self, messages: Sequence[bytes | OscMessage], future: Future[Delivery]) -> None:
        try:
            future.set_result(self.output.deliver(messages))
        except OutputError as error:
            future.set_result(Delivery(str(error)))
        except BaseException:
            future.set_result(Delivery("stopped by a fault of ours"))
            raise
