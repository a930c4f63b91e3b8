"""Band powers of many windows at once against one window at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.spectra import Grid

GRID = Grid(44_100)
AUDIO = np.random.default_rng(4).normal(0.0, 0.1, (6_000, 3)).astype(np.float32)


def one(start: int) -> np.ndarray:
    return GRID.band_power(AUDIO[start : start + GRID.window].T)


@given(st.integers(0, 900), st.integers(1, 60), st.integers(1, 40), st.booleans())
def test_windows_together_are_windows_one_by_one(
    first: int, step: int, count: int, along: bool
) -> None:
    audio = np.asfortranarray(AUDIO) if along else AUDIO
    starts = first + step * np.arange(count)
    for places in (starts, starts[::-1], np.delete(starts, count // 2)):
        found = GRID.at(audio, places)
        assert found.shape == (len(places), 3, found.shape[2])
        for row, start in zip(found, places.tolist(), strict=True):
            np.testing.assert_allclose(row, one(start), rtol=1e-4, atol=1e-9)


@given(st.integers(1, 30), st.booleans())
def test_running_windows_are_a_hop_apart(count: int, along: bool) -> None:
    audio = AUDIO.T if along else np.ascontiguousarray(AUDIO.T)
    found = GRID.running(audio, count)
    for number in range(count):
        expected = one(number * GRID.hop)
        np.testing.assert_allclose(found[:, number], expected, rtol=1e-4, atol=1e-9)


def test_windows_beyond_the_audio_are_refused() -> None:
    with pytest.raises(ValueError, match="samples"):
        GRID.running(AUDIO[: GRID.window].T, 2)
    with pytest.raises(ValueError, match="samples"):
        GRID.at(AUDIO, len(AUDIO) - GRID.window + np.arange(3))
    for places in (np.arange(-1, 3), np.array([0, 5, len(AUDIO) - 1]), np.array([-1])):
        with pytest.raises(ValueError, match="samples"):
            GRID.at(AUDIO, places)


def test_audio_in_double_precision_is_heard_the_same() -> None:
    once, twice = GRID.running(AUDIO.T, 8), GRID.running(AUDIO.T.astype(np.float64), 8)
    np.testing.assert_allclose(twice, once, rtol=1e-5)
