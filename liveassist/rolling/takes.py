"""Which take a moment belongs to: marks where there are marks, stretches of playing where not.

A *stretch* is playing between silences of `SILENCE_S`; it is provisional, and only becomes one
once enough has been played to judge (`MIN_HITS`, `MIN_LENGTH_S`): a few strokes between takes are
noodling, and strokes that count in are left before its beginning. A *take* is what a mark says.
Once there is a mark, stretches are no takes any more, but they are still followed, so that one can
be made a take afterwards (`keep`): before, during and after are all soon enough. Marks may overlap,
and takes can be joined, split and moved at any time. No clock: times are seconds from the first
sample of input.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import accumulate

import numpy as np

from liveassist.model import Hit, Kit, Take
from liveassist.rolling.playing import Stroke, count_in, enough
from liveassist.rolling.playing import played as played
from liveassist.rolling.spread import SILENCE_S
from liveassist.rolling.takeedits import Edited, EditError, TakeEdit, before, meet, named
from liveassist.rolling.takeedits import joined as joined
from liveassist.rolling.takeedits import moved as moved
from liveassist.rolling.takeedits import split as split


class Takes:
    """Follows marks and playing; tells when takes and stretches begin and end."""

    def __init__(self, kit: Kit) -> None:
        self._judged = {drum.name for drum in kit.drums if drum.judged}
        self._marks: list[Take] = []
        self._stretches: list[Take] = []
        self._strokes: list[Stroke] = []
        self._last_sound_s = -np.inf
        self._open: Take | None = None
        self._marked = 0
        self._made = 0
        #: A take that was made of the stretch now played, and ends with it.
        self._ends_with_stretch: str | None = None

    # --- what comes in -----------------------------------------------------------------------

    def hit(self, hit: Hit) -> list[Take]:
        """Take in a new hit (each number once is enough; later reports do no harm).

        Returns takes that began, or ended because this hit comes after a silence.
        """
        if hit.stage == "withdrawn":
            self._strokes = [s for s in self._strokes if s.number != hit.number]
            return []
        events = self.advance(hit.time_s)
        self._last_sound_s = max(self._last_sound_s, hit.time_s)
        if any(s.number == hit.number for s in self._strokes[-64:]):
            return events
        if self._open is None:
            stroke = Stroke(
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
        take = Take(self._next_name(name), now_s, None, provisional=False)
        self._marks.append(take)
        return [*events, take]

    def stop(self, now_s: float, name: str | None = None) -> list[Take]:
        """A mark: the named take ends, or the one begun last. No effect if none is open."""
        for index in range(len(self._marks) - 1, -1, -1):
            take = self._marks[index]
            if take.end_s is None and name in (None, take.name):
                if self._ends_with_stretch == take.name:
                    self._ends_with_stretch = None
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
        self._put(current, renamed)
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
        self._marked, self._made = len(self._marks), len(self._stretches)
        return [take for take in ended if take in self.all()]

    def finish(self, now_s: float) -> list[Take]:
        """The input is over: everything open ends."""
        events = self._end_stretch()
        while ended := self.stop(now_s):
            events += ended
        return events

    # --- editing -----------------------------------------------------------------------------

    def edit(self, edit: TakeEdit, now_s: float) -> Edited:
        """Carry out ``edit`` at ``now_s``: new names by old ones, and takes made or changed.

        EditError says why not; nothing is changed then.
        """
        if edit.do == "keep":
            return self._keep(edit, now_s)
        if edit.do == "add":
            if edit.start_s is None:
                raise EditError("say where the take begins")
            take = moved(Take("", 0.0, provisional=False), edit.start_s, edit.end_s)
            take = replace(take, name=self._next_name(edit.name))
            self._marks.append(take)
            return {}, [take]
        take = named(self.all(), edit.take)
        if edit.do == "join":
            return self._join(take, edit)
        if edit.do == "split":
            at_s = now_s if edit.start_s is None else edit.start_s
            first, second = split(take, at_s)
            first = replace(first, name=self._free_name(first.name))
            second = replace(second, name=self._free_name(second.name))
            self._put(take, first, second)
            if self._ends_with_stretch == take.name:
                self._ends_with_stretch = second.name
            return {take.name: first.name}, [first, second]
        if edit.do == "remove":
            self._put(take)
            return {}, []
        if edit.do == "rename":
            if not edit.name:
                raise EditError("the name is empty")
            new = replace(take, name=self._free_name(edit.name, take.name))
        else:
            start_s = take.start_s if edit.start_s is None else edit.start_s
            new = moved(take, start_s, take.end_s if edit.end_s is None else edit.end_s)
        self._put(take, new)
        return {take.name: new.name}, [new]

    def _keep(self, edit: TakeEdit, now_s: float) -> Edited:
        """A stretch becomes a take from its beginning on; one that runs ends with its silence."""
        free = self.unkept()
        if edit.take is None and not free:
            raise EditError("no playing has been heard that is not a take already")
        stretch = named(free, edit.take)
        take = replace(stretch, name=self._next_name(edit.name), provisional=False)
        self._stretches = [one for one in self._stretches if one is not stretch]
        if stretch.end_s is None:
            self._ends_with_stretch = take.name
        self._marks.append(take)
        return {stretch.name: take.name}, [take]

    def _join(self, take: Take, edit: TakeEdit) -> Edited:
        takes = self.all()
        other = before(takes, take) if edit.other is None else named(takes, edit.other)
        if other is take:
            raise EditError(f"{take.name} cannot be joined with itself")
        first, second = sorted((take, other), key=lambda one: one.start_s)
        whole = joined(first, second)
        if edit.name:
            whole = replace(whole, name=self._free_name(edit.name, first.name, second.name))
        # What lies wholly between the two is a part of the whole, and no take beside it.
        between = [
            one
            for one in takes
            if one not in (first, second)
            and first.end_s is not None
            and one.end_s is not None
            and first.end_s <= one.start_s
            and one.end_s <= second.start_s
        ]
        for one in (second, *between):
            self._put(one)
        self._put(first, whole)
        if self._ends_with_stretch in (first.name, second.name):
            self._ends_with_stretch = whole.name
        return {one.name: whole.name for one in (first, second, *between)}, [whole]

    def _put(self, old: Take, *new: Take) -> None:
        """Put takes in the place of one (none: take it away), wherever it is kept."""
        if self._open is old:
            self._open = new[-1] if new else None
            self._stretches += new[:-1]
            if not new:
                self._strokes = []
            return
        for kept in (self._marks, self._stretches):
            for index, take in enumerate(kept):
                if take is old:
                    kept[index : index + 1] = new
                    return

    # --- what is asked -----------------------------------------------------------------------

    def unkept(self) -> tuple[Take, ...]:
        """Stretches, played before or after the first mark, that no take has a part of."""
        stretches = tuple(self._stretches) + ((self._open,) if self._open else ())
        return tuple(one for one in stretches if not any(meet(one, mark) for mark in self._marks))

    def everything(self) -> tuple[Take, ...]:
        """Marks, and stretches too: what `restore` needs."""
        stretches = tuple(self._stretches) + ((self._open,) if self._open else ())
        return tuple(sorted((*self._marks, *stretches), key=lambda take: take.start_s))

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

    def lookup(self) -> Callable[[float], str | None]:
        """`take_of` for many moments, of the takes as they are now."""
        takes = self.all()
        starts = [take.start_s for take in takes]
        ends = [np.inf if take.end_s is None else take.end_s for take in takes]
        reach = list(accumulate(ends, max))

        def name(time_s: float) -> str | None:
            at = bisect_right(starts, time_s) - 1
            while at >= 0 and reach[at] >= time_s:
                if time_s <= ends[at]:
                    return takes[at].name
                at -= 1
            return None

        return name

    def names_at(self, time_s: float) -> tuple[str, ...]:
        """Names of all takes that a moment lies in, by beginning. Ends are included."""
        return tuple(
            t.name
            for t in self.all()
            if t.start_s <= time_s and (t.end_s is None or time_s <= t.end_s)
        )

    # --- inside ------------------------------------------------------------------------------

    def _begin(self, events: list[Take]) -> None:
        strokes = self._strokes[count_in(self._strokes) :]
        if not enough(strokes):
            return
        self._made += 1
        self._open = Take(f"stretch {self._made}", strokes[0].time_s, None, provisional=True)
        if not self._marks:
            events.append(self._open)

    def _end_stretch(self) -> list[Take]:
        self._strokes = []
        if self._open is None:
            return []
        ended = replace(self._open, end_s=max(self._last_sound_s, self._open.start_s))
        self._open = None
        if self._ends_with_stretch is not None:
            # The stretch is a take by now; the take ends, and nothing else is left of it.
            name, self._ends_with_stretch = self._ends_with_stretch, None
            return self.stop(ended.end_s or ended.start_s, name)
        self._stretches.append(ended)
        return [] if self._marks else [ended]

    def _next_name(self, name: str | None) -> str:
        """``name``, or the next number, made free."""
        self._marked += 1
        return self._free_name(name or f"take {self._marked}")

    def _free_name(self, name: str, *but: str) -> str:
        """``name``, with a number if another take than those called ``but`` has it."""
        used = {take.name for take in self.all()} - set(but)
        free, number = name, 2
        while free in used:
            free, number = f"{name} ({number})", number + 1
        return free
