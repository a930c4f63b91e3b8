"""The process that holds the MIDI ports: started by `midi.MidiPorts`, expendable.

Why a process of its own: when the sound server dies, closing a port crashes the process that
holds it; MIDI libraries write to the terminal the dashboard is drawn in; and a JACK client's
thread would compete with the analysis. This one may crash, and is started anew.

Frames on both pipes: port number (1 byte), kind (1 byte), length (2 bytes, big endian), content.
To this process: kind ``S`` sends the MIDI bytes. From it: ``O`` the port is open (its full name),
``D`` it is down (why), ``L`` how many messages were lost since this process began, because they
came in faster than they were taken; ``I`` when bytes came in (8 bytes: seconds of the monotonic
clock, which all processes of a computer share) and the bytes. Standard input at its end means:
close and go.
"""

from __future__ import annotations

import contextlib
import fnmatch
import json
import os
import queue
import select
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

from .jack_links import Edge, Links

#: How often the list of ports is read, seconds: two reads within the 2 s in which a port that
#: comes back must be found.
POLL_S = 0.5
#: How often a missing MIDI system is tried again, seconds.
RETRY_S = 1.0
#: How often opening is tried in one look while the list of ports changes under our hands.
OPEN_TRIES = 3
#: A JACK server shows a new connection within a period or two; the longest in use is 2048 frames.
SETTLE_S = 0.3
#: How our ports begin in the lists of the MIDI system.
CLIENT = "liveassist"
HEADER = struct.Struct(">BcH")
HEARD = struct.Struct(">d")
#: Incoming messages held for a slow reader; then the newest are lost, counted and shown.
MAX_HELD = 4096


def frames(buffer: bytearray) -> Iterator[tuple[int, bytes, bytes]]:
    """Take whole frames (port, kind, content) off the front of ``buffer``."""
    while len(buffer) >= HEADER.size:
        port, kind, size = HEADER.unpack_from(buffer)
        if len(buffer) < HEADER.size + size:
            return
        content = bytes(buffer[HEADER.size : HEADER.size + size])
        del buffer[: HEADER.size + size]
        yield port, kind, content


def frame(port: int, kind: bytes, content: bytes) -> bytes:
    """One frame."""
    return HEADER.pack(port, kind, len(content)) + content


def find(pattern: str, names: list[str]) -> int | None:
    """Index of the first name that matches: with * and ?, or by a part of it; any case.

    Ports of our own are never meant: an input of ours has the pattern in its name, and an output
    led into it would talk to itself.
    """
    wild = pattern.lower() if any(c in pattern for c in "*?[") else f"*{pattern.lower()}*"
    for index, name in enumerate(names):
        if fnmatch.fnmatchcase(name.lower(), wild) and not name.startswith(CLIENT):
            return index
    return None


class _Way:
    """One direction of one port: the rtmidi client that serves it, and what it is open to."""

    def __init__(
        self,
        make: Callable[[], Any],
        on_bytes: Callable[[bytes], None] | None,
        edges: Callable[[], frozenset[Edge] | None],
    ) -> None:
        self._make, self._on_bytes, self._edges = make, on_bytes, edges
        self._edge: Edge | None = None
        self.client: Any = None
        self.name: str | None = None

    def follow(self, pattern: str, names: list[str]) -> None:
        """Open the port that matches, or close the one that has gone. One that went and came back
        since the last look has the same name, but is connected to us no more."""
        if self.name is not None:
            edges = None if self._edge is None else self._edges()
            if self.name not in names or (edges is not None and self._edge not in edges):
                self._close()
                return
        if self.name is None and find(pattern, names) is not None:
            self._open(pattern)

    def _close(self) -> None:
        self.name = self._edge = None
        self.client.close_port()

    def _open(self, pattern: str) -> None:
        """Open by name. The library opens by place in a list that it reads anew, and which opening
        other ports of ours changes too: so the list is read just before and just after, and what
        was opened while it changed is closed again. A JACK server is asked besides."""
        if self.client is None:
            self.client = self._make()
            if self._on_bytes is not None:
                self.client.ignore_types(sysex=False, timing=False, active_sense=True)
                self.client.set_callback(self._heard)
        for _ in range(OPEN_TRIES):
            names = self.client.get_ports()
            index = find(pattern, names)
            if index is None:
                return
            before = self._edges()
            self.client.open_port(index, name=pattern_label(pattern))
            new = None if before is None else self._new_edges(before)
            right = self.client.get_ports() == names
            if right and (new is None or [peer for _, peer in new] == [names[index]]):
                self._edge = None if new is None else next(iter(new))
                self.name = names[index]
                return
            self._close()

    def _new_edges(self, before: frozenset[Edge]) -> frozenset[Edge]:
        """What the server connected since ``before``; it shows that in its next period."""
        end = time.monotonic() + SETTLE_S
        while True:
            new = (self._edges() or before) - before
            if new or time.monotonic() >= end:
                return new
            time.sleep(0.005)

    def _heard(self, event: tuple[list[int], float], _data: object = None) -> None:
        """Called on the MIDI system's own thread: hand over and return. What comes before it is
        certain which port it is from is not heard."""
        if self._on_bytes is not None and self.name is not None:
            self._on_bytes(bytes(event[0]))


