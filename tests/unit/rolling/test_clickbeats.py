"""Beats of a metronome's channel against the moments at which it was made to sound."""

from __future__ import annotations

import itertools

import mir_eval
import numpy as np
import pytest

from liveassist.rolling.clickbeats import ClickBeats
from liveassist.rolling.metre import Metre
from liveassist.song import Beat
from tests.unit.rolling.metronome import (
    ACCENT,
    BEAT,
    EIGHTH,
    RATE_HZ,
    Audio,
    Sound,
    bleed,
    channel,
    onsets,
    ticks,
)

#: Where a beep of 1 kHz that rises in half a millisecond reaches a tenth of its peak, and one of
#: 1.5 kHz: within so much of its first sample.
NEAR_S = 0.0003
FOUR = [ACCENT, BEAT, BEAT, BEAT]


def followed(audio: Audio, block: int = 4096) -> ClickBeats:
    beats = ClickBeats()
    for click in onsets(audio, block):
        beats.hear(click)
    beats.finish()
    return beats


def farthest(beats: list[Beat], truth: list[float]) -> float:
    """Distance of the worst beat from the nearest true one, s."""
    times = np.array(truth)
    return max(float(np.abs(times - beat.time_s).min()) for beat in beats)


@pytest.mark.parametrize("block", [1 << 20, 997, 63])
def test_onsets_do_not_depend_on_the_blocks(block: int) -> None:
    audio = channel(ticks(120, 12), FOUR)
    assert onsets(audio, block) == onsets(audio)
    assert len(onsets(audio)) == 12


@pytest.mark.parametrize("tempo", [42.0, 60.0, 97.3, 120.0, 183.0, 240.0])
def test_every_beat_of_a_bar_of_four(tempo: float) -> None:
    truth = ticks(tempo, 40)
    found = followed(channel(truth, FOUR))
    assert len(found.beats) == len(truth)
    assert farthest(found.beats, truth) < NEAR_S
    assert found.beats_a_bar == 4
    assert [beat.number for beat in found.beats] == list(range(40))


def test_beats_agree_with_a_reference_of_beat_tracking() -> None:
    """mir_eval's F-measure (within 70 ms) says nothing here; its continuity at 1 % of a beat does
    (CMLt of M. E. P. Davies, N. Degara and M. D. Plumbley, "Evaluation Methods for Musical Audio
    Beat Tracking Algorithms", 2009)."""
    truth = ticks(104.0, 80)
    hits = list(np.random.default_rng(3).normal(np.arange(3.0, 46.0, 0.2885), 0.008))
    audio = channel(truth, FOUR, lost=[20, 21, 22, 50])
    audio += bleed(hits, len(audio) / RATE_HZ, -30.0)
    found = np.array([beat.time_s for beat in followed(audio).beats])
    _, total, _, _ = mir_eval.beat.continuity(
        np.array(truth), found, continuity_phase_threshold=0.01, continuity_period_threshold=0.01
    )
    assert total == 1.0
    assert mir_eval.beat.p_score(np.array(truth), found) == 1.0


