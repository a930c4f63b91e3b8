"""Split modes, take figures, lug walk and limbs, on closed-form cases."""

from __future__ import annotations

import math

import numpy as np
import pytest

from liveassist.advise.tuning import take_note_hz, take_ring_s, uneven_head
from liveassist.advise.tuning_limbs import fatigue, find_runs, limb_figures
from liveassist.advise.tuning_lugs import lug_walk
from liveassist.measure.partials import tap_partials
from liveassist.model import FloatArray, HitMeasures, Partial


def partials(*rows: tuple[float, float]) -> tuple[Partial, ...]:
    return tuple(Partial(hz, level, 0.4) for hz, level in rows)


def test_uneven_head_of_the_worked_example() -> None:
    """Uneven by 4 %: (1,1) at 305.74 and 299.68 Hz (Rayleigh-Ritz); df/f = e/2."""
    hits = [partials((190.0, -10), (299.68, -14 - i % 3), (305.74, -12)) for i in range(8)]
    found = uneven_head(hits)
    assert found is not None
    assert found.difference_hz == pytest.approx(6.06, abs=0.01)
    assert found.difference_cents == pytest.approx(34.7, abs=0.2)
    assert found.tension_ratio == pytest.approx(1.04 / 0.96, rel=0.002)
    assert "6.1 Hz" in found.sentence


def test_even_heads_and_rare_pairs_are_not_split() -> None:
    even = [partials((190.0, -10), (302.7, -12), (405.8, -20)) for _ in range(8)]
    assert uneven_head(even) is None
    rare = [*even, partials((190.0, -10), (299.68, -14), (305.74, -12))]
    assert uneven_head(rare) is None
    assert uneven_head(even[:2]) is None


def test_take_figures() -> None:
    rng = np.random.default_rng(0)
    hits = [
        HitMeasures(note_hz=190.0 + rng.normal(0, 1), ring_s=0.5 * math.exp(rng.normal(0, 0.1)))
        for _ in range(30)
    ] + [HitMeasures(note_hz=303.0), HitMeasures(reason="too short")]
    note, ring = take_note_hz(hits), take_ring_s(hits)
    assert note is not None
    assert ring is not None
    assert note.ci[0] <= 190.0 <= note.ci[1]
    assert note.hits == 30
    assert ring.value == pytest.approx(0.5, rel=0.06)
    assert take_note_hz(hits[:3]) is None
    assert take_ring_s([]) is None


# --- lug walk ------------------------------------------------------------------------------


def tap(lug: int, lugs: int, uneven: float, axis: int, seed: int) -> tuple[Partial, ...]:
    """A tap beside a lug: the tight half sounds with cos, the slack half with sin of the angle."""
    rate = 48000
    rng = np.random.default_rng(seed)
    angle = 2 * math.pi * (lug - axis) / lugs
    t = np.arange(round(0.9 * rate)) / rate
    tight, slack = 302.7 * math.sqrt(1 + uneven / 2), 302.7 * math.sqrt(1 - uneven / 2)
    sound: FloatArray = 0.05 * np.exp(-t / 0.1) * np.cos(2 * np.pi * 190 * t)
    for hz, share in ((tight, math.cos(angle)), (slack, math.sin(angle))):
        sound = sound + 0.3 * share * np.exp(-t / 0.15) * np.cos(2 * np.pi * hz * t)
    sound += 1e-4 * rng.standard_normal(len(t))
    return tap_partials(np.concatenate([np.zeros(480), sound]), rate, "snare", 480, math.inf)


def test_lug_walk_finds_the_tight_pair() -> None:
    """Eight lugs, tension uneven by 6 % along lugs 3 and 7: those sharp, 1 and 5 flat."""
    taps = [
        (lug, tap(lug, 8, 0.06, 3, lug + 10 * again)) for lug in range(1, 9) for again in (0, 1)
    ]
    walk = lug_walk(8, taps)
    offs = {lug.number: lug.off_cents for lug in walk.lugs}
    assert all(value is not None for value in offs.values())
    ranked = sorted(offs, key=lambda number: offs[number] or 0.0)
    assert set(ranked[-2:]) == {3, 7}
    assert set(ranked[:2]) == {1, 5}
    # df/f = e/2: 52 cents between the halves, 26 to each side of the middle
    assert offs[3] == pytest.approx(26.0, abs=4.0)
    assert walk.pitch_hz == pytest.approx(302.7, rel=0.005)
    pair = next(p for p in walk.pairs if p[0] == 3)
    assert pair[1] == 7
    assert pair[2] == pytest.approx(26.0, abs=4.0)
    assert pair[3] == pytest.approx(0.0, abs=4.0)
    # one mode with one diameter: which of the axes is off cannot be told, so both are named
    assert walk.sentence.startswith(
        "The head is flat at lugs 1 and 5 and sharp at lugs 3 and 7, 52 cents apart: tighten"
    )


def test_lug_walk_names_one_lug_where_one_pitch_differs() -> None:
    """The plain case of a tuner's ear: one lug reads 18 cents under the others, taken as given."""
    rows = [
        (lug, partials((300.0 * 2 ** ((-18.0 if lug == 4 else 0.0) / 1200.0), -10.0)))
        for lug in range(1, 7)
        for _ in range(2)
    ]
    walk = lug_walk(6, rows)
    assert walk.lugs[3].off_cents == pytest.approx(-18.0, abs=0.5)
    assert [lug.number for lug in walk.lugs if lug.off] == [4]
    assert walk.sentence.startswith("Lug 4 is 18 cents flat of the others: tighten it")


