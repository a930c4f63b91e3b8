"""Pattern shift on closed-form strokes: error, intervals, detection, like levels, bleed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from liveassist.advise.changes_pattern import (
    PATTERN_CENTS,
    PatternShift,
    compare_patterns,
    shape_of,
    shift_cents,
)
from liveassist.measure import bands
from liveassist.measure.pattern import hit_pattern, pattern_frequencies_hz
from liveassist.model import FloatArray
from tests.unit.measure.strokes import SNARE_HZ, stroke

RATE = 44100
BAND = bands.BANDS["snare"]


def pattern(seed: int, cents: float = 0.0, bleed: float = 0.0) -> FloatArray:
    segment, onset = stroke(RATE, SNARE_HZ, cents=cents, wander_cents=6.0, seed=seed, after_s=0.2)
    if bleed:
        other, _ = stroke(RATE, (230.0, 349.0, 527.0, 803.0), seed=seed + 7, after_s=0.2, tau_s=0.3)
        segment = segment + bleed * other
    return hit_pattern(segment, RATE, BAND, onset)


def compare(cents: float, first: int, bleed: float = 0.0) -> PatternShift:
    reference = np.array([pattern(first + i, bleed=bleed) for i in range(10)])
    take = np.array([pattern(first + 500 + i, cents, bleed=bleed) for i in range(10)])
    found = compare_patterns(reference, np.zeros(10), take, np.zeros(10))
    assert found is not None
    return found


def test_both_sides_agree_on_the_axis() -> None:
    assert PATTERN_CENTS == bands.PATTERN_CENTS
    grid = pattern_frequencies_hz(BAND)
    assert 1200 * math.log2(grid[1] / grid[0]) == pytest.approx(PATTERN_CENTS)
    assert len(grid) == bands.PATTERN_BINS == len(pattern(0))


def test_pattern_is_the_discrete_fourier_transform_at_its_frequencies() -> None:
    """A steady sine of amplitude 0.25 peaks at its frequency with its amplitude (closed form)."""
    t = np.arange(RATE) / RATE
    grid = pattern_frequencies_hz(BAND)
    found = hit_pattern(0.25 * np.sin(2 * np.pi * grid[200] * t), RATE, BAND, 4000)
    assert int(np.argmax(found)) == pytest.approx(200, abs=1)
    assert found.max() == pytest.approx(20 * math.log10(0.25), abs=0.1)


@pytest.mark.parametrize("cents", [-50.0, -28.0, -15.0, 0.0, 8.0, 30.0, 50.0])
def test_shift_within_six_cents_and_inside_its_interval(cents: float) -> None:
    found = compare(cents, first=round(1000 + cents))
    assert found.cents == pytest.approx(cents, abs=6.0)
    assert found.ci[0] <= cents <= found.ci[1]
    assert found.ci[1] - found.ci[0] < 20.0


def test_fifteen_cents_are_told_from_none_every_time() -> None:
    """Ten usable hits a side: |t| > 3.3 at 15 cents, and below at none."""
    for trial in range(10):
        assert abs(compare(15.0, 40 * trial).t) > 3.3
        assert abs(compare(0.0, 40 * trial).t) < 3.3


def test_head_alone_shifts_while_bleed_stays() -> None:
    """Another drum's ring, 14 dB down, unchanged: the shift hardly shrinks."""
    assert compare(-28.0, 3000, bleed=0.2).cents == pytest.approx(-28.0, abs=6.0)


def test_harder_hits_sound_sharp_and_are_compared_at_like_levels() -> None:
    """2 cents a dB, the take 4 dB harder: read naively it would be 8 cents sharp."""
    rng = np.random.default_rng(0)
    levels_a, levels_b = rng.normal(-12, 3, 14), rng.normal(-8, 3, 14)
    first = np.array([pattern(i, 2.0 * (x + 12)) for i, x in enumerate(levels_a)])
    second = np.array([pattern(600 + i, 2.0 * (x + 12)) for i, x in enumerate(levels_b)])
    found = compare_patterns(first, levels_a, second, levels_b)
    assert found is not None
    assert abs(found.cents) < 5.0
    assert found.slope == pytest.approx(2.0, abs=0.8)
    naive = compare_patterns(first, np.zeros(14), second, np.zeros(14))
    assert naive is not None
    assert naive.cents > 5.0


def test_level_is_no_shape() -> None:
    one = pattern(3)
    assert shape_of(one - 20.0) == pytest.approx(shape_of(one), abs=1e-9)
    shift, height = shift_cents(shape_of(one), shape_of(one))
    assert shift == pytest.approx(0.0, abs=1e-6)
    assert height == pytest.approx(1.0)


def test_whole_bins_are_exact() -> None:
    shape = shape_of(pattern(5))
    moved = np.roll(shape, 7)
    assert shift_cents(shape[20:-20], moved[20:-20])[0] == pytest.approx(70.0, abs=1.0)


def test_too_few_hits() -> None:
    few = np.array([pattern(i) for i in range(4)])
    assert compare_patterns(few, np.zeros(4), few, np.zeros(4)) is None
