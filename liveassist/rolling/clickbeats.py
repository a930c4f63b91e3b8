"""Beats and bars from the onsets in the metronome's channel.

A metronome is a machine: its ticks lie on a line to within a millisecond, and a drum that bleeds
in does not. So a run of it begins where `LOCK` onsets lie on one line, and goes on with whatever
lies where the next tick is due; a tick that is not heard (a dropout, a drum over it) is bridged for
up to `BRIDGE_S`. All else is set aside, until a line goes through that instead while the run is
not heard any more: the metronome was started anew, or its tempo changed (`metre` says which tick is
a beat and which begins a bar). Pure: onsets in (`Click`, in order of time), beats out.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from liveassist.rolling.metre import PLAN_TICKS, Metre, metre
from liveassist.song import Beat, Click

#: Onsets on one line that make a run, and how near, s. With drums within 8 ms of every second
#: place of it (standard deviation), four of them do so once in 2000 tries.
LOCK = 8
LOCK_S = 0.0015
#: Time from tick to tick, s: sixteenths at 250 a minute to 30 beats a minute.
SHORTEST_S, LONGEST_S = 0.06, 2.0
#: Onsets that a run is looked for in, s; as many as may lie there.
RECENT_S = 17.0
MOST_RECENT = 512
#: A tick that is due comes as near as `LOCK_S`, half a millisecond further after each one that was
#: not heard: a tempo that glides by a third of a beat a minute from beat to beat is followed.
FURTHER_S, FURTHEST_S = 0.0005, 0.006
#: Ticks lie on a line when half of them are as near to it as this, s.
ON_LINE_S = 0.0005
#: Ticks not heard are bridged for so long, s: two bars at 60 beats a minute.
BRIDGE_S = 8.0
#: A run is hardly heard any more when so many of its last `LOCK` ticks were not: another may take
#: its place.
UNHEARD = 3
#: Runs and ticks kept: nine hours at 240 ticks a minute.
MOST_TICKS = 131_072


@dataclass(frozen=True, slots=True)
class Tick:
    """A tick's moment, and what was heard then; None: bridged."""

    time_s: float
    click: Click | None


