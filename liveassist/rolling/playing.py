"""What is playing: apart from strokes that count in, and from noodling before and after."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from liveassist.model import Hit
from liveassist.rolling.spread import SILENCE_S

#: Least that is judged: hits on kick and snare together, and length from first to last of them.
#: Two bars of a plain beat at 120 a minute are 8 hits in 4 s. Common practice, no source.
MIN_HITS = 8
MIN_LENGTH_S = 4.0
#: Count-in: this many even strokes on one drum before anything else, this evenly spaced, softer
#: than what follows by this much.
COUNT_IN = (3, 8)
COUNT_SPACING_S = (0.25, 1.2)
COUNT_EVEN = 0.12
COUNT_SOFTER_DB = 6.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """What is asked of a hit here; ``judged``: whether its drum's playing is."""

    time_s: float
    drum: str
    level_dbfs: float | None
    judged: bool
    number: int


def played(
    hits: Sequence[Hit], judged: Collection[str], start_s: float, end_s: float
) -> tuple[float, float]:
    """What of ``start_s`` to ``end_s`` is judged: without count-in, and without the noodling that
    silences part from the playing. ``hits`` in order of time; where nothing in the span is long
    enough to be playing, all of it is.
    """
    strokes = [
        Stroke(hit.time_s, hit.drum, hit.peak_dbfs, hit.drum in judged, hit.number)
        for hit in hits
        if start_s <= hit.time_s <= end_s
    ]
    gaps = [i for i in range(1, len(strokes)) if _gap(strokes, i) > SILENCE_S]
    parts = [strokes[low:high] for low, high in pairwise((0, *gaps, len(strokes)))]
    playing = [part for part in parts if enough(part)]
    if not playing:
        return start_s, end_s
    first, last = playing[0], playing[-1]
    count = count_in(first)
    begins = start_s if first is parts[0] and not count else first[count].time_s
    return begins, end_s if last is parts[-1] else last[-1].time_s


def _gap(strokes: Sequence[Stroke], index: int) -> float:
    return strokes[index].time_s - strokes[index - 1].time_s


def enough(strokes: Sequence[Stroke]) -> bool:
    """Whether this is playing rather than a few strokes between takes."""
    judged = [stroke for stroke in strokes if stroke.judged]
    return len(judged) >= MIN_HITS and judged[-1].time_s - judged[0].time_s >= MIN_LENGTH_S


def count_in(strokes: Sequence[Stroke]) -> int:
    """How many strokes at the beginning only count in; 0 if none do."""
    if not strokes:
        return 0
    first = strokes[0].drum
    length = next((i for i, s in enumerate(strokes) if s.drum != first), len(strokes))
    # The first stroke of the beat may fall on the drum that counted.
    for count in range(min(length, COUNT_IN[1]), COUNT_IN[0] - 1, -1):
        if count < len(strokes) and _even(strokes[: count + 1]) and _softer(strokes, count):
            return count
    return 0


def _even(strokes: Sequence[Stroke]) -> bool:
    spacing = np.diff([s.time_s for s in strokes])
    middle = float(np.median(spacing))
    if not COUNT_SPACING_S[0] <= middle <= COUNT_SPACING_S[1]:
        return False
    return bool((np.abs(spacing / middle - 1.0) <= COUNT_EVEN).all())


def _softer(strokes: Sequence[Stroke], count: int) -> bool:
    """Whether the first strokes are softer than the drum is played afterwards, or not judged."""
    if not strokes[0].judged:
        return True
    lead = [s.level_dbfs for s in strokes[:count] if s.level_dbfs is not None]
    rest = [
        s.level_dbfs
        for s in strokes[count:]
        if s.level_dbfs is not None and s.drum == strokes[0].drum
    ]
    if not lead or len(rest) < 2:
        return False
    return float(np.median(rest)) - float(max(lead)) >= COUNT_SOFTER_DB