def pattern_label(pattern: str) -> str:
    """A short port name of our own, from letters and digits of the pattern."""
    return "".join(c for c in pattern if c.isalnum() or c in " _-").strip()[:24] or "port"


class Child:
    """All ports of one run of this process."""

    def __init__(self, wanted: list[dict[str, Any]]) -> None:
        import rtmidi

        self._rtmidi = rtmidi
        self._wanted = wanted
        self._out: queue.Queue[bytes] = queue.Queue(MAX_HELD)
        self._said: dict[int, tuple[bytes, str]] = {}
        self._ways: dict[tuple[int, str], _Way] = {}
        self._api: int | None = None
        self._lists: dict[str, Any] = {}
        self._server: bytes | None = None
        self._links: Links | None = None
        self._lost: dict[int, int] = {}
        self._lost_said: dict[int, int] = {}

    def start_system(self) -> str | None:
        """Find a MIDI system that works; the reason if there is none."""
        why = "no MIDI system is installed"
        for api in self._rtmidi.get_compiled_api():
            if api == self._rtmidi.API_RTMIDI_DUMMY:
                continue
            try:
                lists = {
                    "output": self._rtmidi.MidiOut(api, name=f"{CLIENT} list"),
                    "input": self._rtmidi.MidiIn(api, name=f"{CLIENT} list in"),
                }
            except OSError:
                why = "no MIDI system is running on this computer"
                continue
            self._api, self._lists = api, lists
            self._server = jack_socket()
            if api == self._rtmidi.API_UNIX_JACK:
                with contextlib.suppress(OSError):
                    self._links = Links(f"{CLIENT} links", CLIENT)
            return None
        return why

    def follow(self) -> None:
        """Bring all ports to what is there now, and report what changed."""
        names = {way: client.get_ports() for way, client in self._lists.items()}
        for index, wanted in enumerate(self._wanted):
            states = []
            for way in ("output", "input"):
                if wanted[way]:
                    states.append(self._follow_one(index, way, wanted["port"], names[way]))
            down = [why for good, why in states if not good]
            self.say(index, b"D", down[0]) if down else self.say(index, b"O", states[0][1])
            lost = self._lost.get(index, 0)
            if lost != self._lost_said.get(index, 0):
                self._lost_said[index] = lost
                self._out.put(frame(index, b"L", str(lost).encode()))

    def _follow_one(self, index: int, way: str, pattern: str, names: list[str]) -> tuple[bool, str]:
        port = self._ways.get((index, way))
        if port is None:
            make = self._rtmidi.MidiOut if way == "output" else self._rtmidi.MidiIn
            heard = (lambda data: self.heard(index, data)) if way == "input" else None
            port = _Way(lambda: make(self._api, name=CLIENT), heard, self._edges)
            self._ways[index, way] = port
        try:
            port.follow(pattern, names)
        except OSError as error:
            return False, f"the MIDI port matching {pattern!r} cannot be opened: {error}"
        if port.name is None and find(pattern, names) is not None:
            return False, f"the MIDI port matching {pattern!r} was away; it is opened anew"
        if port.name is None:
            return False, f"no MIDI {way} port matches {pattern!r}"
        return True, port.name

    def _edges(self) -> frozenset[Edge] | None:
        """What our ports are connected to; None where that cannot be asked."""
        return None if self._links is None else self._links.edges()

    def send(self, index: int, data: bytes) -> None:
        """Send one message, if the port is open."""
        port = self._ways.get((index, "output"))
        if port is not None and port.name is not None:
            port.client.send_message(list(data))

    def heard(self, index: int, data: bytes) -> None:
        """Bytes came in (any thread)."""
        now = HEARD.pack(time.monotonic())
        try:
            self._out.put_nowait(frame(index, b"I", now + data))
        except queue.Full:
            self._lost[index] = self._lost.get(index, 0) + 1

    def say(self, index: int, kind: bytes, text: str) -> None:
        """Report a state of a port, once."""
        if self._said.get(index) != (kind, text):
            self._said[index] = (kind, text)
            self._out.put(frame(index, kind, text.encode()[:60000]))

    def write_all(self) -> None:
        """The writing thread: reports and incoming bytes to the parent."""
        while True:
            data = self._out.get()
            with contextlib.suppress(queue.Empty):
                while len(data) < 32768:
                    data += self._out.get_nowait()
            try:
                while data:
                    data = data[os.write(sys.stdout.fileno(), data) :]
            except OSError:
                os._exit(0)

    def close(self) -> None:
        """Let go of every client: one that only vanishes holds up a JACK server for seconds."""
        clients = [way.client for way in self._ways.values() if way.client is not None]
        for client in (*clients, *self._lists.values()):
            client.delete()
        if self._links is not None:
            self._links.close()

    def server_died(self) -> bool:
        """Whether the JACK server we used is gone, or another stands in its place: lists go stale
        then, and closing crashes."""
        return self._server is not None and jack_socket() != self._server

    def run(self) -> None:
        """Serve until standard input ends."""
        threading.Thread(target=self.write_all, daemon=True).start()
        buffer = bytearray()
        next_poll = 0.0
        while True:
            now = time.monotonic()
            if now >= next_poll:
                next_poll = now + self._poll()
            ready, _, _ = select.select([sys.stdin.fileno()], [], [], max(0.0, next_poll - now))
            if ready:
                data = os.read(sys.stdin.fileno(), 65536)
                if not data:
                    return
                buffer += data
                for index, kind, content in frames(buffer):
                    if kind == b"S":
                        self.send(index, content)

    def _poll(self) -> float:
        if self._api is None:
            why = self.start_system()
            if why is not None:
                for index in range(len(self._wanted)):
                    self.say(index, b"D", why)
                return RETRY_S
        if self.server_died():
            os._exit(3)
        self.follow()
        return POLL_S


