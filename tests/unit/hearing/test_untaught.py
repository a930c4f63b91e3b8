"""Drums that have no signature yet, judged by what one moment brings."""

from __future__ import annotations

import numpy as np

from liveassist.attribute.explain import PRE, SLABS
from liveassist.attribute.judge import confidence
from liveassist.attribute.rules import Rules
from liveassist.attribute.student import NOISE_SOON, Student
from liveassist.attribute.untaught import Untaught, next_in
from liveassist.history import History
from liveassist.model import Candidate
from liveassist.spectra import BANDS, Grid

RATE = 44_100
KICK, SNARE = 0, 1


def heard(snare_db: list[float], kick_db: float = -90.0, low_db: float = -90.0) -> np.ndarray:
    """Band powers (slabs, 2 mics, BANDS): a snare of so many dB a slab after the onset in its
    microphone, body above wires by 6 dB; the kick's hears ``kick_db`` above 270 Hz and ``low_db``
    under it."""
    power = np.full((len(SLABS), 2, BANDS), 1e-9, dtype=np.float32)
    for slab, level in enumerate(snare_db, start=PRE):
        power[slab, SNARE, 2:] = 10.0 ** ((level - 6.0) / 10.0)
        power[slab, SNARE, 2:5] = 10.0 ** (level / 10.0)
        power[slab, KICK, 3:] = 10.0 ** (kick_db / 10.0)
        power[slab, KICK, :3] = 10.0 ** (low_db / 10.0)
    return power


def judged(power: np.ndarray, waiting: list[Candidate], strength_db: float = 20.0) -> float:
    grid = Grid(RATE)
    untaught = Untaught(grid, {"kick": KICK, "snare": SNARE}, {"kick": "kick", "snare": "snare"})
    noise = np.full((2, BANDS), 1e-12, dtype=np.float32)
    relative = untaught.listen(power, noise, 1000)
    stroke = Candidate(SNARE, 1000, strength_db)
    told = untaught.judge(power, power, noise, 1000, {"snare": stroke}, relative, (), waiting)
    return told[0][0].probability


def test_a_ripple_before_a_stroke_is_not_that_stroke() -> None:
    """The last slab reaches into a stroke 25 ms on: it counts only if nothing stronger begins."""
    power = heard([-80.0, -80.0, -80.0, -10.0])
    stroke = Candidate(SNARE, 1000 + round(0.025 * RATE), 100.0)
    assert judged(power, []) >= 0.5
    assert judged(power, [stroke]) < 0.5


def test_a_weaker_ripple_after_a_stroke_takes_nothing_from_it() -> None:
    power = heard([-20.0, -10.0, -10.0, -10.0])
    ripple = Candidate(SNARE, 1000 + round(0.012 * RATE), 10.0)
    assert judged(power, [ripple]) >= 0.5


def test_bleed_in_a_kick_that_nobody_has_played_is_no_kick() -> None:
    """Far softer there than in the snare's own microphone: a snare. As loud there, or with a kick's
    low end there: two drums or none of the kit, so not surely a snare."""
    assert judged(heard([-10.0] * 4, kick_db=-35.0), []) >= 0.9
    assert judged(heard([-10.0] * 4, kick_db=-12.0), []) <= 0.5
    assert judged(heard([-10.0] * 4, kick_db=-35.0, low_db=-12.0), []) <= 0.5


def test_the_next_stronger_stroke_in_the_same_microphone() -> None:
    stroke = Candidate(SNARE, 1000, 50.0)
    others = [
        Candidate(KICK, 1100, 90.0),
        Candidate(SNARE, 1200, 20.0),
        Candidate(SNARE, 1500, 60.0),
        Candidate(SNARE, 1300, 50.0),
    ]
    assert next_in(stroke, others) == 1300
    assert next_in(stroke, others[:2]) > 10**8


def test_the_noise_floor_of_a_hum_is_its_mean_power() -> None:
    """A sine of amplitude A has power A*A in its band (a full-scale sine has power 1), within the
    3 dB by which windows shorter than its period swing; heard after the first chunks."""
    grid = Grid(RATE)
    student = Student(grid, {"snare": 0}, 1)
    history = History(1, RATE)
    chunk = 16 * grid.hop
    wave = 0.01 * np.sin(2.0 * np.pi * 60.0 * np.arange(4 * NOISE_SOON * chunk) / RATE)
    for at in range(0, len(wave), chunk):
        history.push(wave[at : at + chunk, None].astype(np.float32))
        student.hear(history)
        if at >= 3 * chunk:
            assert abs(10.0 * np.log10(student.noise[0].sum() / 1e-4)) < 4.0


def test_a_tom_is_struck_only_near_its_microphones_loudest() -> None:
    """The ring that others wake in it rises too, but far under the bleed of their strokes."""
    rules = Rules({"tom": 0, "snare": 1}, {"tom": "tom", "snare": "snare"}, 48_000)
    noise = np.full((2, BANDS), 1e-12, np.float32)
    opinions = []
    for number, level in enumerate((0.0, -15.0, -5.0)):
        power = np.full((len(SLABS), 2, BANDS), 1e-10, np.float32)
        power[PRE:, 0] = 1e-2 * 10.0 ** (level / 10.0)
        sample = 48_000 * (1 + number)
        relative = rules.listen(power, noise, sample)
        opinions.append(rules.judge("tom", power, noise, relative, sample).probability)
    assert [opinion >= 0.5 for opinion in opinions] == [True, False, True]


def test_half_of_the_doubt_is_stated() -> None:
    assert confidence(1.0) == 1.0
    assert confidence(0.5) == 0.75
