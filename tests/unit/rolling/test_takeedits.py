"""Takes kept, joined, split and moved, at any time; what of a take is playing."""

from __future__ import annotations

import pytest

from liveassist.model import Hit, Take
from liveassist.rolling.takeedits import EditError, TakeEdit
from liveassist.rolling.takes import Takes, played

from .drumming import KIT, hit
from .test_takes import beat, feed

JUDGED = {"kick", "snare"}


def marked(*spans: tuple[str, float, float]) -> Takes:
    takes = Takes(KIT)
    for name, start_s, end_s in spans:
        takes.start(name, start_s)
        takes.stop(end_s)
    return takes


def spans(takes: Takes) -> list[tuple[str, float, float | None]]:
    return [(take.name, take.start_s, take.end_s) for take in takes.all()]


def test_a_stretch_that_is_over_becomes_a_take_by_a_mark_afterwards() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 6))
    takes.advance(20.0)
    assert takes.edit(TakeEdit("keep", name="verse"), 25.0) == (
        {"stretch 1": "verse"},
        [Take("verse", 2.0, 13.5, provisional=False)],
    )
    assert spans(takes) == [("verse", 2.0, 13.5)]


def test_a_stretch_that_runs_becomes_a_take_from_its_beginning_and_ends_with_it() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 4))
    _, (take,) = takes.edit(TakeEdit("keep"), 9.0)
    assert (take.name, take.start_s, take.end_s) == ("take 1", 2.0, None)
    assert takes.current() == take
    feed(takes, beat(10.0, 2, first=60))
    assert takes.advance(17.0) == [Take("take 1", 2.0, 13.5, provisional=False)]
    assert takes.unkept() == ()


def test_a_kept_stretch_can_also_be_ended_by_hand() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 4))
    takes.edit(TakeEdit("keep"), 9.0)
    assert takes.stop(9.5)[0].end_s == 9.5
    feed(takes, beat(10.0, 2, first=60))
    assert takes.advance(20.0) == []
    assert spans(takes) == [("take 1", 2.0, 9.5)]


def test_playing_after_the_first_mark_can_still_be_kept() -> None:
    takes = marked(("one", 0.0, 1.0))
    assert feed(takes, beat(2.0, 6)) == []
    assert takes.advance(20.0) == []
    assert spans(takes) == [("one", 0.0, 1.0)]
    takes.edit(TakeEdit("keep"), 20.0)
    assert spans(takes) == [("one", 0.0, 1.0), ("take 2", 2.0, 13.5)]
    with pytest.raises(EditError, match="no playing"):
        takes.edit(TakeEdit("keep"), 20.0)


def test_takes_are_joined_split_and_moved() -> None:
    takes = marked(("one", 0.0, 10.0), ("two", 12.0, 20.0), ("three", 30.0, 40.0))
    renamed, _ = takes.edit(TakeEdit("join", "two", name="both"), 50.0)
    assert renamed == {"one": "both", "two": "both"}
    assert spans(takes) == [("both", 0.0, 20.0), ("three", 30.0, 40.0)]
    takes.edit(TakeEdit("split", "both", start_s=11.0), 50.0)
    assert spans(takes)[:2] == [("both a", 0.0, 11.0), ("both b", 11.0, 20.0)]
    takes.edit(TakeEdit("move", "both b", start_s=12.5), 50.0)
    takes.edit(TakeEdit("move", "three", end_s=39.0), 50.0)
    assert spans(takes)[1:] == [("both b", 12.5, 20.0), ("three", 30.0, 39.0)]
    takes.edit(TakeEdit("remove", "three"), 50.0)
    takes.edit(TakeEdit("add", start_s=41.0, end_s=45.0, name="coda"), 50.0)
    takes.edit(TakeEdit("rename", "both a", name="verse"), 50.0)
    assert [name for name, _, _ in spans(takes)] == ["verse", "both b", "coda"]


