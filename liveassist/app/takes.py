"""`liveassist sessions` and `takes`: what was recorded, and which take is good where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from liveassist.app.export import drum_kinds
from liveassist.app.notes import Notes, read_notes, write_notes
from liveassist.app.saying import NO_TEMPO, TakeWords, said_of_takes
from liveassist.app.sessionfolder import find_sessions, is_session, read_session
from liveassist.app.songwords import song_lines
from liveassist.app.storefile import unkept_stretches
from liveassist.errors import ConfigError
from liveassist.output.bars import LEAST_HOLD, TakeMap, choice_lines, session_maps
from liveassist.output.punchins import punch_lines
from liveassist.output.report_svg import clock
from liveassist.output.report_words import many, rank_takes
from liveassist.output.stored import StoredSession
from liveassist.output.taketable import take_table
from liveassist.output.timemaps import time_lines, time_maps

if TYPE_CHECKING:
    from liveassist.app.retake import Edited

#: Bars in one line of the map.
BARS_A_LINE = 32


@dataclass(frozen=True, slots=True)
class TakesRequest:
    """The options of `liveassist takes`, as given. ``words``: what is said of takes (kept);
    the rest edits them (`app.retake`)."""

    session: Path
    kit: str | None = None
    words: TakeWords = field(default_factory=TakeWords)
    keep: tuple[str, ...] = ()
    add: tuple[str, ...] = ()
    move: tuple[str, ...] = ()
    split: tuple[str, ...] = ()
    join: tuple[tuple[str, str], ...] = ()
    rename: tuple[str, ...] = ()
    remove: tuple[str, ...] = ()
    reference: str | None = None

    @property
    def edits(self) -> bool:
        """Whether takes are to be changed themselves."""
        asked = (self.keep, self.add, self.move, self.split, self.join, self.rename, self.remove)
        return any(asked) or self.reference is not None


@dataclass(frozen=True, slots=True)
class SessionsRequest:
    """The options of `liveassist sessions`, as given."""

    folder: Path
    title: str | None = None
    star: bool | None = None
    note: str | None = None


def sessions(request: SessionsRequest, out: TextIO) -> int:
    """List the session folders in a folder, or say something of one; always 0 or an error."""
    root = request.folder
    if not root.is_dir():
        raise ConfigError(f"{root}: there is no such folder; name one that holds session folders")
    if (request.title, request.star, request.note) != (None, None, None):
        _say_of_session(request)
    found = find_sessions(root)
    if not found:
        print(f"No session in {root}; listen, replay and demo write one with --out DIR.", file=out)
    for folder in found:
        for line in session_lines(folder, read_session(folder)):
            print(line, file=out)
    return 0


def session_lines(folder: Path, session: StoredSession) -> list[str]:
    """A session in a line, and what the engineer noted of it in another."""
    began = session.summary["started_at"]
    facts = [began[:16].replace("T", " ")] if began else []
    facts += [clock(session.duration_s), many(len(session.takes), "take")]
    facts.append(many(len(session.hits), "hit"))
    songs = list(
        dict.fromkeys(session.songs[t.name] for t in session.takes if t.name in session.songs)
    )
    if songs:
        facts.append(f"songs: {', '.join(songs)}")
    stars = sorted(session.stars - {"session"})
    if stars:
        facts.append(f"starred: {', '.join(stars)}")
    title = f' "{session.title}"' if session.title else ""
    star = " *" if "session" in session.stars else ""
    lines = [f"{folder}{title}{star}: {', '.join(facts)}"]
    if "session" in session.notes:
        lines.append(f"   {session.notes['session']}")
    return lines


def _say_of_session(request: SessionsRequest) -> None:
    if not is_session(request.folder):
        raise ConfigError(
            f"{request.folder}: --title, --star, --unstar and --note speak of one session; name "
            "its folder"
        )
    said = read_notes(request.folder)
    texts = dict(said.notes)
    if request.note is not None:
        texts["session"] = request.note.strip()
    stars = set(said.stars)
    if request.star is not None:
        stars = stars | {"session"} if request.star else stars - {"session"}
    title = said.title if request.title is None else request.title.strip()
    texts = {name: text for name, text in texts.items() if text}
    said = replace(said, notes=texts, stars=frozenset(stars), title=title)
    write_notes(request.folder, said)


def takes(request: TakesRequest, out: TextIO) -> int:
    """Edit takes and say things of them where asked, list them, and with a tempo map them on bars;
    always 0 or an error."""
    session = read_session(request.session, request.kit)
    edited = _edit(request) if request.edits else None
    notes = read_notes(request.session) if edited is None else edited.notes
    names = [one.name for one in session.takes] if edited is None else edited.takes
    # Everything is checked before anything is written.
    said = said_of_takes(notes, request.words, names, on_bars=session.click is not None)
    tempos = _new_tempos(session, notes, said)
    if edited is not None:
        edited.write()
        for line in edited.said:
            print(line, file=out)
    if edited is not None or request.words.any:
        write_notes(request.session, said)
        session = read_session(request.session, request.kit)
    page = [*takes_page(session), *unkept_lines(request.session)]
    for line in (*page, "", *tempos) if tempos else page:
        print(line, file=out)
    return 0


def _new_tempos(session: StoredSession, before: Notes, said: Notes) -> list[str]:
    """That a tempo is kept, and how to take it back. ConfigError with every new one that no take of
    its song keeps to: it would lay all bars wrongly from now on."""
    given = {song: bpm for song, bpm in said.tempos.items() if before.tempos.get(song) != bpm}
    if not given:
        return []
    would = replace(
        session, tempos=said.tempos, songs=said.songs, beats=said.beats or session.beats,
        first_beats=said.first_beats, punch_ins=said.punch_ins,
    )  # fmt: skip
    holds: dict[str, list[float]] = {}
    for one in (one for song in session_maps(would, _judged(would), _kicks(would)) for one in song):
        song = said.songs.get(one.take.name, "")
        holds.setdefault(song if song in said.tempos else "", []).append(one.grid.hold)
    problems = [
        f"--tempo {_tempo_words(song, bpm)}: no take keeps to {bpm:g} beats a minute; nothing is "
        "changed"
        for song, bpm in given.items()
        if song in holds and max(holds[song]) < LEAST_HOLD
    ]
    if problems:
        raise ConfigError(problems)
    return [
        f"{bpm:g} beats a minute are kept for {song or 'every song without a tempo of its own'}, "
        "for the report and exports too; forget them with "
        f'--tempo "{_tempo_words(song, NO_TEMPO)}".'
        for song, bpm in given.items()
    ]


def _tempo_words(song: str, tempo: float | str) -> str:
    text = tempo if isinstance(tempo, str) else f"{tempo:g}"
    return f"{song}={text}" if song else text


def unkept_lines(folder: Path) -> list[str]:
    """Playing that no take has, and how to make takes of it; nothing where there is none."""
    found = [
        f"{one.name} ({clock(one.start_s)} to {clock(one.end_s or one.start_s)})"
        for one in unkept_stretches(folder)
    ]
    if not found:
        return []
    return ["", f"Playing that is in no take: {', '.join(found)}; make takes of it with --keep."]


def takes_page(session: StoredSession) -> list[str]:
    """The list, the punch-ins, and the map of every song whose tempo is known."""
    drums = _judged(session)
    lines = take_lines(session, drums)
    side_by_side = take_table(session, drums)
    lines += ["", *side_by_side] if side_by_side else []
    changed = change_lines(session)
    lines += ["", *changed] if changed else []
    maps = session_maps(session, drums, _kicks(session))
    punched = punch_lines(
        session, drums, {one.take.name: one.grid for song in maps for one in song}
    )
    lines += ["", *punched] if punched else []
    for song in maps:
        name = session.songs.get(song[0].take.name, "")
        head = [f"{name}:"] if name and len(maps) > 1 else []
        lines += ["", *head, *map_lines(song), *choice_lines(song)]
    if not maps and session.tempos:
        lines += ["", *map_lines([])]
    mapped = [one.take.name for song in maps for one in song]
    timed = time_lines(time_maps(session, drums, mapped))
    return [*lines, "", *timed] if timed else lines


def _edit(request: TakesRequest) -> Edited:
    from liveassist.app.retake import asked_edits, edit_session

    asked = asked_edits(
        keep=request.keep,
        add=request.add,
        move=request.move,
        split=request.split,
        join=request.join,
        rename=request.rename,
        remove=request.remove,
    )
    return edit_session(request.session, asked, request.reference)


def take_lines(session: StoredSession, drums: Sequence[str]) -> list[str]:
    """One line a take, in order of time, with its place by evenness; songs apart."""
    ranked = {one.take.name: one for one in rank_takes(session, drums)}
    several = sum(one.place is not None for one in ranked.values())
    reference = session.summary.get("reference")
    lines: list[str] = []
    song = ""
    for number, take in enumerate(session.takes, 1):
        now = session.songs.get(take.name, "")
        if now != song:
            lines.append(f"{now or 'no song'}:")
            song = now
        one = ranked[take.name]
        spreads = [
            f"{drum} {float(take.main(drum, 'spread_db')):.1f} dB"
            for drum in drums
            if take.main(drum, "spread_db") is not None
        ]
        place = "not ranked: too few hits" if one.place is None else f"evenness {one.place}"
        if one.as_good and one.place is not None:
            place += " (best)" if one.place == 1 else " (as good as the best)"
        if several < 2 and one.place is not None:
            place = ""
        if take.name in session.punch_ins:
            place = f"punch-in, {session.punch_ins[take.name].words}"
        parts = [f"{clock(take.start_s)} to {clock(take.end_s)}", *([place] if place else [])]
        parts += spreads
        if take.name == reference and len(session.takes) > 1:
            parts.append("the reference")
        if take.changes:
            parts.append(many(len(take.changes), "change"))
        if missing := session.not_compared(take):
            parts.append(missing)
        star = " *" if take.name in session.stars else ""
        lines.append(f"{number}. {take.name}{star}: {', '.join(parts)}")
        if take.name in session.notes:
            lines.append(f"   {session.notes[take.name]}")
        lines += song_lines(session, take, drums)
    return lines or ["No take was played or marked."]


def change_lines(session: StoredSession) -> list[str]:
    """What changed against the reference, take by take; nothing where nothing did."""
    takes = [take for take in session.takes if take.changes]
    if not takes:
        return []
    reference = session.summary.get("reference")
    lines = [f"What changed against {reference}:" if reference else "What changed:"]
    lines += [f"{take.name}: {one['sentence']}" for take in takes for one in take.changes]
    return lines


def map_lines(maps: Sequence[TakeMap]) -> list[str]:
    """The map: a line a take, a letter a bar."""
    if not maps:
        return ["No take has a main hit to lay on bars."]
    width = max(len(one.take.name) for one in maps)
    longest = max(one.last_bar for one in maps)
    lines = [". clean, w weak hit, m a hit missing, t loose in time, ! fault"]
    for first in range(0, longest, BARS_A_LINE):
        ruler = "".join(
            str((bar + 1) // 10 % 10) if (bar + 1) % 10 == 0 else ("'" if bar % 4 == 0 else " ")
            for bar in range(first, min(first + BARS_A_LINE, longest))
        )
        lines.append(f"{'bar ' + str(first + 1):<{width}}  {ruler}")
        for one in maps:
            signs = one.signs[first : first + BARS_A_LINE]
            if signs.strip():
                lines.append(f"{one.take.name:<{width}}  {signs}".rstrip())
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


def _kicks(session: StoredSession) -> list[str]:
    return [name for name, kind in drum_kinds(session).items() if kind == "kick"]
