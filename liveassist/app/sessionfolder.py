"""Reading a session folder: hits.csv, summary.json, the kit, the user's notes, later advice."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

from liveassist.app.clickfile import CLICK_NAME, read_click
from liveassist.app.config import load_kit, parse_kit
from liveassist.app.hitscsv import COLUMNS
from liveassist.app.nearest import did_you_mean
from liveassist.app.notes import read_notes
from liveassist.app.sessionfiles import KIT_NAME
from liveassist.app.songfile import CLOCK_NAME, read_song
from liveassist.app.songwords import with_timing
from liveassist.errors import ConfigError, InputError
from liveassist.model import Kit
from liveassist.output.stored import StoredHit, StoredSession

ADVICE_NAME = "advice.json"
#: Groups of the summary that are read without asking again whether they are there.
_NEEDED = ("drums", "bleed_db", "bleed_dbfs", "bleed_upper_bound", "bleed_margin_db", "expander")
_NEEDED_TOO = ("takes", "alerts", "unmeasured", "started_at", "sample_rate_hz", "learned")


def read_session(folder: Path, kit: str | None = None) -> StoredSession:
    """The session in ``folder``. ``kit``: a profile to use in place of the one kept there.

    ConfigError where this is no session folder, InputError where one of its files is damaged.
    """
    if not folder.is_dir():
        what = "this is a file" if folder.exists() else "there is no such folder"
        raise ConfigError(f"{folder}: {what}; name the folder that --out wrote")
    summary = _summary(folder / "summary.json")
    said = read_notes(folder)
    session = StoredSession(
        name=folder.resolve().name,
        hits=_hits(folder / "hits.csv"),
        summary=summary,
        kit=load_kit(kit) if kit is not None else _kit(folder / KIT_NAME),
        notes=said.notes,
        stars=said.stars,
        advice=_advice(folder / ADVICE_NAME),
        songs=said.songs,
        punch_ins=said.punch_ins,
        first_beats=said.first_beats,
        tempos=said.tempos,
        beats=said.beats or 4,
        beats_said=said.beats is not None,
        title=said.title,
        song=read_song(folder / CLOCK_NAME),
        click=read_click(folder / CLICK_NAME),
    )
    return with_timing(session) if session.song or session.click else session


def is_session(folder: Path) -> bool:
    """Whether ``folder`` holds the files of a session."""
    return (folder / "summary.json").is_file() and (folder / "hits.csv").is_file()


def find_sessions(root: Path) -> list[Path]:
    """Session folders in ``root``: itself, and down to two folders below it, in order of name."""
    found = [root] if is_session(root) else []
    for pattern in ("*", "*/*"):
        found += [path for path in root.glob(pattern) if path.is_dir() and is_session(path)]
    return sorted(found)


def parse_notes(option: str, given: list[str], known: list[str]) -> dict[str, str]:
    """``NAME=TEXT`` options; ConfigError with all that are malformed or name nothing known."""
    notes, problems = {}, []
    for entry in given:
        name, equals, text = entry.partition("=")
        if not equals or not name:
            problems.append(
                f'{option} {entry}: write it NAME=TEXT, for example "{known[0]}=+32 dB"'
            )
        elif name not in known:
            problems.append(
                f"{option} {entry}: nothing here is called {name}{did_you_mean(name, known)}; "
                f"known: {', '.join(known)}"
            )
        else:
            notes[name] = text.strip()
    if problems:
        raise ConfigError(problems)
    return notes


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError(
            f"{path.parent}: there is no {path.name} in it; name the folder that --out wrote"
        ) from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: this is not a text file in UTF-8; it is damaged") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None


def _object(path: Path, text: str) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except ValueError as error:
        raise InputError(f"{path}: this is not whole JSON ({error}); it is damaged") from None
    if not isinstance(document, dict):
        raise InputError(f"{path}: this is not what liveassist wrote there")
    return document


def _summary(path: Path) -> dict[str, Any]:
    document = _object(path, _text(path))
    if document.get("schema") != 1:
        raise InputError(
            f"{path}: its schema is {document.get('schema')!r}, this version reads 1; use the "
            "version of liveassist that wrote it"
        )
    missing = [key for key in (*_NEEDED, *_NEEDED_TOO) if key not in document]
    if missing:
        raise InputError(f"{path}: {', '.join(missing)} is missing; the file is damaged")
    return document


def _hits(path: Path) -> tuple[StoredHit, ...]:
    rows = csv.reader(io.StringIO(_text(path), newline=""))
    header = next(rows, [])
    if not set(COLUMNS) <= set(header):
        missing = [name for name in COLUMNS if name not in header]
        raise InputError(f"{path}: the columns {', '.join(missing)} are missing")
    hits = []
    for number, row in enumerate(rows, 2):
        try:
            hits.append(_hit(dict(zip(header, row, strict=True))))
        except ValueError:
            raise InputError(
                f"{path}, line {number}: this is not a hit as liveassist writes it"
            ) from None
    return tuple(sorted(hits, key=lambda hit: hit.time_s))


def _hit(row: dict[str, str]) -> StoredHit:
    time_s = _number(row["time_s"])
    if time_s is None or not row["drum"]:
        raise ValueError
    velocity = _number(row["velocity"])
    return StoredHit(
        time_s=time_s,
        drum=row["drum"],
        peak_dbfs=_number(row["peak_dbfs"]),
        heard_peak_dbfs=_number(row["heard_peak_dbfs"]),
        velocity=None if velocity is None else int(velocity),
        role=row["role"],
        confidence=_number(row["confidence"]),
        note_hz=_number(row["note_hz"]),
        ring_s=_number(row["ring_s"]),
        flags=tuple(row["flags"].split()),
        take=row["take"] or None,
    )


def _number(text: str) -> float | None:
    if not text:
        return None
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def _kit(path: Path) -> Kit | None:
    return parse_kit(_text(path), str(path)) if path.is_file() else None


def _advice(path: Path) -> dict[str, Any] | None:
    if not path.is_file():
        return None
    document = _object(path, _text(path))
    if document.get("schema") != 1:
        raise InputError(f"{path}: its schema is not 1; remove it and give --audio again")
    return document
