"""Lug walk: the user taps beside each lug in turn; which lug is off, and by how much.

A tap beside a lug excites the modes that move there. Where uneven tension has split a mode, the
half whose axis runs through that lug sounds louder, so the level-weighted pitch of the pair
follows the tension across the drum: it repeats every half turn, which is why the result is drawn
as opposite pairs as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from liveassist.model import Interval, Partial
from liveassist.units import cents

#: Partials this near the head's common lug pitch belong to it, cents.
REACH_CENTS: Final = 100.0
#: One tap's pitch is not known better than this, cents, however well taps agree.
TAP_SD_CENTS: Final = 4.0
#: A lug is off when its interval excludes this much, cents (common practice, no source).
ALLOWED_CENTS: Final = 5.0


@dataclass(frozen=True, slots=True)
class Lug:
    """One lug: its pitch, and how far it is off the mean of the others in cents (flat negative)."""

    number: int
    pitch_hz: float | None
    off_cents: float | None
    ci: Interval | None
    taps: int
    reason: str | None = None

    @property
    def off(self) -> bool:
        """Whether this lug is off for certain."""
        return self.ci is not None and (self.ci[0] > ALLOWED_CENTS or self.ci[1] < -ALLOWED_CENTS)


@dataclass(frozen=True, slots=True)
class LugWalk:
    """All lugs, the common pitch, and opposite pairs ``(lug, lug, mean off, difference)``."""

    lugs: tuple[Lug, ...]
    pitch_hz: float | None
    pairs: tuple[tuple[int, int, float | None, float | None], ...]
    sentence: str


def _weighted_cents(partials: Sequence[Partial], centre_hz: float) -> float | None:
    """Level-weighted (power) distance of a tap's partials near ``centre_hz`` from it, cents."""
    near = [
        (cents(partial.frequency_hz, centre_hz), math.pow(10.0, partial.level_dbfs / 10.0))
        for partial in partials
        if abs(cents(partial.frequency_hz, centre_hz)) <= REACH_CENTS
    ]
    weight = sum(power for _, power in near)
    if not near or weight <= 0.0:
        return None
    return sum(off * power for off, power in near) / weight


def common_pitch_hz(taps: Sequence[Sequence[Partial]]) -> float | None:
    """Frequency that most taps share, the loudest if several; None without partials.

    Each partial votes for those within `REACH_CENTS` of it with its level above the tap's
    strongest less 20 dB, so that the mode all taps ring with wins.
    """
    best: float | None = None
    most = 0.0
    strongest = [max((p.level_dbfs for p in tap), default=-math.inf) for tap in taps]
    for tap in taps:
        for candidate in tap:
            votes = 0.0
            for other, top in zip(taps, strongest, strict=True):
                near = [
                    p.level_dbfs - top + 20.0
                    for p in other
                    if abs(cents(p.frequency_hz, candidate.frequency_hz)) <= REACH_CENTS
                ]
                votes += max(0.0, max(near, default=0.0))
            if votes > most:
                best, most = candidate.frequency_hz, votes
    return best


def lug_walk(lugs: int, taps: Sequence[tuple[int, Sequence[Partial]]]) -> LugWalk:
    """Compare lugs.

    ``lugs``: how many the drum has, 3 to 16; ``taps``: (lug number from 1, partials of the tap),
    several taps a lug allowed and advised. ValueError for numbers out of range.
    """
    if not 3 <= lugs <= 16:
        raise ValueError("a drum has 3 to 16 lugs")
    if any(not 1 <= number <= lugs for number, _ in taps):
        raise ValueError(f"lug numbers run from 1 to {lugs}")
    centre = common_pitch_hz([partials for _, partials in taps])
    offs: dict[int, list[float]] = {}
    for number, partials in taps:
        off = _weighted_cents(partials, centre) if centre is not None else None
        if off is not None:
            offs.setdefault(number, []).append(off)
    count = {number: sum(n == number for n, _ in taps) for number in range(1, lugs + 1)}
    scatter = _scatter(list(offs.values()))
    rows = tuple(
        _lug(number, offs, count[number], centre, scatter) for number in range(1, lugs + 1)
    )
    pitch = None
    if centre is not None and offs:
        middle = float(np.mean([np.mean(values) for values in offs.values()]))
        pitch = centre * 2.0 ** (middle / 1200.0)
    return LugWalk(rows, pitch, _opposite(rows), _sentence(rows))


def _scatter(groups: list[list[float]]) -> tuple[float, float]:
    """Standard deviation of one tap, pooled over lugs, and its degrees of freedom."""
    dof = sum(len(group) - 1 for group in groups)
    if dof == 0:
        return TAP_SD_CENTS, 8.0
    squares = sum(float(np.var(group)) * len(group) for group in groups)
    return max(TAP_SD_CENTS, math.sqrt(squares / dof)), float(dof) + 8.0


def _lug(
    number: int,
    offs: dict[int, list[float]],
    taps: int,
    centre: float | None,
    scatter: tuple[float, float],
) -> Lug:
    if centre is None or number not in offs:
        why = "not tapped yet" if taps == 0 else "the tap rings too little to be measured"
        return Lug(number, None, None, None, taps, why)
    mine = float(np.mean(offs[number]))
    others = [float(np.mean(values)) for lug, values in offs.items() if lug != number]
    pitch = centre * 2.0 ** (mine / 1200.0)
    if len(others) < 2:
        return Lug(number, pitch, None, None, taps, "at least three lugs are needed")
    # the median of the others: one lug that is off must not make its neighbours look off
    off = mine - float(np.median(others))
    sd, dof = scatter
    se = sd * math.sqrt(1.0 / len(offs[number]) + 1.57 / sum(len(v) for v in offs.values()))
    reach = float(special.stdtrit(dof, 0.975)) * se
    return Lug(number, pitch, off, (off - reach, off + reach), taps)


def _opposite(rows: Sequence[Lug]) -> tuple[tuple[int, int, float | None, float | None], ...]:
    """Opposite lugs (an even number of them): mean off and difference, cents."""
    if len(rows) % 2:
        return ()
    half = len(rows) // 2
    out: list[tuple[int, int, float | None, float | None]] = []
    for first, second in zip(rows[:half], rows[half:], strict=True):
        if first.off_cents is None or second.off_cents is None:
            out.append((first.number, second.number, None, None))
            continue
        mean = 0.5 * (first.off_cents + second.off_cents)
        out.append((first.number, second.number, mean, first.off_cents - second.off_cents))
    return tuple(out)


def _sentence(rows: Sequence[Lug]) -> str:
    left = [row.number for row in rows if row.off_cents is None]
    off = sorted(
        (row for row in rows if row.off and row.off_cents is not None),
        key=lambda row: -abs(row.off_cents or 0.0),
    )
    if off and off[0].off_cents is not None:
        worst = off[0].off_cents
        way, turn = ("flat", "tighten") if worst < 0 else ("sharp", "loosen")
        return (
            f"Lug {off[0].number} is {abs(worst):.0f} cents {way} of the others: {turn} it a "
            f"little and tap it again."
        )
    if left:
        return f"Tap beside lug {left[0]} next: it is not measured yet."
    return f"All lugs agree within {ALLOWED_CENTS:.0f} cents as far as can be heard: leave them."
