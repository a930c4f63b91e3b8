"""Where in the song a moment lies, from the recorder's MIDI clock and time code.

Ticks come 24 a beat (MIDI 1.0). Each is a little late, by up to a period of the sound server and
by what the computer was doing, so no single tick is believed: a beat lies on the line fitted
through the ticks of one beat either side of it (least squares over 49 ticks; strays beyond three
scaled median absolute deviations are set aside and the line is fitted again). Even jitter of 5 ms
either way (2.9 ms standard deviation) then moves a beat by 0.4 ms; the tempo may change from beat
to beat.

After *start* the first tick is beat 0; after *continue* it goes on where it stopped or where a
song position put it. A clock that runs without either has a tempo but no place.

Pure: words in (`ClockWord`, times in session seconds), answers out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from liveassist.rolling.spread import kept
from liveassist.song import Beat, ClockTiming, ClockWord, Code, beat_at

#: Clock messages a quarter note (MIDI 1.0), and ticks that a beat is fitted through.
TICKS_A_BEAT = 24
FIT_TICKS = 2 * TICKS_A_BEAT + 1
#: A tick this many times later than usual means that the clock had stopped, seconds at least.
GAP_TIMES, GAP_LEAST_S = 6.0, 0.25
#: Beats kept: nine hours at 120 a minute. Time codes kept, one a second: as long.
MOST_BEATS = 65_536
MOST_CODES = 32_768
CODE_EVERY_S = 1.0
#: Fewest main hits for a timing figure, and the largest scatter, as a share of a step, that still
#: counts as keeping to the clock (0.29: an even scatter over the whole step).
LEAST_HITS = 8
LARGEST_SHARE = 0.22
#: Places in a beat that hits are laid on: sixteenths.
STEPS = 4


class SongClock:
    """Follows one recorder's clock. See the module's text. Runs are numbered from ``first_run``."""

    def __init__(self, first_run: int = 0) -> None:
        self._ticks: deque[float] = deque(maxlen=FIT_TICKS)
        self._count = 0  # ticks of this run
        self._first = 0  # tick of the song at which this run began
        self._placed = False
        self._next = 0
        self._run = first_run
        self._fitted: tuple[int, _Line | None] = (0, None)
        self._beats: list[Beat] = []
        self._codes: list[Code] = []
        self.running = False

    # --- what comes in -----------------------------------------------------------------------

    def hear(self, word: ClockWord) -> None:
        """Take in one word; words come in order of time."""
        if word.what == "tick":
            self._tick(word.time_s)
        elif word.what == "code":
            self._code(Code(word.time_s, word.value, word.frames_per_s or 30.0))
        elif word.what == "position":
            self._next = round(word.value * TICKS_A_BEAT)
        elif word.what == "stop":
            if self._placed:
                self._next = self._first + self._count
            self._end_run()
            self.running = self._placed = False
        else:
            self._end_run()
            if word.what == "start":
                self._next = 0
            self._first, self._placed, self.running = self._next, True, True

    def _tick(self, time_s: float) -> None:
        if len(self._ticks) >= 2:
            usual = (self._ticks[-1] - self._ticks[0]) / (len(self._ticks) - 1)
            late = time_s - self._ticks[-1]
            if late > max(GAP_TIMES * usual, GAP_LEAST_S):
                # A stop nobody announced: the place is not known any more.
                self._end_run()
                self.running = self._placed = False
        self._ticks.append(time_s)
        self._count += 1
        number = self._first + self._count - 1 - TICKS_A_BEAT
        if self._placed and number % TICKS_A_BEAT == 0 and number >= self._first:
            self._keep(number)

    def _keep(self, number: int) -> None:
        """Tick ``number`` of the song is a beat, and the beat after it has been heard."""
        line = self._line()
        if line is not None:
            place = number - (self._first + self._count - len(self._ticks))
            beat = Beat(number // TICKS_A_BEAT, line.at(place), self._run)
            if self._beats and beat.time_s <= self._beats[-1].time_s:
                return  # what was heard out of order is not believed
            self._beats.append(beat)
            del self._beats[:-MOST_BEATS]

    def _end_run(self) -> None:
        """Keep the beats that waited for the ticks after them; begin anew with the next tick."""
        if self._placed and self._count > TICKS_A_BEAT:
            last = self._first + self._count - 1
            first_left = self._beats[-1].number + 1 if self._of_this_run() else None
            for number in range(-(-self._first // TICKS_A_BEAT), last // TICKS_A_BEAT + 1):
                if first_left is None or number >= first_left:
                    self._keep(number * TICKS_A_BEAT)
        self._ticks.clear()
        self._count = 0
        self._fitted = (0, None)
        self._run += 1

    def _of_this_run(self) -> bool:
        return bool(self._beats) and self._beats[-1].run == self._run

    def _code(self, code: Code) -> None:
        last = self._codes[-1] if self._codes else None
        if last is not None and code.time_s - last.time_s < CODE_EVERY_S:
            going_on = last.code_s + code.time_s - last.time_s
            if abs(going_on - code.code_s) < 0.5:
                return
        self._codes.append(code)
        del self._codes[:-MOST_CODES]

    # --- what is asked -----------------------------------------------------------------------

    @property
    def tempo_bpm(self) -> float | None:
        """The tempo of the last two beats; None until one has been heard."""
        line = self._line() if self._count > TICKS_A_BEAT else None
        return None if line is None else 60.0 / (line.tick_s * TICKS_A_BEAT)

    @property
    def jitter_ms(self) -> float | None:
        """Standard deviation of single ticks about the line, ms."""
        line = self._line() if self._count > TICKS_A_BEAT else None
        return None if line is None else line.jitter_ms

    @property
    def beats(self) -> Sequence[Beat]:
        """The beats that were placed, in order of time."""
        return self._beats

    @property
    def codes(self) -> Sequence[Code]:
        """The time codes that were kept, in order of time."""
        return self._codes

    def _line(self) -> _Line | None:
        """The line through the kept ticks; None if there are too few or time does not go on."""
        if len(self._ticks) <= TICKS_A_BEAT:
            return None
        if self._fitted[0] != self._count:
            self._fitted = (self._count, _fit(np.array(self._ticks)))
        return self._fitted[1]


@dataclass(frozen=True, slots=True)
class _Line:
    start_s: float
    tick_s: float
    jitter_ms: float

    def at(self, place: int) -> float:
        return self.start_s + self.tick_s * place


def _fit(times: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> _Line | None:
    """Least squares through the ticks, strays set aside; None if time does not go on."""
    places = np.arange(len(times), dtype=np.float64)
    good = np.ones(len(times), dtype=bool)
    slope = start = 0.0
    for _ in range(2):
        slope, start = (float(x) for x in np.polyfit(places[good], times[good], 1))
        off = times - (start + slope * places)
        middle = float(np.median(off))
        scale = 1.4826 * float(np.median(np.abs(off - middle)))
        good = np.abs(off - middle) <= 3.0 * scale + 1e-4
    if slope <= 0.0:
        return None
    return _Line(start, slope, 1000.0 * float(np.std(off[good])))


def timing(beats: Sequence[Beat], times_s: Sequence[float]) -> ClockTiming:
    """How hits at ``times_s`` lie on the clock's sixteenths, strays set aside (as for levels).

    The interval of the scatter is that of a normal sample's standard deviation (chi-square, by
    the Wilson-Hilferty approximation: within 1 % from 8 hits on).
    """
    offsets = []
    step_s = None
    for time_s in times_s:
        here = beat_at(beats, time_s)
        ahead = beat_at(beats, time_s + 0.001)
        if here is None or ahead is None or ahead <= here:
            continue
        beat_s = 0.001 / (ahead - here)
        step_s = beat_s / STEPS
        offsets.append((here * STEPS - round(here * STEPS)) * step_s * 1000.0)
    if len(offsets) < LEAST_HITS or step_s is None:
        why = f"{len(offsets)} main hits with the clock, {LEAST_HITS} needed"
        return ClockTiming(len(offsets), reason=why)
    found = _unwrapped(np.array(offsets), step_s * 1000.0)
    good = found[kept(found)]
    spread = float(np.std(good, ddof=1)) if len(good) > 1 else 0.0
    if spread > LARGEST_SHARE * step_s * 1000.0 or len(good) < LEAST_HITS:
        return ClockTiming(len(offsets), reason="the hits do not keep to the clock")
    middle = float(np.median(good))
    return ClockTiming(len(good), middle, spread, _interval(spread, len(good)))


def _unwrapped(
    offsets: np.ndarray[tuple[int, ...], np.dtype[np.float64]], step_ms: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Offsets about their mean direction on the circle of a step, so that hits half a step late
    do not fall apart into early and late (N. I. Fisher, "Statistical Analysis of Circular Data",
    1993)."""
    turn = 2j * np.pi / step_ms
    middle = float(np.angle(np.mean(np.exp(turn * offsets)))) * step_ms / (2.0 * np.pi)
    return np.asarray((offsets - middle + step_ms / 2.0) % step_ms - step_ms / 2.0 + middle)


def _interval(sd: float, hits: int) -> tuple[float, float]:
    freedom = hits - 1
    part = 2.0 / (9.0 * freedom)
    low, high = (freedom * (1.0 - part + z * np.sqrt(part)) ** 3 for z in (-1.959964, 1.959964))
    return sd * float(np.sqrt(freedom / high)), sd * float(np.sqrt(freedom / low))
