"""A session on a device: what the device does to the audio is part of what the session says."""

from __future__ import annotations

import contextlib
import dataclasses
import time
import traceback
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Protocol

from liveassist.app.clicktiming import ClickTiming
from liveassist.app.gather import Gather
from liveassist.app.livefiles import LiveFiles
from liveassist.app.overload import (
    COALESCED,
    EVENTS_S,
    FIGURES_S,
    NO_DETAIL,
    STEPS_S,
    Overload,
    newest,
)
from liveassist.app.parts import OutputsLike, PipelineLike, Recovering, Yielding
from liveassist.app.session import Session
from liveassist.app.songtiming import SongTiming
from liveassist.app.steering import Steering
from liveassist.app.store import Store
from liveassist.app.storefile import Kept
from liveassist.errors import LiveassistError
from liveassist.input.device import SourceState
from liveassist.model import Alert, Block, Event, Kit, SessionRecord, Snapshot

#: A loss is over when no other has followed for so long, seconds.
LOSS_OVER_S = 10.0
#: How fast the shown load follows, share of the newest block.
_LOAD_FOLLOWS = 0.02
#: Events held back at once in an overload.
MOST_HELD = 1024
#: The program may take so long to catch up with what was captured while it started, seconds.
CATCH_UP_S = 4.0
#: Finished alerts of the device and the disk that are kept; the oldest are forgotten first.
MOST_ENDED = 200
#: So many faults of the analysis within so long end the session, seconds.
MOST_STUMBLES = 5
STUMBLES_WITHIN_S = 60.0


class SourceLike(Protocol):
    """What a live session needs to know of its input."""

    @property
    def state(self) -> SourceState:
        """Whether it runs."""
        ...

    @property
    def note(self) -> str:
        """Why it does not."""
        ...

    @property
    def rate_note(self) -> str | None:
        """What to say where it runs at another rate than the session and is converted."""
        ...

    @property
    def started_at_s(self) -> float | None:
        """Wall clock at the first sample, seconds since 1970."""
        ...

    def time_of(self, moment_s: float) -> float | None:
        """Seconds from its first sample at a moment of the monotonic clock; None: not known."""
        ...


