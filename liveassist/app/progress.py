"""Where a person watches: how wide the terminal is, and a bar that says how far a job has come."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

#: Redrawing more often only costs time.
_REDRAW_EVERY_S = 0.1


def columns(stream: TextIO) -> int | None:
    """Columns of the terminal that ``stream`` writes to; None where it is none."""
    return shutil.get_terminal_size().columns if stream.isatty() else None


class ProgressBar:
    """Context manager. Draws on ``stream`` if that is a terminal, and nothing at all otherwise.

    ``total_s``: length of the job in seconds of audio. No thread is started.
    """

    def __init__(
        self,
        what: str,
        total_s: float,
        stream: TextIO,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock = clock
        self._begun_s = clock()
        self._due_s = self._begun_s
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        if stream.isatty():
            self._bar, self._task = _make_bar(what, total_s, stream)

    def __enter__(self) -> Self:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def at(self, done_s: float) -> None:
        """The job has come as far as ``done_s`` seconds of audio."""
        now_s = self._clock()
        if self._bar is None or self._task is None or now_s < self._due_s:
            return
        self._due_s = now_s + _REDRAW_EVERY_S
        speed = done_s / max(now_s - self._begun_s, 1e-3)
        self._bar.update(self._task, completed=done_s, speed=f"{speed:.0f} × real time")
        self._bar.refresh()


def _make_bar(what: str, total_s: float, stream: TextIO) -> tuple[Progress, TaskID]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeLeft(compact=True),
        TextColumn("left, {task.fields[speed]}"),
        console=Console(file=stream),
        auto_refresh=False,
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    return bar, bar.add_task(what, total=total_s, speed="")
