"""What our MIDI ports are connected to on a JACK server, from the server itself.

The MIDI library opens the n-th port of a list, and the list may change between reading and
opening; it also does not notice a device that went and came back within one look. So what it says
is compared with what the server says. Used in the port process only; where there is no JACK or
its library is not found, nothing can be said.

Source of names, flags and ownership of lists: jack/jack.h and jack/types.h of the JACK API.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterator
from typing import Any

_MIDI = b"8 bit raw midi"
_NO_START_SERVER = 0x01


#: A port of ours, and one that it is connected to.
Edge = tuple[str, str]


class Links:
    """A client that only asks. `OSError` if there is no library or no server.

    ``ours``: how the names of our ports begin.
    """

    def __init__(self, name: str, ours: str) -> None:
        self._ours = ours.encode()
        found = _loaded() or ctypes.util.find_library("jack")
        if found is None:
            raise OSError("the JACK library is not found")
        self._jack = _declared(ctypes.CDLL(found))
        status = ctypes.c_int()
        self._client = self._jack.jack_client_open(
            name.encode(), _NO_START_SERVER, ctypes.byref(status)
        )
        if not self._client:
            raise OSError("the JACK server does not answer")

    def edges(self) -> frozenset[Edge]:
        """All connections of our MIDI ports, in either direction."""
        jack, found = self._jack, set[Edge]()
        for port in self._names(jack.jack_get_ports(self._client, None, _MIDI, 0)):
            handle = jack.jack_port_by_name(self._client, port) if self._is_ours(port) else None
            if handle:
                for peer in self._names(jack.jack_port_get_all_connections(self._client, handle)):
                    found.add((port.decode(errors="replace"), peer.decode(errors="replace")))
        return frozenset(found)

    def _is_ours(self, port: bytes) -> bool:
        return port.startswith(self._ours)

    def close(self) -> None:
        """Let go of the client."""
        self._jack.jack_client_close(self._client)

    def _names(self, listed: Any) -> Iterator[bytes]:
        """The texts of a list that ends with NULL; the list is given back."""
        if not listed:
            return
        texts: list[bytes] = []
        while (text := listed[len(texts)]) is not None:
            texts.append(text)
        self._jack.jack_free(listed)
        yield from texts


def _loaded() -> str | None:
    """The JACK library that this process uses already (Linux): the MIDI library brings its own,
    and two of them need not agree."""
    try:
        with open("/proc/self/maps", encoding="utf-8", errors="replace") as maps:
            paths = [line.rstrip("\n").partition("/")[2] for line in maps if "/libjack" in line]
    except OSError:
        return None
    return f"/{paths[0]}" if paths else None


def _declared(jack: Any) -> Any:
    texts = ctypes.POINTER(ctypes.c_char_p)
    client = port = ctypes.c_void_p
    for name, result, arguments in (
        ("jack_client_open", client, [ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(ctypes.c_int)]),
        ("jack_client_close", ctypes.c_int, [client]),
        ("jack_get_ports", texts, [client, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong]),
        ("jack_port_by_name", port, [client, ctypes.c_char_p]),
        ("jack_port_get_all_connections", texts, [client, port]),
        ("jack_free", None, [ctypes.c_void_p]),
    ):
        try:
            function = getattr(jack, name)
        except AttributeError:
            raise OSError(f"the JACK library has no {name}") from None
        function.restype, function.argtypes = result, arguments
    return jack
