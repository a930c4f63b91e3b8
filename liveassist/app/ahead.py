"""Hears a recording's hits in a process of its own, some seconds ahead of the rest of the work.

Hearing and what comes after it take about as long as each other, so with a second processor a
replay is almost twice as fast; the answer is the same (`liveassist.elsewhere`). Audio goes through
shared memory, a few bytes a block through a pipe, hits come back through another.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from liveassist.app.ahead_child import RECORD, Asked, serve
from liveassist.elsewhere import HearingElsewhere
from liveassist.input.blockring import BlockRing
from liveassist.input.childproc import package_environment
from liveassist.model import Block, Kit

if sys.platform == "linux":
    import fcntl

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned

#: How far ahead hearing may be, seconds: takes and suggestions are worked out at once and hold the
#: rest up for some 0.1 s, at sixty times real time six seconds of audio.
AHEAD_S = 6.0
#: What came of so many seconds, about, must find room: where it does not the process waits.
PIPE_BYTES = 1 << 20
#: Shorter recordings are done in a moment, seconds.
WORTH_IT_S = 20.0


def worth_it(duration_s: float) -> bool:
    """Whether a recording is long enough, and a second processor there."""
    return duration_s >= WORTH_IT_S and processors() > 1


def processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def may_fork() -> bool:
    """Whether a fork is safe: nothing else runs in this process. (The system libraries of macOS do
    not bear one.) It begins at once, a new interpreter after half a second and more."""
    return sys.platform == "linux" and len(os.listdir("/proc/self/task")) == 1


def _started(ring_fd: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "liveassist.app.ahead_child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=package_environment(),
        pass_fds=(ring_fd,) if ring_fd >= 0 else (),
        # Ctrl-C in the terminal is for the command, which then ends this process.
        start_new_session=True,
    )


class _Fork:
    """A fork of this process that serves; as far as it is needed here, what Popen is."""

    def __init__(self) -> None:
        self.returncode: int | None = None
        ends: list[int] = []
        # No signal may come between: its handler is the other process's.
        held = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT, signal.SIGTERM))
        try:
            for _ in range(2):
                ends += os.pipe()
            self.pid = os.fork()
            if not self.pid:
                self._serve(*ends)
        except OSError:
            for fd in ends:
                os.close(fd)
            raise
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, held)
        asked_there, asked_here, told_here, told_there = ends
        os.close(asked_there)
        os.close(told_there)
        self.stdin = os.fdopen(asked_here, "wb")
        self.stdout = os.fdopen(told_here, "rb")

    def _serve(self, asked_there: int, asked_here: int, told_here: int, told_there: int) -> None:
        """In the new process: never returns."""
        code = 1
        try:
            os.setsid()  # as with a process of its own: Ctrl-C is not for it
            for number in (signal.SIGINT, signal.SIGTERM):
                signal.signal(number, signal.SIG_DFL)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, (signal.SIGINT, signal.SIGTERM))
            os.close(asked_here)
            os.close(told_here)
            serve(os.fdopen(asked_there, "rb"), os.fdopen(told_there, "wb"))
            code = 0
        finally:
            # Nothing of the other process, its files and buffers, is to be tidied up here.
            os._exit(code)

    def kill(self) -> None:
        """End it, unless it was waited for."""
        if self.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> int:
        """Wait until it is gone; its exit status."""
        if self.returncode is None:
            try:
                _, status = os.waitpid(self.pid, 0)
                self.returncode = os.waitstatus_to_exitcode(status)
            except ChildProcessError:
                # Whoever started us had children waited for by the system.
                self.returncode = 0
        return self.returncode


class Ahead:
    """The process. Use `begin` once, then `through` once, and `close` at the end."""

    def __init__(self, kit: Kit, sample_rate_hz: int, block_frames: int) -> None:
        """Start it; blocks will hold at most ``block_frames``. Best done before there are threads
        (`may_fork`). OSError where the system has no room for it."""
        self._kit = kit
        self._rate = sample_rate_hz
        self._block_frames = block_frames
        # Not so many that what is said of them would fill a pipe.
        self._blocks = min(max(1, round(AHEAD_S * sample_rate_hz / block_frames)), 1000)
        # A quarter of the ring is room for a write under way.
        frames = (self._blocks + 2) * block_frames * 4 // 3 + 4
        self._ring = BlockRing.create(len(kit.mics), frames)
        self._hearing: HearingElsewhere | None = None
        try:
            self._process = _Fork() if may_fork() else _started(self._ring.fd)
        except OSError:
            self._ring.close()
            raise
        if sys.platform == "linux" and self._process.stdout is not None:
            # A system that allows less lets the process wait a little more often.
            with contextlib.suppress(OSError):
                fcntl.fcntl(self._process.stdout.fileno(), fcntl.F_SETPIPE_SZ, PIPE_BYTES)

    def begin(self, learned: Learned | None = None) -> HearingElsewhere:
        """Say what is known of the kit; what stands in the pipeline for the process."""
        ring = self._ring
        asked = Asked(self._kit, self._rate, learned, ring.handle, ring.capacity_frames)
        self._send(pickle.dumps(asked))
        self._hearing = HearingElsewhere(self._kit, self._rate, learned)
        return self._hearing

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    def through(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The same blocks, each as soon as what came of it is in what `begin` gave.

        A fault of ``blocks`` comes after the blocks before it. RuntimeError where the process
        failed.
        """
        waiting: deque[Block] = deque()
        fault: Exception | None = None
        source = iter(blocks)
        while True:
            try:
                block = next(source)
            except StopIteration:
                break
            except Exception as problem:
                fault = problem
                break
            self._give(block)
            waiting.append(block)
            if len(waiting) > self._blocks:
                self._take()
                yield waiting.popleft()
        self._send(RECORD.pack(0, 0, 0))
        while waiting:
            self._take()
            yield waiting.popleft()
        self._take()
        if fault is not None:
            raise fault

    def close(self) -> None:
        """End the process. May be called twice."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        self._process.kill()
        self._process.wait()
        self._ring.close()

    def _give(self, block: Block) -> None:
        frames = len(block.audio)
        if not 0 < frames <= self._block_frames:
            raise ValueError(f"a block of {frames} samples, of at most {self._block_frames}")
        audio = np.ascontiguousarray(block.audio, dtype=np.float32)
        self._ring.write(audio, frames)
        self._send(RECORD.pack(frames, block.first_sample, block.lost_samples))

    def _send(self, data: bytes) -> None:
        assert self._process.stdin is not None
        # Where it is gone, `_take` says so and why.
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.write(data)
            self._process.stdin.flush()

    def _take(self) -> None:
        assert self._process.stdout is not None
        try:
            message: Any = pickle.load(self._process.stdout)
        except (EOFError, pickle.UnpicklingError):
            self._process.kill()  # it may live, if it said what nobody understands
            code = self._process.wait()
            raise RuntimeError(f"the process that hears the hits ended (exit {code})") from None
        if isinstance(message, str):
            raise RuntimeError(f"the process that hears the hits failed:\n{message}")
        assert self._hearing is not None
        self._hearing.take_in(message)