def list_ports() -> dict[str, list[str]]:
    """The ``outputs`` and ``inputs`` that a session would find: those of the first MIDI system that
    works, which need not be the first that is installed. SystemExit if none does."""
    child = Child([])
    why = child.start_system()
    if why is not None:
        raise SystemExit(why)
    found = {f"{way}s": client.get_ports() for way, client in child._lists.items()}
    child.close()
    return found


def jack_socket() -> bytes | None:
    """What tells one run of the JACK server from the next: the inode of the socket it listens on.

    None if it does not listen, or this is not Linux. Reading a table costs the server nothing;
    connecting to find out would disturb the sound.
    """
    server = os.environ.get("JACK_DEFAULT_SERVER") or "default"
    mark = f"/jack_{server}_".encode()
    try:
        with open("/proc/net/unix", "rb") as table:
            rows = [row.split() for row in table if mark in row]
    except OSError:
        return None
    # Columns 4 and 7 are flags (00010000 marks a listening socket) and inode: Linux proc(5).
    return next((row[6] for row in rows if row[3] == b"00010000"), None)


def main() -> None:
    """Run with the wanted ports as JSON in the first argument."""
    wanted = json.loads(sys.argv[1])
    try:
        child = Child(wanted)
    except ImportError as error:
        missing = isinstance(error, ModuleNotFoundError)
        why = (
            b"MIDI needs the python-rtmidi package, which is not installed"
            if missing
            else f"MIDI cannot start: {error}; install the system library it names".encode()
        )
        data = b"".join(frame(index, b"D", why) for index in range(len(wanted)))
        os.write(sys.stdout.fileno(), data)
        sys.stdin.buffer.read()
        return
    child.run()
    if child.server_died():
        os._exit(0)
    child.close()


if __name__ == "__main__":
    main()
