"""Installed as anybody would install it, into an empty environment, and used from elsewhere."""

from __future__ import annotations

import os
import shutil
import subprocess
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scripts folder of an environment that holds nothing but ``pip install`` of a copy."""
    folder = tmp_path_factory.mktemp("install")
    copy = folder / "copy"
    leave = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "build", "dist", "sessions")
    shutil.copytree(ROOT, copy, ignore=leave)
    venv.create(folder / "env", with_pip=True)
    scripts = folder / "env" / ("Scripts" if os.name == "nt" else "bin")
    done = run(scripts / "python", "-m", "pip", "install", "--quiet", str(copy), cwd=folder)
    assert done.returncode == 0, done.stderr
    # What runs below must come from the environment alone.
    shutil.rmtree(copy)
    return scripts


def run(program: Path, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    return subprocess.run(
        [str(program), *arguments],
        cwd=cwd,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )


def test_the_demo_runs_and_leaves_its_files(installed: Path, tmp_path: Path) -> None:
    done = run(
        installed / "liveassist",
        *("demo", "--headless", "--seconds", "5", "--out", "heard"),
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    rows = (tmp_path / "heard" / "hits.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) > 5
    assert (tmp_path / "heard" / "summary.json").is_file()


def test_profiles_and_the_simulator_travel_along(installed: Path, tmp_path: Path) -> None:
    listed = run(installed / "liveassist", "check", cwd=tmp_path)
    assert listed.returncode == 0, listed.stderr
    names = {path.stem for path in (ROOT / "profiles").glob("*s/*.toml")}
    assert len(names) >= 6
    assert [name for name in names if name not in listed.stdout] == []
    found = run(installed / "python", "-c", "import liveassist.sim", cwd=tmp_path)
    assert found.returncode == 0, found.stderr


@pytest.mark.parametrize("name", ["sim", "profiles", "tests"])
def test_no_other_top_level_name_is_taken(installed: Path, tmp_path: Path, name: str) -> None:
    done = run(installed / "python", "-c", f"import {name}", cwd=tmp_path)
    assert done.returncode == 1
    assert f"No module named '{name}'" in done.stderr


def test_types_schema_and_pictures_travel_along(installed: Path, tmp_path: Path) -> None:
    where = "import liveassist, pathlib; print(pathlib.Path(liveassist.__file__).parent)"
    package = Path(run(installed / "python", "-c", where, cwd=tmp_path).stdout.strip())
    assert package.is_relative_to(installed.parent)
    for name in ("py.typed", "app/summary.schema.json", "docs/dashboard.svg"):
        assert (package / name).is_file(), name


def test_the_module_form_is_the_command(installed: Path, tmp_path: Path) -> None:
    by_name = run(installed / "liveassist", "--help", cwd=tmp_path)
    by_module = run(installed / "python", "-m", "liveassist", "--help", cwd=tmp_path)
    assert by_name.returncode == 0
    assert by_name.stdout == by_module.stdout
