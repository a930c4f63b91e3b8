"""The files a session is written to, and the command that writes them."""

from __future__ import annotations

import ast
import csv
import io
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sim
from sim.__main__ import main

from .small import write_small


def table(path: Path) -> list[dict[str, str]]:
    """Rows of a truth file."""
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def test_session_files(tmp_path: Path) -> None:
    scene = sim.open_scenario(write_small(tmp_path))
    paths = sim.write_scene(scene, tmp_path / "out")
    assert [p.name for p in paths] == ["small.flac", "small.csv", "small.json", "small.kit.toml"]
    audio, rate = soundfile.read(paths[0])
    assert rate == 16000
    assert audio.shape == (scene.total_frames, 3)
    again = sim.open_scenario(write_small(tmp_path)).read(scene.total_frames)
    assert np.abs(audio - again).max() < 1.1 / 32768
    rows = table(paths[1])
    assert list(rows[0]) == [
        "time_s",
        "drum",
        "articulation",
        "sample",
        "role",
        "cents",
        "peak_db_kick",
        "peak_db_snare",
        "peak_db_over",
    ]
    assert len(rows) == len(scene.truth())
    about = json.loads(paths[2].read_text(encoding="utf-8"))
    assert about["mics"] == ["kick", "snare", "over"]
    assert about["own"] == {"kick": "kick", "snare": "snare"}
    assert about["takes"][0]["name"] == "one"
    kit = tomllib.loads(paths[3].read_text(encoding="utf-8"))
    assert [d["name"] for d in kit["drum"]] == ["kick", "snare", "hihat"]
    assert [m["channel"] for m in kit["mic"]] == [1, 2, 3]


def test_command_cuts_and_reseeds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(write_small(tmp_path))
    out = str(tmp_path / "cut")
    assert main([path, "--out", out, "--seconds", "1.5", "--seed", "9"]) == 0
    assert "1.5 s of 3 microphones" in capsys.readouterr().out
    assert soundfile.info(tmp_path / "cut" / "small.flac").frames == 24000
    rows = table(tmp_path / "cut" / "small.csv")
    assert rows
    assert all(float(row["time_s"]) < 1.5 for row in rows)
    assert json.loads((tmp_path / "cut" / "small.json").read_text())["seed"] == 9


def test_soundcheck_command_writes_segments(tmp_path: Path) -> None:
    path = str(write_small(tmp_path))
    assert main([path, "--out", str(tmp_path / "c"), "--soundcheck"]) == 0
    about = json.loads((tmp_path / "c" / "small_soundcheck.json").read_text())
    assert [s["drum"] for s in about["segments"]] == ["kick", "snare", "hihat"]
    rows = table(tmp_path / "c" / "small_soundcheck.csv")
    kick = [float(r["peak_db_kick"]) for r in rows if r["drum"] == "kick"]
    assert len(kick) == 8
    assert kick[-1] - kick[0] > 12
    assert {r["role"] for r in rows} == {"soundcheck"}


def test_wrong_use_ends_in_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["no_such_scene", "--out", str(tmp_path)]) == 2
    assert "no scenario 'no_such_scene'" in capsys.readouterr().err
    with pytest.raises(SystemExit) as stop:
        main(["first_light", "--out", str(tmp_path), "--seconds", "0"])
    assert stop.value.code == 2
    (tmp_path / "file").write_text("")
    path = str(write_small(tmp_path))
    assert main([path, "--out", str(tmp_path / "file"), "--seconds", "0.1"]) == 1
    assert "cannot write" in capsys.readouterr().err


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--list"]) == 0
    listed = [line.partition(":")[0] for line in capsys.readouterr().out.splitlines()]
    assert listed == sim.names()


def test_simulator_imports_nothing_of_the_analysis() -> None:
    """Truth is independent: only relative imports and libraries."""
    for path in Path(sim.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.level == 0:
                assert str(node.module).split(".")[0] not in ("liveassist", "sim"), path.name
            if isinstance(node, ast.Import):
                for name in node.names:
                    assert name.name.split(".")[0] not in ("liveassist", "sim"), path.name
