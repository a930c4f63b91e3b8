"""One strike on a drum, as the sound it sends out: heads, wires, contact click.

A drum is three sources: the batter head, the resonant head with its wires, and the point that is
struck. Each gives one signal per microphone, because near a head the modes with nodal diameters
are heard as the head moves under the microphone, while far away mostly the axisymmetric ones
remain; the path to the microphone (see room) does the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq
from scipy.special import factorial2, jv

from . import modes
from .drumnoise import click, rim_click, wires
from .drumspec import LONGEST_S, DrumSpec, DrumState, Emission, FloatArray, Signal, Strike, faded
from .geometry import Vector, spread_of

#: Modes with a Bessel zero above this are left to the contact click and the wires.
_HIGHEST_ZERO = 19.0
#: Quietest mode kept, relative to the loudest one at any microphone.
_KEEP = 10 ** (-65 / 20)


@dataclass(frozen=True)
class Tuned:
    """Frequencies of a drum in one state: the outcome of tension, air and uneven lugs."""

    table: modes.ModeTable
    low_hz: float
    high_hz: float
    mixing: float
    mode_hz: FloatArray
    split: FloatArray
    turn: FloatArray
    tension_n_per_m: float


@dataclass(frozen=True)
class MicView:
    """Weights of modes at microphones: ``cosine``/``sine`` of shape (microphones, modes)."""

    cosine: FloatArray
    sine: FloatArray
    axisymmetric: FloatArray = field(repr=False)


@lru_cache(maxsize=256)
def tune(spec: DrumSpec, state: DrumState) -> Tuned:
    """Find the head tension that puts the lowest mode at the note, then every other mode.

    A change of tension moves every partial by the same ratio. On a real drum the air spring and
    the resonant head hold the lowest pair back a little; here one number says how flat a head
    is, so that the truth needs no average over partials.
    """
    table = modes.mode_table(_HIGHEST_ZERO)
    spring = spec.seal * modes.air_spring(spec.density_kg_m2, spec.depth_m)

    def low(batter_hz: float) -> float:
        pair = modes.coupled_pair(batter_hz, batter_hz * spec.resonant_ratio, spring, spring)
        return pair[0] - spec.note_hz

    batter_hz = float(brentq(low, 1.0, spec.note_hz * 4.0))
    tensions = np.ones(spec.lugs)
    angles = 2 * np.pi * np.arange(spec.lugs) / spec.lugs
    tensions += spec.uneven * np.cos(2 * angles)
    if state.lug_tension:
        tensions *= np.asarray(state.lug_tension)
    shift = float(np.sqrt(tensions.mean())) * 2 ** (state.cents / 1200)
    lowest, highest, mixing = modes.coupled_pair(
        batter_hz, batter_hz * spec.resonant_ratio, spring, spring
    )
    lowest, highest, batter_hz = lowest * shift, highest * shift, batter_hz * shift
    # In vacuo fundamental from the loaded one, then every mode with its own air load.
    load = modes.air_mass_factor(table.zero, spec.radius_m, spec.density_kg_m2)
    mode_hz = batter_hz / load[0] * table.zero / modes.J01 * load
    split = np.ones((2, table.zero.size))
    turn = np.zeros(table.zero.size)
    for index, m in enumerate(table.m):
        if m > 0:
            _, size, angle = modes.lug_harmonics(tensions, 2 * int(m))
            split[:, index] = modes.split_factors(size)
            turn[index] = angle
    speed = 2 * np.pi * spec.radius_m * batter_hz / modes.J01
    return Tuned(
        table, lowest, highest, mixing, mode_hz, split, turn, speed**2 * spec.density_kg_m2
    )


def view(
    spec: DrumSpec, centre: Vector, axis: Vector, mics: FloatArray, table: modes.ModeTable
) -> MicView:
    """How strongly each microphone (rows of ``mics``, metres) hears each mode of one head.

    Axisymmetric modes radiate as their volume displacement. All modes have a near field
    ``shape(foot) * exp(-k h) / k``, the evanescent field of a bending wave slower than sound
    (own derivation); far away, those with nodal diameters keep a small multipole part.
    Weights are relative to the 1/r law that the path applies.
    """
    radius = spec.radius_m
    wave = table.zero / radius
    rows = [spread_of(mic, centre, axis) for mic in mics]
    cosine = np.zeros((len(rows), table.zero.size))
    sine = np.zeros_like(cosine)
    volume = radius**2 * jv(1, table.zero) / table.zero
    axisymmetric = table.m == 0
    far_factor = 0.35 / factorial2(2 * table.m + 1)
    turning = 2 * np.pi * 60.0 * table.zero / modes.J01 * radius / 343.0
    multipole = radius**2 / table.zero * far_factor * np.minimum(turning, 1.0) ** table.m
    for index, (height, lateral, angle) in enumerate(rows):
        distance = float(np.hypot(height, lateral))
        soft = float(np.hypot(distance, radius / 2))
        foot = min(lateral / radius, 0.97)
        overhang = max(lateral - radius, 0.0)
        reach = np.exp(-wave * (abs(height) + overhang)) / wave * soft
        inside = height < 0 and -height < spec.depth_m and lateral < radius
        side = 1.0 if height >= 0 else (-1.0 if inside else -0.35)
        shape_cos, shape_sin = modes.mode_shape(table, foot, angle)
        far_cos = np.where(axisymmetric, volume, multipole * np.cos(table.m * angle))
        far_sin = np.where(axisymmetric, 0.0, multipole * np.sin(table.m * angle))
        keep = np.where(axisymmetric, table.n > 1, 10 ** (spec.overtone_db / 20))
        if inside:
            far_cos = far_cos * np.where(table.zero < modes.J01 + 0.01, cavity_gain(spec), 1.0)
        cosine[index] = side * (far_cos + keep * reach * shape_cos)
        sine[index] = side * (far_sin + keep * reach * shape_sin)
    return MicView(cosine, sine, axisymmetric)


def cavity_gain(spec: DrumSpec) -> float:
    """How much louder the lowest mode is inside the shell than just outside the head.

    Own derivation, long waves: compressing the enclosed air gives gamma P0 x / L, the head
    radiating into the open rho omega^2 x a; their ratio times the seal of the shell, plus one.
    """
    omega = 2 * np.pi * spec.note_hz
    outside = modes.AIR_DENSITY * omega**2 * spec.radius_m * spec.depth_m
    return float(1.0 + spec.seal * modes.GAMMA_P0_PA / outside)


def contact_pulse(contact_ms: float, sample_rate_hz: int) -> FloatArray:
    """Force of stick or beater over time: a raised cosine of unit area."""
    count = max(3, round(contact_ms * 1e-3 * sample_rate_hz))
    pulse = 1.0 - np.cos(2 * np.pi * (np.arange(count) + 0.5) / count)
    return np.asarray(pulse / pulse.sum())


def acceleration_kernel(pulse: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Second derivative of a force pulse.

    A mode struck by an impulse moves as ``sin(omega t) / omega``; sound follows the acceleration
    of that movement, so displacement is convolved with this instead of differentiated after.
    It sums to zero: no net acceleration stays in a head that comes to rest.
    """
    padded = np.concatenate([[0.0, 0.0], pulse, [0.0, 0.0]])
    return np.asarray(np.diff(padded, n=2) * float(sample_rate_hz) ** 2)


