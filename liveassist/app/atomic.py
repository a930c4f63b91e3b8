"""Files that are either whole or not there: written beside, then renamed over.

Whoever reads the file, at any moment and however the program ends, finds the last complete one.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable
from pathlib import Path

from liveassist.errors import StorageError

_REMEDY = {
    errno.ENOSPC: "the disk is full; make room or name another folder",
    errno.EDQUOT: "your disk quota is used up; make room or name another folder",
    errno.EACCES: "you may not write there; name another folder",
    errno.EPERM: "you may not write there; name another folder",
    errno.EROFS: "this disk is read-only; name another folder",
    errno.ENOTDIR: "a part of this path is a file, not a folder",
}


def write_whole(path: Path, text: str | Iterable[str]) -> None:
    """Replace ``path`` by ``text`` (UTF-8) at once, which may come in pieces so that it need not
    all be in memory. StorageError leaves the old file as it was."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            for piece in (text,) if isinstance(text, str) else text:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise storage_error(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Create ``folder`` (with its parents) and prove that a file can be written in it."""
    probe = folder / f".write-test.{os.getpid()}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with probe.open("w", encoding="utf-8") as file:
            file.write("test")
    except FileExistsError:
        raise StorageError(f"{folder}: cannot be written: this is a file; name a folder") from None
    except OSError as error:
        raise storage_error(folder, error) from None
    finally:
        with contextlib.suppress(OSError):
            probe.unlink(missing_ok=True)


def storage_error(path: Path, error: OSError) -> StorageError:
    """One sentence for a failed write: what, why, what to do."""
    remedy = _REMEDY.get(error.errno or 0, error.strerror or str(error))
    return StorageError(f"{path}: cannot be written: {remedy}")
