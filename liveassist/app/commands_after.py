"""The commands that work on what a session left behind: report, sessions, takes, export, ..."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from liveassist.app.options import (
    INPUT_HELP,
    Commands,
    add_command,
    add_kit,
    add_learned,
    add_tempo,
)

#: As `app.export` knows them (a test compares); importing it here would slow every help.
EXPORT_FORMS = ("csv", "json", "midi", "markers", "cues")
#: As `app.comparing` knows them (a test compares).
MATCHES = ("level", "median")

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
        "--reference", metavar="TAKE", help="take whose band is drawn (default: the session's)"
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


# --- export --------------------------------------------------------------------------------


def add_export(commands: Commands) -> None:
    """``liveassist export``."""
    parser = add_command(
        commands,
        "export",
        "write hits and takes in forms that other programs read",
        "csv: hits, with bar and beat if a tempo is given. json: everything in one document. midi: "
        "a Standard MIDI File of the hits with velocities (General MIDI drum notes), takes as "
        "markers; its time 0 is the first sample, so it lies beside the audio at any tempo. "
        "markers: takes, your marks, faults and bars that are not clean, as CSV rows. cues: a copy "
        "of a WAV file with the same as cue points. A tempo given to takes is used here too.",
        "  liveassist export today --as midi --tempo 132\n"
        "  liveassist export today --as csv --out hits_on_bars.csv --tempo 132\n"
        "  liveassist export today --as cues --audio take.wav --out take_marked.wav",
    )
    _add_session(parser)
    parser.add_argument("--as", dest="form", required=True, choices=EXPORT_FORMS, help="which form")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write (default: into SESSION)"
    )
    parser.add_argument(
        "--drum",
        action="append",
        default=[],
        metavar="DRUM",
        help="only hits of this drum (csv, json, midi); may be repeated",
    )
    add_tempo(parser)
    parser.add_argument(
        "--only-takes", action="store_true", help="no other markers (midi, markers, cues)"
    )
    parser.add_argument("--audio", type=Path, metavar="FILE.wav", help="the recording, for cues")
    _add_kit(parser)
    parser.set_defaults(run=_run_export)


def _run_export(chosen: argparse.Namespace) -> int:
    from liveassist.app.export import ExportRequest, export

    request = ExportRequest(
        session=chosen.session,
        form=chosen.form,
        out=chosen.out,
        kit=chosen.kit,
        tempo_bpm=chosen.tempo,
        beats=chosen.beats,
        audio=chosen.audio,
        drums=tuple(chosen.drum),
        only_takes=chosen.only_takes,
    )
    return export(request, sys.stdout)


# --- compare -------------------------------------------------------------------------------


def add_compare(commands: Commands) -> None:
    """``liveassist compare``."""
    parser = add_command(
        commands,
        "compare",
        "hold stretches of playing side by side: drums, heads, tunings, microphones, places",
        "Note, modes, ring, attack, brightness, body, box, crack, wires, evenness and bleed margin "
        "at matched level, each with its interval and whether it differs by more than chance. With "
        "one stretch and several --mic the same hits are compared as pairs. The ear chooses.",
        "  liveassist compare old=old.wav new=new.wav --kit my_kit.toml --drum snare\n"
        "  liveassist compare a=try.wav@0:40 b=try.wav@45:90 --kit my_kit.toml \\\n"
        "      --want fuller-soft --want shorter --out choice.html\n"
        "  liveassist compare take.wav --kit my_kit.toml --mic snare_top --mic snare_side",
    )
    parser.add_argument(
        "stretch",
        nargs="+",
        metavar="[NAME=]INPUT[@START:END]",
        help="a file, or a folder with one file a microphone; times in seconds",
    )
    add_kit(parser)
    parser.add_argument("--drum", metavar="DRUM", help="which drum (default: the snare)")
    parser.add_argument(
        "--mic",
        action="append",
        default=[],
        metavar="MIC",
        help="listen in this microphone (default: the drum's own); several: the same hits in each",
    )
    parser.add_argument(
        "--want",
        action="append",
        default=[],
        metavar="WISH",
        help="rank by this; may be repeated: fuller, fuller-soft, less-box, more-crack, "
        "more-wires, fewer-wires, brighter, darker, shorter, longer, higher, lower, quicker, "
        "less-bleed, more-even",
    )
    parser.add_argument(
        "--match",
        default=MATCHES[0],
        choices=MATCHES,
        help="like hits are those of like level (the default), or, where gains or microphones "
        "differ, of like level about each stretch's median",
    )
    add_learned(parser)
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write a page with the picture (HTML)"
    )
    parser.set_defaults(run=_run_compare)


def _run_compare(chosen: argparse.Namespace) -> int:
    from liveassist.app.comparing import CompareRequest, compare

    request = CompareRequest(
        stretches=tuple(chosen.stretch),
        kit=chosen.kit,
        drum=chosen.drum,
        mics=tuple(chosen.mic),
        wishes=tuple(chosen.want),
        match=chosen.match,
        learned=chosen.learned,
        out=chosen.out,
    )
    return compare(request, sys.stdout, sys.stderr)
