"""Lug walk: the user taps beside each lug in turn; which lug is off, and by how much.

A tap beside a lug excites the modes that move there. Where uneven tension has split a mode with
nodal diameters, the half whose axis runs through that lug sounds louder, so the level-weighted
pitch of the pair follows the tension around the drum: with one diameter it repeats every half
turn, with two every quarter. The circular modes say nothing. So every mode that most taps share is
followed from lug to lug, and the mean of those that differ between lugs by more than taps at one
lug do is what a lug reads.

All modes are alike at opposite lugs (they have the symmetry of a diameter), so of two opposite
lugs that read alike it takes a turn of one to know which it was; the sentence says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from liveassist.model import Interval, Partial
from liveassist.units import cents

#: Partials this near a mode's common pitch belong to it, cents.
REACH_CENTS: Final = 75.0
#: Modes looked for, those used (with one diameter and with two: more diameters than that repeat
#: faster than the lugs), the share of lugs at which a mode must sound, and how far it may lie
#: under the tap's strongest, median over taps, dB.
_MOST_MODES: Final = 8
_USED: Final = 2
_SHARE: Final = 0.7
_RANGE_DB: Final = 18.0
#: Partials are weighed by what is left of them so long after the onset, s: modes with diameters
#: radiate little and ring longest.
_LATE_S: Final = 0.15
#: Another microphone speaks for a mode only where it tells lugs apart this well.
_TELLING_ELSEWHERE: Final = 30.0
#: Modes above this many times the lowest have more diameters.
_HIGHEST: Final = 2.3
LEAST_LUGS: Final = 3
MOST_LUGS: Final = 24
#: Halves of a split mode leave a gap between them that is this wide, cents, with this share of
#: the taps on either side.
_GAP_CENTS: Final = 4.0
_HALF: Final = 0.15
#: A mode tells lugs apart where they differ this many times more than taps at one lug do
#: (variances), and by this much, cents; scatter of taps is not taken for less than this.
_TELLING: Final = 8.0
_TELLING_CENTS: Final = 2.0
_LEAST_SCATTER: Final = 1.0
#: Lugs off by this share of the most are off as much.
_AS_MUCH: Final = 0.6
#: Opposite lugs read alike within this many standard errors of their difference.
_ALIKE: Final = 2.0
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


def _near(partials: Sequence[Partial], centre_hz: float) -> list[tuple[float, float]]:
    """Partials of a mode: distance from its pitch in cents, level in dB."""
    near = [(cents(p.frequency_hz, centre_hz), p.level_dbfs) for p in partials]
    return [row for row in near if abs(row[0]) <= REACH_CENTS]


def _halves(rows: Sequence[Sequence[tuple[float, float]]]) -> float | None:
    """Where a split mode's halves part, cents; None if it is whole."""
    values = sorted(off for row in rows for off, _ in row)
    least = max(3, round(_HALF * len(rows)))
    gaps = [
        (values[at] - values[at - 1], 0.5 * (values[at] + values[at - 1]))
        for at in range(least, len(values) - least + 1)
    ]
    widest = max(gaps, default=(0.0, 0.0))
    return widest[1] if widest[0] >= _GAP_CENTS else None


def _pitches(rows: Sequence[Sequence[tuple[float, float]]]) -> list[float | None]:
    """Pitch of one mode in every tap, cents from its common pitch: mean of its halves by power.

    A fixed microphone hears the two halves of a split mode unequally, as it hangs over the one or
    the other. What tells lugs apart is how each half's level varies from lug to lug, so levels
    count against the half's own loudest tap (taps are made equally strong first).
    """
    parts = _halves(rows)
    loudest = [max((level for _, level in row), default=-math.inf) for row in rows]
    top = [-math.inf, -math.inf]
    for row, strong in zip(rows, loudest, strict=True):
        for off, level in row:
            half = int(parts is not None and off > parts)
            top[half] = max(top[half], level - strong if parts is None else level)
    out: list[float | None] = []
    for row in rows:
        weights = [
            math.pow(10.0, (level - top[int(parts is not None and off > parts)]) / 10.0)
            for off, level in row
        ]
        total = sum(weights)
        out.append(
            sum(w * off for w, (off, _) in zip(weights, row, strict=True)) / total
            if total > 0.0
            else None
        )
    return out


