"""Level differences between two takes, cell by cell: every drum in every microphone.

Softer playing moves one drum alike in all microphones; a nudged preamp moves all drums alike in
one microphone. To tell them apart each drum gives (1) how its hits differ as such (``playing``:
main hits, trend apart) and (2) per microphone, how far that microphone departs from the others at
like strength (``cells``). Within one hit the microphones agree far better than hits do among
themselves, so (2) is known to a fraction of a dB where (1) is known to half a dB or a dB.

Harder hits are not louder by the same amount everywhere (another spectrum, wires): each cell has
its own slope against the strength of the hit, near 1. Strength is the median over the drum's
microphones of the departure from the reference's levels there, so that one nudged microphone
does not move it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from liveassist.advise.changes_stats import Difference, difference, huber_centre, inliers
from liveassist.model import Drum, FloatArray, Hit, Kit
from liveassist.ranks import median

#: Roles whose levels say how hard a drum is played. For drums without roles every hit counts.
MAIN_ROLES: Final = frozenset({"main", "weak"})
#: Fewest main hits on either side for a playing level, and fewest values of a cell.
MIN_MAIN: Final = 6
#: The same for drums whose hits have no roles: fills and crashes are no two alike.
MIN_PLAIN: Final = 12
MIN_CELL: Final = 5
#: Standard error no amount of hits takes away: microphones see each drum from one side, dB.
_CELL_FLOOR_DB: Final = 0.35
#: The same in microphones that are not on this drum: there attribution takes the hit apart from
#: others, partly by what it has learned of the kit, and so lags behind what changed.
_FAR_FLOOR_DB: Final = 0.5
#: More of it for each dB beyond 20 dB that a cell lies below the drum in its own microphone, or
#: below the microphone's own drum: what is taken apart there is mostly something else's.
_BURIED_PER_DB: Final = 0.035
#: And for each dB the playing differs: the slope is not a line.
_PER_DB_PLAYED: Final = 0.12
#: The same for playing levels, dB.
_PLAYING_FLOOR_DB: Final = 0.4
#: Fewest main hits on either side for a trend to count as a second sign.
_MIN_LEANING: Final = 10
#: Rounds of strengths and departures in turn.
_ROUNDS: Final = 6
#: Prior of a cell's slope about 1.
_SLOPE_SD: Final = 0.15


@dataclass(frozen=True, slots=True)
class DrumLevels:
    """How one drum's levels differ. ``mics``: columns of ``Kit.mics`` with a cell; ``cells``: the
    microphone's departure at like strength, dB, with standard errors ``cells_se``; ``playing`` is
    None below `MIN_MAIN` main hits. ``own``: column of the own microphone. ``depth_db``: level of
    the reference's hits in each cell's microphone. ``leaning``: the
    take's trend in standard errors where the reference does not run that way (falling negative)."""

    drum: Drum
    own: int | None
    mics: tuple[int, ...]
    cells: FloatArray
    cells_se: FloatArray
    playing: Difference | None
    depth_db: FloatArray
    leaning: float = 0.0


def level_matrix(hits: Sequence[Hit], mics: int, own: int | None) -> FloatArray:
    """Levels of the hits alone, (hits, mics), NaN where not measured, buried or clipped."""
    out = np.full((len(hits), mics), np.nan)
    for row, hit in enumerate(hits):
        for column, level in enumerate(hit.mic_dbfs[:mics]):
            bound = column < len(hit.mic_bound) and hit.mic_bound[column]
            if level is not None and not bound:
                out[row, column] = level
        if own is not None and math.isnan(out[row, own]) and hit.peak_dbfs is not None:
            out[row, own] = hit.peak_dbfs
    return out


def _is_main(hit: Hit, roles: bool) -> bool:
    return hit.role in MAIN_ROLES if roles else True


def _usable(hits: Sequence[Hit], drum: str) -> list[Hit]:
    return [hit for hit in hits if hit.drum == drum and "clipped" not in hit.flags]


