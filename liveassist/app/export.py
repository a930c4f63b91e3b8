"""`liveassist export SESSION`: hits and takes in forms that other programs read."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TextIO

from liveassist.app.atomic import make_folder, storage_error, write_whole
from liveassist.app.hitscsv import COLUMNS
from liveassist.app.sessionfolder import read_session
from liveassist.errors import ConfigError, InputError
from liveassist.model import DrumKind
from liveassist.output.bars import Grid, TakeMap, session_maps
from liveassist.output.markers import Span, session_spans
from liveassist.output.stored import StoredHit, StoredSession

#: Form, ending of the file, what it holds.
FORMS = {
    "csv": (".csv", "hits, with bar and beat if a tempo is given"),
    "json": (".json", "kit, takes, hits and figures in one document"),
    "midi": (".mid", "a Standard MIDI File of the hits with velocities, takes as markers"),
    "markers": (".csv", "takes, marks, faults and bars that are not clean, as rows"),
    "cues": (".wav", "a copy of --audio with the same as cue points"),
}


@dataclass(frozen=True, slots=True)
class ExportRequest:
    """The options of `liveassist export`, as given. ``tempo_bpm`` and ``beats`` None: what was
    said of the session before. ``only_takes``: no other markers."""

    session: Path
    form: str
    out: Path | None = None
    kit: str | None = None
    tempo_bpm: float | None = None
    beats: int | None = None
    audio: Path | None = None
    drums: tuple[str, ...] = ()
    only_takes: bool = False


def export(request: ExportRequest, out: TextIO) -> int:
    """Write the file; always 0 or an error."""
    session = with_tempo(read_session(request.session, request.kit), request)
    target = request.out or request.session / default_name(session.name, request.form)
    _check(request, session, target)
    hits = [hit for hit in session.hits if not request.drums or hit.drum in request.drums]
    make_folder(target.parent)
    if request.form == "csv":
        write_whole(target, _csv(session, hits))
    elif request.form == "json":
        write_whole(target, _json(session, hits))
    elif request.form == "markers":
        write_whole(target, _markers(session, _spans(session, request)))
    elif request.form == "midi":
        _midi(session, hits, request, target)
    else:
        _cues(session, request, target)
    print(f"Wrote {target}.", file=out)
    return 0


def _check(request: ExportRequest, session: StoredSession, target: Path) -> None:
    problems = []
    if (request.form == "cues") != (request.audio is not None):
        problems.append("--as cues needs --audio FILE.wav, and only that form takes it")
    if request.audio is not None and not request.audio.is_file():
        problems.append(f"--audio {request.audio}: there is no such file")
    elif request.audio is not None and target.exists() and target.samefile(request.audio):
        problems.append(f"--out {target}: this is the recording itself; name another file")
    known = session.summary["drums"]
    problems += [
        f"--drum {name}: the session has no such drum; its drums: {', '.join(known)}"
        for name in request.drums
        if name not in known
    ]
    if problems:
        raise ConfigError(problems)


def default_name(session: str, form: str) -> str:
    """``evening.hits.csv``, ``evening.markers.csv``, ``evening.json``, ``evening.mid``, ..."""
    ending, _ = FORMS[form]
    what = {"csv": ".hits", "markers": ".markers", "cues": ".cues"}.get(form, "")
    return f"{session}{what}{ending}"


def with_tempo(session: StoredSession, request: ExportRequest) -> StoredSession:
    """The session with the tempo given here, which is for all takes, in place of what was said."""
    beats = session.beats if request.beats is None else request.beats
    said = session.beats_said or request.beats is not None
    session = replace(session, beats=beats, beats_said=said)
    if request.tempo_bpm is None:
        return session
    return replace(session, tempos={"": request.tempo_bpm})


def grids(session: StoredSession) -> dict[str, Grid]:
    """The grid of each take that has one, from its kick and snare."""
    return {one.take.name: one.grid for song in maps(session) for one in song}


def maps(session: StoredSession) -> list[list[TakeMap]]:
    """The map of every song whose tempo is known."""
    kinds = drum_kinds(session)
    heads = [name for name, kind in kinds.items() if kind in ("kick", "snare")]
    kicks = [name for name, kind in kinds.items() if kind == "kick"]
    return session_maps(session, heads, kicks)


def drum_kinds(session: StoredSession) -> dict[str, DrumKind]:
    """Kind of every drum; without a kit, from the words in its name (else a tom)."""
    if session.kit is not None:
        return {drum.name: drum.kind for drum in session.kit.drums}
    words: tuple[tuple[str, DrumKind], ...] = (
        ("kick", "kick"), ("snare", "snare"), ("hat", "hihat"), ("cym", "cymbal"),
        ("crash", "cymbal"), ("ride", "cymbal"),
    )  # fmt: skip
    return {
        name: next((kind for word, kind in words if word in name.casefold()), "tom")
        for name in session.summary["drums"]
    }


def _csv(session: StoredSession, hits: list[StoredHit]) -> str:
    laid = grids(session)
    on_bars = bool(session.tempos) or bool(laid)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*COLUMNS, *(("bar", "beat", "offset_ms") if on_bars else ())])
    for hit in hits:
        row = [_cell(value) for value in _values(hit)]
        if on_bars:
            grid = laid.get(hit.take or "")
            place = grid.place(hit.time_s) if grid is not None else None
            row += (
                ["", "", ""]
                if place is None
                else [str(place.bar), f"{place.beat:g}", f"{place.offset_ms:.1f}"]
            )
        writer.writerow(row)
    return text.getvalue()


def _values(hit: StoredHit) -> list[Any]:
    values = {name: getattr(hit, name) for name in COLUMNS}
    values["flags"] = " ".join(hit.flags)
    values["time_s"] = f"{hit.time_s:.6f}"
    return list(values.values())


def _cell(value: Any) -> str:
    return "" if value is None else str(value)


def _json(session: StoredSession, hits: list[StoredHit]) -> str:
    rows = [
        {name: getattr(hit, name) for name in COLUMNS} | {"flags": list(hit.flags)} for hit in hits
    ]
    kit = None
    if session.kit is not None:
        kit = {
            "name": session.kit.name,
            "drums": [
                {"name": one.name, "kind": one.kind, "own": one.own} for one in session.kit.drums
            ],
            "mics": [
                {"name": one.name, "channel": one.channel, "of": one.of, "type": one.type}
                for one in session.kit.inputs
            ],
        }
    document = {
        "schema": 1, "name": session.name, "kit": kit, "notes": dict(session.notes),
        "stars": sorted(session.stars), "summary": session.summary, "hits": rows,
    }  # fmt: skip
    if session.timing:
        document["timing"] = {
            take: {drum: asdict(found) for drum, found in drums.items()}
            for take, drums in session.timing.items()
        }
    return json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _spans(session: StoredSession, request: ExportRequest) -> list[Span]:
    found = session_spans(session, maps(session))
    return [one for one in found if one.kind == "take" or not request.only_takes]


def _markers(session: StoredSession, spans: Sequence[Span]) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["name", "start_s", "end_s", "start_sample", "end_sample", "kind"])
    rate = session.summary["sample_rate_hz"]
    for span in spans:
        end_s = span.start_s if span.end_s is None else span.end_s
        samples = [round(span.start_s * rate), round(end_s * rate)]
        writer.writerow([span.name, f"{span.start_s:.6f}", f"{end_s:.6f}", *samples, span.kind])
    return text.getvalue()


def _midi(
    session: StoredSession, hits: list[StoredHit], request: ExportRequest, target: Path
) -> None:
    from liveassist.output.smf import hits_to_smf, span_markers

    laid = list(grids(session).values())
    known = [grid.tempo_bpm for grid in laid]
    known += [tempo for one in session.takes if (tempo := session.tempo_of(one.name)) is not None]
    data = hits_to_smf(
        hits,
        drum_kinds(session),
        span_markers(_spans(session, request)),
        tempo_bpm=known[0] if known else 120.0,
        beats_a_bar=laid[0].beats_a_bar if laid else session.beats,
    )
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_bytes(data)
        part.replace(target)
    except OSError as error:
        raise storage_error(target, error) from None
    finally:
        part.unlink(missing_ok=True)


def _cues(session: StoredSession, request: ExportRequest, target: Path) -> None:
    from liveassist.output.cues import copy_with_cues
    from liveassist.output.smf import span_markers

    assert request.audio is not None
    part = target.with_name(f".{target.name}.part")
    try:
        with part.open("wb") as file:
            copy_with_cues(request.audio, file, span_markers(_spans(session, request)))
        part.replace(target)
    except InputError:
        raise
    except OSError as error:
        raise storage_error(target, error) from None
    finally:
        part.unlink(missing_ok=True)
