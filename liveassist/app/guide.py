"""A soundcheck that is guided: which drum to hit next, how many more, and whether each was clean.

Blocks in, sentences out; no device, no clock, no terminal. `learned` gives what a recording of the
same hits would have taught.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from liveassist.attribute.corrections import SAME_DB, distances_db, print_of
from liveassist.attribute.explain import Explainer
from liveassist.attribute.signature import Learned, exemplar, gather
from liveassist.detect.onset import OnsetDetector
from liveassist.hearing import CHUNK_HOPS, FULL_SCALE
from liveassist.history import History
from liveassist.learning import APART_S, CLEAR, GROUPS, MIN_HITS, noise_floor
from liveassist.model import Block, Candidate, Kit
from liveassist.offset import OffsetRemover
from liveassist.rechunk import Rechunk
from liveassist.spectra import Grid, Power
from liveassist.units import amplitude_to_dbfs

#: Clean hits wanted of each drum, soft to hard.
WANTED = 8
#: Quiet listened to first, to know the room's noise, s.
QUIET_S = 2.0
#: A hit is judged when this much after it has been heard, s: its ring belongs to it.
AFTER_S = 0.40
#: Onsets in this span are one stroke, s.
ONE_STROKE_S = 0.045
#: What begins within this of a hit, and is this loud against it, spoils it (-20 dB).
ALONE_S = 0.35
SPOILS = 0.1
#: Strength of an onset from which it is a stroke, dB; what a head or a cymbal does by itself
#: after being hit is weaker.
STRIKES_DB = 45.0
#: Share of `SAME_DB` within which a drum without a microphone of its own counts as another.
UNOWNED = 0.5
#: Strokes of one drum, soft to hard, differ by less than this from the two nearest, dB.
UNLIKE_DB = 8.0
#: The hits of a drum are to span this much from soft to hard, dB; so many more are asked for.
SPAN_DB = 10.0
MOST_EXTRA = 4
#: A candidate this far under full scale is no hit on purpose, dBFS.
FAINTEST_DBFS = -66.0
HISTORY_S = 3.0


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence for the person; ``hit``: whether it is about a hit, ``clean`` if it counted."""

    sentence: str
    hit: bool = False
    clean: bool = False


@dataclass(slots=True)
class _Part:
    """What is known of one drum so far."""

    mic: int | None
    hits: list[Power] = field(default_factory=list)
    prints: list[Power] = field(default_factory=list)
    peaks_dbfs: list[float] = field(default_factory=list)
    skipped: bool = False


