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


# --- what a take was like when it was over ------------------------------------------------------

#: A light for a take: nothing to do, worth a look before the next one, do not go on like this.
LIGHTS = ("fine", "look", "stop")


@dataclass(frozen=True, slots=True)
class TakeVerdict:
    """``light``: one of `LIGHTS`. ``sentence``: what to do, or that there is nothing."""

    take: str
    light: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Uneven:
    """A head mode split in two by uneven tension, median over the take's hits."""

    drum: str
    low_hz: float
    high_hz: float
    difference_hz: float
    difference_cents: float
    hits: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Limbs:
    """Two hands or feet in a take's runs of alternate strokes: stronger less weaker (positive), how
    late the weaker is, how both grew from the first third of the runs to the last, and how much
    softer or harder the strokes of the last third were. None: chance would explain it, or too few
    strokes (24 for what develops). Intervals are at 95 %."""

    drum: str
    level_db: float | None
    level_ci: tuple[float, float] | None
    timing_ms: float | None
    timing_ci: tuple[float, float] | None
    level_change_db: float | None
    timing_change_ms: float | None
    fatigue_db: float | None
    fatigue_ci: tuple[float, float] | None
    strokes: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """Chance (0 to 1) that a microphone clips in a take like the next one, the peak to expect, and
    how far its gain should come down, dB (0: it may stay). ``takes``: seen so far."""

    mic: str
    chance: float
    peak_dbfs: float
    turn_down_db: float
    takes: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Drift:
    """How far a drum's head lies off the reference in a take, cents (flat negative), whether or not
    that is more than chance; ``hits``: usable ones."""

    drum: str
    cents: float
    ci: tuple[float, float]
    hits: int


@dataclass(frozen=True, slots=True)
class Review:
    """All that is said of one take when it is over, beside its figures and changes."""

    verdict: TakeVerdict
    uneven: tuple[Uneven, ...] = ()
    limbs: tuple[Limbs, ...] = ()
    forecast: tuple[Forecast, ...] = ()
    drift: tuple[Drift, ...] = ()
