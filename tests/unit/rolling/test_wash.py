"""What is heard between hits, kept as text and taken back."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.model import LevelFrames
from liveassist.rolling.wash import LevelStore

RATE = 48_000.0


def store(seconds: float) -> LevelStore:
    rng = np.random.default_rng(5)
    hops = int(seconds / 0.01)
    made = LevelStore(2, RATE)
    made.add(LevelFrames(0, 480, rng.uniform(1e-4, 1e-2, (hops, 2)).astype(np.float32)))
    return made


@pytest.mark.parametrize("seconds", [8.0, 90.0])
def test_what_was_kept_says_the_same(seconds: float) -> None:
    before = store(seconds)
    after = LevelStore(2, RATE)
    after.unpack(before.packed())
    hits = np.arange(0.5, seconds, 0.7)
    own = {0: hits[::2], 1: hits[1::2]}
    found = before.between_hits(0.0, seconds, hits, own)
    assert None not in found.values()
    assert after.between_hits(0.0, seconds, hits, own) == found
    assert after.packed() == before.packed()


@pytest.mark.parametrize("text", ["", "no base64!", "AAAA"])
def test_what_is_not_that_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        LevelStore(2, RATE).unpack(text)


def test_of_other_microphones_is_refused() -> None:
    kept = store(8.0).packed()
    with pytest.raises(ValueError, match="reshape"):
        LevelStore(7, RATE).unpack(kept)
