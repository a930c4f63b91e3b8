"""Files of a session are complete at every moment, and failures to write are one sentence."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.config import load_kit
from liveassist.app.sessionfiles import HITS_EVERY_S, SUMMARY_EVERY_S, SessionFiles
from liveassist.errors import StorageError
from liveassist.model import Hit
from tests.unit.app.fakes import FakePipeline
from tests.unit.output import stored_samples


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def hit(number: int, stage: Any = "complete") -> Hit:
    return Hit(number, stage, "kick", number * 1000, number / 48.0, -3.0, -3.0, 1.0)


def rows(files: SessionFiles) -> int:
    return len(files.hits_path.read_text().splitlines()) - 1


def test_both_files_are_there_from_the_first_block_on(tmp_path: Path) -> None:
    files = SessionFiles(tmp_path / "a" / "b", Clock())
    files.write_if_due(FakePipeline(load_kit("three_mics"), 48_000).session)
    assert rows(files) == 0
    assert json.loads(files.summary_path.read_text())["schema"] == 1
    assert sorted(path.name for path in files.hits_path.parent.iterdir()) == [
        "hits.csv",
        "session_kit.toml",
        "summary.json",
    ]


def test_hits_follow_while_running(tmp_path: Path) -> None:
    clock = Clock()
    files = SessionFiles(tmp_path, clock)
    session = FakePipeline(load_kit("three_mics"), 48_000).session
    files.write_if_due(session)
    files.collect([hit(1), hit(2, "early"), hit(3)])
    files.write_if_due(session)
    assert rows(files) == 0
    clock.now_s += HITS_EVERY_S
    files.write_if_due(session)
    assert rows(files) == 2
    files.collect([hit(3, "withdrawn")])
    clock.now_s += HITS_EVERY_S
    files.write_if_due(session)
    assert rows(files) == 1


def test_summary_rests_longer_the_longer_it_takes(tmp_path: Path) -> None:
    clock = Clock()
    files = SessionFiles(tmp_path, clock)
    pipeline = FakePipeline(load_kit("three_mics"), 48_000)
    asked = []

    def slow() -> Any:
        asked.append(clock.now_s)
        clock.now_s += 1.0
        return pipeline.session()

    for _ in range(200):
        files.write_if_due(slow)
        clock.now_s += 1.0
    # One second of work: at most 2 % of the time, so 50 s of rest at least.
    assert len(asked) <= 200 // 50 + 1
    assert len(asked) >= 3
    assert asked[1] - asked[0] > SUMMARY_EVERY_S


def test_replacing_is_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.txt"
    write_whole(path, "old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("liveassist.app.atomic.os.fsync", full)
    with pytest.raises(StorageError, match=r"x\.txt: cannot be written: the disk is full") as error:
        write_whole(path, "new")
    assert "\n" not in str(error.value)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_really_full_disk(tmp_path: Path) -> None:
    """The kernel's own device that is always full stands in for the disk."""
    device = Path("/dev/full")
    if not device.exists():
        pytest.skip("/dev/full is a Linux device")
    part = tmp_path / f".x.txt.{os.getpid()}.part"
    part.symlink_to(device)
    with pytest.raises(StorageError, match="the disk is full"):
        write_whole(tmp_path / "x.txt", "text")
    assert not (tmp_path / "x.txt").exists()


@pytest.fixture
def powerless() -> Iterator[None]:
    """Where the tests run as root, whom no permission stops, go on as nobody for a while."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65_534)
    yield
    if root:
        os.seteuid(0)


def test_no_permission(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o500)
    request.getfixturevalue("powerless")
    with pytest.raises(StorageError, match="you may not write there"):
        make_folder(locked)


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.touch()
    with pytest.raises(StorageError, match="this is a file; name a folder"):
        make_folder(path)
    with pytest.raises(StorageError, match="a part of this path is a file"):
        make_folder(path / "inside")


def test_an_earlier_session_is_put_aside_never_written_over(tmp_path: Path) -> None:
    folder = stored_samples.write_session(tmp_path / "today")
    (folder / "notes.json").write_text("{}", encoding="utf-8")
    (folder / "mine.txt").write_text("not a file of ours", encoding="utf-8")
    first = (folder / "hits.csv").read_bytes()
    again = SessionFiles(folder)
    assert again.earlier == folder / "earlier_1"
    assert (folder / "earlier_1" / "hits.csv").read_bytes() == first
    assert (folder / "earlier_1" / "notes.json").exists()
    assert sorted(path.name for path in folder.iterdir()) == ["earlier_1", "mine.txt"]
    again.write(stored_samples.record())
    assert SessionFiles(folder).earlier == folder / "earlier_2"
    assert SessionFiles(folder).earlier is None
    going_on = stored_samples.write_session(tmp_path / "on")
    assert SessionFiles(going_on, going_on=True).earlier is None
    assert (going_on / "hits.csv").exists()


def test_tables_grow_in_a_session_that_is_gone_on_with(tmp_path: Path) -> None:
    """What was applied before a crash stays on record, even if nothing is applied after it."""
    pipeline = FakePipeline(load_kit("three_mics"), 48_000)
    for name in ("log.csv", "applied.csv", "clock.csv"):
        (tmp_path / name).write_text("a,b\n1,before\n")
    files = SessionFiles(tmp_path, going_on=True)
    files.also.append(lambda: {"log.csv": "a,b\n2,after\n"})
    files.write(pipeline.session())
    files.write(pipeline.session())
    assert (tmp_path / "log.csv").read_text() == "a,b\n1,before\n2,after\n"
    assert (tmp_path / "applied.csv").read_text() == "a,b\n1,before\n"
    assert (tmp_path / "clock.csv").read_text() == "a,b\n1,before\n"
    again = SessionFiles(tmp_path)
    again.write(pipeline.session())
    assert not (tmp_path / "applied.csv").exists()


def test_what_a_killed_session_left_half_written_goes(tmp_path: Path) -> None:
    for name in (".hits.csv.123.part", ".summary.json.45.part", ".mine.txt.9.part", "notes.part"):
        (tmp_path / name).write_text("half")
    SessionFiles(tmp_path, Clock())
    assert sorted(path.name for path in tmp_path.iterdir()) == [".mine.txt.9.part", "notes.part"]
