"""`listen` that outlives its terminal: started by hand, or by the system at log-in.

`start` runs it in a session of its own and returns when it listens. `write_service` writes the
description from which systemd (Linux) or launchd (macOS) starts it.
"""

from __future__ import annotations

import os
import plistlib
import shlex
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from liveassist.app.atomic import make_folder, storage_error, write_whole
from liveassist.app.nearest import did_you_mean
from liveassist.app.rundir import running
from liveassist.errors import ConfigError, DeviceError, LiveassistError
from liveassist.input.childproc import package_environment

#: How long the start may take, seconds: the device's own limit is 10.
START_S = 30.0
_LOOK_S = 0.1
#: What daemons said is forgotten from this size on, bytes, when none is running.
MOST_SAID_BYTES = 65536
#: Name of the service, in the form each system wants.
UNIT_NAME = "liveassist.service"
PLIST_NAME = "local.liveassist.plist"
SYSTEMS = ("systemd", "launchd")


def state_folder() -> Path:
    """Where logs are kept: the user's folder for state (XDG Base Directory specification)."""
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Logs" / "liveassist"
    named = os.environ.get("XDG_STATE_HOME")
    return (Path(named) if named else Path.home() / ".local" / "state") / "liveassist"


def default_log(out: Path | None) -> Path:
    """The log beside the session's files, or in the user's folder for state."""
    return (out if out is not None else state_folder()) / "liveassist.log"


def start(words: Sequence[str], log: Path, out: TextIO) -> int:
    """Run ``listen`` with ``words`` in the background; 0 once it listens.

    DeviceError with the daemon's own sentence where it ends instead.
    """
    if sys.platform == "win32":
        raise LiveassistError("--background is not supported on Windows yet; leave its window open")
    make_folder(log.parent)
    command = [sys.executable, "-m", "liveassist", "listen", "--headless", "--log", str(log)]
    said_in = log.with_suffix(".err")
    try:
        # Appended to, never cut under a daemon that is running and still writes there.
        errors = said_in.open("a+b")
        if errors.tell() > MOST_SAID_BYTES and not running():
            errors.truncate(0)
        begin = errors.seek(0, os.SEEK_END)
    except OSError as problem:
        raise storage_error(log, problem) from None
    with errors:
        daemon = subprocess.Popen(
            [*command, *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=errors,
            env=package_environment(),
            start_new_session=True,
        )
        end_s = time.monotonic() + START_S
        while not any(one.pid == daemon.pid for one in running()):
            if daemon.poll() is not None:
                errors.seek(begin)
                raise DeviceError(_last_word(errors.read().decode("utf-8", "replace")))
            if time.monotonic() > end_s:
                daemon.kill()
                daemon.wait()
                raise DeviceError(f"The daemon did not begin to listen; look in its log: {log}")
            time.sleep(_LOOK_S)
    # It is the system's to reap from here on; this process is about to end.
    daemon.returncode = 0
    print(
        f"Listening in the background as process {daemon.pid}; log: {log}\n"
        "See it with: liveassist watch; end it with: liveassist stop",
        file=out,
    )
    return 0


def _last_word(said: str) -> str:
    """The sentence a daemon ended with; another that writes to the same file is not quoted."""
    mark = "liveassist: "
    words = [line.removeprefix(mark) for line in said.splitlines() if line.startswith(mark)]
    return words[-1] if words else "It ended."


def write_service(
    words: Sequence[str], system: str | None, folder: Path | None, log: Path, out: TextIO
) -> int:
    """Write the description of a service that runs ``listen`` with ``words``; say how to use it.

    ``system``: `SYSTEMS`, None for this machine's. ``folder``: None for where the system looks.
    Nothing is started or enabled.
    """
    chosen = system or ("launchd" if sys.platform == "darwin" else "systemd")
    if chosen not in SYSTEMS:
        raise ConfigError(f"--system {chosen}: there is no such{did_you_mean(chosen, SYSTEMS)}")
    command = [sys.executable, "-m", "liveassist", "listen", "--headless", "--log", str(log)]
    if chosen == "systemd":
        path = (folder or _config_home() / "systemd" / "user") / UNIT_NAME
        text = systemd_unit([*command, *words])
        use = f"systemctl --user daemon-reload && systemctl --user enable --now {UNIT_NAME}"
    else:
        path = (folder or Path.home() / "Library" / "LaunchAgents") / PLIST_NAME
        text = launchd_plist([*command, *words])
        use = f"launchctl bootstrap gui/{os.getuid()} {shlex.quote(str(path))}"
    make_folder(path.parent)
    write_whole(path, text)
    print(f"Wrote {path}. Start it now and at every log-in with:\n  {use}", file=out)
    return 0


def systemd_unit(command: Sequence[str]) -> str:
    """The text of a user unit (systemd.service(5)) that runs ``command``."""
    words = " ".join(_systemd_word(word) for word in command)
    return (
        "[Unit]\n"
        "Description=liveassist: hits, spread and bleed of the drums being recorded\n"
        "After=sound.target pipewire.service\n"
        "StartLimitIntervalSec=0\n\n"
        "[Service]\n"
        f"ExecStart={words}\n"
        f"Environment={_systemd_word('PYTHONPATH=' + _package_root(), variables=False)}\n"
        "Restart=on-failure\n"
        "RestartSec=3\n"
        # Ctrl-C's signal: files are written whole before it ends.
        "KillSignal=SIGINT\n"
        "TimeoutStopSec=60\n\n"
        "[Install]\n"
        "WantedBy=default.target\n"
    )


def launchd_plist(command: Sequence[str]) -> str:
    """The text of a launch agent (launchd.plist(5)) that runs ``command``."""
    agent = {
        "Label": PLIST_NAME.removesuffix(".plist"),
        "ProgramArguments": list(command),
        "EnvironmentVariables": {"PYTHONPATH": _package_root()},
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ThrottleInterval": 3,
        "ExitTimeOut": 60,
        "ProcessType": "Interactive",
    }
    return plistlib.dumps(agent).decode("utf-8")


def _systemd_word(word: str, *, variables: bool = True) -> str:
    """One word in a unit: quoted, with specifiers (and, in commands, variables) taken literally."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    if variables:
        escaped = escaped.replace("$", "$$")
    return f'"{escaped}"'


def _config_home() -> Path:
    named = os.environ.get("XDG_CONFIG_HOME")
    return Path(named) if named else Path.home() / ".config"


def _package_root() -> str:
    return str(Path(__file__).resolve().parents[2])
