"""The sound of each drum's last hits, kept in short pieces: for landmarks and the pair check.

Bounded: at most `MOST` hits a drum, `AFTER_S` of its own microphone and `PAIR_S` of every second
one, 54 kB a hit at 44.1 kHz; the oldest hit gives way. Ghost notes are not kept, they would push
the hits out that advice is made from.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from liveassist.history import History
from liveassist.model import Audio, FloatArray, Hit, Kit

MOST = 40
BEFORE_S, AFTER_S, PAIR_S = 0.005, 0.300, 0.030
#: Hits that say nothing about how the drum sounds.
_LEFT_OUT = frozenset({"ghost", "rim_click"})
_KINDS = frozenset({"kick", "snare", "tom"})


@dataclass(frozen=True, slots=True)
class Snippet:
    """One hit: ``own`` from `BEFORE_S` before its onset on, ``second`` by microphone, 1-D."""

    number: int
    own: Audio
    second: dict[str, Audio] = field(default_factory=dict)


class Snippets:
    """Collects pieces of the hits of every drum that has an own microphone and a head."""

    def __init__(self, kit: Kit, sample_rate_hz: float) -> None:
        self._rate = sample_rate_hz
        self.before = round(BEFORE_S * sample_rate_hz)
        self._after = round(AFTER_S * sample_rate_hz)
        self._pair = round(PAIR_S * sample_rate_hz)
        self._own = {
            drum.name: kit.mic_index(drum.own)
            for drum in kit.drums
            if drum.own is not None and drum.kind in _KINDS
        }
        self._second = {
            drum: {
                mic.name: index
                for index, mic in enumerate(kit.mics)
                if mic.of == drum and mic.type == "acoustic"
            }
            for drum in self._own
        }
        self._kept: dict[str, deque[Snippet]] = {drum: deque(maxlen=MOST) for drum in self._own}

    def keep(self, history: History, hit: Hit) -> None:
        """Copy the sound of ``hit`` out of ``history``, unless it was soft, clipped, or is gone."""
        column = self._own.get(hit.drum)
        if column is None or hit.role in _LEFT_OUT or "clipped" in hit.flags:
            return
        start = hit.sample - self.before
        if start < history.start or hit.sample + self._pair > history.end:
            return
        heard = history.view(start, min(hit.sample + self._after, history.end))
        own = np.zeros(self.before + self._after, dtype=np.float32)
        own[: len(heard)] = heard[:, column]
        second = {
            mic: heard[: self.before + self._pair, index].copy()
            for mic, index in self._second[hit.drum].items()
        }
        self._kept[hit.drum].append(Snippet(hit.number, own, second))

    def of(self, drum: str, numbers: Sequence[int] | None = None) -> list[Snippet]:
        """The pieces of ``drum``, oldest first; only those of hits ``numbers`` where given."""
        kept = self._kept.get(drum, ())
        if numbers is None:
            return list(kept)
        wanted = set(numbers)
        return [one for one in kept if one.number in wanted]

    def joined(
        self, snippets: Sequence[Snippet], mic: str
    ) -> tuple[FloatArray, FloatArray, list[int]]:
        """The pieces end to end, own microphone and ``mic``, and where the onsets lie in them:
        what `liveassist.advise.pair.check_pair` takes."""
        size = self.before + self._pair
        first = np.zeros((len(snippets), size))
        second = np.zeros((len(snippets), size))
        for row, one in enumerate(snippets):
            first[row] = one.own[:size]
            second[row, : one.second[mic].size] = one.second[mic]
        onsets = [row * size + self.before for row in range(len(snippets))]
        return first.ravel(), second.ravel(), onsets
