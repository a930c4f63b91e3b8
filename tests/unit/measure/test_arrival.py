"""Delay and polarity between two microphones, against signals built with known ones."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.measure.arrival import arrivals, signs

RATE = 48000


def struck(delay_samples: int, sign: int, seed: int = 1) -> np.ndarray:
    """A head (190, 303 and 406 Hz: ideal membrane ratios, Fletcher & Rossing) with a stick, heard
    by two microphones, the second later, with other brightness and the given sign."""
    rng = np.random.default_rng(seed)
    time = np.arange(4000) / RATE
    head = sum(np.exp(-time / 0.05) * np.sin(2 * np.pi * f * time) for f in (190.0, 302.7, 405.8))
    stick = rng.normal(size=4000) * np.exp(-time / 0.0015)
    wires = rng.normal(size=4000) * np.exp(-time / 0.03)
    audio = np.zeros((8000, 2), dtype=np.float32)
    audio[2000:6000, 0] = 0.3 * (head + stick)
    start = 2000 + delay_samples
    audio[start : start + 4000, 1] = 0.2 * sign * head + 0.1 * sign * stick + 0.1 * wires
    return audio


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("delay", [0, 19, 48, 144])
def test_sign_of_the_second_microphone(sign: int, delay: int) -> None:
    assert signs(struck(delay, sign), 2000, 0, [1], RATE) == {1: sign}


def test_delay_to_the_sample_where_the_waves_are_alike() -> None:
    # 1 ft at 343 m/s is 42.65 samples at 48 kHz.
    audio = np.zeros((8000, 2), dtype=np.float32)
    rng = np.random.default_rng(5)
    attack = (rng.normal(size=600) * np.exp(-np.arange(600) / 150)).astype(np.float32)
    audio[2000:2600, 0] = attack
    audio[2043:2643, 1] = -0.4 * attack
    found = arrivals(audio, 2000, 0, [1], RATE)
    assert found[1][0] == pytest.approx(43 / RATE * 1e3, abs=1e-9)
    assert found[1][1] == -1


def test_nothing_is_said_of_a_microphone_that_hears_nothing_of_it() -> None:
    audio = struck(10, 1)
    audio[:, 1] = np.random.default_rng(2).normal(size=len(audio)) * 0.01
    assert arrivals(audio, 2000, 0, [1], RATE) == {}
    assert arrivals(np.zeros_like(audio), 2000, 0, [1], RATE) == {}
