"""Microphones: polarity flips and moves, from the sign and arrival of each hit.

Reads `HitMeasures.pair_sign` (microphone -> +1 or -1 against the drum's own microphone) and
`HitMeasures.arrival_ms` (microphone -> ms after the own microphone). If the own microphone is the
one that flipped or moved, every other one seems to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.advise.changes_stats import Difference, difference
from liveassist.model import Drum, FloatArray, Hit, Kit

#: Fewest hits with a sign or an arrival on either side.
MIN_HITS: Final = 6
#: Share of hits that must agree on a sign before it counts as known.
_AGREE: Final = 0.85
#: Least move: 0.1 ms is 3.4 cm at 343 m/s; and standard errors it must stand off zero.
LEAST_MS: Final = 0.10
_ARRIVAL_Z: Final = 4.5
#: No amount of hits makes an arrival surer than this, ms (one sample at 48 kHz is 0.021 ms).
_ARRIVAL_FLOOR_MS: Final = 0.02


@dataclass(frozen=True, slots=True)
class Move:
    """A microphone whose arrival moved, ms (positive: further from the drum)."""

    mic: str
    drum: str
    ms: float
    se_ms: float


def _with(hits: Sequence[Hit], drum: str) -> list[Hit]:
    return [hit for hit in hits if hit.drum == drum and hit.measures is not None]


def _signs(hits: Sequence[Hit], drum: str) -> dict[str, tuple[int, int]]:
    """Microphone -> (sign most hits show, count), where they agree."""
    votes: dict[str, list[int]] = {}
    for hit in _with(hits, drum):
        if hit.measures is not None:
            for mic, sign in hit.measures.pair_sign.items():
                votes.setdefault(mic, []).append(sign)
    out = {}
    for mic, signs in votes.items():
        positive = sum(sign > 0 for sign in signs) / len(signs)
        if len(signs) >= MIN_HITS and max(positive, 1.0 - positive) >= _AGREE:
            out[mic] = (1 if positive > 0.5 else -1, len(signs))
    return out


def flipped(
    drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]
) -> tuple[tuple[str, int], ...]:
    """Microphones whose polarity against the drum flipped, with the number of hits seen."""
    before, after = _signs(reference, drum.name), _signs(take, drum.name)
    common = [mic for mic in before if mic in after and mic != drum.own]
    turned = [mic for mic in common if before[mic][0] != after[mic][0]]
    if len(common) >= 2 and len(turned) == len(common) and drum.own is not None:
        return ((drum.own, min(after[mic][1] for mic in turned)),)
    return tuple((mic, min(before[mic][1], after[mic][1])) for mic in turned)


def _arrivals(hits: Sequence[Hit], drum: str, mic: str) -> FloatArray:
    values = [
        hit.measures.arrival_ms[mic]
        for hit in _with(hits, drum)
        if hit.measures is not None and mic in hit.measures.arrival_ms
    ]
    return np.array([value for value in values if math.isfinite(value)], dtype=np.float64)


def _arrival_change(
    reference: Sequence[Hit], take: Sequence[Hit], drum: str, mic: str
) -> Difference | None:
    first, second = _arrivals(reference, drum, mic), _arrivals(take, drum, mic)
    if min(len(first), len(second)) < MIN_HITS:
        return None
    plain = difference(first, second)
    return Difference(plain.amount, math.hypot(plain.se, _ARRIVAL_FLOOR_MS), plain.dof)


def moved(kit: Kit, drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]) -> tuple[Move, ...]:
    """Microphones that moved against this drum."""
    changes = {
        mic.name: change
        for mic in kit.mics
        if mic.name != drum.own
        and (change := _arrival_change(reference, take, drum.name, mic.name)) is not None
    }
    if not changes:
        return ()
    off = {
        name: change
        for name, change in changes.items()
        if abs(change.amount) >= LEAST_MS and abs(change.z) >= _ARRIVAL_Z
    }
    amounts = [change.amount for change in off.values()]
    alike = bool(amounts) and max(amounts) - min(amounts) < max(LEAST_MS, 0.3 * abs(amounts[0]))
    if drum.own is not None and len(off) >= 2 and len(off) == len(changes) and alike:
        middle = float(np.median(amounts))
        se = float(np.median([change.se for change in off.values()]))
        return (Move(drum.own, drum.name, -middle, se),)
    return tuple(Move(name, drum.name, c.amount, c.se) for name, c in off.items())
