"""The session laid on the recorder's metronome, where the kit has a channel that carries it.

Samples of that channel go to `detect.clicks` and `rolling.clickbeats`, never to what hears drums.
Kept as ``click.csv`` beside the hits, which `takes`, `report` and `export` lay them on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from liveassist.app.clickfile import CLICK_NAME, click_csv, read_click
from liveassist.model import Block, ClockState, Kit, Snapshot
from liveassist.rolling.clickbeats import ClickBeats
from liveassist.rolling.songclock import timing
from liveassist.song import ClockTiming, beat_at

if TYPE_CHECKING:
    from liveassist.detect.clicks import ClickDetector

#: How often the timing of hits is worked out anew, seconds of the session.
TIMING_EVERY_S = 1.0
#: Beats a bar where neither accents nor anybody say them.
USUAL_BEATS = 4


class ClickTiming:
    """Called on the thread that feeds the session; ``kit`` has a click. ``going_on``: folder of a
    session that is gone on with, whose runs of the metronome are counted on."""

    def __init__(self, kit: Kit, sample_rate_hz: int, going_on: Path | None = None) -> None:
        assert kit.click is not None
        self._name = kit.click.name
        self._judged = [drum.name for drum in kit.drums if drum.judged]
        earlier = None if going_on is None else read_click(going_on / CLICK_NAME)
        first_run = 0 if earlier is None else max(earlier.metres) + 1
        self._beats = ClickBeats(first_run)
        # Its filters take a while to load, and few kits have a metronome.
        from liveassist.detect.clicks import ClickDetector

        self._detector: ClickDetector = ClickDetector(sample_rate_hz)
        self._rate = sample_rate_hz
        self._timing: Mapping[str, ClockTiming] = {}
        self._timed_s = float("-inf")

    def hear(self, block: Block) -> None:
        """Take in the next block of the session."""
        if block.click is None:
            return
        if block.first_sample != self._detector.end:
            self._detector.reset(block.first_sample)
        for click in self._detector.feed(block.click):
            self._beats.hear(click)
        # What the detector has not decided yet may still come.
        self._beats.advance(self._detector.end / self._rate - self._detector.delay_s)

    def finish(self) -> None:
        """No more audio will come."""
        self._beats.finish()

    def shown(self, snapshot: Snapshot) -> Snapshot:
        """The snapshot with what the metronome says, where no MIDI clock says it."""
        beats = self._beats.beats
        if snapshot.clock is not None or not beats:
            return snapshot
        now_s = snapshot.time_s
        if now_s - self._timed_s >= TIMING_EVERY_S:
            self._timed_s = now_s
            self._timing = {
                drum: timing(
                    beats,
                    [
                        hit.time_s
                        for hit in snapshot.recent.get(drum, ())
                        if hit.role in ("main", "weak")
                    ],
                )
                for drum in self._judged
            }
        running = self._beats.running
        beat = beat_at(beats[-16:], now_s) if running else None
        a_bar = self._beats.beats_a_bar or USUAL_BEATS
        state = ClockState(
            source=self._name,
            running=running,
            tempo_bpm=self._beats.tempo_bpm,
            beat=beat,
            bar=None if beat is None else max(1, int(beat // a_bar) + 1),
            jitter_ms=self._beats.jitter_ms,
            timing=self._timing,
        )
        return replace(snapshot, clock=state)

    def files(self) -> Mapping[str, str]:
        """click.csv, if a metronome was heard."""
        return {CLICK_NAME: click_csv(self._beats.runs)} if self._beats.runs else {}


def click_timing(kit: Kit, sample_rate_hz: int, going_on: Path | None = None) -> ClickTiming | None:
    """One for ``kit``; None where it has no channel for the metronome."""
    return None if kit.click is None else ClickTiming(kit, sample_rate_hz, going_on)
