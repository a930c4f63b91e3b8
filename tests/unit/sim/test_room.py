"""Distance, delay, pattern and decay against their formulas."""

from __future__ import annotations

import numpy as np
import pytest

from sim import room

RATE = 48000
FREE = room.Room(size_m=(8.0, 7.0, 4.0), t60_s=0.5, reflection=0.0)


def capsule(share: float, facing: tuple[float, float, float] = (1.0, 0.0, 0.0)) -> room.Capsule:
    return room.Capsule((3.0, 3.0, 1.5), facing, share)


def direct(source: tuple[float, float, float], share: float = 1.0) -> np.ndarray:
    return room.direct_response(np.array(source), capsule(share), FREE, RATE, 4096)


def level_db(response: np.ndarray, hz: float = 6000.0) -> float:
    spectrum = np.abs(np.fft.rfft(response))
    return float(20 * np.log10(spectrum[round(hz * response.size / RATE)]))


def test_doubling_the_distance_costs_six_decibels() -> None:
    near, far = direct((4.0, 3.0, 1.5)), direct((5.0, 3.0, 1.5))
    assert level_db(near) == pytest.approx(0.0, abs=0.02)
    assert level_db(far) == pytest.approx(-6.02, abs=0.02)


def test_delay_is_distance_over_the_speed_of_sound() -> None:
    """343.2 m/s at 20 degrees: 1 m is 2.914 ms."""
    response = direct((4.0, 3.0, 1.5))
    spectrum = np.fft.rfft(response)
    hz = np.fft.rfftfreq(response.size, 1 / RATE)
    band = (hz > 500) & (hz < 8000)
    slope = np.polyfit(hz[band], np.unwrap(np.angle(spectrum[band])), 1)[0]
    delay_s = -slope / (2 * np.pi) - room.LEAD_SAMPLES / RATE
    assert delay_s == pytest.approx(1.0 / 343.2, abs=2e-6)


@pytest.mark.parametrize(("celsius", "speed"), [(10, 337.3), (20, 343.2), (30, 349.0)])
def test_speed_of_sound(celsius: float, speed: float) -> None:
    assert room.Room(temperature_c=celsius).speed_m_s == pytest.approx(speed, abs=0.06)


# First-order patterns, dB at 90, 120 and 180 degrees (closed form a + (1-a) cos).
@pytest.mark.parametrize(
    ("pattern", "at_90", "at_120", "at_180"),
    [
        ("cardioid", -6.02, -12.04, -np.inf),
        ("supercardioid", -8.73, -26.2, -11.44),
        ("hypercardioid", -12.04, -18.06, -6.02),
        ("omni", 0.0, 0.0, 0.0),
    ],
)
def test_patterns(pattern: str, at_90: float, at_120: float, at_180: float) -> None:
    share = room.PATTERNS[pattern]
    for degrees, expected in ((90, at_90), (120, at_120), (180, at_180)):
        gain = abs(room.polar_gain(share, float(np.cos(np.radians(degrees)))))
        found = 20 * np.log10(max(gain, 1e-12))
        assert found == pytest.approx(max(expected, -240.0), abs=0.06) or found < -200 > expected


def test_pattern_is_heard_in_the_response() -> None:
    """A source 120 degrees off a cardioid at 1 m is 12.04 dB down (treble, so that the proximity
    rise of the gradient part is small)."""
    angle = np.radians(120)
    source = (3.0 + np.cos(angle), 3.0 + np.sin(angle), 1.5)
    assert level_db(direct(source, 0.5)) == pytest.approx(-12.04, abs=0.1)


def test_proximity_rise_follows_the_spherical_wave() -> None:
    """Gradient part times |1 + c/(j w r)|: at 100 Hz and 5 cm on the axis of a cardioid."""
    response = room.direct_response(np.array([3.05, 3.0, 1.5]), capsule(0.5), FREE, RATE, 48000)
    omega = 2 * np.pi * 100.0
    expected = abs(0.5 + 0.5 * (1 + FREE.speed_m_s / (1j * omega * 0.05)))
    rise = level_db(response, 100.0) - level_db(response, 6000.0)
    # The capsule's own corner at 25 Hz takes a little at 100 Hz.
    assert rise == pytest.approx(20 * np.log10(expected), abs=0.5)


@pytest.mark.parametrize("t60", [0.3, 0.6])
def test_tail_decays_in_t60(t60: float) -> None:
    """Schroeder integration (ISO 3382-1), T20 of the tail below 1 kHz."""
    box = room.Room(size_m=(6.0, 5.0, 3.0), t60_s=t60, t60_high_s=t60, reflection=0.0)
    rng = np.random.default_rng(1)
    length = int(1.6 * t60 * RATE)
    noise = room.tail(capsule(1.0), box, RATE, length, np.array([2.0, 3.0, 1.5]), rng)
    decay = np.cumsum(noise[::-1] ** 2)[::-1]
    decay_db = 10 * np.log10(decay / decay.max() + 1e-30)
    start, stop = np.argmax(decay_db < -5), np.argmax(decay_db < -25)
    slope = np.polyfit(np.arange(start, stop) / RATE, decay_db[start:stop], 1)[0]
    assert -60 / slope == pytest.approx(t60, rel=0.08)


def test_diffuse_level_equals_direct_at_the_critical_distance() -> None:
    box = room.Room(size_m=(6.0, 5.0, 3.0), t60_s=0.4)
    rng = np.random.default_rng(2)
    noise = room.tail(capsule(1.0), box, RATE, RATE, np.array([2.0, 3.0, 1.5]), rng)
    assert np.sqrt(np.sum(noise**2)) == pytest.approx(1 / box.critical_distance_m, rel=1e-6)
    assert box.critical_distance_m == pytest.approx(0.057 * np.sqrt(90 / 0.4))


def test_first_reflection_arrives_from_the_floor() -> None:
    """Image of the source below the floor, by hand."""
    box = room.Room(size_m=(20.0, 20.0, 12.0), t60_s=0.0, reflection=0.5)
    source = np.array([10.0, 10.0, 0.8])
    hearing = room.Capsule((11.0, 10.0, 1.0), (1.0, 0.0, 0.0), 1.0)
    full = room.path_response(source, hearing, box, RATE, np.random.default_rng(0))
    alone = room.direct_response(source, hearing, box, RATE, full.size)
    bounced = np.abs(full - alone)
    expected = np.hypot(1.0, 1.8) / box.speed_m_s * RATE + room.LEAD_SAMPLES
    assert abs(int(np.argmax(bounced)) - expected) < 4


def test_nothing_arrives_before_the_sound_can() -> None:
    response = direct((5.0, 3.0, 1.5))
    arrival = int(2.0 / FREE.speed_m_s * RATE) + room.LEAD_SAMPLES
    assert np.abs(response[: arrival - 26]).max() == 0.0
