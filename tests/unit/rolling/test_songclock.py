"""Beats and time code from words, against clocks made by arithmetic (MIDI 1.0: 24 ticks a beat)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import scipy.stats

from liveassist.rolling.songclock import SongClock, timing
from liveassist.song import Beat, ClockWord, beat_at, code_at, code_text


def _clock(words: Sequence[ClockWord]) -> SongClock:
    clock = SongClock()
    for word in words:
        clock.hear(word)
    return clock


def ticks(
    start_s: float, bpm: float, beats: float, late_s: Sequence[float] = ()
) -> list[ClockWord]:
    """``beats`` beats of ticks from ``start_s``; each as late as ``late_s`` says."""
    count = round(24 * beats)
    late = list(late_s) or [0.0] * count
    return [ClockWord("tick", start_s + n * 60.0 / bpm / 24 + late[n]) for n in range(count)]


@pytest.mark.parametrize("bpm", [40.0, 120.0, 187.5, 300.0])
def test_a_steady_clock(bpm: float) -> None:
    clock = _clock([ClockWord("start", 9.9), *ticks(10.0, bpm, 16)])
    assert clock.tempo_bpm == pytest.approx(bpm, rel=1e-9)
    assert clock.running
    assert beat_at(clock.beats, 10.0 + 7.25 * 60.0 / bpm) == pytest.approx(7.25, abs=1e-6)
    # Past the last beat that could be placed it goes on as before.
    assert beat_at(clock.beats, 10.0 + 16.5 * 60.0 / bpm) == pytest.approx(16.5, abs=1e-6)
    assert beat_at(clock.beats, 10.0 + 30 * 60.0 / bpm) is None


def test_jitter_is_fitted_away() -> None:
    """Ticks up to 5 ms early or late: a mean of 49 such errors has 2.9 / 7 = 0.41 ms standard
    deviation; over 400 beats their standard deviation is within 20 % of that."""
    rng = np.random.default_rng(5)
    late = rng.uniform(-0.005, 0.005, 24 * 402)
    clock = _clock([ClockWord("start", 0.0), *ticks(1.0, 120.0, 402, list(late))])
    found = np.array([beat.time_s for beat in clock.beats])[2:400]
    off = found - (1.0 + 0.5 * np.arange(2, 400))
    assert np.std(off) == pytest.approx(0.00041, rel=0.2)
    assert abs(np.mean(off)) < 0.0002


def test_a_few_very_late_ticks_move_nothing() -> None:
    """The computer held up every thirtieth tick by 30 ms: without setting them aside a beat would
    lie 1 ms late (30 ms / 30)."""
    rng = np.random.default_rng(6)
    late = rng.normal(0.0, 0.0005, 24 * 60)
    late[::30] += 0.03
    clock = _clock([ClockWord("start", 0.0), *ticks(1.0, 120.0, 60, list(late))])
    off = [beat.time_s - (1.0 + 0.5 * beat.number) for beat in clock.beats[2:-2]]
    assert max(abs(x) for x in off) < 0.0005


def test_the_tempo_may_change() -> None:
    """A fit over one beat either side rounds a sudden change within that beat only."""
    words = [ClockWord("start", 0.0), *ticks(0.0, 120.0, 8), *ticks(4.0, 90.0, 8)]
    clock = _clock(words)
    assert beat_at(clock.beats, 3.0) == pytest.approx(6.0, abs=0.01)
    assert beat_at(clock.beats, 4.0 + 3 * 60 / 90) == pytest.approx(11.0, abs=0.01)
    assert clock.tempo_bpm == pytest.approx(90.0, rel=1e-6)


def test_without_a_start_there_is_a_tempo_but_no_place() -> None:
    clock = _clock(ticks(0.0, 100.0, 8))
    assert clock.tempo_bpm == pytest.approx(100.0)
    assert not clock.beats
    assert not clock.running


def test_stop_and_continue() -> None:
    words = [ClockWord("start", 0.0), *ticks(0.0, 120.0, 4), ClockWord("stop", 2.0)]
    clock = _clock([*words, ClockWord("continue", 10.0), *ticks(10.0, 120.0, 4)])
    assert [beat.number for beat in clock.beats] == [0, 1, 2, 3, 4, 5, 6]
    assert beat_at(clock.beats, 10.0) == pytest.approx(4.0)
    assert beat_at(clock.beats, 6.0) is None  # it stood


def test_a_song_position_says_where_it_goes_on() -> None:
    """Bar 17 of four beats is beat 64; a song position counts sixteenths, so 256 of them."""
    words = [ClockWord("stop", 0.0), ClockWord("position", 1.0, 256 / 4)]
    clock = _clock([*words, ClockWord("continue", 5.0), *ticks(5.0, 120.0, 4)])
    assert clock.beats[0].number == 64
    assert clock.beats[0].time_s == pytest.approx(5.0)


def test_a_position_between_beats() -> None:
    words = [ClockWord("position", 1.0, 2.25), ClockWord("continue", 5.0), *ticks(5.0, 120.0, 6)]
    clock = _clock(words)
    assert clock.beats[0].number == 3
    assert clock.beats[0].time_s == pytest.approx(5.0 + 0.75 * 0.5)


def test_a_clock_that_falls_silent_has_lost_its_place() -> None:
    words = [ClockWord("start", 0.0), *ticks(0.0, 120.0, 8), *ticks(30.0, 120.0, 4)]
    clock = _clock(words)
    assert beat_at(clock.beats, 31.0) is None
    assert len(clock.beats) == 8


def test_time_code_goes_on_and_ends() -> None:
    words = [ClockWord("code", 1.0 + n / 12.5, 3600.0 + n / 12.5, 25.0) for n in range(50)]
    clock = _clock(words)
    assert len(clock.codes) == 4  # one a second is kept
    code = code_at(clock.codes, 4.5)
    assert code is not None
    assert code.code_s == pytest.approx(3603.5)
    assert code_at(clock.codes, 0.5) is None
    just_before = code_at(clock.codes, 0.96)
    assert just_before is not None
    assert just_before.code_s == pytest.approx(3599.96)
    assert code_at(clock.codes, 60.0) is None


def test_a_jump_of_the_time_code_is_kept_at_once() -> None:
    words = [ClockWord("code", 1.0, 100.0, 25.0), ClockWord("code", 1.5, 700.0, 25.0)]
    code = code_at(_clock(words).codes, 2.0)
    assert code is not None
    assert code.code_s == pytest.approx(700.5)


@pytest.mark.parametrize(
    ("frame", "rate", "text"),
    [
        # SMPTE 12M drop-frame, as in the tests of what is heard; the others count straight.
        (1799, 30000 / 1001, "00:00:59;29"),
        (1800, 30000 / 1001, "00:01:00;02"),
        (17982, 30000 / 1001, "00:10:00;00"),
        (107892, 30000 / 1001, "01:00:00;00"),
        (93079, 25.0, "01:02:03:04"),
        (89367, 24.0, "01:02:03:15"),
        (0, 30.0, "00:00:00:00"),
    ],
)
def test_time_code_in_writing(frame: int, rate: float, text: str) -> None:
    assert code_text(frame / rate, rate) == text


def test_hits_on_the_clock() -> None:
    """Hits 7 ms late that scatter by 9 ms: 200 of them give the median to 3 x 1.25 x 9 / sqrt(200)
    = 2.4 ms, the scatter to 3 x 9 / sqrt(400) = 1.4 ms."""
    rng = np.random.default_rng(8)
    beats = [Beat(n, 0.5 * n, 0) for n in range(260)]
    times = 0.5 * np.arange(20, 220) + 0.007 + rng.normal(0.0, 0.009, 200)
    found = timing(beats, list(times))
    assert found.hits >= 195
    assert found.offset_ms == pytest.approx(7.0, abs=2.4)
    assert found.spread_ms == pytest.approx(9.0, abs=1.4)
    # Interval of a normal standard deviation: chi-square, scipy.
    assert found.spread_ci is not None
    freedom = found.hits - 1
    for end, share in zip(found.spread_ci, (0.975, 0.025), strict=True):
        exact = found.spread_ms * np.sqrt(freedom / scipy.stats.chi2.ppf(share, freedom))
        assert end == pytest.approx(exact, rel=0.01)


def test_eight_hits_have_an_honest_interval() -> None:
    beats = [Beat(n, 0.5 * n, 0) for n in range(20)]
    found = timing(beats, [0.5 * n + (0.004 if n % 2 else -0.004) for n in range(4, 12)])
    assert found.spread_ms == pytest.approx(4.28, abs=0.01)  # 4 x sqrt(8 / 7)
    assert found.spread_ci is not None
    exact = [4.28 * np.sqrt(7 / scipy.stats.chi2.ppf(share, 7)) for share in (0.975, 0.025)]
    assert found.spread_ci == pytest.approx(exact, rel=0.01)


def test_sixteenths_are_places_and_strays_are_set_aside() -> None:
    beats = [Beat(n, 0.5 * n, 0) for n in range(60)]
    times = [0.5 * n / 4 + 0.002 * (n % 3) for n in range(40, 120)]
    times[10] += 0.05
    found = timing(beats, times)
    assert found.hits == 79
    assert found.offset_ms == pytest.approx(2.0, abs=0.1)


def test_a_whole_path_late_by_half_a_step_is_one_offset() -> None:
    """At 120 a minute a sixteenth is 125 ms: 62 ms late is half of one, and no two groups."""
    rng = np.random.default_rng(9)
    beats = [Beat(n, 0.5 * n, 0) for n in range(60)]
    times = 0.5 * np.arange(10, 50) + 0.062 + rng.normal(0.0, 0.003, 40)
    found = timing(beats, list(times))
    assert found.spread_ms == pytest.approx(3.0, abs=1.1)
    assert abs(found.offset_ms or 0.0) == pytest.approx(62.0, abs=2.0)


@pytest.mark.parametrize(
    ("times", "reason"),
    [
        ([0.5 * n for n in range(5, 12)], "7 main hits with the clock, 8 needed"),
        ([0.41 * n for n in range(5, 60)], "the hits do not keep to the clock"),
    ],
)
def test_no_figure_without_ground(times: list[float], reason: str) -> None:
    found = timing([Beat(n, 0.5 * n, 0) for n in range(60)], times)
    assert (found.offset_ms, found.reason) == (None, reason)


def test_what_is_kept_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("liveassist.rolling.songclock.MOST_BEATS", 10)
    monkeypatch.setattr("liveassist.rolling.songclock.MOST_CODES", 5)
    clock = _clock([ClockWord("start", 0.0), *ticks(0.0, 120.0, 40)])
    assert [beat.number for beat in clock.beats] == list(range(29, 39))
    for second in range(20):
        clock.hear(ClockWord("code", 30.0 + second, float(second), 25.0))
    assert len(clock.codes) == 5


def test_a_clock_that_runs_backwards_does_no_harm() -> None:
    clock = _clock([ClockWord("start", 0.0), *reversed(ticks(0.0, 120.0, 8))])
    assert clock.tempo_bpm is None
    assert not clock.beats
