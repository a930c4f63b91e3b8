"""Takes: marks and stretches, count-in, noodling, overlap, editing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from liveassist.model import Hit, Take
from liveassist.rolling.takes import Takes, joined, moved, split

from .drumming import KIT, hit, truth


def beat(start_s: float, bars: int, first: int = 0) -> list[Hit]:
    """Kick on one and three, snare on two and four, 120 a minute."""
    return [
        hit(first + i, "snare" if i % 2 else "kick", start_s + 0.5 * i, -6.0)
        for i in range(4 * bars)
    ]


def feed(takes: Takes, hits: list[Hit]) -> list[Take]:
    return [event for one in hits for event in takes.hit(one)]


def test_playing_between_silences_is_a_stretch() -> None:
    takes = Takes(KIT)
    events = feed(takes, beat(2.0, 6))
    assert events == [Take("stretch 1", 2.0, None)]
    assert takes.current() == events[0]
    assert takes.advance(16.4) == []
    assert takes.advance(16.6) == [Take("stretch 1", 2.0, 13.5)]
    assert takes.current() is None
    feed(takes, beat(30.0, 6, first=100))
    ended = takes.finish(50.0)
    assert ended == [Take("stretch 2", 30.0, 41.5)]
    assert [t.name for t in takes.all()] == ["stretch 1", "stretch 2"]
    assert takes.take_of(5.0) == "stretch 1"
    assert takes.take_of(20.0) is None


def test_a_silence_between_hits_ends_the_stretch_without_a_clock() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 6))
    events = feed(takes, beat(30.0, 6, first=100))
    assert events == [Take("stretch 1", 2.0, 13.5), Take("stretch 2", 30.0, None)]


def test_a_few_strokes_are_noodling() -> None:
    takes = Takes(KIT)
    assert feed(takes, [*beat(2.0, 1), hit(50, "snare", 5.0, -20.0)]) == []
    assert takes.finish(60.0) == []
    assert takes.all() == ()


def test_a_soft_count_in_lies_before_the_stretch() -> None:
    count = [hit(900 + i, "snare", 1.0 + 0.5 * i, -30.0) for i in range(4)]
    takes = Takes(KIT)
    assert feed(takes, count + beat(3.0, 6))[0].start_s == 3.0
    hats = [hit(900 + i, "hats", 1.0 + 0.5 * i, -20.0) for i in range(4)]
    takes = Takes(KIT)
    assert feed(takes, hats + beat(3.0, 6))[0].start_s == 3.0


def test_a_loud_beginning_on_one_drum_is_music() -> None:
    intro = [hit(900 + i, "snare", 1.0 + 0.5 * i, -6.0) for i in range(4)]
    takes = Takes(KIT)
    assert feed(takes, intro + beat(3.0, 6))[0].start_s == 1.0


def test_ringing_cymbals_keep_a_stretch_going() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 6))
    takes.sound(16.0)
    assert takes.advance(18.9) == []
    assert takes.advance(19.1) == [Take("stretch 1", 2.0, 16.0)]


def test_marks_replace_stretches_and_may_overlap() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 6))
    began = takes.start("verse", 14.0)
    assert began == [Take("stretch 1", 2.0, 13.5), Take("verse", 14.0, None, provisional=False)]
    assert feed(takes, beat(15.0, 4, first=50)) == []
    takes.start(None, 20.0)
    assert takes.names_at(21.0) == ("verse", "take 2")
    assert takes.take_of(21.0) == "take 2"
    assert takes.stop(25.0) == [Take("take 2", 20.0, 25.0, provisional=False)]
    assert takes.stop(30.0, "verse") == [Take("verse", 14.0, 30.0, provisional=False)]
    assert takes.stop(31.0) == []
    assert takes.take_of(3.0) is None
    assert [t.name for t in takes.all()] == ["verse", "take 2"]


def test_a_name_used_twice_gets_a_number() -> None:
    takes = Takes(KIT)
    takes.start("verse", 1.0)
    takes.stop(2.0)
    assert takes.start("verse", 3.0)[0].name == "verse (2)"
    assert [t.end_s for t in takes.finish(9.0)] == [9.0]


def test_reports_of_one_hit_count_once_and_withdrawn_ones_not() -> None:
    takes = Takes(KIT)
    rows = beat(2.0, 1)
    for one in rows * 5:
        assert takes.hit(one) == []
    for one in rows:
        takes.hit(replace(one, stage="withdrawn"))
    assert feed(takes, beat(4.0, 1, first=60)) == []


def test_editing() -> None:
    take = Take("one", 10.0, 20.0, provisional=False)
    assert moved(take, 11.0, 19.0) == Take("one", 11.0, 19.0, provisional=False)
    first, second = split(take, 15.0)
    assert (first.end_s, second.start_s) == (15.0, 15.0)
    assert joined(first, second, "one") == take
    assert joined(first, Take("open", 30.0, None)).end_s is None
    with pytest.raises(ValueError, match="before it begins"):
        moved(take, 11.0, 10.0)
    with pytest.raises(ValueError, match="inside"):
        split(take, 20.0)


@pytest.mark.realkit
def test_recorded_takes_are_found_as_stretches() -> None:
    played = truth("a_takes")
    takes = Takes(played.kit)
    feed(takes, list(played.hits))
    takes.finish(70.0)
    marks = [(0.5, 13.7), (17.7, 30.9), (34.9, 48.1), (52.1, 65.3)]
    found = takes.all()
    assert len(found) == len(marks)
    for take, (start, end) in zip(found, marks, strict=True):
        assert start <= take.start_s < start + 1.0
        assert take.end_s is not None
        assert end - 1.5 < take.end_s <= end
