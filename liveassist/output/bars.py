"""Hits on bars and beats of a tempo the user gives, and a map of takes by bars.

The tempo is not guessed. Where the beat lies in a take is found from its main hits: the phase at
which they pull together (mean direction on the circle of one beat, N. I. Fisher, "Statistical
Analysis of Circular Data", 1993). The first main kick (else the first main hit) is beat one of
bar one, unless the user says where it is. A punch-in is laid on the bars of the take it belongs to.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from liveassist.output.clickgrid import click_grids
from liveassist.output.grid import Grid as Grid
from liveassist.output.grid import Place as Place
from liveassist.output.grid import clock_grids
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession, StoredTake

#: Under this mean resultant length the hits do not keep to the tempo (0.5: a scatter of 19 % of
#: a beat, wider than a sixteenth).
LEAST_HOLD = 0.5
#: A main hit this many times the take's usual distance from the grid is loose.
_LOOSE_TIMES, _LOOSE_LEAST_MS = 3.0, 20.0


def fit_grid(
    hits: Sequence[StoredHit],
    tempo_bpm: float,
    beats_a_bar: int = 4,
    *,
    kicks: Sequence[str] = (),
    first_beat_s: float | None = None,
) -> Grid | None:
    """Lay the grid under one take's ``hits``; None without a main hit.

    ``kicks``: names of the kick drums. ``first_beat_s``: where the user says that beat one is.
    """
    main = [hit for hit in hits if hit.role in MAIN_ROLES]
    if not main:
        return None
    beat_s = 60.0 / tempo_bpm
    times = np.array([hit.time_s for hit in main])
    # Eighths pull together at twice the frequency even where half of them lie off the beat.
    half = _direction(times, beat_s / 2.0)
    whole = _direction(times, beat_s)
    hold = max(abs(half), abs(whole))
    if first_beat_s is None:
        chosen = [hit for hit in main if hit.drum in kicks] or main
        phase_s = float(np.angle(half)) / (2.0 * math.pi) * beat_s / 2.0
        first_s = chosen[0].time_s
        first_beat_s = phase_s + round((first_s - phase_s) / (beat_s / 2.0)) * beat_s / 2.0
    return Grid(tempo_bpm, beats_a_bar, first_beat_s, float(hold))


def _direction(
    times: np.ndarray[tuple[int, ...], np.dtype[np.float64]], period_s: float
) -> complex:
    return complex(np.mean(np.exp(2j * math.pi * times / period_s)))


# --- the map ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BarCell:
    """One bar of one take. ``missing``: main hits that most other takes have here.

    ``level_db``: mean of its main hits' levels against their drums' medians in the take;
    ``timing_ms``: root mean square of their distances from the grid. None without such hits.
    """

    bar: int
    hits: int
    weak: int
    missing: int
    loose: int
    fault: bool
    level_db: float | None = None
    timing_ms: float | None = None

    @property
    def sign(self) -> str:
        """One letter: ``!`` fault, ``m`` missing, ``w`` weak, ``t`` timing, ``.`` clean."""
        if self.fault:
            return "!"
        if self.missing:
            return "m"
        if self.weak:
            return "w"
        if self.loose:
            return "t"
        return "." if self.hits else " "


@dataclass(frozen=True, slots=True)
class TakeMap:
    """A take on bars: its grid and its cells in order; a punch-in's begin at its first bar."""

    take: StoredTake
    grid: Grid
    cells: tuple[BarCell, ...]

    @property
    def last_bar(self) -> int:
        """Number of its last bar; 0 if it has none."""
        return self.cells[-1].bar if self.cells else 0

    @property
    def signs(self) -> str:
        """A letter a bar from bar 1 on; spaces before a punch-in."""
        before = self.cells[0].bar - 1 if self.cells else 0
        return " " * before + "".join(cell.sign for cell in self.cells)

    def cell(self, bar: int) -> BarCell | None:
        """The cell of ``bar``; None where the take has none."""
        return next((cell for cell in self.cells if cell.bar == bar), None)


