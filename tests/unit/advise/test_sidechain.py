"""The many-runs form of the gain against the streaming expander it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

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


@st.composite
def _settings(draw: st.DrawFn) -> ExpanderSettings:
    def of(low: float, high: float) -> float:
        return draw(st.floats(low, high))

    return ExpanderSettings(
        threshold_dbfs=of(-50.0, -6.0),
        ratio=of(1.5, 20.0),
        knee_db=of(0.0, 6.0),
        range_db=of(3.0, 24.0),
        hysteresis_db=of(0.0, 6.0),
        attack_ms=draw(st.sampled_from((0.0, 0.2, 0.3, 0.5, 1.0, 1.2, 2.0, 20.0))),
        hold_ms=draw(st.sampled_from((0.0, 5.0, 20.0, 80.0))),
        release_ms=draw(st.sampled_from((0.0, 0.001, 2.0, 5.0, 10.0, 20.0, 60.0, 300.0))),
        lookahead_ms=draw(st.sampled_from((0.0, 1.5, 6.0, 15.0))),
    )


@given(
    _settings(),
    st.integers(0, 99),
    st.integers(1, 3000),
    st.sampled_from(("as it is", "loud at both ends", "silent", "loud throughout")),
)
def test_any_settings_give_the_gain_of_the_streaming_expander(
    settings: ExpanderSettings, seed: int, hops: int, kind: str
) -> None:
    key = envelope(seed)[:hops].copy()
    if kind == "loud at both ends":
        key[:3] = key[-3:] = 0.7
    elif kind != "as it is":
        key[:] = 0.0 if kind == "silent" else 0.5
    # A level within rounding of a threshold is nothing to compare by.
    for limit in (settings.threshold_dbfs, settings.threshold_dbfs - settings.hysteresis_db):
        level = 20.0 * np.log10(np.maximum(key, 1e-8))
        assume(not np.any(np.abs(level - limit) < 1e-4))
    ahead = int(np.floor(settings.lookahead_ms * RATE / 1000.0))
    expected = GainComputer(settings, RATE).feed(np.concatenate((key, np.zeros(ahead))))[ahead:]
    side = Sidechain(key, RATE)
    found = side.gain_db(settings)
    assert np.max(np.abs(found - expected)) < 0.02
    gain = side.run(settings)
    half = -settings.range_db / 2.0
    assume(not np.any(np.abs(found - half) < 1e-3))
    opened = found > half
    assert gain.rises().tolist() == (np.flatnonzero(opened[1:] & ~opened[:-1]) + 1).tolist()
    counted = np.arange(key.size + 1)
    assert gain.open_hops(counted) == np.count_nonzero(opened)
