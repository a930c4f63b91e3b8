"""How it was, against how it is: which preamp, head or microphone to move, and by how much.

A preamp turned up raises everything in its microphone; a drum played harder is louder in all. The
bleed of drum d in microphone m is counted against d's own microphone, so a change of gains shows
there as ``g(m) - g(own of d)``. The gains are fitted to all cells together, so that one moved
microphone does not pull them (least absolute deviations by reweighting; P. J. Huber, "Robust
Statistics", 1981), up to what all have in common, which bleed cannot tell: most preamps are taken
to stand where they stood. What a gain does not explain of a drum's level is its playing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from liveassist.model import FloatArray, Interval

#: Differences below these are left alone (common practice, no source): dB, cents, share, dB, ms.
GAIN_DB: Final = 1.0
NOTE_CENTS: Final = 8.0
RING_SHARE: Final = 0.20
BLEED_DB: Final = 3.0
DELAY_MS: Final = 0.10
#: An interval wider than this either way is told with a note (common practice, no source).
TOLD_CENTS: Final = 4.0
#: A note this far off is another drum or head, or another mode, not a turn of a key.
OTHER_CENTS: Final = 250.0
_ROUNDS, _LEAST_DB = 50, 0.05

Kind = Literal["polarity", "gain", "note", "ring", "bleed", "delay", "playing", "missing"]
#: What is put right first: a wrong cable or gain spoils what is read after it.
ORDER: Final[tuple[Kind, ...]] = (
    "missing", "polarity", "gain", "delay", "note", "ring", "bleed", "playing"
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair check as far as it is compared."""

    inverted: bool
    delay_ms: float


@dataclass(frozen=True, slots=True)
class Setup:
    """How a kit sounds: what is saved under a name, and what is measured the next day.

    ``own``: own microphone of each drum. ``level_dbfs``, ``note_hz``, ``ring_s``: median and 95 %
    interval by drum. ``bleed_db``: microphone, drum. ``pairs`` by (first, second).
    """

    own: Mapping[str, str]
    level_dbfs: Mapping[str, tuple[float, Interval]]
    note_hz: Mapping[str, tuple[float, Interval]]
    ring_s: Mapping[str, tuple[float, Interval]]
    bleed_db: Mapping[str, Mapping[str, float]]
    pairs: Mapping[tuple[str, str], Pair] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to put right. ``amount``: now less then, in ``unit``; None where it is no number.

    ``advice``: whether something is to be done; playing is only told.
    """

    kind: Kind
    where: str
    amount: float | None
    unit: str
    sentence: str
    advice: bool = True


def steps(then: Setup, now: Setup, *, bleed: bool = True) -> list[Step]:
    """What differs, in the order in which it is best put right; empty if it matches.

    ``bleed`` False: the two were not heard alike, so their bleed is not compared, nor gains told
    from it; a drum's level then stands for its gain and its playing together.
    """
    found = [*_missing(then, now), *_pairs(then, now), *_notes(then, now), *_rings(then, now)]
    if bleed:
        gains = fitted_gains(then, now)
        found += _gains(gains, _gain_reach(then, now, gains))
        found += [*_bleed(then, now, gains), *_playing(then, now, gains)]
    else:
        found += _levels(then, now)
    return sorted(found, key=lambda step: ORDER.index(step.kind))


def _shared_cells(then: Setup, now: Setup) -> list[tuple[str, str, float]]:
    """Microphone, own microphone of the drum, and by how much its bleed there has changed, dB."""
    return [
        (mic, then.own[drum], now.bleed_db[mic][drum] - level)
        for mic, row in then.bleed_db.items()
        for drum, level in row.items()
        if drum in then.own and drum in now.bleed_db.get(mic, {}) and mic != then.own[drum]
    ]


def fitted_gains(then: Setup, now: Setup) -> dict[str, float]:
    """By how much each microphone's gain has changed, dB; only microphones with shared cells."""
    cells = _shared_cells(then, now)
    mics = sorted({mic for cell in cells for mic in cell[:2]})
    if not mics:
        return {}
    table = np.zeros((len(cells), len(mics)))
    wanted = np.array([difference for *_, difference in cells])
    for number, (mic, own, _) in enumerate(cells):
        table[number, mics.index(mic)] += 1.0
        table[number, mics.index(own)] -= 1.0
    gains = _least_absolute(table, wanted)
    return dict(zip(mics, (gains - np.median(gains)).tolist(), strict=True))


