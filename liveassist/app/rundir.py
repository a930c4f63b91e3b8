"""Where running daemons are found: one lock file and one socket each, in a folder of the user's.

The lock is held as long as the process lives, however it ends, so nothing has to be cleaned up by
hand after a crash: a socket without a held lock is a leftover.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import stat
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from liveassist.errors import DeviceError, LiveassistError

#: Longest path of a socket: 104 bytes on macOS, 108 on Linux, its end mark included.
LONGEST_SOCKET_PATH = 103
_NOT_HERE = (
    "Talking to a running daemon (watch, status, stop) is not supported on Windows yet; "
    "use the window that listens."
)


def runtime_folder() -> Path:
    """The folder of sockets and locks, made with rights 0700 if it is not there.

    ``LIVEASSIST_RUNTIME_DIR`` names another. LiveassistError where it belongs to someone else or
    others may write in it.
    """
    if sys.platform == "win32":
        raise LiveassistError(_NOT_HERE)
    named = os.environ.get("LIVEASSIST_RUNTIME_DIR")
    session = os.environ.get("XDG_RUNTIME_DIR")
    if named:
        folder = Path(named)
    elif session and os.path.isdir(session) and os.access(session, os.W_OK):
        folder = Path(session) / "liveassist"
    else:
        folder = Path(tempfile.gettempdir()) / f"liveassist-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = os.lstat(folder)
    except OSError as problem:
        raise LiveassistError(f"{folder}: cannot be used for the socket: {problem}") from None
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise LiveassistError(
            f"{folder}: must be a folder of yours alone (rights 0700); remove it, or name another "
            "in LIVEASSIST_RUNTIME_DIR"
        )
    return folder


def instance_name(device: str) -> str:
    """A short file name that is the same for the same device and different for others."""
    words = re.sub(r"[^a-z0-9]+", "-", device.casefold()).strip("-")[:24] or "input"
    return f"{words}-{hashlib.sha256(device.encode()).hexdigest()[:6]}"


@dataclass(frozen=True, slots=True)
class Running:
    """A daemon that is alive now."""

    name: str
    pid: int
    socket: Path


class Claim:
    """The right to be the one daemon on a device, held until `release` or the process's end."""

    def __init__(self, device: str) -> None:
        """DeviceError if another process listens on ``device`` already."""
        import fcntl

        folder = runtime_folder()
        self.name = instance_name(device)
        self.socket = folder / f"{self.name}.sock"
        if len(os.fsencode(self.socket)) > LONGEST_SOCKET_PATH:
            raise LiveassistError(
                f"{self.socket}: too long for a socket; name a shorter folder in "
                "LIVEASSIST_RUNTIME_DIR"
            )
        self._path = folder / f"{self.name}.lock"
        self._fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            other = _pid_in(self._fd)
            os.close(self._fd)
            raise DeviceError(
                f'Process {other} listens on "{device}" already; attach to it with: '
                "liveassist watch, or end it with: liveassist stop"
            ) from None
        os.ftruncate(self._fd, 0)
        os.write(self._fd, f"{os.getpid()}\n".encode())
        self.socket.unlink(missing_ok=True)

    def release(self) -> None:
        """Give it up. May be called twice."""
        if self._fd < 0:
            return
        self.socket.unlink(missing_ok=True)
        # The file stays: removing it would race with a daemon that has just opened it.
        os.close(self._fd)
        self._fd = -1


def running() -> list[Running]:
    """Every daemon of this user that is alive."""
    import fcntl

    found = []
    for path in sorted(runtime_folder().glob("*.lock")):
        with contextlib.suppress(OSError):
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                found.append(Running(path.stem, _pid_in(fd), path.with_suffix(".sock")))
            finally:
                os.close(fd)
    return found


def _pid_in(fd: int) -> int:
    text = os.pread(fd, 32, 0).strip()
    return int(text) if text.isdigit() else 0
