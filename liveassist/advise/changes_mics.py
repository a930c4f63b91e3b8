"""Microphones: polarity flips and moves, from the sign and arrival of each main hit.

Reads `HitMeasures.pair_sign` (microphone -> +1 or -1 against the drum's own microphone) and
`HitMeasures.arrival_ms` (microphone -> ms after the own microphone). If the own microphone is the
one that flipped or moved, every other one seems to.

Both come from cross-correlating attacks, and the best match may hop by a period of the drum's
tone from hit to hit. So only the arrival most hits share counts (its cluster), a sign counts only
with it, and a change by a large jump is taken for such a hop, not for a move.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.advise.changes_stats import Difference, difference
from liveassist.model import Drum, FloatArray, Hit, Kit
from liveassist.ranks import median

#: Fewest main hits with a sign or an arrival on either side.
MIN_HITS: Final = 6
#: Share of hits that must agree (on a sign; on one arrival) before it counts as known.
_AGREE: Final = 0.80
#: Arrivals within this of each other are one cluster, ms.
_CLUSTER_MS: Final = 0.30
#: Least move: 0.1 ms is 3.4 cm at 343 m/s; most: what jumps further has hopped, ms.
LEAST_MS: Final = 0.10
MOST_MS: Final = 1.5
_ARRIVAL_Z: Final = 4.5
#: No amount of hits makes an arrival surer than this, ms (one sample at 48 kHz is 0.021 ms).
_ARRIVAL_FLOOR_MS: Final = 0.02
#: A polarity flip leaves the arrival where it was, ms.
_SAME_MS: Final = 0.25
_MAIN: Final = frozenset({"main", "weak"})


@dataclass(frozen=True, slots=True)
class Move:
    """A microphone whose arrival moved, ms (positive: further from the drum); ``seen``: pairs of
    microphones or drums that say so."""

    mic: str
    drum: str
    ms: float
    se_ms: float
    seen: int


@dataclass(frozen=True, slots=True)
class _Heard:
    """Main hits of one drum in one microphone: arrivals of the cluster most share."""

    arrivals: FloatArray


def _heard(hits: Sequence[Hit], drum: str, mic: str) -> _Heard | None:
    """What most main hits agree on; None where they do not agree on an arrival."""
    rows = [
        hit.measures.arrival_ms[mic]
        for hit in hits
        if hit.drum == drum
        and hit.role in _MAIN
        and hit.measures is not None
        and mic in hit.measures.arrival_ms
        and math.isfinite(hit.measures.arrival_ms[mic])
    ]
    if len(rows) < MIN_HITS:
        return None
    arrivals = np.array(rows)
    near = np.abs(arrivals[:, None] - arrivals[None, :]) <= _CLUSTER_MS
    inside = near[int(np.argmax(near.sum(axis=1)))]
    if int(inside.sum()) < max(MIN_HITS, _AGREE * len(rows)):
        return None
    return _Heard(arrivals[inside])


def _both(
    kit: Kit, drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]
) -> dict[str, tuple[_Heard, _Heard]]:
    """Other microphones in which both takes agree with themselves."""
    out = {}
    for mic in kit.mics:
        if mic.name == drum.own:
            continue
        before, after = _heard(reference, drum.name, mic.name), _heard(take, drum.name, mic.name)
        if before is not None and after is not None:
            out[mic.name] = (before, after)
    return out


def _signed(hits: Sequence[Hit], drum: str, mic: str) -> tuple[int, int]:
    """(sign most main hits agree on, hits that have one); 0 where they do not agree."""
    found = [
        hit.measures.pair_sign[mic]
        for hit in hits
        if hit.drum == drum
        and hit.role in _MAIN
        and hit.measures is not None
        and hit.measures.pair_sign.get(mic, 0) != 0
    ]
    if len(found) < MIN_HITS:
        return 0, len(found)
    share = sum(sign > 0 for sign in found) / len(found)
    return (1 if share >= _AGREE else -1 if share <= 1.0 - _AGREE else 0), len(found)


def flipped(
    kit: Kit, drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]
) -> tuple[tuple[str, int], ...]:
    """Microphones whose polarity against the drum flipped, with the number of hits seen.

    Where the arrivals are known too, they must have stayed: a jump by a period turns the sign.
    """
    arrived = _both(kit, drum, reference, take)
    signed: dict[str, tuple[int, int, int]] = {}
    for mic in kit.mics:
        before, many = _signed(reference, drum.name, mic.name)
        after, more = _signed(take, drum.name, mic.name)
        pair = arrived.get(mic.name)
        stayed = pair is None or (
            abs(median(pair[1].arrivals) - median(pair[0].arrivals)) <= _SAME_MS
        )
        if before != 0 and after != 0 and stayed and mic.name != drum.own:
            signed[mic.name] = (before, after, min(many, more))
    turned = {mic: count for mic, (before, after, count) in signed.items() if before != after}
    if len(turned) >= 2 and len(turned) == len(signed) and drum.own is not None:
        return ((drum.own, min(turned.values())),)
    return tuple(turned.items())


def moved(kit: Kit, drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]) -> tuple[Move, ...]:
    """Microphones that moved against this drum."""
    changes: dict[str, Difference] = {}
    for mic, (before, after) in _both(kit, drum, reference, take).items():
        plain = difference(before.arrivals, after.arrivals)
        changes[mic] = Difference(plain.amount, math.hypot(plain.se, _ARRIVAL_FLOOR_MS), plain.dof)
    off = {
        mic: change
        for mic, change in changes.items()
        if LEAST_MS <= abs(change.amount) <= MOST_MS and abs(change.z) >= _ARRIVAL_Z
    }
    amounts = [change.amount for change in off.values()]
    alike = bool(amounts) and max(amounts) - min(amounts) < max(LEAST_MS, 0.3 * abs(amounts[0]))
    if drum.own is not None and len(off) >= 2 and len(off) == len(changes) and alike:
        middle = median(amounts)
        se = median([change.se for change in off.values()])
        return (Move(drum.own, drum.name, -middle, se, len(off)),)
    return tuple(Move(mic, drum.name, c.amount, c.se, 1) for mic, c in off.items())
