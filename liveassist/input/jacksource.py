"""Whether the source of a stream on a JACK server is still connected with it.

When a source ends, its stream goes on with zeros, and does so even when the source comes back under
the same name: nothing connects them again. A device list cannot tell that from a source that is
muted; its connections can. Used in the children that hold or list audio only.

The client that asks is closed as soon as it has asked: such a child may be killed at any moment,
and a JACK server waits five seconds for the answer of each client that died beside another.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

from liveassist.jacklib import AUDIO, JackClient

CLIENT = "liveassist look"


class PortsBefore:
    """The ports there were before a stream is opened; what is new afterwards is the stream's."""

    def __init__(self) -> None:
        self._ports: frozenset[str] | None = None
        with contextlib.suppress(OSError), contextlib.closing(JackClient(CLIENT)) as jack:
            self._ports = frozenset(jack.ports(AUDIO))

    def ours(self, source: str) -> list[str]:
        """The stream's ports, once it runs: new, and connected with the client ``source``; empty
        where the server cannot be asked."""
        if self._ports is None:
            return []
        found: set[str] = set()
        with contextlib.suppress(OSError), contextlib.closing(JackClient(CLIENT)) as jack:
            for port in jack.ports(AUDIO):
                if port.startswith(f"{source}:"):
                    found.update(jack.connections(port))
        return sorted(found - self._ports)


def connected(ports: Sequence[str]) -> bool | None:
    """Whether any of ``ports`` is connected with anything; None where that cannot be asked.

    With anything: a person who connects them by hand is not in the way.
    """
    with contextlib.suppress(OSError), contextlib.closing(JackClient(CLIENT)) as jack:
        return any(jack.connections(port) for port in ports)
    return None
