"""`liveassist report SESSION`: the session report as one HTML file."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.nearest import did_you_mean
from liveassist.app.notes import read_notes, write_notes
from liveassist.app.sessionfolder import parse_notes, read_session
from liveassist.errors import ConfigError
from liveassist.output.stored import StoredSession

#: Name of the page in the session folder, unless another is given.
REPORT_NAME = "report.html"


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """The options of `liveassist report`, as given."""

    session: Path
    out: Path | None = None
    kit: str | None = None
    audio: tuple[str, ...] = ()
    reference: str | None = None
    notes: tuple[str, ...] = ()


def write_report(request: ReportRequest, out: TextIO) -> int:
    """Write the page (and keep new notes and advice in the folder); always 0 or an error."""
    from liveassist.output.report import report

    session = with_notes(read_session(request.session, request.kit), request)
    names = [take.name for take in session.takes]
    if request.reference is not None and request.reference not in names:
        raise ConfigError(
            f"--reference {request.reference}: there is no take of that name"
            f"{did_you_mean(request.reference, names)}; takes: {', '.join(names) or 'none'}"
        )
    if request.audio:
        from liveassist.app.advice import work_out

        advice = work_out(session, request.audio, request.session)
        session = dataclasses.replace(session, advice=advice)
    target = request.out or request.session / REPORT_NAME
    make_folder(target.parent)
    write_whole(target, report(session, reference=request.reference))
    print(f"Wrote {target}; open it in any browser, or print it there.", file=out)
    return 0


def with_notes(session: StoredSession, request: ReportRequest) -> StoredSession:
    """The session with the notes just given, which are kept in its folder too."""
    if not request.notes:
        return session
    new = parse_notes("--note", list(request.notes), notable(session))
    notes = {key: text for key, text in {**session.notes, **new}.items() if text}
    write_notes(request.session, dataclasses.replace(read_notes(request.session), notes=notes))
    return dataclasses.replace(session, notes=notes)


def notable(session: StoredSession) -> list[str]:
    """What a note may be about: microphones, drums, takes, the session."""
    names = [take.name for take in session.takes]
    if session.kit is not None:
        mics = [mic.name for mic in session.kit.mics]
        names = [*mics, *(drum.name for drum in session.kit.drums), *names]
    else:
        names = [*session.summary["drums"], *names]
    return [*dict.fromkeys(names), "session"]
