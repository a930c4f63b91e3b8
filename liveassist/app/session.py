"""One session on its way: blocks to the pipeline, what comes out to files and outputs.

`replay`, `demo` and `listen` differ only in where blocks come from and how fast.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from liveassist.app.clicktiming import ClickTiming
from liveassist.app.marks import Span
from liveassist.app.parts import Advising, Announcing, Arming, Filing, OutputsLike, PipelineLike
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.songtiming import SongTiming
from liveassist.app.steering import Steering
from liveassist.input.signalwatch import SignalFault, SignalWatch
from liveassist.model import Alert, Block, Event, Kit, OutputState, SessionRecord, Snapshot
from liveassist.units import seconds_to_samples

if TYPE_CHECKING:
    from liveassist.advise.sheet import Advice

#: Figures are passed on this often, seconds of audio: as often as a person can read them.
FIGURES_EVERY_S = 0.1


@dataclass(frozen=True, slots=True)
class _Mark:
    """A take begins at this sample (``begins`` is its name), or the running one ends (None)."""

    sample: int
    begins: str | None


class Session:
    """Runs one session. ``takes``: marks in order of time, not overlapping.

    ``files`` and ``outputs`` are optional; whoever gives ``outputs`` closes them. ``started_at``
    is the wall clock of the first sample (ISO 8601), None for recordings; ``source`` names the
    input on screens. Marks up to sample ``after`` have been carried out (a session that goes on).
    """

    def __init__(
        self,
        pipeline: PipelineLike,
        kit: Kit,
        sample_rate_hz: int,
        *,
        files: SessionFiles | None = None,
        outputs: Sequence[OutputsLike] = (),
        takes: Sequence[Span] = (),
        started_at: str | None = None,
        source: str = "",
        steering: Steering | None = None,
        after: int = -1,
        figures_every_s: float = FIGURES_EVERY_S,
        song: SongTiming | None = None,
        click: ClickTiming | None = None,
        time_of: Callable[[float], float | None] = lambda _moment_s: None,
    ) -> None:
        self._pipeline = pipeline
        # Asked once: for a protocol the question is long, and a block is short.
        self._announcing = pipeline if isinstance(pipeline, Announcing) else None
        self._steering = steering
        self._files = files
        self._outputs = tuple(outputs)
        self._started_at = started_at
        self._source = source
        self._watch = SignalWatch([mic.name for mic in kit.mics])
        self._marks = _marks(takes, sample_rate_hz, after)
        self._figures_hop = seconds_to_samples(figures_every_s, sample_rate_hz)
        self._figures_due = 0
        #: How far apart the moments are at which figures can be passed on, samples.
        self._grain = 0
        self.samples_heard = 0
        #: What goes beyond the record, when the session is over; None where nothing is known.
        self.advice: Advice | None = None
        self._finished: SessionRecord | None = None
        self._song = song
        self._click = click
        self._time_of = time_of
        if song is not None:
            song.time_of = self.time_of
        if steering is not None:
            steering.view = self.snapshot
            steering.time_of = self.time_of
        if files is not None:
            filing = (steering, song, click, *outputs)
            files.also += [what.files for what in filing if isinstance(what, Filing)]
            files.also.append(self._advice_file)

    def feed(self, block: Block) -> list[Event]:
        """Analyse a block and pass on what became known; the events, for whoever shows them."""
        events = self._steered()
        told: list[Event] = []
        if self._click is not None:
            self._click.hear(block)
        first, audio, lost = block.first_sample, block.audio, block.lost_samples
        while True:
            self._turn_marks(first, events)
            cut = self._until_mark(first, len(audio))
            piece = Block(first, audio[:cut], lost)
            told += self._announced(piece)
            self._watch.feed(piece.audio)
            events += self._pipeline.feed(piece)
            first, audio, lost = first + cut, audio[cut:], 0
            if not len(audio):
                break
        self.samples_heard = first
        self._turn_marks(first, events)
        self._pass_on(events)
        if self._files is not None:
            self._files.write_if_due(self._brief)
        return told + events

    def _announced(self, block: Block) -> list[Event]:
        """Early reports, passed on before the block is analysed."""
        if self._announcing is None:
            return []
        early = self._announcing.announce(block)
        if early:
            self._tell(early)
        return early

    def finish(self, cut_short: str | None = None) -> SessionRecord:
        """End the session: last events passed on, files written; what it leaves behind.

        ``cut_short``: why the input ended before its end, kept under ``unmeasured``.
        """
        events = self._steered()
        if self._marks and self._marks[0].begins is None:
            events += self._pipeline.stop_take() or ()
        self._marks.clear()
        if self._click is not None:
            self._click.finish()
        self._pass_on([*events, *self._pipeline.finish()], figures_now=True)
        record = self.record()
        if cut_short is not None:
            reasons = {**record.unmeasured, "session": cut_short}
            record = dataclasses.replace(record, unmeasured=reasons)
        if isinstance(self._pipeline, Advising):
            self.advice = self._pipeline.advice()
        self._finished = record
        if self._files is not None:
            self._files.write(record)
        return record

    def _advice_file(self) -> dict[str, str]:
        """advice.json, once the session is over."""
        if self.advice is None or self._finished is None:
            return {}
        from liveassist.app.advicefile import FILE_NAME, advice_text

        return {FILE_NAME: advice_text(self.advice, self._finished)}

    def rescue(self) -> None:
        """After a fault of ours: save the hits there are, asking nothing of the pipeline."""
        if self._files is not None:
            self._files.write_hits_only()

    def record(self, *, hits: bool = True) -> SessionRecord:
        """What the session would leave behind if it ended now; ``hits``: the hits among it."""
        known = self._pipeline.session(hits=hits)
        record = dataclasses.replace(known, started_at=self._started_at)
        return with_signal_faults(record, self._watch.faults())

    def _brief(self) -> SessionRecord:
        return self.record(hits=False)

    def snapshot(self) -> Snapshot:
        """The figures now, with the health of the outputs."""
        armed: dict[str, float] = {}
        for output in self._outputs:
            if isinstance(output, Arming):
                armed.update(output.armed())
        snapshot = dataclasses.replace(
            self._pipeline.snapshot(),
            outputs=self.output_states(),
            source=self._source,
            armed=armed,
        )
        if self._song is not None:
            self._song.look()
            snapshot = self._song.shown(snapshot)
        if self._click is not None:
            snapshot = self._click.shown(snapshot)
        return snapshot if self._steering is None else self._steering.shown(snapshot)

    def time_of(self, moment_s: float) -> float | None:
        """Which moment of the session a moment of the monotonic clock is; None: not known, as
        for a recording that is read as fast as it goes."""
        return self._time_of(moment_s)

    def output_states(self) -> tuple[OutputState, ...]:
        """Health of all outputs."""
        return tuple(state for output in self._outputs for state in output.states())

    def faults(self) -> tuple[SignalFault, ...]:
        """Microphones whose signal cannot be right, over everything heard so far."""
        return self._watch.faults()

    def _tell(self, events: Sequence[Event]) -> None:
        if self._files is not None:
            self._files.collect(events)
        for output in self._outputs:
            output.events(events)

    def _pass_on(self, events: Sequence[Event], *, figures_now: bool = False) -> None:
        if events:
            # Before the figures, which take some milliseconds.
            self._tell(events)
        if not self._outputs:
            return
        if figures_now or self.samples_heard >= self._figures_due:
            snapshot = self.snapshot()
            for output in self._outputs:
                output.figures(snapshot)
            # Where blocks come in chunks, on average as often as asked.
            late = min(self.samples_heard - self._figures_due, self._grain)
            self._figures_due = self.samples_heard + self._figures_hop - max(late, 0)

    def _until_mark(self, first: int, length: int) -> int:
        """How many of ``length`` samples from ``first`` come before the next mark."""
        if not self._marks:
            return length
        return min(length, self._marks[0].sample - first)

    def _steered(self) -> list[Event]:
        """Takes that commands began or ended."""
        return self._steering.take_news() if self._steering is not None else []

    def _turn_marks(self, sample: int, events: list[Event]) -> None:
        while self._marks and self._marks[0].sample <= sample:
            mark = self._marks.popleft()
            if mark.begins is not None:
                events += self._pipeline.start_take(mark.begins) or ()
            else:
                events += self._pipeline.stop_take() or ()


def with_signal_faults(record: SessionRecord, faults: Sequence[SignalFault]) -> SessionRecord:
    """The record with what is wrong with a microphone's signal among its alerts and reasons."""
    if not faults:
        return record
    known = {(alert.key, alert.mic) for alert in record.alerts}
    alerts = [_alert(fault) for fault in faults if (fault.fault, fault.mic) not in known]
    reasons = {f"mics.{fault.mic}": fault.sentence for fault in faults if not fault.usable}
    return dataclasses.replace(
        record,
        alerts=(*record.alerts, *alerts),
        unmeasured={**record.unmeasured, **reasons},
    )


def nothing_usable(kit: Kit, faults: Sequence[SignalFault]) -> bool:
    """Whether no kick or snare has a microphone left that drums can be heard in."""
    broken = {fault.mic for fault in faults if not fault.usable}
    return all(drum.own in broken for drum in kit.drums if drum.judged)


def _alert(fault: SignalFault) -> Alert:
    return Alert(
        key=fault.fault,
        start_s=0.0,
        end_s=None,
        when="now",
        severity="look" if fault.usable else "stop",
        sentence=fault.sentence,
        mic=fault.mic,
        value=fault.value,
        unit=fault.unit,
    )


def _marks(takes: Sequence[Span], sample_rate_hz: int, after: int) -> deque[_Mark]:
    marks: deque[_Mark] = deque()
    for take in takes:
        marks.append(_Mark(seconds_to_samples(take.start_s, sample_rate_hz), take.name))
        marks.append(_Mark(seconds_to_samples(take.end_s, sample_rate_hz), None))
    while marks and marks[0].sample <= after:
        marks.popleft()
    return marks
