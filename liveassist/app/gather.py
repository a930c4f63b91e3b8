"""Joins the short blocks of an audio interface, for what need not be done at each of them."""

from __future__ import annotations

import numpy as np

from liveassist.model import Block


class Gather:
    """Blocks in, longer ones out: each up to the block that reaches a multiple of ``frames``
    samples. With 0 every block passes as it is. Lost samples come before a block, never inside."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._waiting: list[Block] = []

    def add(self, block: Block) -> list[Block]:
        """Take in a block; what is to be worked on now, in order."""
        if not self._frames:
            return [block]
        done = []
        if self._waiting and (block.lost_samples or block.first_sample != _end(self._waiting[-1])):
            done += self.rest()
        self._waiting.append(block)
        if _end(block) // self._frames > self._waiting[0].first_sample // self._frames:
            done += self.rest()
        return done

    def rest(self) -> list[Block]:
        """What waits, if anything does; nothing waits then."""
        waiting, self._waiting = self._waiting, []
        if len(waiting) < 2:
            return waiting
        first = waiting[0]
        audio = np.concatenate([block.audio for block in waiting])
        clicks = [block.click for block in waiting if block.click is not None]
        click = np.concatenate(clicks) if len(clicks) == len(waiting) else None
        return [Block(first.first_sample, audio, first.lost_samples, click)]


def _end(block: Block) -> int:
    return block.first_sample + len(block.audio)
