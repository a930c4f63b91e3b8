"""Which tick of a metronome is a beat, and which begins a bar: from how they sound.

The accent of a bar, beats and subdivisions differ in level or pitch, and repeat with the bar. The
shortest period after which every tick sounds as the one before did is the bar; places in it that
sound alike are of one kind. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.song import Click

FloatArray = npt.NDArray[np.float64]

#: Ticks of a run that its metre is judged by; the first ones, so that it stands from then on.
PLAN_TICKS = 96
#: Longest period looked for, ticks: a bar of eight beats in triplets. It must be heard twice.
LONGEST = 24
#: Under the loudest band of a run by more than this, dB, a band is noise or a drum.
RANGE_DB = 24.0
#: A single difference counts at most so much, dB: a drum over one tick is to be no accent.
CLIP_DB = 8.0
#: Mean difference from which ticks sound different, dB. Ticks of one kind differ by the drums that
#: bleed in, some tenths; accents in use are 2 dB and more or another pitch (common practice).
DIFFERENT_DB = 0.5
KIND_DB = 1.2
#: Share of what a period could explain that the one taken must, and how little may be left over,
#: dB. Explained must be half of what is left at least: drums that bleed in repeat only roughly.
EXPLAINED = 0.93
LEFT_DB = 0.1
LEAST_GAIN = 0.5
#: Beats quicker than this are subdivisions where something else can be the beat, s; a bar of one
#: beat is no bar. People tap along at some 120 a minute and hardly over 240 (L. van Noorden and
#: D. Moelants, "Resonance in the perception of musical pulse", Journal of New Music Research
#: 28(1), 1999; from memory).
QUICKEST_BEAT_S = 0.25
SHORTEST_BAR_S = 0.9
#: What sounds like a beat and comes more seldom than this is none, s (40 a minute).
SLOWEST_BEAT_S = 1.5


@dataclass(frozen=True, slots=True)
class Metre:
    """Every ``every``-th tick is a beat, and tick ``first`` begins a bar of ``beats_a_bar``; None:
    nothing tells one beat from another."""

    every: int = 1
    first: int = 0
    beats_a_bar: int | None = None


def metre(clicks: Sequence[Click | None], step_s: float) -> Metre:
    """The metre of ticks ``step_s`` apart; None is one that was not heard."""
    heard = [click for click in clicks if click is not None]
    if len(heard) < 4:
        return Metre()
    bands = np.array([click.bands_db for click in heard])
    usual = np.quantile(bands, 0.9, axis=0)
    bands = bands[:, usual >= usual.max() - RANGE_DB]
    sound = np.full((len(clicks), bands.shape[1]), np.nan)
    floor = usual.max() - RANGE_DB - 10.0
    sound[[n for n, click in enumerate(clicks) if click is not None]] = np.maximum(bands, floor)
    period = _period(sound)
    if period == 1:
        return Metre()
    places = _medians(sound, period)
    kinds = _kinds(places)
    return _laid(kinds, places, period, step_s)


def _medians(sound: FloatArray, period: int) -> FloatArray:
    """The usual sound of every place of a period; NaN where none was heard."""
    found = np.full((period, sound.shape[1]), np.nan)
    for place in range(period):
        rows = sound[place::period]
        rows = rows[~np.isnan(rows[:, 0])]
        if len(rows):
            found[place] = np.median(rows, axis=0)
    return found


def _period(sound: FloatArray) -> int:
    """The shortest period that explains how ticks differ; 1 if they do not."""
    scores = []
    for period in range(1, min(LONGEST, len(sound) // 2) + 1):
        usual = _medians(sound, period)
        off = np.abs(sound - usual[np.arange(len(sound)) % period])
        off = off[~np.isnan(off[:, 0])]
        # The more places, the fewer ticks each median has to agree with.
        freedom = max(1, len(off) - period) / len(off)
        scores.append(float(np.minimum(off, CLIP_DB).mean()) / freedom)
    least = min(scores)
    gain = scores[0] - least
    if gain < max(DIFFERENT_DB / 2.0, LEAST_GAIN * least):
        return 1
    enough = max(scores[0] - EXPLAINED * gain, least + LEFT_DB)
    return next(n for n, score in enumerate(scores, 1) if score <= enough)


def _kinds(places: FloatArray) -> list[int]:
    """A number for what each place sounds like, the loudest kind first; -1: never heard."""
    members: list[list[int]] = []
    for place, sound in enumerate(places):
        if np.isnan(sound[0]):
            continue
        for kind in members:
            if any(_difference_db(sound, places[other]) < KIND_DB for other in kind):
                kind.append(place)
                break
        else:
            members.append([place])
    members.sort(key=lambda kind: -float(np.mean([_level_db(places[p]) for p in kind])))
    numbers = [-1] * len(places)
    for number, kind in enumerate(members):
        for place in kind:
            numbers[place] = number
    return numbers


def _difference_db(one: FloatArray, other: FloatArray) -> float:
    return float(np.minimum(np.abs(one - other), CLIP_DB).mean())


def _level_db(sound: FloatArray) -> float:
    return float(10.0 * np.log10(np.sum(10.0 ** (sound / 10.0))))


def _laid(kinds: Sequence[int], places: FloatArray, period: int, step_s: float) -> Metre:
    counts = {kind: kinds.count(kind) for kind in set(kinds) if kind >= 0}
    single = [kind for kind in sorted(counts) if counts[kind] == 1]
    if not single:
        # A louder kind that comes more often in a period: beats with the rest between them.
        loudest = [place for place, kind in enumerate(kinds) if kind == 0]
        every = _even(loudest, period)
        return Metre(every, loudest[0] % every if every > 1 else 0)
    first = kinds.index(single[0])
    rest = sorted({kind for kind in counts if kind != single[0]})
    bar_s = period * step_s
    if bar_s < SHORTEST_BAR_S:
        # Too short for a bar: what stands out is the beat.
        return Metre(period, first)
    every = 1
    if len(rest) >= 2:
        # Beats sound one way, what lies between them another: the louder ones are beats.
        beats = [place for place, kind in enumerate(kinds) if kind in (single[0], rest[0])]
        every = _even(beats, period)
        every = 1 if every * step_s > SLOWEST_BEAT_S else every
    if every == 1:
        every = next(
            (
                n
                for n in (1, 2, 3, 4)
                if period % n == 0 and n * step_s >= QUICKEST_BEAT_S - 1e-3 and period // n > 1
            ),
            1,
        )
    return Metre(every, first, period // every)


def _even(places: Sequence[int], period: int) -> int:
    """How many ticks apart ``places`` lie, if evenly over the period; else 1."""
    step = math.gcd(period, *[place - places[0] for place in places])
    return step if len(places) * step == period else 1
