"""A lug walk, block by block: hears taps beside each lug in turn and compares them.

Blocks and commands in, `LugView` out; no device, no clock, no terminal, so that a recording and an
interface run the same code and the same audio gives the same taps at any block size.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from liveassist.advise.tuning_lugs import LEAST_LUGS, MOST_LUGS, LugWalk, lug_walk
from liveassist.detect.onset import OnsetDetector
from liveassist.hearing import CHUNK_HOPS, FULL_SCALE
from liveassist.history import History
from liveassist.measure.partials import TAP_LISTEN_S, tap_partials
from liveassist.model import Block, Candidate, Drum, Kit, Partial
from liveassist.output.lugs import LugRow, LugView
from liveassist.rechunk import Chunk, Rechunk
from liveassist.spectra import Grid
from liveassist.units import amplitude_to_dbfs

#: Taps wanted beside each lug.
TAPS = 2
#: A tap is measured when so much after it has been heard, s.
AFTER_S = TAP_LISTEN_S + 0.05
#: The shortest ring a tap may have before something else sounds, s.
ALONE_S = 0.35
#: Onsets in this span are one tap, s.
ONE_TAP_S = 0.045
#: A tap rises by so much over what was heard just before it, and is no softer than this.
RISE = 4.0
FAINTEST_DBFS = -60.0
HISTORY_S = 3.0
#: Taps remembered of one lug; older ones are forgotten first.
MOST_TAPS = 9


class LugWalker:
    """Walks once around ``drum`` of ``kit``; ``lugs`` as many as it has, ``taps`` at each."""

    def __init__(
        self, kit: Kit, drum: Drum, lugs: int, sample_rate_hz: int, taps: int = TAPS
    ) -> None:
        if drum.own is None:
            raise ValueError("a drum without a microphone of its own cannot be walked")
        if not LEAST_LUGS <= lugs <= MOST_LUGS:
            raise ValueError(f"a drum has {LEAST_LUGS} to {MOST_LUGS} lugs")
        self._drum, self._lugs, self._wanted = drum, lugs, taps
        self._rate = sample_rate_hz
        self._own = kit.mic_index(drum.own)
        self._mics = [i for i, mic in enumerate(kit.mics) if mic.type == "acoustic"]
        grid = Grid(sample_rate_hz)
        self._window = grid.window
        self._detector = OnsetDetector(grid, (self._own,))
        self._history = History(len(kit.mics), round(HISTORY_S * sample_rate_hz))
        self._rechunk = Rechunk(CHUNK_HOPS * grid.hop, len(kit.mics), 2 * sample_rate_hz)
        self._candidates: list[Candidate] = []
        self._last = -(10**9)
        #: Partials of the taps at each lug, by microphone column.
        self._taps: dict[int, list[dict[int, tuple[Partial, ...]]]] = {}
        self._fresh = True
        self._at = 1
        self._said = ""
        self._ended = False
        #: Which lug was tapped at a time in seconds, where that is known beforehand; None: none.
        self.lug_at: Callable[[float], int | None] | None = None

    @property
    def ended(self) -> bool:
        """Whether somebody ended the walk."""
        return self._ended

    # --- where it stands -----------------------------------------------------------------------

    def view(self) -> LugView:
        """All that is known now."""
        walk = self._walk()
        rows = tuple(
            LugRow(lug.number, lug.off_cents, lug.ci, lug.off, lug.taps, lug.reason or "")
            for lug in walk.lugs
        )
        left = self._wanted - len(self._taps.get(self._at, ())) if self._at else 0
        if self._fresh and self._at:
            left = self._wanted
        return LugView(
            self._drum.name, rows, walk.pairs, walk.pitch_hz, self._at, max(0, left), self._said,
            walk.sentence,
        )  # fmt: skip

    def _walk(self) -> LugWalk:
        def heard(column: int) -> list[tuple[int, Sequence[Partial]]]:
            return [(lug, tap[column]) for lug, taps in self._taps.items() for tap in taps]

        others = [heard(column) for column in self._mics if column != self._own]
        return lug_walk(self._lugs, heard(self._own), others)

    # --- what the person asks ------------------------------------------------------------------

    def next(self) -> str:
        """Go on to the next lug."""
        return self.go(self._at % self._lugs + 1)

    def back(self) -> str:
        """Go back to the lug before."""
        return self.go((self._at - 2) % self._lugs + 1)

    def again(self) -> str:
        """Measure the present lug anew."""
        return self.go(self._at or 1)

    def go(self, lug: int) -> str:
        """Go to a lug; what was heard there is replaced by the next taps. ValueError if none."""
        if not 1 <= lug <= self._lugs:
            raise ValueError(f"lug numbers run from 1 to {self._lugs}")
        self._at, self._fresh = lug, True
        self._said = f"Tap beside lug {lug}."
        return self._said

    def end(self) -> str:
        """End the walk."""
        self._ended = True
        return "ended"

    # --- blocks in -----------------------------------------------------------------------------

    def feed(self, block: Block) -> bool:
        """Take in a block; whether a tap was heard."""
        return self._chunks(self._rechunk.feed(block))

    def finish(self) -> bool:
        """The recording is over: judge what was still to ring."""
        return self._chunks(self._rechunk.pad(round((AFTER_S + 0.1) * self._rate)))

    def _chunks(self, chunks: Sequence[Chunk]) -> bool:
        heard = False
        for chunk in chunks:
            heard |= self._chunk(chunk)
        return heard

    def _chunk(self, chunk: Chunk) -> bool:
        if chunk.first_sample != self._history.end:
            self._history.reset(chunk.first_sample)
            self._detector.reset(chunk.first_sample)
            self._candidates.clear()
        self._history.push(chunk.audio)
        self._candidates += self._detector.feed(chunk.audio)
        ripe = self._history.end - round(AFTER_S * self._rate)
        heard = False
        while self._candidates and self._candidates[0].sample <= ripe:
            first = self._candidates[0]
            near = first.sample + round(ONE_TAP_S * self._rate)
            group = [c for c in self._candidates if c.sample <= near]
            self._candidates = [c for c in self._candidates if c.sample > near]
            heard |= self._judge(max(group, key=lambda c: c.strength_db).sample)
        return heard

    def _judge(self, at: int) -> bool:
        """Take a tap in, or say why not; whether there was one."""
        peak = self._most(at - self._window, at + round(0.040 * self._rate))
        before = self._most(at - 3 * self._window, at - self._window)
        faint = amplitude_to_dbfs(peak) < FAINTEST_DBFS
        if faint or peak <= RISE * before or at - self._last < ALONE_S * self._rate:
            return False
        self._last = at
        if self.lug_at is not None:
            lug = self.lug_at(at / self._rate)
            if lug is None:
                return False
            self._at, self._fresh = lug, lug not in self._taps
        if not self._at:
            self._said = "All lugs are measured: go to one first to measure it anew."
            return True
        later = (c.sample - at for c in self._candidates if self._loud(c, peak))
        clear_s = min(later, default=10**9) / self._rate
        fault = ""
        if peak >= FULL_SCALE:
            fault = "it clips; tap softer"
        elif clear_s < ALONE_S:
            fault = "something followed at once; let the head ring"
        tap = {} if fault else self._partials(at, peak, clear_s)
        if not fault and not tap[self._own]:
            fault = "it rings too little; take damping off and tap nearer to the rim"
        if fault:
            self._said = f"Lug {self._at}: not taken, {fault}."
            return True
        self._take(tap)
        return True

    def _loud(self, candidate: Candidate, peak: float) -> bool:
        """Whether an onset after a tap is loud enough to spoil its ring."""
        near = self._most(candidate.sample - self._window, candidate.sample + self._window)
        return near > 0.1 * peak

    def _take(self, tap: dict[int, tuple[Partial, ...]]) -> None:
        if self._fresh:
            self._taps[self._at] = []
        self._fresh = False
        taps = self._taps[self._at]
        taps.append(tap)
        del taps[:-MOST_TAPS]
        left = self._wanted - len(taps)
        if left > 0:
            self._said = f"Lug {self._at}: heard, {left} more."
            return
        done, self._at = self._at, self._next_open()
        self._fresh = True
        more = f" Tap beside lug {self._at}." if self._at else " All lugs are measured."
        self._said = f"Lug {done}: done.{more}"

    def _next_open(self) -> int:
        """The next lug without taps, counting on from the present one; 0 where there is none."""
        order = [(self._at + step) % self._lugs + 1 for step in range(self._lugs)]
        return next((lug for lug in order if lug not in self._taps), 0)

    def _partials(self, at: int, peak: float, clear_s: float) -> dict[int, tuple[Partial, ...]]:
        lead = round(0.010 * self._rate)
        first = at - self._window
        own = np.abs(self._history.view(first, at + round(0.040 * self._rate))[:, self._own])
        onset = first + int(np.argmax(own >= 0.1 * peak))
        audio = self._history.view(onset - lead, onset + round(AFTER_S * self._rate))
        return {
            column: tap_partials(
                audio[:, column].astype(np.float64), self._rate, self._drum.kind, lead, clear_s
            )
            for column in self._mics
        }

    def _most(self, first: int, last: int) -> float:
        return float(np.abs(self._history.view(first, last)[:, self._own]).max(initial=0.0))
