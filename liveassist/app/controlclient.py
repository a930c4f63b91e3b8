"""The other end of the daemon's socket: find it, ask it, follow it."""

from __future__ import annotations

import json
import select
import socket
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from liveassist.app.nearest import did_you_mean
from liveassist.app.rundir import Running, running
from liveassist.errors import LiveassistError

#: How long an answer may take, seconds; the daemon looks at its orders ten times a second.
ANSWER_S = 5.0
#: How long the end may take, seconds: files of a long session are written whole.
END_S = 60.0
_READ_BYTES = 1 << 16
#: A line longer than this is not from our daemon.
_LONGEST_LINE = 16 << 20


def choose_running(name: str | None) -> Running:
    """The daemon called ``name``, or the only one. LiveassistError where that is not clear."""
    found = running()
    if not found:
        raise LiveassistError(
            "No session is running; start one with: liveassist listen (a demo or a replay is none: "
            "it is shown on its own screen only, its outputs too)"
        )
    if name is not None:
        for one in found:
            if one.name == name:
                return one
        raise LiveassistError(
            f"No daemon is called {name}{did_you_mean(name, [one.name for one in found])}; "
            f"running: {_names(found)}"
        )
    if len(found) > 1:
        raise LiveassistError(f"Several daemons are listening; name one of them: {_names(found)}")
    return found[0]


def _names(found: Sequence[Running]) -> str:
    return ", ".join(one.name for one in found)


class Connection:
    """A connection to a daemon. LiveassistError where there is none or it breaks off."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._heard = b""
        self.ended = False
        try:
            self._socket.settimeout(ANSWER_S)
            self._socket.connect(str(path))
        except OSError as problem:
            self._socket.close()
            raise LiveassistError(f"{path}: the daemon does not answer: {problem}") from None

    def send(self, do: str, what: str = "") -> None:
        """Ask or order something; what comes back is read by `lines` or `answer`."""
        request = {"do": do, "what": what} if what else {"do": do}
        try:
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        except OSError:
            self.ended = True

    def lines(self, timeout_s: float) -> Iterator[dict[str, Any]]:
        """What has come, after waiting at most ``timeout_s`` for something to come."""
        if self.ended or not select.select([self._socket], [], [], timeout_s)[0]:
            return
        try:
            data = self._socket.recv(_READ_BYTES)
        except OSError:
            data = b""
        if not data:
            self.ended = True
            return
        *lines, self._heard = (self._heard + data).split(b"\n")
        if len(self._heard) > _LONGEST_LINE:
            self.ended = True
            return
        for line in lines:
            answer = json.loads(line)
            if isinstance(answer, dict):
                yield answer

    def answer(self, do: str, what: str = "") -> dict[str, Any]:
        """Ask, and wait for the one answer."""
        self.send(do, what)
        deadline_s = time.monotonic() + ANSWER_S
        while not self.ended and time.monotonic() < deadline_s:
            for line in self.lines(deadline_s - time.monotonic()):
                if "error" in line:
                    raise LiveassistError(str(line["error"]))
                return line
        raise LiveassistError("The daemon does not answer.")

    def wait_for_end(self, timeout_s: float = END_S) -> bool:
        """Wait until the daemon closes the connection; whether it did in time."""
        deadline_s = time.monotonic() + timeout_s
        while not self.ended and time.monotonic() < deadline_s:
            for _ in self.lines(deadline_s - time.monotonic()):
                pass
        return self.ended

    def fileno(self) -> int:
        """For `select`."""
        return self._socket.fileno()

    def close(self) -> None:
        """Hang up. May be called twice."""
        self.ended = True
        self._socket.close()

    def __enter__(self) -> Connection:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
