"""Explain what all microphones heard around one moment as a sum of known drums.

Band powers of independent sources add, so what is heard in six windows (*slabs*: two before the
onset, four from it to 35 ms later), in every microphone and band, is modelled as a non-negative
mix of columns: each drum at the offset at which its own microphone heard it, the earlier hits
that still ring, drums without a microphone at a few free offsets, and what was sounding already.
The mix minimises the beta-divergence (beta = 0.5, between Itakura-Saito and Kullback-Leibler)
with multiplicative updates: C. Fevotte and J. Idier, "Algorithms for nonnegative matrix
factorization with the beta-divergence", Neural Computation 23(9), 2011 (departure: a fixed
exponent of 0.7 and a fixed number of updates).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from liveassist.attribute.bank import Bank, Column, Past
from liveassist.attribute.signature import Signature, rows_at
from liveassist.spectra import Grid, Power

#: Window starts of the slabs in sixteenths of a window: the two before end at the onset at the
#: latest; the last reaches 35 ms past it, by when late bodies (15 to 30 ms) have spoken.
SLABS = np.array([-28, -16, -4, 4, 16, 32], dtype=np.int64)
PRE = 2
#: Offsets tried for drums with no own microphone, in sixteenths of a window.
FREE = (-16, -8, -4, 0, 4, 8, 16)
TAILS = (-220, -110, -50)
#: Where a kick and a snare begin together, the candidate of one hides that of the other in its
#: microphone: the drum is tried this much earlier and later too, in sixteenths of a window (to
#: 7 ms). Leaving out a kit at a time: snare F 0.957 instead of 0.952, kick 0.998 instead of 0.991.
SHIFTS = (-10, -5, 5, 10)
UPDATES = 16
EXPONENT = 0.7
#: A cell 40 dB under the loudest of its microphone says nothing: bleed there is chance.
FLOOR_BELOW = 1e-4
#: Microphones other than the one judged count less: how a drum bleeds varies by 3 to 6 dB from
#: stroke to stroke on recorded drums.
OTHER_WEIGHT = 0.4


@dataclass(slots=True)
class Explanation:
    """The fitted mix around ``sample``. ``heard``, ``model``: (slabs, mics, BANDS)."""

    sample: int
    heard: Power
    floor: Power
    model: Power
    columns: list[Column]
    gains: npt.NDArray[np.float32]
    matrix: npt.NDArray[np.float32]
    #: What was known of the drums then: learning may go on before the hit is reported.
    signatures: Mapping[str, Signature] = field(default_factory=dict)
    #: Where `place` put new hits.
    placed: dict[str, int] = field(default_factory=dict)

    def part(self, drum: str) -> Power:
        """Share of the model that is a new hit on ``drum``: (slabs, mics, BANDS)."""
        picked = [i for i, column in enumerate(self.columns) if column.now and column.drum == drum]
        if not picked:
            return np.zeros_like(self.heard)
        return np.asarray((self.gains[picked] @ self.matrix[picked]).reshape(self.heard.shape))

    def place(self, drum: str, mic: int, otherwise: int) -> int:
        """Offset (samples) of a new hit on ``drum``: where it puts most power into column ``mic``;
        ``otherwise``, where its candidate was, if that explains a third of it."""
        power: dict[int, float] = {}
        for number, column in enumerate(self.columns):
            if column.now and column.drum == drum:
                row = self.matrix[number].reshape(self.heard.shape)[PRE:, mic]
                part = float(self.gains[number] * row.sum())
                power[column.offset] = power.get(column.offset, 0.0) + part
        if 3.0 * power.get(otherwise, 0.0) < sum(power.values()):
            otherwise = max(power, key=lambda offset: power[offset])
        self.placed[drum] = otherwise
        return otherwise

    def unexplained(self) -> Power:
        """Power that the model does not account for, never negative: (slabs, mics, BANDS)."""
        return np.asarray(np.maximum(self.heard - (self.model - self.floor), 0.0))

    def drum_gains(self, drum: str) -> npt.NDArray[np.float32]:
        """Gain of each exemplar of a new hit on ``drum``, summed over offsets."""
        number = 1 + max(
            (c.exemplar or 0 for c in self.columns if c.drum == drum and c.now), default=0
        )
        total = np.zeros(number, dtype=np.float32)
        for column, gain in zip(self.columns, self.gains, strict=True):
            if column.now and column.drum == drum:
                if column.exemplar is not None:
                    total[column.exemplar] += gain
                else:
                    total += gain / number
        return total

    def seen(self, starts: npt.NDArray[np.int64], fine: int, drum: str) -> tuple[Power, Power]:
        """Model at window starts relative to ``sample``: (new hit on ``drum``, all else)."""
        shape = (len(starts), *self.heard.shape[1:])
        mine = np.zeros((len(starts), self.floor.size), dtype=np.float32)
        rest = self._held(starts, fine)
        placed = [
            (signature, offset, *told)
            for (name, offset), members in self._placed().items()
            if (signature := self.signatures.get(name)) is not None
            and (told := _weights(signature, members)) is not None
        ]
        offsets = np.array([offset for _, offset, _, _ in placed], dtype=np.int64)
        rows, inside = rows_at(starts - offsets[:, None], fine)
        for at, (signature, _, weights, new) in enumerate(placed):
            flat = signature.for_levels().take(rows[at], axis=1).reshape(len(weights), -1)
            part = (weights @ flat).reshape(mine.shape)
            into = mine if new and signature.drum == drum else rest
            into += part if inside[at].all() else part * inside[at][:, None]
        return mine.reshape(shape), rest.reshape(shape)

    def _placed(self) -> dict[tuple[str, int], list[tuple[Column, float]]]:
        placed: dict[tuple[str, int], list[tuple[Column, float]]] = {}
        for column, gain in zip(self.columns, self.gains.tolist(), strict=True):
            if column.drum:
                offset = column.offset
                if column.now and column.exemplar is None:
                    # Power tried beside the stroke is the stroke's: its onset is to stay sharp.
                    offset = self.placed.get(column.drum, offset)
                placed.setdefault((column.drum, offset), []).append((column, gain))
        return placed

    def _held(self, starts: npt.NDArray[np.int64], fine: int) -> Power:
        """What was sounding before, at the window starts: (starts, mics * BANDS)."""
        after = np.maximum(starts + 16 * fine, 0) / (16.0 * fine)
        share = np.zeros((len(starts), PRE))
        for column, gain in zip(self.columns, self.gains.tolist(), strict=True):
            if not column.drum:
                share[:, column.offset % PRE] += gain * HOLD_FADE[column.offset // PRE] ** after
        before = self.heard[:PRE].reshape(PRE, -1)
        return np.asarray(share.astype(np.float32) @ before + self.floor.reshape(-1))


def _weights(
    signature: Signature, members: Sequence[tuple[Column, float]]
) -> tuple[npt.NDArray[np.float32], bool] | None:
    """Gain of each exemplar over the columns of one drum at one place, and whether it is a new hit;
    None where there is none to speak of."""
    weights = np.zeros(len(signature.exemplars), dtype=np.float32)
    new = False
    for column, gain in members:
        if column.only is not None:
            # It speaks for what was hit; levels rest on the relations that were learned.
            continue
        new = new or column.now
        if column.exemplar is not None:
            weights[column.exemplar] += gain
        elif column.gains is not None:
            weights[: len(column.gains)] += gain * column.gains
        else:
            weights += gain / len(weights)
    return (weights, new) if weights.max() > 0.0 else None


#: What was sounding before holds, or fades per window (11.6 ms): 0.98 is a T60 of 8 s (cymbal),
#: 0.5 one of 230 ms (a damped drum).
HOLD_FADE = (0.98, 0.5)


class Explainer:
    """Builds and fits the columns for one kit; holds no audio."""

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._slabs = SLABS * grid.fine
        self._bank: Bank | None = None
        after = np.maximum(SLABS + 16, 0) / 16.0
        self._fades = [(fade**after).astype(np.float32)[:, None, None] for fade in HOLD_FADE]

    @property
    def reach(self) -> tuple[int, int]:
        """Samples needed before and after the moment explained."""
        return -int(self._slabs[0]), int(self._slabs[-1]) + self._grid.window

    def hear(
        self, audio: npt.NDArray[np.float32], row: int, columns: list[int] | None = None
    ) -> Power:
        """Band powers of the slabs around ``row`` of ``audio``: (slabs, mics, BANDS)."""
        before, after = self.reach
        piece = audio[row - before : row + after]
        if columns is not None:
            piece = piece[:, columns]
        return self._grid.at(piece, self._slabs + before)

    def explain(
        self,
        heard: Power,
        noise: Power,
        sample: int,
        signatures: Mapping[str, Signature],
        now: Mapping[str, int | None],
        later: Sequence[tuple[str, int]],
        past: Sequence[Past],
        own: Mapping[str, int],
        beside: Sequence[tuple[str, int, int]] = (),
    ) -> Explanation:
        """Fit the mix to what was ``heard`` around absolute ``sample``.

        ``now``: drums that may be new hits with the offset (samples) at which their own
        microphone heard something, None for a drum that has no own microphone. ``later``: owned
        drums whose microphone hears something within the slabs but later. ``past``: hits that may
        still ring. Microphones of the drums in ``own`` weigh most. ``beside``: drums (offset,
        microphone) whose bleed in that one microphone has a gain of its own.
        """
        floor = np.maximum(noise, FLOOR_BELOW * heard.max(axis=(0, 2))[:, None]) + np.float32(1e-10)
        crowded = {mic for _, _, mic in beside}
        shifted = [drum for drum, mic in own.items() if mic in crowded]
        columns, matrix = self._columns(
            heard, sample, signatures, now, later, past, beside, shifted
        )
        weight = np.full(heard.shape[1], OTHER_WEIGHT, dtype=np.float32)
        weight[list(own.values())] = 1.0
        weights = np.broadcast_to(weight[None, :, None], heard.shape).reshape(-1)
        gains, model = fit(
            (heard + floor).reshape(-1),
            matrix,
            np.broadcast_to(floor, heard.shape).reshape(-1),
            weights,
        )
        shaped = model.reshape(heard.shape)
        return Explanation(sample, heard, floor, shaped, columns, gains, matrix, dict(signatures))

    def _columns(
        self,
        heard: Power,
        sample: int,
        signatures: Mapping[str, Signature],
        now: Mapping[str, int | None],
        later: Sequence[tuple[str, int]],
        past: Sequence[Past],
        beside: Sequence[tuple[str, int, int]],
        shifted: Sequence[str],
    ) -> tuple[list[Column], npt.NDArray[np.float32]]:
        fine = self._grid.fine
        bank = self._bank_of(signatures)
        columns = [
            Column(drum, place, number, now=True)
            for drum, offset in now.items()
            if drum in bank.first
            for place in ([offset] if offset is not None else [step * fine for step in FREE])
            for number in range(bank.count[drum])
        ]
        columns += [
            Column(drum, place + step * fine, None, now=True)
            for drum in shifted
            if drum in bank.first and (place := now.get(drum)) is not None
            for step in SHIFTS
        ]
        columns += [
            Column(drum, step * fine, None, now=False)
            for drum, offset in now.items()
            if offset is None and drum in bank.first
            for step in TAILS
        ]
        columns += [
            Column(drum, place, None, now=False) for drum, place in later if drum in bank.first
        ]
        columns += [Column(drum, place, None, now=False, only=mic) for drum, place, mic in beside]
        looked_up = len(columns)
        ringing = [
            (hit, whole) for hit in past if (whole := bank.whole(hit, signatures)) is not None
        ]
        columns += [
            Column(hit.drum, hit.sample - sample, None, now=False, gains=hit.gains)
            for hit, _ in ringing
        ]
        held = [(number, slab) for number in range(len(HOLD_FADE)) for slab in range(PRE)]
        matrix = np.empty((len(columns) + len(held), *heard.shape), dtype=np.float32)
        offsets = np.array([column.offset for column in columns], dtype=np.int64)
        rows, inside = rows_at(self._slabs[None, :] - offsets[:, None], fine)
        matrix[:looked_up] = bank.rows(columns[:looked_up], rows[:looked_up])
        for at, (_, whole) in enumerate(ringing, start=looked_up):
            matrix[at] = whole[rows[at]]
        if not inside.all():
            matrix[: len(columns)][~inside] = 0.0
        for at, column in enumerate(columns[:looked_up]):
            if column.only is not None:
                matrix[at, :, : column.only] = 0.0
                matrix[at, :, column.only + 1 :] = 0.0
        for at, (number, slab) in enumerate(held, start=len(columns)):
            np.multiply(self._fades[number], heard[slab], out=matrix[at])
        columns += [Column("", PRE * number + slab, None, now=False) for number, slab in held]
        return columns, matrix.reshape(len(columns), heard.size)

    def _bank_of(self, signatures: Mapping[str, Signature]) -> Bank:
        """All exemplars in one array; made anew when what is known changes."""
        mark = tuple((name, id(s.exemplars)) for name, s in signatures.items())
        if self._bank is None or self._bank.mark != mark:
            self._bank = Bank(mark, signatures)
        return self._bank


def fit(
    target: npt.NDArray[np.float32],
    matrix: npt.NDArray[np.float32],
    floor: npt.NDArray[np.float32],
    weights: npt.NDArray[np.float32],
    updates: int = UPDATES,
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Non-negative gains of ``matrix`` rows (columns of the mix) so that they explain ``target``.

    Returns (gains, model) where model = gains @ matrix + floor.
    """
    gains = np.asarray(
        np.float32(1e-3) * target.max() / (matrix.max(axis=1) + np.float32(1e-9)), dtype=np.float32
    )
    weighted = weights * target
    model = gains @ matrix
    model += floor
    root, pull = np.empty_like(model), np.empty_like(model)
    up, down = np.empty_like(gains), np.empty_like(gains)
    # Names of their own, and `dot`: in rows this short half of the time is asking.
    dot, sqrt, divide, power = np.dot, np.sqrt, np.divide, np.power
    least, exponent = np.float32(1e-20), np.float32(EXPONENT)
    for _ in range(updates):
        sqrt(model, out=root)
        divide(weights, root, out=pull)
        dot(matrix, pull, out=down)
        root *= model
        divide(weighted, root, out=pull)
        dot(matrix, pull, out=up)
        down += least
        up /= down
        gains *= power(up, exponent, out=up)
        dot(gains, matrix, out=model)
        model += floor
    return gains, model
