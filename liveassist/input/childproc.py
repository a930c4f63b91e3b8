"""Starts, hears and kills the capture child (see `capture_child`)."""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

from liveassist.input.capture_child import RECORD, TOLD

#: Lines of library chatter kept to explain a death, and bytes of one line.
_CHATTER_LINES = 8
_LINE_BYTES = 64 * 1024
_READ_BYTES = RECORD.size * 512
#: How long a child may take to close its audio when told to leave, seconds; nothing is heard then.
LEAVE_S = 0.5
#: Where a pipe cannot be waited for (Windows), how often it is looked at, seconds.
_POLL_S = 0.002


def package_environment() -> dict[str, str]:
    """The environment in which ``python -m liveassist...`` finds this very package."""
    package_root = str(Path(__file__).resolve().parents[2])
    path = os.environ.get("PYTHONPATH")
    joined = package_root if not path else package_root + os.pathsep + path
    return {**os.environ, "PYTHONPATH": joined}


class CaptureProcess:
    """One life of the child. `wait` hears it; `records` and `messages` are taken by the caller."""

    def __init__(self, asked: dict[str, Any], share_fd: int = -1) -> None:
        """Start it. ``asked`` is the child's JSON argument; ``share_fd`` the ring's memory."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "liveassist.input.capture_child", json.dumps(asked)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            env=package_environment(),
            pass_fds=(share_fd,) if share_fd >= 0 else (),
            # Ctrl-C in the terminal is the daemon's to handle; the child ends when told.
            start_new_session=True,
        )
        assert self._process.stdout is not None
        assert self._process.stderr is not None
        self._record_fd = self._process.stdout.fileno()
        self._text_fd = self._process.stderr.fileno()
        for fd in (self._record_fd, self._text_fd):
            os.set_blocking(fd, False)
        self._open_fds = {self._record_fd, self._text_fd}
        self._part_record = b""
        self._part_line = b""
        self.records: deque[tuple[int, int, int]] = deque(maxlen=65536)
        self.messages: deque[dict[str, Any]] = deque(maxlen=64)
        self.chatter: deque[str] = deque(maxlen=_CHATTER_LINES)

    @property
    def pid(self) -> int:
        """Process number of the child."""
        return self._process.pid

    @property
    def ended(self) -> bool:
        """Whether both of its pipes are at their end: it will say nothing more."""
        return not self._open_fds

    def wait(self, timeout_s: float) -> None:
        """Wait until the child says something or ends, at most ``timeout_s``; take it in."""
        if sys.platform == "win32":
            self._poll(timeout_s)
            return
        if not self._open_fds:
            return
        ready, _, _ = select.select(list(self._open_fds), [], [], max(0.0, timeout_s))
        if ready:
            self._take(ready)

    def _poll(self, timeout_s: float) -> None:
        deadline_s = time.monotonic() + timeout_s
        while self._open_fds:
            if self._take(list(self._open_fds)) or time.monotonic() >= deadline_s:
                return
            time.sleep(_POLL_S)

    def _take(self, fds: list[int]) -> bool:
        heard = False
        for fd in fds:
            try:
                data = os.read(fd, _READ_BYTES)
            except BlockingIOError:
                continue
            heard = True
            if not data:
                self._open_fds.discard(fd)
            elif fd == self._record_fd:
                self._take_records(data)
            else:
                self._take_text(data)
        return heard

    def _take_records(self, data: bytes) -> None:
        data = self._part_record + data
        whole = len(data) - len(data) % RECORD.size
        self._part_record = data[whole:]
        self.records.extend(RECORD.iter_unpack(data[:whole]))

    def _take_text(self, data: bytes) -> None:
        *lines, rest = (self._part_line + data).split(b"\n")
        self._part_line = rest[-_LINE_BYTES:]
        for line in lines:
            text = line.decode("utf-8", "replace")
            if text.startswith(TOLD):
                self.messages.append(json.loads(text[len(TOLD) :]))
            elif text.strip():
                self.chatter.append(text.strip())

    def kill(self) -> None:
        """End it and wait for it to be gone: at once where it does not leave when told. May be
        called twice."""
        self._part_from()
        _see_off(self._process)

    def let_go(self) -> None:
        """End it without waiting; it is seen to that it goes. May be called twice."""
        self._part_from()
        threading.Thread(target=_see_off, args=(self._process,), daemon=True).start()

    def _part_from(self) -> None:
        """Tell it to leave, and hear it no more."""
        if self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        self._open_fds.clear()


def _see_off(process: subprocess.Popen[bytes]) -> None:
    """Wait until it is gone, not for ever; what it says meanwhile is not read."""
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(LEAVE_S)
    # SIGKILL: a child caught inside a dead audio server answers to nothing less.
    process.kill()
    process.wait()
    for stream in (process.stdout, process.stderr):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
