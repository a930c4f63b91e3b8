"""Short pieces out of a long recording, read once from front to back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from liveassist.model import Audio, Block


def cut(blocks: Iterable[Block], mics: int, starts: Sequence[int], length: int) -> list[Audio]:
    """The pieces of ``length`` samples from each of ``starts``, shape (length, mics).

    ``blocks`` in order of time; ``starts`` in any order, may overlap. Zero where a piece reaches
    past an end of the recording.
    """
    pieces = [np.zeros((length, mics), dtype=np.float32) for _ in starts]
    order = sorted(range(len(starts)), key=starts.__getitem__)
    waiting = 0
    running: list[int] = []
    for block in blocks:
        first, end = block.first_sample, block.first_sample + len(block.audio)
        while waiting < len(order) and starts[order[waiting]] < end:
            running.append(order[waiting])
            waiting += 1
        for index in running:
            start = starts[index]
            low, high = max(start, first), min(start + length, end)
            if high > low:
                pieces[index][low - start : high - start] = block.audio[low - first : high - first]
        running = [index for index in running if starts[index] + length > end]
        if waiting == len(order) and not running:
            break
    return pieces
