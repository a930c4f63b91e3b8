"""A punch-in held against the part of its take that it replaces: the same bars, or the same span.

An edit is heard where level and feel jump, so what counts is the difference to that part. Its
interval is Welch's, the degrees of freedom Satterthwaite's (B. L. Welch, Biometrika 34, 1947).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from liveassist.output.bars import Grid
from liveassist.output.report_svg import signed
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession, StoredTake

#: Fewest main hits on either side for a difference.
LEAST_HITS = 4
#: A span of free playing without any place given is compared with the whole take.
Part = tuple[float, float]


@dataclass(frozen=True, slots=True)
class PunchDrum:
    """One drum of a punch-in and of the part it replaces (``there``). None: too few hits.

    ``louder_db`` with its 95 % interval: median of the punch-in less mean there; weak hits of both.
    """

    drum: str
    hits: int
    hits_there: int
    louder_db: float | None
    louder_ci: tuple[float, float] | None
    scatter_db: float | None
    scatter_there_db: float | None
    weak: int
    weak_there: int


@dataclass(frozen=True, slots=True)
class PunchIn:
    """A punch-in against its take. ``bars`` None: compared by time; ``whole``: no place known."""

    take: str
    of: str
    bars: tuple[int, int] | None
    whole: bool
    drums: tuple[PunchDrum, ...]


def punch_ins(
    session: StoredSession, drums: Sequence[str], grids: Mapping[str, Grid]
) -> list[PunchIn]:
    """All punch-ins whose take is known; ``grids`` of takes that are laid on bars."""
    takes = {take.name: take for take in session.takes}
    found = []
    for name, said in session.punch_ins.items():
        take, of = takes.get(name), takes.get(said.of)
        if take is None or of is None:
            continue
        bars, mine, theirs = _parts(session, take, of, grids)
        compared = tuple(
            _drum(drum, _within(session, drum, mine), _within(session, drum, theirs))
            for drum in drums
        )
        whole = said.bar is None and said.at_s is None
        found.append(
            PunchIn(name, of.name, bars, whole, tuple(one for one in compared if one.hits))
        )
    return found


def _parts(
    session: StoredSession, take: StoredTake, of: StoredTake, grids: Mapping[str, Grid]
) -> tuple[tuple[int, int] | None, Part, Part]:
    """The bars they share, and the span of either; no bars where they are not known."""
    said = session.punch_ins[take.name]
    mine, theirs = grids.get(take.name), grids.get(of.name)
    placed = said.bar is not None or said.at_s is not None
    if mine is not None and theirs is not None and placed:
        hits = [hit for hit in session.between(take) if hit.role in MAIN_ROLES]
        bars = [mine.place(hit.time_s).bar for hit in hits]
        if bars:
            first, last = max(1, min(bars)), max(bars)
            # A hit a little before the line belongs to the bar it begins.
            early = mine.beat_s / 8.0
            return (
                (first, last),
                (mine.time_s(first) - early, mine.time_s(last + 1) - early),
                (theirs.time_s(first) - early, theirs.time_s(last + 1) - early),
            )
    if said.at_s is not None:
        start_s = of.start_s + said.at_s
        return None, (take.start_s, take.end_s), (start_s, start_s + take.length_s)
    return None, (take.start_s, take.end_s), (of.start_s, of.end_s)


def _within(session: StoredSession, drum: str, part: Part) -> list[StoredHit]:
    return [
        hit
        for hit in session.of(drum, roles=MAIN_ROLES)
        if part[0] <= hit.time_s < part[1] and hit.peak_dbfs is not None and not hit.clipped
    ]


def _drum(drum: str, mine: Sequence[StoredHit], theirs: Sequence[StoredHit]) -> PunchDrum:
    here = np.array([hit.peak_dbfs for hit in mine if hit.role == "main"], dtype=np.float64)
    there = np.array([hit.peak_dbfs for hit in theirs if hit.role == "main"], dtype=np.float64)
    louder, interval = None, None
    if min(len(here), len(there)) >= LEAST_HITS:
        louder = float(here.mean() - there.mean())
        interval = welch(here, there)
    return PunchDrum(
        drum,
        len(mine),
        len(theirs),
        louder,
        interval,
        float(here.std(ddof=1)) if len(here) >= LEAST_HITS else None,
        float(there.std(ddof=1)) if len(there) >= LEAST_HITS else None,
        sum(hit.role == "weak" for hit in mine),
        sum(hit.role == "weak" for hit in theirs),
    )


def welch(
    first: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    second: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> tuple[float, float]:
    """95 % interval of the mean of ``first`` less that of ``second``, at least two values each."""
    from scipy.special import stdtrit

    parts = [float(one.var(ddof=1)) / len(one) for one in (first, second)]
    error = math.sqrt(sum(parts))
    middle = float(first.mean() - second.mean())
    if error == 0.0:
        return middle, middle
    freedom = sum(parts) ** 2 / sum(
        part**2 / (len(one) - 1) for part, one in zip(parts, (first, second), strict=True)
    )
    reach = float(stdtrit(freedom, 0.975)) * error
    return middle - reach, middle + reach


def punch_lines(
    session: StoredSession, drums: Sequence[str], grids: Mapping[str, Grid]
) -> list[str]:
    """Each punch-in in words."""
    lines = []
    for one in punch_ins(session, drums, grids):
        where = "the same span"
        if one.bars is not None:
            first, last = one.bars
            where = f"bar {first}" if first == last else f"bars {first} to {last}"
        elif one.whole:
            where = "all"
        head = f"{one.take}, held against {where} of {one.of}"
        said = [f"{drum.drum} {_words(drum)}" for drum in one.drums]
        lines.append(f"{head}: {'; '.join(said) or 'no main hit to compare'}.")
        if one.whole:
            lines.append(
                f'   (say where it belongs, with --punch-in "{one.take}={one.of}@BAR", to hold it '
                "against the same bars)"
            )
    return lines


def _words(drum: PunchDrum) -> str:
    parts = []
    if drum.louder_db is None or drum.louder_ci is None:
        parts.append(f"too few hits ({drum.hits} against {drum.hits_there})")
    else:
        low, high = drum.louder_ci
        told = "" if low > 0.0 or high < 0.0 else ", no more than chance"
        parts.append(
            f"{signed(drum.louder_db, 1)} dB ({signed(low, 1)} to {signed(high, 1)}{told})"
        )
    if drum.scatter_db is not None and drum.scatter_there_db is not None:
        parts.append(f"scatter {drum.scatter_db:.1f} against {drum.scatter_there_db:.1f} dB")
    if drum.weak or drum.weak_there:
        parts.append(f"weak hits {drum.weak} against {drum.weak_there}")
    return ", ".join(parts)
