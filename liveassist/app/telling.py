"""`liveassist tell`: give a running session a command from another terminal or a script.

The commands are those of the OSC table, without the ones that a client of the local socket has no
use for and those that apply settings to a device, which want a surface and arming.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, TextIO

from liveassist.app.controlclient import Connection, choose_running
from liveassist.app.nearest import did_you_mean
from liveassist.errors import ConfigError, LiveassistError

if TYPE_CHECKING:
    from liveassist.output.address_row import Address
    from liveassist.output.commands import Command

#: Not for here: they ask for OSC to be sent, send settings to a device, or belong to lug-walk.
LEFT_OUT = ("apply/", "lugs/", "state", "subscribe", "unsubscribe")
#: How long an answer is waited for, and how often it is looked for, seconds.
ANSWER_S, LOOK_S = 5.0, 0.1


def tellable() -> Mapping[str, Address]:
    """The commands by their short names (``take/split``)."""
    from liveassist.output.addresses import COMMANDS, ROOT

    names = {path.removeprefix(f"{ROOT}/"): row for path, row in COMMANDS.items()}
    return {name: row for name, row in names.items() if not name.startswith(LEFT_OUT)}


def listed(out: TextIO) -> int:
    """Print what can be told; always 0."""
    for name, row in tellable().items():
        args = " ".join(
            f"[{arg.name.upper()}]" if arg.optional else arg.name.upper() for arg in row.args
        )
        print(f"{name} {args}".rstrip(), file=out)
        print(f"    {row.about}", file=out)
    return 0


def checked(words: Sequence[str]) -> Command:
    """The command that typed ``words`` mean; ConfigError says what is wrong."""
    from liveassist.output.addresses import ROOT
    from liveassist.output.commands import RefusedError, parse
    from liveassist.output.osc_codec import OscMessage

    known = tellable()
    name, *given = words
    row = known.get(name)
    if row is None:
        raise ConfigError(
            f"{name}: there is no such command{did_you_mean(name, known)}; liveassist tell --list "
            "names them"
        )
    values: list[Any] = []
    for arg, text in zip(row.args, given, strict=False):
        try:
            values.append({"i": int, "f": float, "s": str}[arg.type](text))
        except ValueError:
            raise ConfigError(f"{name}: {arg.name} is a number, not {text!r}") from None
    if len(given) > len(row.args):
        raise ConfigError(f"{name}: takes at most {len(row.args)} values")
    types = "".join(arg.type for arg, _ in zip(row.args, values, strict=False))
    try:
        return parse(OscMessage(f"{ROOT}/{name}", types, tuple(values)), "tell", 0)
    except RefusedError as why:
        raise ConfigError(f"{name}: {why.why}") from None


def tell(instance: str | None, words: Sequence[str], out: TextIO) -> int:
    """Have the running session carry out a command and print what became of it; 1 if it refused."""
    checked(words)
    chosen = choose_running(instance)
    with Connection(chosen.socket) as daemon:
        before = daemon.answer("status")["status"].get("asked", 0)
        daemon.answer("tell", json.dumps(list(words)))
        end_s = time.monotonic() + ANSWER_S
        while time.monotonic() < end_s:
            status = daemon.answer("status")["status"]
            if status.get("asked", 0) > before:
                print(status["notice"], file=out)
                return 0 if status["done"] else 1
            time.sleep(LOOK_S)
    raise LiveassistError(f"{words[0]}: the session has not answered; look with: liveassist status")


def told(what: str) -> Command | None:
    """The command in an order that came over the socket; None if it is none."""
    try:
        words = json.loads(what)
    except ValueError:
        return None
    if not isinstance(words, list) or not words or not all(isinstance(one, str) for one in words):
        return None
    try:
        return checked(words)
    except ConfigError:
        return None
