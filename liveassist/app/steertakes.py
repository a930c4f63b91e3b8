"""What can be done with takes while the session runs, beside starting and stopping them.

Keeping a stretch that was not marked, joining, splitting, moving; stars, notes, songs, punch-ins.
`Steering` hands these commands on; figures of takes that change are worked out anew at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from liveassist.app.notes import NoteKeeper, Notes, renamed
from liveassist.app.outcome import Outcome
from liveassist.app.parts import PipelineLike
from liveassist.model import Event, Snapshot, Take, TakeLine
from liveassist.output.stored import PunchIn
from liveassist.rolling.takeedits import EditError, TakeEdit

if TYPE_CHECKING:
    from liveassist.output.commands import CommandValue

Doer = Callable[[Snapshot, "Sequence[CommandValue]"], Outcome]


class TakeDesk:
    """Carries out commands on takes. ``pass_on`` takes the events that came of them."""

    def __init__(self, pipeline: PipelineLike, pass_on: Callable[[Sequence[Event]], None]) -> None:
        self._pipeline = pipeline
        self._pass_on = pass_on
        #: Keeps stars, notes, songs and punch-ins beside the session.
        self.notes = NoteKeeper(None)
        self._song = ""
        #: When the command was given, s of the session; None: now.
        self.at_s: float | None = None

    def doers(self) -> Mapping[str, Doer]:
        """What carries out each command."""
        return {
            "take/keep": self._keep,
            "take/join": self._join,
            "take/split": self._split,
            "take/move": self._move,
            "take/remove": self._remove,
            "take/star": self._star,
            "take/note": self._note,
            "take/punch": self._punch,
            "song/start": self._song_start,
        }

    def shown(self, takes: Sequence[TakeLine]) -> tuple[TakeLine, ...]:
        """The list of takes with what the engineer said of them."""
        said = self.notes.known
        return tuple(
            replace(
                line,
                starred=line.name in said.stars,
                note=said.notes.get(line.name, ""),
                song=said.songs.get(line.name),
                punch_in=said.punch_ins[line.name].words if line.name in said.punch_ins else None,
            )
            for line in takes
        )

    # --- beginning ---------------------------------------------------------------------------

    def start(self, seen: Snapshot, name: str | None) -> Outcome:
        """A take begins; of a song, where one was named, under its name and a number."""
        if name is None and self._song:
            name = _numbered(self._song, [line.name for line in seen.takes])
        started = list(self._pipeline.start_take(name, self.at_s) or ())
        self._pass_on(started)
        names = [take.name for take in started if isinstance(take, Take) and take.end_s is None]
        if not names:
            return Outcome(True, "take started")
        self._of_song(names[-1])
        return Outcome(True, f"{names[-1]} started")

    def _song_start(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        self._song = _text(args)
        if not self._song:
            return Outcome(True, "takes from now on are of no song")
        return Outcome(True, f"takes from now on are of {self._song}")

    def _punch(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        """A take begins that replaces a part of another: of the one named, or the last whole."""
        said = self.notes.known
        whole = [line.name for line in seen.takes if line.name not in said.punch_ins]
        of = _text(args) or (whole[-1] if whole else "")
        if of not in [line.name for line in seen.takes]:
            return Outcome(False, f"there is no take {of}" if of else "there is no take yet")
        bar = int(args[1]) if len(args) > 1 else 0
        return self._begin_punch(seen, PunchIn(of, bar=bar if bar > 0 else None))

    def _begin_punch(self, seen: Snapshot, punch: PunchIn) -> Outcome:
        name = _numbered(f"{punch.of} punch", [line.name for line in seen.takes])
        started = list(self._pipeline.start_take(name, self.at_s) or ())
        self._pass_on(started)
        names = [take.name for take in started if isinstance(take, Take) and take.end_s is None]
        name = names[-1] if names else name
        song = self.notes.known.songs.get(punch.of)

        def said(notes: Notes) -> Notes:
            songs = {**notes.songs, name: song} if song is not None else notes.songs
            return replace(notes, punch_ins={**notes.punch_ins, name: punch}, songs=songs)

        return Outcome(True, f"{name} started, {punch.words}{self.notes.change(said)}")

    def _of_song(self, take: str) -> None:
        if self._song:
            song = self._song
            self.notes.change(lambda notes: replace(notes, songs={**notes.songs, take: song}))

    # --- editing -----------------------------------------------------------------------------

    def _keep(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        name = _text(args) or None
        if name is None and self._song:
            name = _numbered(self._song, [line.name for line in seen.takes])
        outcome, takes = self._edit(TakeEdit("keep", name=name))
        if not outcome.done:
            return outcome
        self._of_song(takes[0].name)
        runs = "; it ends with the playing" if takes[0].end_s is None else ""
        return Outcome(True, f"{takes[0].name}: {_clock(takes[0].start_s)}{runs}")

    def _join(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        first, second = _text(args), _text(args[1:])
        outcome, takes = self._edit(TakeEdit("join", first or None, second or None))
        return Outcome(True, f"joined: {takes[0].name}") if outcome.done else outcome

    def _split(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        at_s = float(args[1]) if len(args) > 1 else self.at_s
        outcome, takes = self._edit(TakeEdit("split", _text(args) or None, start_s=at_s))
        if not outcome.done:
            return outcome
        return Outcome(True, f"{takes[0].name} and {takes[1].name}, at {_clock(takes[1].start_s)}")

    def _move(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        ends = [float(arg) for arg in args[1:3]]
        end_s = ends[1] if len(ends) > 1 else None
        edit = TakeEdit("move", _text(args), start_s=ends[0] if ends else None, end_s=end_s)
        outcome, takes = self._edit(edit)
        if not outcome.done:
            return outcome
        until = "" if takes[0].end_s is None else f" to {_clock(takes[0].end_s)}"
        return Outcome(True, f"{takes[0].name}: {_clock(takes[0].start_s)}{until}")

    def _remove(self, _seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        name = _text(args)
        outcome, _ = self._edit(TakeEdit("remove", name))
        if not outcome.done:
            return outcome
        return Outcome(True, f"{name} is no take any more; its hits stay")

    def rename(self, take: str, name: str) -> Outcome:
        """Call the take called ``take`` otherwise."""
        outcome, takes = self._edit(TakeEdit("rename", take, name=name))
        return Outcome(True, f"named {takes[0].name}") if outcome.done else outcome

    def _edit(self, edit: TakeEdit) -> tuple[Outcome, list[Take]]:
        try:
            names, takes = self._pipeline.edit_takes(edit)
        except EditError as why:
            return Outcome(False, str(why)), []
        again = edit.do == "rename"
        self._pass_on([replace(take, was=edit.take) for take in takes] if again else takes)
        gone: dict[str, str | None] = dict(names)
        if edit.do == "remove" and edit.take is not None:
            gone[edit.take] = None
        self.renamed(gone)
        return Outcome(True), takes

    def renamed(self, names: Mapping[str, str | None]) -> None:
        """Takes have other names now (None: are gone); what was said of them goes along."""
        said = self.notes.known
        if renamed(said, names) != said:
            self.notes.change(lambda notes: renamed(notes, names))

    # --- saying ------------------------------------------------------------------------------

    def _star(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        """Star a take (the one that runs or was last, if none is named), or take its star away."""
        line = _line(seen, _text(args))
        if line is None:
            return Outcome(False, _no_line(seen, _text(args)))
        on = bool(args[1]) if len(args) > 1 else line.name not in self.notes.known.stars
        name = line.name

        def said(notes: Notes) -> Notes:
            return replace(notes, stars=notes.stars | {name} if on else notes.stars - {name})

        return Outcome(
            True, f"{name} {'starred' if on else 'has no star'}{self.notes.change(said)}"
        )

    def _note(self, seen: Snapshot, args: Sequence[CommandValue]) -> Outcome:
        line = _line(seen, _text(args[1:]))
        if line is None:
            return Outcome(False, _no_line(seen, _text(args[1:])))
        name, text = line.name, _text(args)

        def said(notes: Notes) -> Notes:
            texts = {**notes.notes, name: text}
            return replace(notes, notes={key: one for key, one in texts.items() if one})

        return Outcome(True, f"noted of {name}: {text or 'nothing'}{self.notes.change(said)}")


def _line(seen: Snapshot, name: str) -> TakeLine | None:
    """The take of that name; without one the take that runs, or else the last."""
    if not name:
        return max(seen.takes, key=lambda one: (one.end_s is None, one.end_s or 0.0), default=None)
    return next((line for line in seen.takes if line.name == name), None)


def _no_line(seen: Snapshot, name: str) -> str:
    if not seen.takes:
        return "there is no take yet"
    return f"there is no take {name}; takes: {', '.join(line.name for line in seen.takes)}"


def _numbered(name: str, known: Sequence[str]) -> str:
    """``name`` with the number after the highest there is."""
    found = [re.fullmatch(rf"{re.escape(name)} (\d+)", one) for one in known]
    return f"{name} {max((int(one[1]) for one in found if one), default=0) + 1}"


def _text(args: Sequence[CommandValue]) -> str:
    return str(args[0]).strip() if args else ""


def _clock(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes}:{rest:02}"