def drum_levels(
    kit: Kit, drum: Drum, reference: Sequence[Hit], take: Sequence[Hit]
) -> DrumLevels | None:
    """Compare one drum between two takes; None if it was not hit often enough in both."""
    first, second = _usable(reference, drum.name), _usable(take, drum.name)
    own = kit.mic_index(drum.own) if drum.own is not None else None
    levels_a = level_matrix(first, len(kit.mics), own)
    levels_b = level_matrix(second, len(kit.mics), own)
    known_a = np.isfinite(levels_a).sum(axis=0)
    known_b = np.isfinite(levels_b).sum(axis=0)
    mics = [
        index
        for index, mic in enumerate(kit.mics)
        if mic.type == "acoustic" and min(known_a[index], known_b[index]) >= MIN_CELL
    ]
    if not mics:
        return None
    levels_a, levels_b = levels_a[:, mics], levels_b[:, mics]
    keep_a = np.asarray(np.isfinite(levels_a).any(axis=1))
    keep_b = np.asarray(np.isfinite(levels_b).any(axis=1))
    first = [hit for hit, keep in zip(first, keep_a.tolist(), strict=True) if keep]
    second = [hit for hit, keep in zip(second, keep_b.tolist(), strict=True) if keep]
    levels_a, levels_b = levels_a[keep_a], levels_b[keep_b]
    roles = drum.judged and any(hit.role in MAIN_ROLES for hit in (*first, *second))
    main_a = np.array([_is_main(hit, roles) for hit in first])
    main_b = np.array([_is_main(hit, roles) for hit in second])
    own_at = mics.index(own) if own is not None and own in mics else None
    baseline = _baseline(levels_a, main_a, own_at)
    found = _cells(levels_a - baseline, levels_b - baseline, own_at)
    strength_a, strength_b = found.strength_a, found.strength_b
    times_a = np.array([hit.time_s for hit in first])
    times_b = np.array([hit.time_s for hit in second])
    playing = _playing(
        (strength_a[main_a], times_a[main_a]),
        (strength_b[main_b], times_b[main_b]),
        MIN_MAIN if roles else MIN_PLAIN,
    )
    if playing is not None and roles:
        ghost_a = np.array([hit.role == "ghost" for hit in first])
        ghost_b = np.array([hit.role == "ghost" for hit in second])
        ghosts = _playing(
            (strength_a[ghost_a], times_a[ghost_a]),
            (strength_b[ghost_b], times_b[ghost_b]),
            MIN_MAIN,
        )
        playing = _joined(playing, ghosts)
    played = playing.amount if playing is not None else 3.0
    kept = [column for column, cell in enumerate(found.cells) if cell is not None]
    if not kept:
        return None
    cells = [cell for cell in found.cells if cell is not None]
    return DrumLevels(
        drum,
        own,
        tuple(mics[column] for column in kept),
        np.array([cell.amount for cell in cells]),
        np.array(
            [
                math.hypot(
                    cell.se,
                    _CELL_FLOOR_DB if _on(kit, drum, mics[column]) else _FAR_FLOOR_DB,
                    _PER_DB_PLAYED * played,
                )
                for column, cell in zip(kept, cells, strict=True)
            ]
        ),
        playing,
        baseline[kept],
        _leaning((strength_a[main_a], times_a[main_a]), (strength_b[main_b], times_b[main_b])),
    )


def _on(kit: Kit, drum: Drum, column: int) -> bool:
    """Whether a microphone is the drum's own or its second one."""
    mic = kit.mics[column]
    return mic.name == drum.own or mic.of == drum.name


@dataclass(frozen=True, slots=True)
class _Fit:
    """Strength of every hit and every microphone's departure in the take."""

    strength_a: FloatArray
    strength_b: FloatArray
    cells: tuple[Difference | None, ...]


def _cells(first: FloatArray, second: FloatArray, own: int | None) -> _Fit:
    """Additive fit: hit strength plus, in the take, one departure per microphone.

    Soft hits are heard in few microphones, so a microphone's departure must be taken off before
    it may speak for the strength of a hit: strengths and departures in turn, a few rounds.
    """
    strength_a = _strength(first, own)
    offsets = np.zeros(first.shape[1])
    for _ in range(_ROUNDS):
        strength_b = _strength(second - offsets, own)
        cells = tuple(
            _cell(first[:, column], strength_a, second[:, column], strength_b)
            for column in range(first.shape[1])
        )
        amounts = np.array([0.0 if cell is None else cell.amount for cell in cells])
        moved = amounts - median(amounts)
        if float(np.max(np.abs(moved - offsets))) < 0.02:
            break
        offsets = moved
    return _Fit(strength_a, strength_b, cells)


def _playing(
    first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray], least: int
) -> Difference | None:
    """Difference of strengths (values, times), trend apart; None below ``least`` hits."""
    if min(len(first[0]), len(second[0])) < least:
        return None
    plain = difference(first[0], second[0], first_times=first[1], second_times=second[1])
    return Difference(plain.amount, math.hypot(plain.se, _PLAYING_FLOOR_DB), plain.dof)


