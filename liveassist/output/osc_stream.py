"""OSC over streams: length-prefix framing (OSC 1.0) and SLIP (OSC 1.1; RFC 1055).

Source: OSC 1.0 for the 32-bit length before each packet; Freed and Schmeder, "Features and
Future of Open Sound Control version 1.1" (NIME 2009), for SLIP with END at both ends.
Readers hold at most one packet of bounded size.
"""

from __future__ import annotations

import struct
from typing import Protocol

from .osc_codec import MAX_PACKET_BYTES, OscError

_END, _ESC, _ESC_END, _ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD


class Framer(Protocol):
    """Takes packets apart again that arrive in a stream."""

    def feed(self, data: bytes) -> list[bytes]:
        """Whole packets completed by ``data``; OscError if the stream can not be followed."""


def slip(packet: bytes) -> bytes:
    """``packet`` between END bytes, with END and ESC inside it escaped."""
    inner = packet.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc")
    return b"\xc0" + inner + b"\xc0"


def length_prefixed(packet: bytes) -> bytes:
    """``packet`` after its length."""
    return struct.pack(">i", len(packet)) + packet


class SlipReader:
    """Packets out of a SLIP stream. A broken or too long packet is dropped and counted; the
    next END starts anew."""

    def __init__(self) -> None:
        self.dropped = 0
        self._packet = bytearray()
        self._escaped = False
        self._bad = False

    def feed(self, data: bytes) -> list[bytes]:
        """Whole packets completed by ``data``. Never raises."""
        packets: list[bytes] = []
        for byte in data:
            if byte == _END:
                self._finish(packets)
            elif self._escaped:
                self._escaped = False
                if byte not in (_ESC_END, _ESC_ESC):
                    self._bad = True
                self._packet.append(_END if byte == _ESC_END else _ESC)
            elif byte == _ESC:
                self._escaped = True
            elif len(self._packet) < MAX_PACKET_BYTES:
                self._packet.append(byte)
            else:
                self._bad = True
        return packets

    def _finish(self, packets: list[bytes]) -> None:
        if self._bad or self._escaped:
            self.dropped += 1
        elif self._packet:
            packets.append(bytes(self._packet))
        self._packet.clear()
        self._bad = self._escaped = False


class LengthReader:
    """Packets out of a length-prefixed stream."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """Whole packets completed by ``data``; OscError at an impossible length, after which
        nothing more can be understood and the connection must be closed."""
        self._buffer += data
        packets: list[bytes] = []
        while len(self._buffer) >= 4:
            (size,) = struct.unpack_from(">i", self._buffer)
            if not 0 < size <= MAX_PACKET_BYTES or size % 4:
                self._buffer.clear()
                raise OscError(f"an OSC stream claims a packet of {size} bytes")
            if len(self._buffer) < 4 + size:
                break
            packets.append(bytes(self._buffer[4 : 4 + size]))
            del self._buffer[: 4 + size]
        return packets
