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
        self._changed = threading.Condition()
        #: The latest state that is not written yet, and the thread that writes while there is one.
        self._waiting: Learned | None = None
        self._thread: threading.Thread | None = None
        self._before: Learned | None = None
        self._looked = False
        #: Why the last writing failed; None if it did not.
        self.problem: str | None = None

    def keep(self, learned: Learned) -> str:
        """Have it written by a thread; where to, in words for the person.

        Each state holds all earlier corrections too, so only the latest that waits is written, and
        one thread at a time does it: a later state is never replaced by an earlier one.
        """
        known = replace(
            learned,
            noise=learned.noise.copy(),
            signatures=dict(learned.signatures),
            corrections=list(learned.corrections),
        )
        with self._changed:
            self._waiting = known
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="corrections")
                self._thread.start()
        problem = self.problem
        trouble = f"; the last could not be kept: {problem}" if problem else ""
        return f", kept in {self._path.name}{trouble}"

    def close(self) -> None:
        """Wait until all is written. May be called twice."""
        with self._changed:
            self._changed.wait_for(lambda: self._thread is None)

    def _work(self) -> None:
        while True:
            with self._changed:
                known, self._waiting = self._waiting, None
                if known is None:
                    self._thread = None
                    self._changed.notify_all()
                    return
            try:
                write_learned(self._merged(known), self._path)
                self.problem = None
            except LiveassistError as problem:
                self.problem = str(problem)
            except Exception as fault:
                # A fault of ours: said like the others, and nobody waits for this thread in vain.
                self.problem = f"{type(fault).__name__}: {fault}"

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