def _leaning(first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]) -> float:
    """The take's trend over its standard error, if it runs further that way than the reference's.

    0 below ten hits a side, and where the reference runs the same way as much.
    """
    before, before_var = _trend(*first)
    after, after_var = _trend(*second)
    if not (before_var > 0.0 and after_var > 0.0):
        return 0.0
    apart = (after - before) / math.sqrt(before_var + after_var)
    lean = after / math.sqrt(after_var)
    return lean if apart * math.copysign(1.0, lean) >= 0.5 else 0.0


def _trend(values: FloatArray, times: FloatArray) -> tuple[float, float]:
    """Least-squares slope of the values that are not outliers, and its variance (0: unknown)."""
    kept = inliers(values)
    if int(kept.sum()) < _MIN_LEANING:
        return 0.0, 0.0
    x, y = times[kept] - times[kept].mean(), values[kept] - values[kept].mean()
    spread = float(x @ x)
    if spread <= 0.0:
        return 0.0, 0.0
    slope = float(x @ y) / spread
    residual = y - slope * x
    return slope, float(residual @ residual) / (len(x) - 2.0) / spread


def _joined(main: Difference, ghosts: Difference | None) -> Difference:
    """Main and ghost hits together, weighted by how well each is known, if they say the same.

    Ghost notes count a third at most: the figure is about main hits.
    """
    if ghosts is None or abs(main.amount - ghosts.amount) > 2.0 * math.hypot(main.se, ghosts.se):
        return main
    weight = min(1.0 / 3.0, main.se**2 / (main.se**2 + ghosts.se**2))
    amount = (1.0 - weight) * main.amount + weight * ghosts.amount
    se = math.hypot((1.0 - weight) * main.se, weight * ghosts.se)
    return Difference(amount, se, main.dof + ghosts.dof)


def _baseline(levels: FloatArray, main: npt.NDArray[np.bool_], own: int | None) -> FloatArray:
    """Where the reference's (main) hits lie in every microphone, dB.

    Soft hits are not measured everywhere, so microphones are compared within hits: each one's
    distance from the anchor (the own microphone, else the one known most often), hit by hit.
    """
    known = np.isfinite(levels)
    anchor = own if own is not None else int(np.argmax(known.sum(axis=0)))
    chosen = known[:, anchor] & main
    if int(chosen.sum()) < 3:
        chosen = known[:, anchor]
    out = np.full(levels.shape[1], huber_centre(levels[chosen, anchor]))
    for column in range(levels.shape[1]):
        if column == anchor:
            continue
        both = known[:, anchor] & known[:, column]
        if int((both & main).sum()) >= 3:
            both = both & main
        if int(both.sum()) >= 2:
            out[column] += huber_centre(levels[both, column] - levels[both, anchor])
        else:
            out[column] = huber_centre(levels[known[:, column], column])
    return out


def _strength(departures: FloatArray, own: int | None) -> FloatArray:
    """Median departure over the microphones; with fewer than three, the own one's where known."""
    out = np.nanmedian(departures, axis=1)
    if own is not None:
        few = (np.isfinite(departures).sum(axis=1) < 3) & np.isfinite(departures[:, own])
        out[few] = departures[few, own]
    return np.asarray(out)


def _cell(
    first: FloatArray, first_strength: FloatArray, second: FloatArray, second_strength: FloatArray
) -> Difference | None:
    """How far a microphone departs in the take, at like strength."""
    known_a, known_b = np.isfinite(first), np.isfinite(second)
    first, first_strength = first[known_a], first_strength[known_a]
    second, second_strength = second[known_b], second_strength[known_b]
    if min(len(first), len(second)) < MIN_CELL:
        return None
    slope = _slope(first, first_strength, second, second_strength)
    plain = difference(first - slope * first_strength, second - slope * second_strength)
    return Difference(plain.amount, max(plain.se, 1e-3), plain.dof)


def _slope(
    first: FloatArray, first_strength: FloatArray, second: FloatArray, second_strength: FloatArray
) -> float:
    """Slope of level on strength within the two groups, drawn towards 1."""
    x = np.concatenate(
        [first_strength - median(first_strength), second_strength - median(second_strength)]
    )
    y = np.concatenate([first - median(first), second - median(second)])
    misfit = y - x
    noise = max(1.4826 * median(np.abs(misfit - median(misfit))), 0.3)
    weights = np.minimum(1.0, 3.0 * noise / np.maximum(np.abs(misfit - median(misfit)), 1e-9))
    prior = (noise / _SLOPE_SD) ** 2
    slope = (float(weights @ (x * y)) + prior) / (float(weights @ x**2) + prior)
    return float(np.clip(slope, 0.6, 1.5))


def buried_error(depth_db: float) -> float:
    """Further standard error of a cell that lies this deep below an own-microphone level, dB."""
    return _BURIED_PER_DB * max(0.0, depth_db - 20.0)
