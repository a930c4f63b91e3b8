"""Hits as every microphone hears them, rendered once and kept.

A hit is looked up by instrument, articulation, level step, variant and state of the kit. The
level is rounded to a step and made exact with a gain, so that a session needs some hundred
renderings and mixes them at the cost of one addition a sample.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import lfilter

from .cymbal import Carriers, CymbalSpec, bands, duration_s, strike_cymbal
from .drum import strike_drum, tune, view
from .drumnoise import sympathy
from .drumspec import DrumSpec, DrumState, Emission, Signal, Strike
from .geometry import unit
from .kit import Instrument, Kit
from .room import LEAD_SAMPLES, path_response

#: Level steps of the bank, dB; within a step only the gain differs.
LEVEL_STEP_DB = 2.0
#: Strike variants per level step and instrument.
VARIANTS = 5
#: Span from the onset in which truth peaks are taken, s.
PEAK_SPAN_S = 0.040
#: What is left of outside sound within a drum's shell, amplitude, before the heads' mass is
#: counted, and the share that comes in by hole and vents (no published figure known).
_SHELTER, _LEAK = 0.5, 0.2
#: How long other drums are let ring along, s.
_SYMPATHY_S = 0.9
#: Renderings kept in memory, bytes; the oldest are dropped and rendered again when needed.
CACHE_BYTES = 80_000_000
#: The same of transfer functions and of sets of cymbal partials.
_PATH_BYTES, _CARRIER_BYTES = 40_000_000, 40_000_000
#: What is below this in every microphone is left out, amplitude (-90 dBFS).
_INAUDIBLE = 10 ** (-90 / 20)


@dataclass(frozen=True, slots=True)
class HitKey:
    """One rendering. ``sink_m``: how far each microphone has sunk, by column, if any has."""

    instrument: str
    articulation: str
    level_step: int
    variant: int
    state: DrumState
    sink_m: tuple[float, ...] = ()

    @property
    def level_db(self) -> float:
        """Level the rendering was struck at."""
        return self.level_step * LEVEL_STEP_DB


@dataclass(frozen=True, slots=True)
class HitFacts:
    """What the truth needs of a rendering: ``onset``: sample of a tenth of the peak, counted from
    the stroke; ``peak``: (microphones,) over the 40 ms from there."""

    onset: int
    peak: npt.NDArray[np.float64]


def nearest_step(level_db: float) -> int:
    """Level step nearest to a level."""
    return round(level_db / LEVEL_STEP_DB)


@dataclass(frozen=True, slots=True)
class Rendering:
    """A hit in every microphone in half the memory: 16 bits of each microphone's own peak.

    ``codes``: (samples, microphones); ``unit``: (microphones,), what one code is. The error, 98 dB
    under the peak, lies below every microphone's noise.
    """

    codes: npt.NDArray[np.int16]
    unit: Signal

    @classmethod
    def of(cls, audio: Signal) -> Rendering:
        """Of audio of shape (samples, microphones)."""
        unit = (np.abs(audio).max(axis=0) / 32767.0).astype(np.float32)
        unit = np.maximum(unit, np.float32(1e-30))
        return cls(np.round(audio / unit[None]).astype(np.int16), unit)

    def __len__(self) -> int:
        return int(self.codes.shape[0])

    def span(self, start: int, stop: int, gain: float = 1.0) -> Signal:
        """Samples ``start`` to ``stop``, times ``gain``."""
        return np.asarray(self.codes[start:stop] * (self.unit * np.float32(gain))[None])


class Bank:
    """Renders hits of one kit on demand. ``family`` separates pools of variants: a soundcheck
    and a session of one kit are struck by different strokes."""

    def __init__(self, kit: Kit, sample_rate_hz: int, family: int) -> None:
        self.kit = kit
        self.rate = sample_rate_hz
        self.family = family
        self._audio: OrderedDict[HitKey, Rendering] = OrderedDict()
        self._bytes = 0
        self._facts: dict[HitKey, HitFacts] = {}
        self._paths: dict[tuple[str, str, int, tuple[float, ...]], npt.NDArray[np.complex64]] = {}
        self._rows: dict[tuple[str, str, int, float], Signal] = {}
        self._carriers: dict[tuple[str, int, int], Carriers] = {}
        self._scale: dict[str, float] = {}
        self.rendered = 0
        self.gain = np.ones(len(kit.mics), dtype=np.float32)
        self.gain = self._set_gains()

    # --- public ---

    def audio(self, key: HitKey) -> Rendering:
        """The hit in every microphone; zero time at LEAD_SAMPLES."""
        found = self._audio.get(key)
        if found is not None:
            self._audio.move_to_end(key)
            return found
        out = Rendering.of(_trimmed(self._render(key) * self.gain[None], self.rate))
        self.rendered += 1
        self._audio[key] = out
        self._bytes += out.codes.nbytes
        while self._bytes > CACHE_BYTES and len(self._audio) > 1:
            _, old = self._audio.popitem(last=False)
            self._bytes -= old.codes.nbytes
        if key not in self._facts:
            self._facts[key] = self._measure(key, out)
        return out

    def facts(self, key: HitKey) -> HitFacts:
        """Onset and peaks of the hit alone, before anything that goes wrong in a preamp."""
        if key not in self._facts:
            self.audio(key)
        return self._facts[key]

    # --- inside ---

    def _measure(self, key: HitKey, audio: Rendering) -> HitFacts:
        size = np.abs(audio.span(0, len(audio)))
        own = self.kit.instrument(key.instrument).own
        columns = [self.kit.mic_index(own)] if own else list(range(size.shape[1]))
        onset = min(int(np.argmax(size[:, c] >= 0.1 * size[:, c].max())) for c in columns)
        stop = onset + int(PEAK_SPAN_S * self.rate)
        return HitFacts(onset - LEAD_SAMPLES, size[onset:stop].max(axis=0).astype(np.float64))

    def _set_gains(self) -> Signal:
        gains = np.ones(len(self.kit.mics), dtype=np.float32)
        peaks: dict[str, npt.NDArray[np.float64]] = {}
        for index, mic in enumerate(self.kit.mics):
            gains[index] = 10 ** (mic.gain_db / 20)
            if mic.peak_of is not None:
                if mic.peak_of not in peaks:
                    sizes = []
                    for variant in range(2):
                        key = HitKey(mic.peak_of, "hit", 0, variant, DrumState())
                        sizes.append(np.abs(self._render(key)).max(axis=0))
                    peaks[mic.peak_of] = np.mean(sizes, axis=0)
                gains[index] = 10 ** (mic.peak_dbfs / 20) / peaks[mic.peak_of][index]
        return gains

    def _mics(self, sink: tuple[float, ...]) -> npt.NDArray[np.float64]:
        places = np.array([mic.position_m for mic in self.kit.mics])
        if sink:
            places[:, 2] -= np.asarray(sink)
        return places

    def _emissions(self, key: HitKey, instrument: Instrument) -> list[Emission]:
        index = self.kit.instruments.index(instrument)
        # One pool a pitch-independent set of strokes: the same stroke at another tuning is kin.
        seed = (self.kit.seed, index, self.family, key.variant, key.level_step + 1000)
        strike = Strike(key.level_db, key.articulation, seed)
        spec = instrument.sound
        if isinstance(spec, CymbalSpec):
            count = next_fast_len(int(duration_s(spec, key.state, key.articulation) * self.rate))
            count += count % 2
            tag = (instrument.name, key.variant, count)
            if tag not in self._carriers:
                _make_room(self._carriers, _CARRIER_BYTES)
                pool = (self.kit.seed, index, self.family, key.variant)
                self._carriers[tag] = bands(
                    spec, self.kit.seed * 97 + index, pool, count, self.rate
                )
            return strike_cymbal(spec, key.state, strike, self._carriers[tag], self.rate)
        return self._drum(spec, instrument, strike, key)

    def _drum(
        self, spec: DrumSpec, instrument: Instrument, strike: Strike, key: HitKey
    ) -> list[Emission]:
        axis = unit(instrument.axis)
        top = np.asarray(instrument.position_m)
        under = top - axis * spec.depth_m
        mics = np.vstack([self._mics(key.sink_m), (top + axis)[None]])
        table = tune(spec, key.state).table
        views = (view(spec, top, axis, mics, table), view(spec, under, -axis, mics, table))
        if instrument.name not in self._scale:
            plain = Strike(0.0, "hit", (self.kit.seed, 0))
            parts = strike_drum(spec, DrumState(wires=False), plain, *views, self.rate)
            peak = float(np.abs(_one_metre(parts)).max())
            self._scale[instrument.name] = 1.0 / peak
        scale = self._scale[instrument.name]
        # Head motion is scaled so that the batter peaks at 1 at 1 m; click and wires are
        # relative to that already, so only heads take the factor.
        return strike_drum(spec, key.state, strike, *views, self.rate, scale)

    def _render(self, key: HitKey) -> Signal:
        instrument = self.kit.instrument(key.instrument)
        sounds = [(instrument, item) for item in self._emissions(key, instrument)]
        if isinstance(instrument.sound, DrumSpec) and key.articulation != "rim_click":
            sounds += self._sympathies(key, instrument, _one_metre([sounds[0][1]]))
        mics = len(self.kit.mics)
        longest = max(item.signals.shape[1] for _, item in sounds)
        first_path = self._path_length()
        size = _fft_size(longest + first_path)
        total = np.zeros((mics, size // 2 + 1), dtype=np.complex64)
        for source, item in sounds:
            signals = item.signals[:mics] if item.signals.shape[0] > 1 else item.signals
            spectrum = rfft(signals, size, axis=1)
            if item.pulse is not None:
                spectrum *= rfft(item.pulse.astype(np.float32), size)[None]
            if item.gains is not None:
                spectrum = spectrum * item.gains[:mics, None].astype(np.float32)
            total += spectrum * self._path(source, item.place, size, key)
        out = irfft(total, size, axis=1)
        out *= np.float32(10 ** (instrument.sound.loudness_db / 20))
        return np.asarray(out.T, dtype=np.float32)

    def _sympathies(
        self, key: HitKey, struck: Instrument, one_metre: Signal
    ) -> list[tuple[Instrument, Emission]]:
        """Other drums set moving by the sound of this one (at 1 m: ``one_metre``)."""
        out: list[tuple[Instrument, Emission]] = []
        for number, other in enumerate(self.kit.instruments):
            spec = other.sound
            if other is struck or not isinstance(spec, DrumSpec):
                continue
            way = np.subtract(other.position_m, struck.position_m)
            distance = float(np.hypot(np.linalg.norm(way), spec.radius_m))
            delay = round(distance / self.kit.room.speed_m_s * self.rate)
            count = int(min(1.2 * spec.t60_s, _SYMPATHY_S) * self.rate)
            arriving = np.zeros(count)
            used = min(one_metre.size, count - delay)
            arriving[delay : delay + used] = one_metre[:used] / distance
            arriving *= 10 ** (struck.sound.loudness_db / 20)
            seed = (self.kit.seed, number, self.family, key.variant, key.level_step + 1000)
            rng = np.random.default_rng([*seed, 29])
            ringing = sympathy(spec, DrumState(), arriving, rng, self.rate)
            # Every part of a rendering is given the struck drum's loudness at the end.
            ringing *= np.float32(10 ** ((spec.loudness_db - struck.sound.loudness_db) / 20))
            out.append((other, Emission("under", ringing)))
        return out

    def _shaded(
        self, source: npt.NDArray[np.float64], place: tuple[float, float, float], own: Instrument
    ) -> bool:
        """Whether the straight way from a source to a microphone runs through another drum."""
        steps = np.linspace(0.02, 0.98, 33)[:, None]
        points = source[None] * (1 - steps) + np.asarray(place)[None] * steps
        return any(
            bool(np.any(_within(points, item)))
            for item in self.kit.instruments
            if item is not own and not _inside(place, item)
        )

    def _shells(self, place: tuple[float, float, float], source: Instrument) -> list[DrumSpec]:
        """The other drums within whose shell a microphone stands (a kick's, most often)."""
        return [
            item.sound
            for item in self.kit.instruments
            if item is not source and isinstance(item.sound, DrumSpec) and _inside(place, item)
        ]

    def _path_length(self) -> int:
        return LEAD_SAMPLES + int((0.06 + 1.17 * self.kit.room.t60_s) * self.rate)

    def _path(
        self, instrument: Instrument, place: str, size: int, key: HitKey
    ) -> npt.NDArray[np.complex64]:
        """Transfer functions from one source to all microphones, shape (microphones, bins)."""
        tag = (instrument.name, place, size, key.sink_m)
        if tag not in self._paths:
            _make_room(self._paths, _PATH_BYTES)
            rows = [
                self._path_row(instrument, place, index, key.sink_m[index] if key.sink_m else 0.0)
                for index in range(len(self.kit.mics))
            ]
            self._paths[tag] = rfft(np.array(rows), size, axis=1).astype(np.complex64)
        return self._paths[tag]

    def _path_row(self, instrument: Instrument, place: str, index: int, sink: float) -> Signal:
        tag = (instrument.name, place, index, sink)
        if tag not in self._rows:
            mic = self.kit.mics[index]
            source, radius = _source(instrument, place)
            number = self.kit.instruments.index(instrument)
            path = path_response(
                source,
                mic.capsule(sink),
                self.kit.room,
                self.rate,
                np.random.default_rng([self.kit.seed, number, index, len(place)]),
                radius,
                self._shaded(source, mic.position_m, instrument),
            )
            for around in self._shells(mic.position_m, instrument):
                path = _sheltered(path, around, self.rate)
            self._rows[tag] = path.astype(np.float32)
        return self._rows[tag]


def _make_room(kept: dict[Any, npt.NDArray[Any]], most_bytes: int) -> None:
    """Drop the oldest until there is room for one more."""
    while kept and sum(item.nbytes for item in kept.values()) > most_bytes:
        kept.pop(next(iter(kept)))


def _fft_size(count: int) -> int:
    """2^k or 3*2^k, at least ``count``: few sizes, so that few transfer functions are needed."""
    power = 1 << (count - 1).bit_length()
    return power * 3 // 4 if power * 3 // 4 >= count else power


def _one_metre(emissions: list[Emission]) -> Signal:
    """The batter head's sound at the last microphone, which is the one at 1 m on its axis."""
    batter = emissions[0]
    assert batter.pulse is not None
    whole = np.convolve(batter.signals[-1], batter.pulse)
    return whole[: batter.signals.shape[1]].astype(np.float32)


def _within(points: npt.NDArray[np.float64], instrument: Instrument) -> npt.NDArray[np.bool_]:
    """Which points, shape (points, 3), are inside the shell of a drum."""
    spec = instrument.sound
    if not isinstance(spec, DrumSpec):
        return np.zeros(points.shape[0], dtype=np.bool_)
    axis = unit(instrument.axis)
    way = points - np.asarray(instrument.position_m)[None]
    height = way @ axis
    lateral = np.linalg.norm(way - height[:, None] * axis[None], axis=1)
    return np.asarray((height < 0) & (height > -spec.depth_m) & (lateral < spec.radius_m))


def _sheltered(path: npt.NDArray[np.float64], spec: DrumSpec, rate: int) -> npt.NDArray[np.float64]:
    """Sound from outside as heard within a shell: through the heads, and by what is open.

    Mass law at normal incidence: a limp sheet of mass sigma lets through
    ``1 / (1 + j pi f sigma / (rho c))`` of the pressure, one pole at ``rho c / (pi sigma)``
    (236 Hz for a kick's head).
    """
    corner = 413.0 / (np.pi * spec.density_kg_m2)
    pole = float(np.exp(-2 * np.pi * corner / rate))
    through = lfilter([1.0 - pole], [1.0, -pole], path)
    return np.asarray(_SHELTER * (_LEAK * path + (1.0 - _LEAK) * through))


def _inside(place: tuple[float, float, float], instrument: Instrument) -> bool:
    """Whether a point is inside the shell of a drum."""
    return bool(_within(np.asarray(place)[None], instrument)[0])


def _source(instrument: Instrument, place: str) -> tuple[npt.NDArray[np.float64], float]:
    """Position and radius of one of an instrument's sources."""
    axis = unit(instrument.axis)
    top = np.asarray(instrument.position_m)
    spec = instrument.sound
    if isinstance(spec, CymbalSpec):
        side = np.array([0.0, spec.radius_m * 0.6, 0.0])
        return (top - side if place == "batter" else top + side), spec.radius_m * 0.6
    if place == "batter":
        return top, spec.radius_m
    if place == "under":
        return top - axis * spec.depth_m, spec.radius_m
    return top, 0.03


def _trimmed(audio: Signal, rate: int) -> Signal:
    """Without the end that stays below `_INAUDIBLE`, and the last 20 ms faded out."""
    loud = np.flatnonzero((np.abs(audio) > _INAUDIBLE).any(axis=1))
    count = min(int(0.02 * rate), audio.shape[0])
    stop = max(int(loud[-1]) + 1 if loud.size else 0, count)
    out = audio[:stop].copy()
    ramp = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, count + 1) / count)
    out[stop - count :] *= ramp[:, None].astype(np.float32)
    return out