def _gain_reach(then: Setup, now: Setup, gains: Mapping[str, float]) -> dict[str, float]:
    """Half the 95 % interval of each gain, dB: cells scatter about the fit, and a microphone has
    few (1.2533 sigma / sqrt(n) is the standard error of a median, which the fit is made of)."""
    cells = _shared_cells(then, now)
    rest = [abs(change - gains[mic] + gains[own]) for mic, own, change in cells]
    sigma = 1.4826 * float(np.median(rest)) if rest else 0.0
    counts = {mic: sum(mic in cell[:2] for cell in cells) for mic in gains}
    return {mic: 1.96 * 1.2533 * sigma / math.sqrt(count) for mic, count in counts.items()}


def _least_absolute(table: FloatArray, wanted: FloatArray) -> FloatArray:
    weight = np.ones(len(wanted))
    solution: FloatArray = np.zeros(table.shape[1])
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(table * root[:, None], wanted * root, rcond=None)[0]
        solution = np.asarray(found, dtype=np.float64)
        weight = 1.0 / np.maximum(np.abs(wanted - table @ solution), _LEAST_DB)
    return solution


def _missing(then: Setup, now: Setup) -> list[Step]:
    return [
        Step("missing", drum, None, "", f"{drum}: not heard yet; play it, then look again.")
        for drum in then.level_dbfs
        if drum not in now.level_dbfs
    ]


def _pairs(then: Setup, now: Setup) -> list[Step]:
    found = []
    for (first, second), before in then.pairs.items():
        after = now.pairs.get((first, second))
        if after is None:
            continue
        if after.inverted != before.inverted:
            text = f"{second}: its polarity against {first} is turned over; flip it back."
            found.append(Step("polarity", second, None, "", text))
        late = after.delay_ms - before.delay_ms
        if abs(late) > DELAY_MS:
            # 343.2 m/s: speed of sound in air of 20 degrees.
            away = "nearer to" if late > 0 else "further from"
            text = (
                f"{second}: hears the drum {abs(late):.2f} ms {_later(late)} against {first} than "
                f"it did; move it {abs(late) * 34.32:.0f} cm {away} the drum."
            )
            found.append(Step("delay", second, late, "ms", text))
    return found


def _gains(gains: Mapping[str, float], reach: Mapping[str, float]) -> list[Step]:
    return [
        Step(
            "gain", mic, gain, "dB",
            f"{mic}: its gain is {abs(gain):.1f} dB {_up(gain)}; turn it {_back(gain)} by "
            f"{abs(gain):.1f} dB.",
        )
        for mic, gain in sorted(gains.items(), key=lambda item: -abs(item[1]))
        if abs(gain) > max(GAIN_DB, reach[mic])
    ]  # fmt: skip


def _notes(then: Setup, now: Setup) -> list[Step]:
    found = []
    for drum, (before, before_ci) in then.note_hz.items():
        if drum not in now.note_hz:
            continue
        after, after_ci = now.note_hz[drum]
        cents = 1200.0 * math.log2(after / before)
        if abs(cents) > OTHER_CENTS:
            text = (
                f"{drum}: its note is {after:.0f} Hz, it was {before:.0f} Hz: too far for a turn "
                "of a key. Another drum or head, or another mode leads."
            )
            found.append(Step("note", drum, cents, "cents", text))
            continue
        sure = _cents_sure(before, before_ci, after, after_ci)
        if abs(cents) > max(NOTE_CENTS, sure):
            how = "flat of" if cents < 0 else "sharp of"
            text = (
                f"{drum}: {abs(cents):.0f} cents {how} what it was ({before:.1f} Hz); tune "
                f"{_back(cents)} by {abs(cents):.0f} cents{_span(abs(cents), sure)}, lug by lug."
            )
            found.append(Step("note", drum, cents, "cents", text))
    return found


