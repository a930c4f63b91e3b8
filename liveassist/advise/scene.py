"""What one microphone heard, sorted for expander advice: own hits, foreign hits, the rest.

All times here are hop indices from the start of the stretch looked at, which is the last part of
the stored envelopes (see `liveassist.advise.history`). A scene stays as it is while more is heard.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from liveassist.advise.history import FULL_BAND, Band, Envelope, LevelHistory, Stretch
from liveassist.model import Audio, Drum, FloatArray, Hit, Kit
from liveassist.ranks import quantile
from liveassist.units import amplitudes_to_dbfs

T = TypeVar("T")
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: A hit's level is its peak within this time of the onset, as in `Hit.peak_dbfs`.
PEAK_SPAN_S = 0.040
#: An opening with an own hit this near is not false; a foreign hit this near is not judged.
NEAR_S = 0.020
#: Roles that have to pass whole. ``flam`` is a main hit with a grace note.
MAIN_ROLES = ("main", "flam")
_SOFT_ROLES = ("ghost",)
#: Where roles are not known, own hits this near the loud ones count as main.
_UNSURE_MAIN_DB = 10.0
#: Advice looks at the last so many own hits and seconds, whichever reaches further back: enough to
#: settle, and it bounds the time a fit takes.
FIT_HITS = 150
FIT_SECONDS = 60.0
#: How long own hits are left to ring before what follows counts as background; the shorter ones
#: serve where the playing is too dense.
MARGIN_TAILS_S = (0.250, 0.150, 0.100, 0.060)


def drums_of(kit: Kit, mic: str) -> tuple[Drum, ...]:
    """Drums a close microphone stands for: those that own it, or the one it is a second for."""
    second = kit.mics[kit.mic_index(mic)].of
    if second is not None:
        return (kit.drum(second),)
    return tuple(drum for drum in kit.drums if drum.own == mic)


@dataclass(frozen=True, slots=True)
class Scene:
    """Hits around one microphone, in hops. ``main`` and ``ghost`` are indices into ``own``."""

    mic: str
    heard: Stretch
    own: IntArray
    main: IntArray
    ghost: IntArray
    foreign: IntArray
    foreign_end: IntArray
    foreign_drum: tuple[str, ...]
    #: Hop at which each own and each foreign hit is loudest in this microphone.
    own_peak: IntArray
    foreign_peak: IntArray
    _kept: dict[Hashable, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def size(self) -> int:
        """Hops in the stretch."""
        return self.heard.hops

    @property
    def hops_per_second(self) -> float:
        """Rate of the envelopes, hertz."""
        return self.heard.hops_per_second

    @property
    def bands(self) -> tuple[Band, ...]:
        """Key filters tried (without the full band)."""
        return self.heard.bands

    @property
    def minutes(self) -> float:
        """Length of the stretch in minutes."""
        return self.size / self.hops_per_second / 60.0

    def hops(self, seconds: float) -> int:
        """Nearest whole number of hops."""
        return round(seconds * self.hops_per_second)

    def envelope(self, band: Band = FULL_BAND, steep: bool = False) -> Audio:
        """Peak envelope behind ``band``, linear; KeyError when that filter was not tried."""
        return self.kept(("envelope", band, steep), lambda: self.heard.envelope(band, steep))

    def kept(self, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives, worked out once: much of a fit asks the same of the same hits."""
        if key not in self._kept:
            self._kept[key] = make()
        found: T = self._kept[key]
        return found


