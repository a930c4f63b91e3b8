"""The takes of a session side by side: what each was, and what changed against the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from liveassist.advise.alerts import Alerts
from liveassist.advise.changes import changes, not_compared
from liveassist.advise.changes_heads import Reports
from liveassist.advise.drift import Creep, creep, take_drift
from liveassist.advise.forecast import PeakTail, forecast, peak_tail
from liveassist.advise.review import review
from liveassist.model import Alert, Change, Event, Figures, Hit, Kit, Take, TakeLine, TakeRecord
from liveassist.remarks import Drift, Forecast
from liveassist.rolling.takeedits import Edited, TakeEdit
from liveassist.rolling.takes import Takes, played
from liveassist.rolling.tracker import Rolling

#: Hits with their patterns kept for comparing takes: the reference and the take now played.
MOST_KEPT = 1500
#: Takes in the list of `TakeBook.lines`, the latest ones.
MOST_LINES = 64
#: Alerts that say a microphone itself is at fault.
MIC_FAULTS = frozenset({"dead_mic", "hum", "crackle", "dc_offset"})


class TakeBook:
    """Judges takes when they end. ``reference``: name of the take others are compared with; None
    until the first has ended. ``records``: takes judged so far, by name."""

    def __init__(
        self, kit: Kit, rolling: Rolling, takes: Takes, alerts: Alerts, reference: str | None
    ) -> None:
        self._kit = kit
        self._rolling = rolling
        self._takes = takes
        self._alerts = alerts
        self.reference = reference
        self.compares = True
        self._judged = {drum.name for drum in kit.drums if drum.judged}
        self.records: dict[str, TakeRecord] = {}
        self._kept: dict[str, list[Hit]] = {}
        #: What `lines` was last made of, and the lines.
        self._lined: tuple[object, tuple[TakeLine, ...]] = (None, ())
        #: Drums that were swapped since the reference: what they sounded like then.
        self._swapped: dict[str, list[Hit]] = {}
        #: Loudest peaks of each microphone in the takes judged, by where a take begins and ends.
        self._tails: dict[tuple[float, float | None], dict[str, PeakTail]] = {}

    def keep(self, hit: Hit) -> None:
        """Remember the hit with its pattern for as long as its take may be compared."""
        for name in self._takes.names_at(hit.time_s):
            kept = self._kept.setdefault(name, [])
            kept.append(hit)
            del kept[:-MOST_KEPT]

    def ended(self, takes: Sequence[Take]) -> list[Event]:
        """Judge takes that ended; forget the hits that no comparison needs any more."""
        for take in takes:
            if take.end_s is not None:
                self.judge(take)
        return list(takes)

    def judge(self, take: Take) -> None:
        end_s = take.end_s if take.end_s is not None else take.start_s
        self._collect(take, end_s)
        # Whoever presses stop at once, or twice, has not played a reference.
        earlier = any(_has_length(record.take) for record in self.records.values())
        first = self.reference is None and not earlier
        if first and self.compares and _has_length(take):
            self.reference = take.name
        reference = take.name == self.reference
        found: tuple[Change, ...] = ()
        drift: tuple[Drift, ...] = ()
        missing: dict[str, str] = {}
        base = self._kept.get(self.reference or "")
        hits = self._roles(self._inside(self._kept.get(take.name, [])))
        if not reference and base is not None:
            before = [
                hit for hit in self._roles(self._inside(base)) if hit.drum not in self._swapped
            ]
            before += [hit for old in self._swapped.values() for hit in old]
            heads: Reports = {}
            faults = self._faults(take.start_s, end_s)
            found = changes(self._kit, before, hits, faults=faults, known=heads)
            drift = take_drift(self._kit, before, hits, found, heads)
            self._swap(found, hits)
            missing = not_compared(self._kit, before, hits)
        lasted = [alert for alert in self._alerts.all() if _lasted(alert, take.start_s, end_s)]
        said = review(
            self._kit,
            take.name,
            hits,
            found,
            lasted,
            self._forecast(take, hits),
            base is not None and not reference,
            drift,
            self._creeps(take, drift),
        )
        self.records[take.name] = TakeRecord(
            take, self._take_figures(take, end_s), found, reference, said, missing
        )
        for name in list(self._kept):
            if name not in (take.name, self.reference):
                del self._kept[name]

    def _swap(self, found: Sequence[Change], hits: Sequence[Hit]) -> None:
        """A drum that was changed for another is compared with itself from now on."""
        for change in found:
            if change.cause == "drum_changed" and change.drum is not None:
                self._swapped[change.drum] = [hit for hit in hits if hit.drum == change.drum]

    def _creeps(self, take: Take, drift: Sequence[Drift]) -> list[Creep]:
        """Heads that went slowly from take to take since the reference."""
        earlier = [r for r in self.records.values() if r.review is not None and r.review.drift]
        out = []
        for now in drift:
            rows = [
                (record.take.start_s, old)
                for record in earlier
                if record.take.name != take.name and record.review is not None
                for old in record.review.drift
                if old.drum == now.drum
            ]
            rows.append((take.start_s, now))
            found = creep(now.drum, [at for at, _ in rows], [one for _, one in rows])
            out += [found] if found is not None else []
        return out

    def _forecast(self, take: Take, hits: Sequence[Hit]) -> list[Forecast]:
        """How likely each microphone clips in a take like this one and those before it."""
        mics = self._kit.mics
        self._tails[take.start_s, take.end_s] = self._peak_tails(hits)
        there = {(one.start_s, one.end_s) for one in self._takes.all()}
        known = [
            by_mic
            for span, by_mic in sorted(self._tails.items(), key=lambda item: item[0][0])
            if span in there and span[0] < take.start_s
        ]
        known.append(self._tails[take.start_s, take.end_s])
        out = [
            forecast(mic.name, [by_mic[mic.name] for by_mic in known if mic.name in by_mic])
            for mic in mics
            if mic.type == "acoustic"
        ]
        return [one for one in out if one is not None]

    def _peak_tails(self, hits: Sequence[Hit]) -> dict[str, PeakTail]:
        mics = self._kit.mics
        heard = [hit.mic_heard_dbfs for hit in hits if len(hit.mic_heard_dbfs) == len(mics)]
        levels = np.array(heard, dtype=np.float64).reshape(-1, len(mics))
        tails = {mic.name: peak_tail(levels[:, i]) for i, mic in enumerate(mics)}
        return {mic: tail for mic, tail in tails.items() if tail is not None}

    def _collect(self, take: Take, end_s: float) -> None:
        """A stretch is known to be one only after it began: fetch the hits that came before."""
        kept = {hit.number: hit for hit in self._kept.get(take.name, [])}
        for hit in self._rolling.hits(take.start_s, end_s + 1e-6):
            kept.setdefault(hit.number, hit)
        ordered = sorted(kept.values(), key=lambda hit: hit.sample)
        self._kept[take.name] = ordered[-MOST_KEPT:]

    def _inside(self, hits: Sequence[Hit]) -> list[Hit]:
        """The hits without count-in and noodling."""
        if not hits:
            return []
        start_s, end_s = played(hits, self._judged, hits[0].time_s, hits[-1].time_s)
        return [hit for hit in hits if start_s <= hit.time_s <= end_s]

    def _roles(self, hits: Sequence[Hit]) -> list[Hit]:
        """The hits with the roles that all hits around them suggest by now."""
        if not hits:
            return []
        known = {
            hit.number: hit for hit in self._rolling.hits(hits[0].time_s, hits[-1].time_s + 1e-6)
        }
        return [
            replace(hit, role=known[hit.number].role) if hit.number in known else hit
            for hit in hits
        ]

    def _faults(self, start_s: float, end_s: float) -> dict[str, str]:
        """Microphones that an alert of a fault named during the take."""
        return {
            alert.mic: alert.sentence
            for alert in self._alerts.all()
            if alert.mic is not None and alert.key in MIC_FAULTS and _lasted(alert, start_s, end_s)
        }

    def strike(self, number: int) -> None:
        """The hit of this number was none."""
        for name, kept in self._kept.items():
            self._kept[name] = [hit for hit in kept if hit.number != number]

    def between_hits(self) -> str:
        """What margins need besides the hits, to be kept for editing takes afterwards."""
        return self._rolling.between_hits()

    def take_between_hits(self, kept: str) -> None:
        """Take back what `between_hits` gave; ValueError if it is not that."""
        self._rolling.take_between_hits(kept)

    def everything(self) -> tuple[Take, ...]:
        """Takes, and stretches that could still become one."""
        return self._takes.everything()

    def unkept(self) -> tuple[Take, ...]:
        """Stretches that no take has a part of."""
        return self._takes.unkept()

    def take_of(self, time_s: float) -> str | None:
        """Name of the take a moment belongs to."""
        return self._takes.take_of(time_s)

    def refresh(self) -> None:
        """Work the figures of all takes out anew, now that every hit and role is settled: a take is
        judged as it ends, when its last hits have not been heard out yet."""
        self.records = {
            name: replace(one, figures=self._take_figures(one.take, one.take.end_s or 0.0))
            for name, one in self.records.items()
        }

    def record(self, take: Take, end_s: float, at_hand: bool = False) -> TakeRecord:
        """What is known of a take; with ``at_hand`` of one that runs as `Rolling.figures` says."""
        done = self.records.get(take.name)
        if done is not None:
            return done
        return TakeRecord(take, self._take_figures(take, end_s, at_hand))

    def _take_figures(self, take: Take, end_s: float, at_hand: bool = False) -> Figures:
        """Figures of what was played in the take: count-in and noodling are set apart."""
        stop = take.end_s if take.end_s is not None else end_s
        start_s = take.start_s
        # Where its first hits are not at hand, what comes before the playing is not looked for.
        if not at_hand or start_s > self._rolling.at_hand_s:
            strokes = self._rolling.hits(start_s, stop + 1e-6)
            start_s, stop = played(strokes, self._judged, start_s, stop)
        return self._rolling.figures(start_s, stop + 1e-6, at_hand=at_hand)

    def rename(self, name: str) -> Take | None:
        """Give the open take, or else the last one, another name; None if there is no take."""
        found = self._takes.rename(name)
        if found is None:
            return None
        before, take = found
        self._kept = {take.name if n == before else n: h for n, h in self._kept.items()}
        self.records = {
            take.name if n == before else n: replace(r, take=take) if n == before else r
            for n, r in self.records.items()
        }
        if self.reference == before:
            self.reference = take.name
        return take

    def edit(self, edit: TakeEdit, now_s: float) -> Edited:
        """Join, split, move, ... takes; their figures are worked out anew. EditError says why not.

        Where the reference take itself changes, every take is held against it again.
        """
        was = self.reference
        before = [take for take in self._takes.all() if take.name == was]
        renamed, changed = self._takes.edit(edit, now_s)
        takes = {take.name: take for take in self._takes.all()}
        if self.reference in renamed and renamed[self.reference] in takes:
            self.reference = renamed[self.reference]
        ended = [take for take in takes.values() if take.end_s is not None]
        if self.compares and self.reference not in takes:
            self.reference = next((take.name for take in ended if _has_length(take)), None)
        self._kept = {}
        # A take that only got another name is what it was: nothing of it is judged anew.
        self.records = {
            take.name: replace(record, take=take)
            for name, record in self.records.items()
            if (take := takes.get(renamed.get(name, name))) is not None
            and _alike(take, record.take)
        }
        base = takes.get(self.reference or "")
        if base is not None and not any(_alike(base, one) for one in before):
            self.records = {}
        if base is not None:
            self._collect(base, now_s if base.end_s is None else base.end_s)
        # The reference first: the others are held against it.
        for take in sorted(ended, key=lambda take: take.name != self.reference):
            if take.name not in self.records:
                self.judge(take)
        order = [take.name for take in sorted(ended, key=lambda take: take.end_s or 0.0)]
        self.records = {name: self.records[name] for name in order}
        return renamed, changed

    def judge_again(self) -> None:
        """Hold every take that has ended against the reference again."""
        self.records = {}
        ended = [take for take in self._takes.all() if take.end_s is not None]
        for take in sorted(ended, key=lambda take: take.name != self.reference):
            self.judge(take)
        self.records = {take.name: self.records[take.name] for take in ended}

    def lines(self) -> tuple[TakeLine, ...]:
        """The takes for a list on screen; figures only of those that have ended."""
        takes = self._takes.all()[-MOST_LINES:]
        made = tuple((take, self.records.get(take.name), self.reference) for take in takes)
        # Asked for ten times a second: the same lines, and the same tuple, until a take changes.
        if made != self._lined[0]:
            self._lined = (made, tuple(self._line(take, record) for take, record, _ in made))
        return self._lined[1]

    def _line(self, take: Take, record: TakeRecord | None) -> TakeLine:
        reference = take.name == self.reference
        line = TakeLine(take.name, take.start_s, take.end_s, take.provisional, reference)
        if record is None:
            return line
        drums = {n: f for n, f in record.figures.drums.items() if n in self._judged and f.hits}
        return replace(
            line,
            spread_db={name: figures.spread_db for name, figures in drums.items()},
            spread_ci={name: figures.spread_ci for name, figures in drums.items()},
            weak_hits=sum(figures.weak_hits for figures in drums.values()),
            changes=tuple(change.sentence for change in record.changes),
        )

    def set_reference(self, name: str | None = None) -> str | None:
        """Compare takes with the one called ``name`` from now on; None: with the last one.

        Returns its name, None if there is no such take, or it has no length (nothing is changed
        then).
        """
        takes = {take.name: take for take in self._takes.all()}
        takes.update({known: record.take for known, record in self.records.items()})
        whole = [known for known, record in self.records.items() if _has_length(record.take)]
        name = name or next(reversed(whole), None)
        if name is None or name not in takes or not _has_length(takes[name]):
            return None
        self.reference, self.compares = name, True
        self._swapped.clear()
        if takes[name].end_s is not None:
            # Its hits may have been let go when it was no reference.
            self._collect(takes[name], takes[name].end_s or 0.0)
        self.records = {
            known: replace(record, reference=known == name)
            for known, record in self.records.items()
        }
        return name

    def clear_reference(self) -> None:
        """Compare takes with none from now on."""
        self.reference, self.compares = None, False


def _has_length(take: Take) -> bool:
    """Whether any time lies in it; one that runs has none yet, and will."""
    return take.end_s is None or take.end_s > take.start_s


def _lasted(alert: Alert, start_s: float, end_s: float) -> bool:
    """Whether an alert lasted at any time of a take."""
    return alert.start_s < end_s and (alert.end_s is None or alert.end_s > start_s)


def _alike(first: Take, second: Take) -> bool:
    """Whether both are the same stretch of time."""
    return (first.start_s, first.end_s) == (second.start_s, second.end_s)
