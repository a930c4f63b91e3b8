"""Character of a hit against closed forms: damped sinusoids whose shares and decays are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from liveassist.measure.character import RING_BANDS_HZ, character
from liveassist.model import FloatArray

RATE = 48_000
ONSET = 480


def sines(*parts: tuple[float, float, float], seconds: float = 0.6) -> FloatArray:
    """Damped sinusoids (Hz, amplitude, T60 in s) after 10 ms of silence."""
    time = np.arange(round(seconds * RATE)) / RATE
    wave = sum(
        (a * np.sin(2 * np.pi * hz * time) * 10.0 ** (-3.0 * time / t60) for hz, a, t60 in parts),
        start=np.zeros(len(time)),
    )
    return np.concatenate([np.zeros(ONSET), wave])


def test_shares_are_those_of_the_powers() -> None:
    """At like decay, powers are as the squares of the amplitudes: 1, 1/4, 1/100, 1/400."""
    parts = [(200.0, 1.0, 0.4), (500.0, 0.5, 0.4), (4000.0, 0.1, 0.4), (8000.0, 0.05, 0.4)]
    found = character(sines(*parts), RATE, ONSET, math.inf)
    assert found is not None
    total = 1.0 + 0.25 + 0.01 + 0.0025
    for region, power in zip(
        ("body", "box", "crack", "wires"), (1.0, 0.25, 0.01, 0.0025), strict=True
    ):
        assert found.region_db[region] == pytest.approx(10 * math.log10(power / total), abs=0.15)
    assert found.wires_to_body_db == pytest.approx(-26.02, abs=0.15)
    centroid = (200 * 1.0 + 500 * 0.25 + 4000 * 0.01 + 8000 * 0.0025) / total
    assert found.brightness_hz == pytest.approx(centroid, rel=0.02)


@pytest.mark.parametrize("t60", [0.15, 0.3, 0.6])
def test_ring_by_band(t60: float) -> None:
    """Each octave holds one sinusoid of known decay; its neighbours do not tell otherwise."""
    parts = [(hz, 0.3, t60) for hz in RING_BANDS_HZ[1:]]
    found = character(sines(*parts), RATE, ONSET, math.inf)
    assert found is not None
    assert found.ring_s[1:] == pytest.approx([t60] * 5, rel=0.08)


def test_attack_is_the_rise_from_a_tenth_to_nine_tenths() -> None:
    """A straight rise over 5 ms takes 4 ms for that."""
    rise = np.arange(round(0.005 * RATE)) / round(0.005 * RATE)
    wave = np.concatenate([np.zeros(ONSET), rise, np.full(RATE // 4, 0.1)])
    found = character(wave, RATE, ONSET, math.inf)
    assert found is not None
    assert found.attack_ms == pytest.approx(4.0, abs=0.05)


def test_loudness_does_not_change_character() -> None:
    wave = sines((190.0, 1.0, 0.4), (3300.0, 0.2, 0.1))
    loud, soft = (character(gain * wave, RATE, ONSET, math.inf) for gain in (1.0, 0.01))
    assert loud is not None
    assert soft is not None
    assert soft.region_db == pytest.approx(loud.region_db)
    assert soft.brightness_hz == pytest.approx(loud.brightness_hz)


def test_what_the_next_stroke_cuts_off_is_not_measured() -> None:
    wave = sines((190.0, 1.0, 0.4))
    assert character(wave, RATE, ONSET, 0.05) is None
    short = character(wave, RATE, ONSET, 0.15)
    assert short is not None
    assert short.ring_s == (None,) * 6
    assert character(np.zeros(RATE), RATE, ONSET, math.inf) is None
    assert character(wave[: ONSET + 100], RATE, ONSET, math.inf) is None
