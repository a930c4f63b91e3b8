"""The shelf answers like a sorted list of hits (Python's own list and bisect are the reference)."""

from __future__ import annotations

import bisect
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from liveassist.model import Hit, HitMeasures
from liveassist.rolling.shelf import PACK, Shelf, when


def make(number: int, time_s: float) -> Hit:
    return Hit(
        number,
        "complete",
        "snare",
        round(time_s * 48000),
        time_s,
        -10.0 - number % 7,
        -9.0,
        0.9,
        mic_dbfs=tuple(-20.0 - 0.1 * (number % 50) - mic for mic in range(8)),
        mic_heard_dbfs=tuple(-20.0 - mic for mic in range(8)),
        mic_bound=(False,) * 8,
        measures=HitMeasures(note_hz=180.0 + number % 3, ring_s=0.3),
    )


def filled(count: int, at_hand: int) -> tuple[Shelf, list[Hit]]:
    shelf, plain = Shelf(at_hand), list[Hit]()
    for number in range(count):
        # Some come a little late, as a hit that was corrected does.
        hit = make(number, 0.1 * number - (0.15 if number % 5 == 0 else 0.0))
        shelf.add(hit)
        bisect.insort(plain, hit, key=when)
    return shelf, plain


@settings(max_examples=30, deadline=None)
@given(
    count=st.integers(0, 4 * PACK),
    at_hand=st.integers(4, 64),
    start_s=st.floats(-1.0, 120.0),
    length_s=st.floats(0.0, 120.0),
    low=st.integers(-10, 5 * PACK),
    size=st.integers(0, 3 * PACK),
)
def test_like_a_list(
    count: int, at_hand: int, start_s: float, length_s: float, low: int, size: int
) -> None:
    shelf, plain = filled(count, at_hand)
    assert len(shelf) == len(plain)
    assert list(shelf) == plain
    inside = [hit.time_s for hit in plain if start_s <= hit.time_s < start_s + length_s]
    assert shelf.times_s(start_s, start_s + length_s).tolist() == inside
    assert shelf.levels_dbfs().tolist() == [hit.peak_dbfs for hit in plain]
    assert shelf.at_hand() == plain[shelf.packed :]
    assert shelf.part(low, low + size) == plain[max(low, 0) : max(low + size, 0)]
    assert shelf.last(size) == plain[len(plain) - min(size, len(plain)) :]
    end_s = start_s + length_s
    assert shelf.between(start_s, end_s) == [h for h in plain if start_s <= h.time_s < end_s]
    for index in range(0, count, 37):
        assert shelf[index] == plain[index]
        assert shelf.position(when(plain[index])) == index


def test_old_hits_can_be_replaced_in_any_order() -> None:
    shelf, plain = filled(5 * PACK, 16)
    assert shelf.packed >= 4 * PACK
    for index in (3, 700, 4, -1, 1200, 3):
        for hits in (shelf, plain):
            hits[index] = replace(hits[index], role="ghost", velocity=index % 100)
    assert list(shelf) == plain
    assert shelf[3].velocity == 3


def test_only_late_hits_can_be_taken_out() -> None:
    shelf, plain = filled(3 * PACK, 16)
    assert shelf.pop(plain[0].number) is None
    assert len(shelf) == len(plain)
    assert shelf.pop(plain[-2].number) == plain.pop(-2)
    assert list(shelf) == plain


def test_an_index_outside_is_an_error() -> None:
    shelf, _ = filled(10, 16)
    with pytest.raises(IndexError):
        shelf[10]
    with pytest.raises(IndexError):
        shelf[-11]


def test_old_hits_take_little_memory() -> None:
    rng = np.random.default_rng(5)
    shelf = Shelf(16)
    for number in range(8 * PACK):
        levels = tuple(float(value) for value in rng.normal(-30.0, 6.0, 8))
        shelf.add(replace(make(number, 0.3 * number), mic_dbfs=levels, mic_heard_dbfs=levels))
    # 17 numbers that nothing predicts, 8 bytes each, are 136; a hit as it stands takes some 2000.
    assert shelf.packed_bytes / shelf.packed < 300.0


def test_levels_that_say_nothing_are_nan() -> None:
    shelf = Shelf(4)
    for number in range(2 * PACK):
        hit = make(number, float(number))
        if number % 3 == 1:
            hit = replace(hit, flags=("clipped",))
        elif number % 3 == 2:
            hit = replace(hit, peak_dbfs=None)
        shelf.add(hit)
    assert shelf.packed
    known = np.isfinite(shelf.levels_dbfs())
    assert known.tolist() == [number % 3 == 0 for number in range(2 * PACK)]
