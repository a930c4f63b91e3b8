"""Cymbals against plate theory and what is published of their build-up."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from sim.cymbal import EDGES, CymbalSpec, bands, envelopes, hat_t60, plate_modes_per_khz
from sim.drumspec import DrumState

RATE = 48000
SHUT = DrumState()


def test_mode_count_is_that_of_a_simply_supported_plate() -> None:
    """Modes of a rectangular plate counted one by one: omega = sqrt(D / rho h) pi^2 (n^2/a^2 +
    m^2/b^2), the textbook case; density far up depends on area only, so a disc has the same."""
    young, density, poisson, thick = 110e9, 8700.0, 0.34, 1e-3
    radius = 0.2159
    width = radius * np.sqrt(np.pi) * 1.1
    height = np.pi * radius**2 / width
    stiffness = young * thick**3 / (12 * (1 - poisson**2))
    n, m = np.meshgrid(np.arange(1, 200), np.arange(1, 200))
    omega = (
        np.sqrt(stiffness / (density * thick)) * np.pi**2 * ((n / width) ** 2 + (m / height) ** 2)
    )
    hz = omega / 2 / np.pi
    counted = np.sum((hz > 5000) & (hz < 15000)) / 10.0
    assert plate_modes_per_khz(radius, thick) == pytest.approx(counted, rel=0.05)


def test_a_hihat_is_two_plates() -> None:
    one = CymbalSpec(kind="crash", diameter_in=14.0)
    assert CymbalSpec(kind="hihat", diameter_in=14.0).modes_per_khz == 2 * one.modes_per_khz


def test_partials_of_a_band_are_as_dense_as_the_plate_says() -> None:
    spec = CymbalSpec(kind="crash", diameter_in=17.0)
    count = 4 * RATE
    wave = bands(spec, 3, (1,), count, RATE)[0, 2].astype(np.float64)
    size = np.abs(np.fft.rfft(wave))
    hz = np.fft.rfftfreq(count, 1 / RATE)
    inside = (hz >= EDGES[2]) & (hz < EDGES[3])
    peaks, _ = find_peaks(size[inside], height=size[inside].max() * 1e-3)
    wanted = spec.modes_per_khz * (EDGES[3] - EDGES[2]) / 1000
    assert peaks.size == pytest.approx(wanted, rel=0.35)
    assert np.sqrt(np.mean(wave**2)) == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize(
    ("low", "high", "soonest", "latest"), [(700, 1200, 10, 20), (3200, 5000, 45, 100)]
)
def test_treble_builds_up_later(low: float, high: float, soonest: float, latest: float) -> None:
    """Fletcher and Rossing, *The Physics of Musical Instruments*, ch. 20 (from memory): peaks at
    700 to 1000 Hz after 10 to 20 ms, strong sound at 3 to 5 kHz after 50 to 100 ms. Time to nine
    tenths of the level it builds up to, the stick's own noise and decay left out."""
    spec = CymbalSpec(kind="crash", stick_db=-120.0, t60_s=1e6, build_ms=16.0)
    curve = envelopes(spec, SHUT, 0.0, "hit", RATE, RATE)[EDGES.index(low)]
    assert EDGES[EDGES.index(low) + 1] == high
    reached = 1e3 * float(np.argmax(curve >= 0.9 * curve[-1])) / RATE
    assert soonest <= reached <= latest


def test_softer_strokes_are_darker() -> None:
    loud, soft = (envelopes(CymbalSpec(), SHUT, level, "hit", 9600, RATE) for level in (0.0, -20.0))
    lost_db = 20 * np.log10(loud[:, 4800] / soft[:, 4800])
    assert lost_db[-1] > lost_db[0] + 5.0
    assert np.all(np.diff(lost_db) > -1e-6)


def test_decay_by_openness_is_monotonic() -> None:
    spec, centre = CymbalSpec(kind="hihat", t60_s=1.7, closed_t60_s=0.2), np.array([3000.0])
    times = [
        float(hat_t60(spec, DrumState(openness=o), "hit", centre)[0]) for o in (0, 0.3, 0.6, 1)
    ]
    assert times == sorted(times)
    assert times[0] == pytest.approx(0.2)
    assert times[-1] == pytest.approx(1.7)
