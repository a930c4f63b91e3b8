"""The take book: a swapped drum is compared with itself from then on, a retune is accepted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from liveassist.advise.alerts import Alerts
from liveassist.model import Hit, TakeRecord
from liveassist.rolling.shelf import PACK
from liveassist.rolling.takes import Takes
from liveassist.rolling.tracker import PATTERN_HITS, Rolling
from liveassist.takebook import TakeBook
from tests.unit.advise.changing import KIT, Put, take

LENGTH_S = 40.0
OTHER = Put(modes=(214.0, 251.0, 301.0, 369.0, 466.0, 571.0, 688.0, 777.0, 1010.0, 1290.0))


class Evening:
    """Takes of the invented kit one after the other, marked by hand."""

    def __init__(self) -> None:
        self.rolling = Rolling(KIT, 48000)
        self.takes = Takes(KIT)
        self.book = TakeBook(KIT, self.rolling, self.takes, Alerts(KIT, 48000), None)
        self._at = 0
        self._number = 0

    def play(self, name: str, put: Put | None = None) -> TakeRecord:
        """One take; what was said of it."""
        start_s = LENGTH_S * self._at
        self.takes.start(name, start_s)
        for hit in self._moved(take(10 + self._at, put, detail=True), start_s):
            self.takes.hit(hit)
            self.book.keep(self.rolling.add(hit))
        self._at += 1
        self.book.ended(self.takes.stop(start_s + 30.0))
        return self.book.records[name]

    def _moved(self, hits: Sequence[Hit], start_s: float) -> list[Hit]:
        out = []
        for hit in hits:
            self._number += 1
            time_s = hit.time_s + start_s + 0.5
            out.append(
                replace(hit, number=self._number, time_s=time_s, sample=round(time_s * 48000))
            )
        return out


def causes(record: TakeRecord) -> set[tuple[str, str | None]]:
    return {(c.cause, c.drum or c.mic) for c in record.changes}


def test_a_swapped_drum_starts_a_reference_of_its_own() -> None:
    evening = Evening()
    assert evening.play("one").reference
    assert causes(evening.play("two", OTHER)) == {("drum_changed", "snare")}
    same = evening.play("three", OTHER)
    assert causes(same) == set()
    assert same.review is not None
    assert same.review.verdict.light == "fine"
    quieter = evening.play("four", replace(OTHER, gain={"kick_in": 4.0}))
    assert causes(quieter) == {("mic_gain", "kick_in")}  # everything else: as before


def test_a_retune_on_purpose_is_accepted_by_making_the_take_the_reference() -> None:
    evening = Evening()
    evening.play("one")
    flat = Put(cents=-28.0)
    assert causes(evening.play("two", flat)) == {("head_pitch", "snare")}
    assert evening.book.set_reference() == "two"
    assert causes(evening.play("three", flat)) == set()


def test_every_take_says_where_the_heads_lie() -> None:
    evening = Evening()
    evening.play("one")
    record = evening.play("two", Put(cents=-8.0))
    assert record.review is not None
    (drift,) = [one for one in record.review.drift if one.drum == "snare"]
    assert drift.ci[0] <= -8.0 <= drift.ci[1]


def test_the_list_of_takes_is_made_anew_when_a_take_changed_and_not_before() -> None:
    evening = Evening()
    evening.play("one")
    evening.play("two")
    lines = evening.book.lines()
    assert evening.book.lines() is lines
    assert [(line.name, line.reference) for line in lines] == [("one", True), ("two", False)]
    evening.book.set_reference("two")
    assert [line.reference for line in evening.book.lines()] == [False, True]
    evening.book.rename("three")
    assert [line.name for line in evening.book.lines()] == ["one", "three"]


def test_a_running_take_counts_all_of_its_hits() -> None:
    """While it runs only its last hits are at hand; a tom struck seldom has older ones there."""
    evening = Evening()
    evening.takes.start("long", 0.0)
    count = PATTERN_HITS + 3 * PACK
    for number in range(count):
        at_s = 1.0 + 0.3 * number
        evening.rolling.add(hit(2 * number, "snare", at_s))
        if number % 200 == 0:
            evening.rolling.add(hit(2 * number + 1, "kick", at_s + 0.15))
    now_s = 1.0 + 0.3 * count
    (running,) = evening.takes.all()
    record = evening.book.record(running, now_s, at_hand=True)
    assert record.figures.drums["snare"].hits == count
    assert record.figures.drums["kick"].hits == -(-count // 200)
    assert record.figures.start_s == 0.0
    whole = evening.book.record(running, now_s)
    assert whole.figures.drums["snare"].hits == count


def hit(number: int, drum: str, time_s: float) -> Hit:
    level = -8.0 - number % 3
    return Hit(number, "complete", drum, round(time_s * 48000), time_s, level, level, 0.9)
