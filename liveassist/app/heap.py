"""Memory: gives back what was freed, and spares the collector what stays.

The C library keeps what lay between objects that live on. The large arrays of a look at an expander
come and go among hits that stay, and in an hour 40 MB of such holes gathered in a process of 230 MB
(`tests.speed.soak`); giving them back takes 2 to 5 ms, in which other threads may wait to allocate.
"""

from __future__ import annotations

import ctypes
import functools
import gc
import sys
from collections.abc import Callable


def settle() -> None:
    """What is there by now stays: full collections then pass over it, 8 ms in place of 70. To be
    called when everything is imported and a session begins; what stayed before and is gone by now
    is given up first."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


def give_back() -> bool:
    """Give back what can be; whether anything was. To be called where nothing is in a hurry."""
    trim = _trim()
    return trim is not None and bool(trim(0))


@functools.cache
def _trim() -> Callable[[int], int] | None:
    """``malloc_trim`` of the GNU C library; None where there is another one, which needs none."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        found = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None
    found.argtypes, found.restype = [ctypes.c_size_t], ctypes.c_int
    trim: Callable[[int], int] = found
    return trim
