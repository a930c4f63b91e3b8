"""What is said of a session beside its figures: marks, and answers of the self-audit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Audit:
    """How soft a hit on ``drum`` would still be heard (``trials`` tried); None: none tried was."""

    drum: str
    softest_dbfs: float | None
    trials: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Remark:
    """A mark that the engineer put at a moment, and the take it lies in."""

    time_s: float
    text: str
    take: str | None = None
