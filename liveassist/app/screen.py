"""The dashboard and the keyboard as one output of a session that runs in this process."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TextIO

from liveassist.app.interrupt import StopFlag
from liveassist.app.steering import Steering
from liveassist.model import Event, OutputState, Snapshot

if TYPE_CHECKING:
    from liveassist.output.keys import Command


class Screen:
    """Draws every snapshot it is given and carries out what the keys ask for.

    ``stop`` is asked to end the session when the person quits. ``plain``: sentences instead of
    pictures, for screen readers.
    """

    def __init__(
        self, steering: Steering, stop: StopFlag, stream: TextIO, *, plain: bool = False
    ) -> None:
        from rich.console import Console

        from liveassist.output.keys import KeyReader
        from liveassist.output.terminal import Dashboard

        self._steering = steering
        self._stop = stop
        self._keys = KeyReader().open()
        self._dashboard = Dashboard(Console(file=stream), plain=plain)

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: a screen shows figures."""

    def figures(self, snapshot: Snapshot) -> None:
        """Carry out keys pressed since last time, then draw."""
        for command in self._keys.poll():
            self._carry_out(self._dashboard.handle(command))
        self._dashboard.draw(snapshot)

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: whoever sees the screen sees its health."""
        return ()

    def close(self) -> None:
        """Give screen and keyboard back."""
        self._keys.close()
        self._dashboard.close()

    def _carry_out(self, command: Command | None) -> None:
        if command == "quit":
            self._stop.request()
        elif command is not None:
            alert = self._dashboard.put_away if command == "silence_alert" else None
            self._steering.press(command, alert, self._dashboard.subject(command))
