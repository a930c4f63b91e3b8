"""Where the bundled profiles and the simulator are, in a checkout and when installed.

In a checkout ``profiles/`` and ``sim/`` stand beside the package; an installed package carries
them inside itself. Everything that needs them asks here.
"""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Literal

from liveassist.app.nearest import did_you_mean
from liveassist.errors import ConfigError

ProfileKind = Literal["kits", "surfaces"]
PROFILE_KINDS: tuple[ProfileKind, ...] = ("kits", "surfaces")

_OPTION: dict[ProfileKind, str] = {"kits": "--kit", "surfaces": "--surface"}
_PACKAGE = Path(__file__).resolve().parent.parent


def profiles_folder() -> Path:
    """The folder that holds ``kits/`` and ``surfaces/``; ConfigError if it is missing."""
    for folder in (_PACKAGE / "profiles", _PACKAGE.parent / "profiles"):
        if (folder / "kits").is_dir():
            return folder
    raise ConfigError(
        f"{_PACKAGE}: the bundled profiles are missing from this installation; install liveassist "
        "again, or give the path of your own profile"
    )


def bundled(kind: ProfileKind) -> dict[str, Path]:
    """Name (file name without ``.toml``) and path of every bundled profile of one kind."""
    folder = profiles_folder() / kind
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def find_profile(kind: ProfileKind, given: str) -> Path:
    """The profile a command line names: a path, or the name of a bundled profile.

    A path that exists always wins. ConfigError names the nearest bundled profile otherwise.
    """
    path = Path(given).expanduser()
    if path.is_file():
        return path
    if path.is_dir():
        raise ConfigError(f"{_OPTION[kind]} {given}: this is a folder; name a TOML file in it")
    names = bundled(kind)
    stem = given.removesuffix(".toml")
    if stem in names:
        return names[stem]
    raise ConfigError(
        f"{_OPTION[kind]} {given}: there is no such file, and no bundled profile of that name"
        f"{did_you_mean(stem, names)}; bundled: {', '.join(names) or 'none'}"
    )


def simulator() -> object:
    """The simulator module: ``liveassist.sim`` when installed, ``sim`` beside the package else.

    ConfigError if neither is there.
    """
    for name in ("liveassist.sim", "sim"):
        try:
            module = importlib.import_module(name)
        except ModuleNotFoundError as error:
            if error.name not in (name, name.partition(".")[0]):
                raise
            continue
        if hasattr(module, "open_scenario"):
            return module
    raise ConfigError("the simulator is missing from this installation; install liveassist again")
