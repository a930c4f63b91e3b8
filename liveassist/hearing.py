"""From chunks of audio to hits: detection, attribution and level, in the order a block takes.

Works on chunks of a fixed number of samples at fixed places in the stream (`Rechunk`), so that the
same audio gives the same hits at any block size.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from liveassist.attribute.attributor import Attributor
from liveassist.attribute.corrections import likeliest
from liveassist.attribute.early import Early, EarlyWatch
from liveassist.attribute.gains import GainWatch
from liveassist.attribute.judge import confidence
from liveassist.attribute.signature import Learned, Signature
from liveassist.attribute.stale import Seen, StaleWatch
from liveassist.attribute.student import Student
from liveassist.attribute.verdict import Verdict, masks
from liveassist.detect.onset import OnsetDetector
from liveassist.history import History
from liveassist.lookback import LookBack
from liveassist.measure.level import MASK_STARTS, PEAK_SPAN_S, Alone, measure_alone
from liveassist.model import Block, Hit, Kit
from liveassist.rechunk import Chunk
from liveassist.spectra import Grid
from liveassist.units import amplitude_to_dbfs

Audio = npt.NDArray[np.float32]

#: Hops in a chunk: 46 ms at 44.1 kHz. Longer chunks cost less and report later.
CHUNK_HOPS = 16
#: History kept, s: the tail of a hit (0.25 s), partials (0.7 s) and slack.
HISTORY_S = 2.0
#: Probability from which a candidate is reported as a hit.
REPORT = 0.5
#: A final hit this near an early report on its drum is the same stroke, s.
EARLY_S = 0.020
#: Audio kept for corrections and the self-audit, s.
LOOK_BACK_S = 8.0
#: A hit that was missed is looked for in the last seconds, s: hearing it and reaching for a key.
MISSED_S = 2.5
#: Reported hits that can still be taken back.
MOST_REPORTED = 64
#: Share of a microphone's power from which a hit's level there is measured, not bounded.
MEASURABLE = 0.5
#: Where a drum was learned on the way: level in another microphone above what its strokes have in
#: common, from which something else is taken to have sounded there. Bleed varies by 3 to 6 dB.
ABOVE_COMMON_DB = 4.0
#: A grace note lies this near before its stroke, s, and is this much softer, dB: two strokes
#: further apart than `attributor.SEPARATE_S` are two hits, for their times and levels are a
#: drummer's business; the flag keeps the softer one out of ghost notes. Common practice, no source.
FLAM_S = 0.035
FLAM_DB = 4.0
#: An absolute sample value from here on is full scale (16-bit peaks reach 0.99997).
FULL_SCALE = 0.9999


@dataclass(frozen=True, slots=True)
class Heard:
    """What a chunk made known: all that the stages after `Hearing` need of it.

    ``graces``: numbers of the last grace notes; ``seen``: for `stale`, of this chunk.
    """

    hits: tuple[Hit, ...]
    graces: tuple[int, ...]
    sureness: float | None
    seen: tuple[Seen, ...]


class Hearing:
    """Hits of one kit from chunks of audio."""

    def __init__(self, kit: Kit, sample_rate_hz: int, learned: Learned | None = None) -> None:
        self._kit = kit
        self._rate = sample_rate_hz
        self.grid = Grid(sample_rate_hz)
        own = {drum.name: kit.mic_index(drum.own) for drum in kit.drums if drum.own}
        kinds = {drum.name: drum.kind for drum in kit.drums if drum.own}
        if learned is not None:
            learned.check([mic.name for mic in kit.mics])
        seconds = {
            drum: [i for i, mic in enumerate(kit.mics) if mic.of == drum and mic.type == "acoustic"]
            for drum in own
        }
        self._attributor = Attributor(self.grid, own, kinds, len(kit.mics), learned, seconds)
        self._detector = OnsetDetector(self.grid, self._attributor.mics)
        self.history = History(len(kit.mics), round(HISTORY_S * sample_rate_hz))
        self._own = own
        self._number = 0
        self._deaf_until = -1
        self._sure: deque[float] = deque(maxlen=32)
        judged = {drum.name: own[drum.name] for drum in kit.drums if drum.judged}
        self._watch = EarlyWatch(self.grid, judged, kinds, len(kit.mics))
        self._early: dict[str, list[Hit]] = {}
        #: Whether what was learned beforehand still fits; None where nothing was.
        before = {name: s.mic for name, s in (learned.signatures if learned else {}).items()}
        self.stale = StaleWatch(before) if before else None
        #: Gains turned since; None where nothing was learned beforehand.
        self.gains = GainWatch(self.grid, learned) if learned and learned.signatures else None
        self._judged = judged
        self.lookback = LookBack(len(kit.mics), self.chunk, round(LOOK_BACK_S * sample_rate_hz))
        self._reported: deque[tuple[Hit, int]] = deque(maxlen=MOST_REPORTED)
        self._graces: deque[int] = deque(maxlen=MOST_REPORTED)
        self._seen: list[Seen] = []

    @property
    def chunk(self) -> int:
        """Samples in a chunk."""
        return CHUNK_HOPS * self.grid.hop

    @property
    def look_ahead(self) -> int:
        """Samples after an onset until its hit is final, chunking left out."""
        return self._attributor.horizon + round(0.015 * self.grid.sample_rate_hz)

    @property
    def signatures(self) -> dict[str, Signature]:
        """What is known of each drum."""
        return self._attributor.signatures

    @property
    def student(self) -> Student | None:
        """What learns on the way; None where a soundcheck was learned."""
        return self._attributor.student

    @property
    def sureness(self) -> float | None:
        """How sure attribution is, 0 to 1: mean confidence of the last hits; None before any."""
        return float(np.mean(self._sure)) if self._sure else None

    def early(self, block: Block) -> list[Hit]:
        """Early reports from ``block``, at once; `feed` confirms, revises or withdraws them."""
        if block.lost_samples:
            self._watch.reset(block.first_sample)
        found = self._watch.feed(
            block.first_sample, block.audio, self.signatures, self._attributor.noise
        )
        return [self._announce(early) for early in found]

    def number_from(self, last: int) -> None:
        """Number new hits after ``last``, the highest of a session that goes on."""
        self._number = max(self._number, last)

    def _announce(self, early: Early) -> Hit:
        self._number += 1
        hit = Hit(
            number=self._number,
            stage="early",
            drum=early.drum,
            sample=early.sample,
            time_s=early.sample / self.grid.sample_rate_hz,
            peak_dbfs=amplitude_to_dbfs(early.peak),
            heard_peak_dbfs=amplitude_to_dbfs(early.peak),
            confidence=early.share,
        )
        self._early.setdefault(early.drum, []).append(hit)
        return hit

    def _match(self, drum: str, onset: int) -> int | None:
        """Number of the early report this hit confirms; it is then settled."""
        waiting = self._early.get(drum, [])
        near = [hit for hit in waiting if abs(hit.sample - onset) <= EARLY_S * self._rate]
        if not near:
            return None
        hit = min(near, key=lambda hit: abs(hit.sample - onset))
        waiting.remove(hit)
        return hit.number

    def _stale(self, before: int | None) -> list[Hit]:
        """Early reports that no final hit came for: withdrawn."""
        gone = []
        for drum, waiting in self._early.items():
            keep = [hit for hit in waiting if before is not None and hit.sample > before]
            gone += [replace(hit, stage="withdrawn") for hit in waiting if hit not in keep]
            self._early[drum] = keep
        return gone

    def recover(self) -> None:
        """After a fault within: forget what is in flight; go on with the next chunk as after a gap.
        What was learned and reported stays."""
        self._forget(self.history.end)
        self._watch.reset(self.history.end)
        self._deaf_until = self.history.end + 2 * self.grid.window

    def _forget(self, sample: int) -> None:
        self.history.reset(sample)
        self._detector.reset(sample)
        self._attributor.reset()
        if self.gains is not None:
            self.gains.reset()

    def feed(self, chunk: Chunk) -> list[Hit]:
        """Final hits that ``chunk`` made certain, their detail still missing.

        Stage ``revised`` where an early report went before, ``early`` where none did; early
        reports that turned out wrong come back ``withdrawn``.
        """
        self._seen = []
        if chunk.first_sample != self.history.end:
            self._forget(chunk.first_sample)
        self.history.push(chunk.audio)
        self.lookback.push(chunk.first_sample, chunk.audio)
        candidates = self._detector.feed(chunk.audio)
        if chunk.lost:
            # What begins within a window of a hole began because the hole ended.
            self._deaf_until = self.history.end + 2 * self.grid.window
        if self._deaf_until >= 0:
            candidates = [
                c
                for c in candidates
                if not chunk.first_sample - self.grid.window < c.sample < self._deaf_until
            ]
            if chunk.first_sample > self._deaf_until:
                self._deaf_until = -1
        turned = self.gains.feed(self.history, candidates) if self.gains is not None else None
        if turned is not None:
            self._attributor.turn(turned)
        hits = self._report(self._attributor.feed(self.history, candidates))
        settled = self.history.end - self.look_ahead - self.chunk
        return [*hits, *self._stale(settled)]

    def finish(self) -> list[Hit]:
        """Hits still held at the end."""
        self._seen = []
        return [*self._report(self._attributor.finish()), *self._stale(None)]

    def heard(self, hits: Sequence[Hit]) -> Heard:
        """``hits``, which `feed` or `finish` gave last, with all else that came out of it."""
        return Heard(tuple(hits), tuple(self._graces), self.sureness, tuple(self._seen))

    def _report(self, verdicts: Sequence[Verdict]) -> list[Hit]:
        hits = []
        for verdict in verdicts:
            if verdict.probability >= REPORT:
                hits.append(self._hit(verdict, self.history))
                self._note_graces(hits[-1])
                self._reported.append((hits[-1], verdict.sample))
                if self.stale is not None and verdict.explanation is not None:
                    seen = self.stale.hit(verdict.drum, verdict.probability, verdict.explanation)
                    self._seen += seen
        return hits

    def _note_graces(self, main: Hit) -> None:
        """Remember the grace notes just before ``main`` on its drum."""
        after = main.sample
        for hit, _ in reversed(self._reported):
            if hit.drum != main.drum:
                continue
            soft = (
                hit.peak_dbfs is not None
                and main.peak_dbfs is not None
                and hit.peak_dbfs < main.peak_dbfs - FLAM_DB
            )
            if not soft or not 0 < after - hit.sample <= FLAM_S * self._rate:
                return
            self._graces.append(hit.number)
            after = hit.sample

    def flagged(self, hit: Hit) -> Hit:
        """``hit`` with the flag ``flam`` if a louder stroke showed it to be a grace note; asked
        when it is complete, since its report came before that stroke."""
        if hit.number not in self._graces or "flam" in hit.flags:
            return hit
        return replace(hit, flags=(*hit.flags, "flam"))

    # --- what a person says of single hits ------------------------------------------------------

    def learned(self) -> Learned:
        """All that is known of the kit now, corrections included."""
        mics = tuple(mic.name for mic in self._kit.mics)
        known = {n: s for n, s in self.signatures.items() if not n.startswith("_")}
        kept = list(self._attributor.corrections.kept)
        return Learned(mics, self._attributor.noise, known, corrections=kept)

    def no_hit(self, drum: str | None = None) -> Hit | None:
        """The last hit reported (on ``drum``; None: on a kick or snare) was none: teach that.

        Returns it withdrawn; None if there is none in the last `LOOK_BACK_S`.
        """
        drums = [drum] if drum is not None else list(self._judged)
        for hit, sample in reversed(self._reported):
            if hit.drum not in drums or sample < self.lookback.start:
                continue
            trace = next(
                (
                    trace
                    for trace in reversed(self._attributor.corrections.traces)
                    if trace.drum == hit.drum and trace.sample == sample
                ),
                None,
            )
            self._reported.remove((hit, sample))
            if trace is not None:
                self._attributor.corrections.teach(trace, hit=False)
            self._attributor.unlearn(hit.drum, sample)
            return replace(hit, stage="withdrawn")
        return None

    def missed_hit(self, drum: str | None = None) -> Hit | None:
        """There was a hit (on ``drum``; None: on a kick or snare) that was not reported: teach it.

        The likeliest rejected moment of the last `MISSED_S` is taken and returned as a hit; None
        if nothing began then that could be one.
        """
        drums = [drum] if drum is not None else list(self._judged)
        accepted = [(hit.drum, at) for hit, at in self._reported if hit.drum in self._own]
        since = max(self.lookback.start, self.history.end - round(MISSED_S * self._rate))
        corrections = self._attributor.corrections
        apart = round(EARLY_S * self._rate)
        trace = likeliest(corrections.traces, drums, since, accepted, apart)
        if trace is None:
            return None
        history = self.lookback.history()
        corrections.teach(trace, hit=True)
        self._attributor.learn_at(trace.drum, history, trace.sample)
        verdict = Verdict(trace.drum, trace.mic, trace.sample, 1.0, None, None, 0)
        hit = self._hit(verdict, history)
        self._reported.append((hit, trace.sample))
        return replace(hit, stage="complete", flags=(*hit.flags, "told"))

    def _hit(self, verdict: Verdict, history: History) -> Hit:
        grid = self.grid
        starts = MASK_STARTS * grid.fine
        first = verdict.sample + int(starts[0])
        last = verdict.sample + int(starts[-1]) + grid.window
        audio = history.view(first, last)
        row = verdict.sample - first
        mask = masks(grid, verdict, starts, len(self._kit.mics))
        power = grid.at(audio, row + starts)
        alone = measure_alone(
            grid, audio, row, mask, power, verdict.mic, verdict.explanation is None, MEASURABLE
        )
        onset = verdict.sample + alone.onset
        number = self._match(verdict.drum, onset)
        revised = number is not None
        if number is None:
            self._number += 1
            number = self._number
        owned = verdict.drum in self._own
        flags = []
        span = round(PEAK_SPAN_S * grid.sample_rate_hz)
        if float(np.abs(history.view(onset, onset + span)[:, verdict.mic]).max()) >= FULL_SCALE:
            flags.append("clipped")
        peak = alone.peaks_dbfs[verdict.mic]
        bound = self._bound(verdict, alone)
        self._sure.append(verdict.probability)
        return Hit(
            number=number,
            stage="revised" if revised else "early",
            drum=verdict.drum,
            sample=onset,
            time_s=onset / grid.sample_rate_hz,
            peak_dbfs=peak if owned else None,
            heard_peak_dbfs=alone.heard_dbfs[verdict.mic] if owned else None,
            confidence=confidence(verdict.probability),
            flags=tuple(flags),
            mic_dbfs=_levels(alone, bound),
            mic_heard_dbfs=alone.heard_dbfs,
            mic_bound=bound,
        )

    def _bound(self, verdict: Verdict, alone: Alone) -> tuple[bool, ...]:
        """Microphones in which the hit's level is only bounded by what was heard."""
        if verdict.explanation is None:
            # The first rules say that a drum was hit, not what of the other microphones it did.
            return tuple(column != verdict.mic for column in range(len(alone.shares)))
        common = self.signatures[verdict.drum].common_db
        peak = alone.peaks_dbfs[verdict.mic]
        return tuple(
            column != verdict.mic
            and (
                share < MEASURABLE
                or (common is not None and level - peak > common[column] + ABOVE_COMMON_DB)
            )
            for column, (share, level) in enumerate(
                zip(alone.shares, alone.peaks_dbfs, strict=True)
            )
        )


def _levels(alone: Alone, bound: tuple[bool, ...]) -> tuple[float | None, ...]:
    """Level alone per microphone; where the hit is buried, what was heard bounds it."""
    return tuple(
        heard if buried else peak
        for peak, heard, buried in zip(alone.peaks_dbfs, alone.heard_dbfs, bound, strict=True)
    )
