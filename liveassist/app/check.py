"""`liveassist check`: whether profiles are right, all mistakes of all of them at once."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from liveassist.app.config import parse_kit
from liveassist.app.nearest import did_you_mean
from liveassist.app.resources import PROFILE_KINDS, bundled
from liveassist.app.toml_lines import key_lines
from liveassist.app.toml_table import read_profile
from liveassist.errors import ConfigError
from liveassist.model import Kit

_KIT_TABLES = frozenset({"kit", "drum", "mic"})
_SURFACE_TABLES = frozenset({"surface", "osc", "osc_in", "midi", "control", "light", "press"})


def check(given: Sequence[str], out: TextIO, err: TextIO) -> int:
    """Check each profile (path, or name of a bundled one); 0 if all are right, else 1.

    ConfigError if one is not there at all.
    """
    paths = [_find(name) for name in given]
    wrong = 0
    for path in paths:
        try:
            found = describe(path)
            strange = names_no_kit_has(path, paths)
            wrong += bool(strange)
            for problem in strange:
                print(problem, file=err)
            print(f"{path}: {'not ' if strange else ''}right: {found}", file=out)
            for line in in_words(path, paths):
                print(f"  {line}", file=out)
        except ConfigError as error:
            wrong += 1
            for problem in error.problems:
                print(problem, file=err)
    if wrong:
        print(f"{wrong} of {len(paths)} profiles wrong", file=err)
    return 1 if wrong else 0


def list_bundled(out: TextIO) -> int:
    """Print the bundled profiles by kind, with what each holds."""
    for kind in PROFILE_KINDS:
        print(f"{kind}:", file=out)
        for name, path in bundled(kind).items():
            print(f"  {name}: {describe(path)}", file=out)
    return 0


def describe(path: Path) -> str:
    """What a right profile holds, in a few words; ConfigError with all mistakes of a wrong one."""
    text = read_profile(path)
    if is_kit(text):
        kit = parse_kit(text, str(path))
        judged = [drum.name for drum in kit.drums if drum.judged]
        return (
            f'kit "{kit.name}", {len(kit.drums)} drums ({", ".join(judged)} judged), '
            f"{len(kit.mics)} microphones"
            + (f", the click on channel {kit.click.channel}" if kit.click is not None else "")
        )
    from liveassist.output.surfaces import load_surface

    return f'surface "{load_surface(path).name}"'


def in_words(path: Path, given: Sequence[Path]) -> list[str]:
    """What a surface profile does, sentence by sentence; nothing for a kit.

    If a right kit profile is among ``given``, the names are those of that kit, and what the kit
    does not have is said.
    """
    if is_kit(read_profile(path)):
        return []
    from liveassist.output.surface_bind import explain
    from liveassist.output.surfaces import load_surface

    surface = load_surface(path)
    hosts = dict.fromkeys(target.host for target in surface.osc)
    unknown = [
        f"the host {host!r} is not known here now, so nothing would be sent there"
        for host in hosts
        if not _resolves(host)
    ]
    return explain(surface, _first_kit(given))[1:] + unknown


def names_no_kit_has(path: Path, given: Sequence[Path]) -> list[str]:
    """Drums and microphones of a surface profile that the kit among ``given`` does not have, where
    the word is no kind of drum either."""
    kit = _first_kit(given)
    if kit is None or is_kit(read_profile(path)):
        return []
    from liveassist.output.surface_bind import wrong_names
    from liveassist.output.surfaces import load_surface

    return wrong_names(load_surface(path), kit)


def _resolves(host: str) -> bool:
    try:
        return bool(socket.getaddrinfo(host, None))
    except (OSError, UnicodeError):
        return False


def _first_kit(given: Sequence[Path]) -> Kit | None:
    return next((found for other in given if (found := _right_kit(other)) is not None), None)


def _right_kit(path: Path) -> Kit | None:
    """The kit described by a profile; None if it describes none or has mistakes."""
    try:
        text = read_profile(path)
        return parse_kit(text, str(path)) if is_kit(text) else None
    except ConfigError:
        return None


def is_kit(text: str) -> bool:
    """Whether a profile's text is meant to describe a kit (rather than a surface).

    Judged by its tables, also where the text is not valid TOML.
    """
    tables = {path[0] for path in key_lines(text)}
    return bool(tables & _KIT_TABLES) or not tables & _SURFACE_TABLES


def _find(given: str) -> Path:
    path = Path(given).expanduser()
    if path.is_file():
        return path
    stem = given.removesuffix(".toml")
    names = bundled("kits") | bundled("surfaces")
    if stem in names:
        return names[stem]
    raise ConfigError(
        f"{given}: there is no such profile{did_you_mean(stem, names)}; bundled: {', '.join(names)}"
    )
