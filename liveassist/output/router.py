"""From the analysis to every output, without the analysis ever waiting.

Each output has a thread of its own and a bounded queue; when an output is slow the oldest events
fall out and are counted. Of snapshots only the latest is kept. `open_outputs` builds everything a
set of surface profiles describes.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from liveassist.errors import OutputError
from liveassist.model import ClockWord, Event, Kit, LevelFrames, OutputState, Snapshot

from .apply import Applied, ApplyDesk
from .applying import Applying
from .commands import Command, completed
from .midi import MidiOutput, MidiPorts
from .midi_in import Presses
from .midi_time import Timing
from .osc import OscOutput
from .osc_codec import OscMessage
from .osc_desk import ALWAYS_HEARD
from .osc_server import OscServer
from .surface_bind import bind, find_mic
from .surface_model import HitNote, MidiPort, OscTarget, Surface
from .worker import Worker

#: Commands held until the daemon collects them.
MAX_COMMANDS = 64


class Router:
    """All outputs of a session. `publish` and `publish_snapshot` never wait."""

    def __init__(
        self,
        workers: Sequence[Worker] = (),
        ports: MidiPorts | None = None,
        servers: Sequence[OscServer] = (),
        left_out: Sequence[str] = (),
    ) -> None:
        self._workers = list(workers)
        self._ports = ports
        self._servers = list(servers)
        self._presses: Presses | None = None
        self._snapshot: Snapshot | None = None
        self._applying = Applying(self._worker_named, self.tell)
        self._commands: deque[Command] = deque()
        self._lock = threading.Lock()
        self._closed = False
        #: What the profiles ask for that the kit does not have, in words.
        self.left_out: tuple[str, ...] = tuple(left_out)

    def publish(self, event: Event) -> None:
        """Hand an event to every output. Level frames reach outputs through snapshots."""
        if not isinstance(event, LevelFrames):
            for worker in self._workers:
                worker.publish(event)

    def publish_snapshot(self, snapshot: Snapshot) -> None:
        """Hand the latest figures to every output."""
        self._snapshot = snapshot
        for worker in self._workers:
            worker.publish_snapshot(snapshot)
        self._applying.look(self._health(), time.monotonic(), snapshot)
        self._answer_applying()

    def states(self) -> tuple[OutputState, ...]:
        """Health of every output, in the order of the profiles."""
        now = time.monotonic()
        armed = self._applying.desk.armed_outputs(now)
        heard = {} if self._presses is None else self._presses.clock_notes(now)
        return tuple(_with_notes(worker.state(), armed, heard) for worker in self._workers)

    def offer(self, command: Command) -> bool:
        """Keep a command for the daemon; false if too many wait (any thread). There is room that
        is kept for what must not be missed."""
        with self._lock:
            spare = MAX_COMMANDS // 4 if command.name in ALWAYS_HEARD else 0
            if len(self._commands) >= MAX_COMMANDS + spare:
                return False
            self._commands.append(command)
            return True

    def commands(self) -> list[Command]:
        """Commands that came in since the last call, oldest first.

        Those that arm, apply and undo suggested settings are carried out here, not returned.
        """
        with self._lock:
            found = list(self._commands)
            self._commands.clear()
        others = [
            completed(command, self._snapshot)
            for command in found
            if not command.name.startswith("apply/")
        ]
        if len(others) < len(found):
            health, now = self._health(), time.monotonic()
            for command in found:
                if command.name.startswith("apply/"):
                    outcome = self._applying.command(command, health, now)
                    if outcome is not None:
                        self.answer(command, outcome.done, outcome.why)
        self._answer_applying()
        return others

    def _answer_applying(self) -> None:
        """Go on with what waits for an output, and answer what came of it."""
        if self._applying.busy:
            for command, outcome in self._applying.go_on(self._health(), time.monotonic()):
                self.answer(command, outcome.done, outcome.why)

    def armed(self) -> dict[str, float]:
        """Microphones armed for applying, and the seconds each has left."""
        return dict(self._applying.desk.armed(time.monotonic()))

    def applied(self) -> tuple[Applied, ...]:
        """Every setting that was applied or undone, with what was there before."""
        return tuple(self._applying.desk.log)

    def _health(self) -> dict[str, str]:
        return {worker.output.name: worker.state().state for worker in self._workers}

    def _worker_named(self, name: str) -> Worker | None:
        return next((w for w in self._workers if w.output.name == name), None)

    def tell(self, message: OscMessage) -> None:
        """Send one message of the table to every OSC output."""
        for worker in self._workers:
            worker.say(message, table=True)

    def answer(self, command: Command, done: bool, why: str = "") -> None:
        """Tell whoever gave a command what became of it."""
        for server in self._servers:
            server.answer(command.ticket, done, why)

    def timing(self) -> dict[str, Timing]:
        """Tempo and time code heard on each MIDI input, by the port's name in its profile."""
        return {} if self._presses is None else self._presses.timing()

    def clock_words(self) -> Mapping[MidiPort, Sequence[ClockWord]]:
        """What the recorder's clock said since the last call (see `Presses.clock_words`)."""
        return {} if self._presses is None else self._presses.clock_words()

    def close(self) -> None:
        """Send what is queued and let everything go, last opened first. May be called twice."""
        if self._closed:
            return
        self._closed = True
        for worker in reversed(self._workers):
            worker.close()
        if self._ports is not None:
            self._ports.close()

    def _add(self, worker: Worker) -> None:
        self._workers.append(worker)


