"""Blocks of any size into chunks of one size at fixed places in the stream."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import Block

Audio = npt.NDArray[np.float32]

#: A gap longer than this is not filled with silence but jumped over, s.
LONGEST_FILLED_GAP_S = 2.0
#: Silence after the last sample, so that what is held back until more is heard comes out, s.
TAIL_S = 1.0


@dataclass(frozen=True, slots=True)
class Chunk:
    """``audio`` of exactly one chunk; ``lost`` of its samples were never delivered (zeros)."""

    first_sample: int
    audio: Audio
    lost: int = 0


class Rechunk:
    """Cuts blocks of any size into chunks of ``size`` samples; lost samples become zeros.

    A gap longer than ``longest`` samples is not filled: the stream goes on at the next chunk
    boundary after it.
    """

    def __init__(self, size: int, mics: int, longest: int) -> None:
        self._size = size
        self._longest = longest
        # In memory each microphone's samples lie together, as everything after this wants them.
        self._buffer: Audio = np.zeros((mics, size), dtype=np.float32).T
        self._fill = 0
        self._lost = 0
        self._next = 0
        self.jumped = False
        #: After a jump, until the next chunk boundary: samples before it belong to no chunk.
        self._jumping = False

    def feed(self, block: Block) -> list[Chunk]:
        """Whole chunks that ``block`` completes. `jumped` is set if a long gap was skipped."""
        chunks: list[Chunk] = []
        self.jumped = False
        if self._jumping:
            cut = min(max(self._next - block.first_sample, 0), len(block.audio))
            if block.first_sample + cut < self._next:
                return chunks
            block = Block(block.first_sample + cut, block.audio[cut:])
            self._jumping = False
        position = self._next + self._fill
        missing = block.first_sample - position
        if missing < 0:
            raise ValueError("blocks must come in order")
        audio = block.audio
        if missing > self._longest:
            self.jumped = True
            start = -(-block.first_sample // self._size) * self._size
            skip = min(start - block.first_sample, len(audio))
            self._next, self._fill, self._lost = start, 0, 0
            if start - block.first_sample > len(audio):
                # The block ends before the next boundary: begin there with what follows.
                self._jumping = True
                return chunks
            audio = audio[skip:]
        else:
            while missing > 0:
                part = min(missing, self._size - self._fill)
                self._buffer[self._fill : self._fill + part] = 0.0
                self._fill += part
                self._lost += part
                missing -= part
                self._emit(chunks)
        offset = 0
        while offset < len(audio):
            part = min(len(audio) - offset, self._size - self._fill)
            self._buffer[self._fill : self._fill + part] = audio[offset : offset + part]
            self._fill += part
            offset += part
            self._emit(chunks)
        return chunks

    def pad(self, samples: int) -> list[Chunk]:
        """Chunks that complete what is there with at least ``samples`` zeros."""
        chunks: list[Chunk] = []
        left = samples
        while left > 0 or self._fill > 0:
            part = self._size - self._fill
            self._buffer[self._fill :] = 0.0
            self._fill += part
            left -= part
            self._emit(chunks)
        return chunks

    def _emit(self, chunks: list[Chunk]) -> None:
        if self._fill == self._size:
            chunks.append(Chunk(self._next, self._buffer.copy(order="K"), self._lost))
            self._next += self._size
            self._fill = 0
            self._lost = 0
