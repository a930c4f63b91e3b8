"""The tree is the flow: who may import whom, which folders there are, and what may stand where."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from liveassist.pipeline import STAGES

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "liveassist"

#: Modules every part may use: common types and calculations, no behaviour of a stage.
COMMON = frozenset(
    {
        "model",
        "kit",
        "units",
        "errors",
        "spectra",
        "history",
        "lookback",
        "ranks",
        "steps",
        "remarks",
        "offset",
        "song",
        "suggestion",
    }
)
#: What processes of the edges share, and only they.
AT_THE_EDGES = {"input": frozenset({"jacklib"}), "output": frozenset({"jacklib"})}
#: Stages whose answer depends on their input alone.
PURE_STAGES = ("detect", "attribute", "measure", "rolling", "advise")
#: Where stages meet.
COMPOSERS = (
    "pipeline", "hearing", "elsewhere", "learning", "lookout", "takebook", "audit", "app"
)  # fmt: skip
#: Nothing of these between input and output of a pure part: clocks, threads, files, the network.
IMPURE = frozenset(
    {
        "asyncio", "datetime", "io", "logging", "multiprocessing", "os", "pathlib", "queue",
        "random", "select", "signal", "socket", "sounddevice", "soundfile", "subprocess", "sys",
        "tempfile", "threading", "time", "warnings",
    }
)  # fmt: skip
#: Third-party packages that must stay behind one edge each, imported when they are needed.
LAZY = frozenset({"sounddevice", "soundfile", "rtmidi", "matplotlib"})
LONGEST_MODULE = 400
TOP_LEVEL = frozenset(
    {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "liveassist", "profiles", "sim",
     "tests"}
)  # fmt: skip


def tracked() -> list[Path]:
    """The files of the project: what version control knows, or all that it would not ignore."""
    if (ROOT / ".git").exists() and shutil.which("git"):
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            check=True,
        )
        names = [Path(name) for name in listed.stdout.decode().split("\0") if name]
    else:
        # A copy without its history: everything but what a run leaves behind.
        names = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]
        names = [name for name in names if not any(map(_left_behind, name.parts))]
    return [name for name in names if (ROOT / name).is_file()]


def _left_behind(part: str) -> bool:
    caches = (".venv", ".git", "__pycache__", "build", "dist", "sessions", ".hypothesis")
    return part in caches or part.endswith((".egg-info", "_cache", ".pyc"))


def modules(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.py"))


def imported(path: Path, *, at_top: bool = False) -> Iterator[tuple[str, int]]:
    """Absolute dotted names that a module imports, with lines; only those of its top level."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    package = path.parent.relative_to(ROOT).parts
    for node in tree.body if at_top else ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            stem = ".".join((*base, *filter(None, [node.module])))
            # `from liveassist import units` imports a module, `from liveassist.units import x` too.
            for alias in node.names:
                yield f"{stem}.{alias.name}" if stem == "liveassist" else stem, node.lineno


def own(path: Path) -> Iterator[tuple[str, int]]:
    """The part of liveassist (stage folder or module) behind every import of it."""
    for name, line in imported(path):
        words = name.split(".")
        if words[0] == "liveassist" and len(words) > 1:
            yield words[1], line


def breaches(folder: Path, allowed: frozenset[str]) -> list[str]:
    return [
        f"{path.relative_to(ROOT)}:{line} imports {part}"
        for path in modules(folder)
        for part, line in own(path)
        if part not in allowed
    ]


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_knows_only_the_common_values_and_itself(stage: str) -> None:
    allowed = COMMON | {stage} | AT_THE_EDGES.get(stage, frozenset())
    assert breaches(PACKAGE / stage, allowed) == []


@pytest.mark.parametrize("part", sorted(COMMON))
def test_the_common_modules_know_no_stage(part: str) -> None:
    assert [name for name, _ in own(PACKAGE / f"{part}.py") if name not in COMMON] == []


@pytest.mark.parametrize(
    "part", [*PURE_STAGES, "hearing", "elsewhere", "pipeline", *sorted(COMMON)]
)
def test_pure_parts_touch_nothing_outside(part: str) -> None:
    folder = PACKAGE / part
    paths = modules(folder) if folder.is_dir() else [PACKAGE / f"{part}.py"]
    assert [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in paths
        for name, line in imported(path)
        if name.split(".")[0] in IMPURE
    ] == []


def test_only_the_composers_know_several_stages() -> None:
    """Outside the stage folders, only pipeline, hearing and app may import a stage."""
    others = {path.stem for path in PACKAGE.glob("*.py")} - set(COMPOSERS) - {"__main__"}
    found = [
        f"{stem} imports {part}"
        for stem in sorted(others)
        for part, _ in own(PACKAGE / f"{stem}.py")
        if part in STAGES
    ]
    assert found == []


def test_pipeline_does_not_know_the_edges() -> None:
    for stem in ("pipeline", "hearing"):
        parts = {part for part, _ in own(PACKAGE / f"{stem}.py")}
        assert parts.isdisjoint({"input", "output", "app"}), stem


