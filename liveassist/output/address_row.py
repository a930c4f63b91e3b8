"""What a row of the table of OSC addresses is (see `output.addresses`)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .quantities import Value

#: Root of every address; the number is the version of the namespace.
ROOT = "/liveassist/1"

#: ``event``: when it happens; ``change``: when the value changes; ``stream``: at most at the
#: target's rate; ``command``: sent to liveassist; ``answer``: sent to whoever gave a command.
When = Literal["event", "change", "stream", "command", "answer"]


@dataclass(frozen=True, slots=True)
class Arg:
    """One argument: type tag (``i`` 32-bit whole number, ``f`` 32-bit float, ``s`` text), unit,
    range (None: open), whether a command may leave it out, and the words it may be."""

    name: str
    type: Literal["i", "f", "s"]
    unit: str = ""
    low: float | None = None
    high: float | None = None
    optional: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Address:
    """One row: ``path`` with ``{drum}`` and ``{mic}`` to fill in, arguments, when, what for."""

    path: str
    args: tuple[Arg, ...]
    when: When
    about: str
    example: tuple[Value, ...]

    @property
    def types(self) -> str:
        """Type tags of all arguments."""
        return "".join(arg.type for arg in self.args)
