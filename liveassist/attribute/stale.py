"""Whether what was learned at a soundcheck still fits: a microphone moved, a gain turned, a drum
retuned.

Each clear hit says, for every microphone that heard it well, how much louder it came there than
what was learned of the drum explains. One hit says little: how a drum bleeds varies by 3 to 6 dB
from stroke to stroke. The median of the last hits says it.

A microphone that became much louder is not seen here: what it hears in excess is put down to
something else that sounds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from liveassist.attribute.explain import PRE, Explanation

#: Hits looked at, of each drum in each microphone; and needed before anything is said.
KEPT = 32
LEAST = 12
#: A clear hit: this sure.
SURE = 0.95
#: The drum must account for this share of what the microphone heard, and stand this far over its
#: noise floor (power ratio, 10 dB).
SHARE = 0.6
ABOVE_FLOOR = 10.0
#: Change from which what was learned no longer fits, dB, surely (two standard errors of the
#: median); and under which it fits again.
CHANGED_DB = 4.0
FITS_DB = 2.5

#: One clear hit: its drum, a column, and how much louder it came there than was learned, dB.
Seen = tuple[str, int, float]


@dataclass(frozen=True, slots=True)
class Misfit:
    """``drum`` comes ``change_db`` louder in column ``mic``, against its own, than was learned."""

    drum: str
    mic: int
    change_db: float
    hits: int


class StaleWatch:
    """Follows how well signatures learned beforehand fit what is played."""

    def __init__(self, own: dict[str, int]) -> None:
        self._own = own
        self._seen: dict[tuple[str, int], deque[float]] = {}

    def hit(self, drum: str, probability: float, explanation: Explanation) -> list[Seen]:
        """Take in a judged candidate; what was seen of it (`note`), of unsure ones nothing."""
        own = self._own.get(drum)
        if probability < SURE or own is None:
            return []
        post = slice(PRE, None)
        part = explanation.part(drum)[post]
        model = explanation.model[post]
        share = part / model
        mine = (share * (explanation.heard[post] + explanation.floor)).sum(axis=(0, 2))
        learned = part.sum(axis=(0, 2))
        clear = learned > SHARE * model.sum(axis=(0, 2))
        clear &= learned > ABOVE_FLOOR * explanation.floor.sum(axis=1)
        if not clear[own]:
            return []
        change = 10.0 * np.log10((mine + 1e-20) / (learned + 1e-20))
        seen = [
            (drum, mic, float(change[mic] - change[own]))
            for mic in np.nonzero(clear)[0].tolist()
            if mic != own
        ]
        self.note(seen)
        return seen

    def note(self, seen: Sequence[Seen]) -> None:
        """Take in what another watch saw."""
        for drum, mic, change_db in seen:
            self._seen.setdefault((drum, mic), deque(maxlen=KEPT)).append(change_db)

    def misfits(self) -> list[Misfit]:
        """What does not fit, the largest change first."""
        found = []
        for (drum, mic), seen in self._seen.items():
            if len(seen) < LEAST:
                continue
            middle = float(np.median(seen))
            if abs(middle) - 2.0 * _error(seen) > CHANGED_DB - 1.0 and abs(middle) > CHANGED_DB:
                found.append(Misfit(drum, mic, middle, len(seen)))
        return sorted(found, key=lambda misfit: -abs(misfit.change_db))

    @property
    def fits(self) -> bool:
        """Whether everything that was heard often enough surely fits."""
        judged = [seen for seen in self._seen.values() if len(seen) >= LEAST]
        return all(abs(float(np.median(seen))) < FITS_DB for seen in judged)


def _error(seen: Sequence[float]) -> float:
    """Standard error of the median: 1.2533 of that of a mean, for normal values."""
    spread = 1.4826 * float(np.median(np.abs(np.array(seen) - np.median(seen))))
    return 1.2533 * spread / float(np.sqrt(len(seen)))
