"""The many-runs form of the gain against the streaming expander it stands for."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.advise.expander import ExpanderSettings, GainComputer
from liveassist.advise.sidechain import Sidechain

RATE = 1378.0


def envelope(seed: int, hops: int = 40_000) -> np.ndarray:
    """Strokes of random level that ring down over noise."""
    rng = np.random.default_rng(seed)
    out = 10.0 ** (rng.normal(-60.0, 4.0, hops) / 20.0)
    for at in rng.integers(0, hops, 120):
        ring = 10.0 ** (rng.uniform(-45.0, 0.0) / 20.0) * np.exp(-np.arange(600) / 90.0)
        end = min(hops, at + 600)
        out[at:end] = np.maximum(out[at:end], ring[: end - at])
    return out


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "settings",
    [
        ExpanderSettings(-25.0, hold_ms=30.0, release_ms=120.0, lookahead_ms=6.0),
        ExpanderSettings(-18.0, ratio=10.0, knee_db=1.0, hysteresis_db=1.5, release_ms=20.0),
        ExpanderSettings(-30.0, ratio=5.0, knee_db=0.0, hysteresis_db=0.0, attack_ms=0.0),
        ExpanderSettings(-12.0, hold_ms=0.0, release_ms=0.0, lookahead_ms=15.0),
        ExpanderSettings(-40.0, hold_ms=80.0, release_ms=300.0),
    ],
)
def test_gain_is_that_of_the_streaming_expander(seed: int, settings: ExpanderSettings) -> None:
    key = envelope(seed)
    ahead = int(settings.lookahead_ms * RATE / 1000.0)
    expected = GainComputer(settings, RATE).feed(np.concatenate((key, np.zeros(ahead))))[ahead:]
    found = Sidechain(key, RATE).gain_db(settings)
    # A hop within rounding of a threshold may fall on the other side: at most a few do.
    assert np.mean(np.abs(found - expected) > 0.02) < 1e-3


def test_one_sidechain_serves_many_settings() -> None:
    key = envelope(9)
    side = Sidechain(key, RATE)
    wanted = [ExpanderSettings(t, hold_ms=h) for t in (-30.0, -20.0) for h in (20.0, 50.0, 20.0)]
    for settings in wanted:
        assert np.array_equal(side.gain_db(settings), Sidechain(key, RATE).gain_db(settings))


def test_nothing_heard_is_no_gain() -> None:
    assert Sidechain(np.zeros(0), RATE).gain_db(ExpanderSettings(-20.0)).size == 0
