"""The self-audit beside a live session: in a process of its own, so that no hit waits for it."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from typing import TYPE_CHECKING

from liveassist.app.parts import PipelineLike
from liveassist.model import Event, OutputState, SessionRecord, Snapshot

if TYPE_CHECKING:
    from liveassist.audit import Job, Trial

#: An audit looks back this far, so that is how often a recording is audited, s.
RECORDING_EVERY_S = 8.0
#: How much other work goes first.
NICE = 10


class Auditor:
    """Runs one audit at a time for ``pipeline``. ``close`` ends what runs."""

    def __init__(self, pipeline: PipelineLike) -> None:
        self._pipeline = pipeline
        self._pool: ProcessPoolExecutor | None = None
        self._running: Future[list[Trial]] | None = None

    def start(self) -> str | None:
        """Begin with what was heard in the last seconds; why not, where it cannot."""
        if self._running is not None:
            return "the last one is not done yet"
        job = self._pipeline.audit_job()
        if job is None:
            return "no clear hit of the last seconds can be tried softer; play, and ask again"
        if self._pool is None:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context)
        self._running = self._pool.submit(audit_in_process, job)
        return None

    def result(self) -> list[Trial] | None:
        """What the audit found, once; None while it runs, or where none does.

        Where its process was ended, the list is empty.
        """
        if self._running is None or not self._running.done():
            return None
        done, self._running = self._running, None
        if done.cancelled() or done.exception() is not None:
            self.close()
            return []
        return done.result()

    def close(self) -> None:
        """End the process. May be called twice."""
        pool, self._pool, self._running = self._pool, None, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)


def audit_in_process(job: Job) -> list[Trial]:
    """`audit.run`, after everything else that wants the processor."""
    from liveassist.audit import run

    if hasattr(os, "nice"):
        os.nice(NICE)
    return run(job)


class RecordingAudit:
    """A self-audit of every stretch of a recording, as long as one looks back.

    An output of the session in name only: it wants to know how far the recording was heard.
    """

    def __init__(self, pipeline: PipelineLike) -> None:
        self._pipeline = pipeline
        self._due_s = RECORDING_EVERY_S

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: hits are asked of the pipeline."""

    def figures(self, snapshot: Snapshot) -> None:
        """Run an audit if one is due."""
        if snapshot.time_s < self._due_s:
            return
        from liveassist.audit import run

        self._due_s = snapshot.time_s + RECORDING_EVERY_S
        job = self._pipeline.audit_job()
        if job is not None:
            self._pipeline.take_audit(run(job, passes=1))

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: it sends nothing."""
        return ()

    def close(self) -> None:
        """Nothing is held."""


def audit_lines(record: SessionRecord) -> list[str]:
    """What the audits of a session found, in words."""
    found = [audit.sentence for audit in record.audit.values()]
    return found or ["Self-audit: no clear hit could be tried softer."]
