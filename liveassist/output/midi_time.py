"""The recorder's transport, clock and time code, heard over MIDI.

Sources: MIDI 1.0 (clock, start, continue, stop; quarter-frame and full time code), RP-013 machine
control. Time is an argument: the moment a message was heard, in seconds of any steady clock.

Clock over MIDI jitters by a millisecond or more; the tempo is the median over two beats and the
beat times are a line fitted through the last two beats of ticks, not single ticks.
"""

from __future__ import annotations

import itertools
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from liveassist.model import ClockWord

from .midi_codec import (
    CLOCK,
    CONTINUE,
    MMC_RECORD,
    MMC_RECORD_EXIT,
    MMC_STOP,
    MTC_RATES,
    START,
    STOP,
)

#: Clock messages a quarter note (MIDI 1.0).
TICKS_A_BEAT = 24
#: Ticks the tempo is taken from: two beats.
KEPT_TICKS = 2 * TICKS_A_BEAT
#: A gap this much longer than usual is a stopped clock: begin anew.
GAP = 4.0
#: Time code pieces further apart than this belong to different runs, seconds.
PIECE_GAP_S = 0.25
#: Words held until the daemon takes them, the oldest fall out: 20 s of clock at 300 beats a minute
#: with time code beside it.
MAX_WORDS = 4096

#: A clock or time code silent for so long is not heard any more, seconds.
SILENT_S = 3.0

Transport = Literal["start", "stop"]


@dataclass(frozen=True, slots=True)
class Timing:
    """What the clock and time code say now. ``None``: not heard.

    ``beat_s``: the moment of the latest beat. ``jitter_ms``: how far single ticks stray from a
    steady clock, standard deviation. ``time_code_s`` was right at ``time_code_at_s``.
    """

    tempo_bpm: float | None = None
    beat_s: float | None = None
    jitter_ms: float | None = None
    time_code_s: float | None = None
    time_code_at_s: float | None = None
    frames_per_s: float | None = None
    running: bool = False


