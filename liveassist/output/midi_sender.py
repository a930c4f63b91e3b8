"""What goes down one MIDI wire and when: only changes, never faster than the wire.

No thread, clock or port: the time is an argument and the messages to send are the result. Bytes
are counted as the wire takes them (31,250 baud carry 3,125 a second), so it is known how many still
wait in the port. A figure is only given to it while next to nothing waits there: a display full of
figures arrives late rather than making a hit late. Hits are always sent, up to a bound of their
own.
"""

from __future__ import annotations

import heapq
from collections import deque

from liveassist.model import Event, Snapshot

from .midi_codec import MidiReader
from .midi_map import hit_notes, surface_messages
from .surface_model import MidiPort, Surface

#: A hit is dropped when hits alone have this much of the wire before them, seconds: 20 at once.
HITS_AHEAD_S = 0.2
#: A figure waits while more than this is before it on the wire, seconds: so much later a hit comes
#: that is found just after, and the figure's own length.
FIGURES_AHEAD_S = 0.01
#: Half a period of blinking, seconds (well below three flashes a second: WCAG 2.1, 2.3.1).
BLINK_HALF_S = 0.5
#: A port that says within this what it was told is repeating it, seconds; so many messages are
#: remembered.
ECHO_S = 0.25
ECHO_MESSAGES = 256
#: The span over which bytes a second are counted for display, seconds.
RATE_SPAN_S = 1.0


class MidiSender:
    """State of one port: what stands on its controls, and the budget."""

    def __init__(self, surface: Surface, port: MidiPort) -> None:
        self._surface = surface
        self._port = port
        self._sent: dict[str, bytes] = {}
        self._sent_at: dict[str, int] = {}
        self._snapshot: Snapshot | None = None
        #: What should stand where, on which page and in which half of blinking: worked out once
        #: a snapshot, not every few milliseconds in which the wire takes a little of it.
        self._wanted: tuple[tuple[int, bool], dict[str, bytes]] | None = None
        self._offs: list[tuple[float, int, bytes]] = []
        self._ahead = 0.0  # bytes the wire has not carried yet, by count
        self._hits_ahead = 0.0  # of hits alone
        self._counted_at: float | None = None
        self._recent: deque[tuple[float, int]] = deque()
        self._recent_bytes = 0
        self._serial = 0
        self._said: dict[bytes, float] = {}
        self.page = 1
        self.dropped = 0

    def forget(self) -> None:
        """The port came back: its controls may stand anywhere, so send all of them again."""
        self._sent.clear()
        self._offs.clear()

    def show(self, snapshot: Snapshot) -> None:
        """Take over the figures to be shown."""
        self._snapshot, self._wanted = snapshot, None

    def event(self, event: Event, now: float) -> list[bytes]:
        """The notes to send at once for an event. One beyond the bound is dropped and counted."""
        self._drain(now)
        messages: list[bytes] = []
        for hit, on, off in hit_notes(event, self._surface, self._port.name):
            if hit.page not in (0, self.page):
                continue
            if self._hits_ahead > self._port.bytes_per_s * HITS_AHEAD_S:
                self.dropped += 1
                continue
            self._hits_ahead += len(on)
            messages.append(self.spend(on, now))
            self._serial += 1
            heapq.heappush(self._offs, (now + hit.length_ms / 1000.0, self._serial, off))
        return messages

    def due(self, now: float) -> list[bytes]:
        """Everything else to send now: ends of notes, then changed controls while the wire has
        room."""
        self._drain(now)
        messages: list[bytes] = []
        while self._offs and self._offs[0][0] <= now:
            messages.append(self.spend(heapq.heappop(self._offs)[2], now))
        for name, message in self._changed(now):
            if self._ahead > self._port.bytes_per_s * FIGURES_AHEAD_S:
                break
            messages.append(self.spend(message, now))
            self._serial += 1
            self._sent[name], self._sent_at[name] = message, self._serial
        return messages

    def wait_s(self, now: float) -> float:
        """How long nothing needs to be sent unless something happens, seconds."""
        waits = [BLINK_HALF_S]
        if self._offs:
            waits.append(self._offs[0][0] - now)
        if self._changed(now):
            waits.append(self._ahead / self._port.bytes_per_s - FIGURES_AHEAD_S)
        return max(0.001, min(waits))

    def bytes_per_s(self, now: float) -> float:
        """Bytes sent over the last second."""
        while self._recent and self._recent[0][0] <= now - RATE_SPAN_S:
            self._recent_bytes -= self._recent.popleft()[1]
        return self._recent_bytes / RATE_SPAN_S

    def is_echo(self, message: bytes, now: float) -> bool:
        """Whether a message that came in only repeats what was just sent on the same port."""
        return now - self._said.get(message, -ECHO_S) < ECHO_S

    def last_words(self, now: float) -> list[bytes]:
        """Ends of all notes that still sound, for a clean goodbye."""
        messages = [self.spend(off, now) for _, _, off in sorted(self._offs)]
        self._offs.clear()
        return messages

    def _changed(self, now: float) -> list[tuple[str, bytes]]:
        """Controls that do not stand where they should, the longest unsent first."""
        if self._snapshot is None:
            return []
        dark = bool(int(now / BLINK_HALF_S) % 2)
        looks = (self.page, dark)
        if self._wanted is None or self._wanted[0] != looks:
            shown = surface_messages(self._surface, self._port.name, self._snapshot, *looks)
            self._wanted = (looks, shown)
        wanted = self._wanted[1]
        changed = [(name, data) for name, data in wanted.items() if self._sent.get(name) != data]
        return sorted(changed, key=lambda item: self._sent_at.get(item[0], 0))

    def spend(self, message: bytes, now: float) -> bytes:
        """Count a message that is being sent; returns it."""
        self._ahead += len(message)
        self._recent.append((now, len(message)))
        self._recent_bytes += len(message)
        self.bytes_per_s(now)
        for single in MidiReader().feed(message):
            self._said.pop(single, None)
            self._said[single] = now
        if len(self._said) > ECHO_MESSAGES:
            del self._said[next(iter(self._said))]
        return message

    def _drain(self, now: float) -> None:
        """Take off what the wire has carried since the last time."""
        if self._counted_at is not None:
            carried = max(0.0, now - self._counted_at) * self._port.bytes_per_s
            self._ahead = max(0.0, self._ahead - carried)
            self._hits_ahead = max(0.0, self._hits_ahead - carried)
        self._counted_at = now
