"""Every thing that can go wrong: in the schedule of the truth, and gradual where it should be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim import ScenarioError, Scene, open_scenario
from sim.bank import Rendering
from sim.drummer import Drummer, play
from sim.faults import KINDS
from sim.groove import Note

from .small import KIT, SCENARIO, write_small

#: One of each kind: (figures, drum or microphone it acts on).
ONE_OF_EACH: dict[str, dict[str, Any]] = {
    "lug_slip": {"drum": "snare", "tension": 0.7, "lug": 2},
    "head_flat": {"drum": "snare", "cents": -40.0, "over_s": 3.0},
    "damping": {"drum": "snare", "ring": 2.0},
    "wires_off": {"drum": "snare"},
    "hihat_open": {"drum": "hihat", "openness": 0.6, "over_s": 2.0},
    "tiring": {"drum": "kick", "db": -6.0, "over_s": 3.0},
    "gain": {"mic": "snare", "db": -5.0},
    "mic_sink": {"mic": "over", "metres": 0.2, "over_s": 2.0},
    "crackle": {"mic": "over", "dbfs": -12.0, "over_s": 1.0},
    "dead_mic": {"mic": "over", "over_s": 1.0},
    "polarity": {"mic": "snare"},
    "hum": {"mic": "over", "dbfs": -30.0, "over_s": 1.0},
    "talk": {"db": -20.0, "over_s": 0.5},
    "clock_drift": {"ppm": 50.0},
    "dropped": {"over_s": 0.01},
}


def table(kind: str, at_s: float) -> str:
    rows = "\n".join(f"{key} = {value!r}" for key, value in ONE_OF_EACH[kind].items())
    return f"\n[[event]]\nkind = '{kind}'\nat_s = {at_s}\n{rows}\n"


def scene(folder: Path, kind: str, at_s: float = 1.2) -> Scene:
    return open_scenario(write_small(folder, table(kind, at_s)))


def test_there_is_one_of_each() -> None:
    assert set(ONE_OF_EACH) == set(KINDS)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_what_is_scheduled_is_in_the_truth(tmp_path: Path, kind: str) -> None:
    (event,) = scene(tmp_path, kind).description()["events"]
    assert event["kind"] == kind
    assert event["at_s"] == 1.2
    for key, value in ONE_OF_EACH[kind].items():
        assert event[key] == value


@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"clock_drift"}))
def test_what_is_scheduled_is_heard(tmp_path: Path, kind: str) -> None:
    """The recording differs from the same one without it, and only from then on."""
    (tmp_path / "plain").mkdir()
    plain = open_scenario(write_small(tmp_path / "plain"))
    other = scene(tmp_path, kind)
    a, b = (item.read(item.total_frames) for item in (plain, other))
    at = round(1.2 * plain.sample_rate_hz) - 64
    np.testing.assert_array_equal(a[:at], b[:at])
    assert np.abs(a[at:] - b[at:]).max() > 2e-4


def cents(rows: list[dict[str, Any]]) -> list[float]:
    return [row["cents"] for row in rows if row["drum"] == "snare"]


def test_a_head_goes_flat_slowly(tmp_path: Path) -> None:
    found = cents(scene(tmp_path, "head_flat", 1.0).truth())
    assert found == sorted(found, reverse=True)
    assert found[0] > -15.0 > -30.0 > found[-1]
    assert len(set(found)) > 2


def test_an_arm_tires_slowly_and_alone(tmp_path: Path) -> None:
    tired, plain = scene(tmp_path, "tiring", 1.0), open_scenario(write_small(tmp_path))
    lost = [
        (a["instrument"], b["level_db"] - a["level_db"])
        for a, b in zip(plain.strokes(), tired.strokes(), strict=True)
    ]
    kick = [db for name, db in lost if name == "kick"]
    assert kick == sorted(kick, reverse=True)
    assert kick[-1] == pytest.approx(-6.0, abs=0.6)
    assert all(db == 0.0 for name, db in lost if name != "kick")


def test_a_stand_sinks_in_steps_of_a_centimetre(tmp_path: Path) -> None:
    timeline = scene(tmp_path, "mic_sink", 1.0).timeline
    depth = [timeline.sink_m(t)[2] if timeline.sink_m(t) else 0.0 for t in np.arange(0, 4, 0.1)]
    assert depth == sorted(depth)
    assert depth[0] == 0.0
    assert depth[-1] == pytest.approx(0.2)
    assert len({round(d, 4) for d in depth}) == 21


def test_a_kit_may_be_another_with_changes(tmp_path: Path) -> None:
    path = write_small(tmp_path, scenario=SCENARIO.replace("bench.toml", "quiet.toml"))
    (tmp_path / "quiet.toml").write_text(
        'like = "bench.toml"\nname = "Quiet"\n[change.mic.over]\nnoise_dbfs = -99.0\n'
    )
    kit = open_scenario(path).plan.kit
    assert kit.name == "Quiet"
    assert kit.mics[2].noise_dbfs == -99.0
    assert kit.mics[1].noise_dbfs != -99.0
    (tmp_path / "quiet.toml").write_text('like = "quiet.toml"\n')
    with pytest.raises(ScenarioError, match="the kit itself"):
        open_scenario(path)
    (tmp_path / "quiet.toml").write_text("like = 'bench.toml'\n" + KIT)
    with pytest.raises(ScenarioError, match="unknown key"):
        open_scenario(path)


def test_sixteen_bits_of_each_microphone_are_enough() -> None:
    rng = np.random.default_rng(3)
    sound = (rng.standard_normal((4000, 3)) * [1.0, 1e-3, 0.0]).astype(np.float32)
    kept = Rendering.of(sound)
    error = np.abs(kept.span(0, len(kept)) - sound).max(axis=0)
    assert np.all(error <= np.abs(sound).max(axis=0) / 65000 + 1e-12)
    np.testing.assert_array_equal(kept.span(10, 20, 0.5), kept.span(0, 30)[10:20] * np.float32(0.5))


def test_one_limb_may_be_uneven() -> None:
    notes = [Note(beat / 2, name, "x", "v") for beat in range(400) for name in ("kick", "snare")]
    kinds = {"kick": ("kick", ""), "snare": ("snare", "")}
    player = Drummer(spread_db=0.5, spread_of_db={"kick": 3.0}, weak_left_db=0.0)
    strokes = play(notes, 0.0, 100.0, player, kinds, "one", np.random.default_rng(2))
    spread = {n: np.std([s.level_db for s in strokes if s.instrument == n]) for n in kinds}
    # A normal scatter cut at two deviations has 0.96 of its own.
    assert spread["kick"] == pytest.approx(3.0 * 0.96, rel=0.1)
    assert spread["snare"] == pytest.approx(0.5 * 0.96, rel=0.1)