def test_another_microphone_speaks_where_the_own_one_hangs_over_the_still_line() -> None:
    """The own microphone hears one half only, which tells nothing; the other hears both."""
    own, other = [], []
    for lug in range(1, 9):
        angle = math.pi * (lug - 3) / 4.0
        tight = 20.0 * math.log10(abs(math.cos(angle)) + 0.03)
        slack = 20.0 * math.log10(abs(math.sin(angle)) + 0.03)
        for _ in range(2):
            own.append((lug, partials((298.0, -20.0), (180.0, -10.0))))
            other.append((lug, partials((298.0, slack - 30.0), (304.0, tight - 30.0))))
    assert not any(lug.off for lug in lug_walk(8, own).lugs)
    heard = lug_walk(8, own, [other])
    assert {lug.number for lug in heard.lugs if (lug.off_cents or 0.0) > 10.0 and lug.off} == {3, 7}


def test_an_even_drum_is_left_alone() -> None:
    walk = lug_walk(6, [(lug, tap(lug, 6, 0.0, 1, lug)) for lug in range(1, 7)])
    assert not any(lug.off for lug in walk.lugs)
    assert "leave them" in walk.sentence


def test_a_walk_half_done_says_what_is_next() -> None:
    walk = lug_walk(10, [(lug, partials((300.0, -10))) for lug in (1, 2, 3)])
    assert "lug 4 next" in walk.sentence
    assert walk.lugs[9].reason == "not tapped yet"
    assert lug_walk(5, []).pitch_hz is None
    assert lug_walk(5, []).pairs == ()
    with pytest.raises(ValueError, match="1 to 6"):
        lug_walk(6, [(7, ())])
    with pytest.raises(ValueError, match="3 to 24"):
        lug_walk(2, [])


# --- limbs ---------------------------------------------------------------------------------


def runs(
    seed: int, level_db: float, late_ms: float, count: int = 6, length: int = 16
) -> tuple[FloatArray, FloatArray]:
    """Runs of alternate strokes; which limb leads is drawn for each run."""
    rng = np.random.default_rng(seed)
    times: list[float] = []
    levels: list[float] = []
    for run in range(count):
        lead = int(rng.integers(2))
        for stroke in range(length):
            weak = (stroke + lead) % 2 == 1
            times.append(4.0 * run + 0.11 * stroke + rng.normal(0, 0.002) + weak * late_ms / 1000)
            levels.append(-8.0 - weak * level_db + rng.normal(0, 0.8))
    return np.array(times), np.array(levels)


def test_limbs_told_apart_whoever_leads() -> None:
    for seed in range(8):
        found = limb_figures(*runs(seed, level_db=2.5, late_ms=6.0))
        assert found is not None
        assert found.level_db == pytest.approx(2.5, abs=0.6)
        assert found.timing_ms == pytest.approx(6.0, abs=2.0)
        assert found.runs == 6


def test_even_limbs_are_not_accused() -> None:
    accused = 0
    for seed in range(100):
        found = limb_figures(*runs(seed, level_db=0.0, late_ms=0.0))
        assert found is not None
        accused += found.level_db is not None
    assert accused <= 3


def test_interval_holds_the_truth() -> None:
    inside = 0
    for seed in range(60):
        found = limb_figures(*runs(seed, level_db=2.0, late_ms=4.0))
        if found is not None and found.level_ci is not None:
            inside += found.level_ci[0] <= 2.0 <= found.level_ci[1]
    assert inside >= 54


def test_a_crescendo_is_no_imbalance() -> None:
    times = np.asarray(0.11 * np.arange(32), dtype=np.float64)
    found = limb_figures(times, -20.0 + 0.4 * np.arange(32, dtype=np.float64))
    assert found is not None
    assert found.level_db is None


def test_runs_end_at_gaps_and_uneven_strokes() -> None:
    steady = 0.1 * np.arange(8, dtype=np.float64)
    assert find_runs(np.concatenate([steady, steady + 3.0])) == ((0, 8), (8, 16))
    assert find_runs(np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0])) == ()
    assert limb_figures(steady[:6], np.zeros(6)) is None


def test_imbalance_that_grows() -> None:
    first, second = runs(1, 0.5, 0.0, count=4), runs(2, 4.0, 0.0, count=4)
    found = limb_figures(
        np.concatenate([first[0], second[0] + 40.0]), np.concatenate([first[1], second[1]])
    )
    assert found is not None
    assert found.level_change_db is not None
    assert found.level_change_db > 2.0


def test_fatigue() -> None:
    rng = np.random.default_rng(0)
    tired = fatigue(rng.normal(0, 0.8, 60) - np.linspace(0, 5, 60))
    fresh = fatigue(rng.normal(0, 0.8, 60))
    assert tired is not None
    assert fresh is not None
    assert tired.tired
    assert not fresh.tired
    assert fatigue(np.zeros(23)) is None  # no trend is claimed from fewer than 24 strokes
