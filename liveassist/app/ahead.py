"""Hears a recording's hits in a process of its own, some seconds ahead of the rest of the work.

Hearing and measuring hits takes about as long as all that comes after, so with a second processor a
replay is almost twice as fast; the answer is the same (`liveassist.elsewhere`). Audio goes through
shared memory, a few bytes a block through a pipe, hits come back through another.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from liveassist.app.ahead_child import RECORD, Asked
from liveassist.elsewhere import Elsewhere
from liveassist.input.blockring import BlockRing
from liveassist.input.childproc import package_environment
from liveassist.model import Block, Kit

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned

#: How far ahead hearing may be, seconds: takes and suggestions are worked out at once and hold the
#: rest up for some 0.1 s, at sixty times real time six seconds of audio.
AHEAD_S = 6.0
#: What came of so many seconds, about, must find room: where it does not the process waits.
PIPE_BYTES = 1 << 20
#: Shorter recordings are done before the second process has begun, seconds.
WORTH_IT_S = 45.0


def worth_it(duration_s: float) -> bool:
    """Whether a recording is long enough, and a second processor there."""
    return duration_s >= WORTH_IT_S and processors() > 1


def processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Ahead:
    """The process, and ``elsewhere`` for the pipeline. Use `through` once, `close` at the end."""

    def __init__(
        self, kit: Kit, sample_rate_hz: int, learned: Learned | None, block_frames: int
    ) -> None:
        """Start it; blocks will hold at most ``block_frames``."""
        self.elsewhere = Elsewhere(kit, sample_rate_hz, learned)
        self._block_frames = block_frames
        self._blocks = max(1, round(AHEAD_S * sample_rate_hz / block_frames))
        # A quarter of the ring is room for a write under way.
        frames = (self._blocks + 2) * block_frames * 4 // 3 + 4
        self._ring = BlockRing.create(len(kit.mics), frames)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "liveassist.app.ahead_child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pipesize=PIPE_BYTES,
            env=package_environment(),
            pass_fds=(self._ring.fd,) if self._ring.fd >= 0 else (),
            # Ctrl-C in the terminal is for the command, which then ends this process.
            start_new_session=True,
        )
        asked = Asked(kit, sample_rate_hz, learned, self._ring.handle, frames)
        self._send(pickle.dumps(asked))

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    def through(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The same blocks, each as soon as what came of it is in `elsewhere`.

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
            code = self._process.wait()
            raise RuntimeError(f"the process that hears the hits ended (exit {code})") from None
        if isinstance(message, str):
            raise RuntimeError(f"the process that hears the hits failed:\n{message}")
        self.elsewhere.take_in(message)
