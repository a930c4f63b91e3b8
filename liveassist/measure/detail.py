"""The detail of a hit that needs its ring: partials, pattern, arrival, known half a second later.

Keeps the hits that wait for their ring; computes each once, in order of onset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from liveassist.history import History
from liveassist.measure.arrival import EARLY_S, LATE_S, LEAD_S, SIGN_S, arrivals, signs
from liveassist.measure.modes import NoteTracker
from liveassist.measure.partials import measure_hit, needed_s
from liveassist.model import Hit, HitMeasures, Kit

#: Audio before the onset that the measures like to see, s.
BEFORE_S = 0.010
#: A foreign hit spoils the ring only if it is louder in the microphone than the hit less this:
#: 20 dB under the hit's own peak, the ring of most heads is gone.
SPOILS_DB = 20.0
#: Hits within this are one moment, s.
_SAME_S = 0.003
#: Most hits that may wait; older ones are completed without detail. 64 covers half a second of
#: strokes on every drum at once.
MOST_WAITING = 64


class Detailer:
    """Completes hits once the audio they need has been heard."""

    def __init__(self, kit: Kit, sample_rate_hz: int) -> None:
        #: Leave detail out (an overloaded computer); hits then say so.
        self.lean = False
        self._kit = kit
        self._rate = sample_rate_hz
        self._waiting: list[Hit] = []
        self._around: list[Hit] = []
        self._kinds = {drum.name: drum.kind for drum in kit.drums}
        self._own = {drum.name: kit.mic_index(drum.own) for drum in kit.drums if drum.own}
        #: Which mode is each drum's note, so that a note never hops from one to another.
        self._notes = {name: NoteTracker() for name in self._own}
        self._acoustic = [i for i, mic in enumerate(kit.mics) if mic.type == "acoustic"]

    def feed(self, history: History, hits: Sequence[Hit], last: bool = False) -> list[Hit]:
        """Hits that are complete now; ``last`` completes all with what was heard."""
        self._waiting.extend(hits)
        self._around.extend(hits)
        done: list[Hit] = []
        while self._waiting:
            hit = self._waiting[0]
            ready = hit.sample + self._needed(hit) <= history.end
            if not ready and not last and len(self._waiting) <= MOST_WAITING:
                break
            done.append(self._complete(history, self._waiting.pop(0)))
        oldest = history.start
        self._around = [hit for hit in self._around if hit.sample >= oldest]
        return done

    def _needed(self, hit: Hit) -> int:
        return round((needed_s(self._kinds[hit.drum]) + 0.050) * self._rate)

    def _complete(self, history: History, hit: Hit) -> Hit:
        own = self._own.get(hit.drum)
        if own is None:
            return hit
        if self.lean:
            return replace(hit, measures=HitMeasures(reason="the computer was too busy"))
        before = round(max(BEFORE_S, LEAD_S + 2 * EARLY_S) * self._rate) + 1
        after = max(self._needed(hit), round((LATE_S + SIGN_S + EARLY_S) * self._rate))
        stop = min(history.end, hit.sample + after)
        audio = history.view(hit.sample - before, stop)
        kind = self._kinds[hit.drum]
        measures = measure_hit(
            audio[:, own].astype(np.float64), self._rate, kind, before, self._clear_s(hit, own)
        )
        measures = self._notes[hit.drum].feed(measures)
        others = [
            column
            for column in self._acoustic
            if column != own and not hit.mic_bound[column] and hit.mic_dbfs[column] is not None
        ]
        pairs = [column for column in others if self._kit.mics[column].of == hit.drum]
        found = arrivals(audio, before, own, others, self._rate)
        names = [mic.name for mic in self._kit.mics]
        measures = replace(
            measures,
            arrival_ms={names[column]: delay for column, (delay, _) in found.items()},
            pair_sign={
                names[column]: sign
                for column, sign in signs(audio, before, own, pairs, self._rate).items()
            },
        )
        return replace(hit, measures=measures)

    def _clear_s(self, hit: Hit, own: int) -> float:
        """Seconds until the next hit that matters in the hit's own microphone."""
        return clear_after_s(hit, self._around, own, hit.peak_dbfs)


def clear_after_s(hit: Hit, others: Sequence[Hit], column: int, peak_dbfs: float | None) -> float:
    """Seconds from ``hit`` to the next of ``others`` that spoils its ring in a microphone.

    ``peak_dbfs``: level of the hit there. Ghost notes and bleed that lie `SPOILS_DB` under it do
    not count, and neither does what is only bounded.
    """
    least = (peak_dbfs if peak_dbfs is not None else -200.0) - SPOILS_DB
    later = [
        other.time_s - hit.time_s
        for other in others
        if other.time_s > hit.time_s + _SAME_S
        and other.number != hit.number
        and _loudness(other, column) > least
    ]
    return min(later, default=float("inf"))


def _loudness(hit: Hit, column: int) -> float:
    level = hit.mic_dbfs[column] if column < len(hit.mic_dbfs) else None
    if level is None:
        return -200.0
    # A bound is what was heard there, not what this hit did.
    return -200.0 if hit.mic_bound[column] else level
