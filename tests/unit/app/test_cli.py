"""The command line as people use it: in a process of its own, with its exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from liveassist.app.cli import build_parser, main
from liveassist.app.commands import ADDERS

ROOT = Path(__file__).resolve().parents[3]
COMMANDS = [add.__name__.removeprefix("add_").replace("_", "-") for add in ADDERS]


COMMAND = [sys.executable, "-m", "liveassist"]
#: Makes the package importable from any folder, without installing it.
HERE = {**os.environ, "PYTHONPATH": str(ROOT)}


def run(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=HERE,
        check=False,
        timeout=60,
    )


def test_the_package_runs_from_anywhere(tmp_path: Path) -> None:
    done = run("--version", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.startswith("liveassist ")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_examples(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == 0
    text = capsys.readouterr().out
    assert "examples:" in text
    assert f"liveassist {command}" in text.split("examples:")[1]
    assert max(len(line) for line in text.splitlines()) <= 100


def test_main_help_names_every_command() -> None:
    text = build_parser().format_help()
    for command in COMMANDS:
        assert f"\n    {command}" in text


def test_no_option_is_parsed_and_ignored() -> None:
    """Every option's destination is read somewhere in the code that runs the command."""
    source = (ROOT / "liveassist" / "app" / "commands.py").read_text()
    live = "".join(path.read_text() for path in (ROOT / "liveassist" / "app").glob("*.py"))
    parser = build_parser()
    (commands,) = (action for action in parser._actions if action.dest == "command")
    assert isinstance(commands.choices, dict)
    for name, command in commands.choices.items():
        for action in command._actions:
            if action.dest != "help":
                elsewhere = (
                    "listen", "watch", "status", "stop", "tell", "learn", "service",
                    "report", "sessions", "takes", "export", "compare", "setup",
                    "save-setup", "restore-check", "lug-walk",
                )  # fmt: skip
                text = live if name in elsewhere else source
                assert f".{action.dest}" in text, (name, action.dest)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["rplay"],
        ["replay"],
        ["replay", "x.wav"],
        ["demo", "--seconds", "0"],
        ["demo", "--seconds", "soon"],
        ["replay", "x.wav", "--kit", "no_such_kit"],
        ["replay", "x.wav", "--kit", "three_mics", "--take", "a=5:1"],
        ["check", "no_such_profile"],
    ],
)
def test_wrong_use_is_two(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    try:
        code = main(arguments)
    except SystemExit as end:
        code = int(end.code or 0)
    assert code == 2
    text = capsys.readouterr().err
    assert text
    assert "Traceback" not in text


def test_a_failed_job_is_one_sentence_and_one(tmp_path: Path) -> None:
    done = run("replay", str(tmp_path / "none.wav"), "--kit", "three_mics")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("liveassist: ")
    assert "there is no such file" in done.stderr


def test_kit_mistakes_come_all_at_once(tmp_path: Path) -> None:
    kit = tmp_path / "k.toml"
    kit.write_text(
        '[kit]\nname = "k"\n'
        '[[drum]]\nname = "kick"\nkind = "kick"\nown = "one"\n'
        '[[drum]]\nname = "snare"\nkind = "snare"\nown = "one"\n'
        '[[drum]]\nname = "tom"\nkind = "tom"\nown = "two"\n'
        '[[mic]]\nname = "one"\nchannel = 1\n'
    )
    done = run("replay", "x.wav", "--kit", str(kit))
    assert done.returncode == 2
    lines = done.stderr.splitlines()
    assert len(lines) == 2
    assert "line 10: kick and snare both own one" in lines[0]
    assert 'line 14: tom owns the unknown microphone "two"' in lines[1]
    assert run("check", str(kit)).returncode == 1


def test_check_says_what_is_right(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "eight_mics", "six_mics.toml"]) == 0
    text = capsys.readouterr().out
    assert "6 drums (kick, snare judged), 8 microphones" in text


def test_check_lists_what_is_bundled(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 0
    assert "  three_mics: kit" in capsys.readouterr().out


def test_output_nobody_reads_to_the_end_is_no_traceback() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as pipe:
        done = subprocess.run(
            [*COMMAND, "check"],
            stdout=pipe,
            env=HERE,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=60,
        )
    assert done.stderr == ""


def test_unwritable_folder_is_found_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    soundfile.write(tmp_path / "x.wav", np.zeros((48_000, 3)), 48_000)
    done = run(
        "replay", str(tmp_path / "x.wav"), "--kit", "three_mics", "--out", str(tmp_path / "file")
    )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "this is a file; name a folder" in done.stderr


def test_aims_are_those_of_the_advice() -> None:
    from liveassist.advise.suggest import AIMS as KNOWN
    from liveassist.app.options import AIMS

    assert AIMS == KNOWN


def test_a_terminal_that_knows_only_ascii(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "check", str(tmp_path / "schlagzeug_ä.toml")],
        capture_output=True,
        env={**HERE, "PYTHONIOENCODING": "ascii:strict", "PYTHONUTF8": "0"},
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr
