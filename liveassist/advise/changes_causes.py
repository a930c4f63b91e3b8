"""The fewest causes that explain all level differences: a sparse additive two-way model.

The difference of drum ``d`` in microphone ``m`` is ``playing[d] + gain[m] + error``; a microphone
that was moved shows instead as a difference of its own drum alone (``position[m]``). The model as
such is not unique (all drums softer by 3 dB equals all gains down by 3 dB), so the answer sought
is the one with the fewest causes: penalised best-subset least squares, all subsets up to three
causes, then one more at a time. The penalty per cause is the z² it must earn and controls false
causes over the many that are tried (about 0.1 % each; the set of tests is small and fixed).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from liveassist.advise.changes_levels import DrumLevels, buried_error
from liveassist.model import FloatArray, Kit
from liveassist.ranks import median

Kind = Literal["playing", "gain", "position", "source"]

#: z² a cause must earn. Position needs clear bleed evidence, so it must earn more.
_PENALTY: Final[dict[Kind, float]] = {
    "playing": 3.4**2,
    "gain": 3.4**2,
    "position": 4.2**2,
    "source": 4.2**2,
}
#: Least size worth a cause, dB.
LEAST_DB: Final[dict[Kind, float]] = {
    "playing": 1.4,
    "gain": 1.0,
    "position": 1.5,
    "source": 3.0,
}
#: Kinds with a head: how hard they are hit is playing. The others are sources of bleed.
HEADS: Final = frozenset({"kick", "snare", "tom"})
#: The same for how a tom is played, and its least size, dB: fills are no two alike.
_PENALTY_FILLS: Final = 5.5**2
_LEAST_FILLS_DB: Final = 4.0
#: z² a playing level must earn where the take, unlike the reference, clearly runs that way too
#: (`DrumLevels.leaning`): two independent signs of one thing need less each.
_PENALTY_LEANING: Final = 2.0**2
_CLEARLY_LEANING: Final = 2.8
#: z² the gain of a microphone must earn that has no kick, snare or tom of its own: it hears only
#: what attribution takes apart from louder sources.
_PENALTY_FAR: Final = 4.2**2
_MOST_CAUSES: Final = 10
#: Prior variance of what is not known at all, dB².
_UNKNOWN_VAR: Final = 30.0**2


@dataclass(frozen=True, slots=True)
class Cause:
    """One effect: ``index`` is the drum's place in the list given, or the microphone's column."""

    kind: Kind
    index: int
    amount_db: float
    se_db: float

    @property
    def z(self) -> float:
        """Amount over its standard error."""
        return self.amount_db / self.se_db


@dataclass(frozen=True, slots=True)
class Leftover:
    """A cell no cause explains: drum (place in the list), microphone column, dB, z."""

    drum: int
    mic: int
    amount_db: float
    z: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """Causes found, cells left over, and how many effects were tried."""

    causes: tuple[Cause, ...]
    leftovers: tuple[Leftover, ...]
    tried: int


@dataclass(frozen=True, slots=True)
class _Cells:
    """All cells stacked, with the inverse square root of their covariance applied."""

    drum: tuple[int, ...]
    mic: tuple[int, ...]
    values: FloatArray
    errors: FloatArray
    whiten: FloatArray


def _stack(drums: Sequence[DrumLevels], own_level: dict[int, float]) -> _Cells:
    owners: list[int] = []
    mics: list[int] = []
    values: list[float] = []
    errors: list[float] = []
    blocks: list[FloatArray] = []
    for place, drum in enumerate(drums):
        spread = np.empty(len(drum.mics))
        for at, mic in enumerate(drum.mics):
            above = [own_level[m] for m in (mic, drum.own) if m is not None and m in own_level]
            deep = max(above, default=-math.inf) - float(drum.depth_db[at])
            extra = buried_error(deep) if math.isfinite(deep) else 0.0
            spread[at] = math.hypot(float(drum.cells_se[at]), extra)
        played = drum.playing.amount if drum.playing is not None else 0.0
        shared = drum.playing.se**2 if drum.playing is not None else _UNKNOWN_VAR
        covariance = np.diag(spread**2) + shared
        blocks.append(np.linalg.inv(np.linalg.cholesky(covariance)))
        owners += [place] * len(drum.mics)
        mics += list(drum.mics)
        values += [played + float(cell) for cell in drum.cells]
        errors += list(spread)
    size = len(values)
    whiten = np.zeros((size, size))
    start = 0
    for block in blocks:
        stop = start + len(block)
        whiten[start:stop, start:stop] = block
        start = stop
    return _Cells(tuple(owners), tuple(mics), np.array(values), np.array(errors), whiten)


def _candidates(
    drums: Sequence[DrumLevels], cells: _Cells
) -> tuple[list[tuple[Kind, int]], FloatArray]:
    """Effects to try and their (whitened) columns."""
    drum_of, mic_of = np.array(cells.drum), np.array(cells.mic)
    names: list[tuple[Kind, int]] = []
    columns: list[FloatArray] = []
    for place, drum in enumerate(drums):
        if drum.playing is not None:
            names.append(("playing" if drum.drum.kind in HEADS else "source", place))
            columns.append((drum_of == place).astype(np.float64))
    for mic in sorted(set(cells.mic)):
        names.append(("gain", mic))
        columns.append((mic_of == mic).astype(np.float64))
    for place, drum in enumerate(drums):
        # the microphone moved: only where bleed of others is there to contradict a gain
        others = (mic_of == drum.own) & (drum_of != place) & (cells.errors < 1.5)
        mine = (mic_of == drum.own) & (drum_of == place)
        if drum.own is not None and bool(mine.any()) and int(others.sum()) >= 2:
            names.append(("position", drum.own))
            columns.append(mine.astype(np.float64))
    return names, cells.whiten @ np.column_stack(columns)


def _penalties(kit: Kit, names: list[tuple[Kind, int]], drums: Sequence[DrumLevels]) -> FloatArray:
    """z² each effect must earn."""
    out = np.array([_PENALTY[kind] for kind, _ in names])
    close = {drum.own for drum in drums if drum.drum.kind in HEADS}
    close |= {index for index, mic in enumerate(kit.mics) if mic.of is not None}
    for at, (kind, place) in enumerate(names):
        if kind == "gain" and place not in close:
            out[at] = _PENALTY_FAR
        owner = kit.owner(kit.mics[place].name) if kind == "position" else None
        if owner is not None and not owner.judged:
            out[at] = _PENALTY_FILLS
        drum = drums[place] if kind == "playing" else None
        if drum is not None and not drum.drum.judged:
            out[at] = _PENALTY_FILLS
        elif drum is not None and drum.playing is not None:
            along = drum.leaning * math.copysign(1.0, drum.playing.amount)
            if along >= _CLEARLY_LEANING:
                out[at] = _PENALTY_LEANING
    return out


def explain(kit: Kit, drums: Sequence[DrumLevels]) -> Explanation:
    """Find the fewest causes for the differences in ``drums`` (each drum at most once)."""
    if not drums:
        return Explanation((), (), 0)
    own_level = {
        mic: float(drum.depth_db[at])
        for drum in drums
        for at, mic in enumerate(drum.mics)
        if mic == drum.own
    }
    cells = _stack(drums, own_level)
    names, design = _candidates(drums, cells)
    target = cells.whiten @ cells.values
    penalty = _penalties(kit, names, drums)
    chosen = _best_subset(penalty, design, target)
    causes = _fit(names, design, target, chosen)
    least = _least(names, drums)
    while (
        causes
        and (dropped := _too_small(causes, penalty[list(chosen)], least[list(chosen)])) is not None
    ):
        chosen = tuple(index for index in chosen if index != chosen[dropped])
        causes = _fit(names, design, target, chosen)
    explained = np.zeros(len(cells.values))
    for index, cause in zip(chosen, causes, strict=True):
        explained += np.linalg.solve(cells.whiten, design[:, index]) * cause.amount_db
    left = _leftovers(drums, cells, cells.values - explained)
    return Explanation(tuple(causes), left, len(names))


def _least(names: list[tuple[Kind, int]], drums: Sequence[DrumLevels]) -> FloatArray:
    """Least size of each effect that is worth naming, dB."""
    return np.array(
        [
            _LEAST_FILLS_DB
            if kind == "playing" and not drums[place].drum.judged
            else LEAST_DB[kind]
            for kind, place in names
        ]
    )


def _too_small(causes: list[Cause], penalty: FloatArray, least_db: FloatArray) -> int | None:
    """Place of the weakest cause that is not worth naming."""
    weak = [
        (abs(cause.z), place)
        for place, cause in enumerate(causes)
        if abs(cause.amount_db) < float(least_db[place]) or cause.z**2 < float(penalty[place]) * 0.9
    ]
    return min(weak)[1] if weak else None


def _best_subset(penalty: FloatArray, design: FloatArray, target: FloatArray) -> tuple[int, ...]:
    gram = design.T @ design
    gram[np.diag_indices(len(penalty))] += 1e-9
    cross = design.T @ target

    def cost(subsets: FloatArray) -> FloatArray:
        """Penalised misfit (less a constant) of subsets, (count, size) of indices."""
        index = subsets.astype(np.intp)
        grams = gram[index[:, :, None], index[:, None, :]]
        crosses = cross[index]
        solved = np.linalg.solve(grams, crosses[:, :, None])[:, :, 0]
        return np.asarray(penalty[index].sum(axis=1) - (solved * crosses).sum(axis=1))

    best: tuple[int, ...] = ()
    least = 0.0
    for size in (1, 2, 3):
        if size > min(len(penalty), len(target)):
            break
        subsets = np.array(
            list(itertools.combinations(range(len(penalty)), size)), dtype=np.float64
        )
        costs = cost(subsets)
        at = int(np.argmin(costs))
        if float(costs[at]) < least - 1e-9:
            best, least = tuple(int(i) for i in subsets[at]), float(costs[at])
    while len(best) < min(_MOST_CAUSES, len(target) - 1):
        grown = [(*best, index) for index in range(len(penalty)) if index not in best]
        if not grown:
            break
        costs = cost(np.array(grown, dtype=np.float64))
        at = int(np.argmin(costs))
        if float(costs[at]) >= least - 1e-9:
            break
        best, least = grown[at], float(costs[at])
    return best


def _fit(
    names: list[tuple[Kind, int]], design: FloatArray, target: FloatArray, chosen: tuple[int, ...]
) -> list[Cause]:
    if not chosen:
        return []
    part = design[:, list(chosen)]
    inverse = np.linalg.inv(part.T @ part + 1e-9 * np.eye(len(chosen)))
    solved = inverse @ (part.T @ target)
    residual = target - part @ solved
    free = max(len(target) - len(chosen), 1)
    # cells that disagree more than their errors say make what rests on cells less sure
    inflate = max(1.0, float(residual @ residual) / free)
    causes = []
    for at, index in enumerate(chosen):
        kind, which = names[index]
        variance = float(inverse[at, at]) * (inflate if kind in ("gain", "position") else 1.0)
        causes.append(Cause(kind, which, float(solved[at]), math.sqrt(variance)))
    return causes


def _leftovers(
    drums: Sequence[DrumLevels], cells: _Cells, residual: FloatArray
) -> tuple[Leftover, ...]:
    """Cells of a drum's own microphone far off its other cells, which no cause explains."""
    out = []
    for place, drum in enumerate(drums):
        mine = [i for i, owner in enumerate(cells.drum) if owner == place]
        if len(mine) < 2:
            continue
        middle = median(residual[mine])
        for index in mine:
            if cells.mic[index] != drum.own:
                continue
            apart = float(residual[index]) - middle
            out.append(Leftover(place, cells.mic[index], apart, apart / float(cells.errors[index])))
    return tuple(out)
