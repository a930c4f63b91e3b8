"""The written form, the generators, and how a drummer plays them."""

from __future__ import annotations

import numpy as np
import pytest

from sim.drummer import Drummer, play
from sim.errors import ScenarioError
from sim.groove import GENERATORS, Note, generate_groove, parse_groove

KINDS = {
    "hihat": ("hihat", "hihat"),
    "snare": ("snare", ""),
    "kick": ("kick", ""),
    "crash": ("cymbal", "crash"),
}
STILL = Drummer(spread_db=0.0, timing_ms=0.0, ghost_spread_db=0.0, weak_left_db=0, left_late_ms=0)


def strokes(notes: list[Note], drummer: Drummer = STILL, bpm: float = 120.0, swing: float = 0.0):  # type: ignore[no-untyped-def]
    return play(notes, 1.0, bpm, drummer, KINDS, "one", np.random.default_rng(4), swing)


def test_written_steps_become_beats() -> None:
    groove = parse_groove("verse", "snare | ----X--g |\nkick  | x-x----- |")
    assert groove.beats == 2.0
    assert [(n.beat, n.instrument, n.symbol) for n in groove.notes] == [
        (0.0, "kick", "x"),
        (0.5, "kick", "x"),
        (1.0, "snare", "X"),
        (1.75, "snare", "g"),
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("snare ----", "has no '|'"),
        ("snare | --q-", "unknown symbol 'q'"),
        ("snare | ----\nkick | ---", "3 steps, others 4"),
        ("", "no lines"),
    ],
)
def test_mistakes_are_named(text: str, says: str) -> None:
    with pytest.raises(ScenarioError, match=says.replace("|", r"\|")):
        parse_groove("verse", text)


@pytest.mark.parametrize("style", sorted(GENERATORS))
def test_every_generator_writes_a_bar(style: str) -> None:
    groove = generate_groove(style, np.random.default_rng(1))
    assert groove.beats == 4.0
    assert groove.notes


def test_unknown_generator_suggests() -> None:
    with pytest.raises(ScenarioError, match="did you mean rock"):
        generate_groove("rok", np.random.default_rng(1))


def test_double_kick_at_208_is_sixteenths() -> None:
    """Sixteenths at 208 beats a minute: 60 / 208 / 4 s apart."""
    notes = list(generate_groove("double_kick", np.random.default_rng(1)).notes)
    played = [s for s in strokes(notes, bpm=208.0) if s.instrument == "kick"]
    np.testing.assert_allclose(np.diff([s.time_s for s in played]), 60 / 208 / 4)
    assert [s.limb for s in played[:4]] == ["right", "left", "right", "left"]


def test_levels_roles_and_symbols() -> None:
    notes = list(parse_groove("v", "snare | X---g---r---f--- |\ncrash | x--------------- |").notes)
    played = strokes(notes)
    roles = [(s.role, s.articulation) for s in played if s.instrument == "snare"]
    assert roles == [
        ("main", "hit"),
        ("ghost", "hit"),
        ("rim_click", "rim_click"),
        ("flam", "hit"),
        ("main", "hit"),
    ]
    level = {s.role: s.level_db for s in played if s.instrument == "snare"}
    assert level["ghost"] == pytest.approx(level["main"] - STILL.ghost_db)
    assert next(s for s in played if s.instrument == "crash").role == "crash"


def test_push_spread_fatigue_and_weak_left_are_played() -> None:
    notes = [Note(beat, "snare", "x", "v") for beat in np.arange(0, 400, 0.25)]
    drummer = Drummer(
        spread_db=1.5,
        timing_ms=3.0,
        push_ms={"snare": 6.0},
        weak_left_db=2.0,
        left_late_ms=0.0,
        fatigue_db_per_min=1.0,
    )
    played = strokes(notes, drummer)
    time = np.array([s.time_s for s in played])
    level = np.array([s.level_db for s in played])
    left = np.array([s.limb == "left" for s in played])
    late = time - (1.0 + np.array([n.beat for n in notes]) * 0.5)
    trend = np.polyfit(time, level + 2.0 * left, 1)[0]
    assert np.mean(late) * 1e3 == pytest.approx(6.0, abs=0.4)
    assert np.std(late) * 1e3 == pytest.approx(3.0, rel=0.1)
    assert trend * 60 == pytest.approx(-1.0, abs=0.2)
    assert np.mean(level[~left]) - np.mean(level[left]) == pytest.approx(2.0, abs=0.25)
    assert np.std(level - np.polyval(np.polyfit(time, level, 1), time)) > 1.4


def test_missed_and_bounced_strokes() -> None:
    notes = [Note(float(b), "kick", "x", "v") for b in range(1000)]
    none = strokes(notes)
    fewer = strokes(notes, Drummer(miss=0.1))
    more = strokes(notes, Drummer(double=0.1))
    assert len(none) == 1000
    assert 870 < len(fewer) < 930
    assert 1070 < len(more) < 1130
    assert sum(s.role == "double" for s in more) == len(more) - 1000


def test_swing_delays_the_off_beats() -> None:
    played = strokes([Note(0.0, "hihat", "x", "v"), Note(0.5, "hihat", "x", "v")], swing=0.33)
    assert played[1].time_s - played[0].time_s == pytest.approx(0.5 * (0.5 + 0.165))
