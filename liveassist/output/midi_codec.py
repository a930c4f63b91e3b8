"""MIDI 1.0 messages: values to bytes, and bytes from a port back to whole messages.

Source: MIDI 1.0 Detailed Specification; universal exclusive messages for machine control
(RP-013) and time code. Channels count from 1 to 16, as engineers count them.

The reader follows running status, lets real-time bytes fall inside any message, bounds system
exclusive text and drops what the specification says to drop. It never raises, whatever comes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from liveassist.errors import OutputError

#: Bytes a second on a MIDI 1.0 wire: 31,250 baud, ten bits a byte.
WIRE_BYTES_PER_S = 3125
#: Longest system exclusive message sent or kept; 40,000 vanish without a word on some systems.
MAX_SYSEX_BYTES = 1024

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
#: Frames a second by the two rate bits of time code; index 2 is 30 drop-frame (29.97).
MTC_RATES = (24.0, 25.0, 30000 / 1001, 30.0)
#: Machine-control commands.
MMC_STOP, MMC_PLAY, MMC_RECORD, MMC_RECORD_EXIT = 0x01, 0x02, 0x06, 0x07

#: Data bytes that follow each channel status (high nibble).
_DATA_BYTES = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
#: Data bytes that follow each system common status; F4 and F5 are undefined.
_COMMON_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}


class MidiError(OutputError):
    """A value that cannot be made into a MIDI message."""


def _status(kind: int, channel: int) -> int:
    if not 1 <= channel <= 16:
        raise MidiError(f"a MIDI channel is 1 to 16, not {channel}")
    return kind | (channel - 1)


def _seven(value: int, what: str) -> int:
    if not 0 <= value <= 127:
        raise MidiError(f"{what} is 0 to 127, not {value}")
    return value


def _fourteen(value: int, what: str) -> tuple[int, int]:
    """High and low seven bits."""
    if not 0 <= value <= 16383:
        raise MidiError(f"{what} is 0 to 16383, not {value}")
    return value >> 7, value & 0x7F


def note_on(channel: int, note: int, velocity: int) -> bytes:
    """Note on; velocity 0 means off, as the specification has it."""
    status = _status(0x90, channel)
    return bytes([status, _seven(note, "a MIDI note"), _seven(velocity, "a velocity")])


def note_off(channel: int, note: int, velocity: int = 64) -> bytes:
    """Note off with release velocity."""
    status = _status(0x80, channel)
    return bytes([status, _seven(note, "a MIDI note"), _seven(velocity, "a velocity")])


def controller(channel: int, number: int, value: int) -> bytes:
    """A 7-bit controller."""
    status = _status(0xB0, channel)
    return bytes([status, _seven(number, "a controller"), _seven(value, "a controller value")])


def controller_14(channel: int, number: int, value: int) -> bytes:
    """A 14-bit controller: ``number`` (0 to 31) carries the high, ``number`` + 32 the low bits."""
    if not 0 <= number <= 31:
        raise MidiError(f"a 14-bit controller is numbered 0 to 31, not {number}")
    high, low = _fourteen(value, "a 14-bit controller value")
    return controller(channel, number, high) + controller(channel, number + 32, low)


def nrpn(channel: int, parameter: int, value: int) -> bytes:
    """Set a non-registered parameter, then select the null parameter so that no later data
    entry changes it by accident."""
    high, low = _fourteen(parameter, "a parameter number")
    value_high, value_low = _fourteen(value, "a parameter value")
    pairs = ((99, high), (98, low), (6, value_high), (38, value_low), (101, 127), (100, 127))
    return b"".join(controller(channel, number, part) for number, part in pairs)


def pitch_bend(channel: int, value: int) -> bytes:
    """Pitch bend 0 to 16383; 8192 is the centre."""
    high, low = _fourteen(value, "a pitch bend")
    return bytes([_status(0xE0, channel), low, high])


def program_change(channel: int, program: int) -> bytes:
    """Program change, program 0 to 127."""
    return bytes([_status(0xC0, channel), _seven(program, "a program")])


def sysex(body: bytes) -> bytes:
    """A system exclusive message around ``body`` (without F0 and F7)."""
    if any(byte > 127 for byte in body):
        raise MidiError("the bytes inside a system exclusive message are 00 to 7F")
    if len(body) + 2 > MAX_SYSEX_BYTES:
        raise MidiError(f"a system exclusive message is at most {MAX_SYSEX_BYTES} bytes")
    return b"\xf0" + body + b"\xf7"


def sysex_text(head: bytes, text: str, tail: bytes = b"") -> bytes:
    """A system exclusive message that carries ``text``; letters beyond ASCII become ``?``."""
    letters = bytes(ord(c) if c.isascii() and c.isprintable() else 0x3F for c in text)
    return sysex(head + letters + tail)


def machine_control(command: int, device: int = 0x7F) -> bytes:
    """A machine-control command (RP-013); device 7F means all."""
    return sysex(bytes([0x7F, _seven(device, "a device"), 0x06, _seven(command, "a command")]))


def quarter_frames(hours: int, minutes: int, seconds: int, frames: int, rate: int) -> list[bytes]:
    """The eight quarter-frame messages of one time code; ``rate`` indexes `MTC_RATES`."""
    parts = (frames, seconds, minutes, hours | rate << 5)
    nibbles = [half for part in parts for half in (part & 0x0F, part >> 4)]
    return [bytes([0xF1, piece << 4 | nibble]) for piece, nibble in enumerate(nibbles)]


def full_time_code(hours: int, minutes: int, seconds: int, frames: int, rate: int) -> bytes:
    """The full time code message, all devices."""
    return sysex(bytes([0x7F, 0x7F, 0x01, 0x01, hours | rate << 5, minutes, seconds, frames]))


# --- from bytes ----------------------------------------------------------------------------


@dataclass(slots=True)
class MidiReader:
    """Bytes as they come in, whole messages out. ``dropped`` counts bytes that made none."""

    dropped: int = 0
    _running: int | None = None
    _needed: int = 0
    _data: bytearray = field(default_factory=bytearray)
    _sysex: bytearray | None = None
    _sysex_too_long: bool = False

    def feed(self, data: Iterable[int]) -> list[bytes]:
        """The messages completed by ``data``, each with its status byte, in order of completion."""
        messages: list[bytes] = []
        for byte in data:
            if byte >= 0xF8:
                self._real_time(byte, messages)
            elif byte >= 0x80:
                self._begin(byte, messages)
            else:
                self._add(byte, messages)
        return messages

    def _real_time(self, byte: int, messages: list[bytes]) -> None:
        if byte in (0xF9, 0xFD):  # undefined
            self.dropped += 1
        else:
            messages.append(bytes([byte]))

    def _begin(self, status: int, messages: list[bytes]) -> None:
        if self._sysex is not None:
            self._end_sysex(status, messages)
        self.dropped += len(self._data)
        self._data.clear()
        self._running = None
        if status == 0xF0:
            self._sysex, self._sysex_too_long = bytearray([status]), False
        elif status < 0xF0:
            self._running, self._needed = status, _DATA_BYTES[status >> 4]
        elif status == 0xF6:
            messages.append(bytes([status]))
        elif status in _COMMON_BYTES:
            self._running, self._needed = status, _COMMON_BYTES[status]
        elif status != 0xF7:
            self.dropped += 1

    def _end_sysex(self, status: int, messages: list[bytes]) -> None:
        """Any status ends system exclusive; only F7 makes it a message."""
        assert self._sysex is not None
        if status == 0xF7 and not self._sysex_too_long:
            messages.append(bytes(self._sysex) + b"\xf7")
        else:
            self.dropped += len(self._sysex)
        self._sysex = None

    def _add(self, byte: int, messages: list[bytes]) -> None:
        if self._sysex is not None:
            if len(self._sysex) + 1 < MAX_SYSEX_BYTES:
                self._sysex.append(byte)
            else:
                self._sysex_too_long = True
                self.dropped += 1
            return
        if self._running is None:
            self.dropped += 1
            return
        self._data.append(byte)
        if len(self._data) == self._needed:
            messages.append(bytes([self._running]) + bytes(self._data))
            self._data.clear()
            if self._running >= 0xF0:  # system common has no running status
                self._running = None
