"""The dashboard and the keyboard as one output of a session that runs in this process."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TextIO

from liveassist.app.interrupt import StopFlag
from liveassist.app.steering import Steering
from liveassist.model import Event, OutputState, Snapshot

if TYPE_CHECKING:
    from liveassist.output.terminal import Press


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
        for press in self._dashboard.typed(self._keys.typed()):
            self._carry_out(press)
        self._dashboard.draw(snapshot)

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: whoever sees the screen sees its health."""
        return ()

    def close(self) -> None:
        """Give screen and keyboard back."""
        self._keys.close()
        self._dashboard.close()

    def _carry_out(self, press: Press) -> None:
        if press.command == "quit":
            self._stop.request()
        elif press.text:
            self._steering.write(press.command, press.text, press.take)
        else:
            self._steering.press(press.command, press.alert, press.take)
