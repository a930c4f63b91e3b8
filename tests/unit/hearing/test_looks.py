"""Looking at a session changes nothing in it: screens and files come and go by the clock."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

import sim
from liveassist.app.config import parse_kit
from liveassist.model import Block, LevelFrames
from liveassist.pipeline import Pipeline
from tests.unit.hearing.alike import assert_alike

SECONDS = 25


def test_the_same_audio_gives_the_same_whoever_looks() -> None:
    scene = sim.open_scenario("rock_ghosts")
    kit, rate = parse_kit(scene.kit_toml, "rock_ghosts"), scene.sample_rate_hz
    audio = scene.read(SECONDS * rate)
    random = np.random.default_rng(4)

    def never(pipeline: Pipeline) -> None:
        pass

    def often(pipeline: Pipeline) -> None:
        pipeline.snapshot()

    def now_and_then(pipeline: Pipeline) -> None:
        if random.random() < 0.1:
            pipeline.snapshot()
            pipeline.session(hits=False)

    def heard(look: Callable[[Pipeline], None]) -> tuple[Pipeline, list[object]]:
        pipeline, events = Pipeline(kit, rate), list[object]()
        pipeline.start_take("one", 0.0)
        for first in range(0, len(audio), 4096):
            events += pipeline.feed(Block(first, audio[first : first + 4096]))
            look(pipeline)
        events += pipeline.finish()
        return pipeline, [one for one in events if not isinstance(one, LevelFrames)]

    alone, said = heard(never)
    roles = {hit.role for hit in alone.session().hits}
    assert {"main", "ghost"} <= roles
    for look in (often, now_and_then):
        looked_at, events = heard(look)
        assert_alike(said, events)
        assert_alike(alone.session(), looked_at.session())
        assert repr(alone.advice().mics) == repr(looked_at.advice().mics)
