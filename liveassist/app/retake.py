"""Editing the takes of a session that is over: `liveassist takes --join`, `--split`, ...

The hits in session.db hold all that was measured of each, so the analysis takes them in as if it
went on after a break, the takes are edited by the code that edits them live, and their figures and
changes come out as they would have. The audio is not needed.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from liveassist.app.atomic import write_whole
from liveassist.app.build import build_pipeline
from liveassist.app.config import parse_kit
from liveassist.app.marks import parse_half_open, split_assignment
from liveassist.app.notes import Notes, read_notes, renamed
from liveassist.app.sessionfiles import KIT_NAME
from liveassist.app.storefile import keep_standing, read_store
from liveassist.app.summary import summary
from liveassist.errors import ConfigError
from liveassist.pipeline import Pipeline
from liveassist.rolling.takeedits import Doing, EditError, TakeEdit
from liveassist.takebook import TakeBook

#: A daemon that wrote so recently is taken to be running still, seconds.
RUNNING_S = 15.0
#: Every stretch at once, as a name for `--keep`.
ALL = "all"


@dataclass(frozen=True, slots=True)
class Asked:
    """One edit, and how it was asked for, for messages."""

    option: str
    edit: TakeEdit


def asked_edits(
    *,
    keep: Sequence[str] = (),
    add: Sequence[str] = (),
    move: Sequence[str] = (),
    split: Sequence[str] = (),
    join: Sequence[Sequence[str]] = (),
    rename: Sequence[str] = (),
    remove: Sequence[str] = (),
) -> list[Asked]:
    """Options as edits, in the order in which they are carried out. ConfigError with all that are
    malformed."""
    edits: list[Asked] = []
    problems: list[str] = []
    for text in keep:
        stretch, _, name = text.partition("=")
        edits.append(Asked(f"--keep {text}", TakeEdit("keep", stretch, name=name.strip() or None)))
    timed: tuple[tuple[Doing, Sequence[str]], ...] = (("add", add), ("move", move))
    for do, texts in timed:
        for text in texts:
            span = parse_half_open(text)
            if isinstance(span, str):
                problems.append(f"--{do} {text}: {span}")
                continue
            name, start_s, end_s = span
            edit = TakeEdit(do, name, start_s=start_s, end_s=end_s)
            if do == "add":
                if start_s is None or end_s is None:
                    problems.append(f"--add {text}: say where it begins and where it ends")
                    continue
                edit = TakeEdit(do, start_s=start_s, end_s=end_s, name=name)
            edits.append(Asked(f"--{do} {text}", edit))
    for text in split:
        parts = split_assignment(text)
        try:
            at_s = float(parts[1]) if parts is not None else None
        except ValueError:
            at_s = None
        if parts is None or at_s is None:
            problems.append(
                f"--split {text}: write it TAKE=SECONDS from the start of the session, for "
                'example "take 3=63.5"'
            )
        else:
            edits.append(Asked(f"--split {text}", TakeEdit("split", parts[0], start_s=at_s)))
    for first, second in join:
        edits.append(Asked(f'--join "{first}" "{second}"', TakeEdit("join", first, second)))
    for text in rename:
        parts = split_assignment(text)
        if parts is None or not parts[1].strip():
            problems.append(f'--rename {text}: write it TAKE=NAME, for example "take 3=chorus"')
        else:
            name = parts[1].strip()
            edits.append(Asked(f"--rename {text}", TakeEdit("rename", parts[0], name=name)))
    edits += [Asked(f"--remove {text}", TakeEdit("remove", text)) for text in remove]
    if problems:
        raise ConfigError(problems)
    return edits


@dataclass(frozen=True, slots=True)
class Edited:
    """What an edit comes to, before anything is written. ``said``: sentences; ``takes``: names of
    the takes then; ``notes``: what the engineer said, under the new names."""

    said: tuple[str, ...]
    takes: tuple[str, ...]
    notes: Notes
    folder: Path
    document: dict[str, Any]
    pipeline: Pipeline

    def write(self) -> None:
        """Write the session's files anew."""
        _write(self.folder, self.document, self.pipeline)


def edit_session(
    folder: Path, asked: Sequence[Asked], reference: str | None = None, now_s: float | None = None
) -> Edited:
    """Edit the takes in ``folder``; nothing is written yet.

    ConfigError says all that cannot be done. ``now_s``: wall clock.
    """
    store = read_store(folder)
    wall_s = time.time() if now_s is None else now_s
    if not store.ended and 0.0 <= wall_s - store.written_s < RUNNING_S:
        raise ConfigError(
            f"{folder}: this session still runs; edit its takes there, by key or over OSC, or "
            "end it first with: liveassist stop"
        )
    kit = parse_kit(store.kit, str(folder / KIT_NAME))
    document = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    pipeline = build_pipeline(kit, int(document["sample_rate_hz"]))
    assert isinstance(pipeline, Pipeline)
    if store.between_hits is not None:
        # Damaged, it is as if it had not been kept.
        with contextlib.suppress(ValueError):
            pipeline.book.take_between_hits(store.between_hits)
    pipeline.resume(store.standing, store.hits, store.alerts, store.heard_s)
    said, names = _carry_out(pipeline.book, asked, store.heard_s)
    if reference is not None:
        if pipeline.set_reference(reference) is None:
            known = ", ".join(pipeline.book.records) or "none"
            raise ConfigError(f"--reference {reference}: there is no such take; takes: {known}")
        pipeline.book.judge_again()
        said.append(f"The others are compared with {reference}.")
    takes = tuple(record.take.name for record in pipeline.session().takes)
    notes = renamed(read_notes(folder), names)
    return Edited(tuple(said), takes, notes, folder, document, pipeline)


