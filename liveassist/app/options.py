"""Options that several commands share, and how a command is put on the command line."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import Any

#: What argparse calls a group of subcommands (its type is private there).
Commands = Any

#: As the expander advice knows them (a test compares); importing it here would slow every help.
AIMS = ("natural", "tight", "keep-ghosts")

#: Slowest and fastest tempo that may be given, beats a minute.
TEMPO_BPM = (20.0, 400.0)

INPUT_HELP = (
    "a file with all microphones as channels, a folder with one mono file a microphone "
    "(named for it), or several MIC=FILE; WAV, FLAC or AIFF"
)
_KIT_HELP = "kit profile: a TOML file, or the name of a bundled one (see check)"
_SURFACE_HELP = (
    "surface profile (OSC or MIDI out): a TOML file, or the name of a bundled one; may be repeated"
)


def positive_seconds(text: str) -> float:
    """An option's value in seconds, more than 0 and at most a day."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= 86_400.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds above 0")
    return seconds


def positive_whole(text: str) -> int:
    """An option's value as a whole number above 0."""
    if not text.isdecimal() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number above 0")
    return int(text)


def fill(text: str) -> str:
    """Text as lines that fit a terminal of 80 columns (argparse keeps ours as they are)."""
    return textwrap.fill(text, 79)


def add_command(
    commands: Commands, name: str, brief: str, more: str, examples: str
) -> argparse.ArgumentParser:
    """Put a command on the command line: what it does in brief and in more words, examples."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=brief,
        description=fill(f"{brief[0].upper()}{brief[1:]}. {more}"),
        epilog=f"examples:\n{examples}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser


def add_kit(parser: argparse.ArgumentParser) -> None:
    """``--kit``."""
    parser.add_argument("--kit", required=True, metavar="KIT.toml", help=_KIT_HELP)


def add_device(parser: argparse.ArgumentParser) -> None:
    """``--device``, ``--rate`` and ``--block``."""
    parser.add_argument(
        "--device",
        metavar="NAME|NUMBER",
        help="audio input: its number, its name or a part of it (default: the system's default)",
    )
    parser.add_argument(
        "--rate",
        type=positive_whole,
        metavar="HZ",
        help="sample rate (default: what the device runs at)",
    )
    parser.add_argument(
        "--block",
        type=positive_whole,
        metavar="FRAMES",
        help="samples a block (default: what the device prefers)",
    )


def add_segment(parser: argparse.ArgumentParser) -> None:
    """``--segment``."""
    parser.add_argument(
        "--segment",
        action="append",
        default=[],
        metavar="DRUM=START:END",
        help="which drum is played when in the soundcheck; may be repeated (default: found out)",
    )


def add_learned(parser: argparse.ArgumentParser) -> None:
    """``--learned``."""
    parser.add_argument(
        "--learned",
        default="none",
        metavar="FILE|none",
        help="use what an earlier soundcheck learned (default: none, learn while listening)",
    )


def add_reference(parser: argparse.ArgumentParser) -> None:
    """``--reference``."""
    parser.add_argument(
        "--reference",
        metavar="TAKE",
        help="compare the other takes with this one (default: the first)",
    )


def add_surface(parser: argparse.ArgumentParser) -> None:
    """``--surface``."""
    parser.add_argument(
        "--surface", action="append", default=[], metavar="S.toml", help=_SURFACE_HELP
    )


def add_aim(parser: argparse.ArgumentParser) -> None:
    """``--aim``."""
    parser.add_argument(
        "--aim",
        default=AIMS[0],
        choices=AIMS,
        help="what the suggested expander is for: bleed down and nothing harmed (natural, the "
        "default), as little bleed as can be (tight), or ghost notes kept whole (keep-ghosts)",
    )


def add_out(parser: argparse.ArgumentParser) -> None:
    """``--out``."""
    parser.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder for hits.csv and summary.json (default: print only)",
    )


def beats_a_bar(text: str) -> int:
    """An option's value as beats a bar."""
    beats = positive_whole(text)
    if beats > 32:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of beats from 1 to 32")
    return beats


def tempo(text: str) -> float:
    """An option's value as a tempo."""
    low, high = TEMPO_BPM
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a tempo from {low:g} to {high:g} beats a minute"
        )
    return value


def add_tempo(parser: argparse.ArgumentParser) -> None:
    """``--tempo`` and ``--beats``."""
    parser.add_argument(
        "--tempo",
        type=tempo,
        metavar="BPM",
        help="beats a minute, 20 to 400, of all takes (default: what was said to takes)",
    )
    add_beats(parser)


def add_beats(parser: argparse.ArgumentParser) -> None:
    """``--beats``."""
    parser.add_argument(
        "--beats", type=beats_a_bar, metavar="N", help="beats a bar, 1 to 32 (default: 4)"
    )


def add_plain(parser: argparse.ArgumentParser) -> None:
    """``--plain``."""
    parser.add_argument(
        "--plain",
        action="store_true",
        help="say the dashboard in sentences, for screen readers and terminals that cannot draw",
    )
