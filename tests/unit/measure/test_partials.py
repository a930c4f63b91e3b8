"""Partials, note and reasons of single strokes made from closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from liveassist.measure.bands import BANDS, decimate, step_for
from liveassist.measure.partials import measure_hit, needed_s, tap_partials
from liveassist.model import DrumKind, FloatArray
from tests.unit.measure.strokes import KICK_HZ, SNARE_HZ, stroke

RATE = 48000


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_note_of_a_snare_at_every_rate(rate: int) -> None:
    for seed in range(6):
        segment, onset = stroke(rate, SNARE_HZ, seed=seed)
        found = measure_hit(segment, rate, "snare", onset, math.inf)
        assert found.note_hz == pytest.approx(182.0, rel=0.01)
        assert found.note_sd_hz is not None
        assert found.note_sd_hz < 4.0
        assert found.pattern is not None
        assert found.reason is None


def test_note_and_t60_of_one_mode_in_closed_form() -> None:
    """190 Hz, tau 0.1 s: T60 0.6908 s (ln 1000 tau)."""
    t = np.arange(round(0.5 * RATE)) / RATE
    segment = np.concatenate([np.zeros(480), 0.5 * np.exp(-t / 0.1) * np.sin(2 * np.pi * 190 * t)])
    found = measure_hit(segment, RATE, "snare", 480, math.inf)
    assert found.note_hz == pytest.approx(190.0, abs=0.05)
    assert found.ring_s == pytest.approx(0.6908, rel=0.01)
    assert len(found.partials) == 1
    # level at the start of the ringing part, 20 ms after the onset
    want = 20 * math.log10(0.5 * math.exp(-0.02 / 0.1))
    assert found.partials[0].level_dbfs == pytest.approx(want, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "frequencies", "note"), [("kick", KICK_HZ, 50.0), ("tom", (90.0, 143.0, 192.0), 90.0)]
)
def test_kick_and_tom(kind: DrumKind, frequencies: tuple[float, ...], note: float) -> None:
    segment, onset = stroke(RATE, frequencies, tau_s=0.12, seed=3)
    found = measure_hit(segment, RATE, kind, onset, math.inf)
    assert found.note_hz == pytest.approx(note, rel=0.01)


def test_bleed_outside_the_band_does_not_move_the_note() -> None:
    """A kick at 60 Hz under the snare, a cymbal ringing on at 5 kHz, both nearly as loud."""
    segment, onset = stroke(RATE, SNARE_HZ, seed=1)
    clean = measure_hit(segment, RATE, "snare", onset, math.inf)
    t = np.arange(len(segment)) / RATE
    cymbal = 0.2 * np.sin(2 * np.pi * 5100 * t) + 0.2 * np.sin(2 * np.pi * 7333 * t)
    kick = 0.2 * np.exp(-t / 0.15) * np.sin(2 * np.pi * 60 * t)
    dirty = measure_hit(segment + cymbal + kick, RATE, "snare", onset, math.inf)
    assert clean.note_hz is not None
    assert dirty.note_hz == pytest.approx(clean.note_hz, abs=1.0)


def test_an_unannounced_stroke_in_the_ringing_part_is_not_measured_through() -> None:
    segment, onset = stroke(RATE, SNARE_HZ, seed=1)
    later, _ = stroke(RATE, [251.0, 377.0], seed=2, before_s=0.0)
    start = onset + round(0.100 * RATE)
    segment[start:] += later[: len(segment) - start]
    found = measure_hit(segment, RATE, "snare", onset, math.inf)
    assert found.pattern is None
    assert all(abs(partial.frequency_hz - 251.0) > 5.0 for partial in found.partials)
    assert found.note_hz == pytest.approx(182.0, rel=0.02)


def test_reasons() -> None:
    segment, onset = stroke(RATE, SNARE_HZ)
    near = measure_hit(segment, RATE, "snare", onset, 0.030)
    assert near.note_hz is None
    assert near.reason is not None
    assert "next stroke 30 ms later" in near.reason
    cut = measure_hit(segment[: onset + 1500], RATE, "snare", onset, math.inf)
    assert cut.reason is not None
    assert "recording ends" in cut.reason
    middle = measure_hit(segment, RATE, "snare", onset, 0.090)
    assert middle.note_hz is not None
    assert middle.pattern is None
    assert middle.reason == "too short before the next stroke for drift"
    cymbal = measure_hit(segment, RATE, "cymbal", onset, math.inf)
    assert cymbal.reason == "a cymbal has no head to tune"
    assert needed_s("cymbal") == 0.0
    assert measure_hit(np.zeros(40000), RATE, "snare", onset, math.inf).reason is not None


def test_level_scales_and_nothing_else() -> None:
    segment, onset = stroke(RATE, SNARE_HZ, noise=0.0)
    loud = measure_hit(segment, RATE, "snare", onset, math.inf)
    soft = measure_hit(0.1 * segment, RATE, "snare", onset, math.inf)
    assert soft.note_hz == pytest.approx(loud.note_hz, rel=1e-6)
    assert loud.pattern is not None
    assert soft.pattern is not None
    top = int(np.argmax(loud.pattern))
    assert soft.pattern[top] - loud.pattern[top] == pytest.approx(-20.0, abs=1e-6)


def test_attack_time() -> None:
    segment = np.zeros(30000)
    segment[480 + 240] = 0.7
    assert measure_hit(segment, RATE, "kick", 480, math.inf).attack_ms == pytest.approx(5.0)


def test_tap_shows_a_split_mode_as_two() -> None:
    """Tension uneven by 4 %: (1,1) at 305.74 and 299.68 Hz, (0,1) whole (Rayleigh-Ritz)."""
    t = np.arange(round(1.0 * RATE)) / RATE
    tap: FloatArray = sum(
        (a * np.exp(-t / 0.15) * np.cos(2 * np.pi * f * t + f) for f, a in
         ((190.0, 0.3), (305.74, 0.2), (299.68, 0.15))),
        start=np.zeros(len(t)),
    )  # fmt: skip
    tap += 1e-4 * np.random.default_rng(0).standard_normal(len(t))
    found = tap_partials(np.concatenate([np.zeros(480), tap]), RATE, "snare", 480, math.inf)
    got = [partial.frequency_hz for partial in found]
    assert got == pytest.approx([190.0, 299.68, 305.74], abs=0.1)


def test_decimation_keeps_the_band_and_stops_what_would_alias() -> None:
    """Against scipy's frequency response of the same filter, and sample alignment of a pulse."""
    t = np.arange(RATE) / RATE
    step = step_for(900.0, RATE)
    kept = decimate(np.asarray(np.sin(2 * np.pi * 700 * t)), 8000, 800, step)
    at = (8000 + step * np.arange(800)) / RATE
    assert np.max(np.abs(kept - np.sin(2 * np.pi * 700 * at))) < 0.01
    aliasing = RATE / step - 500.0
    gone = decimate(np.asarray(np.sin(2 * np.pi * aliasing * t)), 8000, 800, step)
    assert np.max(np.abs(gone)) < 10 ** (-55 / 20)
    reference = signal.resample_poly(np.sin(2 * np.pi * 300 * t), 1, 10)
    mine = decimate(np.asarray(np.sin(2 * np.pi * 300 * t)), 0, len(reference), 10)
    assert np.max(np.abs((mine - reference)[200:-200])) < 0.01


def test_bands_fit_the_lowest_usual_rate() -> None:
    for band in BANDS.values():
        assert step_for(band.high_hz, 44100.0) >= 1
        assert band.high_hz < 0.4 * 44100.0
