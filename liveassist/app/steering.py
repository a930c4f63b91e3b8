"""Carrying out what a person asks of a running session, whoever carries it here.

Keys of the dashboard, OSC, MIDI buttons, the recorder's transport and the local socket all end in
`Steering.do`: one place that does a thing or says why not, tells every screen, and keeps a log.
"""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from liveassist.app.nearest import did_you_mean
from liveassist.app.options import AIMS
from liveassist.app.outcome import Outcome as Outcome
from liveassist.app.parts import PipelineLike
from liveassist.app.steertakes import TakeDesk
from liveassist.model import Alert, Event, Hit, Snapshot, Take

if TYPE_CHECKING:
    from liveassist.app.auditor import Auditor
    from liveassist.attribute.signature import Learned
    from liveassist.output.commands import Command, CommandValue
    from liveassist.output.midi_time import Timing

#: A command counts from when it was given if that is no more than so far from now or from where
#: the analysis is, seconds: the analysis may be far behind, a clock may be wrong.
LATEST_S = 10.0
#: Lines of the log that are kept; the oldest are forgotten first.
MOST_DEEDS = 2000
#: Acknowledged alerts remembered; more than a session ever has open at once.
MOST_SILENCED = 64
#: What the keys of the dashboard ask for, as commands.
KEY_COMMANDS: Mapping[str, str] = {
    "take_toggle": "take/toggle",
    "set_reference": "reference/this",
    "silence_alert": "alert/acknowledge",
    "no_hit": "correct/not_a_hit",
    "missed_hit": "correct/missed",
    "audit": "audit",
    "keep": "take/keep",
    "join": "take/join",
    "split": "take/split",
    "star": "take/star",
    "rename": "take/rename",
    "note": "take/note",
    "mark": "take/mark",
}


@dataclass(frozen=True, slots=True)
class Deed:
    """One line of the log. ``tempo_bpm`` and ``time_code_s``: what the recorder's MIDI clock and
    time code said at that moment, None where they were not heard."""

    time_s: float
    command: str
    words: str
    done: bool
    source: str
    take: str | None
    tempo_bpm: float | None = None
    time_code_s: float | None = None


