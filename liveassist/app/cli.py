"""The command line: which command does what, with which options, and how it ends.

Exit codes: 0 good, 1 the job failed, 2 wrong use. Every failure meant for the user is one
sentence on standard error; a traceback is a bug of ours.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence

from liveassist import __version__
from liveassist.app.commands import ADDERS
from liveassist.app.options import fill
from liveassist.errors import ConfigError, LiveassistError

_DESCRIPTION = (
    "Listens beside your recorder while drums are recorded, counts every snare and kick hit, and "
    "says in numbers how even they are, how much bleed there is, which expander setting separates "
    "them, and what changed since the last take. It suggests and never acts by itself."
)
_EPILOG = """\
examples:
  liveassist demo                                  a simulated drummer, no hardware needed
  liveassist check my_kit.toml                     is the kit profile right?
  liveassist replay take.wav --kit my_kit.toml --out session
  liveassist listen --kit my_kit.toml --out session

Exit status: 0 good, 1 the job failed, 2 wrong use.
Loud drums and loud monitoring harm hearing: protect it, and follow the rules of your workplace.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code. ``arguments`` without the program's name."""
    for stream in (sys.stdout, sys.stderr):
        # A name the terminal cannot show is no reason to fail.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    parser = build_parser()
    chosen = parser.parse_args(arguments)
    try:
        code: int = chosen.run(chosen)
        sys.stdout.flush()
    except ConfigError as error:
        _say(*error.problems)
        return error.exit_code
    except LiveassistError as error:
        _say(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _say("stopped")
        return 1
    except BrokenPipeError:
        # Whoever read our output (head, less) has seen enough; keep the exit quiet.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return code


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="liveassist",
        description=fill(_DESCRIPTION),
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"liveassist {__version__}")
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    commands.required = True
    for add in ADDERS:
        add(commands)
    return parser


def _say(*sentences: str) -> None:
    for sentence in sentences:
        print(f"liveassist: {sentence}", file=sys.stderr)


if __name__ == "__main__":
    raise SystemExit(main())
