"""Paths of sound from a point in a room to a microphone: geometry in, impulse response out.

Level is relative to the sound at 1 m in the free field, so a path of 2 m on axis of any
microphone measures -6.02 dB. Sources: first-order polar patterns ``a + (1-a) cos(theta)`` with
the proximity term of a spherical wave (``1 + c / (j omega r)`` on the gradient part); image
sources for a box (Allen and Berkley, JASA 65:943, 1979); diffuse level from the critical
distance ``0.057 sqrt(V / T60)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

FloatArray = npt.NDArray[np.float64]

#: First-order patterns by name: share of the pressure part.
PATTERNS: dict[str, float] = {
    "omni": 1.0,
    "wide": 0.7,
    "cardioid": 0.5,
    "supercardioid": 0.366,
    "hypercardioid": 0.25,
    "figure8": 0.0,
}
#: Samples kept ahead of time zero so that band-limited interpolation never rings into the past.
LEAD_SAMPLES = 32
_SINC_HALF = 24
#: Corner below which the proximity rise stops, Hz (a capsule's own high-pass).
_PROXIMITY_FLOOR_HZ = 25.0
#: Sound behind an obstacle the size of a drum: common practice, no source.
_SHADE_HZ, _SHADE_GAIN = 1500.0, 0.8


@dataclass(frozen=True, slots=True)
class Room:
    """A box with walls at 0 and ``size_m``. ``reflection``: amplitude kept per bounce, 0 to 1."""

    size_m: tuple[float, float, float] = (6.0, 5.0, 2.8)
    t60_s: float = 0.35
    t60_high_s: float = 0.22
    reflection: float = 0.6
    temperature_c: float = 20.0
    diffuse_db: float = 0.0

    @property
    def speed_m_s(self) -> float:
        """Speed of sound, ``331.3 sqrt(1 + t / 273.15)``."""
        return float(331.3 * np.sqrt(1.0 + self.temperature_c / 273.15))

    @property
    def critical_distance_m(self) -> float:
        """Where direct and diffuse sound are equal, for an omnidirectional source."""
        return float(0.057 * np.sqrt(np.prod(self.size_m) / max(self.t60_s, 1e-3)))


@dataclass(frozen=True, slots=True)
class Capsule:
    """Where a microphone stands, which way it looks (unit vector), and its pattern share."""

    position_m: tuple[float, float, float]
    facing: tuple[float, float, float]
    pressure_share: float


def polar_gain(pressure_share: float, cosine: float) -> float:
    """Pattern ``a + (1-a) cos(theta)``; negative behind a figure of eight or hypercardioid."""
    return pressure_share + (1.0 - pressure_share) * cosine


def diffuse_factor(pressure_share: float) -> float:
    """RMS of the pattern over all directions: sqrt(a^2 + (1-a)^2 / 3)."""
    return float(np.sqrt(pressure_share**2 + (1.0 - pressure_share) ** 2 / 3.0))


def _place(response: FloatArray, delay_samples: float, gain: float) -> None:
    """Add a band-limited impulse at a fractional position (windowed sinc, 48 taps)."""
    centre = int(np.floor(delay_samples)) + LEAD_SAMPLES
    first = centre - _SINC_HALF + 1
    if first < 0 or centre + _SINC_HALF >= response.size:
        return
    offsets = np.arange(-_SINC_HALF + 1, _SINC_HALF + 1) - (delay_samples % 1.0)
    window = 0.5 + 0.5 * np.cos(np.pi * offsets / (_SINC_HALF + 1))
    response[first : first + offsets.size] += gain * np.sinc(offsets) * window


def _angle_cosine(capsule: Capsule, source: FloatArray) -> tuple[float, float]:
    """Distance in metres and cosine of the angle between the capsule's axis and the source."""
    way = source - np.asarray(capsule.position_m)
    distance = float(np.linalg.norm(way))
    if distance < 1e-6:
        return 1e-6, 1.0
    return distance, float(np.dot(way, capsule.facing) / distance)