@pytest.mark.parametrize(
    ("pattern", "a_beat", "expected"),
    [
        ([BEAT], 1, Metre(1, 0, None)),
        ([BEAT, BEAT, ACCENT, BEAT], 1, Metre(1, 2, 4)),
        ([ACCENT, BEAT, BEAT], 1, Metre(1, 0, 3)),
        ([ACCENT, *[BEAT] * 6], 1, Metre(1, 0, 7)),
        # Of one level, told by pitch alone; and by a little level alone.
        ([Sound(1000.0), *[Sound(800.0)] * 3], 1, Metre(1, 0, 4)),
        ([Sound(level_db=-12.0), *[Sound(level_db=-15.0)] * 4], 1, Metre(1, 0, 5)),
        ([ACCENT, EIGHTH, BEAT, EIGHTH, BEAT, EIGHTH], 2, Metre(2, 0, 3)),
        ([ACCENT, *[EIGHTH] * 3, *[BEAT, *[EIGHTH] * 3] * 3], 4, Metre(4, 0, 4)),
        ([ACCENT, EIGHTH, EIGHTH, *[BEAT, EIGHTH, EIGHTH] * 3], 3, Metre(3, 0, 4)),
        # Beats and eighths of a bar that nothing marks.
        ([BEAT, EIGHTH], 2, Metre(2, 0, None)),
    ],
)
def test_accents_and_subdivisions(pattern: list[Sound], a_beat: int, expected: Metre) -> None:
    tempo = 80.0 if a_beat > 2 else 112.0
    truth = ticks(tempo, 24 * len(pattern) // 2, a_beat=a_beat)
    found = followed(channel(truth, pattern))
    assert found.runs[0].metre == expected
    assert farthest(found.beats, truth[expected.first % expected.every :: a_beat]) < NEAR_S
    gap_s = 60.0 / tempo
    steps = [later.time_s - beat.time_s for beat, later in itertools.pairwise(found.beats)]
    assert np.allclose(steps, gap_s, atol=NEAR_S)


def test_bars_are_counted_from_the_accent() -> None:
    found = followed(channel(ticks(120, 32), [BEAT, BEAT, ACCENT, BEAT]))
    assert found.beats[0].number == 2
    assert found.beats[2].number == 4


def test_swung_eighths_are_not_taken_for_the_beat() -> None:
    truth = ticks(90, 90, a_beat=3)
    swung = [number for number in range(90) if number % 3 == 1]
    found = followed(channel(truth, [BEAT, EIGHTH, EIGHTH], lost=swung))
    assert farthest(found.beats, truth[::3]) < NEAR_S
    assert len(found.beats) == 30


def test_a_dropout_is_bridged_and_said() -> None:
    truth = ticks(120, 48)
    lost = list(range(13, 23))
    found = followed(channel(truth, FOUR, lost=[*lost, 40]))
    assert len(found.runs) == 1
    assert len(found.beats) == 48
    assert farthest(found.beats, truth) < 0.001
    assert [n for n, heard in enumerate(found.runs[0].heard) if not heard] == [*lost, 40]


def test_a_start_anew_is_a_run_of_its_own() -> None:
    first = ticks(120, 24)
    again = ticks(120, 24, start_s=first[-1] + 12.3)
    found = followed(channel([*first, *again], FOUR))
    assert [len(run.beats) for run in found.runs] == [24, 24]
    assert [run.beats[0].number for run in found.runs] == [0, 0]
    assert not found.running


def test_nothing_but_the_beats_between_two_starts() -> None:
    """The bridge over the end of the first run is taken down again."""
    first, again = ticks(120, 24), ticks(97, 24, start_s=16.0)
    found = followed(channel([*first, *again], FOUR))
    assert len(found.beats) == 48


@pytest.mark.parametrize("later", [124.0, 140.0, 60.0, 100.0])
def test_another_tempo_goes_on_in_the_same_bars(later: float) -> None:
    first = ticks(120, 32)
    truth = first + [first[-1] + 0.5 + n * 60.0 / later for n in range(32)]
    found = followed(channel(truth, FOUR))
    assert len(found.runs) == 1
    assert farthest(found.beats, truth) < 0.001 or later == 60.0
    if later != 60.0:  # at half the tempo the old beats go on, every second one bridged
        assert len(found.beats) == 64
        assert found.beats[63].number == 63


def test_a_tempo_that_glides_slowly_is_followed() -> None:
    truth = [1.0]
    for number in range(80):
        truth.append(truth[-1] + 60.0 / (110.0 + 0.1 * number))
    found = followed(channel(truth, FOUR))
    assert len(found.beats) == len(truth)
    assert farthest(found.beats, truth) < 0.001


@pytest.mark.parametrize("level_db", [-40.0, -30.0, -24.0, -18.0])
def test_drums_that_bleed_in_move_no_beat(level_db: float) -> None:
    """Eighths all along, 5 ms late and scattered by 8: up to 6 dB under the plain beats."""
    truth = ticks(120, 64)
    rng = np.random.default_rng(11)
    hits = [time_s + 0.005 + rng.normal(0.0, 0.008) for time_s in ticks(120, 112, 5.0, 2)]
    audio = channel(truth, FOUR)
    audio += bleed(hits, len(audio) / RATE_HZ, level_db)
    found = followed(audio)
    assert len(found.beats) == 64
    assert farthest(found.beats, truth) < 0.004
    worst = sorted(min(abs(beat.time_s - t) for t in truth) for beat in found.beats)
    assert worst[len(worst) // 2] < NEAR_S
    assert found.beats_a_bar == 4


def test_drums_without_a_metronome_are_no_metronome() -> None:
    """Two minutes of a drummer in the channel, 6 ms off the grid: no beat is made up."""
    rng = np.random.default_rng(5)
    hits = [time_s + rng.normal(0.0, 0.006) for time_s in ticks(120, 480, 1.0, 2)]
    audio = bleed(hits, 123.0, -12.0)
    audio += channel([], FOUR, length_s=len(audio) / RATE_HZ)
    assert followed(audio).beats == []


def test_silence_and_hum_hold_no_beat() -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    hum = (0.1 * np.sin(2.0 * np.pi * 50.0 * time_s)).astype(np.float32)
    assert followed(hum).beats == []
    assert followed(np.zeros_like(hum)).beats == []