class Steering:
    """Carries out commands on ``pipeline``. Called on the thread that feeds it.

    ``view`` gives the figures of the moment (the session puts its own in place), ``timing`` what
    each MIDI input says about tempo and time code.
    """

    def __init__(
        self, pipeline: PipelineLike, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._pipeline = pipeline
        self._monotonic = monotonic
        self.view: Callable[[], Snapshot] = pipeline.snapshot
        self.timing: Callable[[], Mapping[str, Timing]] = dict
        #: Which moment of the session a moment of the monotonic clock is, where it is known.
        self.time_of: Callable[[float], float | None] = lambda _moment_s: None
        self._at_s: float | None = None
        #: Keeps what corrections taught with the kit; says where, or nothing.
        self.keep: Callable[[Learned], str] = lambda _learned: ""
        #: Runs self-audits, where there can be one.
        self.auditor: Auditor | None = None
        #: What was last asked for and what became of it, for screens.
        self.notice = ""
        self.deeds: list[Deed] = []
        self._asked = 0
        self._news: list[Event] = []
        #: Edits takes, and keeps what is said of them.
        self.desk = TakeDesk(pipeline, self._news.extend)
        self._silenced: dict[tuple[str, str | None, str | None, float], None] = {}
        self._doers: Mapping[str, Callable[[Snapshot, Sequence[CommandValue]], Outcome]] = {
            "take/start": self._start,
            "take/stop": self._stop,
            "take/toggle": self._toggle,
            "take/rename": self._rename,
            "take/mark": self._mark,
            "reference/set": self._set_reference,
            "reference/this": self._reference_this,
            "reference/clear": self._clear_reference,
            "alert/acknowledge": self._acknowledge,
            "aim": self._aim,
            "correct/not_a_hit": self._no_hit,
            "correct/missed": self._missed_hit,
            "audit": self._audit,
            **self.desk.doers(),
        }

    # --- what comes in -----------------------------------------------------------------------

    def obey(self, command: Command) -> Outcome:
        """Carry out a command of a surface."""
        return self.do(command.name, command.args, command.source, command.heard_s)

    def press(self, key: str, alert: Alert | None = None, take: str = "") -> Outcome:
        """Carry out what a key of the dashboard asks for (see `output.keys`); ``alert`` is the
        one that the key has put away on screen, ``take`` the one that is chosen in the list."""
        args = (_alert_id(alert),) if alert is not None else (take,) if take else ()
        return self.do(KEY_COMMANDS[key], args, "key", self._monotonic())

    def write(self, key: str, text: str, take: str) -> Outcome:
        """Carry out what a key asked for with a line of text, about ``take``."""
        return self.do(KEY_COMMANDS[key], (text, take), "key", self._monotonic())

    def do(
        self,
        name: str,
        args: Sequence[CommandValue] = (),
        source: str = "",
        heard_s: float | None = None,
    ) -> Outcome:
        """Carry out one command, and log it. ``heard_s``: when it was given, on the monotonic
        clock: a take begins then, not a tenth of a second later when its turn comes."""
        doer = self._doers.get(name)
        seen = self.view()
        self._at_s = self.desk.at_s = self._moment(seen, heard_s)
        outcome = Outcome(False, f"{name} is not possible here")
        if doer is not None:
            outcome = doer(seen, args)
        self.notice = outcome.words if outcome.done else f"{name}: {outcome.words}"
        self._log(seen, name, outcome, source)
        self._at_s = None
        return outcome

    def _moment(self, seen: Snapshot, heard_s: float | None) -> float | None:
        """The moment of the session at which a command was given; None where that is not known
        or not credible."""
        at_s = None if heard_s is None else self.time_of(heard_s)
        if at_s is None:
            return None
        # Of the same clock, so that beginning and end of a take are, however far the analysis is
        # behind by then.
        now_s = self.time_of(self._monotonic())
        near = [seen.time_s] if now_s is None else [seen.time_s, now_s]
        if not any(abs(at_s - moment_s) <= LATEST_S for moment_s in near):
            return None
        return max(1e-6, at_s)  # what was asked for before the first sample begins with it

    # --- what is asked -----------------------------------------------------------------------

    def take_news(self) -> list[Event]:
        """What commands changed since the last call: takes begun or ended, hits corrected."""
        self._look_for_audit()
        news = list(self._news)
        self._news.clear()
        return news

    def shown(self, snapshot: Snapshot) -> Snapshot:
        """The snapshot with what was acknowledged and what was last done."""
        silenced = tuple(
            alert
            for alert in snapshot.alerts
            if alert.end_s is None and _occurrence(alert) in self._silenced
        )
        takes = self.desk.shown(snapshot.takes)
        return replace(snapshot, silenced=silenced, notice=self.notice, takes=takes)

    def files(self) -> Mapping[str, str]:
        """The log as a file of the session, if anything was asked for."""
        return {"log.csv": log_csv(self.deeds)} if self.deeds else {}

    # --- takes and reference -----------------------------------------------------------------

    def _start(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        return self.desk.start(seen, _text(args) or None)

    def _stop(self, seen: Snapshot, _args: Sequence[CommandValue]) -> Outcome:
        if not _is_marked(seen.take):
            return Outcome(False, "no take runs")
        assert seen.take is not None
        self._news += list(self._pipeline.stop_take(self._at_s) or ())
        return Outcome(True, f"{seen.take.name} ended")

    def _toggle(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        return self._stop(seen, ()) if _is_marked(seen.take) else self._start(seen, args)

    def _rename(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        name = _text(args)
        if not name:
            return Outcome(False, "the name is empty")
        if len(args) > 1 and str(args[1]).strip():
            return self.desk.rename(str(args[1]).strip(), name)
        take = self._pipeline.rename_take(name)
        if take is None:
            return Outcome(False, "there is no take")
        now = {line.name for line in self.view().takes}
        gone = [line.name for line in seen.takes if line.name not in now]
        self.desk.renamed(dict.fromkeys(gone, take.name))
        self._news += [replace(take, was=name) for name in gone]
        return Outcome(True, f"named {take.name}")

    def _mark(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        remark = self._pipeline.mark(_text(args), self._at_s)
        said = f": {remark.text}" if remark.text else ""
        return Outcome(True, f"mark at {remark.time_s:.1f} s{said}")

    def _set_reference(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        asked = _text(args) or None
        name = self._pipeline.set_reference(asked)
        if name is not None:
            return Outcome(True, f"later takes are compared with {name}")
        if asked is None:
            return Outcome(False, "no take has ended yet")
        takes = [record.take for record in self._pipeline.session(hits=False).takes]
        if any(take.name == asked and take.end_s == take.start_s for take in takes):
            return Outcome(False, f"{asked} has no length, so nothing can be compared with it")
        names = [take.name for take in takes]
        there = f"; takes: {', '.join(names)}" if names else "; there is none yet"
        return Outcome(False, f"there is no take {asked}{did_you_mean(asked, names)}{there}")

    def _reference_this(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        """The take named, or that is played now, or else the last one."""
        if args:
            return self._set_reference(seen, args)
        return self._set_reference(seen, (seen.take.name,) if seen.take is not None else ())

    def _clear_reference(self, _seen: Snapshot, _args: Sequence[CommandValue]) -> Outcome:
        self._pipeline.clear_reference()
        return Outcome(True, "takes are compared with none")

    # --- alerts and advice -------------------------------------------------------------------

    def _acknowledge(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        asked = _text(args)
        lasting = [
            alert for alert in seen.alerts if alert.end_s is None and _alert_id(alert) == asked
        ]
        if not lasting:
            return Outcome(False, f"no alert {asked} lasts" if asked else "no alert lasts")
        for alert in lasting:
            self._silenced[_occurrence(alert)] = None
            # Alerts of the device and the disk are not the analysis's; they are only put away.
            self._pipeline.silence_alert(alert.key, alert.drum, alert.mic)
        while len(self._silenced) > MOST_SILENCED:
            del self._silenced[next(iter(self._silenced))]
        return Outcome(True, f"{asked} is silenced until it begins anew")

    def _aim(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        aim = _text(args)
        if aim not in AIMS:
            return Outcome(False, f"aim is one of {', '.join(AIMS)}{did_you_mean(aim, AIMS)}")
        self._pipeline.set_aim(aim)
        return Outcome(True, f"suggestions aim at {aim}")

    # --- corrections -------------------------------------------------------------------------

    def _no_hit(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        drum = _text(args) or None
        wrong = _no_drum(seen, drum)
        if wrong:
            return Outcome(False, wrong)
        hit = self._pipeline.no_hit(drum)
        if hit is None:
            return Outcome(False, "no hit of the last seconds can be taken back")
        return self._corrected(hit, f"{hit.drum} at {hit.time_s:.2f} s taken back")

    def _missed_hit(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        drum = _text(args) or None
        wrong = _no_drum(seen, drum)
        if wrong:
            return Outcome(False, wrong)
        hit = self._pipeline.missed_hit(drum)
        if hit is None:
            return Outcome(False, "nothing began in the last seconds that could be one")
        return self._corrected(hit, f"{hit.drum} at {hit.time_s:.2f} s added")

    def _corrected(self, hit: Hit, words: str) -> Outcome:
        self._news.append(hit)
        kept = self.keep(self._pipeline.learned())
        return Outcome(True, f"{words} and learned{kept}")

    def _audit(self, _seen: Snapshot, _args: Sequence[CommandValue]) -> Outcome:
        if self.auditor is None:
            return Outcome(False, "it is not possible here")
        why = self.auditor.start()
        if why is not None:
            return Outcome(False, why)
        return Outcome(True, "trying how soft a hit would be heard; the answer takes some seconds")

    def _look_for_audit(self) -> None:
        """Take in a self-audit that is done, and say what it found."""
        trials = self.auditor.result() if self.auditor is not None else None
        if trials is None:
            return
        found = self._pipeline.take_audit(trials) if trials else {}
        words = " ".join(audit.sentence for audit in found.values())
        outcome = Outcome(bool(found), words or "the audit was broken off")
        self.notice = outcome.words
        self._log(self.view(), "audit", outcome, "audit")

    # --- the log -----------------------------------------------------------------------------

    def _log(self, seen: Snapshot, name: str, outcome: Outcome, source: str) -> None:
        now = self._monotonic()
        heard = list(self.timing().values())
        tempo = next((t.tempo_bpm for t in heard if t.tempo_bpm is not None), None)
        code = next((_code_at(t, now) for t in heard if t.time_code_s is not None), None)
        take = seen.take.name if seen.take is not None else None
        at_s = seen.time_s if self._at_s is None else self._at_s
        self.deeds.append(Deed(at_s, name, outcome.words, outcome.done, source, take, tempo, code))
        self._asked += 1
        del self.deeds[:-MOST_DEEDS]

    def last(self) -> dict[str, Any]:
        """How many commands there were, and what became of the last: for whoever gave it."""
        done = self.deeds[-1].done if self.deeds else True
        return {"asked": self._asked, "notice": self.notice, "done": done}


def log_csv(deeds: Sequence[Deed]) -> str:
    """The log: one row a command, its moment in seconds from the first sample."""
    rows = (
        (
            f"{deed.time_s:.3f}",
            deed.command,
            "done" if deed.done else "refused",
            deed.words,
            deed.source,
            deed.take or "",
            "" if deed.tempo_bpm is None else f"{deed.tempo_bpm:.2f}",
            "" if deed.time_code_s is None else f"{deed.time_code_s:.3f}",
        )
        for deed in deeds
    )
    head = ("time_s", "command", "outcome", "words", "source", "take", "tempo_bpm", "time_code_s")
    return csv_text(head, rows)


def csv_text(head: Sequence[str], rows: object) -> str:
    """Rows as CSV text with a head."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)  # type: ignore[arg-type]
    return out.getvalue()


def _code_at(timing: Timing, now: float) -> float | None:
    """Time code at ``now``: what was last said, gone on with if the recorder runs."""
    if timing.time_code_s is None or timing.time_code_at_s is None:
        return timing.time_code_s
    return timing.time_code_s + (max(0.0, now - timing.time_code_at_s) if timing.running else 0.0)


def _no_drum(seen: Snapshot, drum: str | None) -> str:
    """Why there is no such drum; empty where there is, or none is named."""
    names = [known.name for known in seen.kit.drums]
    if drum is None or drum in names:
        return ""
    return f"the kit has no drum {drum}{did_you_mean(drum, names)}"


def _is_marked(take: Take | None) -> bool:
    return take is not None and take.end_s is None and not take.provisional


def _text(args: Sequence[CommandValue]) -> str:
    return str(args[0]).strip() if args else ""


def _alert_id(alert: Alert) -> str:
    from liveassist.output.osc_messages import alert_id

    return alert_id(alert)


def _occurrence(alert: Alert) -> tuple[str, str | None, str | None, float]:
    return (alert.key, alert.drum, alert.mic, alert.start_s)
