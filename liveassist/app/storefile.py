"""The file of `app.store`: its layout, reading it after a crash, and what to do where it is odd.

A file that is half written, damaged or of another version never stops a session: it is kept beside
under another name, said in one sentence, and a new one begun.
"""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
import time
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from liveassist.app.atomic import storage_error
from liveassist.app.kittoml import kit_toml
from liveassist.app.wire import from_plain, to_plain
from liveassist.errors import ConfigError, StorageError
from liveassist.model import Alert, Hit, Kit, Standing, Take
from liveassist.rolling.takeedits import meet

FILE_NAME = "session.db"
#: Files that belong together: the database, its log and its index of the log.
PARTS = (FILE_NAME, FILE_NAME + "-wal", FILE_NAME + "-shm")
SCHEMA_VERSION = 1
#: A session broken off longer ago than this is not continued, hours.
STALE_H = 6.0

PRAGMAS = ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL")
SCHEMA_SQL = """
CREATE TABLE IF NOT EXISTS facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS hits (
    number INTEGER PRIMARY KEY, time_s REAL NOT NULL, drum TEXT NOT NULL,
    data BLOB NOT NULL, pattern BLOB);
CREATE TABLE IF NOT EXISTS alerts (
    subject TEXT PRIMARY KEY, start_s REAL NOT NULL, data TEXT NOT NULL) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Kept:
    """A session that was broken off. ``heard_s``: how far it had come; ``away_s``: how long ago."""

    hits: tuple[Hit, ...]
    alerts: tuple[Alert, ...]
    standing: Standing
    heard_s: float
    away_s: float
    started_at: str | None

    @property
    def last_number(self) -> int:
        """Highest number of a hit."""
        return max((hit.number for hit in self.hits), default=0)


@dataclass(frozen=True, slots=True)
class Found:
    """What is in a folder: a session to continue or None, and a sentence to say or None."""

    kept: Kept | None
    said: str | None


def find(folder: Path, kit: Kit, now_s: float | None = None) -> Found:
    """What to continue in ``folder``. ``now_s``: wall clock, seconds since 1970.

    A file that cannot be used is renamed. StorageError only where even that is refused.
    """
    path = folder / FILE_NAME
    if not path.exists():
        return Found(None, None)
    try:
        facts, hits, alerts = _read(path)
        standing, heard = _standing(facts), _heard(facts)
    except _OddError as odd:
        kept_as = _rename(folder)
        return Found(None, f"{path} {odd}; it is kept as {kept_as.name} and a new one is begun.")
    if "ended" in facts or heard is None:
        return Found(None, None)
    away_s = max(0.0, (time.time() if now_s is None else now_s) - heard[1])
    if away_s > STALE_H * 3600.0:
        return Found(None, f"The session in {folder} broke off {away_s / 3600.0:.0f} hours ago.")
    if facts.get("kit") != kit_toml(kit):
        return Found(None, f"The session in {folder} broke off, but was of another kit profile.")
    said = facts.get("started_at")
    started = said if isinstance(said, str) else None
    kept = Kept(hits, alerts, standing, heard[0], away_s, started)
    lost = "less than a minute" if away_s < 60.0 else f"{away_s / 60.0:.0f} minutes"
    return Found(kept, f"Going on with the session of {len(hits)} hits broken off {lost} ago.")


def discard(folder: Path) -> None:
    """Remove the file of a session that is not wanted any more."""
    try:
        for part in PARTS:
            (folder / part).unlink(missing_ok=True)
    except OSError as problem:
        raise storage_error(folder / FILE_NAME, problem) from None


@dataclass(frozen=True, slots=True)
class Stored:
    """All that the file holds of a session. ``written_s``: wall clock of its last writing;
    ``between_hits``: levels between hits, None where it did not end in order."""

    kit: str
    hits: tuple[Hit, ...]
    alerts: tuple[Alert, ...]
    standing: Standing
    heard_s: float
    written_s: float
    ended: bool
    between_hits: str | None = None


def read_store(folder: Path) -> Stored:
    """The session kept in ``folder``, whether it has ended or not; ConfigError where there is none
    that this version can read."""
    path = folder / FILE_NAME
    if not path.is_file():
        raise ConfigError(
            f"{folder}: there is no {FILE_NAME} in it, which holds what was measured of each hit; "
            "play the recording through liveassist replay again with --out, then edit there"
        )
    try:
        facts, hits, alerts = _read(path)
        standing, heard = _standing(facts), _heard(facts)
    except _OddError as odd:
        raise ConfigError(f"{path} {odd}; its takes cannot be edited") from None
    if heard is None or not isinstance(facts.get("kit"), str):
        raise ConfigError(f"{path}: nothing was heard in this session")
    levels = facts.get("between_hits")
    between = levels if isinstance(levels, str) else None
    return Stored(
        facts["kit"], hits, alerts, standing, heard[0], heard[1], "ended" in facts, between
    )


def unkept_stretches(folder: Path) -> list[Take]:
    """Stretches of playing that no marked take has a part of; none where takes are not marked, or
    there is no store to tell."""
    path = folder / FILE_NAME
    if not path.is_file():
        return []
    try:
        with contextlib.closing(sqlite3.connect(str(path))) as db:
            row = db.execute("SELECT value FROM facts WHERE name = 'standing'").fetchone()
        standing = from_plain(Standing, json.loads(row[0])) if row is not None else Standing()
    except (sqlite3.Error, ValueError):
        return []
    marks = [take for take in standing.takes if not take.provisional]
    stretches = [take for take in standing.takes if take.provisional and take.end_s is not None]
    return [one for one in stretches if marks and not any(meet(one, mark) for mark in marks)]


def keep_standing(folder: Path, standing: Standing) -> None:
    """Put takes, reference, aim and marks as they are now in the place of the earlier ones."""
    path = folder / FILE_NAME
    try:
        with contextlib.closing(sqlite3.connect(str(path))) as db:
            text = json.dumps(to_plain(standing))
            db.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", ("standing", text))
            db.commit()
    except sqlite3.Error as problem:
        raise StorageError(f"{path}: cannot be written: {problem}") from None


class _OddError(Exception):
    """Why a file cannot be used, to follow its name."""


def _read(path: Path) -> tuple[dict[str, Any], tuple[Hit, ...], tuple[Alert, ...]]:
    try:
        with contextlib.closing(sqlite3.connect(str(path))) as db:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            if not tables and version == 0:
                return {}, (), ()  # killed before the first commit
            if version != SCHEMA_VERSION:
                age = "an older" if version < SCHEMA_VERSION else "a newer"
                raise _OddError(f"is of {age} version of this program")
            if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise _OddError("is damaged")
            facts = {
                name: json.loads(_text(text)) for name, text in db.execute("SELECT * FROM facts")
            }
            hits = tuple(
                _hit(data, pattern)
                for data, pattern in db.execute("SELECT data, pattern FROM hits ORDER BY number")
            )
            alerts = tuple(
                from_plain(Alert, json.loads(_text(data)))
                for (data,) in db.execute("SELECT data FROM alerts ORDER BY start_s")
            )
    except (sqlite3.Error, ValueError, zlib.error) as problem:
        raise _OddError("is damaged or no file of ours") from problem
    return facts, hits, alerts


def _heard(facts: dict[str, Any]) -> tuple[float, float] | None:
    """How far was heard, seconds, and when that was by the wall clock; None: nothing yet."""
    if "heard" not in facts:
        return None
    try:
        times = float(facts["heard"]["time_s"]), float(facts["heard"]["wall_s"])
    except (TypeError, KeyError, ValueError, OverflowError):
        raise _OddError("is damaged or no file of ours") from None
    if not all(math.isfinite(time_s) and time_s >= 0.0 for time_s in times):
        raise _OddError("is damaged or no file of ours")
    return times


def _standing(facts: dict[str, Any]) -> Standing:
    if "standing" not in facts:
        return Standing()
    try:
        return from_plain(Standing, facts["standing"])
    except ValueError:
        raise _OddError("is damaged or no file of ours") from None


def _text(value: object) -> str:
    """A column that holds text; a ValueError where it holds anything else, which SQLite allows."""
    if not isinstance(value, str):
        raise ValueError(f"{type(value).__name__} in the place of text")
    return value


def _hit(data: bytes, pattern: bytes | None) -> Hit:
    if not isinstance(data, bytes) or not isinstance(pattern, bytes | None):
        raise ValueError("no bytes where a hit should be")
    hit = from_plain(Hit, json.loads(zlib.decompress(data)))
    if pattern is None or hit.measures is None:
        return hit
    # Damage can make a signalling NaN, at which the cast would warn.
    with np.errstate(invalid="ignore"):
        values = np.frombuffer(pattern, "<f4").astype(np.float64)
    return replace(hit, measures=replace(hit.measures, pattern=values))


def _rename(folder: Path) -> Path:
    number = 1
    while (aside := folder / f"{FILE_NAME}.unreadable_{number}").exists():
        number += 1
    try:
        (folder / FILE_NAME).rename(aside)
        for part in PARTS[1:]:
            (folder / part).unlink(missing_ok=True)
    except OSError as problem:
        raise storage_error(aside, problem) from None
    return aside
