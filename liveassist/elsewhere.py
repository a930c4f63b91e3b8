"""Hearing that is done elsewhere: the two ends of a pipeline that is shared by two processes.

::

    there:  Block -> `Forerunner` -> Heard, one for each chunk
    here:   Heard -> `HearingElsewhere`, which stands in the pipeline in place of `Hearing`

Hearing is half of the work on a recording, and nothing that comes after it acts back on it while
nobody corrects hits; so it may run ahead, and the answer is the same.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from liveassist.attribute.signature import Learned
from liveassist.hearing import Heard, Hearing
from liveassist.model import Block, Hit, Kit
from liveassist.offset import OffsetRemover
from liveassist.rechunk import LONGEST_FILLED_GAP_S, TAIL_S, Chunk, Rechunk


class Forerunner:
    """The way of a block as far as `Hearing`, as `Pipeline` has it, and no further."""

    def __init__(self, kit: Kit, sample_rate_hz: int, learned: Learned | None = None) -> None:
        self._rate = sample_rate_hz
        self._hearing = Hearing(kit, sample_rate_hz, learned)
        mics, chunk = len(kit.mics), self._hearing.chunk
        self._rechunk = Rechunk(chunk, mics, round(LONGEST_FILLED_GAP_S * sample_rate_hz))
        self._offset = OffsetRemover(chunk, mics)

    def feed(self, block: Block) -> list[Heard]:
        """Take in a block; what each chunk that it completes made known."""
        return self._hear(self._rechunk.feed(self._offset.feed(block)))

    def finish(self) -> list[Heard]:
        """No more audio will come: the rest, the last of it what was held to the end."""
        rest = self._hear(self._rechunk.pad(round(TAIL_S * self._rate)))
        return [*rest, self._hearing.heard(self._hearing.finish())]

    def _hear(self, chunks: Iterable[Chunk]) -> list[Heard]:
        return [self._hearing.heard(self._hearing.feed(chunk)) for chunk in chunks]


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

    def take_in(self, heard: Iterable[Heard]) -> None:
        """What comes next, one for each chunk."""
        self._waiting.extend(heard)

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
