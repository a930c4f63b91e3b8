"""Time as the recorder's MIDI clock and time code tell it: words heard, beats placed, answers.

Values and plain arithmetic; `rolling.songclock` makes beats from words.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

#: How far a place in the song is carried on: beats past the last one known, and seconds of time
#: code.
BEYOND_BEATS = 4.0
BEYOND_CODE_S = 2.0
BEFORE_CODE_S = 0.25


@dataclass(frozen=True, slots=True)
class ClockWord:
    """One thing a recorder's MIDI clock or time code said, at ``time_s``.

    ``position``: the place in the song at which it will go on, in beats (``value``). ``code``:
    the time code at that moment, in seconds (``value``), with its ``frames_per_s``.
    """

    what: Literal["tick", "start", "continue", "stop", "position", "code"]
    time_s: float
    value: float = 0.0
    frames_per_s: float | None = None


@dataclass(frozen=True, slots=True)
class Click:
    """An onset in the channel of the metronome: its moment, peak, and level by band, dB."""

    time_s: float
    peak_dbfs: float
    bands_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Beat:
    """A beat of the song: ``number`` from 0, its moment, and which run of the clock it is of."""

    number: int
    time_s: float
    run: int


@dataclass(frozen=True, slots=True)
class Code:
    """Time code at a moment."""

    time_s: float
    code_s: float
    frames_per_s: float


@dataclass(frozen=True, slots=True)
class ClockTiming:
    """How main hits of a drum lie on the recorder's clock.

    ``offset_ms``: median distance from the nearest sixteenth; late is positive, and what lies
    between the ways of clock and sound is in it. ``spread_ms``: scatter about it. Both None where
    too few hits keep to the clock: ``reason``.
    """

    hits: int
    offset_ms: float | None = None
    spread_ms: float | None = None
    spread_ci: tuple[float, float] | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class ClockState:
    """What the recorder's clock says now. ``beat``: beats from the start of the song, from 0, None
    while the place is not known; ``bar`` counts from 1. None: not heard."""

    source: str
    running: bool = False
    tempo_bpm: float | None = None
    beat: float | None = None
    bar: int | None = None
    jitter_ms: float | None = None
    time_code_s: float | None = None
    frames_per_s: float | None = None
    timing: Mapping[str, ClockTiming] = field(default_factory=dict)


def beat_at(beats: Sequence[Beat], time_s: float) -> float | None:
    """Beats from the start of the song at a moment; None where the place is not known.

    ``beats`` in order of time. Between two of one run in proportion; past the last of a run as
    its last two went, at most `BEYOND_BEATS`; before the first of a run at most one beat.
    """
    after = bisect.bisect_right(beats, time_s, key=lambda beat: beat.time_s)
    before, later = beats[max(0, after - 2) : after], beats[after : after + 2]
    if before and later and before[-1].run == later[0].run:
        return _along(before[-1], later[0], time_s)
    if len(later) == 2 and later[0].run == later[1].run:
        back = _along(later[0], later[1], time_s)
        if back > later[0].number - 1.0:
            return back
    if len(before) == 2 and before[0].run == before[1].run:
        further = _along(before[0], before[1], time_s)
        if further <= before[1].number + BEYOND_BEATS:
            return further
    return None


def _along(one: Beat, other: Beat, time_s: float) -> float:
    share = (time_s - one.time_s) / (other.time_s - one.time_s)
    return one.number + share * (other.number - one.number)


def code_at(codes: Sequence[Code], time_s: float) -> Code | None:
    """Time code at a moment, gone on from the last one heard; None more than `BEYOND_CODE_S`
    after it. Just before the first of a run (`BEFORE_CODE_S`) it is reckoned back: a code takes
    two frames to say, and a message its time."""
    after = bisect.bisect_right(codes, time_s, key=lambda code: code.time_s)
    if after and time_s - codes[after - 1].time_s <= BEYOND_CODE_S:
        near = codes[after - 1]
    elif after < len(codes) and codes[after].time_s - time_s <= BEFORE_CODE_S:
        near = codes[after]
    else:
        return None
    code_s = near.code_s + time_s - near.time_s
    return Code(time_s, code_s, near.frames_per_s) if code_s >= 0.0 else None


def code_text(code_s: float, frames_per_s: float) -> str:
    """Time code as it is written: ``01:02:03:04``, with ``;`` before the frames of drop-frame
    (SMPTE 12M: numbers 0 and 1 are left out of each minute but every tenth)."""
    frame = round(code_s * frames_per_s)
    whole = round(frames_per_s)
    drop = whole == 30 and abs(frames_per_s - 30.0) > 1e-6
    if drop:
        tens, rest = divmod(frame, 17982)
        frame += 18 * tens + (2 * ((rest - 2) // 1798) if rest >= 2 else 0)
    seconds, frames = divmod(frame, whole)
    hours, seconds = divmod(seconds, 3600)
    mark = ";" if drop else ":"
    return f"{hours % 24:02d}:{seconds // 60:02d}:{seconds % 60:02d}{mark}{frames:02d}"