class LiveSession(Session):
    """`Session` that knows its device: losses, faults and the disk become alerts.

    `look` is called between blocks, and when none come.
    """

    def __init__(
        self,
        pipeline: PipelineLike,
        kit: Kit,
        sample_rate_hz: int,
        source: SourceLike,
        name: str,
        *,
        files: LiveFiles | None = None,
        outputs: Sequence[OutputsLike] = (),
        steering: Steering | None = None,
        store: Store | None = None,
        kept: Kept | None = None,
        song: SongTiming | None = None,
        click: ClickTiming | None = None,
    ) -> None:
        """``kept``: the session that is continued; its time goes on, the break counts as lost."""
        super().__init__(
            pipeline,
            kit,
            sample_rate_hz,
            files=files,
            outputs=outputs,
            source=name,
            steering=steering,
            song=song,
            click=click,
        )
        self._device = source
        self._name = name
        self._disk = files
        self._store = store
        self._kept = kept
        self._broken_at_s = time.time() - kept.away_s if kept is not None else 0.0
        self._offset = 0
        self._rate_hz = sample_rate_hz
        self._open: dict[str, Alert] = {}
        self._ended: list[Alert] = []
        self._news: list[Event] = []
        self._lost_until_s = 0.0
        self.lost_samples = 0
        self.load = 0.0
        self.overload = Overload()
        self._caught_up = False
        #: What of the time that summaries took was worked off, seconds.
        self._excused_s = 0.0
        self._held: list[Event] = []
        self._held_until_s = 0.0
        self._stumbles: deque[float] = deque(maxlen=MOST_STUMBLES)
        self._grain = self._announcing.chunk if self._announcing is not None else 0
        self._gather = Gather(self._grain)

    @property
    def time_s(self) -> float:
        """Where the session is, seconds from the first sample."""
        return self.samples_heard / self._rate_hz

    def time_of(self, moment_s: float) -> float | None:
        """Which moment of the session a moment of the monotonic clock is."""
        since_s = self._device.time_of(moment_s)
        return None if since_s is None else since_s + self._offset / self._rate_hz

    def hear(self, block: Block) -> list[Event]:
        """`feed`, with what was lost before the block said. Early reports are made at once, the
        rest of the work where the analysis has a chunk together: a short block costs more to ask
        about than to hear."""
        if self._started_at is None and self._device.started_at_s is not None:
            at = datetime.fromtimestamp(self._device.started_at_s, UTC).astimezone()
            self._started_at = at.isoformat(timespec="milliseconds")
            if self._kept is not None:
                block = self._go_on(self._kept, self._device.started_at_s, block)
            if self._store is not None:
                self._store.note(started_at=self._started_at)
        elif self._offset:
            first = block.first_sample + self._offset
            block = Block(first, block.audio, block.lost_samples, block.click)
        if block.lost_samples:
            self._note_loss(block)
        told = [*self._surely(self._announced, block)]
        for whole in self._gather.add(block):
            told += self._surely(self.feed, whole)
        return told

    def _surely(self, work: Callable[[Block], list[Event]], block: Block) -> list[Event]:
        """What ``work`` gives; nothing where it stumbled over ``block``."""
        try:
            return work(block)
        except LiveassistError:
            raise
        except Exception as fault:
            if not self._stumbled(fault, block):
                raise
            return []

    def finish(self, cut_short: str | None = None) -> SessionRecord:
        """As ever, with what was gathered; not even a fault in it keeps the files from being
        written."""
        for whole in self._gather.rest():
            with contextlib.suppress(Exception):
                self.feed(whole)
        return super().finish(cut_short)

    def _stumbled(self, fault: Exception, block: Block) -> bool:
        """Go on after a fault of the analysis, which must not end a take; whether that can be.

        A fault that comes again and again does end it: then nothing it says can be trusted.
        """
        if not isinstance(self._pipeline, Recovering):
            return False
        self.samples_heard = block.first_sample + len(block.audio)
        self._stumbles.append(self.time_s)
        again = len(self._stumbles) == MOST_STUMBLES
        if again and self.time_s - self._stumbles[0] < STUMBLES_WITHIN_S:
            return False
        self._pipeline.recover()
        where = traceback.extract_tb(fault.__traceback__)[-1]
        self._set(
            "fault",
            "The analysis stumbled and went on; hits within about a tenth of a second may be "
            f"missing. Please report it: {type(fault).__name__}, {fault}, "
            f"{Path(where.filename).name} line {where.lineno}.",
            severity="look",
        )
        return True

    def _go_on(self, kept: Kept, started_s: float, block: Block) -> Block:
        """The first block after a break, moved to its place in the session."""
        self._started_at = kept.started_at or self._started_at
        heard = round(kept.heard_s * self._rate_hz)
        gap = max(0, round((started_s - self._broken_at_s) * self._rate_hz))
        self._offset = heard + gap
        lost = block.lost_samples + gap
        return Block(block.first_sample + self._offset, block.audio, lost, block.click)

    def note_load(self, busy_s: float, frames: int) -> None:
        """Analysis of ``frames`` took ``busy_s``: the share of real time it needs."""
        share = busy_s * self._rate_hz / max(frames, 1)
        self.load += _LOAD_FOLLOWS * (share - self.load)

    def note_behind(self, samples: int) -> None:
        """So many samples were captured and wait: give way where that is too much.

        What piled up while the program itself was starting is worked off first, in full detail;
        what it held up in a pause to write the summary is no sign of a slow computer either.
        """
        waiting_s = samples / self._rate_hz
        if self._disk is not None:
            if waiting_s < STEPS_S[0] / 2.0:
                self._excused_s = self._disk.held_s
            # Bounded, so that who never catches up gives way long before the ring is full.
            excused_s = min(self._disk.held_s - self._excused_s, STEPS_S[-1])
            waiting_s = max(0.0, waiting_s - excused_s)
        if not self._caught_up and self.time_s < CATCH_UP_S and waiting_s >= STEPS_S[0]:
            return
        self._caught_up = True
        if not self.overload.note(waiting_s, self.time_s):
            return
        level = self.overload.level
        self._figures_hop = round(FIGURES_S[level] * self._rate_hz)
        if isinstance(self._pipeline, Yielding):
            self._pipeline.set_lean(level >= NO_DETAIL)

    def _tell(self, events: Sequence[Event]) -> None:
        """As ever, but after what is held back."""
        if self.overload.level < COALESCED and not self._held:
            super()._tell(events)
        else:
            self._held += events

    def _pass_on(self, events: Sequence[Event], *, figures_now: bool = False) -> None:
        """As ever, but several events at once where outputs have to give way."""
        if self.overload.level < COALESCED and not self._held:
            super()._pass_on(events, figures_now=figures_now)
            return
        self._held += events
        over = self.overload.level < COALESCED or figures_now
        if over or self.time_s >= self._held_until_s or len(self._held) >= MOST_HELD:
            held, self._held = newest(self._held), []
            self._held_until_s = self.time_s + EVENTS_S
            super()._tell(held)
            super()._pass_on((), figures_now=figures_now)

    def look(self, *, idle: bool) -> None:
        """Begin and end alerts of device and disk; with ``idle`` also pass figures on.

        While a device is away no block comes, and screens must not stand still.
        """
        away = self._device.state != "running"
        self._set("input_away", self._device.note if away else None)
        self._set("rate_changed", self._device.rate_note, severity="look")
        problems = [disk.problem for disk in (self._disk, self._store) if disk is not None]
        self._set("storage", next((said for said in problems if said is not None), None))
        self._set("overload", self.overload.sentence, severity="look")
        if "fault" in self._open and self.time_s > self._stumbles[-1] + LOSS_OVER_S:
            self._end("fault")
        if "audio_lost" in self._open and self.time_s > self._lost_until_s:
            self._end("audio_lost")
        if idle:
            # The device is silent: what waits need wait no longer.
            for whole in self._gather.rest():
                self._surely(self.feed, whole)
        if idle or self._news:
            news, self._news = self._news, []
            self._pass_on(news, figures_now=True)

    def snapshot(self) -> Snapshot:
        """The figures now, with the device's and the disk's alerts first."""
        snapshot = super().snapshot()
        away = self._device.state != "running"
        shown = dataclasses.replace(
            snapshot,
            alerts=(*self._open.values(), *snapshot.alerts),
            lost_samples=self.lost_samples,
            load=self.load,
            source=f"{self._name} (away)" if away else self._name,
        )
        return shown if self._steering is None else self._steering.shown(shown)

    def record(self, *, hits: bool = True) -> SessionRecord:
        """What the session would leave behind now, device and disk alerts included."""
        record = super().record(hits=hits)
        ours = sorted((*self._ended, *self._open.values()), key=lambda alert: alert.start_s)
        return dataclasses.replace(
            record, alerts=(*record.alerts, *ours), lost_samples=self.lost_samples
        )

    def _note_loss(self, block: Block) -> None:
        self.lost_samples += block.lost_samples
        at_s = (block.first_sample - block.lost_samples) / self._rate_hz
        self._lost_until_s = block.first_sample / self._rate_hz + LOSS_OVER_S
        before = self._open.get("audio_lost")
        lost_ms = 1000.0 * block.lost_samples / self._rate_hz
        if before is not None:
            at_s = before.start_s
            lost_ms += before.value or 0.0
        alert = Alert(
            key="audio_lost",
            start_s=at_s,
            end_s=None,
            when="now",
            severity="look",
            sentence=(
                f"{_length(lost_ms)} of audio did not arrive; hits in it are missing from the "
                "figures. Close other programs or choose a larger buffer if it comes again."
            ),
            value=lost_ms,
            unit="ms",
        )
        self._open["audio_lost"] = alert
        if before is None:
            self._news.append(alert)

    def _set(
        self, key: str, sentence: str | None, severity: Literal["look", "stop"] = "stop"
    ) -> None:
        """Let the alert ``key`` last while there is a sentence for it."""
        if sentence is None:
            if key in self._open:
                self._end(key)
        elif key not in self._open:
            alert = Alert(
                key=key,
                start_s=self.time_s,
                end_s=None,
                when="now",
                severity=severity,
                sentence=sentence,
            )
            self._open[key] = alert
            self._news.append(alert)
        else:
            # Screens show how it stands; it is still the same alert, told once.
            self._open[key] = dataclasses.replace(self._open[key], sentence=sentence)

    def _end(self, key: str) -> None:
        alert = dataclasses.replace(self._open.pop(key), end_s=self.time_s)
        self._ended.append(alert)
        del self._ended[:-MOST_ENDED]
        self._news.append(alert)


def _length(milliseconds: float) -> str:
    if milliseconds < 1000.0:
        return f"{milliseconds:.0f} ms"
    return f"{milliseconds / 1000.0:.1f} s"
