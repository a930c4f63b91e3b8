"""What a person says of single hits: "that was none", "there was one". It teaches at once.

Each correction keeps the *print* of the sound: how loud it rose in every microphone and band,
against its power in the drum's own microphone. A later candidate whose print is near pulls the
probability down or up; one that sounds otherwise is left alone. How near counts is taken from
what was judged the other way lately, so that a correction does not swallow the drum's real hits.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.spectra import Power

#: Slabs before the onset (as in `explain`, which cannot be imported here).
PRE = 2
#: Prints lie this far under the loudest at most, dB: under that the room speaks, not the source.
PRINT_FLOOR_DB = -40.0
#: Cells that count when two prints are compared: this loud in either, dB.
COUNTS_DB = -28.0
#: One cell adds this much at most to the mean difference, dB.
MOST_DB = 15.0
#: Two sounds of one source differ by up to this much, mean over cells, dB: strokes of one drum
#: bleed 3 to 6 dB differently into single cells, 1 to 2.5 dB on average.
SAME_DB = 2.5
#: A correction reaches no further than this, dB.
REACH_DB = 4.5
#: Share of the distance to the nearest sound that was judged the other way.
MARGIN = 0.9
#: The drum's own microphone tells most; in the others anything may sound at the same time.
OWN_WEIGHT = 3.0
#: A level this far off counts like the whole reach, dB.
LEVEL_DB = 18.0
#: What a near correction adds to or takes from the log odds: 0.9 becomes 0.02.
STRENGTH = 6.0
#: A candidate that fell together with another drum's hit counts so much when one is looked for.
BLEED_WORTH = 0.1
#: Corrections kept; the oldest are forgotten first.
MOST = 200
#: Judged candidates remembered: examples of the other kind, and what can be corrected.
TRACES = 384


@dataclass(frozen=True, slots=True)
class Trace:
    """One judged candidate: how it sounded (`print_of`), and its probability."""

    drum: str
    mic: int
    sample: int
    probability: float
    heard: Power

    @property
    def print_db(self) -> Power:
        """How it sounded; worked out when asked, since most candidates are never corrected."""
        return print_of(self.heard, self.mic)[0]

    @property
    def level_db(self) -> float:
        """How loud it rose in its microphone."""
        return print_of(self.heard, self.mic)[1]


@dataclass(frozen=True, slots=True)
class Correction:
    """``hit``: there was one; else there was none. ``reach_db``: how unlike a sound may be."""

    drum: str
    hit: bool
    print_db: Power
    level_db: float
    reach_db: float


def print_of(heard: Power, mic: int) -> tuple[Power, float]:
    """How (slabs, mics, BANDS) around a moment rose, (mics, BANDS) in dB against the rise in
    column ``mic``; and that rise in dB."""
    after = heard[PRE:].mean(axis=0)
    before = heard[:PRE].max(axis=0)
    rose = np.maximum(after - before, 0.02 * after) + 1e-14
    own = float(rose[mic].sum())
    shown = np.maximum(10.0 * np.log10(rose / own), PRINT_FLOOR_DB)
    return np.asarray(shown, dtype=np.float32), 10.0 * math.log10(own)


def distances_db(one: Power, many: Power, mic: int) -> npt.NDArray[np.float64]:
    """Mean difference of ``one`` print to each of ``many`` (n, mics, BANDS), dB, over the cells
    that are loud in either; those of column ``mic`` count `OWN_WEIGHT` times."""
    weight = np.ones(one.shape)
    weight[mic] = OWN_WEIGHT
    weight = weight * (np.maximum(one, many) > COUNTS_DB)
    away = np.minimum(np.abs(many - one), MOST_DB) * weight
    return np.asarray(away.sum(axis=(1, 2)) / (weight.sum(axis=(1, 2)) + 1e-9))


class Corrections:
    """The corrections of a kit, and what was judged lately."""

    def __init__(self, kept: Sequence[Correction] = ()) -> None:
        self.kept = list(kept)
        self.traces: deque[Trace] = deque(maxlen=TRACES)

    def judged(self, drum: str, mic: int, sample: int, probability: float, heard: Power) -> float:
        """The probability with what was taught (the same number where nothing near was); the
        candidate is remembered."""
        sure = probability
        if any(correction.drum == drum for correction in self.kept):
            sure = self._adjusted(drum, mic, probability, *print_of(heard, mic))
        self.traces.append(Trace(drum, mic, sample, sure, heard))
        return sure

    def _adjusted(
        self, drum: str, mic: int, probability: float, shown: Power, level: float
    ) -> float:
        change = 0.0
        for hit in (True, False):
            mine = [c for c in self.kept if c.drum == drum and c.hit == hit]
            if not mine:
                continue
            away = distances_db(shown, np.stack([c.print_db for c in mine]), mic)
            if away.min() > 2.0 * REACH_DB:
                continue
            # A sound that is nearer to what was judged the other way is of that kind.
            bound = MARGIN * self._nearest(drum, mic, shown, not hit)
            reach = np.minimum([c.reach_db for c in mine], bound)
            off = (level - np.array([c.level_db for c in mine])) / LEVEL_DB
            pull = float((1.0 / (1.0 + np.hypot(away / (reach + 1e-9), off) ** 6)).max())
            change += STRENGTH * pull if hit else -STRENGTH * pull
        if abs(change) < 0.01:
            return probability
        odds = math.log(max(probability, 1e-9) / max(1.0 - probability, 1e-9))
        return 1.0 / (1.0 + math.exp(-(odds + change)))

    def teach(self, trace: Trace, hit: bool) -> Correction:
        """Keep that the judged candidate was a hit, or was none."""
        nearest = self._nearest(trace.drum, trace.mic, trace.print_db, not hit, SAME_DB)
        reach = float(np.clip(MARGIN * nearest, SAME_DB, REACH_DB))
        correction = Correction(trace.drum, hit, trace.print_db, trace.level_db, reach)
        self.kept.append(correction)
        del self.kept[:-MOST]
        # What sounded like it was judged wrongly too: it is no example of the other kind.
        stays = [
            other
            for other in self.traces
            if other.drum != trace.drum
            or (other.probability >= 0.5) == hit
            or distances_db(trace.print_db, other.print_db[None], trace.mic)[0] > reach
        ]
        self.traces = deque(stays, maxlen=TRACES)
        return correction

    def _nearest(
        self, drum: str, mic: int, shown: Power, hits: bool, beyond_db: float = 0.0
    ) -> float:
        """Distance to the nearest candidate of the drum that was (not) taken for a hit lately."""
        others = [
            trace.print_db
            for trace in self.traces
            if trace.drum == drum and (trace.probability >= 0.5) == hits
        ]
        if not others:
            return math.inf
        away = distances_db(shown, np.stack(others), mic)
        return float(min(away[away > beyond_db], default=math.inf))


def likeliest(
    traces: Iterable[Trace],
    drums: Sequence[str],
    since: int,
    accepted: Sequence[tuple[str, int]],
    apart: int,
) -> Trace | None:
    """The rejected candidate from sample ``since`` on that a person would take for a hit.

    Loud in its microphone and likely by its sound; what fell together with a reported hit on
    another drum is most likely that drum's bleed. ``accepted``: (drum, sample) of reported hits
    on drums with an own microphone;
    what lies ``apart`` samples or less from one of the same drum is part of that hit.
    """
    rejected = [
        trace
        for trace in traces
        if trace.drum in drums
        and trace.sample >= since
        and trace.probability < 0.5
        and not any(d == trace.drum and abs(s - trace.sample) <= apart for d, s in accepted)
    ]
    if not rejected:
        return None
    loudest = {
        drum: max(trace.level_db for trace in rejected if trace.drum == drum)
        for drum in {trace.drum for trace in rejected}
    }

    def worth(trace: Trace) -> tuple[float, int]:
        loud = 10.0 ** ((trace.level_db - loudest[trace.drum]) / 20.0)
        bleed = any(abs(s - trace.sample) <= apart for _, s in accepted)
        return (trace.probability + loud) * (BLEED_WORTH if bleed else 1.0), trace.sample

    return max(rejected, key=worth)