def session_maps(
    session: StoredSession, drums: Sequence[str], kicks: Sequence[str]
) -> list[list[TakeMap]]:
    """The map of every song whose tempo the user gave, takes of no song last; without a tempo, on
    the recorder's clock where it ran; else on its metronome where that was heard (with a tempo
    given, where it is the metronome's)."""
    songs = dict.fromkeys(session.songs.get(take.name, "") for take in session.takes)
    found = []
    for song in sorted(songs, key=lambda song: song == ""):
        names = [one.name for one in session.takes if session.songs.get(one.name, "") == song]
        tempo = session.tempo_of(names[0])
        grids: dict[str, Grid] = {**click_grids(session, drums, kicks, tempo)}
        if tempo is None:
            grids |= clock_grids(session, drums)
        else:
            laid = take_grids(
                session, tempo, session.beats, drums=drums, kicks=kicks,
                first_beats=session.first_beats,
            )  # fmt: skip
            grids = {**laid, **grids}
        if grids:
            maps = take_maps(
                session, tempo or 0.0, session.beats, drums=drums, kicks=kicks,
                first_beats=session.first_beats, names=names, grids=grids,
            )  # fmt: skip
            found += [maps] if maps else []
    return found


def take_maps(
    session: StoredSession,
    tempo_bpm: float,
    beats_a_bar: int = 4,
    *,
    drums: Sequence[str],
    kicks: Sequence[str],
    first_beats: Mapping[str, float] | None = None,
    names: Sequence[str] | None = None,
    grids: Mapping[str, Grid] | None = None,
) -> list[TakeMap]:
    """All takes (of ``names``) that have a main hit, laid on bars; ``drums`` are those judged.
    ``grids``: laid by something better than a tempo."""
    if grids is None:
        grids = take_grids(
            session, tempo_bpm, beats_a_bar, drums=drums, kicks=kicks, first_beats=first_beats
        )
    laid: list[tuple[StoredTake, Grid, list[tuple[StoredHit, Place]]]] = []
    for take in session.takes:
        grid = grids.get(take.name)
        if grid is not None and (names is None or take.name in names):
            hits = [hit for hit in session.between(take) if hit.drum in drums]
            laid.append((take, grid, [(hit, grid.place(hit.time_s)) for hit in hits]))
    struck = [{_slot(hit, place) for hit, place in placed} for _, _, placed in laid]
    mains = [
        {_slot(hit, place) for hit, place in placed if hit.role in MAIN_ROLES}
        if grid.hold >= LEAST_HOLD
        else set()
        for _, grid, placed in laid
    ]
    return [
        TakeMap(take, grid, _cells(session, take, grid, placed, _expected(mains, n), struck[n]))
        for n, (take, grid, placed) in enumerate(laid)
    ]


def take_grids(
    session: StoredSession,
    tempo_bpm: float,
    beats_a_bar: int = 4,
    *,
    drums: Sequence[str],
    kicks: Sequence[str],
    first_beats: Mapping[str, float] | None = None,
) -> dict[str, Grid]:
    """The grid of every take that has a main hit; of a punch-in so that it counts the bars of the
    take it belongs to, where that is known."""
    first_beats = first_beats or {}
    grids: dict[str, Grid] = {}
    for take in session.takes:
        hits = [hit for hit in session.between(take) if hit.drum in drums]
        grid = fit_grid(
            hits, tempo_bpm, beats_a_bar, kicks=kicks, first_beat_s=first_beats.get(take.name)
        )
        if grid is not None:
            grids[take.name] = grid
    starts = {take.name: take.start_s for take in session.takes}
    own = dict(grids)
    for name, punch in session.punch_ins.items():
        grid, base = own.get(name), own.get(punch.of)
        if grid is None:
            continue
        if punch.bar is not None:
            before = float((punch.bar - 1) * beats_a_bar)
        elif punch.at_s is not None and base is not None:
            before = round((starts[punch.of] + punch.at_s - base.first_beat_s) / base.beat_s)
        else:
            continue
        grids[name] = replace(grid, first_beat_s=grid.first_beat_s - before * grid.beat_s)
    return grids


Slot = tuple[str, int, int]


def _slot(hit: StoredHit, place: Place) -> Slot:
    return hit.drum, place.bar, place.step


def _expected(mains: Sequence[set[Slot]], own: int) -> set[Slot]:
    """Main hits that more than half of the other takes have, where there are two others or more."""
    others = [slots for number, slots in enumerate(mains) if number != own and slots]
    if len(others) < 2 or not mains[own]:
        return set()
    counts = Counter(slot for slots in others for slot in slots)
    return {slot for slot, count in counts.items() if 2 * count > len(others)}


