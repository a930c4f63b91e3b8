"""The session's files while it is live: written by a thread, so that no disk holds analysis up.

A disk that is full or gone does not end the session: it is said once, writing is tried again, and
everything known is written when it works.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from liveassist.app.atomic import write_whole
from liveassist.app.heap import give_back
from liveassist.app.sessionfiles import (
    HITS_EVERY_S,
    SUMMARY_EVERY_S,
    SUMMARY_REST,
    SessionFiles,
)
from liveassist.app.summary import SummaryText
from liveassist.errors import StorageError
from liveassist.model import Event, Hit, SessionRecord

#: After a failed writing the next is tried so much later, seconds.
RETRY_S = 5.0
#: Making the summary may hold analysis up so long while drums are played (a hit that comes
#: meanwhile is reported so much later), and in a pause, seconds; the ring holds eight.
LONGEST_HOLD_S = 0.010
LONGEST_HOLD_IN_PAUSE_S = 1.0
#: Nothing was hit for so long: a pause, seconds.
PAUSE_S = 3.0
#: How many times longer than a writing took the next one waits.
HITS_REST = 30.0


@dataclass(frozen=True, slots=True)
class _Job:
    """What is to be written. ``hits``: text of hits.csv, in pieces; ``record`` None: the hits
    only."""

    record: SessionRecord | None
    hits: Sequence[str]
    further: Mapping[str, str]


class LiveFiles(SessionFiles):
    """`SessionFiles` whose writings while running happen in a thread of their own.

    At most one writing waits; a newer one replaces it. ``problem`` is the sentence of the last
    failure, None once writing works again.
    """

    def __init__(
        self,
        folder: Path,
        clock: Callable[[], float] = time.monotonic,
        *,
        going_on: bool = False,
    ) -> None:
        """``going_on``: the files there are of the session that is continued, and stay."""
        super().__init__(folder, clock, going_on=going_on)
        self.problem: str | None = None
        self.failures = 0
        #: How long analysis was held up by the making of summaries, seconds, in all.
        self.held_s = 0.0
        self._only_in_pause = False
        self._hit_at_s = -math.inf
        self._job: _Job | None = None
        self._ending = False
        #: Used by the thread alone.
        self._text_on_the_way = SummaryText()
        self._wanted = threading.Condition()
        self._thread = threading.Thread(target=self._work, name="files", daemon=True)
        self._thread.start()

    def collect(self, events: Iterable[Event]) -> None:
        """As ever; and note when something was hit."""
        events = list(events)
        if any(isinstance(event, Hit) for event in events):
            self._hit_at_s = self._clock()
        super().collect(events)

    def write_if_due(self, record: Callable[[], SessionRecord]) -> None:
        """Hand what is due to the thread; ``record`` is asked only when summary.json is."""
        now_s = self._clock()
        pause = now_s - self._hit_at_s >= PAUSE_S
        if now_s >= self._summary_due_s and (pause or not self._only_in_pause):
            known = record()
            spent_s = self._clock() - now_s
            self.held_s += spent_s
            rest_s = max(SUMMARY_EVERY_S, SUMMARY_REST * spent_s)
            # After some minutes of playing it would hold analysis up: it waits for a pause, and
            # after many hours for the end. The store has everything meanwhile.
            self._only_in_pause = spent_s >= LONGEST_HOLD_S
            too_long = spent_s >= LONGEST_HOLD_IN_PAUSE_S
            self._summary_due_s = math.inf if too_long else now_s + rest_s
            self._hand_over(known)
        elif self._changed and now_s >= self._hits_due_s:
            self._hand_over(None)

    def finish(self) -> None:
        """Let a writing under way end and stop the thread. May be called twice."""
        with self._wanted:
            self._ending = True
            self._job = None
            self._wanted.notify()
        self._thread.join()

    def _hand_over(self, record: SessionRecord | None) -> None:
        self._changed = False
        self._hits_due_s = self._clock() + HITS_EVERY_S
        further = self.further()
        with self._wanted:
            if record is None and self._job is not None:
                record = self._job.record
            self._job = _Job(record, self._hits.pieces(), further)
            self._wanted.notify()

    def _work(self) -> None:
        while True:
            with self._wanted:
                while self._job is None and not self._ending:
                    self._wanted.wait()
                if self._job is None:
                    return
                job, self._job = self._job, None
            self._try(job)

    def _try(self, job: _Job) -> None:
        begun_s = self._clock()
        try:
            write_whole(self.hits_path, job.hits)
            if job.record is not None:
                write_whole(self.summary_path, self._text_on_the_way.pieces(job.record))
                self._write_kit(job.record.kit)
                if self._clock() - self._hit_at_s >= PAUSE_S:
                    # Others who ask for memory wait meanwhile: not while a hit may come.
                    give_back()
            self._write_further(job.further)
            self.problem = None
            self._hits_due_s = self._clock() + max(
                HITS_EVERY_S, HITS_REST * (self._clock() - begun_s)
            )
        except StorageError as problem:
            self.failures += 1
            self.problem = str(problem)
            self._summary_due_s = self._clock() + RETRY_S
