"""What is learned of the kit while listening, kept beside the session: a break costs nothing.

Written every `EVERY_S` and at the end by a thread of its own, read when a session that broke off
goes on. A file that is damaged or of another kit is not used; learning then begins anew.
"""

from __future__ import annotations

import json
import os
import threading
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from liveassist.model import Event, Kit, OutputState, Snapshot

FILE_NAME = "session.lessons.npz"
FORMAT = 1
#: How often it is written, seconds of the session: the first signatures take about so long.
EVERY_S = 20.0

Power = npt.NDArray[np.float32]


class StudentLike(Protocol):
    """What learns while listening."""

    @property
    def noise(self) -> Power:
        """Noise floor."""
        ...

    def kept(self) -> dict[str, list[Power]]:
        """Exemplars by drum; they are never changed later."""
        ...

    def take_up(self, kept: Mapping[str, Sequence[Power]], noise: Power) -> None:
        """Go on from these."""
        ...


class HearingLike(Protocol):
    """The part of the analysis that learns."""

    @property
    def student(self) -> StudentLike | None:
        """What learns; None where a soundcheck was learned."""
        ...


@runtime_checkable
class Learning(Protocol):
    """An analysis that learns while listening."""

    @property
    def hearing(self) -> HearingLike:
        """The part that does."""
        ...


class Lessons:
    """An output of the session that keeps what ``pipeline`` learns in ``folder``.

    ``problem``: why the last writing failed, None if it did not.
    """

    def __init__(self, folder: Path, kit: Kit, student: StudentLike) -> None:
        self._path = folder / FILE_NAME
        self._mics = [mic.name for mic in kit.mics]
        self._student = student
        self._due_s = EVERY_S
        self._thread: threading.Thread | None = None
        self.problem: str | None = None

    def events(self, events: Sequence[Event]) -> None:
        """Nothing: it asks now and then."""

    def figures(self, snapshot: Snapshot) -> None:
        """Write if it is time and the last writing is done. Never waits."""
        busy = self._thread is not None and self._thread.is_alive()
        if snapshot.time_s >= self._due_s and not busy:
            self._due_s = snapshot.time_s + EVERY_S
            self._begin()

    def states(self) -> tuple[OutputState, ...]:
        """Nothing: a lost lesson is no fault of an output."""
        return ()

    def close(self) -> None:
        """Write what is known and wait for it. May be called twice."""
        if self._thread is not None:
            self._thread.join()
        self._begin()
        if self._thread is not None:
            self._thread.join()

    def _begin(self) -> None:
        kept, noise = self._student.kept(), self._student.noise.copy()
        if kept:
            self._thread = threading.Thread(target=self._write, args=(kept, noise), name="lessons")
            self._thread.start()

    def _write(self, kept: Mapping[str, Sequence[Power]], noise: Power) -> None:
        about = {"format": FORMAT, "mics": self._mics, "drums": list(kept)}
        arrays: dict[str, npt.NDArray[np.generic]] = {
            "about": np.frombuffer(json.dumps(about).encode(), dtype=np.uint8),
            "noise": noise,
        }
        for number, hits in enumerate(kept.values()):
            arrays[f"drum_{number}"] = np.stack(hits)
        part = self._path.with_name(f".{self._path.name}.{os.getpid()}.part")
        try:
            with part.open("wb") as file:
                np.savez(file, **arrays)  # type: ignore[arg-type]
            part.replace(self._path)
            self.problem = None
        except OSError as problem:
            self.problem = f"{self._path}: cannot be written: {problem.strerror or problem}"
        finally:
            part.unlink(missing_ok=True)


def lessons_for(folder: Path, kit: Kit, pipeline: object, *, going_on: bool) -> Lessons | None:
    """The keeper for ``pipeline``, which first takes up what is in ``folder`` where the session
    goes on; None where nothing is learned on the way."""
    student = pipeline.hearing.student if isinstance(pipeline, Learning) else None
    if student is None:
        return None
    if going_on:
        known = read_lessons(folder / FILE_NAME, kit)
        if known is not None:
            student.take_up(*known)
    return Lessons(folder, kit, student)


def read_lessons(path: Path, kit: Kit) -> tuple[dict[str, list[Power]], Power] | None:
    """Exemplars by drum and the noise floor; None where there is no file that fits the kit."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            about = json.loads(bytes(data["about"]).decode())
            if about["format"] != FORMAT or about["mics"] != [mic.name for mic in kit.mics]:
                return None
            noise = np.asarray(data["noise"], dtype=np.float32)
            kept: dict[str, list[Power]] = {}
            for number, drum in enumerate(about["drums"]):
                hits = np.asarray(data[f"drum_{number}"], dtype=np.float32)
                # Exemplar, window, microphone, band.
                if hits.ndim != 4 or hits.shape[2:] != noise.shape or not np.isfinite(hits).all():
                    return None
                kept[str(drum)] = list(hits)
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile, zlib.error):
        return None
    return kept, noise