def _with_notes(
    state: OutputState, armed: Mapping[str, str], heard: Mapping[str, str]
) -> OutputState:
    """An output that is about to change something says so wherever it is shown; a port, what
    clock it hears."""
    said = armed.get(state.name)
    note = f"{said.upper()}; {state.note}" if said else state.note
    if state.kind == "midi" and heard.get(state.name):
        note += f"; {heard[state.name]}"
    return replace(state, note=note) if note != state.note else state


def open_outputs(
    surfaces: Sequence[Surface], kit: Kit, clock: Callable[[], float] = time.time
) -> Router:
    """Open everything the surfaces describe. ``clock``: Unix time in seconds, for time tags.

    Raises OutputError if the port for OSC commands is taken. Targets and MIDI ports that are not
    there are a state, not an error: they are served when they come.
    """
    bound = [bind(surface, kit) for surface in surfaces]
    router = Router(left_out=[sentence for _, left_out in bound for sentence in left_out])
    controls = tuple(control for surface, _ in bound for control in surface.applies)
    router._applying.desk = ApplyDesk(controls)
    router._applying.mic_named = lambda name: find_mic(kit, name)
    try:
        for surface, _ in bound:
            for target in surface.osc:
                router._add(Worker(OscOutput(surface, target, kit, clock)))
            if surface.osc_in is not None:
                server = OscServer(surface.osc_in, kit, clock, router.offer)
                worker = Worker(server)
                server.wake = worker.wake
                router._servers.append(server)
                router._add(worker)
        _open_midi(router, [surface for surface, _ in bound])
    except OutputError:
        router.close()
        raise
    return router


def _open_midi(router: Router, surfaces: Sequence[Surface]) -> None:
    """One process for the ports of all surfaces, one worker for each port."""
    wanted = [(surface, port) for surface in surfaces for port in surface.midi]
    if not wanted:
        return
    presses = Presses(router.offer)
    router._presses = presses
    router._ports = ports = MidiPorts([port for _, port in wanted], presses.heard)
    for index, (surface, port) in enumerate(wanted):
        output = MidiOutput(surface, index, port, ports)
        worker = Worker(output)
        presses.add(port, surface, output, worker.wake)
        router._add(worker)


def demo_surface() -> Surface:
    """What the demonstration sends to: OSC to this computer, port 9000, and any MIDI port."""
    return Surface(
        name="demonstration",
        about="OSC to port 9000 of this computer, hits as notes to the first MIDI port",
        osc=(OscTarget("OSC 9000", "127.0.0.1", 9000),),
        midi=(MidiPort("MIDI", "*"),),
        hits=(
            HitNote("kick", "MIDI", "kick", 10, 36, 50.0, 0),
            HitNote("snare", "MIDI", "snare", 10, 38, 50.0, 0),
        ),
    )
