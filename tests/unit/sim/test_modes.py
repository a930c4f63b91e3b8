"""Mode frequencies against SciPy's Bessel zeros, printed tables and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import eigh
from scipy.special import jn_zeros, jv

from sim import modes
from sim.drum import tune
from sim.drumspec import DrumSpec, DrumState

# Ratios j_mn / j_01 of an ideal circular membrane, as printed in Fletcher and Rossing, "The
# Physics of Musical Instruments"; digits re-computed with scipy.special.jn_zeros.
PRINTED = {
    (0, 1): 1.0000,
    (1, 1): 1.5933,
    (2, 1): 2.1355,
    (0, 2): 2.2954,
    (3, 1): 2.6531,
    (1, 2): 2.9173,
    (4, 1): 3.1555,
    (2, 2): 3.5001,
    (0, 3): 3.5985,
    (5, 1): 3.6475,
    (3, 2): 4.0589,
    (6, 1): 4.1317,
}
RADIUS_M = 0.1778
DENSITY = 0.254e-3 * 1390.0


def test_table_holds_the_printed_ratios_in_order() -> None:
    table = modes.mode_table(10.0)
    found = list(zip(table.m.tolist(), table.n.tolist(), strict=True))
    assert found == list(PRINTED)
    np.testing.assert_allclose(table.zero / modes.J01, list(PRINTED.values()), atol=5e-5)


def test_zeros_are_scipys() -> None:
    table = modes.mode_table(19.0)
    for m, n, zero in zip(table.m, table.n, table.zero, strict=True):
        assert zero == pytest.approx(jn_zeros(int(m), int(n))[-1])
        assert abs(jv(m, zero)) < 1e-9


def test_fourteen_inch_head_at_190_hz() -> None:
    """T = 2750 N/m gives 190 Hz and the printed series (reference table, SciPy)."""
    hz = modes.membrane_hz(modes.mode_table(6.0).zero, RADIUS_M, 2750.0, DENSITY)
    np.testing.assert_allclose(hz, [190.0, 302.7, 405.8, 436.1], atol=0.15)


def test_equal_heads_split_by_the_enclosed_air() -> None:
    """190 Hz, shell 0.1397 m deep: the upper (0,1) is at 370.0 Hz (closed form)."""
    spring = modes.air_spring(DENSITY, 0.1397)
    low, high, angle = modes.coupled_pair(190.0, 190.0, spring, spring)
    assert low == pytest.approx(190.0)
    assert high == pytest.approx(370.0, abs=0.1)
    assert abs(angle) == pytest.approx(np.pi / 4)


def test_coupled_pair_agrees_with_the_general_eigenproblem() -> None:
    stiff = np.array(
        [[(2 * np.pi * 170) ** 2 + 9e5, -8e5], [-8e5, (2 * np.pi * 260) ** 2 + 64e4 / 0.9]]
    )
    low, high, _ = modes.coupled_pair(170.0, 260.0, 9e5, 64e4 / 0.9)
    expected = np.sqrt(eigh(stiff, eigvals_only=True)) / 2 / np.pi
    np.testing.assert_allclose([low, high], expected)


@pytest.mark.parametrize(("peak_mm", "cents"), [(1.0, 8.0), (2.0, 31.0), (4.0, 116.0)])
def test_pitch_glide(peak_mm: float, cents: float) -> None:
    """Avanzini and Marogna 2010: 1, 2, 4 mm raise the pitch by 8, 31, 116 cents."""
    rise = modes.tension_rise(peak_mm * 1e-3, RADIUS_M, 2750.0, 0.254e-3)
    assert 1200 * np.log2(modes.glide_ratio(rise)) == pytest.approx(cents, abs=0.6)


def test_glide_ratio_is_that_of_the_duffing_oscillator() -> None:
    """Integrates x'' = -w^2 (1 + d x^2) x, whose stiffness rise at the peak is d."""
    peak_rise, omega = 0.05, 2 * np.pi * 190.0

    def slope(_: float, state: np.ndarray) -> list[float]:
        return [state[1], -(omega**2) * (1 + peak_rise * state[0] ** 2) * state[0]]

    def crossing(_: float, state: np.ndarray) -> float:
        return float(state[0])

    found = solve_ivp(slope, (0, 0.1), [1.0, 0.0], events=crossing, rtol=1e-9, atol=1e-9)
    period = 2 * np.mean(np.diff(found.t_events[0]))
    ratio = 1 / period / 190.0
    assert 1200 * np.log2(ratio / modes.glide_ratio(peak_rise)) == pytest.approx(0.0, abs=1.0)


def test_split_of_the_first_diameter_mode() -> None:
    """Tension 4 % up across one axis and down across the other: 305.74 and 299.68 Hz
    (Rayleigh-Ritz, reference table); the (0,1) stays."""
    lugs = 1.0 + 0.04 * np.cos(2 * 2 * np.pi * np.arange(10) / 10)
    mean, size, _ = modes.lug_harmonics(lugs, 2)
    high, low = modes.split_factors(size)
    base = 190.0 * PRINTED[1, 1]
    assert mean == pytest.approx(1.0)
    assert base * high == pytest.approx(305.74, abs=0.06)
    assert base * low == pytest.approx(299.68, abs=0.06)


def test_one_slipped_lug_lowers_and_splits() -> None:
    spec = DrumSpec(uneven=0.0, lugs=10)
    slipped = DrumState(lug_tension=(0.68, *([1.0] * 9)))
    before, after = tune(spec, DrumState()), tune(spec, slipped)
    index = 1  # (1,1)
    assert after.mode_hz[index] / before.mode_hz[index] == pytest.approx(np.sqrt(0.968))
    assert after.split[0, index] > 1.01 > 0.99 > after.split[1, index]
    np.testing.assert_allclose(before.split, 1.0)


def test_a_drum_is_tuned_to_its_note_and_cents() -> None:
    spec = DrumSpec(note_hz=182.0, uneven=0.0)
    assert tune(spec, DrumState()).low_hz == pytest.approx(182.0, abs=0.01)
    flat = tune(spec, DrumState(cents=-30.0))
    assert 1200 * np.log2(flat.mode_hz[3] / tune(spec, DrumState()).mode_hz[3]) == pytest.approx(
        -30
    )


def test_air_lowers_low_modes_most() -> None:
    """Rossing (JASA 85 S33, 1989): air mass spreads the modes with diameters apart; an
    unenclosed timpani head has (2,1)/(1,1) near 1.48 where the ideal membrane has 1.340."""
    table = modes.mode_table(10.0)
    factor = modes.air_mass_factor(table.zero, 0.32, 0.19e-3 * 1390)
    assert np.all(np.diff(factor) > 0)
    ideal = table.zero[2] / table.zero[1]
    assert 1.40 < ideal * factor[2] / factor[1] < 1.56


def test_too_low_a_limit_is_refused() -> None:
    with pytest.raises(ValueError, match="highest_zero"):
        modes.mode_table(2.0)
