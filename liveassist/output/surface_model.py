"""What a surface profile describes: OSC targets, MIDI ports, faders, lights, displays, buttons.

Frozen values without behaviour; `surfaces.load_surface` makes them from a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .quantities import Quantity
from .scaling import Scale

Message = Literal["cc", "cc14", "nrpn", "bend", "note", "program", "text", "osc"]
MESSAGES: tuple[Message, ...] = ("cc", "cc14", "nrpn", "bend", "note", "program", "text", "osc")
Transport = Literal["udp", "tcp_slip", "tcp_length"]
#: What a light can say. ``off`` is also the dark half of blinking.
MEANINGS = ("off", "quiet", "good", "info", "look", "stop", "running", "waiting")
#: What a light can stand for.
LIGHT_SHOWS = ("take", "verdict", "alerts", "drum", "mic", "armed")
#: Commands a button, fader or OSC message may give (see the address table), and ``page``.
PRESS_COMMANDS = (
    "take/start",
    "take/stop",
    "take/toggle",
    "take/mark",
    "take/keep",
    "take/join",
    "take/split",
    "take/star",
    "take/punch",
    "reference/set",
    "reference/clear",
    "alert/acknowledge",
    "aim",
    "correct/not_a_hit",
    "correct/missed",
    "audit",
    "apply/arm",
    "apply/disarm",
    "apply/now",
    "apply/undo",
    "page",
)


@dataclass(frozen=True, slots=True)
class OscTarget:
    """Where OSC goes. ``table``: whether the documented addresses are sent there; ``only`` and
    ``but_not`` are address patterns; ``rate_hz`` bounds streams and changed figures."""

    name: str
    host: str
    port: int
    transport: Transport = "udp"
    prefix: str = ""
    only: tuple[str, ...] = ()
    but_not: tuple[str, ...] = ()
    rate_hz: float = 10.0
    table: bool = True


@dataclass(frozen=True, slots=True)
class OscIn:
    """Where OSC commands are heard: loopback unless the profile says otherwise, and then only
    from the addresses or networks in ``allow``. ``transport``: UDP is always heard; a TCP
    framing is heard on the same port number besides. ``query_port``: where the addresses are
    described over HTTP, 0 for nowhere. ``announce``: whether both are announced by mDNS."""

    host: str = "127.0.0.1"
    port: int = 9001
    transport: Transport = "udp"
    allow: tuple[str, ...] = ()
    commands_per_s: float = 20.0
    query_port: int = 0
    announce: bool = False


@dataclass(frozen=True, slots=True)
class MidiPort:
    """A MIDI port, found by ``port``: a name with * and ?, upper and lower case alike.

    ``transport``: start, stop and record of the machine on this port start and end takes;
    ``record_only``: of these only record does, since a start may be playback.
    ``clock``: its clock and time code are the session's (None: as ``transport``), with
    ``beats_a_bar``, which MIDI does not say."""

    name: str
    port: str
    output: bool = True
    input: bool = False
    bytes_per_s: int = 3125
    transport: bool = False
    record_only: bool = False
    clock: bool | None = None
    beats_a_bar: int = 4

    @property
    def keeps_time(self) -> bool:
        """Whether the session is laid on this port's clock and time code."""
        return self.input and (self.transport if self.clock is None else self.clock)


@dataclass(frozen=True, slots=True)
class Control:
    """A fader, ring, display line or foreign address that shows one figure."""

    name: str
    to: str
    quantity: Quantity
    drum: str
    mic: str
    message: Message
    channel: int
    number: int
    scale: Scale | None
    page: int
    address: str
    type: str
    out: tuple[float, float]
    head: bytes
    tail: bytes
    label: str
    decimals: int
    width: int


@dataclass(frozen=True, slots=True)
class HitNote:
    """A note (or foreign OSC message) for every hit on a drum."""

    name: str
    to: str
    drum: str
    channel: int
    note: int
    length_ms: float
    page: int


@dataclass(frozen=True, slots=True)
class Light:
    """A light that says how something is, in the values the user taught for each meaning."""

    name: str
    to: str
    shows: str
    drum: str
    mic: str
    message: Literal["note", "cc"]
    channel: int
    number: int
    page: int


@dataclass(frozen=True, slots=True)
class Press:
    """A button, switch or fader that gives a command.

    ``between``: of a controller or pitch bend (its high 7 bits), the values that count as
    pressed; the command is given when it comes into them, so that a fader can choose one thing of
    several.
    """

    name: str
    on: str
    message: Literal["note", "cc", "program", "bend"]
    channel: int
    number: int
    command: str
    value: str
    between: tuple[int, int] = (64, 127)


@dataclass(frozen=True, slots=True)
class Surface:
    """One surface profile, checked."""

    name: str
    about: str = ""
    osc: tuple[OscTarget, ...] = ()
    osc_in: OscIn | None = None
    midi: tuple[MidiPort, ...] = ()
    controls: tuple[Control, ...] = ()
    hits: tuple[HitNote, ...] = ()
    lights: tuple[Light, ...] = ()
    presses: tuple[Press, ...] = ()
    applies: tuple[Control, ...] = ()
    meanings: Mapping[str, int] | None = None
    blink: tuple[str, ...] = ()
    pages: int = 1
    file: str = ""

    def __hash__(self) -> int:
        return hash((self.name, self.file))
