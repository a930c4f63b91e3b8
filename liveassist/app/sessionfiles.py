"""hits.csv, summary.json and the kit of one session, complete at every moment of it.

They exist from the first seconds, are replaced as a whole now and then while the session runs, and
once more at its end; the program may be killed at any time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from liveassist.app.atomic import make_folder, storage_error, write_whole
from liveassist.app.hitscsv import HitRows, hits_csv
from liveassist.app.kittoml import kit_toml
from liveassist.app.storefile import PARTS
from liveassist.app.summary import SummaryText
from liveassist.model import Event, Hit, Kit, SessionRecord

#: The kit that was heard, beside the other two; not ``kit.toml``, which may be the user's own.
KIT_NAME = "session_kit.toml"

#: Files that a session leaves only where there is something to say (`SessionFiles.also`).
FURTHER = ("log.csv", "applied.csv", "advice.json", "clock.csv", "click.csv")
#: Files that make a folder one of a session, and all that may belong to it.
#: Tables among them: a session that is gone on with adds its rows to those there are.
GROWING = ("log.csv", "applied.csv", "clock.csv", "click.csv")
SESSION = ("hits.csv", "summary.json", KIT_NAME, *PARTS)
OURS = (*SESSION, *FURTHER, "notes.json", "report.html", "session.lessons.npz", "rendered")
#: Least time between two writings of hits.csv while running, seconds of the wall clock.
HITS_EVERY_S = 2.0
#: Least time between two writings of summary.json, and how many times longer than its making
#: took it must rest, so that it costs at most 2 % of the time.
SUMMARY_EVERY_S = 10.0
SUMMARY_REST = 50.0


class SessionFiles:
    """The files in ``folder``, which is made and tried at once (StorageError if it cannot).

    ``clock`` gives seconds, only their differences count. ``going_on``: the files there are of the
    session that is continued; else those of an earlier one are put into a folder of their own
    within (``earlier``; None if there were none): nothing is written over.

    While a session runs, hits.csv holds the hits that are complete, with the role, velocity and
    take known by then; at the end all are written anew with what all hits around them suggest.
    """

    def __init__(
        self,
        folder: Path,
        clock: Callable[[], float] = time.monotonic,
        *,
        going_on: bool = False,
    ) -> None:
        make_folder(folder)
        _sweep(folder)
        self.earlier = None if going_on else set_aside(folder)
        self.hits_path = folder / "hits.csv"
        self.summary_path = folder / "summary.json"
        self.kit_path = folder / KIT_NAME
        self._kit_written: Kit | None = None
        self._text = SummaryText()
        #: Gives further files of the folder: name to text.
        self.also: list[Callable[[], Mapping[str, str]]] = []
        self._before = _tables(folder) if going_on else {}
        self._clock = clock
        self._hits = HitRows()
        self._changed = False
        self._hits_due_s = clock() + HITS_EVERY_S
        self._summary_due_s = clock()

    def take_up(self, hits: Iterable[Hit]) -> None:
        """The hits of the session that is gone on with: no report of them will come any more."""
        self.collect(dataclasses.replace(hit, stage="complete") for hit in hits)

    def collect(self, events: Iterable[Event]) -> None:
        """Keep the complete hits among ``events`` for the next writing."""
        for event in events:
            if not isinstance(event, Hit):
                continue
            if event.stage == "complete":
                self._hits.put(event)
                self._changed = True
            elif event.stage == "withdrawn" and self._hits.drop(event.number):
                self._changed = True

    def write_if_due(self, record: Callable[[], SessionRecord]) -> None:
        """Write what is due. ``record`` is asked only when summary.json is; it need not hold the
        hits."""
        now_s = self._clock()
        if now_s >= self._summary_due_s:
            self._write(record(), self._hits.pieces())
            spent_s = self._clock() - now_s
            self._summary_due_s = now_s + max(SUMMARY_EVERY_S, SUMMARY_REST * spent_s)
        elif self._changed and now_s >= self._hits_due_s:
            self._write_hits(self._hits.pieces())

    def write(self, record: SessionRecord) -> None:
        """Write all files at the end, from all that the session knows."""
        self._write(record, hits_csv(record.hits))

    def _write(self, record: SessionRecord, hits: str | Sequence[str]) -> None:
        text = "".join(self._text.pieces(record))
        self._write_hits(hits)
        write_whole(self.summary_path, text)
        self._write_kit(record.kit)
        self._write_further(self.further())

    def further(self) -> dict[str, str]:
        """Text of the further files by name; a table that grows keeps the rows from before."""
        texts = {name: text for give in self.also for name, text in give().items()}
        for name, before in self._before.items():
            texts[name] = before + texts.get(name, "").partition("\n")[2]
        return texts

    def _write_further(self, texts: Mapping[str, str]) -> None:
        for name in FURTHER:
            path = self.summary_path.with_name(name)
            if name in texts:
                write_whole(path, texts[name])
            else:
                # One that is there tells of an earlier session whose other files were replaced.
                path.unlink(missing_ok=True)

    def write_hits_only(self) -> None:
        """Write the hits collected so far; for an ending in which nothing else can be had."""
        self._write_hits(self._hits.pieces())

    def _write_kit(self, kit: Kit) -> None:
        if kit != self._kit_written:
            write_whole(self.kit_path, kit_toml(kit, ["The kit of this session, as it was heard."]))
            self._kit_written = kit

    def _write_hits(self, text: str | Sequence[str]) -> None:
        write_whole(self.hits_path, text)
        self._hits_due_s = self._clock() + HITS_EVERY_S
        self._changed = False


def _tables(folder: Path) -> dict[str, str]:
    """The tables that grow, as they are now; one that cannot be read begins anew."""
    found = {}
    for name in GROWING:
        with contextlib.suppress(OSError, UnicodeDecodeError):
            found[name] = (folder / name).read_text(encoding="utf-8")
    return found


def written_lines(files: SessionFiles | None) -> list[str]:
    """What was written at the end, and what to do with it; empty where nothing was."""
    if files is None:
        return []
    folder = files.hits_path.parent
    return [
        f"Wrote {files.hits_path} and {files.summary_path}.",
        f"Next: liveassist takes {folder}, or: liveassist report {folder}",
    ]


def _sweep(folder: Path) -> None:
    """Remove what a session that was killed while it wrote left half written."""
    for name in OURS:
        for part in folder.glob(f".{name}.*.part"):
            with contextlib.suppress(OSError):
                part.unlink()


def set_aside(folder: Path) -> Path | None:
    """Move an earlier session's files into ``earlier_1`` (or the next number) within ``folder``;
    where to, None if there were none. StorageError if that is refused."""
    there = [path for name in OURS if (path := folder / name).exists()]
    if not any((folder / name).exists() for name in SESSION):
        return None
    number = 1
    while (aside := folder / f"earlier_{number}").exists():
        number += 1
    try:
        aside.mkdir()
        for path in there:
            path.rename(aside / path.name)
    except OSError as problem:
        raise storage_error(aside, problem) from None
    return aside
