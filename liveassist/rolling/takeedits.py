"""Editing takes after (or while) they were played: what is asked, and what it makes of them.

Pure: takes in, takes out. `rolling.takes.Takes.edit` carries an edit out on a session's takes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from liveassist.model import Take

#: ``keep``: a stretch becomes a take. ``add``: a take where there was none. ``remove``: the mark is
#: taken away, its hits stay.
Doing = Literal["keep", "join", "split", "move", "add", "remove", "rename"]


class EditError(ValueError):
    """Why an edit cannot be carried out, as a sentence without its full stop."""


@dataclass(frozen=True, slots=True)
class TakeEdit:
    """One edit. ``take`` None: the take that runs, or else the last.

    ``other``: the second take of a join (None: the one before ``take``). ``start_s`` and ``end_s``:
    the new ends; None leaves an end where it is, and splits at this moment. ``name``: what the take
    is called afterwards; None: as before.
    """

    do: Doing
    take: str | None = None
    other: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    name: str | None = None


#: New names of takes by old ones, and the takes that were made or changed.
Edited = tuple[dict[str, str], list[Take]]


def moved(take: Take, start_s: float, end_s: float | None) -> Take:
    """The take with other ends. EditError if it would end before it begins."""
    if not math.isfinite(start_s) or start_s < 0.0:
        raise EditError(f"{start_s:g} s is no moment of the session")
    if end_s is not None and not end_s >= start_s:
        raise EditError(f"take {take.name!r} would end before it begins")
    return replace(take, start_s=start_s, end_s=end_s)


def joined(first: Take, second: Take, name: str | None = None) -> Take:
    """One take from the beginning of the earlier to the end of the later."""
    ends = [take.end_s for take in (first, second)]
    end = None if None in ends else max(e for e in ends if e is not None)
    start = min(first.start_s, second.start_s)
    both = first.provisional and second.provisional
    return Take(name or first.name, start, end, provisional=both)


def split(take: Take, at_s: float) -> tuple[Take, Take]:
    """Two takes that meet at ``at_s``. EditError if that is not inside the take."""
    if not take.start_s < at_s < (take.end_s if take.end_s is not None else np.inf):
        raise EditError(f"{at_s:.3f} s does not lie inside take {take.name!r}")
    return (
        replace(take, name=f"{take.name} a", end_s=at_s),
        replace(take, name=f"{take.name} b", start_s=at_s),
    )


def named(takes: Sequence[Take], name: str | None) -> Take:
    """The take called ``name``; None: the one that runs, or else the last. EditError if none is."""
    if name is None:
        if not takes:
            raise EditError("there is no take yet")
        return max(takes, key=lambda take: math.inf if take.end_s is None else take.end_s)
    for take in takes:
        if take.name == name:
            return take
    known = ", ".join(take.name for take in takes) or "none"
    raise EditError(f"there is no take {name}; takes: {known}")


def before(takes: Sequence[Take], take: Take) -> Take:
    """The take that begins last before ``take``. EditError if none does."""
    earlier = [one for one in takes if one is not take and one.start_s <= take.start_s]
    if not earlier:
        raise EditError(f"no take begins before {take.name}")
    return max(earlier, key=lambda one: one.start_s)


def meet(first: Take, second: Take) -> bool:
    """Whether two takes share more than a moment."""
    ends = [math.inf if take.end_s is None else take.end_s for take in (first, second)]
    return min(ends) > max(first.start_s, second.start_s)