def build(
    kit: Kit, mic: str, hits: Sequence[Hit], levels: LevelHistory, stop_sample: int | None = None
) -> Scene:
    """Sort ``hits`` (any order, any stage; withdrawn ones are left out) for ``mic``.

    Hits outside the stored envelopes, or from ``stop_sample`` on, are left out. A foreign hit
    counts where no own hit lies within `NEAR_S`; its span ends `PEAK_SPAN_S` later or shortly
    before the next own hit.
    """
    names = {drum.name for drum in drums_of(kit, mic)}
    hop = max(levels.hop_samples, 1)
    last = levels.first_hop + levels.hops
    if stop_sample is not None:
        last = min(last, stop_sample // hop)
    first_hop = _first_hop(hits, names, levels, last)
    heard = levels.stretch(mic, first_hop, last)
    first, size = first_hop * hop, heard.hops
    latest = {hit.number: hit for hit in hits}
    placed = sorted(
        (((hit.sample - first) // hop, hit) for hit in latest.values() if hit.stage != "withdrawn"),
        key=lambda pair: pair[0],
    )
    inside = [(at, hit) for at, hit in placed if 0 <= at < size]
    own = [(at, hit) for at, hit in inside if hit.drum in names]
    own_at = np.array([at for at, _ in own], dtype=np.int64)
    foreign = [(at, hit.drum) for at, hit in inside if hit.drum not in names]
    at = np.array([a for a, _ in foreign], dtype=np.int64)
    rate = heard.hops_per_second
    keep, end = _foreign_spans(at, own_at, rate, size)
    full = heard.envelope() if size else np.zeros(0, dtype=np.float32)
    main = _main_indices([hit for _, hit in own], own_at, full, rate)
    return Scene(
        mic=mic,
        heard=heard,
        own=own_at,
        main=np.array(main, dtype=np.int64),
        ghost=np.array(
            [i for i, (_, hit) in enumerate(own) if hit.role in _SOFT_ROLES], dtype=np.int64
        ),
        foreign=at[keep],
        foreign_end=end[keep],
        foreign_drum=tuple(foreign[i][1] for i in np.flatnonzero(keep)),
        own_peak=_peak_hops(full, own_at, own_at + round(PEAK_SPAN_S * rate) + 1),
        foreign_peak=_peak_hops(full, at[keep] - 1, end[keep]),
        _kept={("envelope", FULL_BAND, False): full},
    )


def _peak_hops(envelope: Audio, start: IntArray, stop: IntArray) -> IntArray:
    out = np.empty(start.size, dtype=np.int64)
    for index, (low, high) in enumerate(zip(start.tolist(), stop.tolist(), strict=True)):
        low = max(low, 0)
        out[index] = low + int(np.argmax(envelope[low : max(high, low + 1)]))
    return out


def _first_hop(hits: Sequence[Hit], names: set[str], levels: LevelHistory, last: int) -> int:
    """Where the stretch begins: far enough back for `FIT_HITS` own hits and `FIT_SECONDS`."""
    hop = max(levels.hop_samples, 1)
    samples = sorted(hit.sample for hit in hits if hit.drum in names and hit.sample < last * hop)
    enough = samples[-FIT_HITS] if len(samples) >= FIT_HITS else 0
    start = min(enough, last * hop - round(FIT_SECONDS * levels.sample_rate_hz))
    return int(np.clip(start // hop, levels.first_hop, max(last, levels.first_hop)))


def _main_indices(own: Sequence[Hit], at: IntArray, heard: Audio, rate: float) -> list[int]:
    """Hits that have to pass whole; loud ones of unknown role where most roles are unknown."""
    main = [i for i, hit in enumerate(own) if hit.role in MAIN_ROLES and "clipped" not in hit.flags]
    unsure = [i for i, hit in enumerate(own) if hit.role == "unsure" and "clipped" not in hit.flags]
    if len(main) >= len(unsure) or not unsure:
        return main
    peaks = span_peaks(heard, at - 1, at + round(PEAK_SPAN_S * rate))
    loud = quantile(peaks, 0.90) - _UNSURE_MAIN_DB
    return sorted({*main, *(i for i in unsure if peaks[i] >= loud)})


def _foreign_spans(
    at: IntArray, own: IntArray, rate: float, hops: int
) -> tuple[BoolArray, IntArray]:
    near = round(NEAR_S * rate)
    end = np.minimum(at + round(PEAK_SPAN_S * rate), hops)
    if own.size == 0 or at.size == 0:
        return np.ones(at.shape, dtype=np.bool_), end
    following = np.searchsorted(own, at)
    after = np.where(following < own.size, own[np.minimum(following, own.size - 1)], hops + near)
    before = np.where(following > 0, own[np.maximum(following - 1, 0)], -near - 1)
    keep = (after - at > near) & (at - before > near)
    return keep, np.minimum(end, np.maximum(after - round(0.004 * rate), at + 1))


def span_peaks(envelope: Envelope, start: IntArray, stop: IntArray) -> FloatArray:
    """Largest value in each ``[start, stop)``, in dBFS; both are clipped to the ends."""
    if start.size == 0:
        return np.zeros(0)
    low = np.clip(start, 0, envelope.size - 1)
    high = np.clip(np.maximum(stop, low + 1), 1, envelope.size)
    edges = np.stack((low, high), axis=1).ravel()
    padded = np.append(envelope, envelope.dtype.type(0.0))
    return amplitudes_to_dbfs(np.maximum.reduceat(padded, edges)[::2].astype(np.float64))


def hit_levels(scene: Scene, envelope: Envelope, reach_s: float = PEAK_SPAN_S) -> FloatArray:
    """Level of every own hit in ``envelope``, dBFS: the peak from one hop before its onset on."""
    return span_peaks(envelope, scene.own - 1, scene.own + scene.hops(reach_s) + 1)


def background_levels(scene: Scene, envelope: Envelope, tail_s: float) -> FloatArray:
    """Peaks, dBFS, of consecutive 100 ms stretches with no own hit sounding in them.

    A stretch belongs to an own hit from 10 ms before its onset to ``tail_s`` after it.
    """
    free = scene.kept(("free", tail_s), lambda: _free(scene, tail_s))
    width = max(1, scene.hops(0.100))
    whole = free.size - free.size % width
    peaks = (envelope[:whole] * free[:whole]).reshape(-1, width).max(axis=1)
    return amplitudes_to_dbfs(peaks[peaks > 0.0].astype(np.float64))


def _free(scene: Scene, tail_s: float) -> Audio:
    """1 where no own hit sounds, else 0."""
    busy = np.zeros(scene.size + 1, dtype=np.int32)
    np.add.at(busy, np.clip(scene.own - scene.hops(0.010), 0, scene.size), 1)
    np.add.at(busy, np.clip(scene.own + scene.hops(tail_s), 0, scene.size), -1)
    return (np.cumsum(busy[:-1]) <= 0).astype(np.float32)


def ring_seconds(scene: Scene) -> float:
    """How long main hits ring, as T60 in seconds (0.1 to 2), from the envelope in the microphone.

    The lower quartile over hits of the level from 20 to 120 ms after the onset, fitted with a line
    (ISO 3382-1 fits decays likewise); hits followed by another within that time are left out where
    enough remain.
    """
    return scene.kept("ring", lambda: _ring_seconds(scene))


def _ring_seconds(scene: Scene) -> float:
    start, stop = scene.hops(0.020), scene.hops(0.120)
    at = scene.own[scene.main]
    gaps = np.diff(np.append(scene.own, scene.size))[scene.main]
    free = at[(gaps > stop) & (at + stop < scene.size)]
    used = free if free.size >= 5 else at[at + stop < scene.size]
    if used.size == 0:
        return 0.4
    width = scene.hops(0.010)
    steps = np.arange(start, stop - width + 1, width)
    envelope = scene.envelope()
    levels = np.stack([[envelope[a + k : a + k + width].max() for k in steps] for a in used])
    decay = np.percentile(20.0 * np.log10(np.maximum(levels, 1e-6)), 25.0, axis=0)
    slope = float(np.polyfit(steps / scene.hops_per_second, decay, 1)[0])
    return float(np.clip(-60.0 / slope, 0.1, 2.0)) if slope < -1.0 else 2.0