@dataclass(slots=True)
class Run:
    """The ticks of the metronome from one start on, without a gap."""

    number: int
    ticks: list[Tick]
    beats: list[Beat] = field(default_factory=list)
    #: Of each beat, whether its tick was heard.
    heard: list[bool] = field(default_factory=list)
    metre: Metre = field(default_factory=Metre)
    _laid: int = 0
    _judged: int = 0

    def lay(self, anew: bool = False) -> None:
        """Bring ``beats`` up to the ticks there are. The metre is judged from time to time, until
        `PLAN_TICKS` of them are known."""
        known = min(len(self.ticks), PLAN_TICKS)
        if anew or (self._judged < PLAN_TICKS and known >= 1.25 * self._judged):
            first = self.ticks[:known]
            self.metre = metre([tick.click for tick in first], _step_s(first))
            self.beats, self.heard, self._laid, self._judged = [], [], 0, known
        every, first_tick = self.metre.every, self.metre.first
        # Bars are counted from the one that the first tick lies in.
        before = -(first_tick // every) % (self.metre.beats_a_bar or 1)
        offset = first_tick % every
        for at in range(self._laid, len(self.ticks)):
            if at % every == offset:
                number = (at - offset) // every + before
                self.beats.append(Beat(number, self.ticks[at].time_s, self.number))
                self.heard.append(self.ticks[at].click is not None)
        self._laid = len(self.ticks)


class ClickBeats:
    """Follows one metronome. See the module's text. Runs are numbered from ``first_run``."""

    def __init__(self, first_run: int = 0) -> None:
        self._recent: deque[Click] = deque(maxlen=MOST_RECENT)
        self._next_run = first_run
        self._run: Run | None = None
        self._bridged = 0  # ticks at the end of the run that were not heard
        self.runs: list[Run] = []

    # --- what comes in -----------------------------------------------------------------------

    def hear(self, click: Click) -> None:
        """Take in an onset; they come in order of time."""
        self.advance(click.time_s)
        if self._run is not None and abs(click.time_s - self._due()) <= self._leeway():
            self._run.ticks.append(Tick(click.time_s, click))
            self._bridged = 0
            return
        self._recent.append(click)
        if self._run is None or self._unheard() >= UNHEARD:
            self._look(click.time_s)

    def advance(self, time_s: float) -> None:
        """No onset came up to ``time_s``: bridge what was due, or end the run."""
        while self._run is not None and time_s > self._due() + self._leeway():
            due_s = self._due()
            last = self._run.ticks[-1 - self._bridged].time_s
            if due_s - last > BRIDGE_S:
                self.finish()
                return
            self._run.ticks.append(Tick(due_s, None))
            self._bridged += 1

    def finish(self) -> None:
        """End the run that goes on; what was bridged at its end was none of it."""
        if self._run is not None:
            if self._bridged:
                del self._run.ticks[-self._bridged :]
            self._run.lay(anew=True)
        self._run, self._bridged = None, 0

    # --- what is asked -----------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether the metronome is heard."""
        return self._run is not None and self._bridged <= UNHEARD

    @property
    def tempo_bpm(self) -> float | None:
        """Tempo of the last beats; None while it is not heard."""
        if self._run is None or not self.running:
            return None
        self._run.lay()
        return 60.0 / (_step_s(self._run.ticks) * self._run.metre.every)

    @property
    def beats_a_bar(self) -> int | None:
        """What the accents of the run that goes on, or of the last, say; None: there are none."""
        if not self.runs:
            return None
        self.runs[-1].lay()
        return self.runs[-1].metre.beats_a_bar

    @property
    def jitter_ms(self) -> float | None:
        """Standard deviation of the last ticks about their line, ms; None while not heard."""
        if self._run is None or not self.running:
            return None
        last = self._run.ticks[-LOCK:]
        places = np.array([n for n, tick in enumerate(last) if tick.click is not None], float)
        if len(places) < 3:
            return None
        times = np.array([tick.time_s for tick in last if tick.click is not None])
        return 1000.0 * float(np.std(times - np.polyval(np.polyfit(places, times, 1), places)))

    @property
    def beats(self) -> list[Beat]:
        """All beats, in order of time."""
        for run in self.runs[-1:]:
            run.lay()
        return [beat for run in self.runs for beat in run.beats]

    # --- within ------------------------------------------------------------------------------

    def _due(self) -> float:
        assert self._run is not None
        return _next_s(self._run.ticks)

    def _leeway(self) -> float:
        return min(LOCK_S + FURTHER_S * self._bridged, FURTHEST_S)

    def _unheard(self) -> int:
        assert self._run is not None
        return sum(tick.click is None for tick in self._run.ticks[-LOCK:])

    def _look(self, now_s: float) -> None:
        """Begin a run if the last onset ends a line of them, most of it not of the old run."""
        while self._recent and self._recent[0].time_s < now_s - RECENT_S:
            self._recent.popleft()
        old = [] if self._run is None else self._run.ticks[-2 * LOCK :]
        taken = [tick.click for tick in old if tick.click is not None]
        clicks = sorted([*self._recent, *taken], key=lambda click: click.time_s)
        line = find_line(clicks)
        if line is None:
            return
        line = _louder(clicks, line)
        shared = sum(tick.click in taken for tick in line if tick.click is not None)
        if 2 * shared <= sum(tick.click is not None for tick in line):
            self._begin(_extended(clicks, line))

    def _begin(self, ticks: list[Tick]) -> None:
        old = self._run
        if old is not None:
            # A tempo that changed: the new line meets the old one at a tick, or goes on from it.
            kept = [tick for tick in old.ticks if tick.time_s < ticks[0].time_s - LOCK_S]
            while kept and kept[-1].click is None:
                kept.pop()
            gap_s = ticks[0].time_s - kept[-1].time_s if kept else 0.0
            steps = (_step_s(kept) if len(kept) > 1 else 0.0, _step_s(ticks))
            if any(abs(gap_s - step_s) <= FURTHEST_S for step_s in steps):
                old.ticks[:] = [*kept, *ticks]
                old.lay(anew=True)
                self._bridged = 0
                self._settle(ticks)
                return
            if kept:
                old.ticks[:] = kept
                self._bridged = 0
        self.finish()
        self._run = Run(self._next_run, ticks)
        self._next_run += 1
        self.runs.append(self._run)
        while sum(len(run.ticks) for run in self.runs) > MOST_TICKS and len(self.runs) > 1:
            self.runs.pop(0)
        self._settle(ticks)

    def _settle(self, ticks: Sequence[Tick]) -> None:
        taken = {tick.time_s for tick in ticks}
        left = [click for click in self._recent if click.time_s not in taken]
        self._recent = deque(left, maxlen=MOST_RECENT)


def _step_s(ticks: Sequence[Tick]) -> float:
    """Time from tick to tick now: the median of the last three heard."""
    heard = [(n, tick.time_s) for n, tick in enumerate(ticks[-64:]) if tick.click is not None][-4:]
    steps = [(t2 - t1) / (n2 - n1) for (n1, t1), (n2, t2) in itertools.pairwise(heard)]
    return float(np.median(steps)) if steps else ticks[-1].time_s - ticks[-2].time_s


def _next_s(ticks: Sequence[Tick]) -> float:
    """When the next tick is due: on the line through the last `LOCK` heard, which two that a drum
    moved do not turn (medians of slopes and heights: H. Theil, 1950; P. K. Sen, 1968); where they
    lie on none, because the tempo glides, by the last steps."""
    heard = [(n, tick.time_s) for n, tick in enumerate(ticks[-64:]) if tick.click is not None]
    last = np.array(heard[-LOCK:], dtype=np.float64).reshape(-1, 2)
    if len(last) == LOCK:
        places, times = last[:, 0], last[:, 1]
        one, other = np.triu_indices(LOCK, 1)
        slope = float(np.median((times[other] - times[one]) / (places[other] - places[one])))
        off = times - slope * places
        height = float(np.median(off))
        if float(np.median(np.abs(off - height))) <= ON_LINE_S:
            return height + slope * len(ticks[-64:])
    return ticks[-1].time_s + _step_s(ticks)


def find_line(clicks: Sequence[Click]) -> list[Tick] | None:
    """The closest ticks on a line that end with the last onset; None if there are too few."""
    last = clicks[-1].time_s
    times = np.array([click.time_s for click in clicks])
    for before in range(len(clicks) - 2, -1, -1):
        step_s = last - float(times[before])
        if step_s > LONGEST_S:
            return None
        if step_s >= SHORTEST_S:
            line = _back(clicks, times, step_s)
            if sum(tick.click is not None for tick in line) >= LOCK:
                return line
    return None


def _back(
    clicks: Sequence[Click], times: np.ndarray[tuple[int, ...], np.dtype[np.float64]], step_s: float
) -> list[Tick]:
    """Ticks from the last onset back, ``step_s`` apart at first; one in eight may be missing."""
    last = len(clicks) - 1
    ticks = [Tick(float(times[last]), clicks[last])]
    oldest, missed = float(times[last]), 0
    steps: deque[float] = deque([step_s], maxlen=3)
    while True:
        due = oldest - step_s * (1 + missed)
        at = int(np.searchsorted(times, due))
        near = [n for n in (at - 1, at) if 0 <= n < last]
        best = min(near, key=lambda n: abs(float(times[n]) - due), default=None)
        if best is not None and abs(float(times[best]) - due) <= LOCK_S:
            step_now = (oldest - float(times[best])) / (1 + missed)
            for lost in range(missed):
                ticks.append(Tick(oldest - step_now * (lost + 1), None))
            oldest = float(times[best])
            ticks.append(Tick(oldest, clicks[best]))
            steps.append(step_now)
            step_s, missed = float(np.median(steps)), 0
        elif missed == 0 and 8 * (1 + sum(t.click is None for t in ticks)) <= len(ticks) + 8:
            missed = 1
        else:
            break
    ticks.reverse()
    return ticks


def _louder(clicks: Sequence[Click], line: list[Tick]) -> list[Tick]:
    """``line``, or one of the same step beside it that is louder: a swung or late subdivision is
    as even as the beat, and softer."""
    step_s = _step_s(line)
    best, best_db = line, _level_db(line)
    for end in range(len(clicks) - 2, 0, -1):
        if clicks[end].time_s <= line[-1].time_s - 0.98 * step_s:
            break
        part = clicks[: end + 1]
        times = np.array([click.time_s for click in part])
        other = _back(part, times, step_s)
        heard = sum(tick.click is not None for tick in other)
        if heard >= LOCK - 1 and _level_db(other) > best_db + 1.0:
            best, best_db = other, _level_db(other)
    return best


def _level_db(ticks: Sequence[Tick]) -> float:
    return float(np.median([tick.click.peak_dbfs for tick in ticks if tick.click is not None]))


def _extended(clicks: Sequence[Click], line: list[Tick]) -> list[Tick]:
    """The line with what was heard of the metronome before it, up to three ticks missing."""
    times = np.array([click.time_s for click in clicks])
    step_s = _step_s(line[:8])
    while True:
        for missed in range(UNHEARD + 1):
            due = line[0].time_s - step_s * (1 + missed)
            at = int(np.searchsorted(times, due))
            near = [n for n in (at - 1, at) if 0 <= n < len(times)]
            best = min(near, key=lambda n: abs(float(times[n]) - due), default=None)
            if best is not None and abs(float(times[best]) - due) <= LOCK_S * (1 + missed):
                gaps = [Tick(line[0].time_s - step_s * (n + 1), None) for n in range(missed)]
                line = [Tick(float(times[best]), clicks[best]), *reversed(gaps), *line]
                break
        else:
            return line
