"""The daemon's local socket: answers ``status``, takes orders, streams snapshots to watchers.

Lines of JSON, UTF-8, over a Unix socket only its owner may open. Requests are
``{"do": "status"}``, ``{"do": "watch"}`` or an order (`ORDERS`), with ``"what": TEXT`` where an
order is about something (an alert); answers are
``{"status": {..}}``, ``{"snapshot": {..}}``, ``{"ok": true}`` or ``{"error": "sentence"}``.
After ``stop`` the connection stays open until the daemon has written its files.

One thread serves all; it never waits for anyone. A watcher that has not taken the last snapshot
does not get the next, and one that takes nothing for `PATIENCE_S` is dropped; both are counted.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import selectors
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from liveassist.app.steering import KEY_COMMANDS
from liveassist.app.wire import SnapshotWriter
from liveassist.model import Event, OutputState, Snapshot

ORDERS = ("stop", "tell", *KEY_COMMANDS)
#: A watcher that takes nothing for so long is dropped, seconds.
PATIENCE_S = 5.0
#: Connections at once, and bytes of a request: more is refused.
MOST_CONNECTIONS = 32
MOST_REQUEST_BYTES = 4096
#: Orders waiting for the daemon; more are refused, in words.
MOST_ORDERS = 16
#: How long the end waits until stopped clients have been told, seconds.
_FAREWELL_S = 1.0
#: Room in the kernel for one watcher's snapshots, bytes.
_SEND_BUFFER = 256 * 1024


@dataclass(frozen=True, slots=True)
class Order:
    """What a client asks of the daemon, and about what."""

    do: str
    what: str = ""


@dataclass(slots=True)
class _Client:
    socket: socket.socket
    heard: bytes = b""
    unsent: bytes = b""
    watching: bool = False
    moved_s: float = 0.0


@dataclass(slots=True)
class ControlCounters:
    """What happened on the socket: for ``status``, and so that nothing is dropped unseen."""

    watchers: int = 0
    skipped: int = 0
    dropped: int = 0
    refused: int = 0


@dataclass(slots=True)
class _News:
    """What the analysis last gave; swapped as a whole under the lock."""

    snapshot: Snapshot | None = None
    status: Mapping[str, Any] = field(default_factory=dict)


class ControlServer:
    """Serves ``path`` from a thread of its own. Also an output of a session.

    ``orders`` is read by the daemon between blocks. ``clock`` gives monotonic seconds.
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self.orders: queue.Queue[Order] = queue.Queue(maxsize=MOST_ORDERS)
        self.counters = ControlCounters()
        self._clock = clock
        self.path = path
        self._writer = SnapshotWriter()
        self._lock = threading.Lock()
        self._news = _News()
        self._ending = False
        self._listener = _listen(path)
        self._wake_in, self._wake_out = socket.socketpair()
        for end in (self._wake_in, self._wake_out):
            end.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._wake_in, selectors.EVENT_READ)
        self._clients: dict[socket.socket, _Client] = {}
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    # --- called by the daemon -------------------------------------------------------------

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: watchers are shown figures."""

    def figures(self, snapshot: Snapshot) -> None:
        """Let watchers see ``snapshot``; returns at once."""
        with self._lock:
            self._news.snapshot = snapshot
        if self.counters.watchers:
            self._wake()

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: the socket is no output to the outside."""
        return ()

    def tell_status(self, status: Mapping[str, Any]) -> None:
        """What ``status`` answers from now on."""
        with self._lock:
            self._news.status = status

    def close(self) -> None:
        """Tell everyone it is over and stop. May be called twice."""
        if not self._thread.is_alive() and self._ending:
            return
        self._ending = True
        self._wake()
        self._thread.join(_FAREWELL_S + 1.0)

    def _wake(self) -> None:
        # A full socket pair means the thread has been woken already.
        with contextlib.suppress(BlockingIOError, OSError):
            self._wake_out.send(b"!")

    # --- the thread -----------------------------------------------------------------------

    def _serve(self) -> None:
        try:
            while not self._ending:
                for key, mask in self._selector.select(1.0):
                    self._act(key.fileobj, mask)
                self._drop_the_stuck()
            self._say_farewell()
        finally:
            for client in list(self._clients.values()):
                self._forget(client)
            self._selector.close()
            for end in (self._listener, self._wake_in, self._wake_out):
                end.close()

    def _act(self, which: Any, mask: int) -> None:
        if not mask:
            return
        if which is self._listener:
            self._accept()
        elif which is self._wake_in:
            with contextlib.suppress(BlockingIOError):
                self._wake_in.recv(4096)
            self._send_snapshot()
        elif which in self._clients:
            client = self._clients[which]
            if mask & selectors.EVENT_WRITE:
                self._flush(client)
            if mask & selectors.EVENT_READ and client.socket in self._clients:
                self._hear(client)

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        if len(self._clients) >= MOST_CONNECTIONS:
            self.counters.refused += 1
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
        self._clients[connection] = _Client(connection, moved_s=self._clock())
        self._selector.register(connection, selectors.EVENT_READ)

    def _hear(self, client: _Client) -> None:
        try:
            data = client.socket.recv(MOST_REQUEST_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._forget(client)
            return
        *lines, client.heard = (client.heard + data).split(b"\n")
        for line in lines:
            self._answer(client, line)
        if len(client.heard) > MOST_REQUEST_BYTES:
            self._forget(client)

    def _answer(self, client: _Client, line: bytes) -> None:
        do, what = _request(line)
        if do == "status":
            with self._lock:
                status = self._news.status
            self._send(client, {"status": {**status, **_counted(self.counters)}})
        elif do == "watch":
            if not client.watching:
                client.watching = True
                self.counters.watchers += 1
            self._send_snapshot(only=client)
        elif do in ORDERS:
            try:
                self.orders.put_nowait(Order(do, what))
                self._send(client, {"ok": True})
            except queue.Full:
                self.counters.refused += 1
                self._send(client, {"error": "The daemon is too busy to take orders."})
        else:
            self.counters.refused += 1
            self._send(client, {"error": "The daemon does not know this request."})

    def _send_snapshot(self, only: _Client | None = None) -> None:
        with self._lock:
            snapshot = self._news.snapshot
        clients = [only] if only is not None else list(self._clients.values())
        watching = [client for client in clients if client.watching]
        if snapshot is None or not watching:
            return
        line = f'{{"snapshot": {self._writer.text(snapshot)}}}\n'.encode()
        for client in watching:
            if client.unsent:
                self.counters.skipped += 1
            else:
                self._send_bytes(client, line)

    def _send(self, client: _Client, answer: Mapping[str, Any]) -> None:
        self._send_bytes(client, json.dumps(answer).encode() + b"\n")

    def _send_bytes(self, client: _Client, data: bytes) -> None:
        if not client.unsent:
            client.moved_s = self._clock()
        client.unsent += data
        self._flush(client)

    def _flush(self, client: _Client) -> None:
        try:
            sent = client.socket.send(client.unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._forget(client)
            return
        if sent:
            client.moved_s = self._clock()
        client.unsent = client.unsent[sent:]
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        self._selector.modify(client.socket, wanted)

    def _drop_the_stuck(self) -> None:
        now_s = self._clock()
        for client in list(self._clients.values()):
            if client.unsent and now_s - client.moved_s > PATIENCE_S:
                self.counters.dropped += 1
                self._forget(client)

    def _forget(self, client: _Client) -> None:
        if self._clients.pop(client.socket, None) is None:
            return
        if client.watching:
            self.counters.watchers -= 1
        self._selector.unregister(client.socket)
        client.socket.close()

    def _say_farewell(self) -> None:
        self._send_snapshot()
        end_s = self._clock() + _FAREWELL_S
        while any(client.unsent for client in self._clients.values()) and self._clock() < end_s:
            for key, mask in self._selector.select(0.1):
                self._act(key.fileobj, mask & selectors.EVENT_WRITE)


def _listen(path: Path) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    # The folder is the owner's alone; the mask closes the moment before the rights are set.
    before = os.umask(0o177)
    try:
        listener.bind(str(path))
    finally:
        os.umask(before)
    os.chmod(path, 0o600)
    listener.listen(MOST_CONNECTIONS)
    listener.setblocking(False)
    return listener


def _request(line: bytes) -> tuple[str, str]:
    """What a line asks for, and about what; empty where it cannot be read."""
    try:
        request = json.loads(line)
    except (ValueError, RecursionError):
        return "", ""
    if not isinstance(request, dict):
        return "", ""
    do, what = request.get("do"), request.get("what", "")
    return (do, what) if isinstance(do, str) and isinstance(what, str) else ("", "")


def _counted(counters: ControlCounters) -> dict[str, int]:
    return {
        "watchers": counters.watchers,
        "watchers_dropped": counters.dropped,
        "snapshots_skipped": counters.skipped,
        "requests_refused": counters.refused,
    }
