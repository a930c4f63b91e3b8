"""`liveassist sessions` and `takes`: what was recorded, and which take is good where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from liveassist.app.export import drum_kinds
from liveassist.app.nearest import did_you_mean
from liveassist.app.sessionfolder import find_sessions, parse_notes, read_session, write_notes
from liveassist.errors import ConfigError
from liveassist.output.bars import LEAST_HOLD, TakeMap, choice_lines, take_maps
from liveassist.output.report_svg import clock
from liveassist.output.report_words import many, rank_takes
from liveassist.output.stored import StoredSession

#: Bars in one line of the map.
BARS_A_LINE = 32


@dataclass(frozen=True, slots=True)
class TakesRequest:
    """The options of `liveassist takes`, as given. ``first_beats``: ``TAKE=SECONDS``."""

    session: Path
    kit: str | None = None
    tempo_bpm: float | None = None
    beats: int = 4
    first_beats: tuple[str, ...] = ()
    stars: tuple[str, ...] = ()
    unstars: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def sessions(root: Path, out: TextIO) -> int:
    """List the session folders in ``root``; always 0 or an error."""
    if not root.is_dir():
        raise ConfigError(f"{root}: there is no such folder; name one that holds session folders")
    found = find_sessions(root)
    if not found:
        print(f"No session in {root}; listen, replay and demo write one with --out DIR.", file=out)
    for folder in found:
        session = read_session(folder)
        began = session.summary["started_at"]
        facts = [began[:16].replace("T", " ")] if began else []
        facts += [clock(session.duration_s), many(len(session.takes), "take")]
        facts.append(many(len(session.hits), "hit"))
        if session.stars:
            facts.append(f"starred: {', '.join(sorted(session.stars))}")
        print(f"{folder}: {', '.join(facts)}", file=out)
    return 0


def takes(request: TakesRequest, out: TextIO) -> int:
    """List the takes of a session, and with a tempo map them on bars; always 0 or an error."""
    session = _noted(read_session(request.session, request.kit), request)
    if request.first_beats and request.tempo_bpm is None:
        raise ConfigError("--first-beat: counts bars; give --tempo BPM too")
    drums = _judged(session)
    for line in take_lines(session, drums):
        print(line, file=out)
    if request.tempo_bpm is not None:
        first = _first_beats(request.first_beats, session)
        kicks = [name for name, kind in drum_kinds(session).items() if kind == "kick"]
        maps = take_maps(
            session, request.tempo_bpm, request.beats, drums=drums, kicks=kicks, first_beats=first
        )
        for line in ("", *map_lines(maps), *choice_lines(maps)):
            print(line, file=out)
    return 0


def take_lines(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """One line a take, in order of time, with its place by evenness."""
    ranked = {one.take.name: one for one in rank_takes(session, drums)}
    lines = []
    for number, take in enumerate(session.takes, 1):
        one = ranked[take.name]
        spreads = [
            f"{drum} {float(take.main(drum, 'spread_db')):.1f} dB"
            for drum in drums
            if take.main(drum, "spread_db") is not None
        ]
        place = "not ranked: too few hits" if one.place is None else f"evenness {one.place}"
        if one.as_good and one.place is not None:
            place += " (best)" if one.place == 1 else " (as good as the best)"
        star = " *" if take.name in session.stars else ""
        parts = [f"{clock(take.start_s)} to {clock(take.end_s)}", place, *spreads]
        if take.changes:
            parts.append(many(len(take.changes), "change"))
        lines.append(f"{number}. {take.name}{star}: {', '.join(parts)}")
        if take.name in session.notes:
            lines.append(f"   {session.notes[take.name]}")
    return lines or ["No take was played or marked."]


def map_lines(maps: Sequence[TakeMap]) -> list[str]:
    """The map: a line a take, a letter a bar."""
    if not maps:
        return ["No take has a main hit to lay on bars."]
    width = max(len(one.take.name) for one in maps)
    longest = max(len(one.cells) for one in maps)
    lines = [". clean, w weak hit, m a hit missing, t loose in time, ! fault"]
    for first in range(0, longest, BARS_A_LINE):
        ruler = "".join(
            str((bar + 1) // 10 % 10) if (bar + 1) % 10 == 0 else ("'" if bar % 4 == 0 else " ")
            for bar in range(first, min(first + BARS_A_LINE, longest))
        )
        lines.append(f"{'bar ' + str(first + 1):<{width}}  {ruler}")
        for one in maps:
            signs = "".join(cell.sign for cell in one.cells[first : first + BARS_A_LINE])
            if signs:
                lines.append(f"{one.take.name:<{width}}  {signs}")
    for one in maps:
        if one.grid.hold < LEAST_HOLD:
            lines.append(
                f"{one.take.name} does not keep to {one.grid.tempo_bpm:g} beats a minute; its bars "
                "mean little."
            )
    return lines


def _judged(session: StoredSession) -> list[str]:
    kinds = drum_kinds(session)
    return [name for name in session.judged() if kinds.get(name) in ("kick", "snare")]


def _noted(session: StoredSession, request: TakesRequest) -> StoredSession:
    """Keep stars and notes; the session with them."""
    names = [take.name for take in session.takes]
    wrong = [
        f"{option} {name}: there is no take of that name{did_you_mean(name, names)}; takes: "
        f"{', '.join(names) or 'none'}"
        for option, given in (("--star", request.stars), ("--unstar", request.unstars))
        for name in given
        if name not in names
    ]
    if wrong:
        raise ConfigError(wrong)
    if not (request.stars or request.unstars or request.notes):
        return session
    new = parse_notes("--note", list(request.notes), names)
    notes = {key: text for key, text in {**session.notes, **new}.items() if text}
    write_notes(
        request.session, notes, (set(session.stars) | set(request.stars)) - set(request.unstars)
    )
    return read_session(request.session, request.kit)


def _first_beats(given: Sequence[str], session: StoredSession) -> dict[str, float]:
    texts = parse_notes("--first-beat", list(given), [take.name for take in session.takes])
    beats, wrong = {}, []
    for name, text in texts.items():
        try:
            beats[name] = float(text)
        except ValueError:
            wrong.append(f"--first-beat {name}={text}: write the time in seconds")
    if wrong:
        raise ConfigError(wrong)
    return beats
