"""Damped sinusoids against closed forms, Bessel ratios, the Cramér-Rao bound and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, special

from liveassist.measure.esprit import Mode, decompose, frequency_bound_hz
from liveassist.model import FloatArray

RATE = 2400.0


def ringing(modes: list[tuple[float, float, float]], seconds: float = 0.25) -> FloatArray:
    """Sum of (Hz, amplitude, tau) cosines."""
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(
        sum(a * np.exp(-t / tau) * np.cos(2 * np.pi * f * t + 0.3 * f) for f, a, tau in modes)
    )


def test_closed_form_modes_are_found_exactly() -> None:
    """Without noise the model is exact: the closed form comes back."""
    want = [(190.0, 0.5, 0.1), (302.7, 0.3, 0.08), (405.8, 0.1, 0.05)]
    found = decompose(ringing(want), RATE).modes
    assert len(found) == 3
    for mode, (f, a, tau) in zip(found, want, strict=True):
        assert mode.frequency_hz == pytest.approx(f, abs=1e-6)
        assert mode.amplitude == pytest.approx(a, rel=1e-6)
        assert mode.t60_s == pytest.approx(6.9078 * tau, rel=1e-4)  # T60 = ln(1000) tau


def test_ideal_membrane_ratios_are_the_bessel_zeros() -> None:
    """An ideal head rings at zeros of Bessel functions (NIST DLMF 10.21); 1.593, 2.136, 2.295."""
    zeros = [special.jn_zeros(m, 2)[n - 1] for m, n in ((0, 1), (1, 1), (2, 1), (0, 2))]
    ratios = [z / zeros[0] for z in zeros]
    found = decompose(ringing([(190.0 * r, 0.3, 0.09) for r in ratios]), RATE).modes
    got = [mode.frequency_hz / found[0].frequency_hz for mode in found]
    assert got == pytest.approx(ratios, rel=1e-6)
    assert got == pytest.approx([1.0, 1.5933, 2.1355, 2.2954], abs=2e-4)


def test_error_in_noise_lies_above_the_bound_and_near_it() -> None:
    """Rife and Boorstyn 1974: no unbiased estimate beats the bound; a good one is within 3x."""
    rng = np.random.default_rng(2)
    clean = ringing([(190.0, 0.5, 0.1)])
    noise = 0.5 / 10.0  # 20 dB below the first amplitude
    errors = [
        decompose(clean + noise * rng.standard_normal(len(clean)), RATE, max_modes=1).modes[0]
        for _ in range(60)
    ]
    rms = math.sqrt(np.mean([(mode.frequency_hz - 190.0) ** 2 for mode in errors]))
    bound = frequency_bound_hz(Mode(190.0, 0.5, 0.1), noise, len(clean), RATE)
    assert 0.8 * bound < rms < 3.0 * bound


def test_bound_of_the_worked_example() -> None:
    """20 dB initial, tau 0.1 s, 48 kHz: 6.5 mHz (closed form, checked by its Fisher matrix)."""
    bound = frequency_bound_hz(Mode(190.0, 1.0, 0.1), 1 / math.sqrt(200.0), 48000, 48000.0)
    assert bound == pytest.approx(6.5e-3, rel=0.02)


def test_agrees_with_scipy_least_squares() -> None:
    """An independent estimate: scipy's nonlinear least squares started at the truth."""
    rng = np.random.default_rng(4)
    want = [(190.0, 0.5, 0.1), (214.0, 0.3, 0.06)]
    t = np.arange(600) / RATE
    heard = ringing(want) + 0.003 * rng.standard_normal(600)

    def misfit(p: FloatArray) -> FloatArray:
        model = sum(
            a * np.exp(-t / tau) * np.cos(2 * np.pi * f * t + phase)
            for a, tau, f, phase in p.reshape(-1, 4)
        )
        return np.asarray(model - heard)

    start = np.array([[a, tau, f, 0.3 * f % (2 * np.pi)] for f, a, tau in want]).ravel()
    best = optimize.least_squares(misfit, start).x.reshape(-1, 4)
    found = decompose(heard, RATE).modes[:2]
    for mode, row in zip(found, best, strict=True):
        assert mode.frequency_hz == pytest.approx(row[2], abs=0.15)
        assert mode.tau_s == pytest.approx(row[1], rel=0.05)


@settings(max_examples=40, deadline=None)
@given(st.floats(60.0, 400.0), st.floats(1.15, 2.0), st.floats(0.03, 0.3), st.floats(0.001, 1.0))
def test_any_two_modes(low: float, ratio: float, tau: float, scale: float) -> None:
    found = decompose(ringing([(low, scale, tau), (low * ratio, 0.4 * scale, tau)]), RATE).modes
    assert [m.frequency_hz for m in found] == pytest.approx([low, low * ratio], abs=1e-3)
    assert found[0].amplitude == pytest.approx(scale, rel=1e-3)


def test_silence_and_short_records() -> None:
    assert decompose(np.zeros(200), RATE).modes == ()
    with pytest.raises(ValueError, match="24 samples"):
        decompose(np.zeros(20), RATE)
