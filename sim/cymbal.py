"""Cymbals and hi-hat: dense partials whose treble builds up after the stroke.

A thin metal plate has a near-constant density of modes (`plate_modes_per_khz`). Struck hard, energy
moves from low modes to high ones over milliseconds (a cascade), so the treble arrives late and
louder than in proportion. Modelled per band: partials at fixed random frequencies of the plate,
each band with its own level, build-up and decay; two halves of the plate radiate with different
phases, so that microphones hear different sums. Build-up follows what N. H. Fletcher and T. D.
Rossing, *The Physics of Musical Instruments*, ch. 20, say of a cymbal struck with a stick (from
memory): peaks at 700 to 1000 Hz stand after 10 to 20 ms, the strong sound at 3 to 5 kHz after 50 to
100 ms, and the last to ring are a few hundred hertz. Levels and decay of the bands are plain
parameters, set beside one recorded kit (see docs/simulator.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft

from .drumspec import DrumState, Emission, Signal, Strike

FloatArray = npt.NDArray[np.float64]
Carriers = npt.NDArray[np.float16]


@dataclass(frozen=True, slots=True)
class CymbalSpec:
    """``kind``: hihat, crash, ride or china. ``t60_s``: decay near 1 kHz (for a hi-hat: fully
    open); ``decay_slope``: power of the frequency it falls with, None for the kind's own;
    ``closed_t60_s``: hi-hat closed; ``bright_db``: treble tilt; ``stick_db``: contact ping;
    ``diameter_in`` and ``thickness_mm``: size of the source, density of its modes;
    ``loudness_db``: as for drums."""

    kind: str = "crash"
    diameter_in: float = 16.0
    t60_s: float = 2.5
    closed_t60_s: float = 0.16
    bright_db: float = 0.0
    stick_db: float = -8.0
    build_ms: float = 14.0
    thickness_mm: float = 1.0
    decay_slope: float | None = None
    loudness_db: float = 0.0

    @property
    def radius_m(self) -> float:
        """Radius of the plate."""
        return self.diameter_in * 0.0254 / 2

    @property
    def modes_per_khz(self) -> float:
        """Modes in each kilohertz; a hi-hat is two plates."""
        plates = 2 if self.kind == "hihat" else 1
        return plates * plate_modes_per_khz(self.radius_m, self.thickness_mm * 1e-3)

    @property
    def slope(self) -> float:
        """Power of the frequency by which decay falls."""
        return SLOPES[self.kind] if self.decay_slope is None else self.decay_slope


#: Cast bronze: Young's modulus (Pa), density (kg/m^3), Poisson's ratio; from memory.
BRONZE = (110e9, 8700.0, 0.34)
#: Band edges, Hz, and level (dB) of each band by kind for a full stroke.
EDGES = (180.0, 350.0, 700.0, 1200.0, 2000.0, 3200.0, 5000.0, 8000.0, 12500.0, 20000.0)
LEVELS: dict[str, tuple[float, ...]] = {
    "hihat": (-24, -24, -25, -21, -16, -11, -7, -7, -12),
    "crash": (-24, -17, -13, -14, -10, -7, -5, -6, -11),
    "ride": (-27, -23, -19, -16, -13, -10, -8, -7, -10),
    "china": (-30, -26, -20, -10, -5, -7, -7, -9, -15),
}
#: T60 falls as the frequency to this power.
SLOPES = {"hihat": 0.08, "crash": 0.15, "ride": 0.1, "china": 0.4}


def plate_modes_per_khz(radius_m: float, thickness_m: float) -> float:
    """Modes of a flat round plate in each kilohertz, far above its lowest.

    ``S / h * sqrt(3 rho (1 - nu^2) / E)`` a hertz: the textbook mode count of bending waves,
    ``N(omega) = omega S / (2 pi h) sqrt(3 rho (1 - nu^2) / E)``, whatever the edge and shape. That
    the dome and taper of a cymbal change it little above a kilohertz is assumed.
    """
    young, density, poisson = BRONZE
    area = np.pi * radius_m**2
    per_hz = area / thickness_m * np.sqrt(3.0 * density * (1.0 - poisson**2) / young)
    return float(1000.0 * per_hz)


def bands(
    spec: CymbalSpec, plate_seed: int, seed: tuple[int, ...], count: int, rate: int
) -> Carriers:
    """Steady sums of partials, shape (halves, bands, count), each band of unit RMS.

    ``plate_seed`` fixes the partials' frequencies (the cymbal), ``seed`` their phases (where it
    is struck). Half precision: it is kept, and 66 dB under a band of partials is nothing.
    """
    plate = np.random.default_rng([plate_seed, 5])
    phase = np.random.default_rng([*seed, 23])
    top = min(EDGES[-1], 0.47 * rate)
    number = int(spec.modes_per_khz * (top - EDGES[0]) / 1000)
    partial_hz = np.sort(plate.uniform(EDGES[0], top, number))
    strength = plate.exponential(1.0, number)
    place = np.round(partial_hz * count / rate).astype(np.int64)
    out = np.empty((2, len(EDGES) - 1, count), dtype=np.float16)
    turn = phase.uniform(0, 2 * np.pi, number)
    other = turn + phase.normal(0, 1.2, number)
    for half, angles in enumerate((turn, other)):
        wave = strength * np.exp(1j * angles)
        for band in range(len(EDGES) - 1):
            inside = (partial_hz >= EDGES[band]) & (partial_hz < EDGES[band + 1])
            spectrum = np.zeros(count // 2 + 1, dtype=np.complex64)
            np.add.at(spectrum, place[inside], wave[inside].astype(np.complex64))
            signal = irfft(spectrum, count)
            size = np.sqrt(np.mean(signal**2))
            out[half, band] = signal / size if size > 0 else 0.0
    return out


def envelopes(
    spec: CymbalSpec, state: DrumState, level_db: float, articulation: str, count: int, rate: int
) -> Signal:
    """Amplitude of each band over time, shape (bands, count)."""
    time = (np.arange(count) / rate).astype(np.float32)
    centre = np.sqrt(np.array(EDGES[:-1]) * np.array(EDGES[1:]))
    level = np.array(LEVELS[spec.kind]) + spec.bright_db * np.log2(centre / 4000.0) / 3
    # Softer strokes are darker: up to 0.35 dB more treble lost per dB, high bands most.
    darker = 0.12 * np.clip(np.log2(centre / 1500.0), -1.5, 3.0)
    size = 10 ** ((level + level_db * (1.0 + darker)) / 20)
    if spec.kind == "hihat":
        t60 = hat_t60(spec, state, articulation, centre)
    else:
        t60 = spec.t60_s * (1000.0 / centre) ** spec.slope
    build = spec.build_ms * 1e-3 * np.clip(np.log2(centre / 500.0), 0.15, 3.0) / 2
    if spec.kind == "hihat":
        build = build * (0.15 + 2.0 * hat_openness(state, articulation) ** 2)
    decay = (-np.log(1000.0) / t60).astype(np.float32)
    out = np.exp(time[None] * decay[:, None])
    # The build-up is over after six time constants of the slowest band.
    early = min(int(6 * build.max() * rate) + 1, count)
    rise = (-1.0 / build).astype(np.float32)
    out[:, :early] *= 1.0 - np.float32(0.85) * np.exp(time[None, :early] * rise[:, None])
    out *= np.minimum(time / 0.0004, 1.0)[None]
    short = min(int(0.05 * rate), count)
    burst = 10 ** (spec.stick_db / 20) * np.exp(-time[:short] / np.float32(0.0035))
    out[:, :short] += np.where(centre > 1500.0, 1.0, 0.3).astype(np.float32)[:, None] * burst[None]
    return np.asarray(out * size.astype(np.float32)[:, None], dtype=np.float32)


def hat_openness(state: DrumState, articulation: str) -> float:
    """How far the hi-hat is open, 0 to 1: as played, or as far as the pedal lets it close."""
    played = {"open": 0.85, "half_open": 0.5}.get(articulation, 0.0)
    return min(max(played, state.openness), 1.0)


def hat_t60(
    spec: CymbalSpec, state: DrumState, articulation: str, centre: FloatArray
) -> FloatArray:
    """Decay of a hi-hat: from closed to open on a logarithmic scale of openness 0 to 1."""
    openness = hat_openness(state, articulation)
    base = spec.closed_t60_s * (spec.t60_s / spec.closed_t60_s) ** openness
    return np.asarray(base * (3000.0 / centre) ** (0.2 - (0.2 - spec.slope) * openness))


def strike_cymbal(
    spec: CymbalSpec,
    state: DrumState,
    strike: Strike,
    carriers: Carriers,
    sample_rate_hz: int,
) -> list[Emission]:
    """One stroke as two emissions ("batter": near half, "under": far half of the plate)."""
    count = carriers.shape[2]
    curve = envelopes(spec, state, strike.level_db, strike.articulation, count, sample_rate_hz)
    if strike.articulation == "pedal":
        curve *= np.float32(0.35)
    near, far = np.zeros((2, count), dtype=np.float32)
    for band, shape in enumerate(curve):
        near += shape * carriers[0, band]
        far += shape * carriers[1, band]
    return [Emission("batter", near[None]), Emission("under", far[None])]


def duration_s(spec: CymbalSpec, state: DrumState, articulation: str) -> float:
    """Length to render: 60 dB of the longest band, at most 4 s."""
    if spec.kind == "hihat":
        centre = np.array([250.0])
        return float(min(hat_t60(spec, state, articulation, centre)[0] * 1.05 + 0.1, 3.0))
    return float(min(spec.t60_s * 1.2, 4.0))
