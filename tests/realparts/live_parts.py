"""An audio server of the test's own, which it may stall and kill, and a player beside it."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from liveassist.input.device import DeviceSource
from liveassist.model import Block, Drum, Kit, Mic
from tests.realparts.jack_player import WRAP

NAME = "ci-live"
RATE = 48_000
START_S = 20.0
LOCK_S = 180.0
PLAYER = Path(__file__).with_name("jack_player.py")


#: Columns of a block: a channel that counts, and one that holds its own number.
KIT = Kit(
    "yard",
    (Drum("snare", "snare", "counter"),),
    (Mic("fourth", 4), Mic("counter", 1), Mic("second", 2)),
)
#: How long anything may take before the test gives up, seconds.
PATIENCE_S = 30.0


class Server:
    """``jackd`` with the dummy driver. ``period`` frames; ``sync`` waits for every client.

    A long period keeps a busy machine from losing time: the dummy driver lets a whole period go
    when it comes late by more than one.
    """

    def __init__(self, period: int, *, sync: bool = True) -> None:
        self.period = period
        #: May be changed before `start` is called again.
        self.rate_hz = RATE
        self._mode = ["-S"] if sync else []
        self._lock = _lock()
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start it, and wait until it answers."""
        command = ["jackd", "-n", NAME, "-p", "256", *self._mode, "-r", "-d", "dummy"]
        command += ["-r", str(self.rate_hz), "-p", str(self.period), "-C", "2", "-P", "2"]
        if _answers():
            pytest.fail(f"a JACK server called {NAME} runs already, left by another run; end it")
        with tempfile.TemporaryFile() as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
            end_s = time.monotonic() + START_S
            while not _answers():
                if self._process.poll() is not None or time.monotonic() > end_s:
                    log.seek(0)
                    self.stop()
                    pytest.fail(f"jackd did not start: {log.read().decode(errors='replace')}")
                time.sleep(0.05)

    def signal(self, number: signal.Signals) -> None:
        """Send the server a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def kill(self) -> None:
        """End it as a crash would."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            try:
                self._process.wait(5.0)
            except subprocess.TimeoutExpired:
                self.kill()

    def close(self) -> None:
        """End it and let another test run have the name."""
        self.stop()
        os.close(self._lock)


class Player:
    """``jack_player.py`` as a process; its ports are an input device called ``name``."""

    def __init__(self, name: str, *what: str, program: Path = PLAYER) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(program), name, *what],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.expect("ready")

    def go(self) -> None:
        """Start the file."""
        assert self._process.stdin is not None
        self._process.stdin.write("go\n")
        self._process.stdin.flush()

    def expect(self, word: str) -> None:
        """Wait until the player says ``word``."""
        assert self._process.stdout is not None
        said = self._process.stdout.readline().strip()
        if said != word:
            self.kill()
            pytest.fail(f"the player said {said!r}, not {word!r}")

    def kill(self) -> None:
        """End it at once. May be called twice."""
        self._process.kill()
        self.close()

    def close(self) -> None:
        """End it in order, so that the server need not find out. May be called twice."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()


def _answers() -> bool:
    done = subprocess.run(["jack_lsp", "-s", NAME], capture_output=True, timeout=10, check=False)
    return done.returncode == 0


def _lock() -> int:
    """Take the server's name, waiting for another test run to be done with it."""
    path = Path(tempfile.gettempdir()) / f"liveassist-jack-{NAME}-{os.getuid()}.lock"
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o600)
    end_s = time.monotonic() + LOCK_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end_s:
                os.close(handle)
                pytest.fail(f"another test run has used the JACK server {NAME!r} for too long")
            time.sleep(0.2)
        else:
            return handle


def check_columns(block: Block) -> None:
    assert (block.audio[:, 0] == 4.0).all()
    assert (block.audio[:, 2] == 2.0).all()


def counter(block: Block) -> np.ndarray:
    return block.audio[:, 1].astype(np.int64)


class Reader:
    """Reads a source and keeps account of what the counter says is missing.

    ``exact``: audio may be missing only where a block says so. Around a fault a server skips
    periods on its own as well, and only the sums can be compared.
    """

    def __init__(self, source: DeviceSource, *, exact: bool = True) -> None:
        self.source = source
        self.samples = 0
        self.end = 0
        self.missing = 0
        #: Samples of blocks that were not silent.
        self.heard = 0
        self.states: list[str] = []
        self._exact = exact
        self._last: int | None = None

    def read(self) -> int:
        """Take one block, if one comes; how many samples."""
        block = self.source.read(0.1)
        if self.states[-1:] != [self.source.state]:
            self.states.append(self.source.state)
        if block is None:
            return 0
        assert block.first_sample == self.end + block.lost_samples
        self.end = block.first_sample + len(block.audio)
        self._count(block)
        self.samples += len(block.audio)
        return len(block.audio)

    def _count(self, block: Block) -> None:
        if not self._exact and not block.audio.any():
            return  # the player is gone
        self.heard += len(block.audio)
        if self._exact:
            check_columns(block)
        values = counter(block)
        before = values[0] - 1 if self._last is None else self._last
        jumps = (np.diff(values, prepend=before) - 1) % WRAP
        if self._exact:
            assert not jumps[1:].any(), "samples are missing inside a block"
            assert block.lost_samples or not jumps[0], "samples are missing and nothing said so"
        self.missing += int(jumps.sum())
        self._last = int(values[-1])

    def until(self, samples: int) -> None:
        """Read ``samples`` more."""
        goal = self.samples + samples
        end_s = time.monotonic() + PATIENCE_S
        while self.samples < goal:
            self.read()
            assert time.monotonic() < end_s, f"{self.source.state}: {self.source.note}"

    def until_state(self, state: str) -> None:
        """Read until the source is in ``state``."""
        end_s = time.monotonic() + PATIENCE_S
        while self.source.state != state:
            self.read()
            assert time.monotonic() < end_s, f"{self.source.state}: {self.source.note}"
