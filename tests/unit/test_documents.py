"""README and DEVELOPERS name commands, options, files and profiles that are really there."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from liveassist.app.cli import build_parser
from liveassist.app.config import parse_kit

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "liveassist/docs/guide.md")


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def command_lines() -> Iterator[tuple[str, list[str]]]:
    """Every ``liveassist ...`` in code, with its words; the test command is not among them."""
    for name in DOCUMENTS:
        text = text_of(name)
        fenced = [
            line
            for block in re.findall(r"```\n(.*?)```", text, re.S)
            for line in block.splitlines()
        ]
        for code in [*fenced, *re.findall(r"`([^`\n]+)`", text)]:
            found = re.match(r"(?:python3 |py |uv run )?liveassist ([a-z].*)", code.strip())
            if found:
                words = shlex.split(found[1], comments=True)
                if words[0] != "test":
                    yield f"{name}: {code}", words


@pytest.mark.parametrize(("where", "words"), list(command_lines()))
def test_commands_are_understood(where: str, words: list[str]) -> None:
    """The real parser takes each as it stands (SystemExit otherwise)."""
    chosen = build_parser().parse_args(words)
    assert chosen.command == words[0]


def test_every_command_is_in_the_readme() -> None:
    table = text_of("README.md").partition("## Commands")[2].partition("\n## ")[0]
    listed = set(re.findall(r"`([a-z-]+)`", "".join(re.findall(r"^\|[^|]*\|", table, re.M))))
    usage = build_parser().format_help().partition("commands:")[2].partition("examples:")[0]
    known = set(re.findall(r"^    ([a-z-]+)", usage, re.M))
    assert len(known) >= 8
    assert listed == known


def test_the_kit_in_the_readme_is_right() -> None:
    profiles = re.findall(r"```toml\n(.*?)```", text_of("README.md"), re.S)
    assert len(profiles) == 1
    tomllib.loads(profiles[0])
    kit = parse_kit(profiles[0], "README.md")
    assert [drum.name for drum in kit.drums if drum.judged] == ["kick", "snare"]


@pytest.mark.parametrize("name", DOCUMENTS[:2])
def test_files_that_are_named_exist(name: str) -> None:
    text = text_of(name)
    named = re.findall(r"`([\w./-]+/[\w.-]*|[\w-]+\.(?:md|py|toml))`", text)
    named += re.findall(r"\]\(([\w./-]+\.(?:md|svg))", text)
    # Addresses begin with a slash; these two the reader makes.
    made = ("my_tablet.toml", ".venv")
    ours = [path for path in named if path.split("/")[0] not in ("", *made)]
    assert len(ours) > 5
    missing = [
        path
        for path in ours
        if not (ROOT / path).exists() and not (ROOT / "liveassist" / path).exists()
    ]
    assert missing == []


def test_links_inside_the_guide_lead_somewhere() -> None:
    text = text_of("liveassist/docs/guide.md")
    heads = {
        re.sub(r"[^a-z0-9 -]", "", head.lower()).replace(" ", "-")
        for head in re.findall(r"^## (.+)$", text, re.M)
    }
    wanted = re.findall(r"\]\(#([^)]+)\)", text)
    assert len(wanted) > 8
    assert set(wanted) <= heads


def test_every_command_of_a_session_is_in_the_guide() -> None:
    commands = {words[0] for where, words in command_lines() if "guide.md" in where}
    assert commands >= {
        "setup", "soundcheck", "listen", "watch", "takes", "compare", "report", "export",
        "save-setup", "restore-check",
    }  # fmt: skip
