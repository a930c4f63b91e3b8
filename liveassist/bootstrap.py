"""Sets up a checkout and runs it: what ``python3 liveassist COMMAND`` does first.

Uses the standard library only, because nothing else is installed yet. ::

    python3 liveassist demo  ->  .venv with the locked packages  ->  python -m liveassist demo
    python3 liveassist test  ->  the same and the test tools     ->  ruff, mypy, pytest

Everything Python goes into ``.venv`` in the checkout. Nothing else on the machine changes, except
that system packages which a command needs are installed with apt-get where this runs as root.
Without root the line that an administrator must run is printed, and what works without them goes
on. A stamp in ``.venv`` makes every later start quick.
"""

from __future__ import annotations

import ctypes
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

#: What runs the tool, and that with what tests it. Written by .ci/lock.
RUN_LOCK, TEST_LOCK = ".ci/requirements.lock", ".ci/requirements-dev.lock"
STAMP_NAME = "liveassist-setup.json"
#: The checks of the test command; pytest takes the arguments that follow ``test``.
CHECKS: tuple[tuple[str, ...], ...] = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    # By the rules of this Python: later ones get later libraries, whose types only they can read.
    (
        *("mypy", "--strict", "--python-version", ".".join(map(str, sys.version_info[:2]))),
        *("liveassist", "sim", "tests"),
    ),
    ("pytest",),
)
#: Code of a process that was ended by Ctrl-C, as shells give it.
INTERRUPTED = 130
_TEST_HELP = """\
usage: python3 liveassist test [PYTEST OPTION ...]

Set up .venv with the test tools and run every check of this checkout: ruff, mypy, pytest.
Options go to pytest, for example: python3 liveassist test -k osc"""


class SetupError(Exception):
    """Setting up cannot go on; the message says how to mend it."""


# --- what the machine must have --------------------------------------------------------------