def common_pitch_hz(taps: Sequence[Sequence[Partial]]) -> float | None:
    """Frequency that most taps share, the loudest if several; None without partials.

    Each partial votes for those within `REACH_CENTS` of it with its level above the tap's
    strongest less 20 dB, so that the mode all taps ring with wins.
    """
    tops = [max((p.level_dbfs for p in tap), default=-math.inf) for tap in taps]
    owner = np.array([at for at, tap in enumerate(taps) for _ in tap], dtype=np.intp)
    pitches = np.array([p.frequency_hz for tap in taps for p in tap], dtype=np.float64)
    above = np.array(
        [p.level_dbfs - top + 20.0 for tap, top in zip(taps, tops, strict=True) for p in tap]
    )
    if not len(pitches):
        return None
    place = 1200.0 * np.log2(pitches)
    near = np.abs(place[:, None] - place[None, :]) <= REACH_CENTS
    votes = np.zeros((len(pitches), len(taps)))
    for at in range(len(pitches)):
        # one vote a tap: its loudest partial near the candidate
        np.maximum(votes[:, owner[at]], near[:, at] * above[at], out=votes[:, owner[at]])
    total = votes.sum(axis=1)
    best = int(np.argmax(total))
    return float(pitches[best]) if total[best] > 0.0 else None


#: Cents of every tap by lug.
Readings = dict[int, list[float]]
#: Taps in one microphone: number of the lug, partials.
Taps = Sequence[tuple[int, Sequence[Partial]]]


@dataclass(frozen=True, slots=True)
class _Mode:
    """One mode over all taps: common pitch, cents from it by lug, how well it tells lugs apart."""

    pitch_hz: float
    readings: Readings
    telling: float

    @property
    def middle(self) -> float:
        """Mean over lugs, cents from ``pitch_hz``."""
        return float(np.mean([np.mean(values) for values in self.readings.values()]))


def _late(partials: Sequence[Partial]) -> list[Partial]:
    """The partials with the levels they have a little later."""
    return [
        replace(p, level_dbfs=p.level_dbfs - 60.0 * _LATE_S / max(p.t60_s, 0.01)) for p in partials
    ]


def _shared(taps: Taps) -> list[_Mode]:
    """Modes that most taps share in one microphone, the loudest first."""
    left = [_late(partials) for _, partials in taps]
    strongest = [max((p.level_dbfs for p in tap), default=-math.inf) for tap in left]
    tapped = {number for (number, _), partials in zip(taps, left, strict=True) if partials}
    found: list[_Mode] = []
    for _ in range(_MOST_MODES):
        centre = common_pitch_hz(left)
        if centre is None:
            break
        even = [
            [(off, level - top) for off, level in _near(partials, centre)]
            for partials, top in zip(left, strongest, strict=True)
        ]
        readings: Readings = {}
        for (number, _), off in zip(taps, _pitches(even), strict=True):
            if off is not None:
                readings.setdefault(number, []).append(off)
        loud = float(np.median([max((v for _, v in row), default=-math.inf) for row in even]))
        left = [
            [p for p in partials if abs(cents(p.frequency_hz, centre)) > REACH_CENTS]
            for partials in left
        ]
        if len(readings) >= _SHARE * len(tapped) and loud >= -_RANGE_DB:
            found.append(_Mode(centre, readings, _telling(readings)))
    return found


def _modes(taps: Taps, others: Sequence[Taps]) -> list[_Mode]:
    """The lowest modes that tell lugs apart, each in the microphone where it does so best.

    Only modes that the drum's own microphone hears; the loudest of them where none tells.
    """
    own = _shared(taps)
    if not own:
        return []
    highest = min(mode.pitch_hz for mode in own) * _HIGHEST
    found = (mode for rows in others for mode in _shared(rows))
    elsewhere = [mode for mode in found if mode.telling >= _TELLING_ELSEWHERE]
    best: list[_Mode] = []
    for mode in sorted((m for m in own if m.pitch_hz <= highest), key=lambda m: m.pitch_hz):
        heard = [
            m for m in elsewhere if _same(m, mode) and m.readings.keys() == mode.readings.keys()
        ]
        best.append(max([mode, *heard], key=lambda m: m.telling))
    return [mode for mode in best if mode.telling >= _TELLING][:_USED] or own[:1]


def _same(mode: _Mode, other: _Mode) -> bool:
    return abs(cents(mode.pitch_hz, other.pitch_hz)) <= REACH_CENTS


def _telling(readings: Readings) -> float:
    """Variance between lugs over that of taps at one lug; 0 where lugs hardly differ."""
    groups = [np.asarray(values) for values in readings.values()]
    if len(groups) < 3:
        return 0.0
    dof = sum(len(group) - 1 for group in groups)
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    within = squares / dof if dof else TAP_SD_CENTS**2
    between = float(np.var([group.mean() for group in groups], ddof=1))
    if between < _TELLING_CENTS**2:
        return 0.0
    taps = float(np.mean([len(group) for group in groups]))
    return taps * between / max(within, _LEAST_SCATTER**2)