class MidiTime:
    """Follows what one port says about time. ``words``: the same for whoever lays the session on
    it, in the clock of ``now``, taken out on another thread; ``dropped``: words nobody took.
    ``record_only``: only machine control's record asks for a take, as a start may be playback."""

    def __init__(self, record_only: bool = False) -> None:
        self._record_only = record_only
        self._taking = False
        self.words: deque[ClockWord] = deque()
        self.dropped = 0
        self._ticks: deque[float] = deque(maxlen=KEPT_TICKS + 1)
        self._count = 0
        self._running = False
        self._pieces: dict[int, int] = {}
        self._piece_at = float("-inf")
        self._first_at = 0.0
        self._code: tuple[float, float, float] | None = None

    def hear(self, message: bytes, now: float) -> Transport | None:
        """Take in one whole message; what it asks of the take, if anything."""
        if message == CLOCK:
            self._tick(now)
            self._say(ClockWord("tick", now))
        elif message in (START, CONTINUE):
            self._ticks.clear()
            self._count = 0
            self._say(ClockWord("start" if message == START else "continue", now))
            self._running = True
            return None if self._record_only else self._take(True)
        elif message == STOP:
            self._say(ClockWord("stop", now))
            self._running = False
            return self._take(False)
        elif message[0] == 0xF2:  # song position, in sixteenths (MIDI 1.0)
            self._say(ClockWord("position", now, (message[1] | message[2] << 7) / 4.0))
        elif message[0] == 0xF1:
            self._quarter(message[1], now)
        elif message[0] == 0xF0 and len(message) >= 6 and message[1] == 0x7F:
            return self._universal(message, now)
        return None

    def timing(self) -> Timing:
        """Tempo, beat and time code as far as they were heard (any thread)."""
        seconds, at_s, rate = self._code or (None, None, None)
        tempo = beat = jitter = None
        ticks, count = list(self._ticks), self._count  # more may come meanwhile
        if len(ticks) > TICKS_A_BEAT:
            tick = statistics.median(b - a for a, b in itertools.pairwise(ticks))
            if tick > 0:
                tick, start, jitter = _line(ticks, tick)
                tempo = 60.0 / (tick * TICKS_A_BEAT)
                since = (count - 1) % TICKS_A_BEAT
                beat = start + tick * (len(ticks) - 1 - since)
        return Timing(tempo, beat, jitter, seconds, at_s, rate, self._running)

    def _say(self, word: ClockWord) -> None:
        if len(self.words) >= MAX_WORDS:
            self.words.popleft()
            self.dropped += 1
        self.words.append(word)

    def _tick(self, now: float) -> None:
        if len(self._ticks) >= 2:
            usual = (self._ticks[-1] - self._ticks[0]) / (len(self._ticks) - 1)
            if now - self._ticks[-1] > GAP * max(usual, 0.001):
                self._ticks.clear()
        self._ticks.append(now)
        self._count += 1

    def _take(self, on: bool) -> Transport | None:
        """A take begins or ends, once: a second start while one runs asks for nothing."""
        if on == self._taking:
            return None
        self._taking = on
        return "start" if on else "stop"

    def _universal(self, message: bytes, now: float) -> Transport | None:
        if message[3] == 0x06 and len(message) == 6:
            if message[4] == MMC_RECORD:
                self._running = True
                return self._take(True)
            if message[4] == MMC_STOP:
                self._running = False
            if message[4] in (MMC_STOP, MMC_RECORD_EXIT):
                return self._take(False)
        if message[3:5] == b"\x01\x01" and len(message) == 10:
            hours, minutes, seconds, frames = message[5:9]
            self._set_code(hours, minutes, seconds, frames, now)
        return None

    def _quarter(self, data: int, now: float) -> None:
        """One of eight pieces; together they name the frame in which the first was sent."""
        piece, nibble = data >> 4, data & 0x0F
        if now - self._piece_at > PIECE_GAP_S or piece == 0:
            self._pieces.clear()
            self._first_at = now
        self._piece_at = now
        if piece != len(self._pieces):
            self._pieces.clear()  # played backwards, or a piece was lost
            return
        self._pieces[piece] = nibble
        if len(self._pieces) == 8:
            halves = [(self._pieces[n], self._pieces[n + 1]) for n in (0, 2, 4, 6)]
            frames, seconds, minutes, hours = (low | high << 4 for low, high in halves)
            if self._set_code(hours, minutes, seconds, frames, self._first_at):
                assert self._code is not None
                seconds_s, at_s, rate = self._code
                self._say(ClockWord("code", at_s, seconds_s, rate))

    def _set_code(self, hours: int, minutes: int, seconds: int, frames: int, now: float) -> bool:
        """Keep a time code; false if there is no such."""
        rate = MTC_RATES[hours >> 5 & 3]
        hours &= 0x1F
        if hours > 23 or minutes > 59 or seconds > 59 or frames >= round(rate):
            return False
        if rate == MTC_RATES[2]:  # drop-frame: the numbers 0 and 1 are left out of most minutes
            count = ((hours * 60 + minutes) * 60 + seconds) * 30 + frames
            total = hours * 60 + minutes
            count -= 2 * (total - total // 10)
            self._code = (count / rate, now, rate)
            return True
        whole = (hours * 60 + minutes) * 60 + seconds
        self._code = (whole + frames / rate, now, rate)
        return True


def _line(ticks: Sequence[float], tick: float) -> tuple[float, float, float]:
    """Least squares through the kept ticks: seconds a tick, first tick, jitter in ms."""
    numbers = range(len(ticks))
    slope, start = statistics.linear_regression(numbers, ticks)
    if slope <= 0:
        slope = tick
    off = [t - (start + slope * n) for n, t in zip(numbers, ticks, strict=True)]
    return slope, start, 1000.0 * statistics.pstdev(off)


def clock_note(timing: Timing, now: float) -> str:
    """What a port's clock and time code do, for the line about its health; empty if nothing is
    heard now. No figure that moves all the time: the line is sent when it changes."""
    parts = []
    beat_s = timing.beat_s
    if timing.tempo_bpm is not None and beat_s is not None and now - beat_s < SILENT_S:
        running = "" if timing.running else ", not started"
        parts.append(f"clock at {timing.tempo_bpm:.0f} beats a minute{running}")
    if timing.time_code_at_s is not None and now - timing.time_code_at_s < SILENT_S:
        parts.append("time code")
    return " and ".join(parts)
