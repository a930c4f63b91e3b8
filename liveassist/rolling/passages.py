"""Soft strokes that fell short of nothing: a fill, a softer passage. Pure.

A backbeat that fell short stands alone: the main hits on both sides of it are louder, and nothing
else is played about it that is not played about the others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray
from liveassist.ranks import median

Flags = npt.NDArray[np.bool_]

#: Main hits on either side that a soft one is held against. Three soft ones in a row are a
#: passage: they are the middle of four.
NEIGHBOURS = 4
#: Main hits whose surroundings are the usual ones.
USUAL_OF = 16
#: So many strokes about a place, where the others have none, make a fill of it: the same fill
#: without them would be the groove. One may be a ghost note.
MORE = 2
#: A stroke belongs to the groove where this share of main hits has one as far from it, within the
#: time by which strokes of one place differ, s (half a sixteenth at 200 a minute).
USUAL_SHARE = 0.25
SAME_PLACE_S = 0.035
#: Main hits further away than so many intervals say nothing of a place.
LONGEST_GAP = 4.0
#: How far about a place strokes are counted, share of the interval: up to half of it, where what
#: belongs to the next place begins.
WITHIN = 0.47
#: Strokes of a fill are as loud as one another within this, dB: softer than that under its
#: neighbours, a stroke fell short in the fill as well.
LIKE_DB = 6.0


def short_of_neighbours(levels: FloatArray, main: Flags, short: Flags, limit: float) -> Flags:
    """``short`` without the hits that only belong to a softer passage than the trend knows of.

    A hit stays short if it is so under the median of the four main hits before *and* of the four
    after it (where there are two at least), so the first hits of a verse are not weak.
    """
    known = np.flatnonzero(main)
    out = short.copy()
    for i in np.flatnonzero(short).tolist():
        at = int(np.searchsorted(known, i))
        own = int(at < known.size and known[at] == i)
        sides = (known[max(at - NEIGHBOURS, 0) : at], known[at + own : at + own + NEIGHBOURS])
        out[i] = all(median(levels[side]) - levels[i] > limit for side in sides if side.size >= 2)
    return out


def in_fills(
    times: FloatArray, levels: FloatArray, mains_s: FloatArray, interval_s: float, asked: Flags
) -> Flags:
    """Which of the hits ``asked`` for are strokes of a fill.

    ``mains_s``: onsets of certain main hits, at least one, that recur every ``interval_s``. A
    stroke of a fill has strokes about as loud as itself where those have none.
    """
    reach_s = WITHIN * interval_s
    low = np.searchsorted(times, times - reach_s)
    high = np.searchsorted(times, times + reach_s, side="right")
    out = np.zeros(times.size, dtype=bool)
    known = np.searchsorted(times, mains_s)

    def beside(at: int) -> npt.NDArray[np.intp]:
        return np.concatenate([np.arange(low[at], at), np.arange(at + 1, high[at])])

    for i in np.flatnonzero(asked).tolist():
        others = known[np.argsort(np.abs(known - i), kind="stable")[:USUAL_OF]].tolist()
        mine = beside(i)
        mine = mine[np.abs(levels[mine] - levels[i]) <= LIKE_DB]
        if mine.size < MORE:
            continue
        having = np.zeros(mine.size)
        for at in others:
            usual = times[beside(at)] - times[at]
            off = np.abs((times[mine] - times[i])[:, None] - usual[None, :])
            having += (off <= SAME_PLACE_S).any(axis=1)
        out[i] = int((having < USUAL_SHARE * len(others)).sum()) >= MORE
    return out


def goes_on(
    time_s: float, soft_s: FloatArray, mains_s: FloatArray, interval_s: float, reach_s: float
) -> bool:
    """Whether a soft passage goes on with a hit: one of its main hits, ``soft_s``, lies an
    interval away, and the nearest main hits on both sides whole intervals."""
    near = np.abs(np.abs(soft_s - time_s) - interval_s) <= reach_s
    if not near.any():
        return False
    known = np.sort(np.concatenate([soft_s, mains_s]))
    at = int(np.searchsorted(known, time_s))
    for other in known[max(0, at - 1) : at + 1].tolist():
        places = abs(other - time_s) / interval_s
        whole = max(1.0, round(places))
        if whole <= LONGEST_GAP and abs(places - whole) * interval_s > reach_s * whole:
            return False
    return True
