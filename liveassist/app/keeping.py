"""Corrections kept with the kit: written at once, beside its profile, without holding analysis up.

They go into the learned file in use; without one into the file a soundcheck would write, beside
what is in it already.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from liveassist.app.learned import NOTHING, default_learned_path, read_learned, write_learned
from liveassist.app.resources import bundled, find_profile
from liveassist.errors import LiveassistError
from liveassist.model import Kit

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned


class CorrectionsKeeper:
    """Keeps what corrections taught in ``path``; ``used``: whether the session learned from it."""

    def __init__(self, path: Path, kit: Kit, used: bool) -> None:
        self._path = path
        self._kit = kit
        self._used = used
        self._lock = threading.Lock()
        self._threads: list[threading.Thread] = []
        self._before: Learned | None = None
        self._looked = False
        #: Why the last writing failed; None if it did not.
        self.problem: str | None = None

    def keep(self, learned: Learned) -> str:
        """Write in a thread of its own; where to, in words for the person."""
        known = replace(
            learned,
            noise=learned.noise.copy(),
            signatures=dict(learned.signatures),
            corrections=list(learned.corrections),
        )
        thread = threading.Thread(target=self._write, args=(known,), name="corrections")
        self._threads = [one for one in self._threads if one.is_alive()] + [thread]
        thread.start()
        trouble = f"; the last could not be kept: {self.problem}" if self.problem else ""
        return f", kept in {self._path.name}{trouble}"

    def close(self) -> None:
        """Wait until all is written. May be called twice."""
        for thread in self._threads:
            thread.join()
        self._threads = []

    def _write(self, known: Learned) -> None:
        with self._lock:
            try:
                write_learned(self._merged(known), self._path)
                self.problem = None
            except LiveassistError as problem:
                self.problem = str(problem)

    def _merged(self, known: Learned) -> Learned:
        if self._used:
            return known
        if not self._looked:
            self._looked = True
            if self._path.exists():
                self._before = read_learned(self._path, self._kit)
        if self._before is None:
            return known
        # A soundcheck that was not in use stays as it is; the corrections are added to it.
        corrections = [*self._before.corrections, *known.corrections]
        return replace(self._before, corrections=corrections)


def keeper_for(kit_given: str, learned_given: str, kit: Kit) -> CorrectionsKeeper:
    """The keeper of a session with these options."""
    if learned_given != NOTHING:
        return CorrectionsKeeper(Path(learned_given), kit, used=True)
    profile = find_profile("kits", kit_given)
    path = default_learned_path(profile, profile in bundled("kits").values())
    return CorrectionsKeeper(path, kit, used=False)
