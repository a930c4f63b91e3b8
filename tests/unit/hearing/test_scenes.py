"""The hard cases as scenes (`hardcases`, `hardstrokes`), after a soundcheck, and what is special
to some of them. Truth is by construction; F within 10 ms, one to one.

That a scene is hard is tested too: the best plain threshold for that very scene, chosen with the
truth in hand, does no better on it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import sim
from liveassist.app.config import parse_kit
from liveassist.hearing import Hearing
from liveassist.learning import learn
from liveassist.model import Block, Hit
from liveassist.pipeline import Pipeline
from liveassist.rechunk import Rechunk
from tests.unit.hearing import hardstrokes
from tests.unit.hearing.hardcases import CASES, EIGHT, JUDGED, SMALL, Scene, groove
from tests.unit.hearing.remix import Bank, Stroke, alone_dbfs, bank, compose, hear, matched


@cache
def heard(name: str) -> tuple[Scene, list[Hit]]:
    scene = CASES[name]()
    return scene, hear(scene.source, scene.audio)


def f_of(hits: list[Hit], strokes: tuple[Stroke, ...], drum: str) -> float:
    found, true, reported = matched(hits, strokes, drum)
    return 2.0 * found / (true + reported)


@pytest.mark.parametrize("name", list(CASES))
def test_hard_case(name: str) -> None:
    scene, hits = heard(name)
    for drum, least in zip(JUDGED, scene.least, strict=True):
        if least is None:
            assert not [hit for hit in hits if hit.drum == drum]
        else:
            assert f_of(hits, scene.strokes, drum) >= least, matched(hits, scene.strokes, drum)


#: F of kick and of snare with nothing learned before, under which something broke; None where it
#: is not asked: where the first rules are tried hardest, a little under what was measured.
BLIND: dict[str, tuple[float | None, float | None]] = {
    "roll": (None, 0.9),
    "drags": (None, 0.78),
    "buzz_roll": (None, 0.35),
    "talking": (0.97, 0.97),
    "hum": (0.95, 0.83),
    "loudspeakers": (0.95, 0.8),
    "washes_and_chokes": (0.97, 0.93),
    "headphone_click": (0.97, 0.8),
    "count_in": (0.97, 0.97),
    "dropped_stick": (0.97, 0.97),
}


@pytest.mark.parametrize("name", list(BLIND))
def test_hard_case_without_a_soundcheck(name: str) -> None:
    scene = CASES[name]()
    hits = hear(scene.source, scene.audio, learned=False)
    for drum, least in zip(JUDGED, BLIND[name], strict=True):
        if least is not None:
            assert f_of(hits, scene.strokes, drum) >= least, matched(hits, scene.strokes, drum)


@pytest.mark.parametrize(
    ("name", "drum"),
    [
        ("stick_clicks", "snare"),
        ("count_in", "snare"),
        ("dropped_stick", "snare"),
        ("door", "kick"),
        ("talking", "snare"),
        ("guitars_on_the_wires", "snare"),
        ("loudspeakers", "snare"),
        ("headphone_click", "snare"),
        ("washes_and_chokes", "snare"),
    ],
)
def test_a_threshold_on_the_same_scene_does_worse(name: str, drum: str) -> None:
    """The best of 12 thresholds and three holds, its median delay taken off as for `hits_table`."""
    scene, hits = heard(name)
    column = scene.source.kit.mic_index(scene.source.kit.drum(drum).own or "")
    loud = np.abs(scene.audio[:, column])
    true = [stroke.time_s for stroke in scene.strokes if stroke.drum == drum]
    best = 0.0
    for dbfs in range(-42, -6, 3):
        above = np.flatnonzero(loud >= 10.0 ** (dbfs / 20.0)) / scene.source.rate
        for hold_s in (0.01, 0.03, 0.06):
            times = above[np.diff(above, prepend=-1.0) > hold_s]
            near = [t for t in true if len(times) and np.abs(times - t).min() <= 0.010]
            best = max(best, 2.0 * len(near) / (len(true) + len(times)))
    assert best < f_of(hits, scene.strokes, drum)


# --- gains that were turned ---------------------------------------------------------------------


def test_a_turned_gain_is_followed_and_known() -> None:
    scene = CASES["snare_20_db_down_since_the_soundcheck"]()
    hearing = Hearing(scene.source.kit, scene.source.rate, scene.source.learned)
    rechunk = Rechunk(hearing.chunk, scene.audio.shape[1], 10**9)
    for chunk in rechunk.feed(Block(0, scene.audio)):
        hearing.feed(chunk)
    assert hearing.gains is not None
    gains = dict(zip(hearing.learned().mics, hearing.gains.gains_db, strict=True))
    assert gains.pop("snare_top") == pytest.approx(-20.0, abs=2.0)
    assert set(gains.values()) == {0.0}


def test_playing_softer_or_without_a_drum_turns_no_gain() -> None:
    """All microphones 12 dB down, or a minute in which the kick rests: no gain was turned."""
    source = bank(EIGHT)
    for strokes, share in (
        (groove(6), 0.25),
        ([s for s in groove(6) if s.drum != "kick"], 1.0),
    ):
        audio = np.float32(share) * compose(source, strokes, strokes[-1].time_s + 1.0)
        hearing = Hearing(source.kit, source.rate, source.learned)
        rechunk = Rechunk(hearing.chunk, audio.shape[1], 10**9)
        for chunk in rechunk.feed(Block(0, audio)):
            hearing.feed(chunk)
        assert hearing.gains is not None
        assert set(hearing.gains.gains_db) == {0.0}


# --- flams --------------------------------------------------------------------------------------


def complete(scene: Scene) -> list[Hit]:
    """The hits as files carry them."""
    pipeline = Pipeline(scene.source.kit, scene.source.rate, learned=scene.source.learned)
    pipeline.feed(Block(0, scene.audio))
    pipeline.finish()
    return list(pipeline.session().hits)


@pytest.mark.parametrize(("name", "graces"), [("flams", 1), ("drags", 2)])
def test_grace_notes_are_hits_with_a_flag(name: str, graces: int) -> None:
    """Two strokes 20 to 30 ms apart are two hits, the softer first one flagged."""
    scene = CASES[name]()
    hits = [hit for hit in complete(scene) if hit.drum == "snare"]
    mains = [s.time_s for s in scene.strokes if s.gain_db == 0.0]
    flagged = [hit for hit in hits if "flam" in hit.flags]
    assert len(flagged) >= 0.85 * graces * len(mains)
    assert all(hit.role == "flam" for hit in flagged)
    for hit in hits:
        at_main = min(abs(hit.time_s - time_s) for time_s in mains) < 0.010
        assert at_main == ("flam" not in hit.flags)


def test_nothing_is_a_flam_in_a_groove_or_a_roll() -> None:
    for name in ("roll", "sixteenths_at_214"):
        assert not [hit for hit in complete(CASES[name]()) if "flam" in hit.flags]


# --- inputs -------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [44_100, 96_000, 176_400, 192_000])
def test_sample_rates(rate: int) -> None:
    """The soundcheck at the rate of the song, as it is in a session."""
    scene = CASES["kick_as_loud_as_the_snare"]()
    source, audio = hardstrokes.at_rate(scene, rate)
    hits = hear(source, audio)
    for drum in JUDGED:
        assert f_of(hits, scene.strokes, drum) >= 0.97


def test_a_contact_trigger_as_second_input() -> None:
    """The same hits as without, at the same levels: a trigger is no microphone to be judged by."""
    source = bank(SMALL)
    strokes = groove(3)
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    plain = hear(source, audio)
    with_one, mixed = hardstrokes.with_trigger(source, strokes, audio)
    hits = hear(with_one, mixed)
    for drum in JUDGED:
        own = [h.peak_dbfs or -200.0 for h in plain if h.drum == drum]
        other = [h.peak_dbfs or -200.0 for h in hits if h.drum == drum]
        assert matched(hits, strokes, drum)[0] >= matched(plain, strokes, drum)[0]
        assert len(other) == len(own)
        assert np.median(np.subtract(other, own)) == pytest.approx(0.0, abs=0.3)


def test_two_kicks_in_turn_are_told_apart() -> None:
    """Sixteenths at 150 bpm between two kicks, each in a microphone of its own, with a backbeat."""
    source = hardstrokes.two_kicks()
    step = 0.1
    strokes = [Stroke(1.0 + step * n, ("kick", "kick_left")[n % 2]) for n in range(40)]
    strokes += [Stroke(1.0 + step * n, "snare") for n in range(4, 40, 8)]
    hits = hear(source, compose(source, strokes, 6.0))
    for drum in ("kick", "kick_left", "snare"):
        assert f_of(hits, tuple(strokes), drum) >= 0.93
    for drum in ("kick", "kick_left"):
        own = source.kit.drum(drum).own or ""
        levels = [h.peak_dbfs for h in hits if h.drum == drum and h.peak_dbfs is not None]
        alone = alone_dbfs(source, Stroke(0.0, drum), own)
        assert np.median(levels) == pytest.approx(alone, abs=1.0)


def test_full_strokes_after_rim_clicks_without_a_soundcheck() -> None:
    """The first twenty seconds are cross-stick, then the head is struck; nothing learned before:
    hats are no hits of a snare that is only known by its clicks, full strokes are."""
    song = sim.open_scenario("cross_stick")
    kit, rate = parse_kit(song.kit_toml, "cross_stick"), song.sample_rate_hz
    audio = song.read(26 * rate)
    hearing = Hearing(kit, rate)
    rechunk = Rechunk(hearing.chunk, audio.shape[1], 10**9)
    hits = [h for chunk in rechunk.feed(Block(0, audio)) for h in hearing.feed(chunk)]
    rows = [row for row in song.truth(26.0) if row["time_s"] < 25.5]
    strokes = tuple(Stroke(row["time_s"], row["drum"]) for row in rows if row["role"] != "flam")
    assert sum(s.drum == "snare" and s.time_s > 18.0 for s in strokes) >= 8
    assert f_of([h for h in hits if h.time_s < 25.5], strokes, "snare") >= 0.82


def test_rim_clicks_are_hits_of_the_snare() -> None:
    """A song of cross-stick, the soundcheck played on the head; simulated."""
    check = sim.open_scenario("cross_stick", soundcheck=True)
    kit, rate = parse_kit(check.kit_toml, "cross_stick"), check.sample_rate_hz
    learned = learn(kit, rate, check.read(check.total_frames), list(check.segments))
    song = sim.open_scenario("cross_stick")
    audio = song.read(14 * rate)
    strokes = tuple(
        Stroke(row["time_s"], row["drum"]) for row in song.truth(14.0) if row["time_s"] < 13.9
    )
    hits = hear(Bank(kit, rate, {}, audio[:0], learned), audio)
    assert sum(stroke.drum == "snare" for stroke in strokes) >= 8
    assert f_of(hits, strokes, "snare") >= 0.85
    assert f_of(hits, strokes, "kick") >= 0.97