def test_a_take_between_two_that_are_joined_is_a_part_of_the_whole() -> None:
    """Else its hits would count twice. One that lies within one of the two stays."""
    takes = marked(
        ("one", 0.0, 10.0), ("solo", 2.0, 4.0), ("two", 12.0, 20.0), ("three", 30.0, 40.0)
    )
    renamed, _ = takes.edit(TakeEdit("join", "three", "one"), 50.0)
    assert renamed == {"one": "one", "two": "one", "three": "one"}
    assert spans(takes) == [("one", 0.0, 40.0), ("solo", 2.0, 4.0)]


def test_the_running_take_can_be_split_and_joined() -> None:
    takes = marked(("one", 0.0, 10.0))
    takes.start("two", 12.0)
    takes.edit(TakeEdit("split"), 15.0)
    assert spans(takes)[1:] == [("two a", 12.0, 15.0), ("two b", 15.0, None)]
    takes.edit(TakeEdit("join"), 16.0)
    assert spans(takes)[1:] == [("two a", 12.0, None)]
    assert takes.stop(20.0)[0] == Take("two a", 12.0, 20.0, provisional=False)


def test_stretches_can_be_edited_without_becoming_takes() -> None:
    takes = Takes(KIT)
    feed(takes, beat(2.0, 6))
    takes.advance(20.0)
    takes.edit(TakeEdit("split", start_s=8.0), 25.0)
    assert [take.provisional for take in takes.all()] == [True, True]
    feed(takes, beat(30.0, 6, first=100))
    assert takes.all()[-1].name == "stretch 2"


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        (TakeEdit("split", "one", start_s=30.0), "inside"),
        (TakeEdit("move", "one", end_s=0.0, start_s=5.0), "before it begins"),
        (TakeEdit("move", "one", start_s=-1.0), "no moment"),
        (TakeEdit("join", "one"), "no take begins before"),
        (TakeEdit("join", "one", "one"), "with itself"),
        (TakeEdit("join", "one", "none"), "there is no take none; takes: one"),
        (TakeEdit("rename", "one"), "empty"),
        (TakeEdit("add"), "where the take begins"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(edit: TakeEdit, why: str) -> None:
    takes = marked(("one", 1.0, 10.0))
    with pytest.raises(EditError, match=why):
        takes.edit(edit, 50.0)
    assert spans(takes) == [("one", 1.0, 10.0)]


def test_what_was_restored_can_still_be_kept() -> None:
    takes = marked(("one", 0.0, 1.0))
    feed(takes, beat(2.0, 6))
    takes.advance(20.0)
    again = Takes(KIT)
    assert [take.name for take in again.restore(takes.everything(), 21.0)] == ["one"]
    again.edit(TakeEdit("keep"), 22.0)
    assert spans(again) == [("one", 0.0, 1.0), ("take 2", 2.0, 13.5)]


# --- what of a take is playing ----------------------------------------------------------------


def test_count_in_and_noodling_of_a_marked_take_are_set_apart() -> None:
    tuning_up: list[Hit] = [hit(900 + i, "snare", 1.0 + 0.3 * i, -20.0) for i in range(5)]
    count = [hit(950 + i, "snare", 8.0 + 0.5 * i, -30.0) for i in range(4)]
    song = beat(10.0, 6)
    after = [hit(980 + i, "kick", 30.0 + 0.4 * i, -12.0) for i in range(3)]
    hits = [*tuning_up, *count, *song, *after]
    assert played(hits, JUDGED, 0.0, 40.0) == (10.0, song[-1].time_s)
    assert played(song, JUDGED, 9.0, 40.0) == (9.0, 40.0)


def test_a_rest_within_the_song_is_no_end() -> None:
    hits = [*beat(0.0, 6), *beat(20.0, 6, first=100)]
    assert played(hits, JUDGED, 0.0, 40.0) == (0.0, 40.0)


def test_what_is_too_short_to_be_playing_is_judged_whole() -> None:
    assert played(beat(5.0, 1), JUDGED, 0.0, 10.0) == (0.0, 10.0)


def test_many_moments_are_looked_up_as_single_ones_are() -> None:
    takes = marked(("long", 0.0, 50.0), ("inside", 10.0, 20.0), ("after", 60.0, 70.0))
    takes.start("open", 80.0)
    take_of = takes.lookup()
    moments = [at / 4.0 for at in range(-8, 400)]
    assert [take_of(at) for at in moments] == [takes.take_of(at) for at in moments]