def _read(modes: Sequence[_Mode]) -> Readings:
    """Cents of every tap: the mean over modes, each about its own mean over lugs."""
    parts: dict[int, list[list[float]]] = {}
    for mode in modes:
        for number, values in mode.readings.items():
            parts.setdefault(number, []).append([value - mode.middle for value in values])
    out: Readings = {}
    for number, rows in parts.items():
        taps = max(len(row) for row in rows)
        columns = [[row[tap] for row in rows if tap < len(row)] for tap in range(taps)]
        out[number] = [float(np.mean(column)) for column in columns]
    return out


def lug_walk(lugs: int, taps: Taps, others: Sequence[Taps] = ()) -> LugWalk:
    """Compare lugs.

    ``lugs``: how many the drum has, 3 to 24; ``taps``: (lug number from 1, partials of the tap)
    in the drum's own microphone, several taps a lug allowed and advised; ``others``: the same
    taps in other microphones, which hear what the own one hangs over the still line of.
    ValueError for numbers out of range.
    """
    if not LEAST_LUGS <= lugs <= MOST_LUGS:
        raise ValueError(f"a drum has {LEAST_LUGS} to {MOST_LUGS} lugs")
    if any(not 1 <= number <= lugs for number, _ in taps):
        raise ValueError(f"lug numbers run from 1 to {lugs}")
    modes = _modes(taps, others)
    pitch = modes[0].pitch_hz * 2.0 ** (modes[0].middle / 1200.0) if modes else None
    offs = _read(modes)
    count = {number: sum(n == number for n, _ in taps) for number in range(1, lugs + 1)}
    scatter = _scatter(list(offs.values()))
    rows = tuple(_lug(number, offs, count[number], pitch, scatter) for number in range(1, lugs + 1))
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
    off = sorted((row for row in rows if row.off), key=lambda row: -abs(row.off_cents or 0.0))
    if off:
        worst = off[0]
        across = next((r for r in off if _amount(r) * _amount(worst) < 0.0), None)
        if across is not None and abs(_amount(across)) >= _AS_MUCH * abs(_amount(worst)):
            return _axes(rows, worst, across)
        amount, which, again = _amount(worst), f"Lug {worst.number} is", "it a little and tap it"
        opposite, more = _reads_like_opposite(rows, worst), ""
        if opposite is not None:
            amount = 0.5 * (amount + _amount(opposite))
            which = f"Lugs {_both(worst, opposite)}, opposite each other, are"
            again, more = "one of them a little and tap both", ", for opposite lugs sound alike"
        way, turn = ("flat", "tighten") if amount < 0 else ("sharp", "loosen")
        return f"{which} {abs(amount):.0f} cents {way} of the others: {turn} {again} again{more}."
    if left:
        return f"Tap beside lug {left[0]} next: it is not measured yet."
    return f"All lugs agree within {ALLOWED_CENTS:.0f} cents as far as can be heard: leave them."


def _axes(rows: Sequence[Lug], worst: Lug, across: Lug) -> str:
    """Flat one way and sharp the other: where only the mode with one diameter tells."""
    flat, sharp = (worst, across) if _amount(worst) < 0.0 else (across, worst)
    places = []
    for lug in (flat, sharp):
        opposite = _reads_like_opposite(rows, lug)
        places.append(f"lug {lug.number}" if opposite is None else f"lugs {_both(lug, opposite)}")
    return (
        f"The head is flat at {places[0]} and sharp at {places[1]}, "
        f"{_amount(sharp) - _amount(flat):.0f} cents apart: tighten the one or loosen the other a "
        f"little and tap both again."
    )


def _amount(lug: Lug) -> float:
    return lug.off_cents or 0.0


def _both(lug: Lug, opposite: Lug) -> str:
    low, high = sorted((lug.number, opposite.number))
    return f"{low} and {high}"


def _reads_like_opposite(rows: Sequence[Lug], lug: Lug) -> Lug | None:
    """The opposite lug where it is off as well and by as much."""
    if len(rows) % 2 or lug.off_cents is None or lug.ci is None:
        return None
    opposite = rows[(lug.number - 1 + len(rows) // 2) % len(rows)]
    if not opposite.off or opposite.off_cents is None or opposite.ci is None:
        return None
    errors = [(row.ci[1] - row.ci[0]) / 4.0 for row in (lug, opposite) if row.ci is not None]
    alike = abs(lug.off_cents - opposite.off_cents) <= _ALIKE * math.hypot(*errors) + ALLOWED_CENTS
    return opposite if alike else None