def warped_time(
    spec: DrumSpec, tuned: Tuned, state: DrumState, level_db: float, count: int, rate: int
) -> FloatArray:
    """Seconds of resting-pitch time passed at each sample: the pitch glide of a stretched head."""
    time = np.arange(count) / rate
    stroke = spec.full_stroke_mm * 1e-3 * 10 ** (level_db / 20)
    fade = np.exp(-np.log(1000.0) / (spec.t60_s * state.ring) * time)
    rise = modes.tension_rise(
        stroke * fade, spec.radius_m, tuned.tension_n_per_m, spec.head_mm * 1e-3
    )
    return np.asarray(np.cumsum(modes.glide_ratio(rise)) / rate)


def oscillators(
    frequency_hz: FloatArray, t60_s: FloatArray, clock_s: FloatArray, rate: int
) -> Signal:
    """Damped sines, shape (modes, samples), each from zero at the first sample."""
    out = np.zeros((frequency_hz.size, clock_s.size), dtype=np.float32)
    time = (np.arange(clock_s.size) / rate).astype(np.float32)
    for row, frequency, t60 in zip(out, frequency_hz, t60_s, strict=True):
        stop = min(clock_s.size, int(1.4 * t60 * rate) + 1)
        cycles = frequency * clock_s[:stop]
        phase = ((cycles - np.floor(cycles)) * (2 * np.pi)).astype(np.float32)
        np.sin(phase, out=row[:stop])
        row[:stop] *= np.exp(np.float32(-np.log(1000.0) / t60) * time[:stop])
    return out


