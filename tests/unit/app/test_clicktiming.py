"""The metronome's channel while a session runs: block by block, with samples lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.clickfile import CLICK_NAME, read_click
from liveassist.app.clicktiming import ClickTiming, click_timing
from liveassist.app.config import parse_kit
from liveassist.app.kittoml import kit_toml
from liveassist.errors import InputError
from liveassist.model import Block, ClockState, Hit, Kit, Snapshot
from tests.unit.output.terminal_samples import full
from tests.unit.rolling.metronome import ACCENT, BEAT, RATE_HZ, channel, ticks

KIT = parse_kit(
    """
    [kit]
    name = "x"
    [[drum]]
    name = "snare"
    kind = "snare"
    own = "snare_top"
    [[mic]]
    name = "click"
    channel = 1
    type = "line"
    click = true
    [[mic]]
    name = "snare_top"
    channel = 2
    """,
    "x",
)
FOUR = [ACCENT, BEAT, BEAT, BEAT]


def fed(timing: ClickTiming, audio: np.ndarray, first: int = 0, lost: int = 0) -> None:
    for start in range(0, len(audio), 512):
        click = audio[start : start + 512]
        drums = np.zeros((len(click), 1), np.float32)
        timing.hear(Block(first + start, drums, lost if start == 0 else 0, click))


def at(time_s: float, snares: list[float] | None = None) -> Snapshot:
    hits = tuple(
        Hit(
            number=number, stage="complete", drum="snare", sample=round(one * RATE_HZ),
            time_s=one, peak_dbfs=-8.0, heard_peak_dbfs=-8.0, confidence=1.0, role="main",
        )
        for number, one in enumerate(snares or ())
    )  # fmt: skip
    return replace(full(), time_s=time_s, clock=None, recent={"snare": hits})


def test_the_click_is_none_of_the_microphones() -> None:
    assert [mic.name for mic in KIT.mics] == ["snare_top"]
    assert [mic.name for mic in KIT.inputs] == ["snare_top", "click"]
    assert parse_kit(kit_toml(KIT), "written") == KIT
    assert click_timing(Kit("y", KIT.drums, KIT.mics), RATE_HZ) is None


def test_what_the_screen_is_told() -> None:
    timing = ClickTiming(KIT, RATE_HZ)
    truth = ticks(120, 40)
    assert timing.shown(at(0.0)).clock is None
    fed(timing, channel(truth, FOUR, length_s=truth[-1] + 0.3))
    late = [time_s + 0.004 for time_s in truth[1::2]]
    clock = timing.shown(at(truth[-1] + 0.25, late)).clock
    assert clock is not None
    assert clock.running
    assert clock.tempo_bpm == pytest.approx(120.0, abs=0.05)
    assert clock.beat == pytest.approx(39.5, abs=0.01)
    assert clock.bar == 10
    assert clock.timing["snare"].offset_ms == pytest.approx(4.0, abs=0.2)


def test_a_midi_clock_goes_first() -> None:
    timing = ClickTiming(KIT, RATE_HZ)
    truth = ticks(120, 20)
    fed(timing, channel(truth, FOUR))
    recorder = ClockState(source="recorder")
    assert timing.shown(replace(at(5.0), clock=recorder)).clock is recorder


def test_lost_samples_are_a_dropout(tmp_path: Path) -> None:
    """A second and a half lost: three beats are bridged, the others are where they were."""
    timing = ClickTiming(KIT, RATE_HZ)
    truth = ticks(120, 40)
    audio = channel(truth, FOUR)
    cut, lost = round(9.8 * RATE_HZ), round(1.5 * RATE_HZ)
    fed(timing, audio[:cut])
    fed(timing, audio[cut + lost :], cut + lost, lost)
    timing.finish()
    (tmp_path / CLICK_NAME).write_text(timing.files()[CLICK_NAME])
    found = read_click(tmp_path / CLICK_NAME)
    assert found is not None
    assert len(found.beats) == 40
    assert [beat.time_s for beat in found.beats] == pytest.approx(truth, abs=0.001)
    assert found.metres == {0: 4}


def test_a_session_that_goes_on_counts_its_runs_on(tmp_path: Path) -> None:
    (tmp_path / CLICK_NAME).write_text("time_s,beat,run,beats_a_bar,heard\n1.0,0,3,,1\n")
    timing = ClickTiming(KIT, RATE_HZ, tmp_path)
    fed(timing, channel(ticks(120, 20), FOUR))
    timing.finish()
    assert timing.files()[CLICK_NAME].splitlines()[1].split(",")[2] == "4"


@pytest.mark.parametrize(
    "row", ["x,0,0,4,1", "1.0,0,0,0,1", "nan,0,0,4,1", "1.0,0,0,4,1\n0.5,1,0,4,1"]
)
def test_a_damaged_file_is_said(tmp_path: Path, row: str) -> None:
    path = tmp_path / CLICK_NAME
    path.write_text(f"time_s,beat,run,beats_a_bar,heard\n{row}\n")
    with pytest.raises(InputError, match="remove it"):
        read_click(path)
