"""Chunks are the same however the stream is cut into blocks, holes and all."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from liveassist.model import Block
from liveassist.rechunk import Rechunk

SIZE, LONGEST = 16, 40


def chunks(stretches: list[tuple[int, int]], cuts: list[int]) -> list[tuple[int, list[float], int]]:
    """What comes of stretches of (first sample, length), cut into blocks of these lengths."""
    rechunk = Rechunk(SIZE, 1, LONGEST)
    out, number, end = [], 0, 0
    for start, length in stretches:
        at = start
        while at < start + length:
            size = min(cuts[number % len(cuts)], start + length - at)
            number += 1
            audio = np.arange(at, at + size, dtype=np.float32)[:, np.newaxis] + 1.0
            out += rechunk.feed(Block(at, audio, at - end))
            at = end = at + size
    out += rechunk.pad(1)
    return [(one.first_sample, one.audio[:, 0].tolist(), one.lost) for one in out]


@given(
    st.lists(st.tuples(st.integers(1, 90), st.integers(1, 60)), min_size=1, max_size=6),
    st.lists(st.integers(1, 50), min_size=1, max_size=8),
)
def test_any_block_size_gives_the_same_chunks(
    gaps_and_lengths: list[tuple[int, int]], cuts: list[int]
) -> None:
    stretches, end = [], 0
    for gap, length in gaps_and_lengths:
        stretches.append((end + gap, length))
        end += gap + length
    whole = chunks(stretches, [10**6])
    assert chunks(stretches, cuts) == whole
    for first, audio, lost in whole:
        assert first % SIZE == 0
        assert lost <= sum(value == 0.0 for value in audio)
        heard = [(first + row + 1, value) for row, value in enumerate(audio) if value != 0.0]
        assert all(sample == value for sample, value in heard)
