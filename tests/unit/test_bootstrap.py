"""Setting up a checkout: what is installed when, what is said, and that it is done only once."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from liveassist import bootstrap
from liveassist.bootstrap import Machine, SetupError

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Recorder:
    """Stands for the machine's commands: notes them, and makes what ``venv`` would make.

    ``fails``: commands whose words contain one of these fail. ``there``: system packages.
    """

    fails: tuple[str, ...] = ()
    there: set[str] = field(default_factory=set)
    said: list[list[str]] = field(default_factory=list)

    def __call__(self, command: Sequence[str]) -> tuple[int, str]:
        words = list(command)
        self.said.append(words)
        if any(fail in " ".join(words) for fail in self.fails):
            return 1, f"{words[0]} went wrong"
        if words[:2] == ["apt-get", "install"]:
            self.there.update(words[5:])
        if words[1:3] == ["-m", "venv"]:
            python = Path(words[-1]) / "bin" / "python"
            python.parent.mkdir(parents=True, exist_ok=True)
            python.symlink_to(sys.executable)
        return 0, ""

    def ran(self, *parts: str) -> bool:
        return any(all(part in " ".join(words) for part in parts) for words in self.said)

    def machine(
        self, *, root: bool = False, tools: Sequence[str] = (), ensurepip: bool = True
    ) -> Machine:
        def which(name: str) -> str | None:
            known = {"jackd": "jackd2", "oscdump": "liblo-tools"}.get(name, name)
            return f"/usr/bin/{name}" if name in tools or known in self.there else None

        return Machine(
            root=root,
            which=which,
            loads=lambda library: "libportaudio2" in self.there,
            has_module=lambda name: ensurepip,
            run=self,
        )


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    (tmp_path / ".ci").mkdir()
    for name in (bootstrap.RUN_LOCK, bootstrap.TEST_LOCK, "pyproject.toml"):
        (tmp_path / name).write_text(name)
    return tmp_path


pytestmark = pytest.mark.skipif(os.name != "posix", reason="the fake environment has bin/python")


def test_first_start_installs_the_lock_with_hashes_and_then_the_checkout(checkout: Path) -> None:
    commands = Recorder()
    python = bootstrap.prepare(checkout, test=False, machine=commands.machine())
    assert python == checkout / ".venv" / "bin" / "python"
    installs = [words for words in commands.said if "install" in words]
    assert [str(checkout / bootstrap.RUN_LOCK) in words for words in installs] == [True, False]
    assert "--require-hashes" in installs[0]
    assert installs[1][-2:] == ["-e", str(checkout)]
    assert {"--no-deps", "--no-build-isolation"} < set(installs[1])


def test_second_start_runs_nothing(checkout: Path) -> None:
    bootstrap.prepare(checkout, test=False, machine=Recorder().machine())
    again = Recorder()
    bootstrap.prepare(checkout, test=False, machine=again.machine())
    assert again.said == []


def test_the_test_tools_come_on_top_and_stay(checkout: Path) -> None:
    bootstrap.prepare(checkout, test=False, machine=Recorder().machine())
    tools = Recorder()
    bootstrap.prepare(checkout, test=True, machine=tools.machine())
    assert tools.ran("--require-hashes", bootstrap.TEST_LOCK)
    assert not tools.ran("-m venv")
    after = Recorder()
    bootstrap.prepare(checkout, test=False, machine=after.machine())
    assert after.said == []


@pytest.mark.parametrize("name", [bootstrap.RUN_LOCK, bootstrap.TEST_LOCK, "pyproject.toml"])
def test_a_changed_lock_is_installed_into_the_same_environment(checkout: Path, name: str) -> None:
    bootstrap.prepare(checkout, test=False, machine=Recorder().machine())
    (checkout / name).write_text("newer")
    again = Recorder()
    bootstrap.prepare(checkout, test=False, machine=again.machine())
    assert again.ran("--require-hashes")
    assert not again.ran("-m venv")


def test_a_failed_installation_is_said_and_done_again(checkout: Path) -> None:
    broken = Recorder(fails=("--require-hashes",))
    with pytest.raises(SetupError, match=r"check the network and start again[\s\S]*went wrong"):
        bootstrap.prepare(checkout, test=False, machine=broken.machine())
    again = Recorder()
    bootstrap.prepare(checkout, test=False, machine=again.machine())
    assert again.ran("--require-hashes")


def test_an_environment_whose_python_is_gone_is_made_anew(checkout: Path) -> None:
    python = bootstrap.prepare(checkout, test=False, machine=Recorder().machine())
    python.unlink()
    python.symlink_to(checkout / "gone")
    again = Recorder()
    bootstrap.prepare(checkout, test=False, machine=again.machine())
    assert again.ran("-m venv")
    assert python.exists()


def test_an_environment_of_the_user_is_used_and_never_removed(checkout: Path) -> None:
    own = checkout / ".venv" / "bin" / "python"
    own.parent.mkdir(parents=True)
    own.symlink_to(sys.executable)
    (checkout / ".venv" / "keep").write_text("")
    commands = Recorder()
    bootstrap.prepare(checkout, test=False, machine=commands.machine())
    assert (checkout / ".venv" / "keep").exists()
    assert not commands.ran("-m venv")
    assert commands.ran("--require-hashes")


def test_a_broken_environment_of_the_user_is_refused(checkout: Path) -> None:
    (checkout / ".venv").mkdir()
    with pytest.raises(SetupError, match="no working Python"):
        bootstrap.prepare(checkout, test=False, machine=Recorder().machine())
    assert (checkout / ".venv").is_dir()


def test_without_ensurepip_root_installs_it(checkout: Path) -> None:
    commands = Recorder()
    machine = commands.machine(root=True, tools=["apt-get"], ensurepip=False)
    bootstrap.prepare(checkout, test=False, machine=machine)
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    assert commands.ran("apt-get install", f"python{version}-venv")


def test_without_ensurepip_and_root_another_pip_is_used(checkout: Path) -> None:
    bin_python = str(checkout / ".venv" / "bin" / "python")
    commands = Recorder(fails=(f"venv {checkout}", f"{bin_python} -m pip"))
    bootstrap.prepare(checkout, test=False, machine=commands.machine(ensurepip=False))
    assert commands.ran("venv --without-pip")
    assert commands.ran(f"{sys.executable} -m pip --python {bin_python} install")
    assert not commands.ran("apt-get")


def test_without_any_pip_uv_is_used(checkout: Path) -> None:
    commands = Recorder(fails=(" -m pip",))
    bootstrap.prepare(checkout, test=False, machine=commands.machine(tools=["uv"]))
    assert commands.ran("uv pip install --python", "--require-hashes")


def test_without_any_installer_the_line_for_an_administrator_is_said(checkout: Path) -> None:
    commands = Recorder(fails=(" -m pip",))
    with pytest.raises(SetupError, match=r"sudo apt-get install -y python3\.\d+-venv"):
        bootstrap.prepare(checkout, test=False, machine=commands.machine(tools=["apt-get"]))


def test_that_line_names_the_parts_of_the_tests_too(checkout: Path) -> None:
    commands = Recorder(fails=(" -m pip",))
    with pytest.raises(SetupError, match=r"-venv .*jackd2 liblo-tools tmux"):
        bootstrap.prepare(checkout, test=True, machine=commands.machine(tools=["apt-get"]))


def test_pip_is_added_once_an_administrator_has_brought_it(checkout: Path) -> None:
    before = Recorder(fails=(" -m pip", f"venv {checkout}"))
    with pytest.raises(SetupError, match="no pip"):
        bootstrap.prepare(checkout, test=False, machine=before.machine(ensurepip=False))
    after = Recorder(fails=(" -m pip",))
    with pytest.raises(SetupError, match="no pip"):
        bootstrap.prepare(checkout, test=False, machine=after.machine())
    assert after.ran(f"{checkout / '.venv' / 'bin' / 'python'} -m ensurepip")


def test_package_lists_are_fetched_where_apt_knows_none(capsys: pytest.CaptureFixture[str]) -> None:
    commands = Recorder(fails=("apt-get install",))
    assert not bootstrap.apt_install(["tmux"], commands.machine(root=True, tools=["apt-get"]))
    assert [words[1] for words in commands.said] == ["install", "update", "install"]
    assert "apt-get failed" in capsys.readouterr().err


def test_root_gets_the_system_packages(capsys: pytest.CaptureFixture[str]) -> None:
    commands = Recorder()
    machine = commands.machine(root=True, tools=["apt-get", "tmux"])
    assert bootstrap.need_parts("test", machine) == []
    wanted = {"jackd2", "liblo-tools", "chromium"} | (
        {"libportaudio2"} if sys.platform == "linux" else set()
    )
    assert commands.there == wanted
    assert "needs jackd2: an audio and MIDI server" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere sounddevice carries PortAudio")
def test_others_are_told_what_an_administrator_must_run(capsys: pytest.CaptureFixture[str]) -> None:
    commands = Recorder()
    missing = bootstrap.need_parts("listen", commands.machine(tools=["apt-get"]))
    assert [part.package for part in missing] == ["libportaudio2"]
    assert "sudo apt-get install -y libportaudio2" in capsys.readouterr().err
    assert commands.said == []


@pytest.mark.parametrize("command", ["demo", "replay", "check"])
def test_the_demo_and_replay_need_no_system_package(command: str) -> None:
    assert bootstrap.need_parts(command, Recorder().machine(root=True, tools=["apt-get"])) == []


def test_an_incomplete_checkout_is_said(checkout: Path) -> None:
    (checkout / bootstrap.RUN_LOCK).unlink()
    with pytest.raises(SetupError, match=r"requirements\.lock is missing"):
        bootstrap.prepare(checkout, test=False, machine=Recorder().machine())


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [(["--version"], "liveassist "), (["test", "--help"], "ruff, mypy, pytest"), ([], "usage:")],
)
def test_started_as_a_folder_help_needs_no_installation(
    arguments: list[str], expected: str, tmp_path: Path
) -> None:
    """As a new user starts it: from elsewhere, with a Python that sees no installed package."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", str(ROOT / "liveassist"), *arguments],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert expected in done.stdout + done.stderr
    assert done.returncode == (0 if arguments else 2)
