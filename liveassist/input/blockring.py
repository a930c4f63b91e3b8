"""A ring of audio frames in memory that two processes share: one writes, one reads.

Layout: a header page of 64-bit counters, then ``capacity_frames`` frames of interleaved float32.
The only truth is the count of frames ever written; the writer never waits. A reader that falls
more than the capacity behind loses the oldest frames and is told exactly how many.

The memory has no name in the file system where the system allows it, so a crash of either side
leaves nothing behind.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import sys
import tempfile
import uuid
from typing import Any

_HEADER_BYTES = 4096
_FRAME_BYTES = 4
_WRITTEN = 0  # index of the 64-bit counter "frames ever written"


class BlockRing:
    """The shared memory, made by one process (`create`) and opened by another (`attach`)."""

    def __init__(self, memory: mmap.mmap, handle: str, fd: int, channels: int, frames: int) -> None:
        self.handle = handle
        self.fd = fd
        self.channels = channels
        self.capacity_frames = frames
        self._memory = memory
        view = memoryview(memory)
        self._counters = view[:_HEADER_BYTES].cast("Q")
        self._data = view[_HEADER_BYTES:]
        self._bytes_per_frame = channels * _FRAME_BYTES
        view.release()

    @classmethod
    def create(cls, channels: int, capacity_frames: int) -> BlockRing:
        """Make the memory and touch every page of it, so that the callback never faults one in.

        ``channels`` and ``capacity_frames`` are at least 1.
        """
        if channels < 1 or capacity_frames < 1:
            raise ValueError("a ring has at least one channel and one frame")
        size = _HEADER_BYTES + channels * capacity_frames * _FRAME_BYTES
        if sys.platform == "win32":
            handle = f"liveassist-{uuid.uuid4().hex}"
            memory = mmap.mmap(-1, size, tagname=handle)
            fd = -1
        else:
            fd = _anonymous_file(size)
            handle = str(fd)
            memory = mmap.mmap(fd, size)
        ring = cls(memory, handle, fd, channels, capacity_frames)
        ring._fill_with_silence()
        return ring

    @classmethod
    def attach(cls, handle: str, channels: int, capacity_frames: int) -> BlockRing:
        """Open the memory another process made; ``handle`` is that ring's `handle`."""
        size = _HEADER_BYTES + channels * capacity_frames * _FRAME_BYTES
        if sys.platform == "win32":
            return cls(mmap.mmap(-1, size, tagname=handle), handle, -1, channels, capacity_frames)
        fd = int(handle)
        ring = cls(mmap.mmap(fd, size), handle, fd, channels, capacity_frames)
        ring._touch()
        return ring

    @property
    def frames_written(self) -> int:
        """Frames ever written, by whichever process writes."""
        return self._counters[_WRITTEN]

    def write(self, interleaved: Any, frames: int) -> int:
        """Append ``frames`` frames of interleaved float32 bytes; frames ever written afterwards.

        Allocates nothing of the size of the audio and takes no lock. Only the newest
        ``capacity_frames`` of a longer write are kept.
        """
        written = self._counters[_WRITTEN]
        source = memoryview(interleaved).cast("B")
        keep = min(frames, self.capacity_frames)
        start = frames - keep
        at = (written + start) % self.capacity_frames
        first = min(keep, self.capacity_frames - at)
        size = self._bytes_per_frame
        data = self._data
        data[at * size : (at + first) * size] = source[start * size : (start + first) * size]
        if first < keep:
            data[: (keep - first) * size] = source[(start + first) * size : frames * size]
        written += frames
        self._counters[_WRITTEN] = written
        return written

    def read_into(self, target: memoryview, first_frame: int, frames: int) -> bool:
        """Copy frames ``first_frame`` onward into ``target`` (bytes, large enough).

        False where the writer has overwritten some of them, before or during the copy; the
        content of ``target`` is then meaningless.
        """
        size = self._bytes_per_frame
        at = first_frame % self.capacity_frames
        first = min(frames, self.capacity_frames - at)
        target[: first * size] = self._data[at * size : (at + first) * size]
        if first < frames:
            target[first * size : frames * size] = self._data[: (frames - first) * size]
        return first_frame >= self.oldest_safe_frame()

    def oldest_safe_frame(self) -> int:
        """The oldest frame a write under way cannot be touching.

        A quarter of the ring is kept as the room a writer may be filling before it counts it.
        """
        return max(0, self.frames_written - self.capacity_frames * 3 // 4)

    def close(self) -> None:
        """Let go of the memory; the other process keeps its view. May be called twice."""
        with contextlib.suppress(ValueError):
            self._counters.release()
            self._data.release()
            self._memory.close()
        if self.fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self.fd)
            self.fd = -1

    def _fill_with_silence(self) -> None:
        silence = bytes(1 << 16)
        total = len(self._data)
        for at in range(0, total, len(silence)):
            end = min(at + len(silence), total)
            self._data[at:end] = silence[: end - at]
        for index in range(len(self._counters)):
            self._counters[index] = 0

    def _touch(self) -> None:
        for at in range(0, len(self._data), mmap.PAGESIZE):
            self._data[at : at + 1] = self._data[at : at + 1]


def _anonymous_file(size: int) -> int:
    if sys.platform == "linux":
        fd = os.memfd_create("liveassist-audio")
    else:
        # A named file for the blink of an eye: mkstemp gives it rights 0600.
        fd, path = tempfile.mkstemp(prefix="liveassist-")
        os.unlink(path)
    os.ftruncate(fd, size)
    return fd