def _span(cents: float, sure: float) -> str:
    """The 95 % interval, where it is wide enough to make a difference to whoever tunes."""
    return f" ({cents - sure:.0f} to {cents + sure:.0f})" if sure > TOLD_CENTS else ""


def _cents_sure(before: float, before_ci: Interval, after: float, after_ci: Interval) -> float:
    """Half the 95 % interval of the difference, cents."""
    first = 1200.0 * math.log2(before_ci[1] / before_ci[0]) / 2.0
    return math.hypot(first, 1200.0 * math.log2(after_ci[1] / after_ci[0]) / 2.0)


def _rings(then: Setup, now: Setup) -> list[Step]:
    found = []
    for drum, (before, before_ci) in then.ring_s.items():
        if drum not in now.ring_s:
            continue
        after, after_ci = now.ring_s[drum]
        share = after / before - 1.0
        sure = math.hypot(
            (before_ci[1] - before_ci[0]) / 2.0 / before, (after_ci[1] - after_ci[0]) / 2.0 / before
        )
        if abs(share) > max(RING_SHARE, sure):
            how = "longer" if share > 0 else "shorter"
            do = "add damping" if share > 0 else "take damping away"
            text = f"{drum}: rings {after:.2f} s, it was {before:.2f} s ({how}); {do}."
            found.append(Step("ring", drum, 100.0 * share, "%", text))
    return found


def _bleed(then: Setup, now: Setup, gains: Mapping[str, float]) -> list[Step]:
    """What the gains do not explain of the bleed: something was moved."""
    found = []
    for mic, row in then.bleed_db.items():
        for drum, before in row.items():
            own = then.own.get(drum)
            after = now.bleed_db.get(mic, {}).get(drum)
            if after is None or own is None or mic == own:
                continue
            rest = after - before - gains.get(mic, 0.0) + gains.get(own, 0.0)
            if abs(rest) > BLEED_DB:
                text = (
                    f"{drum} in {mic}: {abs(rest):.1f} dB {'more' if rest > 0 else 'less'} than it "
                    "was, gains aside; look where the two stand and point."
                )
                found.append(Step("bleed", f"{mic}.{drum}", rest, "dB", text))
    return sorted(found, key=lambda step: -abs(step.amount or 0.0))


def _playing(then: Setup, now: Setup, gains: Mapping[str, float]) -> list[Step]:
    found = []
    for drum, (before, _) in then.level_dbfs.items():
        if drum not in now.level_dbfs:
            continue
        rest = now.level_dbfs[drum][0] - before - gains.get(then.own[drum], 0.0)
        if abs(rest) > 2.0 * GAIN_DB:
            text = (
                f"{drum}: {abs(rest):.1f} dB {'louder' if rest > 0 else 'softer'} than it was; the "
                "playing, if it is alike on the other drums perhaps all gains together."
            )
            found.append(Step("playing", drum, rest, "dB", text, advice=False))
    return found


def _levels(then: Setup, now: Setup) -> list[Step]:
    """What differs of the levels where gain and playing cannot be told apart."""
    found = []
    for drum, (before, _) in then.level_dbfs.items():
        rest = now.level_dbfs[drum][0] - before if drum in now.level_dbfs else 0.0
        if abs(rest) > 2.0 * GAIN_DB:
            text = (
                f"{drum}: {abs(rest):.1f} dB {'louder' if rest > 0 else 'softer'} than it was: the "
                f"playing, or the gain of {then.own[drum]}; without the bleed the two look alike."
            )
            found.append(Step("playing", drum, rest, "dB", text, advice=False))
    return found


def _up(value: float) -> str:
    return "up" if value > 0 else "down"


def _back(value: float) -> str:
    return "down" if value > 0 else "up"


def _later(value: float) -> str:
    return "later" if value > 0 else "earlier"