def _decay(spec: DrumSpec, state: DrumState, tuned: Tuned, hz: FloatArray) -> FloatArray:
    """T60 of each mode: longer for modes with diameters, falling with frequency."""
    base = np.where(tuned.table.m == 0, spec.t60_s, spec.ring_t60_s) * state.ring
    octaves = np.maximum(np.log2(hz / tuned.low_hz), 0.0)
    # Each mode meets hoop and shell differently: a fixed scatter about the trend.
    scatter = np.exp(0.35 * np.sin(7.3 * tuned.table.zero + 11.0 * tuned.table.m))
    return np.asarray(base * scatter / (1.0 + spec.slope * octaves**1.3))


def strike_drum(
    spec: DrumSpec,
    state: DrumState,
    strike: Strike,
    batter_view: MicView,
    under_view: MicView,
    sample_rate_hz: int,
    scale: float = 1.0,
) -> list[Emission]:
    """Everything a strike sends out. ``scale``: factor on head motion that brings a full stroke
    to 1 at 1 m (click and wires are relative to that)."""
    rng = np.random.default_rng([*strike.seed, 17])
    if strike.articulation == "rim_click":
        return rim_click(strike, rng, sample_rate_hz)
    tuned = tune(spec, state)
    rate = sample_rate_hz
    # Soft strokes sink into the noise sooner, so they are rendered shorter.
    longest = 1.25 * max(spec.t60_s, spec.ring_t60_s) * state.ring
    longest *= 1.0 + min(strike.level_db, 0.0) / 75.0
    count = int(min(longest, LONGEST_S) * rate)
    force = 10 ** (strike.level_db / 20)
    radius, angle = _place(spec, strike.articulation, rng)
    contact = spec.contact_ms * (1 + 0.03 * rng.standard_normal()) * force**-0.12
    pulse = acceleration_kernel(contact_pulse(contact, rate), rate)
    clock = warped_time(spec, tuned, state, strike.level_db, count, rate)
    place = (radius, angle)
    batter, drive, ring = _head_signals(spec, state, tuned, place, batter_view, clock, rate)
    emissions = [Emission("batter", faded(batter * np.float32(force * scale), rate), None, pulse)]
    moving = np.convolve(drive, pulse)[:count]
    heard = faded((moving * force * scale).astype(np.float32)[None], rate)
    emissions.append(Emission("under", heard, under_view.cosine[:, 0]))
    if spec.wires_db is not None and state.wires:
        top = np.abs(moving).max()
        # The wires lie across the whole bottom head, and the air between the heads couples modes
        # with a diameter too (a snare's at 278 and 341 Hz: Rossing, Bork, Zhao and Fystrom, JASA
        # 92:84, 1992; figures from memory): they rattle as long as the batter rings.
        if spec.wires_ring > 0.0:
            moving = moving + spec.wires_ring * np.convolve(ring, pulse)[:count]
        rattle = wires(moving / top * force, spec.wires_db, rng, rate)
        emissions.append(Emission("under", faded(rattle[None], rate)))
    emissions.append(Emission("strike", click(spec, force, contact, rng, rate)))
    return emissions


def _place(spec: DrumSpec, articulation: str, rng: np.random.Generator) -> tuple[float, float]:
    """Where the head is met: radius (1: rim) and angle. ``lug_tap_3``: beside the third lug."""
    if articulation.startswith("lug_tap_"):
        lug = int(articulation.removeprefix("lug_tap_"))
        angle = 2 * np.pi * (lug - 1) / spec.lugs + 0.04 * rng.standard_normal()
        return float(np.clip(0.78 + 0.02 * rng.standard_normal(), 0.0, 0.9)), float(angle)
    radius = float(np.clip(spec.strike_radius + 0.02 * rng.standard_normal(), 0.0, 0.9))
    return radius, float(rng.uniform(-0.4, 0.4))


