"""What goes down one MIDI wire and when: only changes, never faster than the wire.

No thread, clock or port: the time is an argument and the messages to send are the result. Hits go
first. Bytes are counted against the port's budget (31,250 baud carry 3,125 bytes a second), so a
display full of figures arrives late rather than making a hit late.
"""

from __future__ import annotations

import heapq
from collections import deque

from liveassist.model import Event, Snapshot

from .midi_codec import MidiReader
from .midi_map import hit_notes, surface_messages
from .surface_model import MidiPort, Surface

#: Bytes that may be sent at once after a pause, as a share of a second's budget.
BURST_S = 0.1
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
        self._offs: list[tuple[float, int, bytes]] = []
        self._tokens = self._burst = port.bytes_per_s * BURST_S
        self._filled_at: float | None = None
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
        self._snapshot = snapshot

    def event(self, event: Event, now: float) -> list[bytes]:
        """The notes to send at once for an event. One beyond the budget is dropped and counted."""
        self._fill(now)
        messages: list[bytes] = []
        for hit, on, off in hit_notes(event, self._surface, self._port.name):
            if hit.page not in (0, self.page):
                continue
            if self._tokens < -self._burst:
                self.dropped += 1
                continue
            messages.append(self.spend(on, now))
            self._serial += 1
            heapq.heappush(self._offs, (now + hit.length_ms / 1000.0, self._serial, off))
        return messages

    def due(self, now: float) -> list[bytes]:
        """Everything else to send now: ends of notes, then changed controls within the budget."""
        self._fill(now)
        messages: list[bytes] = []
        while self._offs and self._offs[0][0] <= now:
            messages.append(self.spend(heapq.heappop(self._offs)[2], now))
        for name, message in self._changed(now):
            if self._tokens < min(len(message), self._burst):
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
        waiting = next(iter(self._changed(now)), None)
        if waiting is not None:
            missing = min(len(waiting[1]), self._burst) - self._tokens
            waits.append(missing / self._port.bytes_per_s)
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
        wanted = surface_messages(self._surface, self._port.name, self._snapshot, self.page, dark)
        changed = [(name, data) for name, data in wanted.items() if self._sent.get(name) != data]
        return sorted(changed, key=lambda item: self._sent_at.get(item[0], 0))

    def spend(self, message: bytes, now: float) -> bytes:
        """Count a message that is being sent; returns it."""
        self._tokens -= len(message)
        self._recent.append((now, len(message)))
        self._recent_bytes += len(message)
        self.bytes_per_s(now)
        for single in MidiReader().feed(message):
            self._said.pop(single, None)
            self._said[single] = now
        if len(self._said) > ECHO_MESSAGES:
            del self._said[next(iter(self._said))]
        return message

    def _fill(self, now: float) -> None:
        if self._filled_at is not None:
            passed = max(0.0, now - self._filled_at)
            self._tokens = min(self._burst, self._tokens + passed * self._port.bytes_per_s)
        self._filled_at = now
