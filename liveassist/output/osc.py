"""One OSC target as an output of the router: filter, prefix, rate, transport.

A target that is not there costs one failed system call a message, never a wait of the analysis:
all of this runs on the target's own thread.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from liveassist.errors import OutputError
from liveassist.model import Event, Kit, OutputState, Snapshot

from .midi_map import surface_osc
from .osc_codec import OscBundle, OscError, OscMessage, encode, time_tag
from .osc_match import matches
from .osc_messages import State, messages_between, messages_for_event, packets, state_of
from .osc_stream import length_prefixed, slip
from .surface_model import OscTarget, Surface
from .worker import Delivery

#: A TCP target is tried again so often, and a name that cannot be resolved, seconds.
RETRY_S = 1.0
RESOLVE_S = 5.0
#: A TCP target that takes nothing for so long is given up, seconds.
TCP_TIMEOUT_S = 0.5
#: How often a TCP connection that has nothing to send is looked at, seconds.
TCP_LOOK_S = 0.1
#: How long a refusal is waited for after a delivery, seconds. This computer refuses within a
#: millisecond, one in the same network within a few; a radio network may need tens (no source).
REFUSAL_S = 0.08
#: A TCP peer that vanished without a word (no power, no cable) is missed after so many seconds of
#: silence and so many unanswered questions a second apart.
KEEPALIVE_S, KEEPALIVE_TRIES = 1, 2


#: Sent to find out whether anybody listens again: a bundle that holds nothing.
_PROBE = encode(OscBundle(()))


class Link:
    """Bytes to one host and port; finds out whether anybody is there."""

    def __init__(self, target: OscTarget, monotonic: Callable[[], float]) -> None:
        self._target = target
        self._monotonic = monotonic
        self._socket: socket.socket | None = None
        self._retry_at = -1.0
        self.state: Literal["ok", "down", "absent"] = "absent"
        self.note = "not reached yet"
        #: How often it was lost.
        self.lost = 0

    def send(self, packet: bytes) -> bool:
        """Send one packet; false if it certainly did not arrive."""
        if not self.ready():
            return False
        if self._target.transport == "udp":
            return self._send_udp(packet)
        framed = slip(packet) if self._target.transport == "tcp_slip" else length_prefixed(packet)
        assert self._socket is not None
        try:
            self._socket.sendall(framed)
        except OSError as error:
            self._lost(f"the connection broke: {_reason(error)}", RETRY_S)
            return False
        return True

    def look(self) -> None:
        """Notice that a TCP peer closed the connection: sending alone finds out too late, since
        the first bytes after it are still taken. What it says is not for us and thrown away."""
        if self._socket is None or self._target.transport == "udp":
            return
        self._socket.setblocking(False)
        try:
            while self._socket.recv(65536):
                pass
            self._lost("the other side closed the connection", RETRY_S)
        except (BlockingIOError, InterruptedError):
            self._socket.settimeout(TCP_TIMEOUT_S)
        except OSError as error:
            self._lost(f"the connection broke: {_reason(error)}", RETRY_S)

    def deliver(self, packet: bytes) -> str:
        """Send one packet, and why it did not arrive, as far as that comes back within
        `REFUSAL_S`; empty if nothing speaks against it."""
        if not self.ready():
            return self.note
        self.look()
        if self._socket is None:
            return self.note
        if not self.send(packet):
            return self.note
        # An error or the end of the connection makes the socket readable.
        end = self._monotonic() + REFUSAL_S
        while self._socket is not None and (left := end - self._monotonic()) > 0.0:
            if not select.select([self._socket], [], [], left)[0]:
                break
            if self._target.transport == "udp":
                self._hear_refusal()
            else:
                self.look()
            if self.state != "ok":
                return self.note
        return "" if self.state == "ok" else self.note

    def _hear_refusal(self) -> None:
        """Take in what came back on a UDP socket: a refusal, or words that are not for us."""
        assert self._socket is not None
        try:
            self._socket.recv(65536)
        except ConnectionRefusedError:
            self._refused()
        except BlockingIOError:
            pass
        except OSError as error:
            self._lost(_reason(error), RETRY_S)

    def _refused(self) -> None:
        self.lost += self.state == "ok"
        self.state = "down"
        self.note = f"nobody listens at {self._target.host}:{self._target.port}"

    def ready(self) -> bool:
        """Whether there is a socket; tries to open one, not too often."""
        if self._socket is not None:
            return True
        if self._monotonic() < self._retry_at:
            return False
        udp = self._target.transport == "udp"
        kind = socket.SOCK_DGRAM if udp else socket.SOCK_STREAM
        try:
            found = socket.getaddrinfo(self._target.host, self._target.port, type=kind)
        except OSError:
            self._lost(f"the host {self._target.host!r} is not known", RESOLVE_S)
            return False
        family, _, _, _, address = found[0]
        link = socket.socket(family, kind)
        try:
            link.settimeout(0.0 if udp else TCP_TIMEOUT_S)
            if udp:
                link.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            else:
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                _keep_alive(link)
            link.connect(address)
        except OSError as error:
            link.close()
            where = f"{self._target.host}:{self._target.port}"
            self._lost(f"{where} cannot be reached: {_reason(error)}", RETRY_S)
            return False
        self._socket = link
        self.state, self.note = "ok", f"{self._target.host}:{self._target.port}"
        return True

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send_udp(self, packet: bytes) -> bool:
        """The refusal of an earlier packet is reported with this one: note it, send once more."""
        assert self._socket is not None
        try:
            self._socket.send(packet)
        except ConnectionRefusedError:
            self._refused()
            with contextlib.suppress(OSError):
                self._socket.send(packet)
            return False
        except BlockingIOError:
            return False
        except OSError as error:
            self._lost(_reason(error), RETRY_S)
            return False
        self.state, self.note = "ok", f"{self._target.host}:{self._target.port}"
        return True

    def _lost(self, note: str, again_s: float) -> None:
        self.close()
        self.lost += self.state == "ok"
        self.state = "absent" if self.state == "absent" else "down"
        self.note = note
        self._retry_at = self._monotonic() + again_s


def _keep_alive(link: socket.socket) -> None:
    """Have the system ask a silent peer whether it is still there, where it can."""
    link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (
        ("TCP_KEEPIDLE", KEEPALIVE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_S),
        ("TCP_KEEPCNT", KEEPALIVE_TRIES),
        ("TCP_USER_TIMEOUT", 1000 * KEEPALIVE_S * (KEEPALIVE_TRIES + 1)),
    ):
        option = getattr(socket, name, None)
        if option is not None:
            with contextlib.suppress(OSError):
                link.setsockopt(socket.IPPROTO_TCP, option, value)


def _reason(error: OSError) -> str:
    return (error.strerror or str(error) or "no answer").lower()


class Selection:
    """Which messages a target wants, and under which prefix."""

    def __init__(self, target: OscTarget) -> None:
        self._target = target
        self._known: dict[str, bool] = {}

    def wants(self, address: str) -> bool:
        """Whether the target's patterns let this address through."""
        if address not in self._known:
            if len(self._known) > 10_000:
                self._known.clear()
            target = self._target
            self._known[address] = (
                not target.only or any(matches(pattern, address) for pattern in target.only)
            ) and not any(matches(pattern, address) for pattern in target.but_not)
        return self._known[address]

    def of(self, messages: list[OscMessage]) -> list[OscMessage]:
        """The messages to be sent, with the prefix."""
        prefix = self._target.prefix
        return [
            OscMessage(prefix + message.address, message.types, message.args) if prefix else message
            for message in messages
            if self.wants(message.address)
        ]


