"""How loud a kick is being played: nothing far below that is another stroke on it.

Kicks have no ghost notes. What a kick's microphone hears 20 dB under the strokes of this song is
the ring of its head, a bass, or bleed with a low body.
"""

from __future__ import annotations

import math
from collections import deque

from liveassist.ranks import median

#: Strokes remembered; and needed before any is doubted.
KEPT = 16
LEAST = 4
#: Under the median of them by this much a stroke is doubted, dB: the softest of 900 recorded kicks
#: lay 13 dB under theirs; what is lost for every dB more, log odds.
SOFTEST_DB = 15.0
DOUBT = 0.5
#: With every second without a stroke a softer one is likelier, dB.
FORGET_DB_PER_S = 0.5


class Played:
    """Levels of the strokes on each kick that were taken for hits."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._levels: dict[str, deque[float]] = {}
        self._last: dict[str, int] = {}

    def judged(self, drum: str, sure: float, level_db: float, sample: int) -> float:
        """The probability ``sure`` of a stroke at ``sample``, doubted if it is far too soft."""
        levels = self._levels.setdefault(drum, deque(maxlen=KEPT))
        if len(levels) >= LEAST and sure > 0.0:
            quiet_s = max(0, sample - self._last[drum]) / self._rate
            least = median(levels) - SOFTEST_DB - FORGET_DB_PER_S * quiet_s
            if level_db < least:
                odds = math.log(sure / max(1.0 - sure, 1e-12)) - DOUBT * (least - level_db)
                sure = 1.0 / (1.0 + math.exp(-max(odds, -60.0)))
        if sure >= 0.5:
            levels.append(level_db)
            self._last[drum] = sample
        return sure
