"""The dashboard and the keyboard as one output of a session that runs in this process."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TextIO

from liveassist.app.interrupt import StopFlag
from liveassist.app.parts import PipelineLike
from liveassist.model import Event, OutputState, Snapshot, Take


class Screen:
    """Draws every snapshot it is given and carries out what the keys ask for.

    ``stop`` is asked to end the session when the person quits.
    """

    def __init__(self, pipeline: PipelineLike, stop: StopFlag, stream: TextIO) -> None:
        from rich.console import Console

        from liveassist.output.keys import KeyReader
        from liveassist.output.terminal import Dashboard

        self._pipeline = pipeline
        self._stop = stop
        self._keys = KeyReader().open()
        self._dashboard = Dashboard(Console(file=stream))
        self._take: Take | None = None

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: a screen shows figures."""

    def figures(self, snapshot: Snapshot) -> None:
        """Carry out keys pressed since last time, then draw."""
        self._take = snapshot.take
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

    def _carry_out(self, command: str | None) -> None:
        take = self._take
        if command == "quit":
            self._stop.request()
        elif command == "take_toggle":
            running = take is not None and take.end_s is None and not take.provisional
            if running:
                self._pipeline.stop_take()
            else:
                self._pipeline.start_take(None)
            self._dashboard.say("Take ended." if running else "Take started.")
        elif command == "set_reference":
            name = take.name if take is not None else None
            self._pipeline.set_reference(name)
            self._dashboard.say(f"Reference: {name or 'the first take'}.")
