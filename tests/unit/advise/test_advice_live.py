"""The same audio gives the same advice at the same moment, live or replayed, at any block size."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

import sim
from liveassist.app.config import parse_kit
from liveassist.model import Audio, Block, Kit, Suggestion
from liveassist.pipeline import Pipeline

SCENARIO = "first_light"
SECONDS = 14.0


def scene() -> tuple[Kit, int, Audio]:
    found = sim.open_scenario(SCENARIO)
    audio = np.asarray(found.read(round(SECONDS * found.sample_rate_hz)), dtype=np.float32)
    return parse_kit(found.kit_toml, SCENARIO), found.sample_rate_hz, audio


def shown(block_frames: int, early: bool, ask: bool) -> list[Mapping[str, Suggestion | None]]:
    """What is suggested each second, and at the end. ``ask``: somebody watches all the time."""
    kit, rate, audio = scene()
    pipeline = Pipeline(kit, rate, early=early)
    seen = []
    for at in range(0, len(audio), block_frames):
        pipeline.feed(Block(at, audio[at : at + block_frames]))
        if ask:
            pipeline.snapshot()
        if at % rate < block_frames:
            seen.append(pipeline.snapshot().expander)
    pipeline.finish()
    return [*seen, pipeline.session().expander]


def test_live_and_replayed_suggest_the_same_at_the_same_time() -> None:
    replayed = shown(4000, early=False, ask=False)
    live = shown(480, early=True, ask=True)
    assert any(one["kick"] is not None for one in replayed[:-1]), "nothing was suggested on the way"
    # A block ends up to 83 ms after a whole second: a look may just have ended within it.
    late = sum(a != b for a, b in zip(replayed, live, strict=True))
    assert late <= 2
    assert replayed[-1] == live[-1]
