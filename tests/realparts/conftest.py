"""A real JACK audio and MIDI server for the tests marked ``realparts``.

The server is named by ``JACK_DEFAULT_SERVER`` (``ci`` if that is not set). A server of that name
which is already running is used as it is; otherwise one is started with the dummy driver and
stopped at the end. If none can be started the tests fail: they are never skipped. A lock file
keeps two test runs from sharing one server by accident.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

START_TIMEOUT_S = 20.0
LOCK_TIMEOUT_S = 300.0
POLL_S = 0.05


@dataclass(frozen=True)
class JackServer:
    """A running JACK server. ``started_here`` is false if it was running before the tests."""

    name: str
    rate_hz: int
    period_frames: int
    started_here: bool

    def ports(self) -> list[str]:
        """Names of all ports of the server now."""
        done = subprocess.run(["jack_lsp"], capture_output=True, text=True, timeout=10, check=False)
        return [line.strip() for line in done.stdout.splitlines() if line.strip()]

    def wait_for_port(self, name: str, timeout_s: float = 10.0) -> None:
        """Wait until a port called ``name`` exists; fails the test if it does not appear."""
        wait_until(lambda: name in self.ports(), timeout_s, f"the JACK port {name!r}")


def wait_until(condition: Callable[[], bool], timeout_s: float, what: str) -> None:
    """Poll ``condition`` until it holds; fails the test, naming ``what``, when time is up."""
    end = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end:
            pytest.fail(f"waited {timeout_s:.0f} s for {what} in vain")
        time.sleep(POLL_S)


def _answers(name: str) -> bool:
    done = subprocess.run(
        ["jack_lsp", "-s", name], capture_output=True, text=True, timeout=10, check=False
    )
    return done.returncode == 0


def _lock(name: str) -> int:
    """Take the lock of this server name, waiting for another test run to finish with it."""
    path = Path(tempfile.gettempdir()) / f"liveassist-jack-{name}-{os.getuid()}.lock"
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o600)
    end = time.monotonic() + LOCK_TIMEOUT_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                os.close(handle)
                pytest.fail(f"another test run has used the JACK server {name!r} for too long")
            time.sleep(0.2)
        else:
            return handle


def _start(name: str, rate_hz: int, period: int, log: Path) -> subprocess.Popen[bytes]:
    command = ["jackd", "-n", name, "-p", "256", "-S", "-r", "-d", "dummy"]
    command += ["-r", str(rate_hz), "-p", str(period), "-C", "2", "-P", "2"]
    with log.open("wb") as out:
        server = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
    end = time.monotonic() + START_TIMEOUT_S
    while not _answers(name):
        if server.poll() is not None or time.monotonic() > end:
            server.kill()
            server.wait()
            pytest.fail(
                f"jackd could not be started as {' '.join(command)!r}; it said:\n"
                + log.read_text(errors="replace")
            )
        time.sleep(POLL_S)
    return server


@pytest.fixture(scope="session")
def jack_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JackServer]:
    """A running JACK server at 48 kHz, 1,024 frames a period, reached by the environment.

    ``JACK_DEFAULT_SERVER`` is set, and ``JACK_NO_START_SERVER`` keeps a client that comes too
    late from starting a server of its own.
    """
    for tool in ("jackd", "jack_lsp"):
        if shutil.which(tool) is None:
            pytest.fail(f"{tool} is not installed: apt-get install jackd2")
    name = os.environ.get("JACK_DEFAULT_SERVER") or "ci"
    rate_hz, period = 48_000, 1024
    old = {key: os.environ.get(key) for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER")}
    os.environ.update(JACK_DEFAULT_SERVER=name, JACK_NO_START_SERVER="1")
    handle = _lock(name)
    server = None
    try:
        if not _answers(name):
            log = tmp_path_factory.mktemp("jackd") / "jackd.log"
            server = _start(name, rate_hz, period, log)
        yield JackServer(name, rate_hz, period, server is not None)
    finally:
        if server is not None:
            server.terminate()
            try:
                server.wait(timeout=10)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
        os.close(handle)
        for key, value in old.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
