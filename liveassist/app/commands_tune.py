"""The command for tuning: lug-walk."""

from __future__ import annotations

import argparse
import sys

from liveassist.app.options import (
    INPUT_HELP,
    Commands,
    add_command,
    add_device,
    add_kit,
    add_surface,
    positive_whole,
)
from liveassist.errors import ConfigError


def add_lug_walk(commands: Commands) -> None:
    """``liveassist lug-walk``."""
    parser = add_command(
        commands,
        "lug-walk",
        "find which lug is off: tap beside each lug in turn",
        "Hears the taps in the recording microphones and shows how far each lug is off the others, "
        "in cents, as bars of opposite pairs; a telephone or tablet shows the same with --surface "
        "and gives the commands. Without INPUT it listens to the interface. Throw the snare wires "
        "off, damp the other head with a cloth, tap softly near the rim, and let each tap ring a "
        "second. Keys: n next lug, b back, r this lug again, 1 to 9 (0 is 10) go to a lug, q end. "
        "Opposite lugs sound alike on a head, so it names pairs where it cannot know more. Your "
        "ear is near the drum: nobody hits it hard while you tap.",
        "  liveassist lug-walk --kit my_kit.toml\n"
        "  liveassist lug-walk --kit my_kit.toml --drum snare --lugs 10 --surface "
        "osc_tablet_page\n"
        "  liveassist lug-walk taps.wav --kit my_kit.toml --taps 3\n"
        "  liveassist lug-walk taps.wav --kit my_kit.toml --segment 1=0:3 --segment 2=3:6",
    )
    parser.add_argument(
        "input", nargs="*", metavar="INPUT", help=f"taps from lug 1 on: {INPUT_HELP}"
    )
    add_kit(parser)
    parser.add_argument(
        "--drum", metavar="DRUM", help="which drum (default: the first snare of the kit)"
    )
    parser.add_argument(
        "--lugs", type=positive_whole, metavar="N", help="how many lugs (default: as in the kit)"
    )
    parser.add_argument(
        "--taps",
        type=positive_whole,
        default=2,
        metavar="N",
        help="taps beside each lug (default: 2)",
    )
    parser.add_argument(
        "--segment",
        action="append",
        default=[],
        metavar="LUG=START:END",
        help="which lug is tapped when in the recording, in seconds; may be repeated (default: "
        "from lug 1 on, --taps at each)",
    )
    add_device(parser)
    add_surface(parser)
    parser.set_defaults(run=_run_lug_walk)


def _run_lug_walk(chosen: argparse.Namespace) -> int:
    from liveassist.app.lugwalk import LugWalkRequest, lug_walk

    if chosen.input and chosen.device is not None:
        raise ConfigError("--device is for listening; leave it out where a recording is given")
    request = LugWalkRequest(
        kit=chosen.kit,
        inputs=tuple(chosen.input),
        drum=chosen.drum,
        lugs=chosen.lugs,
        taps=chosen.taps,
        segments=tuple(chosen.segment),
        device=chosen.device,
        sample_rate_hz=chosen.rate,
        block_frames=chosen.block,
        surfaces=tuple(chosen.surface),
    )
    return lug_walk(request, sys.stdout)
