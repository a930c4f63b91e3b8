"""What a soundcheck taught is said not to fit when a gain was changed, and not otherwise."""

from __future__ import annotations

import numpy as np
import pytest

import sim
from liveassist.app.config import parse_kit
from liveassist.attribute.signature import Learned
from liveassist.learning import learn
from liveassist.model import Alert, Block, Kit
from liveassist.pipeline import Pipeline

SECONDS = 20


@pytest.fixture(scope="module")
def scene() -> tuple[Kit, int, Learned, np.ndarray]:
    check = sim.open_scenario("three_mics", soundcheck=True)
    kit = parse_kit(check.kit_toml, "three_mics")
    rate = check.sample_rate_hz
    learned = learn(kit, rate, check.read(check.total_frames), list(check.segments))
    return kit, rate, learned, sim.open_scenario("three_mics").read(SECONDS * rate)


def stale_alerts(
    scene: tuple[Kit, int, Learned, np.ndarray], gain_db: dict[str, float], taught: bool = True
) -> list[Alert]:
    kit, rate, learned, audio = scene
    gains = [10.0 ** (gain_db.get(mic.name, 0.0) / 20.0) for mic in kit.mics]
    changed = (audio * np.array(gains)).astype(np.float32)
    pipeline = Pipeline(kit, rate, learned=learned if taught else None)
    for first in range(0, len(changed), rate // 4):
        pipeline.feed(Block(first, changed[first : first + rate // 4]))
    return [alert for alert in pipeline.snapshot().alerts if alert.key == "learned_stale"]


def test_what_fits_raises_no_alert(scene: tuple[Kit, int, Learned, np.ndarray]) -> None:
    assert stale_alerts(scene, {}) == []
    assert stale_alerts(scene, {mic.name: -6.0 for mic in scene[0].mics}) == [], "all alike"


def test_a_gain_that_was_turned_down_is_said(
    scene: tuple[Kit, int, Learned, np.ndarray],
) -> None:
    gain_db = -9.0
    found = stale_alerts(scene, {"over": gain_db})
    assert len(found) == 1
    assert found[0].when == "between"
    assert "over" in found[0].sentence
    assert found[0].value == pytest.approx(gain_db, abs=4.5)


def test_without_a_soundcheck_there_is_nothing_to_be_stale(
    scene: tuple[Kit, int, Learned, np.ndarray],
) -> None:
    assert stale_alerts(scene, {"over": -9.0}, taught=False) == []
