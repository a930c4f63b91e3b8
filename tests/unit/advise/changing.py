"""Two invented takes of one invented kit, with known causes of difference put in.

Four drums in five microphones. Each stroke has its own strength; microphones differ by their
distance and, a little, from stroke to stroke (where the stick lands). Main hits, ghost notes
(heard in few microphones), hi-hat. Patterns from closed-form strokes are attached on demand.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from liveassist.measure.partials import measure_hit
from liveassist.model import Drum, Hit, HitMeasures, Kit, Mic, Role
from tests.unit.measure.strokes import SNARE_HZ, stroke

KIT = Kit(
    "barn",
    (
        Drum("kick", "kick", "kick_in"),
        Drum("snare", "snare", "snare_top"),
        Drum("hat", "hihat"),
    ),
    (
        Mic("kick_in", 1),
        Mic("snare_top", 2),
        Mic("snare_under", 3, of="snare"),
        Mic("left", 4),
        Mic("right", 5),
    ),
)
#: Level of a main stroke in every microphone, dBFS.
LEVELS: Mapping[str, tuple[float, ...]] = {
    "kick": (-6.0, -32.0, -34.0, -30.0, -31.0),
    "snare": (-38.0, -8.0, -12.0, -24.0, -25.0),
    "hat": (-52.0, -34.0, -40.0, -26.0, -20.0),
}


@dataclass(frozen=True)
class Put:
    """Causes put into a take: dB by drum, by mic, by (drum, mic); cents; other faults."""

    playing: Mapping[str, float] = field(default_factory=dict)
    gain: Mapping[str, float] = field(default_factory=dict)
    cell: Mapping[tuple[str, str], float] = field(default_factory=dict)
    cents: float = 0.0
    modes: tuple[float, ...] = SNARE_HZ
    ring: float = 1.0
    delay_ms: Mapping[str, float] = field(default_factory=dict)
    flip: tuple[str, ...] = ()
    fall_db: float = 0.0


@functools.lru_cache(maxsize=4096)
def _snare_detail(
    seed: int, cents: float, modes: tuple[float, ...], level_db: float
) -> HitMeasures:
    # harder hits sound sharp: 0.5 cents a dB here
    shift = cents + 0.5 * level_db
    segment, onset = stroke(44100, modes, cents=shift, wander_cents=5.0, seed=seed, after_s=0.30)
    return measure_hit(segment, 44100.0, "snare", onset, math.inf)


def _strokes(seconds: float) -> list[tuple[float, str, Role, float]]:
    """A plain groove: time, drum, role, how much softer than main, dB."""
    out: list[tuple[float, str, Role, float]] = []
    beat = 0.5
    for bar in range(round(seconds / (4 * beat))):
        start = bar * 4 * beat
        out += [(start + at * beat, "kick", "main", 0.0) for at in (0.0, 1.5, 2.0)]
        out += [(start + at * beat, "snare", "main", 0.0) for at in (1.0, 3.0)]
        out += [(start + at * beat, "snare", "ghost", -17.0) for at in (1.75, 2.25)]
        out += [(start + (at + 0.02) * beat, "hat", "unsure", 0.0) for at in np.arange(0, 4, 0.5)]
    return sorted(out)


def take(
    seed: int, put: Put | None = None, *, seconds: float = 28.0, detail: bool = False
) -> list[Hit]:
    """Hits of a take with the causes of ``put`` in it."""
    put = put if put is not None else Put()
    rng = np.random.default_rng(seed)
    hits = []
    for number, (time_s, drum, role, softer) in enumerate(_strokes(seconds)):
        strength = softer + rng.normal(0.0, 1.5 if drum != "hat" else 3.0)
        strength += put.playing.get(drum, 0.0)
        if drum == "snare":
            strength -= put.fall_db * time_s / seconds
        levels: list[float | None] = []
        for place, mic in enumerate(KIT.mics):
            own = mic.name == KIT.drum(drum).own
            level = LEVELS[drum][place] + strength * (1.0 if own else 1.0 + 0.08 * (place - 2))
            level += put.gain.get(mic.name, 0.0) + put.cell.get((drum, mic.name), 0.0)
            level += rng.normal(0.0, 0.4 if own else 0.9)
            buried = not own and (level < -48.0 or rng.random() < 0.15)
            levels.append(None if buried else level)
        column = KIT.mic_index(KIT.drum(drum).own or "left")
        peak = levels[column] if KIT.drum(drum).own else None
        hits.append(
            Hit(
                number,
                "complete",
                drum,
                round(time_s * 48000),
                time_s,
                peak,
                peak,
                1.0,
                role=role,
                mic_dbfs=tuple(levels),
                mic_bound=(False,) * 5,
                measures=_measures(rng, drum, role, strength, put, detail),
            )
        )
    return hits


def _measures(
    rng: np.random.Generator, drum: str, role: str, strength: float, put: Put, detail: bool
) -> HitMeasures | None:
    if drum == "hat":
        return None
    measures = HitMeasures()
    if detail and drum == "snare" and role == "main":
        measures = _snare_detail(int(rng.integers(40)), put.cents, put.modes, round(strength))
    ring = None if measures.ring_s is None else measures.ring_s * put.ring
    arrivals = {"left": 3.1, "right": 3.6, "snare_under" if drum == "snare" else "snare_top": 1.9}
    return replace(
        measures,
        ring_s=ring,
        arrival_ms={
            mic: ms + put.delay_ms.get(mic, 0.0) + float(rng.normal(0.0, 0.04))
            for mic, ms in arrivals.items()
        },
        pair_sign={"snare_under": 1 if "snare_under" in put.flip else -1}
        if drum == "snare"
        else {},
    )
