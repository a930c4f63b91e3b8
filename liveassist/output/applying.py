"""Between the commands that arm, apply and undo and the outputs that send: see `apply`.

Whether anybody is there is found out by each output on its own thread (`Worker.deliver`), before
arming, every `WATCH_S` while armed, and before and after sending. Nobody waits for that here: a
command that waits is answered when the outputs have reported.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Protocol

from liveassist.model import Snapshot

from .addresses import ROOT
from .apply import ApplyDesk, Outcome, Plan, Sending
from .commands import Command
from .osc_codec import OscMessage
from .worker import Delivery

#: An output that has not begun with a delivery after so long is not waited for; then it is never
#: sent. Seconds; the answer must come within the 2 s that a command waits for one.
PATIENCE_S = 1.0
#: While a microphone is armed its outputs are tried so often, seconds.
WATCH_S = 1.0


class Sayer(Protocol):
    """What can be told to deliver messages."""

    def deliver(self, messages: Sequence[bytes | OscMessage]) -> Future[Delivery]:
        """Begin a delivery; without messages: find out whether anybody is there."""


@dataclass(slots=True)
class _Job:
    """A command that waits for outputs. ``reports``: by output; ``sending``: whether messages
    are on their way, rather than whether anybody is there being found out."""

    command: Command
    mic: str
    since: float
    reports: dict[str, Future[Delivery]]
    plan: Plan | None = None
    sendings: tuple[Sending, ...] = ()
    sending: bool = False
    called_off: bool = False


@dataclass(slots=True)
class _Watch:
    """Tries of the outputs of what is armed. ``lives``: by microphone and output, as it was when
    it was armed."""

    next_at: float = 0.0
    reports: dict[str, Future[Delivery]] = field(default_factory=dict)
    lives: dict[str, dict[str, int]] = field(default_factory=dict)


class Applying:
    """Carries out apply/* commands. Called on the daemon's thread only."""

    def __init__(
        self, output: Callable[[str], Sayer | None], tell: Callable[[OscMessage], None]
    ) -> None:
        self.desk = ApplyDesk(())
        #: The microphone that a name means: its own, or that of a drum.
        self.mic_named: Callable[[str], str | None] = lambda name: name
        self._output, self._tell = output, tell
        self._snapshot: Snapshot | None = None
        self._said: set[str] = set()
        self._jobs: list[_Job] = []
        self._watch = _Watch()

    @property
    def busy(self) -> bool:
        """Whether a command waits for an output."""
        return bool(self._jobs)

    def look(self, health: Mapping[str, str], now: float, snapshot: Snapshot) -> None:
        """Keep the latest figures, disarm what lost its output or ran out, and say so."""
        self._snapshot = snapshot
        self.desk.watch(health)
        self._try_armed(now)
        self._announce(now)

    def command(self, command: Command, health: Mapping[str, str], now: float) -> Outcome | None:
        """Carry out one command; None if it waits for an output (see `go_on`)."""
        given = str(command.args[0]) if command.args else ""
        mic = self.mic_named(given) or given
        outcome: Outcome | None
        if command.name == "apply/disarm":
            outcome = self._disarm(mic)
        elif any(job.mic == mic for job in self._jobs):
            outcome = Outcome(False, f"the command before about {mic} is not done yet")
        elif command.name == "apply/arm":
            found = self.desk.ready(mic, self._snapshot, health)
            if isinstance(found, str):
                outcome = Outcome(False, found)
            else:
                outcome = None
                outputs = self._find(self.desk.outputs(mic))
                self._jobs.append(_Job(command, mic, now, outputs))
        elif command.name == "apply/now":
            outcome = self._send(command, mic, self.desk.apply(mic, health, now), now)
        else:
            outcome = self._send(command, mic, self.desk.undo(mic, health, command.source), now)
        self._announce(now)
        return outcome

    def go_on(self, health: Mapping[str, str], now: float) -> list[tuple[Command, Outcome]]:
        """Go on with what waits; the commands that are done with, and what became of them."""
        done = []
        for job in list(self._jobs):
            outcome = self._step(job, health, now)
            if outcome is not None:
                self._jobs.remove(job)
                done.append((job.command, outcome))
        if done:
            self._announce(now)
        return done

    def _find(self, outputs: Iterable[str]) -> dict[str, Future[Delivery]]:
        return {to: self._deliver(to, ()) for to in outputs}

    def _deliver(self, to: str, messages: Sequence[bytes | OscMessage]) -> Future[Delivery]:
        output = self._output(to)
        if output is not None:
            return output.deliver(messages)
        nobody: Future[Delivery] = Future()
        nobody.set_result(Delivery("it is not there"))
        return nobody

    def _send(self, command: Command, mic: str, found: Outcome, now: float) -> Outcome | None:
        if found.plan is None:
            return found
        outputs = dict.fromkeys(control.to for control, _, _ in found.plan.values)
        job = _Job(command, mic, now, self._find(outputs), found.plan, found.sendings)
        self._jobs.append(job)
        return None

    def _disarm(self, mic: str) -> Outcome:
        """Take it back, also what is not sent yet."""
        outcome = self.desk.disarm(mic)
        stopped = False
        for job in self._jobs:
            if job.mic == mic and not job.sending:
                job.called_off = stopped = True
        return Outcome(True, "") if stopped else outcome

    def _step(self, job: _Job, health: Mapping[str, str], now: float) -> Outcome | None:
        """One look at a command that waits; its outcome if there is one."""
        time_s = 0.0 if self._snapshot is None else self._snapshot.time_s
        if job.called_off:
            if job.plan is not None:
                self.desk.not_sent(job.plan, "it was taken back", time_s)
            return Outcome(False, "it was taken back")
        failed = _failed(job.reports, now - job.since >= PATIENCE_S)
        if failed is None:
            return None
        if job.sending and job.plan is not None:
            return self.desk.settle(job.plan, failed, time_s)
        if job.plan is None:
            return self._arm(job, failed, health, now)
        if not failed and not job.plan.undo and self._came_back(job.mic, job.reports):
            failed = {job.plan.values[0][0].to: "it went away and came back: arm anew"}
        if failed:
            self.desk.not_sent(job.plan, _words(failed), time_s)
            return Outcome(False, f"nothing was sent: {_words(failed)}")
        messages: dict[str, list[bytes | OscMessage]] = {}
        for sending in job.sendings:
            messages.setdefault(sending.to, []).append(sending.message)
        job.reports = {to: self._deliver(to, found) for to, found in messages.items()}
        job.since, job.sending = now, True
        return None

    def _arm(
        self, job: _Job, failed: Mapping[str, str], health: Mapping[str, str], now: float
    ) -> Outcome:
        if failed:
            return Outcome(False, _words(failed))
        command = job.command
        present = float(command.args[1]) if len(command.args) > 1 else None
        armed = self.desk.arm(job.mic, present, self._snapshot, health, now, command.source)
        self._watch.lives[job.mic] = {to: f.result().life for to, f in job.reports.items()}
        self._watch.next_at = now + WATCH_S
        return armed

    def _came_back(self, mic: str, reports: Mapping[str, Future[Delivery]]) -> bool:
        """Whether an output was lost since the microphone was armed, however shortly."""
        known = self._watch.lives.get(mic, {})
        return any(
            to in known and known[to] != report.result().life for to, report in reports.items()
        )

    def _try_armed(self, now: float) -> None:
        """Find out now and then whether the devices of what is armed are still there."""
        watch, armed = self._watch, self.desk.armed(now)
        over = now >= watch.next_at + PATIENCE_S
        lost = _failed(watch.reports, over) if watch.reports else {}
        if lost is not None:
            for mic in armed:
                known = set(watch.lives.get(mic, {})) & set(watch.reports)
                reports = {to: watch.reports[to] for to in known}
                if set(lost) & known or self._came_back(mic, reports):
                    self.desk.disarm(mic)
            watch.reports = {}
        if armed and not watch.reports and now >= watch.next_at:
            outputs = {to for mic in armed for to in self.desk.outputs(mic)}
            watch.reports = self._find(sorted(outputs))
            watch.next_at = now + WATCH_S

    def _announce(self, now: float) -> None:
        """Tell every OSC output which microphones are armed, when that changes."""
        armed = self.desk.armed(now)
        for mic in sorted(set(armed) ^ self._said):
            left = float(armed.get(mic, 0.0))
            self._tell(OscMessage(f"{ROOT}/apply/armed", "sf", (mic, left)))
        self._said = set(armed)


def _failed(reports: Mapping[str, Future[Delivery]], over: bool) -> dict[str, str] | None:
    """Why outputs did not get it; None while one has not reported. ``over``: what has not begun
    yet is called off."""
    failed = {}
    for to, report in reports.items():
        if report.cancelled() or (over and report.cancel()):
            failed[to] = "it does not answer"
        elif not report.done():
            return None
        elif report.result().why:
            failed[to] = report.result().why
    return failed


def _words(failed: Mapping[str, str]) -> str:
    return "; ".join(f"{to}: {why}" for to, why in failed.items())
