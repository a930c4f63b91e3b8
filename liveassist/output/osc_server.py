"""OSC in: the sockets on which commands are heard, and the subscribers who get everything sent.

What is done with a packet is `osc_desk`'s; here are the sockets, the thread and the clock.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections.abc import Callable, Sequence

from liveassist.errors import OutputError
from liveassist.model import Event, Kit, OutputState, Snapshot

from .commands import Command
from .osc_codec import OscError, OscMessage, encode, time_tag
from .osc_desk import Desk, answer
from .osc_messages import messages_between, messages_for_event, packets, state_of
from .osc_query import Announcement, QueryServer
from .osc_tcp import Place, TcpDoor
from .surface_model import OscIn
from .worker import Delivery

#: How often the listening thread looks up from the socket, seconds.
LOOK_S = 0.2


class OscServer:
    """The listening socket and its thread; also an output of the router, for subscribers."""

    kind = "osc"
    name = "OSC in"

    def __init__(
        self,
        settings: OscIn,
        kit: Kit,
        clock: Callable[[], float],
        offer: Callable[[Command], bool],
        wake: Callable[[], None] = lambda: None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._kit, self._clock, self._monotonic = kit, clock, monotonic
        self.wake = wake
        self._desk = Desk(settings, offer)
        self._lock = threading.Lock()
        self._snapshot: Snapshot | None = None
        self._closing = threading.Event()
        self._socket = _bound(settings)
        self.port: int = self._socket.getsockname()[1]
        self._desk.port = self.port
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._socket, selectors.EVENT_READ, self._datagram)
        self._door = _door(settings, self.port, self._desk.allowed, self._refusal)
        if self._door is not None:
            self._door.register(self._selector)
        self._query: QueryServer | None = None
        self._announcement: Announcement | None = None
        try:
            self._describe(settings)
        except OutputError:
            self._let_go()
            raise
        self._thread = threading.Thread(target=self._listen, name="OSC in", daemon=True)
        self._thread.start()

    def _describe(self, settings: OscIn) -> None:
        """Serve the description and announce both, where the profile asks for it."""
        if settings.query_port:
            self._query = QueryServer(
                settings.host,
                settings.query_port,
                self.port,
                self._kit,
                lambda: {} if self._snapshot is None else state_of(self._snapshot).values,
                self._desk.allowed,
            )
        if settings.announce:
            query_port = None if self._query is None else self._query.port
            self._announcement = Announcement(settings.host, self.port, query_port)

    # --- commands in -----------------------------------------------------------------------

    def _listen(self) -> None:
        while not self._closing.is_set():
            ready = self._selector.select(LOOK_S)
            with self._lock:
                unanswered = self._desk.expire(self._monotonic())
            for place, message in unanswered:
                self._send(place, [message])
            for key, _ in ready:
                for place, data in key.data():
                    self._take(place, data)

    def _datagram(self) -> list[tuple[Place, bytes]]:
        try:
            data, address = self._socket.recvfrom(65536)
        except OSError:
            return []
        return [((str(address[0]), int(address[1]), "udp"), data)]

    def _take(self, place: Place, data: bytes) -> None:
        with self._lock:
            answers = self._desk.packet(data, place, self._monotonic())
        for message in answers:
            self._send(place, [message])
        self.wake()

    def _refusal(self, why: str, place: Place) -> bytes | None:
        """What a TCP connection is told whose bytes are no packets (the listening thread)."""
        with self._lock:
            told = self._desk.not_understood(why, place, self._monotonic())
        return encode(told[0]) if told else None

    def answer(self, ticket: int, done: bool, why: str) -> None:
        """Answer a command that was handed on, if somebody waits for it."""
        with self._lock:
            waiting = self._desk.waiting.pop(ticket, None)
        if waiting is not None:
            said = answer(waiting.path, "done" if done else "refused", why)
            self._send(waiting.place, [said])

    # --- to subscribers --------------------------------------------------------------------

    def event(self, event: Event) -> None:
        """Send what an event says to everybody who subscribed."""
        with self._lock:
            places = [s.place for s in self._desk.subscribers.values() if not s.once]
        if places:
            messages = messages_for_event(event, self._kit)
            for place in places:
                self._send(place, messages)

    def snapshot(self, snapshot: Snapshot) -> None:
        """Take over new figures."""
        self._snapshot = snapshot
        with self._lock:
            for subscriber in self._desk.subscribers.values():
                subscriber.fresh = True

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Send one message of the table to everybody who subscribed."""
        if isinstance(message, OscMessage) and table:
            with self._lock:
                places = [s.place for s in self._desk.subscribers.values() if not s.once]
            for place in places:
                self._send(place, [message])

    def deliver(self, _messages: Sequence[bytes | OscMessage]) -> Delivery:
        """See `worker.Output`: no setting is ever sent to whoever subscribed."""
        return Delivery("it is no device")

    def tick(self) -> float:
        """Send figures to the subscribers whose time it is."""
        now = self._monotonic()
        snapshot = self._snapshot
        if snapshot is None:
            return 0.5
        wait = 0.5
        with self._lock:
            subscribers = list(self._desk.subscribers.values())
        ready = [s for s in subscribers if s.fresh and (s.next_at <= now or s.shown is None)]
        state = state_of(snapshot) if ready else None
        for subscriber in ready:
            assert state is not None
            before, subscriber.shown = subscriber.shown, state
            subscriber.fresh = False
            subscriber.next_at = now + 1.0 / subscriber.rate_hz
            self._send(subscriber.place, messages_between(state, before))
            if subscriber.once:
                with self._lock:
                    self._desk.subscribers.pop(subscriber.place, None)
        for subscriber in subscribers:
            if subscriber.fresh:
                wait = min(wait, max(0.001, subscriber.next_at - now))
        return wait

    def state(self) -> OutputState:
        """Health and counters."""
        with self._lock:
            counters, subscribers = self._desk.counters, len(self._desk.subscribers)
        host = self._desk.settings.host
        refused = counters.malformed + counters.refused + counters.strangers
        note = f"hears {host}:{self.port}, {subscribers} subscribed, {refused} refused"
        if self._announcement is not None:
            note += f", {self._announcement.note}"
        state = "down" if self._closing.is_set() else "ok"
        return OutputState(
            self.name,
            "osc",
            "ok" if state == "ok" else "down",
            counters.sent,
            counters.dropped,
            None,
            note,
        )

    def close(self) -> None:
        """Stop listening. May be called twice."""
        self._closing.set()
        self._thread.join(5.0)
        self._let_go()

    def _let_go(self) -> None:
        for part in (self._announcement, self._query, self._door, self._selector, self._socket):
            if part is not None:
                part.close()
        self._announcement = self._query = self._door = None

    def _send(self, place: Place, messages: list[OscMessage]) -> None:
        counters = self._desk.counters
        if not messages:
            return
        for packet in packets(messages, time_tag(self._clock())):
            try:
                sent = self._send_packet(place, encode(packet))
            except (OSError, OscError):
                sent = False
            if sent:
                counters.sent += 1
                continue
            counters.dropped += 1
            if place[2] == "tcp":
                with self._lock:
                    self._desk.subscribers.pop(place, None)
                return

    def _send_packet(self, place: Place, data: bytes) -> bool:
        if place[2] == "udp":
            return self._socket.sendto(data, place[:2]) == len(data)
        with self._lock:
            return self._door is not None and self._door.send(place, data)


def _door(
    settings: OscIn,
    port: int,
    allowed: Callable[[str], bool],
    refuse: Callable[[str, Place], bytes | None],
) -> TcpDoor | None:
    """The TCP side on the same port number, if the profile asks for it."""
    if settings.transport == "udp":
        return None
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        listener = socket.create_server((settings.host, port), family=family)
    except OSError as error:
        raise _busy(settings, error) from None
    return TcpDoor(listener, settings.transport, allowed, refuse)


def _busy(settings: OscIn, error: OSError) -> OutputError:
    why = (error.strerror or "it is not allowed").lower()
    return OutputError(
        f"OSC commands cannot be heard on {settings.host}:{settings.port} ({why}); choose "
        "another port in [osc_in] of the surface profile, or end the program that uses it"
    )


def _bound(settings: OscIn) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_DGRAM)
    with contextlib.suppress(OSError):
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    listener.setblocking(False)
    try:
        listener.bind((settings.host, settings.port))
    except OSError as error:
        listener.close()
        raise _busy(settings, error) from None
    return listener