def _carry_out(
    book: TakeBook, asked: Sequence[Asked], end_s: float
) -> tuple[list[str], dict[str, str | None]]:
    """Sentences, and the new name of each take that has one (None: it is gone)."""
    said: list[str] = []
    names: dict[str, str | None] = {}
    problems: list[str] = []
    for one in _with_all(book, asked):
        try:
            renames, changed = book.edit(one.edit, end_s)
        except EditError as why:
            problems.append(f"{one.option}: {why}")
            continue
        found: dict[str, str | None] = dict(renames)
        if one.edit.do == "remove" and one.edit.take is not None:
            found[one.edit.take] = None
            said.append(f"{one.edit.take} is no take any more; its hits stay.")
        if one.edit.do == "join":
            swallowed = [name for name in renames if name not in (one.edit.take, one.edit.other)]
            said += [f"{name} lay between the two and is a part of it now." for name in swallowed]
        for old, new in list(names.items()):
            if new is not None and new in found:
                names[old] = found[new]
        names |= found
        for take in changed:
            end = "" if take.end_s is None else f" to {take.end_s:.2f} s"
            said.append(f"{take.name}: {take.start_s:.2f}{end}.")
    if problems:
        raise ConfigError(problems)
    return said, names


def _with_all(book: TakeBook, asked: Sequence[Asked]) -> list[Asked]:
    """The edits, with "keep all" as one edit a stretch."""
    edits = []
    for one in asked:
        if one.edit.do == "keep" and one.edit.take == ALL:
            edits += [
                Asked(one.option, TakeEdit("keep", stretch.name)) for stretch in book.unkept()
            ]
        else:
            edits.append(one)
    return edits


def _write(folder: Path, document: dict[str, Any], pipeline: Pipeline) -> None:
    """summary.json with the new takes, hits.csv with the hits' new takes, and the store."""
    record = replace(pipeline.session(), sample_rate_hz=document["sample_rate_hz"])
    fresh = summary(record)
    document["takes"], document["unmeasured"] = _rows(document, fresh)
    document.pop("reference", None)
    document |= {key: fresh[key] for key in ("reference",) if key in fresh}
    text = json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    hits = _hits(folder / "hits.csv", pipeline)
    keep_standing(folder, pipeline.standing())
    write_whole(folder / "hits.csv", hits)
    write_whole(folder / "summary.json", text)


def _reasons(document: dict[str, Any], take: str) -> dict[str, str]:
    """Why figures of a take are missing, by their path in its row."""
    head = f"takes.{take}."
    reasons: dict[str, str] = document["unmeasured"]
    return {path.removeprefix(head): why for path, why in reasons.items() if path.startswith(head)}


def _rows(
    old: dict[str, Any], fresh: dict[str, Any]
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Rows of the takes and reasons: figures of a take whose ends are where they were stay as they
    are, for what is heard between hits, which margins count in, may not be kept. So does what was
    said of it, where the reference and all takes before it are the same too."""

    def span(row: dict[str, Any]) -> tuple[float, float]:
        return row["start_s"], row["end_s"]

    def reference(document: dict[str, Any]) -> list[tuple[float, float]]:
        named = document.get("reference")
        return [span(row) for row in document["takes"] if row["name"] == named]

    reasons = {k: why for k, why in old["unmeasured"].items() if not k.startswith("takes.")}
    before = {span(row): row for row in old["takes"]}
    same = reference(old) == reference(fresh)
    spans = [span(row) for row in old["takes"]]
    rows = []
    for number, row in enumerate(fresh["takes"]):
        known = before.get(span(row))
        earlier = [span(one) for one in fresh["takes"][: number + 1]]
        whole = known is not None and same and earlier == spans[: number + 1]
        mine = _reasons(fresh, row["name"])
        if known is not None:
            was = _reasons(old, known["name"])
            # What could not be compared goes with the changes, all else with the figures.
            mine = {path: why for path, why in mine.items() if path.startswith("changes.")}
            mine = (
                was
                if whole
                else mine | {k: v for k, v in was.items() if not k.startswith("changes.")}
            )
        reasons |= {f"takes.{row['name']}.{path}": why for path, why in mine.items()}
        if known is None:
            rows.append(row)
            continue
        if whole:
            rows.append(known | {"name": row["name"]})
            continue
        kept = row | {"drums": known["drums"]}
        if "review" in row and "review" in known:
            margins = {"bleed_margin_db": known["review"]["bleed_margin_db"]}
            kept["review"] = row["review"] | margins
        rows.append(kept)
    return rows, reasons


def _hits(path: Path, pipeline: Pipeline) -> str:
    """hits.csv with the take of every hit as it is now; all else as it was."""
    rows = csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline=""))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    head = next(rows)
    writer.writerow(head)
    time_at, take_at = head.index("time_s"), head.index("take")
    for row in rows:
        row[take_at] = pipeline.book.take_of(float(row[time_at])) or ""
        writer.writerow(row)
    return out.getvalue()
