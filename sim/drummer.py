"""From written notes to played strokes: level, timing, limbs, tiredness, slips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .groove import Note

#: Strokes on one drum closer than this are a run and alternate between limbs, s.
RUN_GAP_S = 0.19


@dataclass(frozen=True, slots=True)
class Drummer:
    """How someone plays. Levels in dB where 0 is the instrument's full stroke.

    ``level_db`` and ``push_ms`` (late positive) by instrument kind or name; ``spread_db`` SD of
    main strokes, ``spread_of_db`` where an instrument has its own; ``ghost_db`` below main;
    ``weak_left_db`` how much softer the left limb of a run
    is; ``left_late_ms`` how late it comes; ``fatigue_db_per_min`` loss over each take;
    ``miss`` and ``double``: chance per stroke of leaving it out or of a bounced second stroke.
    """

    level_db: Mapping[str, float] = field(default_factory=dict)
    push_ms: Mapping[str, float] = field(default_factory=dict)
    spread_of_db: Mapping[str, float] = field(default_factory=dict)
    spread_db: float = 1.2
    timing_ms: float = 4.0
    accent_db: float = 1.5
    ghost_db: float = 17.0
    ghost_spread_db: float = 3.0
    weak_left_db: float = 1.0
    left_late_ms: float = 1.0
    fatigue_db_per_min: float = 0.0
    miss: float = 0.0
    double: float = 0.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """One played stroke. ``time_s``: when stick or beater meets it; ``limb``: right or left."""

    time_s: float
    instrument: str
    articulation: str
    role: str
    level_db: float
    limb: str = "right"
    take: str = ""


#: Main level by kind where the scenario names none, dB below a full stroke.
_LEVELS = {"kick": -4.0, "snare": -4.5, "tom": -4.0, "hihat": -7.0, "cymbal": -5.0}
_ARTICULATION = {"r": "rim_click", "o": "open", "h": "half_open", "p": "pedal"}


def _role(kind: str, note: Note, cymbal_kind: str) -> str:
    if note.symbol == "c":
        return "count_in"
    if note.symbol == "g":
        return "ghost"
    if note.symbol == "r":
        return "rim_click"
    if kind == "hihat":
        return "hat"
    if kind == "cymbal":
        return "crash" if cymbal_kind in ("crash", "china") else "cym"
    if kind == "tom" or note.part.startswith(("fill", "roll")):
        return "fill" if kind != "kick" else "main"
    return "main"


def _by_name(table: Mapping[str, float], name: str, kind: str, otherwise: float) -> float:
    return table.get(name, table.get(kind, otherwise))


def play(
    notes: Sequence[Note],
    start_s: float,
    bpm: float,
    drummer: Drummer,
    kinds: Mapping[str, tuple[str, str]],
    take: str,
    rng: np.random.Generator,
    swing: float = 0.0,
) -> list[Stroke]:
    """Strokes of one take. ``kinds``: (kind, cymbal kind) by instrument; ``swing``: share of a
    half beat by which off-beat eighths and sixteenths come late, 0 to 0.33."""
    strokes: list[Stroke] = []
    last: dict[str, tuple[float, str]] = {}
    for note in notes:
        kind, cymbal_kind = kinds[note.instrument]
        beat = note.beat + _swung(note.beat, swing)
        written = start_s + beat * 60.0 / bpm
        # Every draw is made for every note, so that one changed figure leaves the rest alone.
        level_draw, time_draw, slip_draw = (
            float(rng.standard_normal()),
            float(rng.standard_normal()),
            float(rng.uniform()),
        )
        before = last.get(note.instrument, (-9.0, "left"))
        run = kind in ("snare", "kick", "tom") and written - before[0] < RUN_GAP_S
        limb = ("left" if before[1] == "right" else "right") if run else "right"
        last[note.instrument] = (written, limb)
        level = _by_name(drummer.level_db, note.instrument, kind, _LEVELS[kind])
        spread = _by_name(drummer.spread_of_db, note.instrument, kind, drummer.spread_db)
        level += _written_level(note, drummer, spread, level_draw)
        level -= drummer.weak_left_db if limb == "left" else 0.0
        level -= drummer.fatigue_db_per_min * (written - start_s) / 60.0
        push = _by_name(drummer.push_ms, note.instrument, kind, 0.0)
        push += drummer.left_late_ms if limb == "left" else 0.0
        time = written + (push + drummer.timing_ms * float(np.clip(time_draw, -2.5, 2.5))) * 1e-3
        stroke = Stroke(
            time_s=time,
            instrument=note.instrument,
            articulation=_ARTICULATION.get(note.symbol, "hit"),
            role=_role(kind, note, cymbal_kind),
            level_db=level,
            limb=limb,
            take=take,
        )
        if slip_draw < drummer.miss:
            continue
        strokes += _with_graces(stroke, note, slip_draw > 1.0 - drummer.double)
    return strokes


def _swung(beat: float, swing: float) -> float:
    place = beat % 0.5
    return (
        swing * 0.5
        if place > 0.01 and place < 0.49
        else (swing * 0.5 if abs(beat % 1.0 - 0.5) < 0.01 else 0.0)
    )


def _written_level(note: Note, drummer: Drummer, spread_db: float, draw: float) -> float:
    if note.symbol == "g":
        return -drummer.ghost_db + drummer.ghost_spread_db * float(np.clip(draw, -2.2, 2.2))
    base = {"X": drummer.accent_db, "m": -6.0, "r": -3.0}.get(note.symbol, 0.0)
    # Slips are written, missed or scheduled: scatter has no long tails.
    return base + spread_db * float(np.clip(draw, -2.0, 2.0))


def _with_graces(stroke: Stroke, note: Note, bounced: bool) -> list[Stroke]:
    """Flams, written doubles and bounces add strokes."""
    if note.symbol == "f":
        grace = replace(
            stroke, time_s=stroke.time_s - 0.028, level_db=stroke.level_db - 9.0, role="flam"
        )
        return [grace, replace(stroke, role="main")]
    if note.symbol == "d" or bounced:
        second = replace(
            stroke,
            time_s=stroke.time_s + 0.062,
            level_db=stroke.level_db - 5.0,
            role="double",
            limb="left" if stroke.limb == "right" else "right",
        )
        return [stroke, second]
    return [stroke]
