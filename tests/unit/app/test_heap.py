"""Freed memory goes back to the system (Linux with the GNU C library; elsewhere nothing is done).

Checked against what the kernel counts as resident, in a process of its own.
"""

from __future__ import annotations

import ctypes
import gc
import subprocess
import sys
import weakref

from liveassist.app.heap import give_back, settle

#: A hundred thousand pieces, of which all but every fiftieth are freed: holes between what stays.
HOLES = """
import ctypes, gc, os
from pathlib import Path
from liveassist.app.heap import give_back
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
before = resident()
pieces = [ctypes.create_string_buffer(b"x" * 2000, 2000) for _ in range(100_000)]
pieces = pieces[::50]
gc.collect()
kept = resident() - before
given = give_back()
print(kept, resident() - before, int(given))
"""


def _gnu() -> bool:
    if not sys.platform.startswith("linux"):
        return False
    return hasattr(ctypes.CDLL(None), "malloc_trim")


def test_holes_between_what_stays_are_given_back() -> None:
    if not _gnu():
        assert give_back() is False
        return
    done = subprocess.run([sys.executable, "-c", HOLES], capture_output=True, text=True, check=True)
    kept, left, given = map(int, done.stdout.split())
    assert given
    assert kept > 100e6
    assert left < 0.5 * kept


def test_what_was_there_for_one_session_is_not_kept_for_the_next() -> None:
    class Part:
        pass

    part = Part()
    part.itself = part  # type: ignore[attr-defined]
    gone = weakref.ref(part)
    try:
        settle()
        assert gc.get_freeze_count() > 0
        del part
        settle()
        assert gone() is None
    finally:
        gc.unfreeze()
