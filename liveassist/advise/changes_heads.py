"""Per drum: is the head's pitch, its ring, or the drum itself another than in the reference?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from liveassist.advise.changes_modes import ModeShift, compare_modes
from liveassist.advise.changes_pattern import (
    MIN_HITS,
    SYSTEMATIC_CENTS,
    PatternShift,
    compare_patterns,
)
from liveassist.advise.changes_stats import difference
from liveassist.model import Drum, FloatArray, Hit, Interval, Partial
from liveassist.ranks import median

#: A shift must stand this many standard errors off zero, and be this large, cents.
_PITCH_Z: Final = 3.3
LEAST_CENTS: Final = 6.0
#: Further error of a pattern's shift for each unit by which the aligned patterns are less alike
#: than a drum is with itself (Fisher's z), cents, and what of that is chance: something in the
#: pattern did not move with the head, and holds the shift back.
_PER_UNLIKENESS_CENTS: Final = 12.0
_CHANCE_UNLIKENESS: Final = 0.1
#: Two estimates of one shift that lie apart by more than chance: this share of it is error.
_DISAGREEMENT: Final = 0.25
#: Further error of a shift for each halving or doubling of the ring, cents.
_PER_RING_OCTAVE_CENTS: Final = 3.0
#: Further off than this it is another drum or head, not a flat one, cents.
MOST_CENTS: Final = 150.0
#: Mean patterns this unlike each other are of two drums, if either group is like itself. On
#: recorded drums: one and the same drum 0.7 and more, different drums 0.35 and less.
_OTHER_DRUM: Final[dict[str, float]] = {"snare": 0.50, "kick": 0.42, "tom": 0.42}
_LIKE_ITSELF: Final = 0.70
#: Ring: standard errors, least change, what is not chance (strokes elsewhere ring otherwise).
_RING_Z: Final = 3.5
LEAST_RING: Final = 0.25
_RING_SYSTEMATIC: Final = 0.12
#: Rings are compared at like pitch only, cents: another pitch meets other resonances beside it.
_LIKE_PITCH_CENTS: Final = 25.0
#: Notes this far off the median of both takes are of another mode, cents.
_SAME_MODE_CENTS: Final = 90.0
_MIN_RINGS: Final = 10
#: Share of the hits with a note that must agree on the mode.
_MOST_SHARE: Final = 0.7
_MAIN: Final = frozenset({"main", "weak"})


@dataclass(frozen=True, slots=True)
class HeadChange:
    """``amount``: cents (pitch) or per cent (ring); None for another drum. ``z``: how sure."""

    cause: Literal["head_pitch", "ring", "drum_changed"]
    amount: float | None
    ci: Interval | None
    z: float


@dataclass(frozen=True, slots=True)
class HeadReport:
    """Changes of one head, and the shift measured whether or not it is one."""

    changes: tuple[HeadChange, ...]
    shift: PatternShift | None


#: Reports of one pair of takes by drum and gain: what was worked out is not worked out again.
Reports = dict[tuple[str, float], HeadReport]


def _chosen(hits: Sequence[Hit], drum: str) -> list[Hit]:
    """Hits with a pattern: main ones where there are enough, else all."""
    usable = [
        hit
        for hit in hits
        if hit.drum == drum
        and "clipped" not in hit.flags
        and hit.peak_dbfs is not None
        and hit.measures is not None
        and hit.measures.pattern is not None
    ]
    main = [hit for hit in usable if hit.role in _MAIN]
    return main if len(main) >= MIN_HITS else usable


def _patterns(hits: Sequence[Hit]) -> tuple[FloatArray, FloatArray]:
    patterns = [
        hit.measures.pattern
        for hit in hits
        if hit.measures is not None and hit.measures.pattern is not None
    ]
    return np.array(patterns), np.array([hit.peak_dbfs for hit in hits], dtype=np.float64)


def _partials(hit: Hit) -> tuple[Partial, ...]:
    return hit.measures.partials if hit.measures is not None else ()


def _unlikeness(shift: PatternShift) -> float:
    """How much less alike the aligned patterns are than the drum is with itself (Fisher's z)."""
    own, other = (float(np.clip(r, -0.9, 0.99)) for r in (shift.own_likeness, shift.likeness))
    return math.atanh(own) - math.atanh(other)


def _joined(pattern: PatternShift, modes: ModeShift | None) -> PatternShift:
    """The shift by the pattern and by the modes together, each by how well it is known."""
    if modes is None:
        return pattern
    unlike = max(0.0, _unlikeness(pattern) - _CHANCE_UNLIKENESS)
    error = math.hypot(pattern.se_cents, _PER_UNLIKENESS_CENTS * unlike)
    weight = modes.se_cents**2 / (modes.se_cents**2 + error**2)
    cents = weight * pattern.cents + (1.0 - weight) * modes.cents
    apart = abs(pattern.cents - modes.cents)
    joint = error * modes.se_cents / math.hypot(error, modes.se_cents)
    if apart > 2.0 * math.hypot(error, modes.se_cents):
        joint = max(joint, _DISAGREEMENT * apart)
    reach = joint * (pattern.ci[1] - pattern.cents) / pattern.se_cents
    return replace(pattern, cents=cents, se_cents=joint, ci=(cents - reach, cents + reach))


def head_report(
    drum: Drum,
    reference: Sequence[Hit],
    take: Sequence[Hit],
    gain_db: float,
    known: Reports | None = None,
) -> HeadReport:
    """Compare one head. ``gain_db``: what the own microphone's gain changed by (taken off).

    ``known``: reports of this pair of takes, looked in first and added to.
    """
    key = (drum.name, gain_db)
    if known is not None and key in known:
        return known[key]
    report = _report(drum, reference, take, gain_db)
    if known is not None:
        known[key] = report
    return report


def _report(
    drum: Drum, reference: Sequence[Hit], take: Sequence[Hit], gain_db: float
) -> HeadReport:
    if drum.kind not in SYSTEMATIC_CENTS:
        return HeadReport((), None)
    first, second = _chosen(reference, drum.name), _chosen(take, drum.name)
    shift = None
    if min(len(first), len(second)) >= MIN_HITS:
        patterns_a, levels_a = _patterns(first)
        patterns_b, levels_b = _patterns(second)
        shift = compare_patterns(
            patterns_a,
            levels_a,
            patterns_b,
            levels_b - gain_db,
            systematic_cents=SYSTEMATIC_CENTS[drum.kind],
        )
        if shift is not None:
            modes = compare_modes(
                [_partials(hit) for hit in first],
                levels_a,
                [_partials(hit) for hit in second],
                levels_b - gain_db,
            )
            shift = _joined(shift, modes)
    changes: list[HeadChange] = []
    like_pitch = shift is None or abs(shift.cents) <= _LIKE_PITCH_CENTS
    ring = _ring(reference, take, drum.name) if like_pitch else None
    if shift is not None:
        pitch = _pitch(drum, shift, ring)
        if pitch is not None and pitch.cause == "drum_changed":
            return HeadReport((pitch,), shift)
        if pitch is not None:
            changes.append(pitch)
    if ring is not None:
        changes.append(ring)
    return HeadReport(tuple(changes), shift)


def _pitch(drum: Drum, shift: PatternShift, ring: HeadChange | None) -> HeadChange | None:
    unlike = shift.likeness < _OTHER_DRUM[drum.kind]
    if unlike or abs(shift.cents) > MOST_CENTS:
        sure = shift.own_likeness >= _LIKE_ITSELF
        # how far the correlation lies below that of the drum with itself, on Fisher's z scale
        return HeadChange("drum_changed", None, None, 4.0 + _unlikeness(shift)) if sure else None
    error = shift.se_cents
    low, high = shift.ci
    if ring is not None and ring.amount is not None:
        # other damping reshapes the peaks of the pattern, and that may look like a small shift
        octaves = abs(math.log2(max(1.0 + ring.amount / 100.0, 1e-3)))
        error = math.hypot(error, _PER_RING_OCTAVE_CENTS * octaves)
        low, high = shift.cents - 2.1 * error, shift.cents + 2.1 * error
    if abs(shift.cents) < max(LEAST_CENTS, _PITCH_Z * error):
        return None
    return HeadChange("head_pitch", shift.cents, (low, high), shift.cents / error)


def _rings(hits: Sequence[Hit], drum: str) -> FloatArray:
    """Note (Hz) and T60 (s) of the lowest mode of main hits, (hits, 2)."""
    rows = [
        (hit.measures.note_hz, hit.measures.ring_s)
        for hit in hits
        if hit.drum == drum
        and hit.role in _MAIN
        and "clipped" not in hit.flags
        and hit.measures is not None
        and hit.measures.note_hz is not None
        and hit.measures.ring_s is not None
        and hit.measures.ring_s > 0.0
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _of_one_mode(rows: FloatArray, note_hz: float) -> FloatArray | None:
    """Logarithms of the T60s of hits whose note is this mode; None unless most hits' is."""
    near = np.abs(1200.0 * np.log2(rows[:, 0] / note_hz)) <= _SAME_MODE_CENTS
    if int(near.sum()) < max(_MIN_RINGS, _MOST_SHARE * len(rows)):
        return None
    return np.asarray(np.log(rows[near, 1]))


def _ring(reference: Sequence[Hit], take: Sequence[Hit], drum: str) -> HeadChange | None:
    rows_a, rows_b = _rings(reference, drum), _rings(take, drum)
    if min(len(rows_a), len(rows_b)) < _MIN_RINGS:
        return None
    note_hz = median(np.concatenate([rows_a[:, 0], rows_b[:, 0]]))
    first, second = _of_one_mode(rows_a, note_hz), _of_one_mode(rows_b, note_hz)
    if first is None or second is None:
        return None
    change = difference(first, second)
    se = math.hypot(change.se, _RING_SYSTEMATIC)
    ratio = math.expm1(change.amount)
    if abs(change.amount) < _RING_Z * se or abs(ratio) < LEAST_RING:
        return None
    low, high = change.amount - 1.96 * se, change.amount + 1.96 * se
    return HeadChange(
        "ring",
        100.0 * ratio,
        (100.0 * math.expm1(low), 100.0 * math.expm1(high)),
        change.amount / se,
    )
