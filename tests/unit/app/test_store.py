"""The session store: what is kept, what a damaged file does, and a disk that is full."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from liveassist.app import store as module
from liveassist.app.kittoml import kit_toml
from liveassist.app.store import Store
from liveassist.app.storefile import FILE_NAME, SCHEMA_VERSION, find
from liveassist.model import (
    Alert,
    Drum,
    Figures,
    Hit,
    HitMeasures,
    Kit,
    Mic,
    Remark,
    Snapshot,
    Stage,
    Standing,
    Take,
)

KIT = Kit("two", (Drum("snare", "snare", "top"),), (Mic("top", 1), Mic("room", 2)))
ALERT = Alert("hum", 3.0, None, "now", "look", "There is hum.", mic="top", value=-60.0, unit="dBFS")


def hit(number: int, stage: Stage = "complete") -> Hit:
    measures = HitMeasures(note_hz=190.5, ring_s=0.4, pattern=np.linspace(-80.0, -20.0, 432))
    made = Hit(number, "complete", "snare", 480 * number, number / 100.0, -6.5, -6.4, 0.98, 101)
    return replace(made, stage=stage, role="main", measures=measures, mic_dbfs=(-6.5, None))


def snapshot(time_s: float) -> Snapshot:
    figures = Figures(0.0, time_s, {}, {}, {}, (), {}, {})
    return Snapshot(time_s, 48000.0, KIT, (), figures, {}, {}, {}, (), None)


def wait_for(done: Callable[[], bool]) -> None:
    """The writer is a real thread: give it ten seconds, then fail."""
    end_s = time.monotonic() + 10.0
    tick = threading.Event()
    while not done():
        assert time.monotonic() < end_s, "the store did not come to it"
        tick.wait(0.01)


@pytest.fixture
def standing() -> Standing:
    take = Take("first", 0.5, None, provisional=False)
    return Standing((take,), "first", "tight", (Remark(1.0, "drum head changed", "first"),))


@pytest.fixture
def store(tmp_path: Path, standing: Standing) -> Iterator[Store]:
    made = Store(tmp_path / FILE_NAME, lambda: standing, wall=lambda: 1000.0)
    made.note(kit=kit_toml(KIT), started_at="2024-05-06T07:08:09.000+00:00")
    yield made
    made.close()


def test_what_went_in_comes_out(store: Store, standing: Standing, tmp_path: Path) -> None:
    store.events([hit(1), hit(2, "revised"), hit(3, "early"), hit(4), ALERT])
    store.events([hit(4, "withdrawn"), replace(ALERT, end_s=5.0)])
    store.figures(snapshot(6.25))
    store.close()
    found = find(tmp_path, KIT, now_s=1030.0)
    assert found.kept is not None
    assert found.kept.hits == (hit(1), hit(2, "revised"))
    measures = found.kept.hits[0].measures
    assert measures is not None
    assert measures.pattern is not None
    # Kept in single precision: 24 bits of 80 dB.
    assert np.abs(measures.pattern - np.linspace(-80.0, -20.0, 432)).max() < 1e-5
    assert found.kept.alerts == (replace(ALERT, end_s=5.0),)
    assert found.kept.standing == standing
    assert (found.kept.heard_s, found.kept.away_s) == (6.25, 30.0)
    assert found.kept.started_at == "2024-05-06T07:08:09.000+00:00"


def test_it_is_on_the_disk_without_closing(store: Store, tmp_path: Path) -> None:
    store.events([hit(1)])
    store.figures(snapshot(1.0))
    wait_for(lambda: store.written >= 4)
    found = find(tmp_path, KIT, now_s=1001.0)
    assert found.kept is not None
    assert found.kept.hits == (hit(1),)


def test_power_cut_settings(tmp_path: Path) -> None:
    """Write-ahead log, and synchronous FULL (2): SQLite's documentation of both pragmas."""
    seen: list[tuple[str, int]] = []

    def spy(path: str) -> sqlite3.Connection:
        connection = sqlite3.connect(path, factory=Spy)
        return connection

    class Spy(sqlite3.Connection):
        def close(self) -> None:
            mode = self.execute("PRAGMA journal_mode").fetchone()[0]
            seen.append((mode, self.execute("PRAGMA synchronous").fetchone()[0]))
            super().close()

    store = Store(tmp_path / FILE_NAME, Standing, connect=spy)
    store.events([hit(1)])
    store.close()
    assert seen == [("wal", 2)]


def test_a_session_that_ended_is_not_continued(store: Store, tmp_path: Path) -> None:
    store.figures(snapshot(1.0))
    store.finished()
    store.close()
    assert find(tmp_path, KIT, now_s=1001.0).kept is None


