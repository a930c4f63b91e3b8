"""MIDI ports on a real JACK server, as raw bytes: an instrument that records, a keyboard."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from types import TracebackType

import jack


class Recorder:
    """A JACK client with a MIDI input, as another program's or device's port appears.

    ``events`` collects (frame time, bytes) as the server delivered them.
    """

    def __init__(self, client: str, port: str = "in") -> None:
        self._client = jack.Client(client, no_start_server=True)
        self._port = self._client.midi_inports.register(port)
        self._lock = threading.Lock()
        self.events: list[tuple[int, bytes]] = []
        #: Called with every message, on the server's thread.
        self.tap: Callable[[bytes], None] | None = None
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, frames: int) -> None:
        begin = self._client.last_frame_time
        found = [(begin + at, bytes(data)) for at, data in self._port.incoming_midi_events()]
        if found:
            with self._lock:
                self.events += found
            if self.tap is not None:
                for _, data in found:
                    self.tap(data)

    def messages(self) -> list[bytes]:
        """The messages so far."""
        with self._lock:
            return [data for _, data in self.events]

    def close(self) -> None:
        """Take the port away."""
        self._client.deactivate()
        self._client.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class Keyboard:
    """A JACK client with a MIDI output that plays what it is told."""

    def __init__(self, client: str, port: str = "out") -> None:
        self._client = jack.Client(client, no_start_server=True)
        self._port = self._client.midi_outports.register(port)
        self._queue: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, frames: int) -> None:
        self._port.clear_buffer()
        offset = 0
        while offset < frames:
            try:
                data = self._queue.get_nowait()
            except queue.Empty:
                return
            self._port.write_midi_event(offset, data)
            offset += 1

    def play(self, data: bytes) -> None:
        """Play one message in the next period."""
        self._queue.put(data)

    def close(self) -> None:
        """Take the port away."""
        self._client.deactivate()
        self._client.close()

    def __enter__(self) -> Keyboard:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