class OscOutput:
    """One OSC target (see `router.Output`)."""

    kind = "osc"

    def __init__(
        self,
        surface: Surface,
        target: OscTarget,
        kit: Kit,
        clock: Callable[[], float],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = target.name
        self._surface, self._target, self._kit = surface, target, kit
        self._clock, self._monotonic = clock, monotonic
        self._link = Link(target, monotonic)
        self._selection = Selection(target)
        self._shown: State | None = None
        self._shown_own: Mapping[str, OscMessage] = {}
        self._pending: Snapshot | None = None
        self._next_at = self._try_at = -1.0
        self._sent = self._dropped = 0
        self._bad = ""

    def event(self, event: Event) -> None:
        """Send what an event says."""
        if self._target.table:
            self._send(self._selection.of(messages_for_event(event, self._kit)))

    def snapshot(self, snapshot: Snapshot) -> None:
        """Take over new figures; they are sent by `tick` when the rate allows."""
        self._pending = snapshot

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Send one message, once: never again by itself, whatever becomes of it."""
        if isinstance(message, OscMessage) and (self._target.table or not table):
            self._send(self._selection.of([message]) if table else [message])

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Delivery:
        """See `worker.Output`. Over UDP, silence is all that can be had: see `Link.deliver`."""
        packets_out = [encode(m) for m in messages if isinstance(m, OscMessage)] or [_PROBE]
        for packet in packets_out:
            why = self._link.deliver(packet)
            if why:
                self._dropped += 1
                return Delivery(why, self._link.lost)
            self._sent += bool(messages)
        return Delivery("", self._link.lost)

    def tick(self) -> float:
        """Send changed figures if it is time; returns the time until the next call, seconds."""
        self._link.look()
        return min(self._show(), 1.0 if self._target.transport == "udp" else TCP_LOOK_S)

    def _show(self) -> float:
        now = self._monotonic()
        if self._link.state != "ok" and not self._reached(now):
            return RETRY_S / 4.0
        if 0.0 < self._next_at - now <= 1.0 / self._target.rate_hz:
            return self._next_at - now
        if self._pending is None:
            return 1.0
        snapshot, self._pending = self._pending, None
        self._next_at = now + 1.0 / self._target.rate_hz
        messages: list[OscMessage] = []
        if self._target.table:
            state = state_of(snapshot)
            messages = self._selection.of(messages_between(state, self._shown))
            self._shown = state
        own = surface_osc(self._surface, self.name, snapshot)
        messages += [m for name, m in own.items() if self._shown_own.get(name) != m]
        self._shown_own = own
        self._send(messages)
        return 1.0

    def _reached(self, now: float) -> bool:
        """Try to reach a target that was not there, however seldom figures are due."""
        self._shown, self._shown_own = None, {}
        if now < self._try_at:
            return False
        self._try_at = now + RETRY_S / 4.0
        if not self._link.ready():
            return False
        return self._link.state == "ok" or self._link.send(_PROBE)

    def state(self) -> OutputState:
        """Health and counters."""
        note = self._bad or self._link.note
        return OutputState(
            self.name, "osc", self._link.state, self._sent, self._dropped, None, note
        )

    def close(self) -> None:
        """Let go of the socket."""
        self._link.close()

    def _send(self, messages: list[OscMessage]) -> None:
        if not messages:
            return
        try:
            ready = [encode(packet) for packet in packets(messages, time_tag(self._clock()))]
        except OscError as error:
            self._bad = str(error)
            self._dropped += len(messages)
            raise OutputError(f"{self.name}: {error}") from None
        for packet in ready:
            if self._link.send(packet):
                self._sent += 1
            else:
                self._dropped += 1