def _left_out(expected: set[Slot], struck: set[Slot], mains: set[Slot]) -> set[Slot]:
    """Strokes of a bar's ``expected`` that are not ``struck``, where the bar is else what the other
    takes have in it: one drum with other main hits instead, or more than a quarter of them away,
    is played otherwise, and nothing of it is missing."""
    away = expected - struck
    otherwise = {drum for drum, _, _ in mains - expected}
    many = max(1, len(expected) // 4)
    return set() if len(away) > many else {slot for slot in away if slot[0] not in otherwise}


def _cells(
    session: StoredSession,
    take: StoredTake,
    grid: Grid,
    placed: Sequence[tuple[StoredHit, Place]],
    expected: set[Slot],
    struck: set[Slot],
) -> tuple[BarCell, ...]:
    last = max(place.bar for _, place in placed)
    punched = session.punch_ins.get(take.name)
    first = max(1, min(place.bar for _, place in placed)) if grid.absolute else 1
    if punched is not None and (punched.bar is not None or punched.at_s is not None):
        first = max(1, min(place.bar for _, place in placed))
    main = [abs(place.offset_ms) for hit, place in placed if hit.role in MAIN_ROLES]
    limit = max(_LOOSE_TIMES * float(np.median(main)), _LOOSE_LEAST_MS)
    medians = medians_of(hit for hit, _ in placed)
    cells = []
    for bar in range(first, last + 1):
        here = [(hit, place) for hit, place in placed if place.bar == bar]
        missing = {
            slot
            for slot in _left_out(
                {slot for slot in expected if slot[1] == bar},
                struck,
                {_slot(hit, place) for hit, place in here if hit.role in MAIN_ROLES},
            )
            if take.start_s <= grid.slot_s(bar, slot[2]) <= take.end_s
        }
        cells.append(
            BarCell(
                bar=bar,
                hits=len(here),
                weak=sum(hit.role == "weak" for hit, _ in here),
                missing=len(missing),
                loose=sum(
                    hit.role in MAIN_ROLES and abs(place.offset_ms) > limit for hit, place in here
                ),
                fault=faulty(session, grid.time_s(bar), grid.time_s(bar + 1)),
                level_db=mean_of(
                    [
                        hit.peak_dbfs - medians[hit.drum]
                        for hit, _ in here
                        if hit.role in MAIN_ROLES and hit.peak_dbfs is not None
                    ]
                ),
                timing_ms=_root_mean_square(
                    [place.offset_ms for hit, place in here if hit.role in MAIN_ROLES]
                ),
            )
        )
    # Bars after the end of the take are not missing anything.
    return tuple(cell for cell in cells if grid.time_s(cell.bar) <= take.end_s)


def medians_of(hits: Iterable[StoredHit]) -> dict[str, float]:
    """Median level of each drum's main hits."""
    levels: dict[str, list[float]] = {}
    for hit in hits:
        if hit.role in MAIN_ROLES and hit.peak_dbfs is not None:
            levels.setdefault(hit.drum, []).append(hit.peak_dbfs)
    return {drum: float(np.median(known)) for drum, known in levels.items()}


def mean_of(values: Sequence[float]) -> float | None:
    """Their mean; None of none."""
    return float(np.mean(values)) if values else None


def _root_mean_square(values: Sequence[float]) -> float | None:
    return float(np.sqrt(np.mean(np.square(values)))) if values else None


def faulty(session: StoredSession, start_s: float, end_s: float) -> bool:
    """Whether an alert that asks for a hand at once lasted in the span."""
    return any(
        alert["when"] == "now"
        and alert["start_s"] < end_s
        and (alert["end_s"] is None or alert["end_s"] > start_s)
        for alert in session.summary["alerts"]
    )


def choice_lines(maps: Sequence[TakeMap], most: int = 12) -> list[str]:
    """``verse bar 17 weak; clean there: chorus`` for bars that are not clean in some take."""
    words = {"!": "fault", "m": "a hit missing", "w": "weak", "t": "loose"}
    lines = []
    maps = [one for one in maps if one.grid.hold >= LEAST_HOLD]
    for one in maps:
        for cell in one.cells:
            if cell.sign not in words:
                continue
            clean = [
                other.take.name
                for other in maps
                if other is not one
                and (there := other.cell(cell.bar)) is not None
                and there.sign == "."
            ]
            said = f"; clean there: {', '.join(clean)}" if clean else "; clean in no other take"
            lines.append(f"{one.take.name}, bar {cell.bar}: {words[cell.sign]}{said}.")
    if len(lines) > most:
        return [*lines[:most], f"{len(lines) - most} more bars are marked in the map."]
    return lines