def mixed(weights: FloatArray, waves: Signal, rate: int) -> Signal:
    """``weights @ waves`` without multiplying what has died: later stretches use fewer rows."""
    out = np.zeros((weights.shape[0], waves.shape[1]), dtype=np.float32)
    small = weights.astype(np.float32)
    edges = [0, *(int(t * rate) for t in (0.1, 0.25, 0.6, 1.2)), waves.shape[1]]
    for low, high in pairwise(edges):
        if low >= waves.shape[1]:
            break
        alive = np.flatnonzero(waves[:, low : low + 8].any(axis=1)) if low else slice(None)
        out[:, low:high] = small[:, alive] @ waves[alive, low:high]
    return out


def _head_signals(
    spec: DrumSpec,
    state: DrumState,
    tuned: Tuned,
    point: tuple[float, float],
    batter_view: MicView,
    clock: FloatArray,
    rate: int,
) -> tuple[Signal, FloatArray, FloatArray]:
    """Displacement of the batter as each microphone weights it; of the resonant head; of the
    batter in (1,1), as far as it would reach the resonant head."""
    table = tuned.table
    struck_cos, struck_sin = modes.mode_shape(table, point[0], point[1])
    turned = table.m * tuned.turn
    # Shapes along and across the axis in which uneven tension holds the mode.
    along = struck_cos * np.cos(turned) + struck_sin * np.sin(turned)
    across = struck_sin * np.cos(turned) - struck_cos * np.sin(turned)
    norm = jv(table.m + 1, table.zero) ** 2 * np.where(table.m == 0, 1.0, 0.5)
    push = 1.0 / (2 * np.pi * tuned.mode_hz * norm)
    view_along = batter_view.cosine * np.cos(turned) + batter_view.sine * np.sin(turned)
    view_across = batter_view.sine * np.cos(turned) - batter_view.cosine * np.sin(turned)
    first = 0  # the (0,1) mode is the lowest of the table
    split_along = np.cos(tuned.mixing) ** 2
    hz = np.concatenate([tuned.mode_hz * tuned.split[0], tuned.mode_hz * tuned.split[1]])
    weights = np.concatenate([view_along * (push * along), view_across * (push * across)], axis=1)
    t60 = np.concatenate([_decay(spec, state, tuned, hz[: table.m.size])] * 2)
    # (0,1) is a pair with the resonant head: low mode in place, high mode in the unused sine slot.
    swap = table.m.size
    hz[first], hz[swap] = tuned.low_hz, tuned.high_hz
    pair = view_along[:, first] * along[first] / norm[first]
    omega = 2 * np.pi * hz
    weights[:, first] = pair / omega[first] * split_along
    weights[:, swap] = pair / omega[swap] * (1.0 - split_along)
    t60[swap] = t60[first] * 0.8
    # What counts is how loud a mode sounds: acceleration, as far as the contact excites it.
    loudest = np.abs(weights).max(axis=0) * hz**2
    keep = np.flatnonzero(loudest > _KEEP * loudest.max())
    waves = oscillators(hz[keep], t60[keep], clock, rate)
    batter = mixed(weights[:, keep], waves, rate)
    chosen = {int(k): i for i, k in enumerate(keep)}
    mix = np.cos(tuned.mixing) * np.sin(tuned.mixing) * along[first] / norm[first]
    low_high = np.zeros((2, clock.size))
    for slot, (index, sign) in enumerate(((first, 1.0), (swap, -1.0))):
        if index in chosen:
            low_high[slot] = sign * mix / omega[index] * waves[chosen[index]]
    # (1,1) is the second of the table. That its pair is mixed as much as that of (0,1) is assumed.
    ring = np.zeros(clock.size)
    for index, weight in ((1, along[1]), (1 + swap, across[1])):
        if index in chosen:
            ring += weight / (norm[1] * omega[index]) * waves[chosen[index]]
    return batter, low_high.sum(axis=0), ring * np.sin(tuned.mixing)
