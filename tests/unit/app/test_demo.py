"""The demo keeps real time by an injected clock, and ends as it should."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from liveassist.app.demo import (
    BLOCK_FRAMES,
    DemoRequest,
    Pace,
    demo,
    open_scene,
    scene_blocks,
    states_told,
)
from liveassist.app.resources import simulator
from liveassist.app.summary import schema
from liveassist.errors import ConfigError
from liveassist.model import Audio, OutputState
from tests.unit.app.fakes import FakePipeline


class Wall:
    """A clock that only goes on when somebody sleeps or works."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def clock(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.now_s += seconds


def pace(wall: Wall) -> Pace:
    return Pace(48_000, wall.clock, wall.sleep)


def test_blocks_come_when_they_would_have_been_played() -> None:
    wall = Wall()
    held = pace(wall)
    for number in range(1, 101):
        held.wait_until(480 * number)
        assert wall.now_s == pytest.approx(100.0 + 0.01 * number)
    assert held.latest_s == 0.0


def test_lateness_is_made_up_and_remembered() -> None:
    wall = Wall()
    held = pace(wall)
    held.wait_until(480)
    wall.now_s += 0.035
    for number in (2, 3, 4, 5):
        held.wait_until(480 * number)
    assert held.latest_s == pytest.approx(0.025)
    assert wall.now_s == pytest.approx(100.05)


@dataclass
class Scene:
    name: str = "scene"
    sample_rate_hz: int = 48_000
    total_frames: int = 1000
    kit_toml: str = ""
    given: int = 0

    @property
    def duration_s(self) -> float:
        return self.total_frames / self.sample_rate_hz

    @property
    def takes(self) -> Sequence[Any]:
        return ()

    def read(self, frames: int) -> Audio:
        frames = min(frames, self.total_frames - self.given)
        audio = np.arange(self.given, self.given + frames, dtype=np.float32).reshape(-1, 1)
        self.given += frames
        return audio


@pytest.mark.parametrize(
    ("frames", "expected"), [(1000, 1000), (999, 999), (480, 480), (5000, 1000)]
)
def test_scene_is_cut_in_blocks_without_a_gap(frames: int, expected: int) -> None:
    blocks = list(scene_blocks(Scene(), frames))
    whole = np.concatenate([block.audio[:, 0] for block in blocks])
    np.testing.assert_array_equal(whole, np.arange(expected))
    assert all(block.audio[0, 0] == block.first_sample for block in blocks)
    assert all(len(block.audio) == BLOCK_FRAMES for block in blocks[:-1])


def test_headless_demo_prints_what_it_did_and_writes(tmp_path: Path) -> None:
    out, wall = io.StringIO(), Wall()
    request = DemoRequest(seconds=3.0, headless=True, out=tmp_path)
    assert demo(request, out, FakePipeline, pace(wall)) == 0
    assert wall.now_s == pytest.approx(103.0)
    text = out.getvalue()
    assert "Listened to 3 seconds" in text
    document = json.loads((tmp_path / "summary.json").read_text())
    jsonschema.validate(document, schema())
    assert document["started_at"] is not None


def test_what_nobody_asked_for_and_is_not_there_is_no_news() -> None:
    deaf = OutputState("OSC 9000", "osc", "down", 10, 1066)
    heard, full = replace(deaf, state="ok"), OutputState("file", "store", "down", 1, 0)
    assert states_told([deaf, heard, full], asked=False) == [heard, full]
    assert states_told([deaf], asked=True) == [deaf]


def test_unknown_scenario_is_one_sentence() -> None:
    with pytest.raises(ConfigError) as caught:
        open_scene("no_such_scenario")
    assert "no_such_scenario" in str(caught.value)


def test_scene_of_the_simulator_fits() -> None:
    scene = open_scene("first_light")
    assert scene.read(480).shape[0] == 480
    assert scene.total_frames == pytest.approx(scene.duration_s * scene.sample_rate_hz)
    assert hasattr(simulator(), "open_scenario")
