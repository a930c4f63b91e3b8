"""MIDI ports from the daemon's side: start the port process, feed it, restart it when it dies.

A missing library, MIDI system or port is a state (``absent``) with one sentence, never an error.
Import of the MIDI library happens in the other process only.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from liveassist.model import Event, OutputState, Snapshot

from .midi_child import HEARD, frame, frames
from .midi_codec import MidiReader
from .midi_sender import MidiSender
from .osc_codec import OscMessage
from .surface_model import MidiPort, Surface
from .worker import Delivery

#: Pause before a port process that died is started again, seconds.
RESTART_S = 0.5
#: It is given so long to close its ports, seconds.
CLOSE_S = 2.0
#: A port process that takes nothing for so long is ended and started anew, seconds.
STALL_S = 1.0

#: Port, whole message, when the MIDI system delivered it (monotonic seconds).
Heard = Callable[[MidiPort, bytes, float], None]


@dataclass(slots=True)
class PortHealth:
    """What is known of one port. ``opened`` counts how often it came (back), ``lost`` messages
    that came in faster than the port process could hand them on."""

    state: str = "absent"
    note: str = "looking for the port"
    opened: int = 0
    lost: int = 0
    reader: MidiReader = field(default_factory=MidiReader)


class MidiPorts:
    """All MIDI ports of a session, held by one port process."""

    def __init__(self, ports: Sequence[MidiPort], heard: Heard | None = None) -> None:
        self._ports = tuple(ports)
        self._heard = heard
        self.health = [PortHealth() for _ in self._ports]
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._child: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._serve, name="midi ports", daemon=True)
        self._thread.start()

    def send(self, index: int, messages: Sequence[bytes]) -> bool:
        """Hand messages for one port to the process; false if the port is not there."""
        if self.health[index].state != "ok":
            return False
        # A 14-bit controller or parameter is several messages: ports take one at a time.
        single = MidiReader().feed(b"".join(messages))
        data = b"".join(frame(index, b"S", message) for message in single)
        with self._lock:
            child = self._child
            if child is None or child.stdin is None:
                return False
            try:
                taken = _write_all(child.stdin.fileno(), data)
            except (OSError, ValueError):  # ValueError: closed meanwhile
                return False
            if not taken:
                child.kill()
        return taken

    def close(self) -> None:
        """Close all ports and end the process. May be called twice."""
        if self._closing.is_set():
            return
        self._closing.set()
        with self._lock:
            if self._child is not None and self._child.stdin is not None:
                with contextlib.suppress(OSError):
                    self._child.stdin.close()
        self._thread.join(CLOSE_S)
        child = self._child
        if child is not None and child.poll() is None:
            child.kill()
        self._thread.join(CLOSE_S)

    def _serve(self) -> None:
        """The reading thread: one process after another."""
        while not self._closing.is_set():
            child = self._start()
            if child is not None:
                self._read(child)
                self._end(child)
            self._closing.wait(RESTART_S)

    def _start(self) -> subprocess.Popen[bytes] | None:
        wanted = [{"port": p.port, "output": p.output, "input": p.input} for p in self._ports]
        command = [sys.executable, "-m", "liveassist.output.midi_child", json.dumps(wanted)]
        try:
            child = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                env=child_environment(),
                start_new_session=True,
            )
        except OSError as error:
            for health in self.health:
                health.note = f"the MIDI process cannot be started: {error.strerror}"
            return None
        assert child.stdin is not None
        os.set_blocking(child.stdin.fileno(), False)
        with self._lock:
            self._child = child
            if self._closing.is_set():
                child.stdin.close()
        return child

    def _read(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdout is not None
        buffer = bytearray()
        while data := os.read(child.stdout.fileno(), 65536):
            buffer += data
            for index, kind, content in frames(buffer):
                self._take(index, kind, content)

    def _take(self, index: int, kind: bytes, content: bytes) -> None:
        health = self.health[index]
        if kind == b"O":
            health.opened += 1
            health.state, health.note = "ok", content.decode(errors="replace")
        elif kind == b"D":
            health.state = "down" if health.opened else "absent"
            health.note = content.decode(errors="replace")
        elif kind == b"L":
            health.lost = int(content)
        elif kind == b"I" and self._heard is not None:
            (heard_s,) = HEARD.unpack_from(content)
            for message in health.reader.feed(content[HEARD.size :]):
                self._heard(self._ports[index], message, heard_s)

    def _end(self, child: subprocess.Popen[bytes]) -> None:
        with self._lock:
            self._child = None
            for stream in (child.stdin, child.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
        if child.poll() is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(CLOSE_S)
        if child.poll() is None:
            child.kill()
            child.wait()
        if not self._closing.is_set():
            for health in self.health:
                health.state = "down" if health.opened else "absent"
                health.note = "the MIDI system went away; waiting for it"


def _write_all(pipe: int, data: bytes) -> bool:
    """Write everything; false if the process takes nothing for `STALL_S`."""
    while data:
        if not select.select([], [pipe], [], STALL_S)[1]:
            return False
        data = data[os.write(pipe, data) :]
    return True


def child_environment() -> dict[str, str]:
    """Our environment, so that the package is found from any folder and no server is started."""
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    path = os.pathsep.join(part for part in (root, os.environ.get("PYTHONPATH", "")) if part)
    return {**os.environ, "PYTHONPATH": path, "JACK_NO_START_SERVER": "1"}


class MidiOutput:
    """One MIDI port as an output of the router (see `router.Output`)."""

    kind = "midi"

    def __init__(
        self,
        surface: Surface,
        index: int,
        port: MidiPort,
        ports: MidiPorts,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = port.name
        self._ports, self._index = ports, index
        self._sender = MidiSender(surface, port)
        self._monotonic = monotonic
        self._opened = 0
        self._sent = 0
        self._page = 1
        self._echoes = 0
        #: None: nothing is ever sent there.
        self._bytes_per_s: float | None = 0.0 if port.output else None

    def is_echo(self, message: bytes) -> bool:
        """Whether a message that came in only repeats what we sent (any thread). Acting on it
        could set off the next, for ever; it is counted and shown instead."""
        echo = self._sender.is_echo(message, self._monotonic())
        self._echoes += echo
        return echo

    def turn(self, page: int) -> None:
        """Show another page of controls (any thread)."""
        self._page = page

    def event(self, event: Event) -> None:
        """Send the notes of a hit."""
        self._look()
        if self._ports.health[self._index].state == "ok":
            self._send(self._sender.event(event, self._monotonic()))

    def snapshot(self, snapshot: Snapshot) -> None:
        """Show new figures."""
        self._sender.show(snapshot)

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Send one message, once: never again by itself, whatever becomes of it."""
        if isinstance(message, bytes) and self._ports.health[self._index].state == "ok":
            self._send([self._sender.spend(message, self._monotonic())])

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Delivery:
        """See `worker.Output`. MIDI has no answer: that the port is there is all that is known."""
        health = self._ports.health[self._index]
        self._look()
        if health.state != "ok":
            return Delivery(health.note, health.opened)
        now = self._monotonic()
        ready = [self._sender.spend(m, now) for m in messages if isinstance(m, bytes)]
        if ready and not self._ports.send(self._index, ready):
            return Delivery("the port process did not take it", health.opened)
        self._sent += len(ready)
        return Delivery("", health.opened)

    def tick(self) -> float:
        """Send what is due; returns the longest time until the next call, seconds."""
        self._look()
        # Counted here, on the output's own thread; `state` is called from others.
        if self._bytes_per_s is not None:
            self._bytes_per_s = self._sender.bytes_per_s(self._monotonic())
        if self._ports.health[self._index].state != "ok":
            return 0.25
        self._send(self._sender.due(self._monotonic()))
        return min(0.25, self._sender.wait_s(self._monotonic()))

    def state(self) -> OutputState:
        """Health, messages sent, bytes a second."""
        health = self._ports.health[self._index]
        state = health.state
        echoes = f"; {self._echoes} messages came back as sent, ignored" if self._echoes else ""
        lost = f"; {health.lost} messages came in too fast, lost" if health.lost else ""
        return OutputState(
            self.name,
            "midi",
            "ok" if state == "ok" else "down" if state == "down" else "absent",
            self._sent,
            self._sender.dropped,
            self._bytes_per_s,
            health.note + echoes + lost,
        )

    def close(self) -> None:
        """End notes that still sound. The ports themselves are closed by `MidiPorts`."""
        self._send(self._sender.last_words(self._monotonic()))

    def _look(self) -> None:
        """Notice that the port came back, and a turned page."""
        opened = self._ports.health[self._index].opened
        if opened != self._opened:
            self._opened = opened
            self._sender.forget()
        self._sender.page = self._page

    def _send(self, messages: list[bytes]) -> None:
        if messages and self._ports.send(self._index, messages):
            self._sent += len(messages)
