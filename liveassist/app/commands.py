"""The commands of the command line: their options, their help, and the code that runs them.

What a command needs is imported when it runs, so that ``--help`` answers at once and a missing
library stops only the commands that need it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from liveassist.app.commands_after import add_compare, add_export, add_report
from liveassist.app.commands_live import (
    add_listen,
    add_service,
    add_status,
    add_stop,
    add_tell,
    add_watch,
)
from liveassist.app.commands_setup import add_restore_check, add_save_setup, add_setup
from liveassist.app.commands_surface import add_learn
from liveassist.app.commands_takes import add_sessions, add_takes
from liveassist.app.commands_tune import add_lug_walk
from liveassist.app.options import (
    INPUT_HELP,
    Commands,
    add_aim,
    add_command,
    add_device,
    add_kit,
    add_learned,
    add_out,
    add_plain,
    add_reference,
    add_segment,
    add_surface,
    positive_seconds,
    positive_whole,
)
from liveassist.errors import ConfigError

# --- demo ----------------------------------------------------------------------------------


def add_demo(commands: Commands) -> None:
    """``liveassist demo``."""
    parser = add_command(
        commands,
        "demo",
        "play a simulated session through the real analysis",
        "Needs no audio hardware. Figures go out over OSC to this machine.",
        "  liveassist demo\n  liveassist demo --headless --seconds 20\n"
        "  liveassist demo --seconds 60 --out demo_session",
    )
    parser.add_argument(
        "--seconds",
        type=positive_seconds,
        metavar="N",
        help="end after N seconds (default: the whole scenario)",
    )
    parser.add_argument(
        "--headless", action="store_true", help="no dashboard; print at the end what was heard"
    )
    add_plain(parser)
    add_surface(parser)
    add_out(parser)
    parser.set_defaults(run=_run_demo)


def _run_demo(chosen: argparse.Namespace) -> int:
    from liveassist.app.demo import DemoRequest, demo

    return demo(
        DemoRequest(
            seconds=chosen.seconds,
            headless=chosen.headless,
            plain=chosen.plain,
            out=chosen.out,
            surfaces=tuple(chosen.surface),
        ),
        sys.stdout,
    )


# --- replay --------------------------------------------------------------------------------


def add_replay(commands: Commands) -> None:
    """``liveassist replay``."""
    parser = add_command(
        commands,
        "replay",
        "analyse a recording, as fast as the machine allows",
        "Gives the same hits as listening would have. Nothing learned elsewhere is used unless "
        "--learned or --soundcheck names it. All times are seconds from the first sample.",
        "  liveassist replay take.wav --kit my_kit.toml --out session\n"
        "  liveassist replay stems/ --kit eight_mics --soundcheck check.wav --out session\n"
        "  liveassist replay kick=k.wav snare_top=s.wav over_left=o.wav --kit three_mics\n"
        "  liveassist replay take.flac --kit my_kit.toml --soundcheck check.flac \\\n"
        "      --segment kick=0.5:7 --segment snare=8.5:15 --take one=0:63.5 --take two=70:133\n"
        "  liveassist replay take.wav --kit my_kit.toml --out session --render \\\n"
        "      --set snare_top.threshold=-24 snare_top.range=10\n",
    )
    parser.add_argument("input", nargs="+", metavar="INPUT", help=INPUT_HELP)
    add_kit(parser)
    parser.add_argument(
        "--soundcheck",
        nargs="+",
        default=[],
        metavar="INPUT",
        help="learn the kit first from this recording of each drum alone (same forms as INPUT)",
    )
    add_segment(parser)
    add_learned(parser)
    parser.add_argument(
        "--take",
        action="append",
        default=[],
        metavar="NAME=START:END",
        help="a take; may be repeated (default: stretches of playing between silences)",
    )
    add_reference(parser)
    add_aim(parser)
    parser.add_argument(
        "--audit",
        action="store_true",
        help="try how soft a hit would still be heard in the bleed of this recording",
    )
    parser.add_argument(
        "--set",
        action="extend",
        nargs="+",
        default=[],
        metavar="[MIC.]NAME=VALUE",
        help="try expander values of your own beside the suggestion, for one microphone or all: "
        "threshold, hysteresis, range, ratio, knee, attack, hold, release, lookahead, "
        "key-highpass, key-lowpass",
    )
    parser.add_argument(
        "--render",
        action="store_true",
        help="write each close microphone as recorded and behind its expander, aligned to the "
        "sample, to DIR/rendered",
    )
    add_surface(parser)
    add_out(parser)
    parser.set_defaults(run=_run_replay)


def _run_replay(chosen: argparse.Namespace) -> int:
    from liveassist.app.replay import ReplayRequest, replay

    request = ReplayRequest(
        inputs=tuple(chosen.input),
        kit=chosen.kit,
        soundcheck=tuple(chosen.soundcheck),
        segments=tuple(chosen.segment),
        learned=chosen.learned,
        reference=chosen.reference,
        surfaces=tuple(chosen.surface),
        out=chosen.out,
        takes=tuple(chosen.take),
        aim=chosen.aim,
        audit=chosen.audit,
        own_values=tuple(chosen.set),
        render=chosen.render,
    )
    return replay(request, sys.stdout, sys.stderr)


# --- soundcheck ----------------------------------------------------------------------------


def add_soundcheck(commands: Commands) -> None:
    """``liveassist soundcheck``."""
    parser = add_command(
        commands,
        "soundcheck",
        "learn a kit: each drum alone, soft to hard, live or from a recording",
        "Without INPUT it listens to the interface and says which drum to hit next, how many hits "
        "are still needed and whether each was clean; keys: r this drum again, s next drum, q "
        "end. Writes what was learned to a file beside the kit profile. Hard hits are loud: "
        "protect your hearing, keep monitoring low, and follow the rules of your workplace.",
        '  liveassist soundcheck --kit my_kit.toml --device "my interface"\n'
        "  liveassist soundcheck check.wav --kit my_kit.toml\n"
        "  liveassist soundcheck check.wav --kit my_kit.toml --segment kick=0.5:7 "
        "--segment snare=8.5:15",
    )
    parser.add_argument("input", nargs="*", metavar="INPUT", help=INPUT_HELP)
    add_kit(parser)
    add_segment(parser)
    add_device(parser)
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="where to write (default: KIT.learned.npz beside the kit profile)",
    )
    parser.set_defaults(run=_run_soundcheck)


def _run_soundcheck(chosen: argparse.Namespace) -> int:
    from liveassist.app.soundcheck import SoundcheckRequest, soundcheck

    if not chosen.input:
        from liveassist.app.soundcheck_live import LiveSoundcheck, soundcheck_live

        _no_recording_given(chosen)
        live = LiveSoundcheck(chosen.kit, chosen.device, chosen.rate, chosen.block, chosen.out)
        return soundcheck_live(live, sys.stdout)
    if chosen.device is not None:
        raise ConfigError("--device is for listening; leave it out where a recording is given")
    request = SoundcheckRequest(
        inputs=tuple(chosen.input),
        kit=chosen.kit,
        segments=tuple(chosen.segment),
        out=chosen.out,
    )
    return soundcheck(request, sys.stdout)


# --- track-offset --------------------------------------------------------------------------


def add_track_offset(commands: Commands) -> None:
    """``liveassist track-offset``."""
    parser = add_command(
        commands,
        "track-offset",
        "measure how much louder a recorded track is than what liveassist hears",
        "For track_offset_db in the kit profile, which carries thresholds over to the track. Both "
        "files hold the same microphone during the same hits; where they start does not matter, "
        "as long as they overlap within the first minute.",
        "  liveassist track-offset heard.wav snare_track.wav\n"
        "  liveassist track-offset heard.wav mix.wav --heard-channel 2 --track-channel 7",
    )
    parser.add_argument("heard", type=Path, metavar="HEARD", help="as it came in here")
    parser.add_argument("track", type=Path, metavar="TRACK", help="as the recorder has it")
    for name in ("heard", "track"):
        parser.add_argument(
            f"--{name}-channel",
            type=positive_whole,
            metavar="N",
            help=f"channel of {name.upper()}, from 1, where it holds several",
        )
    parser.set_defaults(run=_run_track_offset)


def _run_track_offset(chosen: argparse.Namespace) -> int:
    from liveassist.app.trackoffset import TrackOffsetRequest, measure_track_offset

    request = TrackOffsetRequest(
        chosen.heard, chosen.track, chosen.heard_channel, chosen.track_channel
    )
    return measure_track_offset(request, sys.stdout)


def _no_recording_given(chosen: argparse.Namespace) -> None:
    if chosen.segment:
        raise ConfigError("--segment: names a part of a recording; give INPUT too")


# --- check, devices ------------------------------------------------------------------------


def add_check(commands: Commands) -> None:
    """``liveassist check``."""
    parser = add_command(
        commands,
        "check",
        "say whether kit and surface profiles are right, all mistakes at once",
        "Without PROFILE: list the bundled ones. Exit status 1 if any is wrong.",
        "  liveassist check\n  liveassist check my_kit.toml my_surface.toml",
    )
    parser.add_argument("profile", nargs="*", metavar="PROFILE", help="TOML file or bundled name")
    parser.set_defaults(run=_run_check)


def _run_check(chosen: argparse.Namespace) -> int:
    from liveassist.app.check import check, list_bundled

    if not chosen.profile:
        return list_bundled(sys.stdout)
    return check(chosen.profile, sys.stdout, sys.stderr)


def add_devices(commands: Commands) -> None:
    """``liveassist devices``."""
    parser = add_command(
        commands,
        "devices",
        "list audio inputs and MIDI ports",
        "",
        "  liveassist devices",
    )
    parser.set_defaults(run=_run_devices)


def _run_devices(chosen: argparse.Namespace) -> int:
    from liveassist.app.devices import devices

    return devices(sys.stdout)


#: Each adds one command, in the order of the help.
ADDERS: tuple[Callable[[Commands], None], ...] = (
    add_demo,
    add_setup,
    add_listen,
    add_replay,
    add_soundcheck,
    add_lug_walk,
    add_track_offset,
    add_check,
    add_devices,
    add_learn,
    add_watch,
    add_status,
    add_tell,
    add_stop,
    add_service,
    add_sessions,
    add_takes,
    add_report,
    add_export,
    add_compare,
    add_save_setup,
    add_restore_check,
)
