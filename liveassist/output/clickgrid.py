"""Takes on the bars of the metronome's channel.

A metronome has beats, and bars where its accents tell them, but no place in the song: bar one of a
take is the bar in which its first main kick lies (else its first main hit), as where a tempo is
given. What the user says goes before what the accents tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from liveassist.output.grid import LEAST_BEATS, Grid, SongGrid, beats_of, hold_of
from liveassist.output.stored import MAIN_ROLES, StoredClick, StoredSession, StoredTake
from liveassist.song import Beat, beat_at

#: A tempo that the user gave is the metronome's, times one of these, within so much: it says which
#: of its ticks are beats.
RATIOS = ((1, 1), (2, 1), (3, 1), (4, 1), (1, 2), (1, 3), (1, 4))
LIKE = 0.04
#: A first kick so much before the bar, in beats, is meant for it: half an eighth.
EARLY_BEATS = 0.25


@dataclass(frozen=True, slots=True)
class ClickGrid(SongGrid):
    """Bars of the metronome, counted from those of the take."""

    @property
    def absolute(self) -> bool:
        """Whether bars are counted from the start of the song, not of the take."""
        return False


def click_grids(
    session: StoredSession,
    drums: Sequence[str],
    kicks: Sequence[str],
    tempo_bpm: float | None = None,
) -> Mapping[str, Grid]:
    """The grid of every take during which the metronome was heard, by its name. ``tempo_bpm``:
    what the user gave; takes whose metronome has another are left out."""
    click = session.click
    if click is None:
        return {}
    grids: dict[str, ClickGrid] = {}
    for take in session.takes:
        grid = _grid(session, click, take, drums, kicks, tempo_bpm)
        if grid is not None:
            grids[take.name] = grid
    return _punched(session, grids)


def metre_of(session: StoredSession, take: StoredTake) -> tuple[int, bool]:
    """Beats a bar of a take, and whether the metronome's accents say so."""
    if session.click is None or session.beats_said:
        return session.beats, False
    beats = beats_of(take, session.click.beats)
    told = session.click.metres.get(beats[0].run) if beats else None
    return (session.beats, False) if told is None else (told, True)


def _grid(
    session: StoredSession,
    click: StoredClick,
    take: StoredTake,
    drums: Sequence[str],
    kicks: Sequence[str],
    tempo_bpm: float | None,
) -> ClickGrid | None:
    beats = beats_of(take, click.beats)
    main = [hit for hit in session.between(take) if hit.drum in drums and hit.role in MAIN_ROLES]
    if len(beats) < LEAST_BEATS or not main:
        return None
    # Whatever its ticks are called, the hits keep to the metronome or they do not.
    held = hold_of(beats, [hit.time_s for hit in main])
    told = click.metres.get(beats[0].run)
    a_bar = session.beats if session.beats_said or told is None else told
    placed = told is not None and (not session.beats_said or session.beats == told)
    if tempo_bpm is not None:
        ratio = _ratio(tempo_bpm, _tempo(beats))
        if ratio is None:
            return None
        up, down = ratio
        beats = tuple(
            replace(beat, number=beat.number * up // down)
            for beat in beats
            if beat.number * up % down == 0
        )
        if len(beats) < LEAST_BEATS:
            return None
        if placed and not session.beats_said and told is not None and told * up % down == 0:
            a_bar = max(1, told * up // down)
        elif ratio != (1, 1):
            placed = False
    one_s = session.first_beats.get(take.name)
    if one_s is None:
        one_s = next((hit.time_s for hit in main if hit.drum in kicks), main[0].time_s)
        placed_by_hand = False
    else:
        placed_by_hand = True
    at = beat_at(beats, one_s)
    if at is None:
        at = float(beats[0].number)
    if placed and not placed_by_hand:
        first = math.floor((at + EARLY_BEATS) / a_bar) * a_bar
    else:
        first = round(at)
    beats = tuple(replace(beat, number=beat.number - first) for beat in beats)
    step_s, first_s = np.polyfit([b.number for b in beats], [b.time_s for b in beats], 1)
    return ClickGrid(round(60.0 / float(step_s), 2), a_bar, float(first_s), held, beats)


def _tempo(beats: Sequence[Beat]) -> float:
    steps = np.diff([beat.time_s for beat in beats]) / np.diff([beat.number for beat in beats])
    return 60.0 / float(np.median(steps))


def _ratio(wanted_bpm: float, heard_bpm: float) -> tuple[int, int] | None:
    for up, down in RATIOS:
        if abs(wanted_bpm / (heard_bpm * up / down) - 1.0) <= LIKE:
            return up, down
    return None


def _punched(session: StoredSession, grids: Mapping[str, ClickGrid]) -> dict[str, Grid]:
    """The grids, those of punch-ins counting the bars of the take they belong to."""
    found: dict[str, Grid] = dict(grids)
    starts = {take.name: take.start_s for take in session.takes}
    for name, punch in session.punch_ins.items():
        grid, base = grids.get(name), grids.get(punch.of)
        if grid is None:
            continue
        if punch.bar is not None:
            bar = punch.bar
        elif punch.at_s is not None and base is not None:
            bar = base.place(starts[punch.of] + punch.at_s).bar
        else:
            continue
        before = (bar - 1) * grid.beats_a_bar
        beats = tuple(replace(beat, number=beat.number + before) for beat in grid.beats)
        found[name] = replace(
            grid, first_beat_s=grid.first_beat_s - before * grid.beat_s, beats=beats
        )
    return found
