"""From candidates to hits: one decision a drum and moment, in time order, causal.

A candidate is judged once everything up to `horizon` samples after it has been heard. Candidates
of several microphones within 3 ms share one explanation. A drum speaks at most once in
`SEPARATE_S`: of two candidates closer than that the surer one stays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from liveassist.attribute.bank import Past
from liveassist.attribute.corrections import Corrections
from liveassist.attribute.evidence import rise_db, weigh, worth_judging
from liveassist.attribute.explain import Explainer, Explanation
from liveassist.attribute.judge import probability
from liveassist.attribute.lessons import RINGS_S, TOGETHER_S, Lessons
from liveassist.attribute.played import Played
from liveassist.attribute.signature import Learned, Signature
from liveassist.attribute.student import OTHERS, Student
from liveassist.attribute.untaught import Untaught
from liveassist.attribute.verdict import Verdict
from liveassist.history import History
from liveassist.model import JUDGED_KINDS, Candidate, DrumKind
from liveassist.spectra import Grid, Power

#: Two strokes on one drum are told apart from this distance on; closer ones are one hit
#: (flagged as a flam where the second rise shows). Hirsh (1959): two sounds are told from one
#: at 2 to 3 ms, their order at about 20 ms.
SEPARATE_S = 0.015

COINCIDENT_S = 0.020
#: From this probability on a hit is clear enough to learn from.
SURE = 0.9
#: So few microphones are looked at all at once: two looks would take longer.
FEW_MICS = 16
#: What begins nearby spoils a lesson if it rises this much and is this loud in its microphone.
ONSET_RISE_DB = 25.0
ONSET_LEVEL_DB = -25.0


class Attributor:
    """Judges candidates against signatures, learned beforehand or (``learned`` None) on the way.

    ``own``: drum to the column of the microphone that decides about it: its own, or for a drum
    without one the microphone in which its signature is loudest.
    """

    def __init__(
        self,
        grid: Grid,
        own: dict[str, int],
        kinds: dict[str, DrumKind],
        mics: int,
        learned: Learned | None = None,
        seconds: Mapping[str, Sequence[int]] | None = None,
    ) -> None:
        self._grid = grid
        self._mics = mics
        self._own = dict(own)
        self._seconds = {d: tuple(m) for d, m in (seconds or {}).items() if d in own}
        self._student = Student(grid, self._own, mics)
        # A file that only has corrections is no soundcheck.
        self._learns = learned is None or not learned.signatures
        self.corrections = Corrections(learned.corrections if learned is not None else ())
        if learned is not None and not self._learns:
            self._student.signatures = dict(learned.signatures)
            self._student.noise = learned.noise
            for drum, signature in learned.signatures.items():
                self._own.setdefault(drum, signature.mic)
        self._untaught = Untaught(grid, own, kinds)
        self._kinds = kinds
        self._explainer = Explainer(grid)
        rate = grid.sample_rate_hz
        self._separate = round(SEPARATE_S * rate)
        self._together = round(TOGETHER_S * rate)
        self._coincident = round(COINCIDENT_S * rate)
        self._rings = round(RINGS_S * rate)
        self._waiting: list[Candidate] = []
        self._recent: list[Candidate] = []
        self._held: dict[str, Verdict] = {}
        self._past: list[Past] = []
        self._lessons = Lessons(grid, self._student, kinds)
        self._played = Played(grid.sample_rate_hz)

    @property
    def signatures(self) -> dict[str, Signature]:
        """What is known of each drum so far."""
        return self._student.signatures

    @property
    def student(self) -> Student | None:
        """What learns on the way; None where a soundcheck was learned."""
        return self._student if self._learns else None

    @property
    def noise(self) -> Power:
        """Noise floor (mics, BANDS)."""
        return self._student.noise

    def turn(self, gains: npt.NDArray[np.float64]) -> None:
        """The microphones' power comes with these gains from now on."""
        self._student.turn(gains)

    @property
    def mics(self) -> tuple[int, ...]:
        """Columns in which candidates are wanted."""
        seconds = [mic for mics in self._seconds.values() for mic in mics]
        return tuple(dict.fromkeys([*self._own.values(), *seconds]))

    @property
    def horizon(self) -> int:
        """Samples after a candidate that must have been heard before it is judged."""
        _, after = self._explainer.reach
        return after + 8 * self._grid.hop

    def reset(self) -> None:
        """Forget candidates in flight (after a gap); what was learned stays."""
        self._waiting.clear()
        self._recent.clear()
        self._held.clear()
        self._past.clear()
        self._lessons.forget()

    def feed(self, history: History, candidates: Sequence[Candidate]) -> list[Verdict]:
        """Verdicts that became final; ``history.end`` is how far has been heard."""
        if self._learns:
            self._student.hear(history)
        self._waiting.extend(candidates)
        self._waiting.sort(key=lambda c: (c.sample, c.mic))
        ready = history.end - self.horizon
        done: list[Verdict] = []
        while self._waiting and self._waiting[0].sample <= ready:
            first = self._waiting[0].sample
            group = [c for c in self._waiting if c.sample - first <= self._together]
            if group[-1].sample > ready:
                break
            done.extend(self._release(before=first - self._separate))
            for verdict in self._judge(history, group):
                self._hold(verdict, done)
            self._waiting = self._waiting[len(group) :]
            self._recent.extend(group)
            self._recent = [c for c in self._recent if first - c.sample < self._coincident]
        done.extend(self._release(before=ready - self._separate))
        if self._learns:
            self._lessons.study(history)
        return done

    def finish(self) -> list[Verdict]:
        """What is still held when the audio ends."""
        return self._release(before=None)

    def _judge(self, history: History, group: list[Candidate]) -> list[Verdict]:
        sample = group[0].sample
        row = history.row(sample)
        before, _ = self._explainer.reach
        if row < before:
            return []
        drums = self._asked(group)
        # Many candidates are ripples: look at their own microphones before looking at many.
        some = None if self._mics <= FEW_MICS else sorted({candidate.mic for candidate in group})
        near = self._explainer.hear(history.array, row, some)
        columns = range(self._mics) if some is None else some
        strong = {
            drum: candidate
            for drum, candidate in drums.items()
            if self._worth_judging(drum, near[:, columns.index(candidate.mic)])
        }
        if not strong:
            return []
        heard = near if some is None else self._explainer.hear(history.array, row)
        verdicts: list[Verdict] = []
        relative = self._untaught.listen(heard, self.noise, sample) if self._learns else {}
        known = {d: c for d, c in strong.items() if self._student.ready(d)}
        left = heard
        if known or (self._learns and any(self._student.ready(d) for d in self._kinds)):
            explanation = self._explain(heard, sample, drums, known)
            verdicts = self._by_signature(explanation, known)
            left = explanation.unexplained()
        if self._learns:
            strangers = {
                d: c
                for d, c in strong.items()
                if d not in known and d in self._kinds and c.mic == self._own[d]
            }
            familiar = {self._own[d] for d in self._kinds if self._student.ready(d)}
            told = self._untaught.judge(
                heard, left, self.noise, sample, strangers, relative, familiar, self._waiting
            )
            for verdict, sure in told:
                verdicts.append(verdict)
                if sure:
                    self._lessons.sure(verdict.drum, verdict.sample)
        verdicts = self._corrected(verdicts, heard)
        if self._learns:
            if any(
                rise_db(heard[:, c.mic]) >= ONSET_RISE_DB
                and relative.get(c.mic, -99.0) > ONSET_LEVEL_DB
                for c in strong.values()
            ):
                self._lessons.onset(sample)
            self._note_lessons(sample, heard, verdicts, relative)
        return verdicts

    def _corrected(self, verdicts: list[Verdict], heard: Power) -> list[Verdict]:
        """The verdicts with what a person taught; remembered, so that they can be corrected."""
        out = []
        for verdict in verdicts:
            sure = self.corrections.judged(
                verdict.drum, verdict.mic, verdict.sample, verdict.probability, heard
            )
            if sure != verdict.probability:
                verdict = replace(verdict, probability=sure)
                if sure < 0.5:
                    self.unlearn(verdict.drum, verdict.sample)
            out.append(verdict)
        return out

    def unlearn(self, drum: str, sample: int) -> None:
        """Take nothing as a lesson that lies at ``sample`` and was no hit on ``drum``."""
        self._lessons.withdraw(drum, sample)
        self._student.unlearn(drum, sample, self._coincident)

    def learn_at(self, drum: str, history: History, sample: int) -> None:
        """Take the hit on ``drum`` at ``sample`` as one more example of how it sounds."""
        self._student.told(drum, history, sample)

    def _asked(self, group: list[Candidate]) -> dict[str, Candidate]:
        """Drums whose own or second microphone has a candidate; the own one's is preferred."""
        drums = {
            drum: candidate
            for candidate in group
            for drum, mics in self._seconds.items()
            if candidate.mic in mics
        }
        for candidate in group:
            for drum, mic in self._own.items():
                if mic == candidate.mic:
                    drums[drum] = candidate
        return drums

    def _worth_judging(self, drum: str, heard: Power) -> bool:
        """Whether the drum's microphone (slabs, BANDS) rose, and is loud enough, for a hit."""
        signature = self.signatures.get(drum)
        usual = None if signature is None else signature.usual_power
        return worth_judging(heard, self._kinds.get(drum, "cymbal"), usual)

    def _explain(
        self,
        heard: Power,
        sample: int,
        drums: dict[str, Candidate],
        known: dict[str, Candidate],
    ) -> Explanation:
        return self._explainer.explain(
            heard,
            self._student.noise,
            sample,
            self.signatures,
            self._now(sample, drums),
            self._later(sample),
            [p for p in self._past if 0 < sample - p.sample < self._rings],
            {drum: self._own[drum] for drum in known},
            self._beside(sample, known),
        )

    def _beside(self, sample: int, known: dict[str, Candidate]) -> list[tuple[str, int, int]]:
        """Drums whose own microphone began too, as bleed in the microphone of one judged: with a
        gain of its own there, since a gain turned after the soundcheck changes nothing else."""
        out: list[tuple[str, int, int]] = []
        for judged in known:
            if self._kinds.get(judged) not in JUDGED_KINDS:
                continue
            mic = self._own[judged]
            for drum, own in self._own.items():
                if drum == judged or own == mic or drum not in self.signatures:
                    continue
                near = self._near(sample, own)
                if near is not None and self._kinds.get(drum) in JUDGED_KINDS:
                    out.append((drum, near - sample, mic))
        return out

    def _by_signature(self, explanation: Explanation, known: dict[str, Candidate]) -> list[Verdict]:
        verdicts = []
        for drum, candidate in known.items():
            mic = self._own[drum]
            mics = (mic, *self._seconds.get(drum, ()))
            usual = self.signatures[drum].usual_power
            evidence = weigh(explanation, drum, mics, usual, candidate.strength_db)
            offset = explanation.place(drum, mic, candidate.sample - explanation.sample)
            kick = self._kinds.get(drum) == "kick"
            sure = probability(evidence, kick, self.signatures[drum].solid)
            sample = explanation.sample + offset
            if kick:
                sure = self._played.judged(drum, sure, evidence.level_db, sample)
            verdicts.append(Verdict(drum, mic, sample, sure, evidence, explanation, offset))
        return verdicts

    def _note_lessons(
        self, sample: int, heard: Power, verdicts: list[Verdict], relative: dict[int, float]
    ) -> None:
        for verdict in verdicts:
            if verdict.explanation is not None and verdict.probability > SURE:
                self._lessons.sure(verdict.drum, verdict.sample)
        if all(v.probability < 0.3 for v in verdicts) and max(relative.values()) < -6.0:
            # Nothing that is known: the sound of the rest of the kit, if it is loud enough.
            snares = [m for d, m in self._own.items() if self._kinds.get(d) == "snare"]
            if any(relative[m] > -36.0 and rise_db(heard[:, m]) > 30.0 for m in snares):
                self._lessons.sure(OTHERS, sample)

    def _now(self, sample: int, drums: dict[str, Candidate]) -> dict[str, int | None]:
        now: dict[str, int | None] = {}
        for drum in self.signatures:
            if drum in drums:
                now[drum] = drums[drum].sample - sample
            elif drum in self._own:
                near = self._near(sample, self._own[drum])
                near = sample if near is None else near
                taken = any(
                    p.drum == drum and abs(p.sample - near) < self._separate for p in self._past
                )
                if not taken:
                    now[drum] = near - sample
            else:
                now[drum] = None
        return now

    def _near(self, sample: int, mic: int) -> int | None:
        """Where microphone ``mic`` has its candidate nearest to ``sample``; None if none is."""
        near = [
            c.sample
            for c in (*self._recent, *self._waiting)
            if c.mic == mic and abs(c.sample - sample) < self._coincident
        ]
        return min(near, key=lambda at: abs(at - sample), default=None)

    def _later(self, sample: int) -> list[tuple[str, int]]:
        low, high = self._grid.window, 3 * self._grid.window
        out: list[tuple[str, int]] = []
        for drum, mic in self._own.items():
            out.extend(
                (drum, c.sample - sample)
                for c in self._waiting
                if c.mic == mic and low < c.sample - sample < high
            )
        return out

    def _hold(self, verdict: Verdict, done: list[Verdict]) -> None:
        other = self._held.get(verdict.drum)
        if other is not None and verdict.probability <= other.probability:
            return
        self._held[verdict.drum] = verdict
        self._past = [
            p
            for p in self._past
            if verdict.sample - p.sample < self._rings
            and not (p.drum == verdict.drum and other is not None and p.sample == other.sample)
        ]
        if verdict.probability >= 0.5 and verdict.explanation is not None:
            gains = verdict.explanation.drum_gains(verdict.drum)
            past = Past(verdict.drum, verdict.sample, gains)
            self._past.append(past)
            if self._learns:
                self._lessons.accept(past)

    def _release(self, before: int | None) -> list[Verdict]:
        if not self._held:
            return []
        done = [v for v in self._held.values() if before is None or v.sample <= before]
        for verdict in done:
            del self._held[verdict.drum]
        done.sort(key=lambda v: (v.sample, v.drum))
        return done