def test_the_simulator_knows_nothing_of_the_package() -> None:
    """Its truth is only worth something while it shares no code with what it judges."""
    found = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in modules(ROOT / "sim")
        for name, line in imported(path)
        if name.split(".")[0] in ("liveassist", "tests")
    ]
    assert found == []


def test_the_simulator_imports_itself_relatively() -> None:
    """It is called sim in the repository and liveassist.sim when installed."""
    for path in modules(ROOT / "sim"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert not any(alias.name.split(".")[0] == "sim" for alias in node.names), path
            if isinstance(node, ast.ImportFrom) and not node.level:
                assert (node.module or "").split(".")[0] != "sim", path


def test_device_libraries_are_imported_where_they_are_used() -> None:
    """Importing any module must work where PortAudio, libsndfile or MIDI cannot be loaded."""
    found = [
        f"{path.relative_to(ROOT)}:{line} imports {name} at its top"
        for path in modules(PACKAGE)
        for name, line in imported(path, at_top=True)
        if name.split(".")[0] in LAZY
    ]
    assert found == []


def test_bootstrap_needs_the_standard_library_only() -> None:
    import sys

    for stem in ("bootstrap", "__main__", "__init__"):
        for name, line in imported(PACKAGE / f"{stem}.py"):
            top = name.split(".")[0]
            known = top in sys.stdlib_module_names or top == "liveassist"
            assert known, f"{stem}:{line} imports {name}"


def test_the_stages_are_the_folders() -> None:
    folders = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert folders == {*STAGES, "app"}


def test_the_diagram_shows_the_stages_in_order() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    diagram = text.split("```", 2)[1]
    shown = [word for word in re.findall(r"[a-z]+(?=/)", diagram) if word in STAGES]
    assert list(dict.fromkeys(shown)) == list(STAGES)


def test_the_package_list_is_the_folders() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    folders = {f"liveassist.{path.parent.name}" for path in PACKAGE.glob("*/__init__.py")}
    listed = settings["tool"]["setuptools"]["packages"]
    assert sorted(listed) == sorted(
        {"liveassist", "liveassist.profiles", "liveassist.sim"} | folders
    )


def test_modules_stay_short() -> None:
    long = {}
    for path in (name for name in tracked() if name.suffix == ".py"):
        lines = len((ROOT / path).read_text(encoding="utf-8").splitlines())
        if lines > LONGEST_MODULE:
            long[str(path)] = lines
    assert long == {}


def test_the_top_level_holds_what_it_should() -> None:
    tops = {path.parts[0] for path in tracked()}
    assert {top for top in tops if not top.startswith(".")} == TOP_LEVEL


def test_tests_are_under_tests() -> None:
    stray = [
        str(path)
        for path in tracked()
        if re.fullmatch(r"(test_.*|.*_test|conftest)\.py", path.name) and path.parts[0] != "tests"
    ]
    assert stray == []


#: Written so that this file does not hold what it looks for.
MACHINE_PATH = re.compile(r"(?<![\w.~$}])/(?:work|root|home|Users|mnt|opt|tmp)/" + r"[A-Za-z0-9_]")
ADDRESS = re.compile(r"(?:https?|git|ftp|ssh)" + r"://([\w.-]+)")
#: Names in standards and licences, from which nothing is fetched, and this machine itself.
NAMED_HOSTS = frozenset({"json-schema.org", "www.w3.org", "creativecommons.org", "127.0.0.1"})


def test_no_file_names_a_folder_of_one_machine_or_a_place_to_fetch_from() -> None:
    found = []
    for path in tracked():
        data = (ROOT / path).read_bytes()
        if b"\0" in data[:4096]:
            continue
        for number, line in enumerate(data.decode("utf-8").splitlines(), 1):
            found += [f"{path}:{number}: {match[0]}" for match in MACHINE_PATH.finditer(line)]
            found += [
                f"{path}:{number}: {match[0]}"
                for match in ADDRESS.finditer(line)
                if match[1] not in NAMED_HOSTS
            ]
    assert found == []


def test_the_locks_hold_hashes_and_no_addresses() -> None:
    for name in ("requirements.lock", "requirements-dev.lock"):
        text = (ROOT / ".ci" / name).read_text(encoding="utf-8")
        assert "://" not in text
        assert "--index" not in text
        pins = re.split(r"\n(?=[a-z])", text.strip())
        assert len(pins) > 10
        assert all("==" in pin and "--hash=sha256:" in pin for pin in pins), name


def test_the_locks_serve_what_the_project_asks_for() -> None:
    """Every requirement of pyproject.toml is pinned in the lock that serves it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = {
        "requirements.lock": project["dependencies"],
        "requirements-dev.lock": [
            *project["dependencies"],
            *project["optional-dependencies"]["dev"],
        ],
    }
    for lock, requirements in wanted.items():
        text = (ROOT / ".ci" / lock).read_text(encoding="utf-8")
        pinned = set(re.findall(r"^([a-z0-9-]+)==", text, re.MULTILINE))
        for requirement in requirements:
            match = re.match(r"[A-Za-z0-9_.-]+", requirement)
            assert match
            assert re.sub(r"[-_.]+", "-", match[0]).lower() in pinned, f"{requirement} in {lock}"
