"""The self-audit: what it says is borne out by soft hits played for real; and it disturbs nothing.

Truth of the first test is the simulator's: the same session in which ghost notes are really soft.
"""

from __future__ import annotations

import numpy as np
import pytest

import sim
from liveassist import audit
from liveassist.app.config import parse_kit
from liveassist.audit import Trial
from liveassist.learning import learn
from liveassist.model import Block
from liveassist.pipeline import Pipeline


def test_the_level_that_parts_heard_from_missed() -> None:
    """By hand: eight trials, one exception; the fewest exceptions lie at -28."""
    heard = {-10.0: True, -19.0: True, -22.0: False, -25.0: True, -28.0: True, -31.0: False}
    trials = [Trial("snare", level, yes) for level, yes in heard.items()]
    found = audit.figures(trials)["snare"]
    assert found.softest_dbfs == -28.0
    assert found.sentence == "snare: hits under -28 dBFS would be missed in this bleed."
    assert found.trials == 6
    none = audit.figures([Trial("kick", -10.0, False)])["kick"]
    assert none.softest_dbfs is None
    assert "even hits at -10 dBFS" in none.sentence
    every = audit.figures([Trial("kick", level, True) for level in audit.LEVELS_DBFS])["kick"]
    assert every.softest_dbfs == audit.LEVELS_DBFS[-1]
    assert "would be heard" in every.sentence


@pytest.fixture(scope="module")
def playing() -> Pipeline:
    check = sim.open_scenario("three_mics", soundcheck=True)
    kit = parse_kit(check.kit_toml, "three_mics")
    rate = check.sample_rate_hz
    learned = learn(kit, rate, check.read(check.total_frames), list(check.segments))
    pipeline = Pipeline(kit, rate, learned=learned)
    pipeline.feed(Block(0, sim.open_scenario("three_mics").read(10 * rate)))
    return pipeline


def test_loud_hits_are_heard_soft_ones_missed_and_the_session_untouched(playing: Pipeline) -> None:
    before = playing.session().hits
    job = playing.audit_job()
    assert job is not None
    kept = job.audio.copy()
    trials = audit.run(job, passes=1)
    assert np.array_equal(job.audio, kept)
    assert playing.session().hits == before
    loud = [t.heard for t in trials if t.drum == "kick" and t.level_dbfs >= -22.0]
    soft = [t.heard for t in trials if t.level_dbfs <= -49.0]
    assert loud
    assert all(loud)
    assert soft
    assert not any(soft)
    found = playing.take_audit(trials)
    assert found["kick"].softest_dbfs is not None
    assert -46.0 < found["kick"].softest_dbfs < -20.0
    assert playing.snapshot().audit == found
    assert playing.session().audit == found


def test_more_bleed_is_said_to_hide_more(playing: Pipeline) -> None:
    """Noise 36 dB over the room's, in every microphone: softer hits are lost than without."""
    job = playing.audit_job()
    assert job is not None
    noise = np.random.default_rng(7).normal(0.0, 0.02, job.audio.shape).astype(np.float32)
    noisy = audit.Job(
        job.kit, job.sample_rate_hz, job.learned, job.first_sample, job.audio + noise, job.hits
    )
    quiet, loud = (audit.figures(audit.run(one, passes=1))["kick"] for one in (job, noisy))
    assert quiet.softest_dbfs is not None
    assert loud.softest_dbfs is None or loud.softest_dbfs > quiet.softest_dbfs


def test_with_nothing_played_there_is_nothing_to_try() -> None:
    kit = parse_kit(sim.open_scenario("three_mics").kit_toml, "three_mics")
    pipeline = Pipeline(kit, 48_000)
    pipeline.feed(Block(0, np.zeros((48_000, 3), dtype=np.float32)))
    assert pipeline.audit_job() is None
    assert pipeline.session().audit == {}
