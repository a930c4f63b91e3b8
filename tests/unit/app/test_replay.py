"""Replay from options to files, with a stand-in for the analysis; Ctrl-C in a real process."""

from __future__ import annotations

import errno
import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from liveassist.app.replay import ReplayRequest, replay
from liveassist.app.summary import schema
from liveassist.errors import ConfigError, InputError, StorageError
from liveassist.model import Block, Event
from tests.unit.app.fakes import FakePipeline

RATE = 48_000
ROOT = Path(__file__).resolve().parents[3]


def write(path: Path, seconds: float = 3.0, subtype: str = "PCM_24", **changes: Any) -> Path:
    """Three microphones: the kick twice a second, the snare between."""
    audio = np.zeros((round(seconds * RATE), 3), np.float32)
    audio[RATE // 4 :: RATE // 2, 0] = 0.9
    audio[RATE // 2 :: RATE // 2, 1] = 0.7
    for column, value in changes.get("columns", {}).items():
        audio[:, column] = value
    for sample, value in changes.get("samples", {}).items():
        audio[sample, 0] = value
    soundfile.write(path, audio, RATE, subtype=subtype)
    return path


def run(path: Path, **options: Any) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    request = ReplayRequest(inputs=(str(path),), kit="three_mics", **options)
    return replay(request, out, err, FakePipeline), out.getvalue(), err.getvalue()


def files(folder: Path) -> tuple[list[str], dict[str, Any]]:
    document: dict[str, Any] = json.loads((folder / "summary.json").read_text())
    jsonschema.validate(document, schema(), jsonschema.Draft202012Validator)
    return (folder / "hits.csv").read_text().splitlines(), document


def test_files_and_words(tmp_path: Path) -> None:
    code, out, err = run(write(tmp_path / "x.wav"), out=tmp_path / "s", takes=("one=0:1.6",))
    rows, document = files(tmp_path / "s")
    assert code == 0
    assert err == ""
    assert len(rows) == 1 + 6 + 5
    assert rows[1].startswith("0.250000,kick,-0.92,")
    assert rows[1].endswith(",one")
    assert document["drums"]["kick"]["hits"] == 6
    assert document["learned"] is None
    assert document["started_at"] is None
    assert str(tmp_path / "s" / "hits.csv") in out


def test_without_a_folder_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "x.wav")
    monkeypatch.chdir(tmp_path)
    assert run(path)[0] == 0
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"segments": ("kick=0:1",)}, "give --soundcheck INPUT too"),
        ({"soundcheck": ("x",), "learned": "y"}, "give one of the two"),
        ({"takes": ("one=0:1",), "reference": "on"}, 'did you mean "one"'),
        ({"takes": ("one=0:9",)}, "ends at 3.000 s"),
        ({"takes": ("one",)}, "write it NAME=START:END"),
        ({"reference": "two"}, "there is no take of that name"),
        ({"surfaces": ("no_such",)}, "there is no such file"),
    ],
)
def test_wrong_options(tmp_path: Path, options: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        run(write(tmp_path / "x.wav"), **options)


def test_no_number_keeps_what_came_before(tmp_path: Path) -> None:
    path = write(tmp_path / "x.wav", subtype="FLOAT", samples={2 * RATE: np.nan})
    with pytest.raises(InputError, match=r"not a finite number at 2\.000 s"):
        run(path, out=tmp_path / "s")
    rows, document = files(tmp_path / "s")
    assert len(rows) == 1 + 4 + 3
    assert "not a finite number" in document["unmeasured"]["session"]


def test_truncated_keeps_what_there_is(tmp_path: Path) -> None:
    path = write(tmp_path / "x.wav")
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(InputError, match="truncated or damaged"):
        run(path, out=tmp_path / "s")
    rows, document = files(tmp_path / "s")
    assert len(rows) == 1 + 3 + 2
    assert "truncated" in document["unmeasured"]["session"]


def test_one_broken_microphone_does_not_stop_the_rest(tmp_path: Path) -> None:
    code, _, _ = run(write(tmp_path / "x.wav", columns={1: 0.25}), out=tmp_path / "s")
    _, document = files(tmp_path / "s")
    assert code == 0
    assert document["drums"]["kick"]["hits"] == 6
    assert document["alerts"][0]["mic"] == "snare_top"


@pytest.mark.parametrize("value", [0.25, 1.0])
def test_nothing_but_broken_microphones(tmp_path: Path, value: float) -> None:
    path = write(tmp_path / "x.wav", columns={0: value, 1: -value, 2: value})
    with pytest.raises(InputError, match="there was nothing to hear: kick"):
        run(path, out=tmp_path / "s")
    assert len(files(tmp_path / "s")[1]["alerts"]) == 3


class Broken(FakePipeline):
    """An analysis with a fault of its own after a second."""

    def feed(self, block: Block) -> list[Event]:
        if block.first_sample > RATE:
            raise ZeroDivisionError
        return super().feed(block)


def test_a_fault_of_ours_is_loud_but_the_hits_are_saved(tmp_path: Path) -> None:
    request = ReplayRequest((str(write(tmp_path / "x.wav")),), "three_mics", out=tmp_path / "s")
    with pytest.raises(ZeroDivisionError):
        replay(request, io.StringIO(), io.StringIO(), Broken)
    assert len(files(tmp_path / "s")[0]) == 1 + 2 + 2


def test_disk_full_while_running(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was written before stays as it was; the rest is one sentence."""
    folder = tmp_path / "s"
    writes = []

    def full_at_the_second(_: int) -> None:
        writes.append(1)
        if len(writes) > 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("liveassist.app.atomic.os.fsync", full_at_the_second)
    with pytest.raises(StorageError, match="the disk is full"):
        run(write(tmp_path / "x.wav"), out=folder)
    rows, document = files(folder)
    assert len(rows) == 1
    assert document["drums"]["kick"]["hits"] == 0
    assert sorted(path.name for path in folder.iterdir()) == ["hits.csv", "summary.json"]


SLOW = """
import sys, time
from pathlib import Path
from liveassist.app.replay import ReplayRequest, replay
from tests.unit.app.fakes import FakePipeline

class Slow(FakePipeline):
    def feed(self, block):
        if block.first_sample == 40 * 4096:
            print("running", flush=True)
        time.sleep(0.002)
        return super().feed(block)

request = ReplayRequest((sys.argv[1],), "three_mics", out=Path(sys.argv[2]))
raise SystemExit(replay(request, sys.stdout, sys.stderr, Slow))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals to a process are POSIX here")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_stopped_at_any_moment_the_files_are_complete(
    tmp_path: Path, number: signal.Signals
) -> None:
    path = write(tmp_path / "x.wav", 120.0)
    child = subprocess.Popen(
        [sys.executable, "-c", SLOW, str(path), str(tmp_path / "s")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "running\n"
    child.send_signal(number)
    _, err = child.communicate(timeout=30)
    rows, document = files(tmp_path / "s")
    left_over = [entry.name for entry in (tmp_path / "s").iterdir() if entry.suffix == ".part"]
    if number == signal.SIGKILL:
        assert child.returncode == -number
        return
    assert child.returncode == 1
    assert left_over == []
    assert "Traceback" not in err
    assert "of 120.0 s; the files hold what was heard until then" in err
    assert "of 120.0 s" in document["unmeasured"]["session"]
    heard = document["drums"]["kick"]["hits"] + document["drums"]["snare"]["hits"]
    assert 0 < heard == len(rows) - 1 < 479
