"""What is said of a session beside its figures: marks, the self-audit, lists of takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


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


@dataclass(frozen=True, slots=True)
class TakeLine:
    """A take in a list on screen. ``end_s`` None while it runs; figures by drum, None where there
    are too few hits. ``starred`` and ``note`` are the engineer's; ``song`` and ``punch_in`` (into
    which take) too, None where nothing was said."""

    name: str
    start_s: float
    end_s: float | None
    provisional: bool
    reference: bool = False
    spread_db: Mapping[str, float | None] = field(default_factory=dict)
    spread_ci: Mapping[str, tuple[float, float] | None] = field(default_factory=dict)
    weak_hits: int = 0
    changes: tuple[str, ...] = ()
    starred: bool = False
    note: str = ""
    song: str | None = None
    punch_in: str | None = None
