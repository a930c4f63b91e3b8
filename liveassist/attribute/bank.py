"""Columns of a mix, and all exemplars of a kit in one array to look them up in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from liveassist.attribute.signature import Signature
from liveassist.spectra import Power


@dataclass(frozen=True, slots=True)
class Past:
    """An accepted hit that may still ring: its drum, sample and gain of each exemplar."""

    drum: str
    sample: int
    gains: npt.NDArray[np.float32]


class Column(NamedTuple):
    """What one column of the mix stands for: a drum at an offset; ``now`` if it is a new hit.

    ``only``: its bleed in this microphone alone, with a gain of its own.
    """

    drum: str
    offset: int
    exemplar: int | None
    now: bool
    gains: npt.NDArray[np.float32] | None = None
    only: int | None = None


class Bank:
    """Exemplars of all drums and their means stacked, so that a whole mix is looked up at once."""

    #: Hits that ring are mixed from their exemplars once; more than may ring at a time.
    MIXED = 64

    def __init__(
        self, mark: tuple[tuple[str, int], ...], signatures: Mapping[str, Signature]
    ) -> None:
        self.mark = mark
        self.first: dict[str, int] = {}
        self.count: dict[str, int] = {}
        total = 0
        for name, signature in signatures.items():
            self.first[name] = total
            self.count[name] = len(signature.exemplars)
            # One more for the mean.
            total += len(signature.exemplars) + 1
        # Kept alive, so that the identities in `mark` stay theirs.
        self._kept = [signature.exemplars for signature in signatures.values()]
        parts = [part for kept in self._kept for part in (kept, kept.mean(axis=0)[None])]
        self._stack = np.concatenate(parts) if parts else np.zeros((0, 1, 1, 1), dtype=np.float32)
        self._mixed: dict[tuple[str, int, int], Power] = {}

    def rows(self, columns: Sequence[Column], rows: npt.NDArray[np.int64]) -> Power:
        """Band powers of each column's exemplar (its drum's mean where it names none) at its
        ``rows``: (columns, slabs, mics, BANDS)."""
        which = np.array(
            [
                self.first[c.drum] + (self.count[c.drum] if c.exemplar is None else c.exemplar)
                for c in columns
            ],
            dtype=np.int64,
        )
        return np.asarray(self._stack[which[:, None], rows])

    def whole(self, hit: Past, signatures: Mapping[str, Signature]) -> Power | None:
        """All rows of what ``hit`` did: its exemplars by their gains; None if they are gone."""
        signature = signatures.get(hit.drum)
        if signature is None or len(hit.gains) != len(signature.exemplars):
            return None
        key = (hit.drum, hit.sample, id(hit.gains))
        known = self._mixed.get(key)
        if known is None:
            while len(self._mixed) >= self.MIXED:
                del self._mixed[next(iter(self._mixed))]
            flat = signature.exemplars.reshape(len(signature.exemplars), -1)
            known = (hit.gains @ flat).reshape(signature.exemplars.shape[1:])
            self._mixed[key] = known
        return known
