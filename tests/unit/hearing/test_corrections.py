"""Corrections teach at once: scored before and after on simulated drums with foreign knocks.

Truth is the simulator's; the knocks are two decaying sines and noise, mixed in here at places
where nothing else is played, and are no drum of the kit.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import sim
from liveassist.app.config import parse_kit
from liveassist.app.learned import read_learned, write_learned
from liveassist.attribute.corrections import Corrections, distances_db, print_of
from liveassist.attribute.signature import Learned
from liveassist.learning import learn
from liveassist.model import Block, Hit, Kit
from liveassist.pipeline import Pipeline
from liveassist.spectra import BANDS

SECONDS = 20.0
#: A correction is given once, at an early knock; what comes later is scored.
FROM_S = 6.5


@dataclasses.dataclass(frozen=True)
class Scene:
    kit: Kit
    rate: int
    audio: np.ndarray
    snares: np.ndarray
    free: np.ndarray
    learned: Learned


@pytest.fixture(scope="module")
def scene() -> Scene:
    """The start of a simulated session, what its soundcheck taught, and moments of rest in it."""
    check = sim.open_scenario("three_mics", soundcheck=True)
    kit = parse_kit(check.kit_toml, "three_mics")
    heard = check.read(check.total_frames)
    learned = learn(kit, check.sample_rate_hz, heard, list(check.segments))
    song = sim.open_scenario("three_mics")
    rate = song.sample_rate_hz
    audio = song.read(round(SECONDS * rate))
    truth = [row for row in song.truth() if row["time_s"] < SECONDS]
    drums = np.array([r["time_s"] for r in truth if r["drum"] in ("snare", "kick")])
    snares = np.array([r["time_s"] for r in truth if r["drum"] == "snare"])
    slots = np.arange(5.3, SECONDS - 0.5, 0.41)
    free = np.array([at for at in slots if np.abs(drums - at).min() > 0.08])
    assert len(free) >= 12
    return Scene(kit, rate, audio, snares, free, learned)


def knocks(scene: Scene, tones_hz: tuple[float, float], noise: float, decay_s: float) -> np.ndarray:
    """The session with a knock at every free moment, loudest in the snare's microphone."""
    random = np.random.default_rng(5)
    audio = scene.audio.copy()
    t = np.arange(round(0.12 * scene.rate)) / scene.rate
    spread = {"kick": 0.05, "snare_top": 1.0, "over": 0.5}
    for at in scene.free:
        wave = np.sin(2 * np.pi * tones_hz[0] * t) + 0.7 * np.sin(2 * np.pi * tones_hz[1] * t + 1)
        wave = (wave + noise * random.standard_normal(len(t))) * np.exp(-t / decay_s)
        wave *= 0.35 * 10.0 ** (random.normal(0.0, 1.0) / 20.0) / np.abs(wave).max()
        first = round(at * scene.rate)
        for column, mic in enumerate(scene.kit.mics):
            audio[first : first + len(t), column] += (spread[mic.name] * wave).astype(np.float32)
    return audio


@dataclasses.dataclass(frozen=True)
class Score:
    """Of what came after the correction: knocks reported, and share of snare hits found."""

    knocks: float
    recall: float
    corrected: Hit | None
    pipeline: Pipeline


def score(scene: Scene, audio: np.ndarray, say: str | None, learned: Learned) -> Score:
    """Analyse; at the first knock (not) reported say that it was none (that there was one)."""
    pipeline = Pipeline(scene.kit, scene.rate, learned=learned)
    corrected: Hit | None = None
    step = scene.rate // 10
    for first in range(0, len(audio), step):
        events = pipeline.feed(Block(first, audio[first : first + step]))
        if corrected is not None:
            continue
        now_s = (first + step) / scene.rate
        struck = [event.time_s for event in events if isinstance(event, Hit)]
        wrong = any(np.abs(scene.free - at).min() < 0.015 for at in struck)
        if say == "none" and wrong:
            corrected = pipeline.no_hit("snare")
        elif say == "hit" and 0.15 < now_s - scene.free[0] < 0.3:
            corrected = pipeline.missed_hit("snare")
    pipeline.finish()
    times = np.array([h.time_s for h in pipeline.session().hits if h.drum == "snare"])
    later = scene.free[scene.free > FROM_S]
    played = scene.snares[scene.snares > FROM_S]
    return Score(
        float(np.mean([np.abs(times - at).min() < 0.015 for at in later])),
        float(np.mean([np.abs(times - at).min() < 0.010 for at in played])),
        corrected,
        pipeline,
    )


def test_that_was_no_hit(scene: Scene, tmp_path: Path) -> None:
    audio = knocks(scene, (190.0, 420.0), 0.8, 0.04)
    before = score(scene, audio, None, scene.learned)
    assert before.knocks > 0.7, "the knock is to be one that is taken for a snare"
    after = score(scene, audio, "none", scene.learned)
    assert after.corrected is not None
    assert after.corrected.stage == "withdrawn"
    assert np.abs(scene.free - after.corrected.time_s).min() < 0.015
    assert after.corrected.time_s < FROM_S
    numbers = [hit.number for hit in after.pipeline.session().hits]
    assert after.corrected.number not in numbers, "neither now nor when its detail is complete"
    assert after.knocks < 0.1
    assert after.recall > before.recall - 0.06
    # Kept with the kit: another session of it knows from the start.
    write_learned(after.pipeline.learned(), tmp_path / "kit.learned.npz")
    kept = read_learned(tmp_path / "kit.learned.npz", after.pipeline.session().kit)
    again = score(scene, audio, None, kept)
    assert again.knocks < 0.1
    assert again.recall > before.recall - 0.06


def test_there_was_a_hit(scene: Scene) -> None:
    audio = knocks(scene, (900.0, 1900.0), 0.2, 0.015)
    before = score(scene, audio, None, scene.learned)
    assert before.knocks < 0.3, "the knock is to be one that is not taken for a snare"
    after = score(scene, audio, "hit", scene.learned)
    assert after.corrected is not None
    assert after.corrected.time_s == pytest.approx(scene.free[0], abs=0.015)
    assert "told" in after.corrected.flags
    assert after.corrected.peak_dbfs == pytest.approx(20 * np.log10(0.35), abs=4.0)
    assert after.knocks > 0.7
    assert after.recall > before.recall - 0.06


def test_nothing_is_corrected_where_nothing_was_heard(scene: Scene) -> None:
    pipeline = Pipeline(scene.kit, scene.rate, learned=scene.learned)
    pipeline.feed(Block(0, np.zeros((scene.rate, 3), dtype=np.float32)))
    assert pipeline.no_hit() is None
    assert pipeline.missed_hit() is None
    assert pipeline.learned().corrections == []


def test_without_corrections_the_probability_is_the_same_number() -> None:
    random = np.random.default_rng(2)
    corrections = Corrections()
    for probability in (0.0, 0.1234567, 0.5, 1.0):
        heard = random.random((6, 3, BANDS)).astype(np.float32)
        assert corrections.judged("snare", 0, 0, probability, heard) == probability


def test_prints_are_blind_to_level_and_name_it_apart() -> None:
    random = np.random.default_rng(3)
    heard = random.random((6, 3, BANDS)).astype(np.float32) + np.float32(0.1)
    heard[:2] *= 0.01
    loud, level = print_of(heard, 1)
    soft, lower = print_of(heard * np.float32(0.01), 1)
    assert distances_db(loud, soft[None], 1)[0] < 0.01
    assert level - lower == pytest.approx(20.0, abs=1e-3)