def test_old_sessions_and_other_kits_are_not_continued(store: Store, tmp_path: Path) -> None:
    store.figures(snapshot(1.0))
    store.close()
    late = find(tmp_path, KIT, now_s=1000.0 + 7 * 3600.0)
    assert late.kept is None
    assert late.said is not None
    assert "7 hours ago" in late.said
    other = find(tmp_path, replace(KIT, name="other"), now_s=1001.0)
    assert other.kept is None
    assert other.said is not None
    assert "another kit" in other.said


@pytest.mark.parametrize(("version", "word"), [(0, "older"), (SCHEMA_VERSION + 1, "newer")])
def test_a_file_of_another_version_is_kept_beside(tmp_path: Path, version: int, word: str) -> None:
    path = tmp_path / FILE_NAME
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE notes (text)")
        db.execute(f"PRAGMA user_version = {version}")
    found = find(tmp_path, KIT)
    assert found.kept is None
    assert found.said is not None
    assert word in found.said
    assert found.said.count(". ") == 0
    assert not path.exists()
    assert (tmp_path / f"{FILE_NAME}.unreadable_1").exists()


def test_a_file_without_a_commit_is_a_new_one(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).touch()
    assert find(tmp_path, KIT) == find(tmp_path / "elsewhere", KIT)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_damage_never_raises(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Half-written, cut, or overwritten anywhere: read, or set aside in one sentence."""
    folder = tmp_path_factory.mktemp("damaged")
    store = Store(folder / FILE_NAME, Standing, wall=lambda: 1000.0)
    store.note(kit=kit_toml(KIT))
    store.events([hit(n) for n in range(12)])
    store.figures(snapshot(1.0))
    store.close()
    raw = bytearray((folder / FILE_NAME).read_bytes())
    keep = data.draw(st.integers(0, len(raw)))
    at = data.draw(st.integers(0, len(raw) - 1))
    raw[at : at + 64] = data.draw(st.binary(min_size=64, max_size=64))
    (folder / FILE_NAME).write_bytes(raw[:keep])
    find(folder, KIT, now_s=1001.0)
    again = Store(folder / FILE_NAME, Standing)
    again.events([hit(99)])
    again.close()
    assert again.problem is None


class Disk:
    """A disk with room for so many pages, or none: SQLite itself says that it is full."""

    def __init__(self, pages: int) -> None:
        self.pages = pages

    def connect(self, path: str) -> sqlite3.Connection:
        connection = sqlite3.connect(path)
        connection.execute(f"PRAGMA max_page_count = {self.pages}")
        return connection


def test_a_full_disk_is_said_and_caught_up_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "RETRY_S", 0.05)
    disk = Disk(pages=8)
    store = Store(tmp_path / FILE_NAME, Standing, connect=disk.connect)
    store.note(kit=kit_toml(KIT))
    store.events([hit(n) for n in range(200)])
    wait_for(lambda: store.problem is not None)
    assert "disk is full" in (store.problem or "")
    assert store.states()[0].state == "down"
    store.events([hit(n) for n in range(200, 300)])
    disk.pages = 10_000
    wait_for(lambda: store.problem is None)
    store.figures(snapshot(9.0))
    store.close()
    kept = find(tmp_path, KIT).kept
    assert kept is not None
    assert [one.number for one in kept.hits] == list(range(300))
    assert store.dropped == 0


def test_what_waits_is_bounded_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_WAITING", 50)
    store = Store(tmp_path / "no such folder" / FILE_NAME, Standing)
    store.events([hit(n) for n in range(200)])
    assert (store.dropped, store.most_waiting) == (150, 50)
    store.close()
    assert "cannot be written" in (store.problem or "")


def test_what_falls_out_are_hits_never_whose_session_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_WAITING", 50)
    monkeypatch.setattr(module, "RETRY_S", 0.05)
    disk = Disk(pages=1)
    store = Store(tmp_path / FILE_NAME, lambda: Standing(aim="tight"), connect=disk.connect)
    store.note(kit=kit_toml(KIT))
    store.figures(snapshot(1.0))
    store.events([hit(n) for n in range(200)])
    wait_for(lambda: store.problem is not None)
    disk.pages = 10_000
    wait_for(lambda: store.problem is None)
    store.figures(snapshot(9.0))
    store.close()
    kept = find(tmp_path, KIT).kept
    assert kept is not None, "the session could not be told by its kit any more"
    assert kept.standing.aim == "tight"
    assert [one.number for one in kept.hits] == list(range(152, 200))
    assert store.dropped == 152
