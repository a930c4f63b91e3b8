"""The shared ring: what goes in comes out, and what was overwritten is refused."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import pytest

from liveassist.input.blockring import BlockRing


@pytest.fixture
def ring() -> Iterator[BlockRing]:
    made = BlockRing.create(channels=3, capacity_frames=400)
    yield made
    made.close()


def counting(first: int, frames: int, channels: int = 3) -> np.ndarray:
    return np.arange(first * channels, (first + frames) * channels, dtype=np.float32)


def read(ring: BlockRing, first: int, frames: int) -> tuple[bool, np.ndarray]:
    target = np.empty(frames * ring.channels, dtype=np.float32)
    return ring.read_into(target.data.cast("B"), first, frames), target


@pytest.mark.parametrize("size", [1, 7, 63, 64, 100])
def test_any_write_size_reads_back_across_the_seam(ring: BlockRing, size: int) -> None:
    done = 0
    while done < 1300:
        assert ring.write(counting(done, size), size) == done + size
        good, audio = read(ring, done, size)
        assert good
        np.testing.assert_array_equal(audio, counting(done, size))
        done += size


def test_what_was_overwritten_is_refused(ring: BlockRing) -> None:
    for first in range(0, 1000, 100):
        ring.write(counting(first, 100), 100)
    oldest = ring.oldest_safe_frame()
    assert oldest == 700
    assert not read(ring, oldest - 1, 10)[0]
    good, audio = read(ring, oldest, 300)
    assert good
    np.testing.assert_array_equal(audio, counting(oldest, 300))


def test_a_write_longer_than_the_ring_keeps_the_newest(ring: BlockRing) -> None:
    ring.write(counting(0, 1000), 1000)
    assert ring.frames_written == 1000
    good, audio = read(ring, 700, 300)
    assert good
    np.testing.assert_array_equal(audio, counting(700, 300))


def test_another_process_writes_and_this_one_reads(ring: BlockRing) -> None:
    code = (
        "import sys, array; from liveassist.input.blockring import BlockRing\n"
        "ring = BlockRing.attach(sys.argv[1], 3, 400)\n"
        "ring.write(array.array('f', range(30)), 10)\n"
    )
    subprocess.run(
        [sys.executable, "-c", code, ring.handle],
        pass_fds=(ring.fd,),
        check=True,
        env={**os.environ, "PYTHONPATH": os.getcwd()},
    )
    assert ring.frames_written == 10
    good, audio = read(ring, 0, 10)
    assert good
    np.testing.assert_array_equal(audio, counting(0, 10))


def test_close_twice_and_refuse_an_empty_ring(ring: BlockRing) -> None:
    ring.close()
    ring.close()
    with pytest.raises(ValueError, match="at least one"):
        BlockRing.create(0, 10)
