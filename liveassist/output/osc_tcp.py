"""OSC connections over TCP that others open to us: bounded in number, size and patience."""

from __future__ import annotations

import contextlib
import selectors
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from .osc_codec import OscError
from .osc_stream import Framer, LengthReader, SlipReader, length_prefixed, slip

#: (address, port, transport) of whoever talks to us.
Place = tuple[str, int, str]
Framing = Literal["tcp_slip", "tcp_length"]
#: Connections at one time; one more is refused.
MAX_CONNECTIONS = 8
#: Bytes held for a connection that does not read; one more and it is closed.
MAX_WAITING_BYTES = 1 << 20
READ_BYTES = 65536
_FRAMINGS = {
    "tcp_slip": "SLIP framing (transport = tcp_slip)",
    "tcp_length": "a length before each packet (transport = tcp_length)",
}


@dataclass(slots=True)
class _Connection:
    socket: socket.socket
    place: Place
    reader: Framer
    waiting: bytearray = field(default_factory=bytearray)
    begun: bool = False
    dropped: int = 0


class TcpDoor:
    """Accepts connections and takes packets out of them. Used on the listening thread, except
    `send`, which any thread may call under the owner's lock."""

    def __init__(
        self,
        listener: socket.socket,
        framing: Framing,
        allowed: Callable[[str], bool],
        refuse: Callable[[str, Place], bytes | None] = lambda _why, _place: None,
    ) -> None:
        """``refuse``: the packet that says why, if there is one to be sent."""
        self._listener, self._framing, self._allowed = listener, framing, allowed
        self._refuse = refuse
        self._connections: dict[Place, _Connection] = {}
        listener.setblocking(False)

    def register(self, selector: selectors.BaseSelector) -> None:
        """Watch the listening socket."""
        self._selector = selector
        selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def _accept(self) -> list[tuple[Place, bytes]]:
        with contextlib.suppress(OSError):
            link, address = self._listener.accept()
            link.setblocking(False)
            if not self._allowed(str(address[0])):
                link.close()
                return []
            if len(self._connections) >= MAX_CONNECTIONS:
                why = f"{MAX_CONNECTIONS} connections are open, which is all there may be"
                packet = self._refuse(why, (str(address[0]), int(address[1]), "tcp"))
                with link, contextlib.suppress(OSError):
                    if packet is not None:
                        link.send(self._framed(packet))
                return []
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            reader = SlipReader() if self._framing == "tcp_slip" else LengthReader()
            place = (str(address[0]), int(address[1]), "tcp")
            connection = _Connection(link, place, reader)
            self._connections[place] = connection
            read = lambda: self._read(connection)  # noqa: E731 - bound to this connection
            self._selector.register(link, selectors.EVENT_READ, read)
        return []

    def _read(self, connection: _Connection) -> list[tuple[Place, bytes]]:
        try:
            data = connection.socket.recv(READ_BYTES)
            packets = connection.reader.feed(data)
        except BlockingIOError:
            return []
        except OSError:
            self._drop(connection)
            return []
        except OscError as error:
            self._tell(connection, f"{error}; this port expects {_FRAMINGS[self._framing]}")
            self._drop(connection)
            return []
        if isinstance(connection.reader, SlipReader):
            self._check_slip(connection, connection.reader, data)
        if not data:
            self._drop(connection)
        return [(connection.place, packet) for packet in packets]

    def _check_slip(self, connection: _Connection, reader: SlipReader, data: bytes) -> None:
        """Say what was thrown away, and what looks like the other framing: it has no end mark, so
        that nothing would ever come of it."""
        if not connection.begun:
            connection.begun = True
            if data[:3] == b"\0\0\0" or data[:1] in (b"\0", b"/"):
                self._tell(connection, f"this port expects {_FRAMINGS['tcp_slip']}")
        if reader.dropped > connection.dropped:
            connection.dropped = reader.dropped
            self._tell(connection, "a packet was broken, or longer than any that is read")

    def _tell(self, connection: _Connection, why: str) -> None:
        packet = self._refuse(why, connection.place)
        if packet is not None:
            with contextlib.suppress(OSError):
                connection.socket.send(self._framed(packet))

    def _framed(self, packet: bytes) -> bytes:
        return slip(packet) if self._framing == "tcp_slip" else length_prefixed(packet)

    def send(self, place: Place, packet: bytes) -> bool:
        """Send to an open connection; false if it is gone or does not read."""
        connection = self._connections.get(place)
        if connection is None:
            return False
        connection.waiting += self._framed(packet)
        try:
            sent = connection.socket.send(connection.waiting)
            del connection.waiting[:sent]
        except BlockingIOError:
            pass
        except OSError:
            connection.waiting.clear()
            return False
        if len(connection.waiting) > MAX_WAITING_BYTES:
            with contextlib.suppress(OSError):
                connection.socket.shutdown(socket.SHUT_RDWR)
            return False
        return True

    def is_open(self, place: Place) -> bool:
        """Whether that connection still stands."""
        return place in self._connections

    def close(self) -> None:
        """Close everything."""
        for connection in list(self._connections.values()):
            self._drop(connection)
        self._listener.close()

    def _drop(self, connection: _Connection) -> None:
        self._connections.pop(connection.place, None)
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(connection.socket)
        connection.socket.close()
