"""Ctrl-C (and a polite request to end) as a flag that is looked at between blocks.

Nothing is cut in the middle, so the files can be written whole. The first press stops, the second
says that writing is going on, the third gives up.
"""

from __future__ import annotations

import signal
import sys
import threading
from types import FrameType, TracebackType
from typing import Any, Self

_SIGNALS = (signal.SIGINT, signal.SIGTERM)


class StopFlag:
    """Context manager; ``requested`` turns true at the first signal.

    Outside the main thread signals cannot be caught; the flag then only turns by `request`.
    """

    def __init__(self) -> None:
        self._presses = 0
        self._before: dict[signal.Signals, Any] = {}

    @property
    def requested(self) -> bool:
        """Whether someone asked to stop."""
        return self._presses > 0

    def request(self) -> None:
        """Ask to stop, as Ctrl-C does."""
        self._presses = max(self._presses, 1)

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in _SIGNALS:
                self._before[number] = signal.signal(number, self._on_signal)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._presses += 1
        if self._presses == 2:
            sys.stderr.write("Writing the files; press Ctrl-C once more to give up.\n")
        elif self._presses > 2:
            raise KeyboardInterrupt
