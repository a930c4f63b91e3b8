"""Which take a moment belongs to: marks where there are marks, stretches of playing where not.

A *stretch* is playing between silences of `SILENCE_S`; it is provisional, and only becomes one
once enough has been played to judge (`MIN_HITS`, `MIN_LENGTH_S`): a few strokes between takes are
noodling, and strokes that count in are left before its beginning. A *take* is what a mark says.
Once there is a mark, stretches are no longer made: what lies outside marks then belongs to no
take. Marks may overlap. No clock: times are seconds from the first sample of input.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from liveassist.model import Hit, Kit, Take
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
class _Stroke:
    time_s: float
    drum: str
    level_dbfs: float | None
    judged: bool
    number: int


class Takes:
    """Follows marks and playing; tells when takes and stretches begin and end."""

    def __init__(self, kit: Kit) -> None:
        self._judged = {drum.name for drum in kit.drums if drum.judged}
        self._marks: list[Take] = []
        self._stretches: list[Take] = []
        self._strokes: list[_Stroke] = []
        self._last_sound_s = -np.inf
        self._open: Take | None = None
        self._marked = 0

    # --- what comes in -----------------------------------------------------------------------

    def hit(self, hit: Hit) -> list[Take]:
        """Take in a new hit (each number once is enough; later reports do no harm).

        Returns takes that began, or ended because this hit comes after a silence.
        """
        if hit.stage == "withdrawn":
            self._strokes = [s for s in self._strokes if s.number != hit.number]
            return []
        events = self.advance(hit.time_s)
        if self._marks:
            return events
        self._last_sound_s = max(self._last_sound_s, hit.time_s)
        if any(s.number == hit.number for s in self._strokes[-64:]):
            return events
        if self._open is None:
            stroke = _Stroke(
                hit.time_s, hit.drum, hit.peak_dbfs, hit.drum in self._judged, hit.number
            )
            self._strokes.append(stroke)
            self._strokes.sort(key=lambda s: s.time_s)
            self._begin(events)
        return events

    def sound(self, time_s: float) -> None:
        """Note that drums still sound (a cymbal, a microphone well above its rest): keeps a
        stretch going, never begins one."""
        if self._strokes or self._open is not None:
            self._last_sound_s = max(self._last_sound_s, time_s)

    def advance(self, now_s: float) -> list[Take]:
        """Let time pass; a stretch that has been silent long enough ends."""
        if now_s - self._last_sound_s <= SILENCE_S:
            return []
        return self._end_stretch()

    def start(self, name: str | None, now_s: float) -> list[Take]:
        """A mark: a take begins. Without a name it is numbered; a used name gets a number."""
        events = self._end_stretch()
        self._marked += 1
        take = Take(self._free_name(name or f"take {self._marked}"), now_s, None, provisional=False)
        self._marks.append(take)
        return [*events, take]

    def stop(self, now_s: float, name: str | None = None) -> list[Take]:
        """A mark: the named take ends, or the one begun last. No effect if none is open."""
        for index in range(len(self._marks) - 1, -1, -1):
            take = self._marks[index]
            if take.end_s is None and name in (None, take.name):
                self._marks[index] = replace(take, end_s=max(now_s, take.start_s))
                return [self._marks[index]]
        return []

    def rename(self, name: str) -> tuple[str, Take] | None:
        """Give the open take, or else the one that ended last, another name.

        Returns the old name and the take as it is now (a used name gets a number); None if there
        is no take yet.
        """
        current = self.current()
        takes = self.all()
        if current is None and takes:
            current = max(takes, key=lambda take: (take.end_s or 0.0, take.start_s))
        if current is None:
            return None
        free = name if name == current.name else self._free_name(name)
        renamed = replace(current, name=free)
        if self._open is current:
            self._open = renamed
        for kept in (self._marks, self._stretches):
            for index, take in enumerate(kept):
                if take is current:
                    kept[index] = renamed
        return current.name, renamed

    def restore(self, takes: Sequence[Take], broken_s: float) -> list[Take]:
        """Take over the takes of a session that broke off; those that had ended, in order.

        A marked take that was open goes on; a stretch ended where the session broke off.
        """
        ended: list[Take] = []
        for take in takes:
            if take.provisional and take.end_s is None:
                take = replace(take, end_s=max(broken_s, take.start_s))
            (self._stretches if take.provisional else self._marks).append(take)
            if take.end_s is not None:
                ended.append(take)
        self._marked = len(self._marks)
        return ended

    def finish(self, now_s: float) -> list[Take]:
        """The input is over: everything open ends."""
        events = self._end_stretch()
        while ended := self.stop(now_s):
            events += ended
        return events

    # --- what is asked -----------------------------------------------------------------------

    def all(self) -> tuple[Take, ...]:
        """The takes of the session in order of beginning: marks, or stretches if there are none."""
        if self._marks:
            return tuple(sorted(self._marks, key=lambda t: t.start_s))
        return tuple(self._stretches) + ((self._open,) if self._open else ())

    def current(self) -> Take | None:
        """The take that is open now: the mark begun last, or the stretch."""
        for take in reversed(self._marks):
            if take.end_s is None:
                return take
        return None if self._marks else self._open

    def take_of(self, time_s: float) -> str | None:
        """Name of the take a moment belongs to; of overlapping ones, the one begun last."""
        names = self.names_at(time_s)
        return names[-1] if names else None

    def names_at(self, time_s: float) -> tuple[str, ...]:
        """Names of all takes that a moment lies in, by beginning. Ends are included."""
        return tuple(
            t.name
            for t in self.all()
            if t.start_s <= time_s and (t.end_s is None or time_s <= t.end_s)
        )

    # --- inside ------------------------------------------------------------------------------

    def _begin(self, events: list[Take]) -> None:
        strokes = self._strokes[_count_in(self._strokes) :]
        judged = [s for s in strokes if s.judged]
        if len(judged) < MIN_HITS or judged[-1].time_s - judged[0].time_s < MIN_LENGTH_S:
            return
        name = f"stretch {len(self._stretches) + 1}"
        self._open = Take(name, strokes[0].time_s, None, provisional=True)
        events.append(self._open)

    def _end_stretch(self) -> list[Take]:
        self._strokes = []
        if self._open is None:
            return []
        ended = replace(self._open, end_s=max(self._last_sound_s, self._open.start_s))
        self._stretches.append(ended)
        self._open = None
        return [ended]

    def _free_name(self, name: str) -> str:
        used = {take.name for take in self.all()}
        free, number = name, 2
        while free in used:
            free, number = f"{name} ({number})", number + 1
        return free


def _count_in(strokes: Sequence[_Stroke]) -> int:
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


def _even(strokes: Sequence[_Stroke]) -> bool:
    spacing = np.diff([s.time_s for s in strokes])
    middle = float(np.median(spacing))
    if not COUNT_SPACING_S[0] <= middle <= COUNT_SPACING_S[1]:
        return False
    return bool((np.abs(spacing / middle - 1.0) <= COUNT_EVEN).all())


def _softer(strokes: Sequence[_Stroke], count: int) -> bool:
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


# --- editing afterwards --------------------------------------------------------------------


def moved(take: Take, start_s: float, end_s: float | None) -> Take:
    """The take with other ends. ValueError if it would end before it begins."""
    if end_s is not None and end_s < start_s:
        raise ValueError(f"take {take.name!r} would end before it begins")
    return replace(take, start_s=start_s, end_s=end_s)


def joined(first: Take, second: Take, name: str | None = None) -> Take:
    """One take from the beginning of the earlier to the end of the later."""
    ends = [take.end_s for take in (first, second)]
    end = None if None in ends else max(e for e in ends if e is not None)
    start = min(first.start_s, second.start_s)
    both = first.provisional and second.provisional
    return Take(name or first.name, start, end, provisional=both)


def split(take: Take, at_s: float) -> tuple[Take, Take]:
    """Two takes that meet at ``at_s``. ValueError if that is not inside the take."""
    if not take.start_s < at_s < (take.end_s if take.end_s is not None else np.inf):
        raise ValueError(f"{at_s:.3f} s does not lie inside take {take.name!r}")
    return (
        replace(take, name=f"{take.name} a", end_s=at_s),
        replace(take, name=f"{take.name} b", start_s=at_s),
    )