def _loads(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Part:
    """A system package (Debian's name), what it is for, and whether it is there already."""

    package: str
    why: str
    there: Callable[[Machine], bool]


@dataclass(frozen=True, slots=True)
class Machine:
    """What setting up asks of the machine. Tests put their own in its place.

    ``run`` runs a command without input and returns (exit code, all that it said).
    """

    root: bool = field(default_factory=lambda: hasattr(os, "geteuid") and os.geteuid() == 0)
    which: Callable[[str], str | None] = shutil.which
    loads: Callable[[str], bool] = _loads
    has_module: Callable[[str], bool] = lambda name: importlib.util.find_spec(name) is not None
    run: Callable[[Sequence[str]], tuple[int, str]] = lambda command: _run(command)


def _portaudio(machine: Machine) -> bool:
    # The wheels of sounddevice for the other systems carry PortAudio inside them.
    return sys.platform != "linux" or machine.loads("libportaudio.so.2")


_PORTAUDIO = Part(
    "libportaudio2", "reaches the audio interface, and brings ALSA for MIDI ports", _portaudio
)
#: System packages that a command uses. The demo and replay need none.
PARTS: dict[str, tuple[Part, ...]] = {
    "listen": (_PORTAUDIO,),
    "devices": (_PORTAUDIO,),
    "learn": (_PORTAUDIO,),
    "setup": (_PORTAUDIO,),
    "test": (
        _PORTAUDIO,
        Part("jackd2", "an audio and MIDI server for the tests", lambda m: bool(m.which("jackd"))),
        Part("liblo-tools", "an independent OSC client", lambda m: bool(m.which("oscdump"))),
        Part("tmux", "a real terminal for the dashboard's tests", lambda m: bool(m.which("tmux"))),
        Part("chromium", "a browser to open the report in", lambda m: bool(m.which("chromium"))),
    ),
}


# --- the commands ----------------------------------------------------------------------------


def main(arguments: Sequence[str], checkout: Path) -> int:
    """Set up ``checkout`` as the command in ``arguments`` needs it, and run the command."""
    asks_help = not arguments or not {"-h", "--help", "--version"}.isdisjoint(arguments)
    if asks_help:
        return _help(list(arguments))
    machine = Machine()
    try:
        if arguments[0] == "test":
            return test(arguments[1:], checkout, machine)
        python = prepare(checkout, test=False, machine=machine)
        need_parts(arguments[0], machine)
    except SetupError as error:
        say(str(error))
        return 1
    except OSError as error:
        say(f"setting up {checkout} failed ({error}); use a copy that you may write to")
        return 1
    except KeyboardInterrupt:
        say("stopped; the next start goes on with setting up")
        return INTERRUPTED
    # -P: a folder called liveassist where the user happens to stand must not be imported.
    command = [str(python), "-P", "-m", "liveassist", *arguments]
    if os.name == "posix":
        os.execv(python, command)
    return subprocess.call(command)


def test(arguments: Sequence[str], checkout: Path, machine: Machine) -> int:
    """Run all checks, also after one has failed; 0 only if every one passed."""
    python = prepare(checkout, test=True, machine=machine)
    missing = need_parts("test", machine)
    extra = list(arguments)
    # Where the checks decide about a change (CI is set), what is missing must fail.
    if missing and not os.environ.get("CI"):
        names = ", ".join(part.package for part in missing)
        say(f"leaves out the tests with real audio, MIDI, OSC and terminal parts: no {names}")
        extra = ["-m", "not realparts", *extra]
    results = []
    for check in CHECKS:
        words = [*check, *(extra if check[0] == "pytest" else ())]
        print(f"\n== {' '.join(words)}", flush=True)
        done = subprocess.run([str(python), "-m", *words], cwd=checkout, check=False)
        results.append((" ".join(check), done.returncode))
    print()
    for name, code in results:
        print(f"{'passed' if code == 0 else 'FAILED'}  {name}", flush=True)
    return int(any(code for _, code in results))


def _help(arguments: list[str]) -> int:
    """Help and version, which need nothing installed."""
    if arguments[:1] == ["test"]:
        print(_TEST_HELP)
        return 0
    from liveassist.app.cli import main as run

    return run(arguments)


# --- system packages -------------------------------------------------------------------------


def missing_parts(command: str, machine: Machine) -> list[Part]:
    """The system packages that ``command`` uses and that are not there."""
    return [part for part in PARTS.get(command, ()) if not part.there(machine)]


def need_parts(command: str, machine: Machine) -> list[Part]:
    """Install the system packages that ``command`` uses, as root; those that are still missing."""
    missing = missing_parts(command, machine)
    for part in missing:
        say(f"needs {part.package}: {part.why}")
    names = [part.package for part in missing]
    if missing and not apt_install(names, machine):
        say(f"goes on without; an administrator can add it: {admin_line(names, machine)}")
    return missing_parts(command, machine)


def apt_install(packages: Sequence[str], machine: Machine) -> bool:
    """Install Debian packages as root; whether that was possible and worked."""
    if not machine.root or machine.which("apt-get") is None:
        return False
    say(f"installing with apt-get: {' '.join(packages)}")
    install = ["apt-get", "install", "-y", "-q", "--no-install-recommends", *packages]
    code, text = machine.run(install)
    if code:
        # A fresh machine has no package lists yet, and an old one has stale ones.
        machine.run(["apt-get", "update", "-q"])
        code, text = machine.run(install)
    if code:
        say(f"apt-get failed and said:\n{_last(text)}")
    return code == 0


def admin_line(packages: Sequence[str], machine: Machine) -> str:
    """The one line that installs system packages."""
    if machine.which("apt-get") is None:
        return f"install what Debian calls {' '.join(packages)} with this system's package manager"
    return f"sudo apt-get install -y {' '.join(packages)}"


# --- the environment -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stamp:
    """What ``.venv`` holds, kept in it. Its presence means that we made it.

    ``python``: the real path of its interpreter, empty until it is whole. ``installed``: the
    fingerprint of what was installed, empty until that was finished.
    """

    python: str = ""
    test: bool = False
    installed: str = ""

    def write(self, venv: Path) -> None:
        """Keep this in ``venv``."""
        (venv / STAMP_NAME).write_text(json.dumps(asdict(self)), encoding="utf-8")


def read_stamp(venv: Path) -> Stamp | None:
    """The stamp in ``venv``; None if there is none, an empty one if it is spoilt."""
    try:
        found = json.loads((venv / STAMP_NAME).read_text(encoding="utf-8"))
        return Stamp(str(found["python"]), bool(found["test"]), str(found["installed"]))
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError):
        return Stamp()


def prepare(checkout: Path, *, test: bool, machine: Machine) -> Path:
    """Make sure that ``.venv`` holds the locked packages; the path of its Python.

    SetupError if that cannot be done.
    """
    venv = checkout / ".venv"
    python = venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    wanted = fingerprint(checkout)
    stamp = read_stamp(venv)
    if stamp is None and venv.exists():
        stamp = _adopt(venv, python, machine)
    elif stamp is None or not python.exists() or os.path.realpath(python) != stamp.python:
        stamp = _make_environment(venv, python, machine)
    if stamp.installed == wanted and (stamp.test or not test):
        return python
    test = test or stamp.test
    _install(checkout, python, test, machine)
    replace(stamp, test=test, installed=wanted).write(venv)
    return python


