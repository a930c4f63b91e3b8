"""The commands that work on what a session left behind: report, sessions, takes, export, ..."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from liveassist.app.options import INPUT_HELP, Commands, add_command

_SESSION_HELP = "the folder that --out of listen, replay or demo wrote"


def _add_session(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("session", type=Path, metavar="SESSION", help=_SESSION_HELP)


def _add_kit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--kit", metavar="KIT.toml", help="kit profile to use in place of the one kept there"
    )


# --- report --------------------------------------------------------------------------------


def add_report(commands: Commands) -> None:
    """``liveassist report``."""
    parser = add_command(
        commands,
        "report",
        "write the session report: one HTML page with plots",
        "What engineer, drummer and mix each need first; takes by evenness; every drum over the "
        "day; bleed; what changed; alerts; headroom; a set-up sheet and a mix sheet. The page "
        "needs no network, prints well and can be read on a telephone.",
        "  liveassist report today\n"
        '  liveassist report today --note snare_top="gain 34, 5 cm over the rim"\n'
        "  liveassist report today --audio take.wav --out report.html",
    )
    _add_session(parser)
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write (default: report.html in SESSION)"
    )
    parser.add_argument(
        "--audio",
        nargs="+",
        default=[],
        metavar="INPUT",
        help="the recording of this session, for pair checks and the modes of each head: "
        + INPUT_HELP,
    )
    parser.add_argument(
        "--reference", metavar="TAKE", help="take whose band is drawn (default: the first)"
    )
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="NAME=TEXT",
        help="keep a note about a microphone, drum or take (a gain, a place); may be repeated; "
        "an empty TEXT removes it",
    )
    _add_kit(parser)
    parser.set_defaults(run=_run_report)


def _run_report(chosen: argparse.Namespace) -> int:
    from liveassist.app.reporting import ReportRequest, write_report

    request = ReportRequest(
        session=chosen.session,
        out=chosen.out,
        kit=chosen.kit,
        audio=tuple(chosen.audio),
        reference=chosen.reference,
        notes=tuple(chosen.note),
    )
    return write_report(request, sys.stdout)
