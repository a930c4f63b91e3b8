"""What our MIDI ports are connected to on a JACK server, from the server itself.

The MIDI library opens the n-th port of a list, and the list may change between reading and
opening; it also does not notice a device that went and came back within one look. So what it says
is compared with what the server says. Used in the port process only.
"""

from __future__ import annotations

from liveassist.jacklib import MIDI, JackClient

#: A port of ours, and one that it is connected to.
Edge = tuple[str, str]


class Links:
    """A client that only asks. `OSError` if there is no library or no server.

    ``ours``: how the names of our ports begin.
    """

    def __init__(self, name: str, ours: str) -> None:
        self._ours = ours
        self._jack = JackClient(name)

    def edges(self) -> frozenset[Edge]:
        """All connections of our MIDI ports, in either direction."""
        ours = (port for port in self._jack.ports(MIDI) if port.startswith(self._ours))
        return frozenset((port, peer) for port in ours for peer in self._jack.connections(port))

    def close(self) -> None:
        """Let go of the client."""
        self._jack.close()
