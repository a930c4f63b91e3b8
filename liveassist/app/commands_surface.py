"""The command that writes a surface profile: learn."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from liveassist.app.options import Commands, add_command
from liveassist.errors import ConfigError, StorageError


def add_learn(commands: Commands) -> None:
    """`liveassist learn`."""
    parser = add_command(
        commands,
        "learn",
        "write a surface profile by moving each control and looking at each light",
        "Asks for one control of a MIDI port after the other, and what each is to show or do; then "
        "for lights: it shows the values you ask to see, and you say what each shall mean, which "
        "blink, and what each light stands for. Nothing else is sent to the port. Ranges, pages "
        "and all else can be changed in the file afterwards.",
        "  liveassist learn fader --out my_bank.toml",
    )
    parser.add_argument(
        "port", help="part of the MIDI port's name, or a pattern with * and ? (see devices)"
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="the profile to write"
    )
    parser.set_defaults(run=_run_learn)


def _run_learn(chosen: argparse.Namespace) -> int:
    from liveassist.output.learn_port import learn_surface

    out: Path = chosen.out
    if out.exists():
        raise ConfigError(f"{out}: there is a file of that name already; choose another")
    text = learn_surface(chosen.port, out.stem, _ask, _tell)
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StorageError(f"{out}: cannot be written: {error.strerror}") from None
    print(f"Wrote {out}; liveassist check {out} says what it does.")
    return 0


def _ask(question: str) -> str:
    """The user's answer. ConfigError at the end of input: nobody is there to ask."""
    print(question, end="", flush=True)
    answer = sys.stdin.readline()
    if not answer:
        raise ConfigError("the answers ended before the profile was complete; nothing was written")
    return answer


def _tell(text: str) -> None:
    """Show a line at once, also to a program that reads ours."""
    print(text, flush=True)
