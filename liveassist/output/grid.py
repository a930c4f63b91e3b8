"""Bars and beats under a take: a steady tempo, or the recorder's own clock."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from liveassist.output.stored import MAIN_ROLES, StoredSession, StoredTake
from liveassist.song import Beat, beat_at

#: Places in a beat that hits are laid on.
STEPS = 4
#: Fewest beats of the recorder's clock in a take for its bars.
LEAST_BEATS = 4
#: Beats this long before and after a take still help to lay it on bars, seconds.
_AROUND_S = 2.0


@dataclass(frozen=True, slots=True)
class Grid:
    """``first_beat_s``: beat one of bar one. ``hold``: 0 to 1, how well the hits keep to it."""

    tempo_bpm: float
    beats_a_bar: int
    first_beat_s: float
    hold: float

    @property
    def beat_s(self) -> float:
        """Length of a beat, s."""
        return 60.0 / self.tempo_bpm

    @property
    def absolute(self) -> bool:
        """Whether bars are counted from the start of the song, not of the take."""
        return False

    def place(self, time_s: float) -> Place:
        """Where a moment lies: the nearest step of the grid, and how far from it."""
        steps = (time_s - self.first_beat_s) / self.beat_s * STEPS
        nearest = round(steps)
        bar, step = divmod(nearest, STEPS * self.beats_a_bar)
        offset_ms = (steps - nearest) * self.beat_s / STEPS * 1000.0
        return Place(bar + 1, step, offset_ms)

    def slot_s(self, bar: int, step: int) -> float:
        """Where a step of a bar lies."""
        return self.time_s(bar) + step * self.beat_s / STEPS

    def time_s(self, bar: int) -> float:
        """Where bar ``bar`` (from 1) begins."""
        return self.first_beat_s + (bar - 1) * self.beats_a_bar * self.beat_s


@dataclass(frozen=True, slots=True)
class Place:
    """``bar`` from 1 (0 and below before the first beat), ``step`` in sixteenths from 0;
    ``offset_ms``: after the step, early is negative."""

    bar: int
    step: int
    offset_ms: float

    @property
    def beat(self) -> float:
        """Beat of the bar, from 1, in quarters of a beat: 2.5 is the off-beat after two."""
        return 1.0 + self.step / STEPS


@dataclass(frozen=True, slots=True)
class SongGrid(Grid):
    """The bars of the song by the recorder's clock, whose tempo may change; bar 1 is where the
    song starts, so that a take from bar 17 on lies beside bar 17 of the others.

    ``beats``: of one run of the clock, in order of time, at least two.
    """

    beats: tuple[Beat, ...] = ()

    @property
    def absolute(self) -> bool:
        """Whether bars are counted from the start of the song, not of the take."""
        return True

    def place(self, time_s: float) -> Place:
        """Where a moment lies: the nearest step of the grid, and how far from it."""
        after = bisect.bisect_right(self.beats, time_s, key=lambda beat: beat.time_s)
        pair = self.beats[max(0, min(after - 1, len(self.beats) - 2)) :][:2]
        beat_s = (pair[1].time_s - pair[0].time_s) / (pair[1].number - pair[0].number)
        steps = (pair[0].number + (time_s - pair[0].time_s) / beat_s) * STEPS
        nearest = round(steps)
        bar, step = divmod(nearest, STEPS * self.beats_a_bar)
        return Place(bar + 1, step, (steps - nearest) * beat_s / STEPS * 1000.0)

    def time_s(self, bar: int) -> float:
        """Where bar ``bar`` (from 1) begins."""
        number = (bar - 1) * self.beats_a_bar
        inside = [beat for beat in self.beats if beat.number == number]
        if inside:
            return inside[0].time_s
        near = self.beats[0] if number < self.beats[0].number else self.beats[-1]
        return near.time_s + (number - near.number) * self.beat_s


def clock_grids(session: StoredSession, drums: Sequence[str]) -> Mapping[str, Grid]:
    """The grid of every take during which the recorder's clock ran, by its name."""
    song = session.song
    if song is None:
        return {}
    grids: dict[str, Grid] = {}
    for take in session.takes:
        beats = beats_of(take, song.beats)
        times = [
            hit.time_s
            for hit in session.between(take)
            if hit.drum in drums and hit.role in MAIN_ROLES
        ]
        if len(beats) >= LEAST_BEATS and times:
            numbers = [beat.number for beat in beats]
            step_s, first_s = np.polyfit(numbers, [beat.time_s for beat in beats], 1)
            tempo = round(60.0 / float(step_s), 2)
            held = hold_of(beats, times)
            grids[take.name] = SongGrid(tempo, song.beats_a_bar, float(first_s), held, beats)
    return grids


def beats_of(take: StoredTake, beats: Sequence[Beat]) -> tuple[Beat, ...]:
    """The beats of a take: of the run of the clock or metronome that has most of them in it."""
    near = [b for b in beats if take.start_s - _AROUND_S <= b.time_s <= take.end_s + _AROUND_S]
    runs = {b.run for b in near if take.start_s <= b.time_s <= take.end_s}
    if not runs:
        return ()
    most = max(runs, key=lambda run: sum(b.run == run for b in near))
    return tuple(b for b in near if b.run == most)


def hold_of(beats: Sequence[Beat], times_s: Sequence[float]) -> float:
    """How well main hits keep to the clock, 0 to 1: as `bars.fit_grid` has it, of beat or eighth,
    whichever they keep to better."""
    places = [place for time_s in times_s if (place := beat_at(beats, time_s)) is not None]
    if not places:
        return 0.0
    turns = 2j * math.pi * np.array(places)
    return float(max(abs(np.mean(np.exp(turns))), abs(np.mean(np.exp(2.0 * turns)))))
