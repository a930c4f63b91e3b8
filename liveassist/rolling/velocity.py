"""MIDI velocity of a hit from its level, through the range of levels the drum is played at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.ranks import quantile

#: Narrowest range mapped to 1..127, dB. A drummer who only plays backbeats within 4 dB must not
#: have them spread over the whole scale. Common practice, no source.
MIN_RANGE_DB = 24.0
#: Levels at these shares of the hits played so far become velocity 127 and 1.
HARD_SHARE = 0.98
SOFT_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class VelocityRange:
    """Levels that map to velocity 1 and 127, dBFS. ``soft_dbfs`` < ``hard_dbfs``."""

    soft_dbfs: float
    hard_dbfs: float

    def __post_init__(self) -> None:
        if not self.soft_dbfs < self.hard_dbfs:
            raise ValueError("the soft end of a velocity range lies below the hard end")

    def velocity(self, level_dbfs: float) -> int:
        """Velocity 1 to 127, linear in dB between the ends, held at the ends."""
        share = (level_dbfs - self.soft_dbfs) / (self.hard_dbfs - self.soft_dbfs)
        return 1 + round(126.0 * min(max(share, 0.0), 1.0))


#: Used until hits teach better: close microphones are usually set to peak near full scale.
DEFAULT_RANGE = VelocityRange(-36.0, -3.0)


def learned_range(levels_dbfs: npt.ArrayLike) -> VelocityRange:
    """Range of the levels a drum was played at (unclipped hits, any order).

    From the 2nd to the 98th percentile, widened downwards to `MIN_RANGE_DB`. With fewer than
    eight levels the default range, raised to take in the loudest.
    """
    x = np.asarray(levels_dbfs, dtype=np.float64)
    x = x[np.isfinite(x)]
    if x.size < 8:
        hard = max(DEFAULT_RANGE.hard_dbfs, float(x.max()) if x.size else DEFAULT_RANGE.hard_dbfs)
        return VelocityRange(hard - 33.0, hard)
    soft, hard = quantile(x, SOFT_SHARE), quantile(x, HARD_SHARE)
    return VelocityRange(min(soft, hard - MIN_RANGE_DB), hard)
