"""Short blocks joined at the ends of chunks: nothing lost, nothing twice, losses between blocks."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from liveassist.app.gather import Gather
from liveassist.model import Block

blocks = st.lists(
    st.tuples(st.integers(1, 40), st.one_of(st.just(0), st.integers(0, 30)), st.booleans()),
    max_size=30,
)


@given(blocks, st.integers(0, 50))
def test_every_sample_comes_once_in_its_place(
    sizes: list[tuple[int, int, bool]], frames: int
) -> None:
    gather, first = Gather(frames), 0
    given_, got = list[Block](), list[Block]()
    for length, lost, click in sizes:
        first += lost
        count = np.arange(first, first + length, dtype=np.float32)
        audio = np.stack([count, 2.0 * count], axis=1)
        given_.append(Block(first, audio, lost, count if click else None))
        got += gather.add(given_[-1])
        first += length
        # Nothing waits beyond the end of a chunk.
        waits = sum(len(block.audio) for block in given_) - sum(len(block.audio) for block in got)
        assert waits < max(frames, 1)
    got += gather.rest()
    assert gather.rest() == []
    assert sum(block.lost_samples for block in got) == sum(block.lost_samples for block in given_)
    if given_:
        audio = np.concatenate([block.audio for block in given_])
        np.testing.assert_array_equal(np.concatenate([block.audio for block in got]), audio)
    for block in got:
        # The first column counts: what a block holds follows on without a hole.
        places = np.arange(block.first_sample, block.first_sample + len(block.audio))
        np.testing.assert_array_equal(block.audio[:, 0], places)
        if block.click is not None:
            np.testing.assert_array_equal(block.click, places)


def test_blocks_that_fill_a_chunk_come_at_its_end() -> None:
    gather = Gather(2304)
    came = [len(gather.add(Block(256 * n, np.zeros((256, 2), np.float32)))) for n in range(18)]
    assert came == [*[0] * 8, 1, *[0] * 8, 1]


def test_without_a_chunk_blocks_pass_as_they_are() -> None:
    block = Block(0, np.zeros((3, 1), np.float32))
    assert Gather(0).add(block)[0] is block