def fingerprint(checkout: Path) -> str:
    """Changes whenever what must be installed changes, or the checkout has moved."""
    digest = hashlib.sha256(str(checkout).encode())
    for name in (RUN_LOCK, TEST_LOCK, "pyproject.toml"):
        try:
            digest.update((checkout / name).read_bytes())
        except FileNotFoundError:
            raise SetupError(
                f"{checkout / name} is missing; this way of starting needs a whole checkout"
            ) from None
    return digest.hexdigest()


def _adopt(venv: Path, python: Path, machine: Machine) -> Stamp:
    """Use an environment that somebody else made, if it can be used."""
    new_enough = "import sys; sys.exit(sys.version_info < (3, 11))"
    if not python.exists() or machine.run([str(python), "-c", new_enough])[0]:
        raise SetupError(f"{venv} has no working Python of 3.11 or newer; move it away")
    say(f"using the environment that is there: {venv}")
    return Stamp(python=os.path.realpath(python))


def _make_environment(venv: Path, python: Path, machine: Machine) -> Stamp:
    say(f"making {venv}: a Python environment of its own, so that nothing else is touched")
    if venv.exists():
        shutil.rmtree(venv)
    venv.mkdir()
    # First of all, so that an interrupted start is known to be ours and done again.
    Stamp().write(venv)
    if not machine.has_module("ensurepip"):
        say(f"needs {_venv_package()}: the part of Python that makes environments")
        apt_install([_venv_package()], machine)
    # The Python underneath, should this one live in the environment that was just removed.
    base: str = getattr(sys, "_base_executable", sys.executable)
    code, text = machine.run([base, "-m", "venv", str(venv)])
    if code:
        code, more = machine.run([base, "-m", "venv", "--without-pip", str(venv)])
        text += more
    if code or not python.exists():
        raise SetupError(f"no Python environment could be made; Python said:\n{_last(text)}")
    stamp = Stamp(python=os.path.realpath(python))
    stamp.write(venv)
    return stamp


def _install(checkout: Path, python: Path, test: bool, machine: Machine) -> None:
    pip = _pip_install(python, machine, missing_parts("test", machine) if test else [])
    say("installing into .venv, each download checked against its hash (a minute or two):")
    say("  numpy, scipy for the analysis; rich for the dashboard; matplotlib for report plots")
    say("  soundfile, sounddevice for audio; zeroconf, python-rtmidi for surfaces")
    say("  setuptools, which links this folder in as liveassist")
    if test:
        say("  ruff, mypy for reading the code; pytest, hypothesis for running the tests")
        say(
            "  jsonschema, mir_eval, oscpy, python-osc, mido, JACK-Client as independent "
            "references in them"
        )
    lock = checkout / (TEST_LOCK if test else RUN_LOCK)
    locked = ["--require-hashes", "--only-binary", ":all:", "-r", str(lock)]
    for what in (locked, ["--no-deps", "--no-build-isolation", "-e", str(checkout)]):
        code, text = machine.run([*pip, "--quiet", *what])
        if code:
            raise SetupError(
                "the Python packages could not be installed; check the network and start again. "
                f"The installer said:\n{_last(text)}"
            )


def _pip_install(python: Path, machine: Machine, parts: Sequence[Part]) -> list[str]:
    """The command that installs into the environment of ``python``.

    Where there is none, SetupError with the line for an administrator; it names ``parts`` too.
    """
    own = [str(python), "-m", "pip"]
    if machine.run([*own, "--version"])[0] and machine.has_module("ensurepip"):
        # An earlier start had to make the environment without pip.
        machine.run([str(python), "-m", "ensurepip"])
    into = ["--python", str(python)]
    candidates = [own, [sys.executable, "-m", "pip", *into]]
    if pip := machine.which("pip3"):
        candidates.append([pip, *into])
    for candidate in candidates:
        if machine.run([*candidate, "--version"])[0] == 0:
            return [*candidate, "install"]
    if uv := machine.which("uv"):
        return [uv, "pip", "install", *into]
    line = admin_line([_venv_package(), *(part.package for part in parts)], machine)
    raise SetupError(f"there is no pip here; an administrator must run once: {line}")


def _venv_package() -> str:
    return f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"


def _run(command: Sequence[str]) -> tuple[int, str]:
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive", "PIP_NO_INPUT": "1"}
    # Settings for another Python must not decide what ours finds.
    for name in ("PYTHONHOME", "PYTHONPATH"):
        environment.pop(name, None)
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
        env=environment,
        check=False,
    )
    return done.returncode, done.stdout


def _last(text: str, lines: int = 12) -> str:
    return "\n".join(f"  {line}" for line in text.strip().splitlines()[-lines:])


def say(sentence: str) -> None:
    """Tell the user, on standard error, so that a command's own output stays clean."""
    print(f"liveassist: {sentence}", file=sys.stderr, flush=True)