def direct_response(
    source_m: FloatArray,
    capsule: Capsule,
    room: Room,
    sample_rate_hz: int,
    length: int,
    source_radius_m: float = 0.0,
) -> FloatArray:
    """Direct sound only, shape (length,), zero time at ``LEAD_SAMPLES``.

    ``source_radius_m``: a head is no point; nearer than about its radius the level stops rising,
    by using sqrt(r^2 + (radius/2)^2) in the distance law.
    """
    distance, cosine = _angle_cosine(capsule, source_m)
    soft = float(np.hypot(distance, source_radius_m / 2.0))
    delay = distance / room.speed_m_s * sample_rate_hz
    impulse = np.zeros(length)
    _place(impulse, delay, 1.0 / soft)
    share = capsule.pressure_share
    out = polar_gain(share, cosine) * impulse
    gradient = (1.0 - share) * cosine
    if gradient != 0.0:
        rate = room.speed_m_s / soft / sample_rate_hz
        pole = float(np.exp(-2 * np.pi * _PROXIMITY_FLOOR_HZ / sample_rate_hz))
        out += gradient * lfilter([rate], [1.0, -pole], impulse)
    return out


def _images(source: FloatArray, room: Room) -> list[tuple[FloatArray, int]]:
    """Image sources up to two bounces with their number of bounces (the source excluded)."""
    size = np.asarray(room.size_m)
    found: list[tuple[FloatArray, int]] = []
    for cell in product((-1, 0, 1), repeat=3):
        for flip in product((0, 1), repeat=3):
            bounces = sum(abs(2 * c - f) for c, f in zip(cell, flip, strict=True))
            if not 1 <= bounces <= 2:
                continue
            signs = 1 - 2 * np.asarray(flip)
            found.append((signs * source + 2 * np.asarray(cell) * size, bounces))
    return found


def path_response(
    source_m: FloatArray,
    capsule: Capsule,
    room: Room,
    sample_rate_hz: int,
    rng: np.random.Generator,
    source_radius_m: float = 0.0,
    shaded: bool = False,
) -> FloatArray:
    """Direct sound, early reflections and tail of one path; zero time at ``LEAD_SAMPLES``.

    The length covers 70 dB of the tail's decay. ``rng`` shapes the tail only. ``shaded``: a drum
    stands in the way of the direct sound, which goes around it darker.
    """
    length = LEAD_SAMPLES + int((0.06 + 1.17 * room.t60_s) * sample_rate_hz)
    out = direct_response(source_m, capsule, room, sample_rate_hz, length, source_radius_m)
    if shaded:
        bent = float(np.exp(-2 * np.pi * _SHADE_HZ / sample_rate_hz))
        out = np.asarray(lfilter([_SHADE_GAIN * (1.0 - bent)], [1.0, -bent], out))
    early = np.zeros(length)
    for image, bounces in _images(source_m, room):
        distance, cosine = _angle_cosine(capsule, image)
        gain = room.reflection**bounces * polar_gain(capsule.pressure_share, cosine) / distance
        _place(early, distance / room.speed_m_s * sample_rate_hz, gain)
    # Walls take more of the treble: one pole at 5 kHz for the bounced sound.
    pole = float(np.exp(-2 * np.pi * 5000.0 / sample_rate_hz))
    out += lfilter([1.0 - pole], [1.0, -pole], early)
    return np.asarray(out + tail(capsule, room, sample_rate_hz, length, source_m, rng))


def tail(
    capsule: Capsule,
    room: Room,
    sample_rate_hz: int,
    length: int,
    source_m: FloatArray,
    rng: np.random.Generator,
) -> FloatArray:
    """Diffuse tail: noise decaying by 60 dB in ``t60_s`` (bass) and ``t60_high_s`` (treble)."""
    distance, _ = _angle_cosine(capsule, source_m)
    start = LEAD_SAMPLES + int((distance / room.speed_m_s + 0.006) * sample_rate_hz)
    count = length - start
    if count <= 0 or room.t60_s <= 0:
        return np.zeros(length)
    noise = rng.standard_normal(count)
    pole = float(np.exp(-2 * np.pi * 2500.0 / sample_rate_hz))
    low = lfilter([1.0 - pole], [1.0, -pole], noise)
    time = np.arange(count) / sample_rate_hz
    decay = np.log(1000.0)
    shaped = low * np.exp(-decay * time / room.t60_s)
    shaped += (noise - low) * 0.5 * np.exp(-decay * time / max(room.t60_high_s, 1e-3))
    shaped *= 1.0 - np.exp(-time / 0.004)
    energy = float(np.sum(shaped**2))
    wanted = diffuse_factor(capsule.pressure_share) / room.critical_distance_m
    gain = wanted * 10 ** (room.diffuse_db / 20.0) / np.sqrt(energy)
    out = np.zeros(length)
    out[start:] = shaped * gain
    return out
