"""The session in a file that survives whatever ends the program: SQLite, written by a thread.

Everything that cannot be heard again is in it within a second: hits once they are sure, alerts,
takes, reference, aim, marks, and how far was heard. After a crash the next start with the same
folder goes on from there (see `app.storefile` for reading).

*Write-ahead log*, so that a transaction is whole or not there, however the program ends, and
readers never hold the writer up. *synchronous = FULL*: in this mode NORMAL keeps the file sound
after a power cut but may lose the transactions since the last checkpoint, minutes of playing; FULL
syncs the log at every commit, so a power cut costs no more than a kill: what was not yet committed.
It costs one sync a commit, four a second at most, on this thread only (sqlite.org/pragma).

What waits is kept by its key, a later state in the place of the earlier, at most `MOST_WAITING`;
beyond that the oldest hit falls out and is counted, never what tells whose session it is and what
it stands on. A disk that is full changes nothing else: what
waits goes on waiting and is written when there is room.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from liveassist.app.kittoml import kit_toml
from liveassist.app.parts import Booked, Continuing, PipelineLike
from liveassist.app.storefile import FILE_NAME, PRAGMAS, SCHEMA_SQL, SCHEMA_VERSION, Kept
from liveassist.app.wire import to_plain
from liveassist.model import Alert, Event, Hit, Kit, OutputState, Snapshot, Standing

#: Longest time something waits to be committed, and between two notes of how far was heard, s.
COMMIT_S = 0.25
HEARTBEAT_S = 0.5
#: After a failed commit the next is tried so much later, s.
RETRY_S = 1.0
#: Rows that may wait: an hour of hits.
MOST_WAITING = 20_000
#: Hits that keep their ringing spectrum in the file (1.7 kB each), enough for reference and take.
PATTERN_HITS = 8_000

#: What names a row: its kind and what tells it from others of that kind.
Key = tuple[str, ...]
Connect = Callable[[str], sqlite3.Connection]


class Store:
    """An output of the session that keeps everything in ``path`` (see the module's text).

    ``standing`` gives takes, reference, aim and marks as they are; it is asked on the thread that
    feeds the session. ``between_hits`` gives what margins need besides the hits, asked at the end.
    ``problem`` is the sentence of the last failure, None once writing works.
    """

    def __init__(
        self,
        path: Path,
        standing: Callable[[], Standing],
        wall: Callable[[], float] = time.time,
        connect: Connect = sqlite3.connect,
        between_hits: Callable[[], str] | None = None,
    ) -> None:
        self.path = path
        self.problem: str | None = None
        self.dropped = 0
        self.written = 0
        self.most_waiting = 0
        self._standing = standing
        self._last: Standing | None = None
        self._wall = wall
        self._connect = connect
        self._between_hits = between_hits
        self._waiting: dict[Key, Any] = {}
        self._heard: tuple[float, float] | None = None
        self._changed = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)
        self._thread.start()

    # --- called by the session ------------------------------------------------------------------

    def note(self, **facts: str | float | None) -> None:
        """Keep facts about the session (``kit``, ``started_at``)."""
        for name, value in facts.items():
            self._put(("fact", name), value)

    def events(self, events: Sequence[Event]) -> None:
        """Keep hits that are sure, and alerts; takes come with `figures`. Never waits."""
        for event in events:
            if isinstance(event, Hit):
                if event.stage != "early":
                    self._put(("hit", str(event.number)), event)
            elif isinstance(event, Alert):
                subject = (event.key, event.drum or "", event.mic or "", repr(event.start_s))
                self._put(("alert", *subject), event)

    def figures(self, snapshot: Snapshot) -> None:
        """Note how far was heard, and takes and settings where they changed. Never waits."""
        standing = self._standing()
        with self._changed:
            # Both at once: whoever goes on must not find a take that begins after what was heard.
            if standing != self._last:
                self._last = standing
                self._put(("fact", "standing"), standing)
            self._heard = (snapshot.time_s, self._wall())

    def states(self) -> tuple[OutputState, ...]:
        """Whether it writes, how many rows were written and how many fell out."""
        state = OutputState("session store", "store", "ok", self.written, self.dropped)
        problem = self.problem
        return (state if problem is None else replace(state, state="down", note=problem),)

    def finished(self) -> None:
        """The session ended in order: it will not be continued, but its takes may be edited."""
        if self._between_hits is not None:
            self.note(between_hits=self._between_hits())
        self._put(("fact", "ended"), 1.0)

    def close(self) -> None:
        """Commit what waits, once, and let go. May be called twice."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join()

    def _put(self, key: Key, value: Any) -> None:
        with self._changed:  # may be held already: a condition's lock is re-entrant
            if key not in self._waiting and len(self._waiting) >= MOST_WAITING:
                del self._waiting[_least_missed(self._waiting)]
                self.dropped += 1
            self._waiting[key] = value
            self.most_waiting = max(self.most_waiting, len(self._waiting))

    # --- the thread --------------------------------------------------------------------------

    def _work(self) -> None:
        db: sqlite3.Connection | None = None
        pause_s = COMMIT_S
        beaten: float | None = None
        while True:
            with self._changed:
                if not self._closing:
                    self._changed.wait(pause_s)
                last = self._closing
                rows, heard = dict(self._waiting), self._heard
            due = heard is not None and (beaten is None or heard[0] - beaten >= HEARTBEAT_S or last)
            pause_s = COMMIT_S
            if rows or due:
                try:
                    db = db or self._open()
                    self._commit(db, rows, heard)
                    self._done(rows)
                    beaten = heard[0] if heard is not None else None
                except (sqlite3.Error, OSError) as problem:
                    self.problem = f"{self.path}: cannot be written: {_remedy(problem)}"
                    _close(db)
                    db, pause_s = None, RETRY_S
            if last:
                _close(db)
                return

    def _open(self) -> sqlite3.Connection:
        db = self._connect(str(self.path))
        try:
            db.isolation_level = None
            for pragma in PRAGMAS:
                db.execute(pragma)
            db.executescript(SCHEMA_SQL)
            db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        except BaseException:
            _close(db)
            raise
        return db

    def _commit(
        self, db: sqlite3.Connection, rows: dict[Key, Any], heard: tuple[float, float] | None
    ) -> None:
        db.execute("BEGIN IMMEDIATE")
        try:
            for key, value in rows.items():
                _write(db, key, value)
            if heard is not None:
                _write(db, ("fact", "heard"), {"time_s": heard[0], "wall_s": heard[1]})
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise

    def _done(self, rows: dict[Key, Any]) -> None:
        with self._changed:
            for key, value in rows.items():
                if self._waiting.get(key) is value:
                    del self._waiting[key]
        self.written += len(rows)
        self.problem = None


def keep(folder: Path, kit: Kit, pipeline: PipelineLike, kept: Kept | None) -> Store | None:
    """Keep a session in ``folder``, going on with ``kept`` if there is something to go on with.

    None where the analysis cannot tell what a session stands on.
    """
    if not isinstance(pipeline, Continuing):
        return None
    if kept is not None:
        pipeline.resume(kept.standing, kept.hits, kept.alerts, kept.heard_s)
    between = pipeline.book.between_hits if isinstance(pipeline, Booked) else None
    store = Store(folder / FILE_NAME, pipeline.standing, between_hits=between)
    store.note(kit=kit_toml(kit))
    return store


def _least_missed(waiting: dict[Key, Any]) -> Key:
    """What falls out first: the oldest hit, else the oldest of all (facts are a handful)."""
    return next((key for key in waiting if key[0] == "hit"), next(iter(waiting)))


def _write(db: sqlite3.Connection, key: Key, value: Any) -> None:
    kind = key[0]
    if kind == "hit":
        _write_hit(db, value)
    elif kind == "alert":
        db.execute(
            "INSERT OR REPLACE INTO alerts VALUES (?, ?, ?)",
            ("\n".join(key[1:]), value.start_s, json.dumps(to_plain(value))),
        )
    else:
        db.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key[1], _fact(value)))


