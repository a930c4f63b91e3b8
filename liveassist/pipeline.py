"""The way of a sample block. Start reading here.

::

    Block -> chunks -> candidates per microphone   (detect)
                    -> which drum was hit           (attribute)
                    -> level, partials, ring        (measure)
          -> level frames                           (measure)
                    -> rolling statistics, takes    (rolling)
                    -> expander, alerts, changes    (advise)
    out: events, and on demand a Snapshot or the SessionRecord

No clock, thread, file or global: time is the sample index, so the same audio gives the same hits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from liveassist.advise.advisor import Advisor
from liveassist.advise.alerts import Alerts
from liveassist.advise.history import LevelHistory
from liveassist.advise.sheet import Advice, advice
from liveassist.advise.snippets import Snippets
from liveassist.attribute.signature import Learned
from liveassist.audit import Job, Trial, examples
from liveassist.audit import figures as audit_figures
from liveassist.elsewhere import HearingElsewhere
from liveassist.hearing import Hearing
from liveassist.lookout import Lookout
from liveassist.measure.detail import Detailer
from liveassist.measure.levelframes import LevelMeter
from liveassist.model import (
    Alert,
    Audit,
    Block,
    Event,
    Figures,
    Hit,
    Kit,
    LevelFrames,
    Remark,
    SessionRecord,
    Snapshot,
    Standing,
    Take,
)
from liveassist.offset import OffsetRemover
from liveassist.rechunk import LONGEST_FILLED_GAP_S, TAIL_S, Rechunk
from liveassist.rolling.takeedits import Edited, TakeEdit
from liveassist.rolling.takes import Takes
from liveassist.rolling.tracker import Rolling
from liveassist.takebook import TakeBook

#: The stages in order; a test compares them with the folders and with DEVELOPERS.md.
STAGES = ("input", "detect", "attribute", "measure", "rolling", "advise", "output")
#: Figures that are shown are worked out anew this often, s; it takes some 8 ms.
FIGURES_EVERY_S = 0.5
#: Trials of self-audits kept: those of the last few.
MOST_TRIALS = 600
#: Marks kept; the oldest are forgotten first.
MOST_REMARKS = 1000


class Pipeline:
    """Analysis of one session. ``learned_name`` and ``reference`` are reported as given.

    ``early``: report hits within 10 ms and correct later (live); a replay keeps only final ones.
    ``reference``: name of the take others are compared with; None is the first.
    ``elsewhere``: what hears the hits, where that is not to be made here.
    """

    def __init__(
        self,
        kit: Kit,
        sample_rate_hz: int,
        *,
        learned: Learned | None = None,
        learned_name: str | None = None,
        reference: str | None = None,
        aim: str = "natural",
        early: bool = False,
        elsewhere: HearingElsewhere | None = None,
    ) -> None:
        self._kit = kit
        self._rate = sample_rate_hz
        self._learned_name = learned_name
        self.hearing = elsewhere or Hearing(kit, sample_rate_hz, learned)
        self._rechunk = Rechunk(
            self.hearing.chunk, len(kit.mics), round(LONGEST_FILLED_GAP_S * sample_rate_hz)
        )
        self._offset = OffsetRemover(self.hearing.chunk, len(kit.mics))
        self._detail = Detailer(kit, sample_rate_hz)
        self._meter = LevelMeter(kit, sample_rate_hz)
        self._levels = LevelHistory(kit, sample_rate_hz)
        self._rolling = Rolling(kit, sample_rate_hz)
        self._takes = Takes(kit)
        self._alerts = Alerts(kit, sample_rate_hz)
        self._lookout = Lookout(kit, self.hearing, self._rolling, self._alerts)
        self._advisor = Advisor(kit, aim, early)
        self._snippets = Snippets(kit, sample_rate_hz)
        self._early = early
        self._announced = -1
        self.book = TakeBook(kit, self._rolling, self._takes, self._alerts, reference)
        self._trials: list[Trial] = []
        self._audit: dict[str, Audit] = {}
        #: Numbers of hits that a person has taken back.
        self._struck: set[int] = set()
        self._remarks: list[Remark] = []
        self._shown: Figures | None = None
        self._finished = False
        self._end = 0
        self.recover = self.hearing.recover

    # --- blocks in, events out ----------------------------------------------------------------

    @property
    def chunk(self) -> int:
        """Samples in a chunk: what `feed` finds out is found at its ends, so up to there shorter
        blocks may be fed together."""
        return self.hearing.chunk

    def announce(self, block: Block) -> list[Event]:
        """Early reports alone, at once; `feed` of the same samples then leaves them out."""
        end = block.first_sample + len(block.audio)
        if not self._early or end <= self._announced:
            return []
        self._announced = end
        return self._announce(self._offset.ahead(block))

    def feed(self, block: Block) -> list[Event]:
        """Take in a block; what became known, in order of time."""
        events: list[Event] = []
        if block.lost_samples:
            self._rolling.gap(block.lost_samples)
        self._alerts.hear(block)
        events.extend(self._frames(self._meter.feed(block)))
        self._end = block.first_sample + len(block.audio)
        steady = self._offset.feed(block)
        chunks = self._rechunk.feed(steady)
        if self._early and self._announced < self._end:
            events.extend(self._announce(steady))
        for chunk in chunks:
            events.extend(self._hear(self.hearing.feed(chunk)))
            heard_s = min(self.hearing.history.end, self._end) / self._rate
            events.extend(self._ended(self._takes.advance(heard_s)))
            events.extend(self._lookout.advance(heard_s))
            self._advisor.advance(heard_s, self._heard_hits, self._levels, self._detail.lean)
        return events

    def finish(self) -> list[Event]:
        """No more audio will come: everything still open is closed."""
        events = self._frames(self._meter.flush())
        for chunk in self._rechunk.pad(round(TAIL_S * self._rate)):
            events.extend(self._hear(self.hearing.feed(chunk)))
        events.extend(self._hear(self.hearing.finish(), last=True))
        end_s = self._end / self._rate
        events.extend(self._lookout.finish(end_s))
        events.extend(self._ended(self._takes.finish(end_s)))
        events.extend(self._alerts.finish(end_s))
        self._rolling.settle()
        self.book.refresh()
        self._finished = True
        self._advisor.settle(end_s, self._heard_hits(), self._levels)
        return events

    def _frames(self, frames: LevelFrames | None) -> list[Event]:
        if frames is None:
            return []
        self._rolling.levels(frames)
        self._levels.add(frames)
        self._alerts.levels(frames)
        return [frames]

    def _announce(self, block: Block) -> list[Event]:
        """Early reports, with the take they fall in."""
        events: list[Event] = []
        for hit in self.hearing.early(block):
            known = self._rolling.add(hit)
            events.append(replace(known, take=self._takes.take_of(known.time_s)))
        return events

    def _ended(self, takes: Sequence[Take]) -> list[Event]:
        """Takes begin or end; a take is judged by what was seen up to its end."""
        seen = self._lookout.settle() if takes else []
        return [*seen, *self.book.ended(takes)]

    def _hear(self, hits: Sequence[Hit], last: bool = False) -> list[Event]:
        """Report new hits at once, and again when their ring has been heard."""
        events: list[Event] = []
        inside = [hit for hit in hits if hit.sample < self._end]
        for hit in inside:
            known = self._rolling.add(hit)
            events.extend(self._ended(self._takes.hit(known)))
            events.append(replace(known, take=self._takes.take_of(known.time_s)))
        final = [replace(hit, stage="complete") for hit in inside if hit.stage != "withdrawn"]
        for hit in self._detail.feed(self.hearing.history, final, last):
            if hit.number in self._struck:
                continue
            known = self._rolling.add(self.hearing.flagged(hit))
            self._alerts.hit(known)
            self._snippets.keep(self.hearing.history, known)
            self.book.keep(known)
            events.append(replace(known, take=self._takes.take_of(known.time_s)))
        return events

    def set_lean(self, lean: bool) -> None:
        """Leave out the detail of hits and new suggestions while the computer is overloaded."""
        self._detail.lean = lean

    # --- going on after a break --------------------------------------------------------------

    def standing(self) -> Standing:
        """What was decided so far; with the hits and alerts, all that `resume` needs."""
        reference = self.book.reference if self.book.compares else None
        return Standing(
            self._takes.everything(), reference, self._advisor.aim, tuple(self._remarks)
        )

    def resume(
        self, standing: Standing, hits: Sequence[Hit], alerts: Sequence[Alert], heard_s: float
    ) -> None:
        """Go on with a session broken off at ``heard_s``; called before the first block.

        ``hits`` in order of their numbers. What was learned on the way is for `Student.take_up`.
        """
        self._end = round(heard_s * self._rate)
        self.hearing.number_from(max((hit.number for hit in hits), default=0))
        for hit in hits:
            self._rolling.add(replace(hit, sample=round(hit.time_s * self._rate)))
        self._rolling.settle()
        self._alerts.restore(alerts, heard_s)
        if standing.aim != self._advisor.aim:
            self.set_aim(standing.aim)
        self._remarks = list(standing.remarks)
        self.book.reference = standing.reference or self.book.reference
        for take in self._takes.restore(standing.takes, heard_s):
            self.book.judge(take)

    # --- what a screen, an output or a file may ask ---------------------------------------------

    def snapshot(self) -> Snapshot:
        """Everything that may be shown now."""
        now_s = self._end / self._rate
        last = list(self.book.records.values())[-1:]
        return Snapshot(
            time_s=now_s,
            sample_rate_hz=self._rate,
            kit=self._kit,
            mics=self._rolling.mics(),
            figures=self._shown_figures(now_s),
            recent=self._rolling.recent(),
            expander=self._advisor.suggestions,
            expander_reason=self._advisor.reasons,
            expander_wrong=self._advisor.wrong,
            expander_picture=self._advisor.pictures,
            alerts=self._alerts.open(),
            take=self._takes.current(),
            takes_done=len(self.book.records),
            lost_samples=self._rolling.lost_samples,
            sureness=self.hearing.sureness,
            learned=self._learned_name,
            changes=last[0].changes if last else (),
            review=last[0].review if last else None,
            audit=self._audit,
            takes=self.book.lines(),
        )

    def _shown_figures(self, now_s: float) -> Figures:
        """The rolling figures, worked out anew as often as a person can read them."""
        shown = self._shown
        if shown is None or self._finished or now_s - shown.end_s >= FIGURES_EVERY_S:
            margins = self._advisor.margins
            shown = self._shown = self._rolling.window_figures(now_s, keyed_margin_db=margins)
        return shown

    def session(self, *, hits: bool = True) -> SessionRecord:
        """What the session leaves behind, of what was heard so far.

        Without ``hits`` it is for a look while it goes on, of the hits at hand (`Rolling.figures`).
        """
        end_s = self._end / self._rate
        figures = self._rolling.figures(
            0.0, end_s + 1e-6, keyed_margin_db=self._advisor.margins, at_hand=not hits
        )
        take_of = self._takes.lookup()
        every = self._rolling.hits() if hits else ()
        return SessionRecord(
            kit=self._kit,
            sample_rate_hz=self._rate,
            duration_s=end_s,
            hits=tuple(replace(hit, take=take_of(hit.time_s), stage="complete") for hit in every),
            figures=figures,
            takes=tuple(self.book.record(one, end_s, not hits) for one in self._takes.all()),
            alerts=self._alerts.all(),
            expander=self._advisor.suggestions,
            expander_reason=self._advisor.reasons,
            expander_wrong=self._advisor.wrong,
            learned=self._learned_name,
            lost_samples=self._rolling.lost_samples,
            unmeasured=figures.unmeasured,
            remarks=tuple(self._remarks),
            audit=self._audit,
        )

    def advice(self) -> Advice:
        """What the settings suggested would do downstream, landmarks, pairs; for the end."""
        figures = self._rolling.figures(0.0, self._end / self._rate + 1e-6)
        return advice(
            self._kit,
            self._rolling.hits(),
            self._levels,
            self._snippets,
            self._advisor.suggestions,
            {name: drum.note_hz for name, drum in figures.drums.items()},
        )

    def _heard_hits(self) -> list[Hit]:
        """The hits within the level frames that are kept."""
        return self._rolling.hits(self._levels.first_sample / self._rate)

    # --- commands ------------------------------------------------------------------------------

    def start_take(self, name: str | None = None, at_s: float | None = None) -> list[Event]:
        """A take begins at ``at_s``, else with the next sample."""
        return self._ended(self._takes.start(name, at_s or self._end / self._rate))

    def stop_take(self, at_s: float | None = None) -> list[Event]:
        """The take ends at ``at_s``, else with the last sample."""
        return self._ended(self._takes.stop(at_s or self._end / self._rate))

    def edit_takes(self, edit: TakeEdit) -> Edited:
        """Join, split, move, keep, ... takes (`rolling.takeedits`); EditError says why not."""
        return self.book.edit(edit, self._end / self._rate)

    def rename_take(self, name: str) -> Take | None:
        """Give the open take, or else the last one, another name; None if there is no take."""
        return self.book.rename(name)

    def set_reference(self, name: str | None = None) -> str | None:
        """Compare takes with the one called ``name``, else the last; its name, None if none."""
        return self.book.set_reference(name)

    def clear_reference(self) -> None:
        """Compare takes with none from now on."""
        self.book.clear_reference()

    def no_hit(self, drum: str | None = None) -> Hit | None:
        """The last hit (on ``drum``; None: on a kick or snare) was none: withdrawn and learned."""
        hit = self.hearing.no_hit(drum)
        if hit is not None:
            self._struck.add(hit.number)
            self._rolling.withdraw(hit.number)
            self._takes.hit(hit)
            self.book.strike(hit.number)
        return hit

    def missed_hit(self, drum: str | None = None) -> Hit | None:
        """There was a hit that was not reported: reported now and learned (see `Hearing`)."""
        hit = self.hearing.missed_hit(drum)
        if hit is None:
            return None
        known = self._rolling.add(hit)
        self.book.keep(known)
        return replace(known, take=self._takes.take_of(known.time_s))

    def audit_job(self) -> Job | None:
        """What a self-audit of the last seconds needs; None where no hit can serve as example."""
        back = self.hearing.lookback
        hits = self._rolling.hits(back.start / self._rate)
        job = Job(self._kit, self._rate, self.learned(), back.start, back.audio(), tuple(hits))
        return job if examples(job) else None

    def take_audit(self, trials: Sequence[Trial]) -> dict[str, Audit]:
        """Take in what an audit found, together with the last ones; the figures now."""
        self._trials += trials
        del self._trials[:-MOST_TRIALS]
        self._audit = audit_figures(self._trials)
        return self._audit

    def learned(self) -> Learned:
        """All that is known of the kit now, corrections included."""
        return self.hearing.learned()

    def set_aim(self, aim: str) -> None:
        """Suggest for another aim from now on; what was suggested for the old one is forgotten."""
        self._advisor = Advisor(self._kit, aim, self._early)

    def mark(self, text: str = "", at_s: float | None = None) -> Remark:
        """Put a mark at ``at_s``, else at this moment."""
        now_s = at_s or self._end / self._rate
        remark = Remark(now_s, text, self._takes.take_of(now_s))
        self._remarks.append(remark)
        del self._remarks[:-MOST_REMARKS]
        return remark

    def silence_alert(self, key: str, drum: str | None = None, mic: str | None = None) -> bool:
        """Acknowledge an alert; whether there was one."""
        return self._alerts.silence(key, drum=drum, mic=mic)
