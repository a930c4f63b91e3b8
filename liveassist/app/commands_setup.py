"""The commands about the set-up: describe a kit, keep how it was, come back to it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from liveassist.app.options import Commands, add_command, add_device

_SESSION_HELP = "the folder that --out of listen, replay or demo wrote (or is writing)"


def add_setup(commands: Commands) -> None:
    """``liveassist setup``."""
    parser = add_command(
        commands,
        "setup",
        "write a kit profile while you hit each drum",
        "Counts the channels of the interface, shows which one moves when each drum is hit, asks "
        "for names, and writes the profile. Drum hits are loud: protect your hearing, and follow "
        "the rules of your workplace.",
        '  liveassist setup --device "my interface" --out barn.toml',
    )
    add_device(parser)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("my_kit.toml"),
        metavar="FILE",
        help="where to write (default: my_kit.toml here)",
    )
    parser.add_argument("--name", metavar="NAME", help="what the kit is called (default: asked)")
    parser.add_argument("--replace", action="store_true", help="replace FILE if it is there")
    parser.set_defaults(run=_run_setup)


def _run_setup(chosen: argparse.Namespace) -> int:
    from liveassist.app.setup import LiveSetup, setup

    request = LiveSetup(
        device=chosen.device,
        sample_rate_hz=chosen.rate,
        block_frames=chosen.block,
        out=chosen.out,
        name=chosen.name,
        replace=chosen.replace,
    )
    return setup(request, _ask, sys.stdout)


def _ask(question: str) -> str:
    from liveassist.errors import LiveassistError

    try:
        return input(question)
    except EOFError:
        raise LiveassistError("setup asks questions: start it in a terminal") from None


def add_save_setup(commands: Commands) -> None:
    """``liveassist save-setup``."""
    parser = add_command(
        commands,
        "save-setup",
        "keep how a kit sounds under a name: levels, notes, rings, bleed, polarity, delays",
        "Polarity and delays are known once report was given --audio.",
        '  liveassist save-setup "november kit" today --take "take 3"',
    )
    parser.add_argument("name", metavar="NAME", help="what to call it")
    parser.add_argument("session", type=Path, metavar="SESSION", help=_SESSION_HELP)
    parser.add_argument("--take", metavar="TAKE", help="only this take (default: the last hits)")
    parser.add_argument("--replace", action="store_true", help="replace a set-up of the same name")
    parser.add_argument("--kit", metavar="KIT.toml", help="kit profile in place of the one there")
    parser.set_defaults(run=_run_save_setup)


def _run_save_setup(chosen: argparse.Namespace) -> int:
    from liveassist.app.setups import SetupRequest, save_setup

    request = SetupRequest(
        name=chosen.name,
        session=chosen.session,
        kit=chosen.kit,
        take=chosen.take,
        replace=chosen.replace,
    )
    return save_setup(request, sys.stdout)


def add_restore_check(commands: Commands) -> None:
    """``liveassist restore-check``."""
    parser = add_command(
        commands,
        "restore-check",
        "say what differs from a saved set-up, and by how much, until it matches",
        "Which preamp to turn, which head to tune, which microphone was moved, in that order, from "
        "the last hits of each drum after the last break, or from one take. Exit status 0 if it "
        "matches, 1 if not. Hard hits are loud: protect your hearing while you tune.",
        '  liveassist restore-check "november kit" today\n'
        '  liveassist restore-check "november kit" today --take "take 4"\n'
        '  liveassist restore-check "november kit" today --follow',
    )
    parser.add_argument("name", metavar="NAME", help="the set-up's name")
    parser.add_argument("session", type=Path, metavar="SESSION", help=_SESSION_HELP)
    parser.add_argument("--take", metavar="TAKE", help="only this take (default: the last hits)")
    parser.add_argument(
        "--follow",
        action="store_true",
        help="look again as the running session goes on, until it matches (Ctrl-C ends it)",
    )
    parser.add_argument("--kit", metavar="KIT.toml", help="kit profile in place of the one there")
    parser.set_defaults(run=_run_restore_check)


def _run_restore_check(chosen: argparse.Namespace) -> int:
    from liveassist.app.setups import SetupRequest, restore_check

    request = SetupRequest(
        name=chosen.name,
        session=chosen.session,
        kit=chosen.kit,
        take=chosen.take,
        follow=chosen.follow,
    )
    return restore_check(request, sys.stdout)
