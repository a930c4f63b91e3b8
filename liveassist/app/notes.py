"""What the engineer said of a session: notes, stars, songs, punch-ins, tempi; notes.json.

It lies beside the session and outlives every working over of it; nothing in it was measured.
"""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from liveassist.app.atomic import write_whole
from liveassist.errors import InputError, LiveassistError
from liveassist.output.stored import PunchIn

FILE_NAME = "notes.json"


@dataclass(frozen=True, slots=True)
class Notes:
    """``notes`` by take, drum, microphone or ``session``; ``stars``: takes, or ``session``.

    ``songs`` and ``punch_ins`` by take; ``first_beats`` by take, s; ``tempos`` in beats a minute by
    song, of all others under the empty name; ``beats`` a bar, None: not said; ``title`` of the
    session.
    """

    notes: Mapping[str, str] = field(default_factory=dict)
    stars: frozenset[str] = frozenset()
    songs: Mapping[str, str] = field(default_factory=dict)
    punch_ins: Mapping[str, PunchIn] = field(default_factory=dict)
    first_beats: Mapping[str, float] = field(default_factory=dict)
    tempos: Mapping[str, float] = field(default_factory=dict)
    beats: int | None = None
    title: str = ""


def read_notes(folder: Path) -> Notes:
    """The notes beside the session in ``folder``; InputError if the file is damaged."""
    path = folder / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Notes()
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"{path}: cannot be read: {problem}; remove or mend it") from None
    try:
        return _parse(json.loads(text))
    except (ValueError, TypeError, KeyError, AttributeError):
        raise InputError(
            f"{path}: this is not what liveassist wrote there; remove or mend it"
        ) from None


def _parse(document: Any) -> Notes:
    notes, stars = document["notes"], document["stars"]
    if not isinstance(notes, dict) or not isinstance(stars, list):
        raise ValueError
    return Notes(
        notes={str(key): str(text) for key, text in notes.items()},
        stars=frozenset(str(star) for star in stars),
        songs={str(take): str(song) for take, song in document.get("songs", {}).items()},
        punch_ins={
            str(take): PunchIn(str(row["of"]), _maybe(row["bar"], int), _maybe(row["at_s"], float))
            for take, row in document.get("punch_ins", {}).items()
        },
        first_beats={str(k): float(v) for k, v in document.get("first_beats", {}).items()},
        tempos={str(k): float(v) for k, v in document.get("tempos", {}).items()},
        beats=_maybe(document.get("beats"), int),
        title=str(document.get("title", "")),
    )


def _maybe(value: Any, kind: type[Any]) -> Any:
    return None if value is None else kind(value)


def write_notes(folder: Path, notes: Notes) -> None:
    """Keep the notes beside the session; StorageError if that fails."""
    document: dict[str, Any] = {
        "schema": 1,
        "notes": dict(notes.notes),
        "stars": sorted(notes.stars),
    }
    more = {
        "title": notes.title,
        "songs": dict(notes.songs),
        "punch_ins": {take: asdict(one) for take, one in notes.punch_ins.items()},
        "first_beats": dict(notes.first_beats),
        "tempos": dict(notes.tempos),
        "beats": notes.beats,
    }
    document |= {key: value for key, value in more.items() if value}
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    write_whole(folder / FILE_NAME, text)


def renamed(notes: Notes, names: Mapping[str, str | None]) -> Notes:
    """The notes with takes under their new names; None: the take is gone. Where two became one,
    both of their texts stay."""

    def new(take: str) -> str | None:
        return names.get(take, take)

    texts: dict[str, str] = {}
    for name, text in notes.notes.items():
        now = new(name)
        if now is not None:
            texts[now] = f"{texts[now]}; {text}" if now in texts else text
    punch_ins = {}
    for take, one in notes.punch_ins.items():
        now, of = new(take), new(one.of)
        if now is not None and of is not None and now != of:
            punch_ins[now] = replace(one, of=of)
    return replace(
        notes,
        notes=texts,
        stars=frozenset(now for star in notes.stars if (now := new(star)) is not None),
        songs={now: song for take, song in notes.songs.items() if (now := new(take)) is not None},
        punch_ins=punch_ins,
        first_beats={
            now: at for take, at in notes.first_beats.items() if (now := new(take)) is not None
        },
    )


class NoteKeeper:
    """Changes the notes of a session while it runs: on disk they are read, changed and written
    whole, in a thread, so that what a command on the folder wrote meanwhile stays and no disk holds
    analysis up. ``folder`` None: nothing is kept but in memory."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        #: Changes in the order in which they were made, and the thread that makes them on disk.
        self._waiting: deque[Callable[[Notes], Notes]] = deque()
        self._thread: threading.Thread | None = None
        #: Why the last writing failed; None if it did not.
        self.problem: str | None = None
        self.known = Notes()
        if folder is not None:
            try:
                self.known = read_notes(folder)
            except InputError as problem:
                self.problem = str(problem)

    def change(self, how: Callable[[Notes], Notes]) -> str:
        """Keep what ``how`` makes of the notes; in words, whether it is kept, for a person."""
        self.known = how(self.known)
        if self._folder is None:
            return ", until the end only: there is no --out folder to keep it in"
        with self._lock:
            self._waiting.append(how)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="notes")
                self._thread.start()
        return f"; the last could not be kept: {self.problem}" if self.problem else ""

    def close(self) -> None:
        """Wait until all is written. May be called twice."""
        while (thread := self._thread) is not None:
            thread.join()

    def _work(self) -> None:
        assert self._folder is not None
        while True:
            with self._lock:
                changes = list(self._waiting)
                self._waiting.clear()
                if not changes:
                    self._thread = None
                    return
            try:
                notes = read_notes(self._folder)
                for how in changes:
                    notes = how(notes)
                write_notes(self._folder, notes)
                self.problem = None
            except LiveassistError as problem:
                self.problem = str(problem)
