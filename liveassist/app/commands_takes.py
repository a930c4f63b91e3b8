"""The commands that list sessions and takes, and change takes after they were played."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from liveassist.app.options import Commands, add_beats, add_command


def add_sessions(commands: Commands) -> None:
    """``liveassist sessions``."""
    parser = add_command(
        commands,
        "sessions",
        "list the sessions in a folder; title, star and note one",
        "Looks two folders deep. What is said of a session is kept in its notes.json.",
        "  liveassist sessions\n"
        "  liveassist sessions recordings\n"
        '  liveassist sessions today --title "first night" --star --note "rain on the roof"',
    )
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path(),
        metavar="FOLDER",
        help="where to look (default: here)",
    )
    parser.add_argument("--title", metavar="TEXT", help="name the session; empty: no name")
    parser.add_argument("--star", action="store_true", help="star the session")
    parser.add_argument("--unstar", action="store_true", help="take its star away")
    parser.add_argument("--note", metavar="TEXT", help="note something of it; empty: no note")
    parser.set_defaults(run=_run_sessions)


def _run_sessions(chosen: argparse.Namespace) -> int:
    from liveassist.app.takes import SessionsRequest, sessions

    star = True if chosen.star else False if chosen.unstar else None
    request = SessionsRequest(chosen.folder, chosen.title, star, chosen.note)
    return sessions(request, sys.stdout)


def add_takes(commands: Commands) -> None:
    """``liveassist takes``."""
    parser = add_command(
        commands,
        "takes",
        "list the takes of a session by evenness; change, star, note them, map them on bars",
        "With a tempo, every bar of every take is shown: clean, weak, missing, loose in time. The "
        "tempo is not guessed; where the beat lies is found from the hits of each take. Takes can "
        "be changed at any time after they were played: their figures, and what changed against "
        "the reference, are worked out anew from the hits. Changes are carried out in the order in "
        "which they stand below, all or none. While the session runs, use the keys of the "
        "dashboard or OSC instead.",
        "  liveassist takes today\n"
        '  liveassist takes today --star "take 3" --note "take 2=fill too early"\n'
        "  liveassist takes today --tempo 120\n"
        '  liveassist takes today --split "take 3=63.5" --rename "take 3 b=chorus"\n'
        '  liveassist takes today --join "take 4" "take 5" --move "take 6=:180"\n'
        '  liveassist takes today --punch-in "take 7=take 3@17"',
    )
    parser.add_argument(
        "session",
        type=Path,
        metavar="SESSION",
        help="the folder that --out of listen, replay or demo wrote",
    )
    parser.add_argument(
        "--kit", metavar="KIT.toml", help="kit profile to use in place of the one kept there"
    )
    _add_changes(parser)
    _add_words(parser)
    parser.set_defaults(run=_run_takes)


def _add_changes(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("changing takes (each may be repeated)")
    for option, metavar, text in (
        (
            "--keep",
            "STRETCH[=NAME]",
            "make a take of playing that was not marked; all: of every stretch",
        ),
        ("--add", "NAME=START:END", "a take from START to END seconds of the session"),
        ("--move", "TAKE=START:END", "give it other ends; one may be left out"),
        ("--split", "TAKE=SECONDS", "make two of it at this moment of the session"),
    ):
        group.add_argument(option, action="append", default=[], metavar=metavar, help=text)
    group.add_argument(
        "--join",
        action="append",
        nargs=2,
        default=[],
        metavar=("TAKE", "TAKE"),
        help="make one of two, with all that lies between them, takes too",
    )
    for option, metavar, text in (
        ("--rename", "TAKE=NAME", "call it otherwise"),
        ("--remove", "TAKE", "it is no take any more; its hits stay"),
    ):
        group.add_argument(option, action="append", default=[], metavar=metavar, help=text)
    group.add_argument("--reference", metavar="TAKE", help="compare the others with this one")


def _add_words(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("saying things of takes (kept in notes.json)")
    for option, metavar, text in (
        ("--star", "TAKE", "star a take"),
        ("--unstar", "TAKE", "take its star away"),
        ("--note", "TAKE=TEXT", "keep a note about it; an empty TEXT removes it"),
        ("--song", "TAKE=SONG", "say which song it is of: only takes of a song share a map"),
        (
            "--punch-in",
            "TAKE=OF[@BAR]",
            "it replaces a part of take OF from this bar on (or @12.5s: so far into it) and is "
            "held against that part; an empty OF takes this back",
        ),
        (
            "--tempo",
            "[SONG=]BPM",
            "beats a minute, 20 to 400, kept for the report and exports too; none: forget it",
        ),
        ("--first-beat", "TAKE=SECONDS", "where beat one of bar one is (default: first main kick)"),
    ):
        group.add_argument(option, action="append", default=[], metavar=metavar, help=text)
    add_beats(parser)


def _run_takes(chosen: argparse.Namespace) -> int:
    from liveassist.app.saying import TakeWords
    from liveassist.app.takes import TakesRequest, takes

    words = TakeWords(
        stars=tuple(chosen.star),
        unstars=tuple(chosen.unstar),
        notes=tuple(chosen.note),
        songs=tuple(chosen.song),
        punch_ins=tuple(chosen.punch_in),
        tempos=tuple(chosen.tempo),
        first_beats=tuple(chosen.first_beat),
        beats=chosen.beats,
    )
    request = TakesRequest(
        session=chosen.session,
        kit=chosen.kit,
        words=words,
        keep=tuple(chosen.keep),
        add=tuple(chosen.add),
        move=tuple(chosen.move),
        split=tuple(chosen.split),
        join=tuple((first, second) for first, second in chosen.join),
        rename=tuple(chosen.rename),
        remove=tuple(chosen.remove),
        reference=chosen.reference,
    )
    return takes(request, sys.stdout)
