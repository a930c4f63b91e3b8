"""What is said of takes on the command line: notes, stars, songs, punch-ins, tempi, first beats."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from liveassist.app.marks import split_assignment
from liveassist.app.nearest import did_you_mean
from liveassist.app.notes import Notes
from liveassist.app.options import TEMPO_BPM
from liveassist.errors import ConfigError
from liveassist.output.stored import PunchIn

#: Said of a tempo, takes back the one that is kept.
NO_TEMPO = "none"
_PLACE = re.compile(r"^(?:bar )?([1-9][0-9]*)$")
_SECONDS = re.compile(r"^([0-9]+(?:\.[0-9]*)?)\s*s$")


@dataclass(frozen=True, slots=True)
class TakeWords:
    """Options as given. ``tempos``: ``BPM`` or ``SONG=BPM``; ``first_beats``: ``TAKE=SECONDS``;
    ``songs``: ``TAKE=SONG``; ``punch_ins``: ``TAKE=OF@BAR`` or ``TAKE=OF@12.5s``."""

    stars: tuple[str, ...] = ()
    unstars: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    songs: tuple[str, ...] = ()
    punch_ins: tuple[str, ...] = ()
    tempos: tuple[str, ...] = ()
    first_beats: tuple[str, ...] = ()
    beats: int | None = None

    @property
    def any(self) -> bool:
        """Whether anything is said."""
        return self != TakeWords()


def said_of_takes(
    before: Notes, words: TakeWords, names: Sequence[str], *, on_bars: bool = False
) -> Notes:
    """The notes with all that ``words`` say of the takes called ``names``; ConfigError with
    everything wrong in them. ``on_bars``: bars are known without a tempo."""
    problems: list[str] = []
    texts, songs = dict(before.notes), dict(before.songs)
    punch_ins, firsts = dict(before.punch_ins), dict(before.first_beats)
    stars = set(before.stars)
    for option, given in (("--star", words.stars), ("--unstar", words.unstars)):
        for name in given:
            if name not in names:
                problems.append(f"{option} {name}: {_unknown(name, names)}")
    for name, text in _assigned("--note", words.notes, names, problems, "fill too early"):
        texts[name] = text
    for name, song in _assigned("--song", words.songs, names, problems, "gannet road"):
        songs[name] = song
    for name, text in _assigned("--first-beat", words.first_beats, names, problems, "3.42"):
        try:
            firsts[name] = float(text)
        except ValueError:
            problems.append(f"--first-beat {name}={text}: write the time in seconds")
    for name, text in _assigned("--punch-in", words.punch_ins, names, problems, "take 1@17"):
        found = _punch_in(name, text, names) if text else None
        if isinstance(found, str):
            problems.append(f"--punch-in {name}={text}: {found}")
        elif found is None:
            punch_ins.pop(name, None)
        else:
            punch_ins[name] = found
    songs = {name: song for name, song in songs.items() if song}
    tempos = _tempos(before, words.tempos, set(songs.values()), problems)
    if words.first_beats and not tempos and not on_bars:
        problems.append("--first-beat: counts bars; give --tempo BPM too")
    if problems:
        raise ConfigError(problems)
    return replace(
        before,
        notes={name: text for name, text in texts.items() if text},
        stars=frozenset((stars | set(words.stars)) - set(words.unstars)),
        songs=songs,
        punch_ins=punch_ins,
        first_beats=firsts,
        tempos=tempos,
        beats=before.beats if words.beats is None else words.beats,
    )


def _assigned(
    option: str, given: Sequence[str], names: Sequence[str], problems: list[str], example: str
) -> list[tuple[str, str]]:
    """``TAKE=TEXT`` options: a known name may hold an equals sign, and so may the text."""
    found = []
    for entry in given:
        known = [name for name in names if entry.startswith(f"{name}=")]
        if known:
            name = max(known, key=len)
            found.append((name, entry[len(name) + 1 :].strip()))
            continue
        name, equals, _ = entry.partition("=")
        if equals and name:
            problems.append(f"{option} {entry}: {_unknown(name, names)}")
        else:
            shown = names[0] if names else "take 1"
            problems.append(f'{option} {entry}: write it TAKE=..., for example "{shown}={example}"')
    return found


def _unknown(name: str, names: Sequence[str]) -> str:
    known = ", ".join(names) or "none"
    return f"there is no take of that name{did_you_mean(name, names)}; takes: {known}"


def _punch_in(take: str, text: str, names: Sequence[str]) -> PunchIn | str:
    of, at, place = text.rpartition("@")
    if not at:
        of, place = text, ""
    of, place = of.strip(), place.strip()
    if of not in names:
        return _unknown(of, names)
    if of == take:
        return "a take cannot be a punch-in of itself"
    bar, seconds = _PLACE.match(place), _SECONDS.match(place)
    if bar is not None:
        return PunchIn(of, bar=int(bar[1]))
    if seconds is not None:
        return PunchIn(of, at_s=float(seconds[1]))
    if place:
        return f'{place!r} is no place; write a bar ("{of}@17") or seconds into it ("{of}@31.5s")'
    return PunchIn(of)


def _tempos(
    before: Notes, given: Sequence[str], songs: set[str], problems: list[str]
) -> dict[str, float]:
    tempos = dict(before.tempos)
    for text in given:
        parts = split_assignment(text)
        song, number = ("", text) if parts is None else (parts[0].strip(), parts[1])
        if number.strip().lower() == NO_TEMPO:
            tempos.pop(song, None)
            continue
        try:
            tempo = float(number)
        except ValueError:
            tempo = 0.0
        low, high = TEMPO_BPM
        if not low <= tempo <= high:
            problems.append(
                f"--tempo {text}: give from {low:g} to {high:g} beats a minute, or {NO_TEMPO}"
            )
        elif song and song not in songs:
            problems.append(
                f"--tempo {text}: no take is of that song; say which are with --song TAKE={song}"
            )
        else:
            tempos[song] = tempo
    return tempos