def _fact(value: Any) -> str:
    return json.dumps(to_plain(value))


def _write_hit(db: sqlite3.Connection, hit: Hit) -> None:
    if hit.stage == "withdrawn":
        db.execute("DELETE FROM hits WHERE number = ?", (hit.number,))
        return
    pattern = hit.measures.pattern if hit.measures is not None else None
    db.execute(
        "INSERT OR REPLACE INTO hits VALUES (?, ?, ?, ?, ?)",
        (
            hit.number,
            hit.time_s,
            hit.drum,
            zlib.compress(json.dumps(to_plain(hit)).encode(), 1),
            None if pattern is None else pattern.astype("<f4").tobytes(),
        ),
    )
    if hit.number % 1024 == 0:
        db.execute(
            "UPDATE hits SET pattern = NULL WHERE number < ? AND pattern IS NOT NULL",
            (hit.number - PATTERN_HITS,),
        )


def _remedy(problem: Exception) -> str:
    text = str(problem)
    if "full" in text:
        return "the disk is full; make room, writing goes on by itself"
    if "readonly" in text or "unable to open" in text:
        return "you may not write there; name another folder"
    return text


def _close(db: sqlite3.Connection | None) -> None:
    if db is not None:
        with contextlib.suppress(sqlite3.Error):
            db.close()
