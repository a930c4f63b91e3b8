"""What is done with packets that come in: the rules of the OSC server, without socket or clock.

Trust: loopback unless the profile says otherwise, then an allow-list of sources; commands bounded
in rate for each source; packets bounded in size, read by the strict decoder. A subscription sends
only to the address it came from, and ends by itself.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass, field

from .addresses import ROOT
from .commands import Command, RefusedError, parse
from .osc_codec import OscBundle, OscError, OscMessage, OscPacket, decode
from .osc_messages import State
from .osc_tcp import Place
from .surface_model import OscIn

#: Largest packet of commands that is read; a command is far shorter.
MAX_COMMAND_BYTES = 4096
#: Messages of one packet that are looked at.
MAX_MESSAGES = 16
MAX_SUBSCRIBERS = 16
#: Sources whose rate is remembered; the one longest silent is forgotten first.
MAX_SOURCES = 64
#: A subscription lasts so long unless it says otherwise, and figures come so often.
SUBSCRIBED_S = 60.0
SUBSCRIBED_HZ = 10.0
#: Commands that make things safe or must not be missed: always handed on, whatever else a source
#: sends. (They are bounded by what the daemon holds.)
ALWAYS_HEARD = frozenset({"apply/disarm", "take/stop"})
#: A sender that is refused for its rate or its bytes is told so this often, seconds.
TOLD_S = 1.0
#: A command nobody answered for so long is answered here, seconds.
ANSWER_S = 2.0


@dataclass(slots=True)
class Subscriber:
    """Someone everything is sent to until ``until`` (monotonic seconds)."""

    place: Place
    until: float
    rate_hz: float
    once: bool = False
    shown: State | None = None
    next_at: float = -1.0
    fresh: bool = True


@dataclass(slots=True)
class _Source:
    """How many commands a source may still give now."""

    tokens: float
    at: float
    #: By port: when it was last told that something was not looked at.
    told: dict[int, float] = field(default_factory=dict)


@dataclass(slots=True)
class Counters:
    packets: int = 0
    malformed: int = 0
    refused: int = 0
    strangers: int = 0
    sent: int = 0
    dropped: int = 0


@dataclass(slots=True)
class _Waiting:
    """A command handed on, whose answer is awaited."""

    place: Place
    path: str
    until: float


@dataclass(slots=True)
class Desk:
    """What the listening thread knows; every method is called with the server's lock held.

    Pure of sockets and clocks: ``now`` is an argument, what to send is returned.
    """

    settings: OscIn
    offer: Callable[[Command], bool]
    port: int = 0
    counters: Counters = field(default_factory=Counters)
    subscribers: dict[Place, Subscriber] = field(default_factory=dict)
    waiting: dict[int, _Waiting] = field(default_factory=dict)
    sources: dict[str, _Source] = field(default_factory=dict)
    tickets: int = 0

    def allowed(self, host: str) -> bool:
        """Whether commands from this address are heard at all."""
        address = ipaddress.ip_address(host)
        if not self.settings.allow:
            return address.is_loopback
        networks = (ipaddress.ip_network(text, strict=False) for text in self.settings.allow)
        return any(address in network for network in networks if network.version == address.version)

    def packet(self, data: bytes, place: Place, now: float) -> list[OscMessage]:
        """Act on one datagram; the answers to be sent back to ``place``."""
        self.counters.packets += 1
        if not self.allowed(place[0]):
            self.counters.strangers += 1
            return []
        if place[1] == self.port and ipaddress.ip_address(place[0]).is_loopback:
            self.counters.refused += 1  # our own words: acting on them could go on for ever
            return []
        try:
            if len(data) > MAX_COMMAND_BYTES:
                raise OscError(f"too long for a command: {MAX_COMMAND_BYTES} bytes are read")
            messages = list(_flat(decode(data)))
        except OscError as error:
            return self.not_understood(str(error), place, now)
        answers: list[OscMessage] = []
        for message in messages[:MAX_MESSAGES]:
            answers += self._message(message, place, now)
        if len(messages) > MAX_MESSAGES:
            self.counters.refused += len(messages) - MAX_MESSAGES
            why = f"{MAX_MESSAGES} messages of a packet are looked at; it had {len(messages)}"
            answers += self._tell(messages[MAX_MESSAGES].address, why, place, now)
        return answers

    def not_understood(self, why: str, place: Place, now: float) -> list[OscMessage]:
        """The answer to bytes that are no OSC; at most one each `TOLD_S`."""
        self.counters.malformed += 1
        return self._tell("", why, place, now)

    def _tell(self, address: str, why: str, place: Place, now: float) -> list[OscMessage]:
        """A refusal that is said once each `TOLD_S`, however much more there is."""
        told = self._source(place[0], now).told
        if now - told.get(place[1], -1e9) < TOLD_S:
            return []
        told.pop(place[1], None)
        if len(told) >= MAX_SOURCES:
            del told[next(iter(told))]
        told[place[1]] = now
        return [answer(address, "refused", why)]

    def _message(self, message: OscMessage, place: Place, now: float) -> list[OscMessage]:
        if message.address.startswith(f"{ROOT}/answer"):
            return []  # never answer an answer: two of us would talk for ever
        source = self._source(place[0], now)
        if message.address.removeprefix(f"{ROOT}/") not in ALWAYS_HEARD:
            if source.tokens < 1.0:
                self.counters.refused += 1
                rate = f"{self.settings.commands_per_s:g} a second"
                why = f"too many commands: {rate} are heard; this is said once a second"
                return self._tell(message.address, why, place, now)
            source.tokens -= 1.0
        self.tickets += 1
        try:
            command = parse(message, f"{place[0]}:{place[1]}", self.tickets, now)
            done = self._own(command, place, now)
            if done is not None:
                return [answer(f"{ROOT}/{command.name}", "done", done)]
            if not self.offer(command):
                raise RefusedError(f"{ROOT}/{command.name}", "too many commands are waiting")
        except RefusedError as refused:
            self.counters.refused += 1
            return [answer(refused.command, "refused", refused.why)]
        path = f"{ROOT}/{command.name}"
        self.waiting[command.ticket] = _Waiting(place, path, now + ANSWER_S)
        return []

    def _own(self, command: Command, place: Place, now: float) -> str | None:
        """Commands about sending are done here; None for those the daemon must do."""
        if command.name == "state":
            if place not in self.subscribers:
                self._subscribe(Subscriber(place, now + ANSWER_S, SUBSCRIBED_HZ, once=True))
            else:
                self.subscribers[place].shown = None
                self.subscribers[place].fresh = True
            return ""
        if command.name not in ("subscribe", "unsubscribe"):
            return None
        values = (*command.args, *(None,) * 3)
        to = place if values[0] is None else (place[0], int(values[0]), "udp")
        if to[1] == self.port and ipaddress.ip_address(to[0]).is_loopback:
            raise RefusedError(f"{ROOT}/{command.name}", "that port is where I listen myself")
        if command.name == "unsubscribe":
            if self.subscribers.pop(to, None) is None:
                raise RefusedError(f"{ROOT}/unsubscribe", "there is no such subscription")
            return ""
        seconds = SUBSCRIBED_S if values[1] is None else float(values[1])
        rate_hz = SUBSCRIBED_HZ if values[2] is None else float(values[2])
        old = self.subscribers.get(to)
        if old is not None and not old.once:
            old.until, old.rate_hz = now + seconds, rate_hz
            return f"renewed for {seconds:g} s"
        self._subscribe(Subscriber(to, now + seconds, rate_hz))
        return f"for {seconds:g} s"

    def _subscribe(self, subscriber: Subscriber) -> None:
        self.subscribers.pop(subscriber.place, None)
        if len(self.subscribers) >= MAX_SUBSCRIBERS:
            raise RefusedError(f"{ROOT}/subscribe", f"{MAX_SUBSCRIBERS} others are subscribed")
        self.subscribers[subscriber.place] = subscriber

    def _source(self, host: str, now: float) -> _Source:
        rate = self.settings.commands_per_s
        source = self.sources.pop(host, None) or _Source(rate, now)
        source.tokens = min(rate, source.tokens + max(0.0, now - source.at) * rate)
        source.at = now
        self.sources[host] = source
        if len(self.sources) > MAX_SOURCES:
            del self.sources[next(iter(self.sources))]
        return source

    def expire(self, now: float) -> list[tuple[Place, OscMessage]]:
        """Drop what is over; answers for commands nobody answered."""
        for place in [p for p, s in self.subscribers.items() if now >= s.until]:
            del self.subscribers[place]
        late = [ticket for ticket, item in self.waiting.items() if now >= item.until]
        gone = [self.waiting.pop(ticket) for ticket in late]
        return [(g.place, answer(g.path, "refused", "the analysis did not answer")) for g in gone]


def answer(command: str, outcome: str, why: str) -> OscMessage:
    """The answer to a command."""
    return OscMessage(f"{ROOT}/answer", "sss", (command[:255], outcome, why))


def _flat(packet: OscPacket) -> list[OscMessage]:
    """All messages of a packet. Time tags are ignored: a command is for now."""
    if isinstance(packet, OscBundle):
        return [message for element in packet.elements for message in _flat(element)]
    return [packet]
