"""Between the commands that arm, apply and undo and the outputs that send: see `apply`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from liveassist.model import Snapshot

from .addresses import ROOT
from .apply import ApplyDesk, Outcome
from .commands import Command
from .osc_codec import OscMessage


class Sayer(Protocol):
    """What can be told to send one message."""

    def say(self, message: bytes | OscMessage, table: bool) -> None:
        """Queue one message."""


class Applying:
    """Carries out apply/* commands. Called on the daemon's thread only."""

    def __init__(
        self, output: Callable[[str], Sayer | None], tell: Callable[[OscMessage], None]
    ) -> None:
        self.desk = ApplyDesk(())
        self._output, self._tell = output, tell
        self._snapshot: Snapshot | None = None
        self._said: set[str] = set()

    def look(self, health: Mapping[str, str], now: float, snapshot: Snapshot) -> None:
        """Keep the latest figures, disarm what lost its output or ran out, and say so."""
        self._snapshot = snapshot
        self.desk.watch(health)
        self._announce(now)

    def command(self, command: Command, health: Mapping[str, str], now: float) -> Outcome:
        """Carry out one command."""
        mic = str(command.args[0]) if command.args else ""
        time_s = 0.0 if self._snapshot is None else self._snapshot.time_s
        if command.name == "apply/arm":
            present = float(command.args[1]) if len(command.args) > 1 else None
            source = command.source
            outcome = self.desk.arm(mic, present, self._snapshot, health, now, source)
        elif command.name == "apply/disarm":
            outcome = self.desk.disarm(mic)
        elif command.name == "apply/now":
            outcome = self.desk.apply(mic, health, now, time_s)
        else:
            outcome = self.desk.undo(mic, health, time_s, command.source)
        for sending in outcome.sendings:
            output = self._output(sending.to)
            if output is not None:
                output.say(sending.message, table=False)
        self._announce(now)
        return outcome

    def _announce(self, now: float) -> None:
        """Tell every OSC output which microphones are armed, when that changes."""
        armed = self.desk.armed(now)
        for mic in sorted(set(armed) ^ self._said):
            left = float(armed.get(mic, 0.0))
            self._tell(OscMessage(f"{ROOT}/apply/armed", "sf", (mic, left)))
        self._said = set(armed)
