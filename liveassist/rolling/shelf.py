"""The hits of one drum over a session of any length: the late ones at hand, the rest packed.

A hit with all its figures takes some 2 kB of memory, a day of fast playing a gigabyte. What is
long past is asked for seldom (the end of the session, a take compared with an early one), so it is
kept in packs of `PACK` hits, some 150 bytes each, and unpacked when somebody looks there.
"""

from __future__ import annotations

import bisect
import math
import pickle
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from liveassist.model import FloatArray, Hit
from liveassist.rolling.figures import CLIPPED

#: Hits in a pack: a pack is made in 2 to 3 ms, every few minutes of playing.
PACK = 256


def when(hit: Hit) -> tuple[float, int]:
    """Order of hits."""
    return (hit.time_s, hit.number)


@dataclass(slots=True)
class _Pack:
    data: bytes
    first: tuple[float, int]
    last: tuple[float, int]
    #: When the hits were and how loud: eight bytes each, so that nobody unpacks them for that.
    times_s: FloatArray
    levels_dbfs: FloatArray

    @classmethod
    def of(cls, hits: list[Hit]) -> _Pack:
        return cls(_packed(hits), when(hits[0]), when(hits[-1]), _times_s(hits), levels_of(hits))


class Shelf:
    """Hits in order of time. At least the last ``at_hand`` are never packed, and only those may be
    taken out or added before; older ones may be read and replaced by a hit of the same time.

    Indices and slices are those of a list; a slice is a list of its own.
    """

    def __init__(self, at_hand: int = 2048) -> None:
        self._at_hand = at_hand
        self._packs: list[_Pack] = []
        self._late: list[Hit] = []
        #: The pack last looked into, unpacked, and whether it was changed.
        self._open: tuple[int, list[Hit]] | None = None
        self._changed = False

    def __len__(self) -> int:
        return PACK * len(self._packs) + len(self._late)

    @property
    def packed(self) -> int:
        """How many hits, from the first, are packed."""
        return PACK * len(self._packs)

    @property
    def packed_bytes(self) -> int:
        """Memory the packs take."""
        beside = sum(pack.times_s.nbytes + pack.levels_dbfs.nbytes for pack in self._packs)
        return beside + sum(len(pack.data) for pack in self._packs)

    @property
    def at_hand_s(self) -> float:
        """Every hit after this moment is at hand, seconds; 0 where nothing is packed."""
        return self._packs[-1].last[0] if self._packs else 0.0

    def at_hand(self) -> list[Hit]:
        """The hits that are not packed."""
        return list(self._late)

    def times_s(self, start_s: float, end_s: float) -> FloatArray:
        """When the hits with ``start_s <= time_s < end_s`` were, in order; nothing is unpacked."""
        parts = [
            pack.times_s[slice(*np.searchsorted(pack.times_s, (start_s, end_s)))]
            for pack in self._packs
            if pack.last[0] >= start_s and pack.first[0] < end_s
        ]
        low = bisect.bisect_left(self._late, (start_s, -1), key=when)
        high = bisect.bisect_left(self._late, (end_s, -1), key=when)
        return np.concatenate([*parts, _times_s(self._late[low:high])])

    def levels_dbfs(self) -> FloatArray:
        """Peak levels of all hits in order, NaN where clipped or not known; nothing is unpacked."""
        return np.concatenate([*(pack.levels_dbfs for pack in self._packs), levels_of(self._late)])

    def __getitem__(self, index: int) -> Hit:
        index = self._place(index)
        if index >= self.packed:
            return self._late[index - self.packed]
        return self._unpacked(index // PACK)[index % PACK]

    def __setitem__(self, index: int, hit: Hit) -> None:
        index = self._place(index)
        if index >= self.packed:
            self._late[index - self.packed] = hit
            return
        self._unpacked(index // PACK)[index % PACK] = hit
        self._changed = True

    def __iter__(self) -> Iterator[Hit]:
        for number in range(len(self._packs)):
            yield from self._unpacked(number)
        yield from self._late

    def part(self, low: int, high: int) -> list[Hit]:
        """Hits ``low`` to ``high`` (not included), within the shelf."""
        low, high = max(low, 0), min(high, len(self))
        found: list[Hit] = []
        for number in range(low // PACK, min(-(-high // PACK), len(self._packs))):
            begin = number * PACK
            found += self._unpacked(number)[max(low - begin, 0) : high - begin]
        found += self._late[max(low - self.packed, 0) : max(high - self.packed, 0)]
        return found

    def last(self, count: int) -> list[Hit]:
        """The last ``count`` hits, or all."""
        return self.part(len(self) - count, len(self))

    def add(self, hit: Hit) -> None:
        """Put in a hit where it belongs by its time."""
        bisect.insort(self._late, hit, key=when)
        if len(self._late) >= self._at_hand + PACK:
            self._packs.append(_Pack.of(self._late[:PACK]))
            del self._late[:PACK]

    def pop(self, number: int) -> Hit | None:
        """Take out the hit of this number, None if it is not among those at hand."""
        for index in range(len(self._late) - 1, -1, -1):
            if self._late[index].number == number:
                return self._late.pop(index)
        return None

    def position(self, key: tuple[float, int]) -> int:
        """How many hits come before ``key`` (time, number)."""
        if (self._late and key > when(self._late[0])) or not self._packs:
            return self.packed + bisect.bisect_left(self._late, key, key=when)
        number = bisect.bisect_left(self._packs, key, key=lambda pack: pack.last)
        if number == len(self._packs):
            return self.packed
        if key <= self._packs[number].first:
            return number * PACK
        return number * PACK + bisect.bisect_left(self._unpacked(number), key, key=when)

    def bounds(self, start_s: float, end_s: float) -> tuple[int, int]:
        """Indices of the hits with ``start_s <= time_s < end_s``."""
        return self.position((start_s, -1)), self.position((end_s, -1))

    def between(self, start_s: float, end_s: float) -> list[Hit]:
        """The hits with ``start_s <= time_s < end_s``."""
        return self.part(*self.bounds(start_s, end_s))

    def _place(self, index: int) -> int:
        place = index if index >= 0 else len(self) + index
        if not 0 <= place < len(self):
            raise IndexError(f"hit {index} of {len(self)}")
        return place

    def _unpacked(self, number: int) -> list[Hit]:
        if self._open is not None and self._open[0] == number:
            return self._open[1]
        if self._open is not None and self._changed:
            before, hits = self._open
            self._packs[before] = _Pack.of(hits)
        self._open, self._changed = (number, _unpack(self._packs[number].data)), False
        return self._open[1]


def _times_s(hits: list[Hit]) -> FloatArray:
    return np.array([hit.time_s for hit in hits], dtype=np.float64)


def levels_of(hits: list[Hit]) -> FloatArray:
    """Peak levels, dBFS; NaN where clipped or not known."""
    known = (math.nan if CLIPPED in hit.flags else hit.peak_dbfs for hit in hits)
    return np.array([math.nan if level is None else level for level in known], dtype=np.float64)


def _packed(hits: list[Hit]) -> bytes:
    # Our own objects, never from outside; nothing else is unpickled here.
    return zlib.compress(pickle.dumps(hits, protocol=pickle.HIGHEST_PROTOCOL), 1)


def _unpack(data: bytes) -> list[Hit]:
    hits: list[Hit] = pickle.loads(zlib.decompress(data))
    return hits
