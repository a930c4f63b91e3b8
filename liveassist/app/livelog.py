"""What happened while nobody looked: alerts and takes, a line each, in files that stay small."""

from __future__ import annotations

import logging
import logging.handlers
from collections.abc import Sequence
from pathlib import Path

from liveassist.app.atomic import storage_error
from liveassist.model import Alert, Event, OutputState, Review, Snapshot, Take

#: Largest log file, bytes, and how many old ones are kept beside it: at most 4 MB in all.
LARGEST_BYTES = 1_000_000
OLD_KEPT = 3


class _QuietHandler(logging.handlers.RotatingFileHandler):
    """Says nothing on standard error when the disk is full: the screen is not ours."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (the library's name)
        """Let the line go."""


class LiveLog:
    """An output of the session that writes alerts and takes to ``path``, turned over by size.

    StorageError if the file cannot be opened; a disk that fills later is left to the session's
    own files to report.
    """

    def __init__(
        self, path: Path, largest_bytes: int = LARGEST_BYTES, old_kept: int = OLD_KEPT
    ) -> None:
        self.path = path
        # A logger of its own: no global one is touched.
        self._logger = logging.Logger("liveassist")
        self._judged: Review | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._handler = _QuietHandler(
                path, maxBytes=largest_bytes, backupCount=old_kept, encoding="utf-8"
            )
        except OSError as problem:
            raise storage_error(path, problem) from None
        self._handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        self._logger.addHandler(self._handler)

    def say(self, sentence: str) -> None:
        """One line of the daemon's own."""
        self._logger.info("%s", sentence)

    def events(self, events: Sequence[Event]) -> None:
        """Write what begins and ends."""
        for event in events:
            if isinstance(event, Alert):
                self._alert(event)
            elif isinstance(event, Take):
                over = event.end_s is not None
                if event.was is not None:
                    self._logger.info("%s is called %s", event.was, event.name)
                    continue
                self._logger.info("%s %s", event.name, "ended" if over else "began")

    def figures(self, snapshot: Snapshot) -> None:
        """The verdict on a take that ended, and what changed in it; figures are in the files."""
        said = snapshot.review
        if said is None or said is self._judged:
            return
        self._judged = said
        level = logging.INFO if said.verdict.light == "fine" else logging.WARNING
        verdict = said.verdict
        self._logger.log(level, "%s: %s. %s", verdict.take, verdict.light, verdict.sentence)
        for change in snapshot.changes:
            self._logger.info("%s: %s", verdict.take, change.sentence)

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: the log is no output to the outside."""
        return ()

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._handler.close()

    def _alert(self, alert: Alert) -> None:
        level = logging.WARNING if alert.severity != "info" else logging.INFO
        if alert.end_s is not None:
            self._logger.info("over: %s", alert.sentence)
        else:
            self._logger.log(level, "%s", alert.sentence)
