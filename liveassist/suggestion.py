"""Expander settings, what they would do, and the picture to choose them by."""

from __future__ import annotations

from dataclasses import dataclass

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What an expander with the suggested settings would do, from running one (see advise)."""

    main_passed: float | None
    main_passed_ci: Interval | None
    ghost_cut_db: float | None
    bleed_cut_db: float | None
    bleed_cut_ci: Interval | None
    bleed_openings_per_min: float | None
    openings_ci: Interval | None
    open_share: float | None
    hits: int


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Expander settings for one microphone. ``hysteresis_db``: it closes this far below
    ``threshold_dbfs``. ``range_db`` is positive. Times are time constants (63 %)."""

    threshold_dbfs: float
    hysteresis_db: float
    range_db: float
    ratio: float
    knee_db: float
    attack_ms: float
    hold_ms: float
    release_ms: float
    lookahead_ms: float
    key_highpass_hz: float | None
    key_lowpass_hz: float | None
    predicted: Prediction | None


@dataclass(frozen=True, slots=True)
class ExpanderRate:
    """What the settings would do with the threshold at ``threshold_dbfs``."""

    threshold_dbfs: float
    main_passed: float | None
    openings_per_min: float
    bleed_cut_db: float | None


@dataclass(frozen=True, slots=True)
class ExpanderPicture:
    """Levels that the detector saw, and rates by threshold. ``edges_dbfs`` has one entry more than
    each of the counts of main hits, ghosts and foreign hits."""

    edges_dbfs: tuple[float, ...]
    main: tuple[int, ...]
    ghost: tuple[int, ...]
    bleed: tuple[int, ...]
    rates: tuple[ExpanderRate, ...]
