"""Commands that surfaces give, checked and bounded before anybody acts on them.

`parse` is pure: an OSC message in, a `Command` or a refusal out. No command names a file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from liveassist.model import Snapshot

from .addresses import COMMANDS, ROOT, Address, Arg
from .osc_codec import OscError, OscMessage
from .osc_match import is_pattern, matches
from .osc_messages import alert_id
from .quantities import worst_alert

#: Longest text a command may carry, letters.
MAX_TEXT = 120

CommandValue = int | float | str


@dataclass(frozen=True, slots=True)
class Command:
    """One thing asked of the daemon: ``name`` as in the address table (``take/start``).

    ``args`` holds the values given. ``source`` says who asked, for the log. ``ticket`` ties the
    answer to the question; 0 means nobody waits for one. ``heard_s``: when it was heard, on the
    computer's monotonic clock, so that it counts from then and not from when its turn comes.
    """

    name: str
    args: tuple[CommandValue, ...] = ()
    source: str = ""
    ticket: int = 0
    heard_s: float | None = field(default=None, compare=False)


class RefusedError(Exception):
    """A command that will not be carried out; the text says why. Never leaves this package."""

    def __init__(self, command: str, why: str) -> None:
        super().__init__(why)
        self.command = command
        self.why = why


def parse(message: OscMessage, source: str, ticket: int, heard_s: float | None = None) -> Command:
    """The command in a message; `RefusedError` if it is none, or its values are not acceptable."""
    row = _find(message.address)
    values = message.args
    if "[" in message.types or len(values) > len(row.args):
        raise RefusedError(row.path, f"takes at most {len(row.args)} values")
    args: list[CommandValue] = []
    for index, arg in enumerate(row.args):
        if index >= len(values):
            if not arg.optional:
                raise RefusedError(row.path, f"{arg.name} is missing")
            break
        args.append(_checked(arg, values[index], row))
    return Command(row.path.removeprefix(f"{ROOT}/"), tuple(args), source, ticket, heard_s)


def completed(command: Command, snapshot: Snapshot | None) -> Command:
    """A button's command with what it leaves open filled in from the figures of the moment.

    ``alert/acknowledge`` without a name means the most urgent alert that lasts. What
    ``take/toggle`` means is decided where takes are kept, when its turn comes: figures of a moment
    ago do not know of the button pressed just before.
    """
    if command.name == "alert/acknowledge" and not command.args and snapshot is not None:
        alert = worst_alert(snapshot)
        return command if alert is None else replace(command, args=(alert_id(alert),))
    return command


def _find(address: str) -> Address:
    if not is_pattern(address):
        if address in COMMANDS:
            return COMMANDS[address]
        raise RefusedError(address, "no such command")
    try:
        found = [row for path, row in COMMANDS.items() if matches(address, path)]
    except OscError as error:
        raise RefusedError(address, str(error)) from None
    if len(found) != 1:
        raise RefusedError(address, f"the pattern means {len(found)} commands; name one")
    return found[0]


def _checked(arg: Arg, value: object, row: Address) -> CommandValue:
    if arg.type == "s":
        if not isinstance(value, str):
            raise RefusedError(row.path, f"{arg.name} is text, not a number")
        if len(value) > MAX_TEXT:
            why = f"{arg.name} is text of at most {MAX_TEXT} letters, not {len(value)}"
            raise RefusedError(row.path, why)
        if not value.isprintable():
            raise RefusedError(row.path, f"{arg.name} holds a letter that cannot be shown")
        return value
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise RefusedError(row.path, f"{arg.name} is a number")
    low = -math.inf if arg.low is None else arg.low
    high = math.inf if arg.high is None else arg.high
    if not low <= value <= high:
        raise RefusedError(row.path, f"{arg.name} is {low:g} to {high:g}")
    if arg.type == "i":
        if value != int(value):
            raise RefusedError(row.path, f"{arg.name} is a whole number")
        return int(value)
    return float(value)