class Guide:
    """Leads through the drums of ``kit`` in its order."""

    def __init__(self, kit: Kit, sample_rate_hz: int, quiet_s: float = QUIET_S) -> None:
        self._kit = kit
        self._rate = sample_rate_hz
        self._grid = Grid(sample_rate_hz)
        self._heard = [i for i, mic in enumerate(kit.mics) if mic.type == "acoustic"]
        self._detector = OnsetDetector(self._grid, tuple(self._heard))
        self._explainer = Explainer(self._grid)
        self._history = History(len(kit.mics), round(HISTORY_S * sample_rate_hz))
        size = CHUNK_HOPS * self._grid.hop
        self._rechunk = Rechunk(size, len(kit.mics), 2 * sample_rate_hz)
        self._offset = OffsetRemover(size, len(kit.mics))
        self._quiet_left = round(quiet_s * sample_rate_hz)
        self._quiet: list[npt.NDArray[np.float32]] = []
        self._noise: Power | None = None
        self._parts = {
            drum.name: _Part(kit.mic_index(drum.own) if drum.own else None) for drum in kit.drums
        }
        self._at = 0
        self._candidates: list[Candidate] = []
        self._last = -(10**9)

    # --- what is asked -----------------------------------------------------------------------

    @property
    def drum(self) -> str | None:
        """The drum to be hit now; None: all are done."""
        names = list(self._parts)
        return names[self._at] if self._at < len(names) else None

    @property
    def finished(self) -> bool:
        """Whether every drum was learned or skipped."""
        return self.drum is None

    @property
    def listened(self) -> bool:
        """Whether the room has been heard, so that hits count."""
        return self._noise is not None

    @property
    def needed(self) -> int:
        """Clean hits of the present drum that are still needed."""
        return 0 if self.drum is None else self._missing(self._parts[self.drum])

    def asks(self) -> str:
        """What the person is to do now."""
        if self._noise is None:
            return "Be quiet for a moment: listening to the room."
        if self.drum is None:
            return "All drums are done."
        part = self._parts[self.drum]
        many = "hit" if self.needed == 1 else "hits"
        return f"{self.drum}: {self.needed} more {many}, {self._how(part)}; a second between them."

    def learned(self) -> Learned:
        """What was learned so far; drums with too few clean hits are left out, with a note."""
        assert self._noise is not None, "nothing has been heard yet"
        learned = Learned(tuple(mic.name for mic in self._kit.mics), self._noise)
        for name, part in self._parts.items():
            if part.mic is not None and len(part.hits) >= MIN_HITS:
                learned.signatures[name] = gather(name, part.mic, part.hits, GROUPS)
            else:
                why = "skipped" if part.skipped else f"{len(part.hits)} clean hits"
                learned.notes[name] = f"{name} was not learned: {why}, {MIN_HITS} needed"
        return learned

    # --- what the person does ----------------------------------------------------------------

    def redo(self) -> Said:
        """Begin the present drum again; where it has no hit yet, go back to the one before."""
        names = list(self._parts)
        if self.drum is None or (not self._parts[self.drum].hits and self._at > 0):
            self._at -= 1
        drum = self._kit.drum(names[self._at])
        self._parts[drum.name] = _Part(self._kit.mic_index(drum.own) if drum.own else None)
        return Said(f"{drum.name}: from the beginning.")

    def skip(self) -> Said:
        """Leave the present drum out, or take what there is of it if that is enough."""
        if self.drum is None:
            return Said("All drums are done.")
        name, part = self.drum, self._parts[self.drum]
        self._at += 1
        if len(part.hits) >= MIN_HITS:
            return Said(f"{name}: learned from {len(part.hits)} hits.")
        part.skipped = True
        return Said(f"{name}: skipped.")

    # --- blocks in ---------------------------------------------------------------------------

    def feed(self, block: Block) -> list[Said]:
        """Take in a block; what is to be said."""
        said: list[Said] = []
        for chunk in self._rechunk.feed(self._offset.feed(block)):
            if chunk.first_sample != self._history.end:
                self._history.reset(chunk.first_sample)
                self._detector.reset(chunk.first_sample)
                self._candidates.clear()
            self._history.push(chunk.audio)
            found = self._detector.feed(chunk.audio)
            if self._noise is None:
                self._listen(chunk.audio, said)
                continue
            self._candidates += found
            self._judge_ripe(said)
        return said

    def _listen(self, audio: npt.NDArray[np.float32], said: list[Said]) -> None:
        self._quiet.append(audio)
        self._quiet_left -= len(audio)
        if self._quiet_left <= 0:
            self._noise = noise_floor(self._grid, np.concatenate(self._quiet))
            self._quiet.clear()
            said.append(Said(self.asks()))

    def _judge_ripe(self, said: list[Said]) -> None:
        ripe = self._history.end - round(AFTER_S * self._rate)
        while self._candidates and min(c.sample for c in self._candidates) <= ripe:
            first = min(self._candidates, key=lambda c: c.sample)
            near = first.sample + round(ONE_STROKE_S * self._rate)
            group = [c for c in self._candidates if c.sample <= near]
            self._candidates = [c for c in self._candidates if c.sample > near]
            if self.drum is not None:
                self._judge(self.drum, group, said)

    def _judge(self, name: str, group: Sequence[Candidate], said: list[Said]) -> None:
        part = self._parts[name]
        mic = part.mic
        if mic is None:
            sample = group[0].sample
            mic = max(self._heard, key=lambda m: self._peak(sample, m))
        mine = [c for c in group if c.mic == mic]
        if not mine:
            return
        # A stand that creaks as the arm comes down is not the stroke: the strongest is.
        at = max(mine, key=lambda c: c.strength_db).sample
        peak = self._peak(at, mic)
        before = self._most(at - 3 * self._grid.window, at - self._grid.window, mic)
        faint = amplitude_to_dbfs(peak) < FAINTEST_DBFS
        if faint or peak <= CLEAR * before or at - self._last < APART_S * self._rate:
            return  # the head beating, a bounce, a creak: not worth a word
        soon = at - self._last < ALONE_S * self._rate
        self._last = at
        heard = self._explainer.hear(self._history.array, self._history.row(at))
        fault = self._fault(name, mic, at, peak, heard)
        if soon and not fault:
            fault = "it came too soon after the one before"
        level = amplitude_to_dbfs(peak)
        if fault:
            said.append(Said(f"{name} {level:.0f} dBFS: not taken, {fault}.", hit=True))
            return
        part.mic = mic
        part.hits.append(self._exemplar(at, mic, peak))
        part.prints.append(print_of(heard, mic)[0])
        part.peaks_dbfs.append(level)
        said.append(Said(f"{name} {level:.0f} dBFS: clean, {self.needed} more.", True, True))
        if not self.needed:
            self._at += 1
            soft, hard = min(part.peaks_dbfs), max(part.peaks_dbfs)
            span = f"from {soft:.0f} to {hard:.0f} dBFS"
            narrow = "" if hard - soft >= SPAN_DB else "; softer and harder hits were not heard"
            said.append(Said(f"{name} is learned, {span}{narrow}. {self.asks()}"))

    def _fault(self, name: str, mic: int, at: int, peak: float, heard: Power) -> str:
        """Why a hit is not clean; empty if it is."""
        if peak >= FULL_SCALE:
            return "it clips: turn the preamplifier down and redo this drum"
        soon, late = (at + round(span * self._rate) for span in (ONE_STROKE_S, ALONE_S))
        for other in self._candidates:
            if soon < other.sample < late and other.strength_db >= STRIKES_DB:
                loud = self._peak(other.sample, other.mic)
                # A microphone that barely heard the hit may hear anything else as loud.
                if loud > SPOILS * max(self._peak(at, other.mic), 0.3 * peak):
                    return "something else followed at once"
        # Drums without a microphone of their own differ less in those of the others.
        nearest = SAME_DB if self._kit.drum(name).own else SAME_DB * UNOWNED
        own = self._parts[name]
        if own.prints and own.mic == mic:
            away = self._away(own, heard)
            nearest = min(nearest, away)
            if len(own.prints) >= MIN_HITS and away > UNLIKE_DB:
                return "it sounds unlike the hits before it"
        for drum, part in self._parts.items():
            if drum != name and len(part.prints) >= MIN_HITS and self._away(part, heard) < nearest:
                return f"it sounds like {drum}"
        return ""

    def _away(self, part: _Part, heard: Power) -> float:
        """How unlike the part's hits this one sounds, dB: mean of the two nearest."""
        assert part.mic is not None
        shown, _ = print_of(heard, part.mic)
        away = distances_db(shown, np.stack(part.prints), part.mic)
        return float(np.sort(away)[:2].mean())

    def _exemplar(self, at: int, mic: int, peak: float) -> Power:
        assert self._noise is not None
        grid = self._grid
        first = at - grid.window
        span = np.abs(self._history.view(first, at + round(0.040 * self._rate))[:, mic])
        onset = first + int(np.argmax(span >= 0.1 * peak))
        audio = self._history.view(onset - 64 * grid.fine, onset + 320 * grid.fine + grid.window)
        return exemplar(grid, audio, 64 * grid.fine, self._noise, len(audio))

    def _peak(self, sample: int, mic: int) -> float:
        return self._most(sample - self._grid.window, sample + round(0.040 * self._rate), mic)

    def _most(self, first: int, last: int, mic: int) -> float:
        return float(np.abs(self._history.view(first, last)[:, mic]).max(initial=0.0))

    def _missing(self, part: _Part) -> int:
        got = len(part.hits)
        if got < WANTED:
            return WANTED - got
        narrow = max(part.peaks_dbfs) - min(part.peaks_dbfs) < SPAN_DB
        return 1 if narrow and got < WANTED + MOST_EXTRA else 0

    def _how(self, part: _Part) -> str:
        got = len(part.hits)
        if got >= WANTED:
            return "much softer or harder than before"
        return ("soft", "middling", "hard")[min(2, got * 3 // WANTED)]
