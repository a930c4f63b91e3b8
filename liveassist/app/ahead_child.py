"""The process that hears a recording's hits ahead of the rest (see `ahead`).

A fork of the process that asked, or ``python -m liveassist.app.ahead_child``. Its input: a pickled
`Asked`, then a `RECORD` (24 bytes) a block whose audio lies in the shared ring; one of no frames is
the end of the recording, the end of the input means that nobody listens any more. Its output: a
pickled list of `Heard` for each record; in place of one the text of a fault.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import struct
import sys
import traceback
from dataclasses import dataclass
from typing import IO

import numpy as np

from liveassist.app.heap import settle
from liveassist.attribute.signature import Learned
from liveassist.elsewhere import Forerunner
from liveassist.input.blockring import BlockRing
from liveassist.model import Block, Kit

#: Frames of a block, its first sample, and samples lost before it.
RECORD = struct.Struct("=QQQ")


@dataclass(frozen=True, slots=True)
class Asked:
    """What to hear. ``ring``, ``ring_frames``: the handle and capacity of the shared memory."""

    kit: Kit
    sample_rate_hz: int
    learned: Learned | None
    ring: str
    ring_frames: int


def main() -> None:
    """Serve whoever started this."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints from now on does not get between the messages
    serve(sys.stdin.buffer, out)
    with contextlib.suppress(BrokenPipeError):
        out.close()


def serve(records: IO[bytes], out: IO[bytes]) -> None:
    """Hear until the recording ends or nobody listens."""
    with contextlib.suppress(BrokenPipeError):
        try:
            _hear(records, out)
        except BrokenPipeError:
            raise
        except Exception:
            _tell(traceback.format_exc(), out)


def _hear(records: IO[bytes], out: IO[bytes]) -> None:
    asked: Asked = pickle.load(records)
    ring = BlockRing.attach(asked.ring, len(asked.kit.mics), asked.ring_frames)
    forerunner = Forerunner(asked.kit, asked.sample_rate_hz, asked.learned)
    settle()
    read = 0
    while len(record := records.read(RECORD.size)) == RECORD.size:
        frames, first_sample, lost = RECORD.unpack(record)
        if not frames:
            _tell(forerunner.finish(), out)
            return
        audio = np.empty((frames, ring.channels), dtype=np.float32)
        if not ring.read_into(audio.data.cast("B"), read, frames):
            raise RuntimeError("audio was written over before it was read")
        read += frames
        _tell(forerunner.feed(Block(first_sample, audio, lost)), out)


def _tell(message: object, out: IO[bytes]) -> None:
    pickle.dump(message, out, protocol=pickle.HIGHEST_PROTOCOL)
    out.flush()


if __name__ == "__main__":
    main()
