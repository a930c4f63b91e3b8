"""Surfaces named on the command line, opened as one output of a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from liveassist.app.resources import find_profile
from liveassist.app.steering import Outcome, csv_text
from liveassist.errors import ConfigError
from liveassist.model import ClockWord, Event, Kit, OutputState, Snapshot

if TYPE_CHECKING:
    from liveassist.output.apply import Applied
    from liveassist.output.commands import Command
    from liveassist.output.midi_time import Timing
    from liveassist.output.osc_codec import OscMessage
    from liveassist.output.router import Router
    from liveassist.output.surface_model import MidiPort, Surface

#: Carries out a command from a surface.
Obey = Callable[["Command"], Outcome]


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
        self.serve()

    def say(self, messages: Sequence[OscMessage]) -> None:
        """Queue messages of the table for every OSC output, each once."""
        for message in messages:
            self._router.tell(message)

    def serve(self) -> None:
        """Carry out the commands that came meanwhile."""
        for command in self._router.commands():
            outcome = self.obey(command)
            self._router.answer(command, outcome.done, outcome.words)

    def armed(self) -> Mapping[str, float]:
        """Microphones armed for applying, and the seconds each has left."""
        return self._router.armed()

    def timing(self) -> Mapping[str, Timing]:
        """What each MIDI input says about tempo and time code, by its name in the profile."""
        return self._router.timing()

    def clock_words(self) -> Mapping[MidiPort, Sequence[ClockWord]]:
        """What the recorder's clock said since the last call."""
        return self._router.clock_words()

    def files(self) -> Mapping[str, str]:
        """What was applied, as a file of the session, if anything was."""
        applied = self._router.applied()
        return {"applied.csv": applied_csv(applied)} if applied else {}

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


def _not_ready(_command: Command) -> Outcome:
    return Outcome(False, "not listening yet")


def refuse(_command: Command) -> Outcome:
    """Carries out nothing: a recording cannot be steered."""
    return Outcome(False, "a recording is being analysed; its takes are named on the command line")


def applied_csv(applied: Sequence[Applied]) -> str:
    """Every value for the engineer's device, with what was there before: sent, or not and why.

    Whether a device took what was sent nobody can know from here.
    """
    rows = (
        (
            f"{row.time_s:.3f}",
            row.mic,
            row.setting,
            f"{row.value:g}",
            "" if row.before is None else f"{row.before:g}",
            f"{'undo ' if row.undo else ''}{'sent' if row.sent else 'not sent'}",
            row.source,
            row.why,
        )
        for row in applied
    )
    return csv_text(("time_s", "mic", "setting", "value", "before", "what", "source", "why"), rows)


def state_lines(states: Sequence[OutputState]) -> Iterator[str]:
    """One line an output: how much it sent and how it is."""
    for state in states:
        note = f": {state.note}" if state.note else ""
        rate = "" if state.bytes_per_s is None else f"{state.bytes_per_s:.0f} bytes/s, "
        yield (
            f"{state.name} ({state.kind}): {state.sent} sent, {state.dropped} dropped, {rate}"
            f"{state.state}{note}"
        )
