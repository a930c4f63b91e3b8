"""The session laid on the recorder's MIDI clock and time code, where a surface profile has one.

Words come from the MIDI ports in the computer's monotonic clock; the session says which of its
moments that is. Kept as ``clock.csv`` beside the hits, which `takes` and `export` lay them on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from liveassist.app.songfile import CLOCK_NAME, ClockRows, read_song
from liveassist.model import ClockState, ClockWord, Kit, Snapshot
from liveassist.rolling.songclock import SongClock, timing
from liveassist.song import ClockTiming, beat_at, code_at

if TYPE_CHECKING:
    from liveassist.output.surface_model import MidiPort

#: Another recorder's clock is followed when the one before has said nothing for so long, seconds.
SILENT_S = 3.0
#: How often the timing of hits is worked out anew, seconds of the session.
TIMING_EVERY_S = 1.0

Words = Callable[[], Mapping["MidiPort", Sequence[ClockWord]]]


@dataclass(slots=True)
class _Recorder:
    """One port that keeps time."""

    clock: SongClock
    rows: ClockRows = field(default_factory=ClockRows)
    heard_s: float = float("-inf")
    words: int = 0


class SongTiming:
    """Called on the thread that feeds the session. ``words`` gives what was said since the last
    call; ``time_of`` the moment of the session that a moment of the monotonic clock is.
    ``going_on``: folder of a session that is gone on with, whose runs of the clock are counted on.
    """

    def __init__(self, words: Words, kit: Kit, going_on: Path | None = None) -> None:
        self._words = words
        self._first_run = 0
        earlier = None if going_on is None else read_song(going_on / CLOCK_NAME)
        if earlier is not None:
            self._first_run = max((beat.run for beat in earlier.beats), default=-1) + 1
        self._judged = [drum.name for drum in kit.drums if drum.judged]
        self._recorders: dict[MidiPort, _Recorder] = {}
        self._port: MidiPort | None = None
        self._timing: Mapping[str, ClockTiming] = {}
        self._timed_s = float("-inf")
        self.time_of: Callable[[float], float | None] = lambda _moment_s: None

    def look(self) -> None:
        """Take in what was said; what cannot be placed in the session is let go."""
        for port, words in self._words().items():
            recorder = self._recorders.setdefault(port, _Recorder(SongClock(self._first_run)))
            for word in words:
                time_s = self.time_of(word.time_s)
                if time_s is not None:
                    recorder.clock.hear(replace(word, time_s=time_s))
                    recorder.heard_s = max(recorder.heard_s, time_s)
                    recorder.words += 1
        self._choose()

    def _choose(self) -> None:
        """The clock that is followed: the one before, unless it is silent and another is not."""
        newest = max((one.heard_s for one in self._recorders.values()), default=0.0)
        if self._port is not None and self._recorders[self._port].heard_s > newest - SILENT_S:
            return
        heard = [port for port, one in self._recorders.items() if one.words]
        self._port = max(heard, key=lambda port: self._recorders[port].heard_s, default=None)

    def shown(self, snapshot: Snapshot) -> Snapshot:
        """The snapshot with what the clock says."""
        if self._port is None:
            return snapshot
        recorder = self._recorders[self._port]
        clock, now_s = recorder.clock, snapshot.time_s
        speaks = now_s - recorder.heard_s < SILENT_S
        beat = beat_at(clock.beats, now_s) if speaks and clock.running else None
        code = code_at(clock.codes, now_s)
        if now_s - self._timed_s >= TIMING_EVERY_S:
            self._timed_s = now_s
            self._timing = {drum: self._of(drum, clock, snapshot) for drum in self._judged}
        state = ClockState(
            source=self._port.name,
            running=clock.running and speaks,
            tempo_bpm=clock.tempo_bpm if speaks else None,
            beat=beat,
            bar=None if beat is None else int(beat // self._port.beats_a_bar) + 1,
            jitter_ms=clock.jitter_ms if speaks else None,
            time_code_s=None if code is None else code.code_s,
            frames_per_s=None if code is None else code.frames_per_s,
            timing=self._timing,
        )
        return replace(snapshot, clock=state)

    def _of(self, drum: str, clock: SongClock, snapshot: Snapshot) -> ClockTiming:
        hits = snapshot.recent.get(drum, ())
        main = [hit.time_s for hit in hits if hit.role in ("main", "weak")]
        return timing(clock.beats, main)

    def files(self) -> Mapping[str, str]:
        """clock.csv, if a clock or time code was heard."""
        if self._port is None:
            return {}
        recorder = self._recorders[self._port]
        clock = recorder.clock
        if not clock.beats and not clock.codes:
            return {}
        return {CLOCK_NAME: recorder.rows.text(clock.beats, clock.codes, self._port.beats_a_bar)}
