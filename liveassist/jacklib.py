"""Asks a JACK server what is connected to what, which audio and MIDI libraries do not tell.

Used by the processes that hold audio or ports, never by the daemon itself: a server that hangs or
dies may take its clients with it. Where there is no JACK, or its library is not found, OSError.

Source of names, flags and ownership of lists: jack/jack.h and jack/types.h of the JACK API.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from typing import Any

AUDIO = "32 bit float mono audio"
MIDI = "8 bit raw midi"
_NO_START_SERVER = 0x01


class JackClient:
    """A client called ``name`` that only asks. OSError if there is no library or no server."""

    def __init__(self, name: str) -> None:
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

    def ports(self, kind: str) -> list[str]:
        """Names of all ports of one kind (`AUDIO`, `MIDI`)."""
        return self._names(self._jack.jack_get_ports(self._client, None, kind.encode(), 0))

    def connections(self, port: str) -> list[str]:
        """Names of the ports that ``port`` is connected to; empty where there is no such port."""
        handle = self._jack.jack_port_by_name(self._client, port.encode(errors=_ODD))
        if not handle:
            return []
        return self._names(self._jack.jack_port_get_all_connections(self._client, handle))

    def close(self) -> None:
        """Let go of the client."""
        self._jack.jack_client_close(self._client)

    def _names(self, listed: Any) -> list[str]:
        """The texts of a list that ends with NULL; the list is given back."""
        if not listed:
            return []
        texts: list[str] = []
        while (text := listed[len(texts)]) is not None:
            texts.append(text.decode(errors=_ODD))
        self._jack.jack_free(listed)
        return texts


#: Names that are not UTF-8 come through unharmed.
_ODD = "surrogateescape"


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
