"""Takes changed after the session: figures against a direct calculation, files read back."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from liveassist.app import retake
from liveassist.app.kittoml import kit_toml
from liveassist.app.notes import Notes, read_notes, renamed, write_notes
from liveassist.app.retake import asked_edits, edit_session
from liveassist.app.saying import TakeWords, said_of_takes
from liveassist.app.sessionfolder import read_session
from liveassist.app.store import Store
from liveassist.app.storefile import FILE_NAME, keep_standing, read_store
from liveassist.app.summary import schema
from liveassist.app.takes import SessionsRequest, TakesRequest, sessions, takes
from liveassist.errors import ConfigError
from liveassist.model import Snapshot, Standing, Take
from liveassist.output.stored import PunchIn
from liveassist.rolling.figures import figures
from tests.unit.app.test_store import snapshot
from tests.unit.output import stored_samples

#: Wall clock at which the session was written, and a day later.
THEN_S, LATER_S = 1000.0, 90_000.0


def write(folder: Path, *, ended: bool = True) -> Path:
    """The invented session with its store, as the program leaves it."""
    stored_samples.write_session(folder)
    marks = tuple(Take(name, start, end, False) for name, start, end in stored_samples.TAKES)
    standing = Standing(marks, "verse & chorus")
    store = Store(folder / FILE_NAME, lambda: standing, wall=lambda: THEN_S)
    store.note(kit=kit_toml(stored_samples.kit()))
    store.events(stored_samples.hits())
    heard: Snapshot = snapshot(95.0)
    store.figures(heard)
    if ended:
        store.finished()
    store.close()
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write(tmp_path / "evening")


def summary_of(folder: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, schema())
    return document


def edit(folder: Path, **asked: Any) -> list[str]:
    reference = asked.pop("reference", None)
    edited = edit_session(folder, asked_edits(**asked), reference, now_s=LATER_S)
    edited.write()
    write_notes(folder, edited.notes)
    return list(edited.said)


def test_a_split_take_has_the_figures_of_its_halves(folder: Path) -> None:
    before = summary_of(folder)
    said = edit(folder, split=["verse & chorus=22.1"])
    assert said == ["verse & chorus a: 2.00 to 22.10 s.", "verse & chorus b: 22.10 to 42.00 s."]
    after = summary_of(folder)
    assert [take["name"] for take in after["takes"]] == [
        "verse & chorus a", "verse & chorus b", "again",
    ]  # fmt: skip
    for take, (start_s, end_s) in zip(after["takes"], ((2.0, 22.1), (22.1, 42.0)), strict=False):
        direct = figures(stored_samples.kit(), stored_samples.hits(), start_s, end_s)
        for drum in ("kick", "snare"):
            found, wanted = take["drums"][drum], direct.drums[drum]
            assert found["hits"] == wanted.hits
            assert found["main"]["median_dbfs"] == pytest.approx(wanted.median_dbfs, abs=1e-5)
            assert found["main"]["spread_db"] == pytest.approx(wanted.spread_db, abs=1e-5)
    # All else of the session stays as it was.
    for key in set(before) - {"takes", "unmeasured", "reference"}:
        assert after[key] == before[key]
    assert after["reference"] == "verse & chorus a"


def test_every_hit_is_filed_under_its_take_as_it_is_now(folder: Path) -> None:
    edit(folder, split=["again=70"], remove=["verse & chorus"])
    with (folder / "hits.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(stored_samples.hits())
    for row in rows:
        at = float(row["time_s"])
        inside = "again a" if 50.0 <= at < 70.0 else "again b" if 70.0 <= at <= 90.0 else ""
        assert row["take"] == inside


def test_joined_and_moved_takes_are_held_against_the_reference_again(folder: Path) -> None:
    edit(folder, join=[("verse & chorus", "again")])
    assert [take["name"] for take in summary_of(folder)["takes"]] == ["verse & chorus"]
    edit(folder, split=["verse & chorus=46"], move=["verse & chorus=2:90"])
    names = [take["name"] for take in summary_of(folder)["takes"]]
    assert names == ["verse & chorus a", "verse & chorus b"]
    edit(folder, reference="verse & chorus b")
    after = summary_of(folder)
    assert after["reference"] == "verse & chorus b"
    # The second half scatters more: nothing to change by, but its own row says nothing of itself.
    assert after["takes"][1]["changes"] == []


def test_edits_are_kept_for_the_next_one(folder: Path) -> None:
    edit(folder, rename=["again=chorus"])
    edit(folder, add=["fill=60:62"])
    assert [take.name for take in read_session(folder).takes] == [
        "verse & chorus",
        "chorus",
        "fill",
    ]
    standing = read_store(folder).standing
    assert {take.name for take in standing.takes} == {"verse & chorus", "chorus", "fill"}
    assert standing.reference == "verse & chorus"


def test_notes_go_with_the_takes(folder: Path) -> None:
    said = Notes(
        notes={"again": "late", "verse & chorus": "fine", "snare_top": "gain 34"},
        stars=frozenset({"again"}),
        songs={"again": "road"},
        punch_ins={"again": PunchIn("verse & chorus", bar=3)},
    )
    write_notes(folder, said)
    edit(folder, rename=["verse & chorus=verse", "again=chorus"])
    now = read_notes(folder)
    assert now.notes == {"chorus": "late", "verse": "fine", "snare_top": "gain 34"}
    assert now.stars == {"chorus"}
    assert now.songs == {"chorus": "road"}
    assert now.punch_ins == {"chorus": PunchIn("verse", bar=3)}
    edit(folder, join=[("verse", "chorus")], rename=["verse=whole"])
    assert read_notes(folder).notes["whole"] in ("late; fine", "fine; late")
    assert read_notes(folder).punch_ins == {}


def test_what_is_removed_takes_its_star_along() -> None:
    said = Notes(notes={"one": "x", "two": "y"}, stars=frozenset({"one", "two"}))
    after = renamed(said, {"one": None})
    assert after.notes == {"two": "y"}
    assert after.stars == {"two"}


def test_all_or_nothing(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(ConfigError) as error:
        edit(folder, rename=["again=chorus"], split=["nothing=3", "again=1"])
    assert len(error.value.problems) == 2
    assert "there is no take nothing" in str(error.value)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_wrong_word_keeps_the_edits_from_being_written(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    words = TakeWords(notes=("again=gone by then",))
    request = TakesRequest(folder, words=words, split=("again=70",))
    with pytest.raises(ConfigError, match="there is no take of that name"):
        takes(request, io.StringIO())
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    fine = TakeWords(notes=("again b=named as it is now",))
    takes(TakesRequest(folder, words=fine, split=("again=70",)), io.StringIO())
    assert read_notes(folder).notes == {"again b": "named as it is now"}


@pytest.mark.parametrize(
    "asked",
    [
        {"split": ["again"]},
        {"split": ["again=late"]},
        {"move": ["again=3"]},
        {"move": ["again=:"]},
        {"add": ["x=3:"]},
        {"rename": ["again="]},
    ],
)
def test_malformed_options_say_how_to_write_them(asked: dict[str, list[str]]) -> None:
    with pytest.raises(ConfigError):
        asked_edits(**asked)


def test_a_running_session_is_left_alone(tmp_path: Path) -> None:
    folder = write(tmp_path / "live", ended=False)
    with pytest.raises(ConfigError, match="still runs"):
        edit_session(folder, asked_edits(remove=["again"]), now_s=THEN_S + 5.0)
    later = edit_session(folder, asked_edits(remove=["again"]), now_s=THEN_S + 60.0)
    assert later.takes == ("verse & chorus",)


def test_playing_that_is_in_no_take_is_listed_and_can_be_kept(tmp_path: Path) -> None:
    folder = write(tmp_path / "evening")
    standing = read_store(folder).standing
    stretches = (Take("stretch 1", 2.0, 42.0), Take("stretch 2", 50.0, 90.0))
    marked = Take("verse", 2.0, 42.0, provisional=False)
    keep_standing(folder, replace(standing, takes=(marked, *stretches), reference="verse"))
    out = io.StringIO()
    takes(TakesRequest(folder), out)
    assert "Playing that is in no take: stretch 2 (0:50 to 1:30); make takes" in out.getvalue()
    again = io.StringIO()
    takes(TakesRequest(folder, keep=("stretch 2=chorus",)), again)
    assert "2. chorus: 0:50 to 1:30" in again.getvalue()
    assert "Playing that is in no take" not in again.getvalue()


def test_without_the_store_it_says_how_to_get_one(tmp_path: Path) -> None:
    folder = stored_samples.write_session(tmp_path / "old")
    with pytest.raises(ConfigError, match="replay"):
        edit_session(folder, asked_edits(remove=["again"]))


# --- what is said of takes --------------------------------------------------------------------


def test_the_take_list_shows_songs_punch_ins_and_the_reference(folder: Path) -> None:
    edit(folder, split=["again=70"])
    words = TakeWords(
        songs=("verse & chorus=road", "again a=road", "again b=road"),
        punch_ins=("again b=verse & chorus@5",),
        tempos=("road=120",),
        notes=("again a=a bit late",),
        stars=("again a",),
    )
    out = io.StringIO()
    assert takes(TakesRequest(folder, words=words), out) == 0
    text = out.getvalue()
    assert "road:\n1. verse & chorus:" in text
    assert "the reference" in text
    assert "2. again a *:" in text
    assert "   a bit late" in text
    assert "again b: 1:10 to 1:30, punch-in, from bar 5 of verse & chorus" in text
    # Ten bars of 2 s each from bar 5 on.
    assert "again b, held against bars 5 to 14 of verse & chorus:" in text
    # A microphone is dead until 1:12, which is bar 5; the weak backbeat at 1:20.5 is in bar 10.
    assert f"{'again b':<14}      !....w....\n" in text
    # It is kept: the next call needs to be told nothing.
    again = io.StringIO()
    takes(TakesRequest(folder), again)
    assert text.removeprefix(again.getvalue()) == (
        "\n120 beats a minute are kept for road, for the report and exports too; forget them with "
        '--tempo "road=none".\n'
    )


def test_wrong_words_are_all_said(folder: Path) -> None:
    words = TakeWords(
        songs=("nobody=road",),
        punch_ins=("again=again@3", "again=verse & chorus@soon"),
        tempos=("chorus=120", "9000"),
        first_beats=("again=now",),
    )
    with pytest.raises(ConfigError) as error:
        said_of_takes(Notes(), words, [take.name for take in read_session(folder).takes])
    assert len(error.value.problems) >= 6


def test_a_session_is_titled_starred_and_noted(folder: Path) -> None:
    out = io.StringIO()
    assert sessions(SessionsRequest(folder, "first night", True, "rain"), out) == 0
    assert f'{folder} "first night" *: ' in out.getvalue()
    assert "   rain" in out.getvalue()
    sessions(SessionsRequest(folder, star=False), io.StringIO())
    assert read_notes(folder).title == "first night"
    assert read_notes(folder).stars == frozenset()
    with pytest.raises(ConfigError, match="one session"):
        sessions(SessionsRequest(folder.parent, title="x"), io.StringIO())


def test_another_name_alters_no_figure(folder: Path) -> None:
    """Nothing of the sound between hits is in the store, and the invented clip chance and margin
    are none that its hits would give: they stay because nothing is worked out anew."""
    path = folder / "summary.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["reference"] = "verse & chorus"
    for row in document["takes"]:
        row["drums"]["kick"]["main"]["spread_db"] = None
        document["unmeasured"][f"takes.{row['name']}.drums.kick.main.spread_db"] = "invented"
        row["review"] = {
            "light": "fine", "sentence": "Invented.", "uneven": [], "limbs": [], "headroom": [],
            "drift": [], "bleed_margin_db": {"kick": 43.4},
        }  # fmt: skip
    path.write_text(json.dumps(document), encoding="utf-8")
    edit(folder, rename=["again=again & again"])
    after = summary_of(folder)
    assert [row["name"] for row in after["takes"]] == ["verse & chorus", "again & again"]
    for old, new in zip(document["takes"], after["takes"], strict=True):
        assert new == old | {"name": new["name"]}
    assert after["unmeasured"]["takes.again & again.drums.kick.main.spread_db"] == "invented"
    assert not any(key.startswith("takes.again.") for key in after["unmeasured"])


def test_a_take_that_stays_keeps_its_margin_where_another_is_split(folder: Path) -> None:
    path = folder / "summary.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["takes"][1]["review"] = {
        "light": "fine", "sentence": "Invented.", "uneven": [], "limbs": [], "headroom": [],
        "drift": [], "bleed_margin_db": {"kick": 43.4},
    }  # fmt: skip
    path.write_text(json.dumps(document), encoding="utf-8")
    edit(folder, split=["verse & chorus=22.1"])
    row = next(row for row in summary_of(folder)["takes"] if row["name"] == "again")
    assert row["review"]["bleed_margin_db"] == {"kick": 43.4}
    assert row["review"]["sentence"] != "Invented.", "the reference is another: judged anew"


def listed(folder: Path, **words: Any) -> str:
    out = io.StringIO()
    takes(TakesRequest(folder, words=TakeWords(**words)), out)
    return out.getvalue()


def test_the_list_says_what_changed_and_not_only_how_much(folder: Path) -> None:
    text = listed(folder)
    assert "again: The snare head is 30 cents flat of the reference: check the lugs." in text


def test_a_tempo_is_said_to_be_kept_and_an_unusable_one_refused(folder: Path) -> None:
    """The invented takes are quarters at 120 beats a minute."""
    text = listed(folder, tempos=("120",))
    assert "120 beats a minute are kept for every song" in text
    assert '--tempo "none"' in text
    assert "are kept" not in listed(folder)
    with pytest.raises(ConfigError, match="no take keeps to 97 beats a minute; nothing is changed"):
        listed(folder, tempos=("97",))
    assert read_notes(folder).tempos == {"": 120.0}
    listed(folder, tempos=("none",))
    assert read_notes(folder).tempos == {}


def test_what_cannot_be_compared_any_more_is_said_of_takes_that_stay() -> None:
    """The reference became another take: reasons of changes are new, those of figures stay."""

    def row(name: str, start_s: float, end_s: float) -> dict[str, Any]:
        return {"name": name, "start_s": start_s, "end_s": end_s, "drums": {}, "changes": []}

    old: dict[str, Any] = {
        "takes": [row("one", 0.0, 10.0), row("two", 20.0, 30.0)],
        "reference": "one",
        "unmeasured": {"takes.two.drums.snare.ring_s": "old", "audit": "none"},
    }
    fresh: dict[str, Any] = {
        "takes": [row("one a", 0.0, 3.0), row("one b", 3.0, 10.0), row("two", 20.0, 30.0)],
        "reference": "one a",
        "unmeasured": {
            "takes.two.drums.snare.ring_s": "fresh",
            "takes.two.changes.snare": "few",
            "takes.one b.changes.snare": "few",
        },
    }
    _, reasons = retake._rows(old, fresh)
    assert reasons == {
        "audit": "none",
        "takes.one b.changes.snare": "few",
        "takes.two.drums.snare.ring_s": "old",
        "takes.two.changes.snare": "few",
    }
