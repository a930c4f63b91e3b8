"""`liveassist watch`, `status` and `stop`: what one asks of a daemon that runs elsewhere."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

from liveassist.app.controlclient import Connection, choose_running
from liveassist.app.interrupt import StopFlag
from liveassist.app.rundir import running
from liveassist.app.steering import KEY_COMMANDS
from liveassist.app.wire import read_snapshot
from liveassist.errors import LiveassistError
from liveassist.input.childproc import package_environment
from liveassist.model import Event, OutputState, Snapshot

#: How often keys are looked at, seconds.
_KEYS_S = 0.05
#: How long a dashboard of ours may take to give the terminal back, seconds.
_FAREWELL_S = 3.0


def status(instance: str | None, out: TextIO) -> int:
    """Print what each running daemon, or the one named, says of itself; 1 if none runs."""
    chosen = [choose_running(instance)] if instance is not None else running()
    if not chosen:
        choose_running(None)
    for one in chosen:
        with Connection(one.socket) as daemon:
            answer = daemon.answer("status")["status"]
        print(f"{one.name}:", file=out)
        for line in status_lines(answer):
            print(f"  {line}", file=out)
    return 0


def status_lines(answer: dict[str, Any]) -> list[str]:
    """The daemon's answer in words, a line each."""
    state = answer.get("state", "starting")
    note = f": {answer['note']}" if answer.get("note") else ""
    rate = answer.get("sample_rate_hz")
    lines = [
        f'process {answer.get("pid")} on "{answer.get("device")}" at {rate} Hz: {state}{note}',
        f"heard {_clock(answer.get('heard_s', 0.0))}, "
        f"lost {_lost(answer.get('lost_samples', 0), rate)}"
        f"{_overrun(answer.get('overrun_samples', 0), rate)}, "
        f"device reopened {answer.get('device_restarts', 0)} times, "
        f"analysis uses {100 * answer.get('load', 0.0):.1f} % of real time",
        f"watchers {answer.get('watchers', 0)} (dropped {answer.get('watchers_dropped', 0)}, "
        f"pictures skipped {answer.get('snapshots_skipped', 0)})",
    ]
    lines += [str(line) for line in answer.get("outputs", ())]
    if answer.get("giving_way"):
        lines.append(f"overloaded: {answer['giving_way']}")
    if answer.get("out"):
        lines.append(f"writes to {answer['out']}")
    return lines


def _lost(samples: int, rate_hz: float | None) -> str:
    """``11.8 s of sound (564621 samples)``: nobody counts in samples."""
    if not samples:
        return "nothing"
    return f"{samples / rate_hz:.3g} s of sound ({samples} samples)" if rate_hz else f"{samples}"


def _overrun(samples: int, rate_hz: float | None) -> str:
    """Whose fault a loss was, where it was ours: closing programs helps then, a cable does not."""
    return f", {_lost(samples, rate_hz)} of it read too late" if samples else ""


def _clock(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}"


def stop(instance: str | None, out: TextIO) -> int:
    """Ask the daemon to end, and wait until its files are written."""
    chosen = choose_running(instance)
    with Connection(chosen.socket) as daemon:
        daemon.answer("stop")
        if not daemon.wait_for_end():
            raise LiveassistError(
                f"Process {chosen.pid} was asked to stop and is still writing; look again with: "
                "liveassist status"
            )
    print("Stopped; its files are written.", file=out)
    return 0


def watch(
    instance: str | None, out: TextIO, socket: Path | None = None, *, plain: bool = False
) -> int:
    """Show the daemon's dashboard here until it ends or the quit key is pressed; ``plain``: in
    sentences, for screen readers.

    ``socket``: attach to this one; the quit key then ends the daemon too, because its own
    terminal is what it is shown on.
    """
    own = socket is not None
    path = socket if socket is not None else choose_running(instance).socket
    if not out.isatty() and not plain:
        raise LiveassistError(
            "The dashboard needs a terminal; without one give --plain, which says it in sentences"
        )
    from rich.console import Console

    from liveassist.output.keys import KeyReader
    from liveassist.output.osc_messages import alert_id
    from liveassist.output.terminal import Dashboard

    with (
        StopFlag() as stopped,
        Connection(path) as daemon,
        KeyReader() as keys,
        Dashboard(Console(file=out), plain=plain) as board,
    ):
        daemon.send("watch")
        while not daemon.ended and board.active and not stopped.requested:
            newest = None
            for line in daemon.lines(_KEYS_S):
                newest = line.get("snapshot", newest)
            if newest is not None:
                board.draw(_readable(newest))
            for press in board.typed(keys.typed()):
                if press.command == "quit":
                    if own:
                        daemon.send("stop")
                    return 0
                if press.text:
                    words = [KEY_COMMANDS[press.command], press.text, press.take]
                    daemon.send("tell", json.dumps(words))
                elif press.command in KEY_COMMANDS:
                    about = alert_id(press.alert) if press.alert is not None else press.take
                    daemon.send(press.command, about)
        ended = daemon.ended
    if ended and not own:
        print("The daemon has ended.", file=out)
    return 0


def _readable(plain: Any) -> Any:
    try:
        return read_snapshot(plain)
    except ValueError as problem:
        raise LiveassistError(
            f"The running daemon speaks another version of this program ({problem}); "
            "use the version that started it."
        ) from None


class AttachedDashboard:
    """The dashboard of `listen` on its own terminal, as a process attached to ``socket``.

    An output of the session in name only: what it shows comes over the socket.
    """

    def __init__(self, socket: Path, err: TextIO, *, plain: bool = False) -> None:
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "liveassist.app.watch",
                str(socket),
                *(["plain"] if plain else []),
            ],
            env=package_environment(),
        )
        self._err = err
        self._missed = False

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: it hears of them over the socket."""

    def figures(self, snapshot: Snapshot) -> None:
        """Say once if the dashboard has ended by itself."""
        if not self._missed and self._process.poll() not in (None, 0):
            self._missed = True
            print(
                "liveassist: the dashboard has ended; still listening. Show it again with: "
                "liveassist watch, end with Ctrl-C",
                file=self._err,
            )

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: whoever sees the screen sees its health."""
        return ()

    def close(self) -> None:
        """Make it give the terminal back and wait until it has. May be called twice."""
        if self._process.poll() is not None:
            return
        self._process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_FAREWELL_S)
            return
        self._process.kill()
        self._process.wait()


if __name__ == "__main__":
    # The dashboard of a daemon on the daemon's own terminal (see AttachedDashboard).
    try:
        raise SystemExit(watch(None, sys.stdout, Path(sys.argv[1]), plain="plain" in sys.argv[2:]))
    except LiveassistError as error:
        print(f"liveassist: {error}", file=sys.stderr)
        raise SystemExit(error.exit_code) from None
