"""What became of something that a person asked for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a command; ``words`` say why not, or what was done."""

    done: bool
    words: str = ""
