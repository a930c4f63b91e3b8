"""The commands of a live session: listen, and watch, status, stop, which reach a running one."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from liveassist.app.options import (
    Commands,
    add_aim,
    add_command,
    add_device,
    add_kit,
    add_learned,
    add_out,
    add_plain,
    add_reference,
    add_surface,
    positive_seconds,
)

if TYPE_CHECKING:
    from liveassist.app.listen import ListenRequest


def add_listen(commands: Commands) -> None:
    """``liveassist listen``."""
    parser = add_command(
        commands,
        "listen",
        "listen to an audio interface beside your recorder",
        "Ends with Ctrl-C, the key q, or: liveassist stop. Loud drums and loud monitoring harm "
        "hearing: protect it, and follow the rules of your workplace.",
        "  liveassist listen --kit my_kit.toml --out session\n"
        '  liveassist listen --kit my_kit.toml --device "my interface" --surface osc_tablet_page\n'
        "  liveassist listen --kit my_kit.toml --headless --learned my_kit.learned.npz\n"
        "  liveassist listen --kit my_kit.toml --background --out session",
    )
    _add_listen_options(parser)
    parser.add_argument("--headless", action="store_true", help="no dashboard")
    add_plain(parser)
    parser.add_argument(
        "--background",
        action="store_true",
        help="go on without this terminal; see it with watch, end it with stop",
    )
    parser.add_argument(
        "--log",
        type=Path,
        metavar="FILE",
        help="write alerts and takes there (default: only in the background, beside the files)",
    )
    parser.set_defaults(run=_run_listen)


def _add_listen_options(parser: argparse.ArgumentParser) -> None:
    add_kit(parser)
    add_device(parser)
    parser.add_argument("--seconds", type=positive_seconds, metavar="N", help="end after N seconds")
    add_learned(parser)
    add_reference(parser)
    add_aim(parser)
    add_surface(parser)
    add_out(parser)


def _run_listen(chosen: argparse.Namespace) -> int:
    from liveassist.app.listen import listen

    request = _listen_request(
        chosen, headless=chosen.headless, background=chosen.background, log=chosen.log
    )
    return listen(request, sys.stdout, sys.stderr)


def _listen_request(
    chosen: argparse.Namespace, *, headless: bool, background: bool, log: Path | None
) -> ListenRequest:
    from liveassist.app.listen import ListenRequest

    return ListenRequest(
        kit=chosen.kit,
        device=chosen.device,
        surfaces=tuple(chosen.surface),
        out=chosen.out,
        headless=headless,
        plain=getattr(chosen, "plain", False),
        background=background,
        log=log,
        sample_rate_hz=chosen.rate,
        block_frames=chosen.block,
        learned=chosen.learned,
        reference=chosen.reference,
        aim=chosen.aim,
        seconds=chosen.seconds,
    )


def add_service(commands: Commands) -> None:
    """``liveassist service``."""
    parser = add_command(
        commands,
        "service",
        "write the file that lets the system start listening at log-in",
        "A user unit for systemd, or a launch agent for launchd. Nothing is started; what to type "
        "next is printed. Sessions are kept in --out, without it in liveassist/KIT of your home "
        "folder.",
        '  liveassist service --kit my_kit.toml --device "my interface" --out sessions',
    )
    _add_listen_options(parser)
    parser.add_argument(
        "--system", metavar="NAME", help="systemd or launchd (default: this machine's)"
    )
    parser.add_argument(
        "--folder",
        type=Path,
        metavar="DIR",
        help="where to write (default: where it is looked for)",
    )
    parser.add_argument(
        "--log", type=Path, metavar="FILE", help="the log (default: beside the session's files)"
    )
    parser.set_defaults(run=_run_service)


def _run_service(chosen: argparse.Namespace) -> int:
    from liveassist.app.background import default_log, write_service
    from liveassist.app.config import load_kit

    load_kit(chosen.kit)  # a mistake is better found now than at log-in
    if chosen.out is None:
        # Nobody sits before it: what is not kept is lost.
        chosen.out = Path.home() / "liveassist" / Path(chosen.kit).stem
    print(f"Each session will be kept in {chosen.out}, an earlier one within it.")
    request = _listen_request(chosen, headless=True, background=False, log=None)
    log = (chosen.log or default_log(chosen.out)).resolve()
    return write_service(request.words(), chosen.system, chosen.folder, log, sys.stdout)


def add_watch(commands: Commands) -> None:
    """``liveassist watch``."""
    parser = add_command(
        commands,
        "watch",
        "attach the dashboard to a running session",
        "Leaving it with q does not end the session unless you ask for that.",
        "  liveassist watch\n  liveassist watch my_interface",
    )
    _add_instance(parser)
    add_plain(parser)
    parser.set_defaults(run=_run_watch)


def _run_watch(chosen: argparse.Namespace) -> int:
    from liveassist.app.watch import watch

    return watch(chosen.instance, sys.stdout, plain=chosen.plain)


def add_status(commands: Commands) -> None:
    """``liveassist status``."""
    parser = add_command(
        commands,
        "status",
        "ask a running session how it is",
        "",
        "  liveassist status",
    )
    _add_instance(parser)
    parser.set_defaults(run=_run_status)


def _run_status(chosen: argparse.Namespace) -> int:
    from liveassist.app.watch import status

    return status(chosen.instance, sys.stdout)


def add_tell(commands: Commands) -> None:
    """``liveassist tell``."""
    parser = add_command(
        commands,
        "tell",
        "give a running session a command: name a take, split one, start a song",
        "The commands are those that tablets give over OSC; --list names them with their values.",
        '  liveassist tell take/rename "second verse"\n'
        '  liveassist tell song/start "gannet road"\n'
        '  liveassist tell take/note "fill too early"\n'
        "  liveassist tell --list",
    )
    parser.add_argument("words", nargs="*", metavar="COMMAND [VALUE]", help="what to do")
    parser.add_argument("--list", action="store_true", help="list the commands")
    parser.add_argument("--session", metavar="SESSION", help="which one, where several run")
    parser.set_defaults(run=_run_tell)


def _run_tell(chosen: argparse.Namespace) -> int:
    from liveassist.app.telling import listed, tell
    from liveassist.errors import ConfigError

    if chosen.list:
        return listed(sys.stdout)
    if not chosen.words:
        raise ConfigError("say what to tell; liveassist tell --list names the commands")
    return tell(chosen.session, chosen.words, sys.stdout)


def add_stop(commands: Commands) -> None:
    """``liveassist stop``."""
    parser = add_command(
        commands,
        "stop",
        "end a running session; its files are written first",
        "",
        "  liveassist stop",
    )
    _add_instance(parser)
    parser.set_defaults(run=_run_stop)


def _run_stop(chosen: argparse.Namespace) -> int:
    from liveassist.app.watch import stop

    return stop(chosen.instance, sys.stdout)


def _add_instance(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "instance",
        nargs="?",
        metavar="SESSION",
        help="which one, where several run (status names them)",
    )
