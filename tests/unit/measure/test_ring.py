"""T60 by Schroeder against closed forms (ISO 3382-1), with the truncation trap."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from liveassist.measure.ring import band_t60, naive_t20, schroeder_t60
from liveassist.model import FloatArray

RATE = 48000.0


def decay(seconds: float, tau: float = 0.1, hz: float = 190.0) -> FloatArray:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(np.exp(-t / tau) * np.cos(2 * np.pi * hz * t))


def test_whole_decay() -> None:
    """190 Hz, tau 0.1 s: 0.691 s by EDT, T20 and T30 alike."""
    found = schroeder_t60(decay(2.0), RATE)
    assert found is not None
    assert found.t60_s == pytest.approx(0.6908, rel=0.002)
    assert found.range_db == pytest.approx(20.0, abs=0.1)


def test_the_trap_is_there_and_avoided() -> None:
    """Cut at 0.3 s the naive T20 reads 0.626 s; adding the missing tail restores 0.691 s."""
    assert naive_t20(decay(0.3), RATE) == pytest.approx(0.626, abs=0.002)
    found = schroeder_t60(decay(0.3), RATE)
    assert found is not None
    assert found.t60_s == pytest.approx(0.691, rel=0.005)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.03, 0.4), st.floats(0.8, 5.0), st.floats(80.0, 2000.0))
def test_any_decay_any_cut(tau: float, length_tau: float, hz: float) -> None:
    """At least 7 dB per tau is heard: from twice tau on the answer holds within 5 %."""
    found = schroeder_t60(decay(max(2.0, length_tau) * tau, tau, hz), RATE)
    if tau * hz >= 10.0:  # several periods a time constant: a smooth decay
        assert found is not None
        assert found.t60_s == pytest.approx(6.9078 * tau, rel=0.05)


def test_noise_is_taken_off() -> None:
    rng = np.random.default_rng(1)
    heard = decay(1.5) + 0.01 * rng.standard_normal(round(1.5 * RATE))
    found = schroeder_t60(heard, RATE, noise_rms=0.01)
    assert found is not None
    assert found.t60_s == pytest.approx(0.691, rel=0.03)
    assert found.cut_s < 0.45


def test_what_is_no_decay_gives_none() -> None:
    assert schroeder_t60(np.ones(20000), RATE) is None
    assert schroeder_t60(np.zeros(20000), RATE) is None
    assert schroeder_t60(decay(0.02), RATE) is None


def test_bands_are_told_apart() -> None:
    """Two octaves with their own decays: 0.691 s at 190 Hz, 0.345 s at 900 Hz."""
    heard = decay(1.5) + 0.5 * decay(1.5, 0.05, 900.0)
    low, high, beyond = band_t60(heard, RATE, (190.0, 900.0, 30000.0))
    assert low is not None
    assert high is not None
    assert low.t60_s == pytest.approx(0.691, rel=0.02)
    assert high.t60_s == pytest.approx(0.345, rel=0.03)
    assert beyond is None
