"""Surfaces named on the command line, opened as one output of a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from liveassist.app.parts import PipelineLike
from liveassist.app.resources import find_profile
from liveassist.errors import ConfigError
from liveassist.model import Event, Kit, OutputState, Snapshot

if TYPE_CHECKING:
    from liveassist.output.commands import Command
    from liveassist.output.router import Router
    from liveassist.output.surface_model import Surface

#: Carries out a command from a surface; None if it was done, else why not.
Obey = Callable[["Command"], str | None]


class Surfaces:
    """All OSC targets and MIDI ports of a session, and the commands that come from them."""

    def __init__(self, router: Router, obey: Obey) -> None:
        self._router = router
        #: Who carries out commands; may be put in place once the analysis is there.
        self.obey = obey

    @property
    def left_out(self) -> tuple[str, ...]:
        """What the profiles ask for that the kit does not have, in words."""
        return self._router.left_out

    def events(self, events: Sequence[Event]) -> None:
        """Queue events for every output; never waits."""
        for event in events:
            self._router.publish(event)

    def figures(self, snapshot: Snapshot) -> None:
        """Queue figures for every output, and carry out the commands that came meanwhile."""
        self._router.publish_snapshot(snapshot)
        for command in self._router.commands():
            why = self.obey(command)
            self._router.answer(command, why is None, why or "")

    def states(self) -> tuple[OutputState, ...]:
        """Health of every output."""
        return self._router.states()

    def close(self) -> None:
        """Send what is queued and let everything go."""
        self._router.close()


def load_surfaces(given: Sequence[str]) -> list[Surface]:
    """The surfaces named by path or bundled name; ConfigError has the mistakes of all of them."""
    from liveassist.output.surfaces import load_surface

    surfaces, problems = [], list[str]()
    for name in given:
        try:
            surfaces.append(load_surface(find_profile("surfaces", name)))
        except ConfigError as error:
            problems += error.problems
    if problems:
        raise ConfigError(problems)
    return surfaces


def open_surfaces(surfaces: Sequence[Surface], kit: Kit, obey: Obey) -> Surfaces:
    """Open all targets and ports. OutputError if a port for commands is taken.

    A target or MIDI port that is not there is no error: its state says so, analysis goes on.
    """
    from liveassist.output.router import open_outputs

    return Surfaces(open_outputs(surfaces, kit), obey)


def open_outputs(given: Sequence[str], kit: Kit) -> Surfaces | None:
    """`load_surfaces` and `open_surfaces` in one; None if no surface is named.

    Commands are refused until ``obey`` is put in place.
    """
    surfaces = load_surfaces(given)
    return open_surfaces(surfaces, kit, _not_ready) if surfaces else None


def obey_takes(pipeline: PipelineLike) -> Obey:
    """Carries out what concerns takes and the reference; refuses the rest."""

    def obey(command: Command) -> str | None:
        name = str(command.args[0]) if command.args else None
        if command.name == "take/start":
            pipeline.start_take(name)
        elif command.name == "take/stop":
            pipeline.stop_take()
        elif command.name == "reference/set":
            pipeline.set_reference(name)
        else:
            return f"{command.name} is not possible here"
        return None

    return obey


def _not_ready(_command: Command) -> str:
    return "not listening yet"


def refuse(_command: Command) -> str:
    """Carries out nothing: a recording cannot be steered."""
    return "a recording is being analysed; its takes are named on the command line"


def state_lines(states: Sequence[OutputState]) -> Iterator[str]:
    """One line an output: how much it sent and how it is."""
    for state in states:
        note = f": {state.note}" if state.note else ""
        yield (
            f"{state.name} ({state.kind}): {state.sent} sent, {state.dropped} dropped, "
            f"{state.state}{note}"
        )
