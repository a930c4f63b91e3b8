"""Half of the analysis done elsewhere: the two ends of a pipeline that is shared by two processes.

::

    there:  Block -> `Forerunner` -> a Forerun for each chunk: hits and their detail
    here:   Forerun -> `HearingElsewhere` and `DetailElsewhere`, which stand in the pipeline

Hearing hits and measuring them is half of the work on a recording, and nothing that comes after it
acts back on it while nobody corrects hits; so it may run ahead, and the answer is the same.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from liveassist.attribute.signature import Learned
from liveassist.hearing import Heard, Hearing
from liveassist.history import History
from liveassist.measure.detail import Detailer
from liveassist.model import Block, Hit, Kit
from liveassist.offset import OffsetRemover
from liveassist.rechunk import LONGEST_FILLED_GAP_S, TAIL_S, Chunk, Rechunk


def final(hits: Iterable[Hit]) -> list[Hit]:
    """Of the hits that `Hearing` gave, those whose detail is still to be measured."""
    return [replace(hit, stage="complete") for hit in hits if hit.stage != "withdrawn"]


@dataclass(frozen=True, slots=True)
class Forerun:
    """What came of one chunk, or last of the end: what was heard, and hits now complete."""

    heard: Heard
    complete: tuple[Hit, ...]


class Forerunner:
    """The way of a block as far as the detail of hits, as `Pipeline` has it, and no further."""

    def __init__(self, kit: Kit, sample_rate_hz: int, learned: Learned | None = None) -> None:
        self._rate = sample_rate_hz
        self._hearing = Hearing(kit, sample_rate_hz, learned)
        self._detail = Detailer(kit, sample_rate_hz)
        mics, chunk = len(kit.mics), self._hearing.chunk
        self._rechunk = Rechunk(chunk, mics, round(LONGEST_FILLED_GAP_S * sample_rate_hz))
        self._offset = OffsetRemover(chunk, mics)
        self._end = 0

    def feed(self, block: Block) -> list[Forerun]:
        """Take in a block; what came of each chunk that it completes."""
        self._end = block.first_sample + len(block.audio)
        chunks = self._rechunk.feed(self._offset.feed(block))
        return [self._hear(chunk) for chunk in chunks]

    def finish(self) -> list[Forerun]:
        """No more audio will come: the rest, the last of it what was held to the end."""
        rest = [self._hear(chunk) for chunk in self._rechunk.pad(round(TAIL_S * self._rate))]
        return [*rest, self._of(self._hearing.finish(), last=True)]

    def _hear(self, chunk: Chunk) -> Forerun:
        return self._of(self._hearing.feed(chunk))

    def _of(self, hits: Sequence[Hit], last: bool = False) -> Forerun:
        inside = final(hit for hit in hits if hit.sample < self._end)
        complete = self._detail.feed(self._hearing.history, inside, last)
        return Forerun(self._hearing.heard(hits), tuple(complete))


class Elsewhere:
    """``hearing`` and ``detail`` for a pipeline; `take_in` comes before the chunks in question."""

    def __init__(self, kit: Kit, sample_rate_hz: int, learned: Learned | None = None) -> None:
        self.hearing = HearingElsewhere(kit, sample_rate_hz, learned)
        self.detail = DetailElsewhere(kit, sample_rate_hz)

    def take_in(self, forerun: Iterable[Forerun]) -> None:
        """What comes next, one for each chunk."""
        for part in forerun:
            self.hearing.take_in(part.heard)
            self.detail.take_in(part.complete)


class DetailElsewhere(Detailer):
    """Gives out the complete hits of `Forerunner`; detail is never left out."""

    def __init__(self, kit: Kit, sample_rate_hz: int) -> None:
        super().__init__(kit, sample_rate_hz)
        self._next: deque[tuple[Hit, ...]] = deque()

    def take_in(self, complete: tuple[Hit, ...]) -> None:
        """What comes next."""
        self._next.append(complete)

    def feed(self, history: History, hits: Sequence[Hit], last: bool = False) -> list[Hit]:
        """The hits that are complete now."""
        return list(self._next.popleft())


class HearingElsewhere(Hearing):
    """Gives out what `Forerunner` heard in the same blocks.

    `take_in` comes before the chunks in question; RuntimeError from `feed` where it did not. What
    acts back on hearing cannot be done from here and raises RuntimeError: early reports,
    corrections, going on with a session. Nothing is known of what was learned on the way.
    """

    def __init__(self, kit: Kit, sample_rate_hz: int, learned: Learned | None = None) -> None:
        super().__init__(kit, sample_rate_hz, learned)
        self._waiting: deque[Heard] = deque()
        self._sureness: float | None = None

    def take_in(self, heard: Heard) -> None:
        """What comes next."""
        self._waiting.append(heard)

    @property
    def sureness(self) -> float | None:
        """As it is there."""
        return self._sureness

    @property
    def student(self) -> None:
        """Nothing learns here."""
        return

    def feed(self, chunk: Chunk) -> list[Hit]:
        """What was heard in ``chunk``; its audio goes to `history`."""
        if chunk.first_sample != self.history.end:
            self.history.reset(chunk.first_sample)
        self.history.push(chunk.audio)
        return self._next()

    def finish(self) -> list[Hit]:
        """What was held to the end."""
        return self._next()

    def _next(self) -> list[Hit]:
        if not self._waiting:
            raise RuntimeError("a chunk came before what was heard in it")
        heard = self._waiting.popleft()
        self._graces.clear()
        self._graces.extend(heard.graces)
        self._sureness = heard.sureness
        if self.stale is not None:
            self.stale.note(heard.seen)
        return list(heard.hits)

    def early(self, block: Block) -> list[Hit]:
        """Not from here."""
        raise _acts_back()

    def number_from(self, last: int) -> None:
        """Not from here."""
        raise _acts_back()

    def recover(self) -> None:
        """Not from here."""
        raise _acts_back()

    def learned(self) -> Learned:
        """Not from here."""
        raise _acts_back()

    def no_hit(self, drum: str | None = None) -> Hit | None:
        """Not from here."""
        raise _acts_back()

    def missed_hit(self, drum: str | None = None) -> Hit | None:
        """Not from here."""
        raise _acts_back()


def _acts_back() -> RuntimeError:
    return RuntimeError("hearing is done elsewhere and cannot be acted on from here")
