"""Which strokes of a song are fit to learn from, and when.

A lesson waits until its ring has been heard. It is taken if the stroke was alone; a drum that
never is (a snare always on top of a kick) is learned, after a while, from what known drums leave.
"""

from __future__ import annotations

from collections.abc import Collection

from liveassist.attribute.bank import Past
from liveassist.attribute.student import CLEAR_S, Student
from liveassist.history import History
from liveassist.spectra import Grid

#: Clear hits of a drum that were never alone before it is learned in company.
STARVED = 6
#: A hit is learned once this much after it has been heard, s.
LESSON_S = 0.30
#: Onsets and hits are remembered this long, s.
REMEMBERED_S = 1.4
#: Hits ring into each other over this, s.
RINGS_S = 0.20
#: Onsets this near are one stroke, s.
TOGETHER_S = 0.003


class Lessons:
    """Strokes waiting to be learned, and what sounded around them."""

    def __init__(self, grid: Grid, student: Student, named: Collection[str]) -> None:
        self._student = student
        self._named = frozenset(named)
        rate = grid.sample_rate_hz
        self._ripe = round(LESSON_S * rate)
        self._clear = round(CLEAR_S * rate)
        self._together = round(TOGETHER_S * rate)
        self._rings = round(RINGS_S * rate)
        self._remembered = round(REMEMBERED_S * rate)
        self._waiting: list[tuple[str, int]] = []
        self._onsets: list[int] = []
        self._accepted: list[Past] = []
        self._starving: dict[str, int] = {}

    def forget(self) -> None:
        """Drop what waits (after a gap)."""
        self._waiting.clear()
        self._accepted.clear()

    def sure(self, drum: str, sample: int) -> None:
        """The stroke at ``sample`` is surely ``drum``'s: a lesson, if it turns out alone."""
        self._waiting.append((drum, sample))

    def withdraw(self, drum: str, sample: int) -> None:
        """The stroke at ``sample`` was not ``drum``'s after all."""
        self._waiting = [
            (d, at) for d, at in self._waiting if d != drum or abs(at - sample) > self._together
        ]

    def onset(self, sample: int) -> None:
        """Something began at ``sample`` that would spoil a lesson nearby."""
        self._onsets.append(sample)

    def accept(self, hit: Past) -> None:
        """A hit of a known drum, which can be taken off a lesson in company."""
        self._accepted.append(hit)

    def study(self, history: History) -> None:
        """Take the lessons that are ripe."""
        ripe = history.end - self._ripe
        ready = [lesson for lesson in self._waiting if lesson[1] <= ripe]
        self._waiting = [lesson for lesson in self._waiting if lesson[1] > ripe]
        for drum, sample in ready:
            if self._student.wants(drum, sample):
                self._take(history, drum, sample)
        oldest = history.end - self._remembered
        self._onsets = [onset for onset in self._onsets if onset > oldest]
        self._accepted = [hit for hit in self._accepted if hit.sample > oldest]

    def _take(self, history: History, drum: str, sample: int) -> None:
        clear = self._clear
        after = [onset for onset in self._onsets if onset - sample > self._together]
        crowded = any(self._together < abs(onset - sample) < clear for onset in self._onsets)
        rivals = any(
            hit.drum != drum and abs(hit.sample - sample) < clear for hit in self._accepted
        )
        if not crowded and not rivals:
            self._starving[drum] = 0
            self._student.learn(drum, history, sample, min(after, default=None))
            return
        # Never alone: after a while, learn from what known drums leave of it.
        self._starving[drum] = self._starving.get(drum, 0) + 1
        if self._starving[drum] > STARVED and drum in self._named:
            near = [
                hit
                for hit in self._accepted
                if hit.drum != drum and -self._rings < hit.sample - sample < clear
            ]
            later = [onset for onset in after if onset - sample > clear]
            self._student.learn(drum, history, sample, min(later, default=None), near)
