"""The rolling view: reports of one hit, windows, velocity, meters, sound between hits."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.model import Hit, Kit, LevelFrames, Windows
from liveassist.rolling import shelf
from liveassist.rolling.meters import FALL_DB_PER_S, HOLD_S, Meters
from liveassist.rolling.shelf import PACK
from liveassist.rolling.tracker import PATTERN_HITS, Rolling
from liveassist.rolling.velocity import MIN_RANGE_DB, VelocityRange, learned_range
from liveassist.rolling.wash import LevelStore
from liveassist.steps import at_once

from .drumming import KIT, SESSIONS, hit, song, truth

RATE = 48_000
HOP = 32


def frames(levels_dbfs: np.ndarray, first_sample: int = 0) -> LevelFrames:
    """Level frames of these hop peaks, shape (hops, mics), dBFS."""
    peak = np.power(10.0, levels_dbfs / 20.0).astype(np.float32)
    rms = tuple(float(v) for v in np.sqrt((peak.astype(float) ** 2).mean(axis=0) / 2.0))
    return LevelFrames(first_sample, HOP, peak, {}, (0,) * peak.shape[1], rms)


# --- hits ----------------------------------------------------------------------------------


def test_later_reports_of_a_hit_replace_earlier_ones() -> None:
    rolling = Rolling(KIT, RATE)
    early = replace(hit(7, "snare", 1.0, -9.0), stage="early")
    rolling.add(early)
    rolling.add(replace(early, stage="complete", peak_dbfs=-8.0, sample=48_010, time_s=1.0002))
    assert [(h.number, h.stage, h.peak_dbfs) for h in rolling.hits()] == [(7, "complete", -8.0)]
    rolling.withdraw(7)
    rolling.withdraw(7)
    assert rolling.hits() == []


def test_a_revised_hit_may_change_its_drum() -> None:
    rolling = Rolling(KIT, RATE)
    rolling.add(replace(hit(1, "snare", 1.0, -9.0), stage="early"))
    rolling.add(replace(hit(1, "kick", 1.0, -5.0), stage="revised"))
    recent = rolling.recent()
    assert recent["snare"] == ()
    assert [h.number for h in recent["kick"]] == [1]
    rolling.add(replace(hit(1, "kick", 1.0, -5.0), stage="withdrawn"))
    assert rolling.recent()["kick"] == ()


def test_window_is_the_shorter_of_hits_and_seconds() -> None:
    rows = [hit(i, "snare", float(i), -6.0) for i in range(100)]
    for windows, expected in ((Windows(16, 300.0), 16), (Windows(64, 10.0), 10)):
        rolling = Rolling(replace(KIT, windows=windows), RATE)
        for row in rows:
            rolling.add(row)
        found = rolling.window_figures(100.0)
        assert found.drums["snare"].hits == expected


def test_what_alerts_ask_for_is_what_everybody_is_shown() -> None:
    rolling = Rolling(KIT, RATE)
    for row in song(6, 60.0):
        rolling.add(row)
    rolling.settle()
    whole = rolling.window_figures(60.0)
    lean = at_once(rolling.window_steps(60.0, for_alerts=True))
    assert lean.bleed_db == whole.bleed_db
    assert lean.bleed_upper_bound == whole.bleed_upper_bound
    assert any(value is not None for cells in whole.bleed_db.values() for value in cells.values())
    for drum in KIT.drums:
        if drum.judged:
            assert lean.drums[drum.name] == whole.drums[drum.name]
        assert lean.drums[drum.name].hits == whole.drums[drum.name].hits


def test_live_roles_settle_on_the_final_ones() -> None:
    rolling = Rolling(KIT, RATE)
    rows = song(5, 60.0)
    for index, row in enumerate(rows):
        rolling.add(row)
        if index % 7 == 0:
            at_once(rolling.sort_out_steps())
            rolling.window_figures(row.time_s + 0.3)
    live = [h.role for h in rolling.hits() if h.drum == "snare"]
    rolling.settle()
    final = [h.role for h in rolling.hits() if h.drum == "snare"]
    assert np.mean([a == b for a, b in zip(live[16:], final[16:], strict=True)]) > 0.9
    assert {"main", "ghost"} <= set(final)
    assert rolling.one_population("snare") is False
    assert rolling.one_population("kick") is True


def test_figures_of_a_span_equal_those_of_its_settled_hits() -> None:
    rolling = Rolling(KIT, RATE)
    for row in song(6, 80.0):
        rolling.add(row)
    rolling.settle()
    before = [(h.number, h.role, h.velocity) for h in rolling.hits()]
    whole = rolling.figures(0.0, math.inf)
    assert before == [(h.number, h.role, h.velocity) for h in rolling.hits()]
    snare = [h for h in rolling.hits() if h.drum == "snare"]
    assert whole.drums["snare"].ghost_hits == sum(h.role == "ghost" for h in snare)
    assert whole.drums["snare"].main_hits == sum(h.role in ("main", "weak") for h in snare)


def test_reports_in_any_order_give_the_same_figures() -> None:
    rows = song(7, 30.0)
    one, two = Rolling(KIT, RATE), Rolling(KIT, RATE)
    for row in rows:
        one.add(row)
    for index in np.random.default_rng(1).permutation(len(rows)):
        two.add(rows[int(index)])
    assert one.figures(0.0, 99.0) == two.figures(0.0, 99.0)


def test_a_look_on_the_way_unpacks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rolling = Rolling(KIT, RATE)
    rng = np.random.default_rng(5)
    count = PATTERN_HITS + 4 * PACK
    for i in range(count):
        # The early third is softer, so that figures of the late ones are told from those of all.
        level = -8.0 if i < count // 3 else -6.0
        rolling.add(hit(2 * i, "snare", 0.4 * i, level + rng.normal(0.0, 0.5)))
        if i % 8 == 0:
            rolling.add(hit(2 * i + 1, "kick", 0.4 * i + 0.2, -4.0))
    end_s = 0.4 * count

    def refuse(_data: bytes) -> list[Hit]:
        raise AssertionError("unpacked")

    with monkeypatch.context() as forbidden:
        forbidden.setattr(shelf, "_unpack", refuse)
        look = rolling.figures(0.0, end_s, at_hand=True)
        # Nor does judging a take that has just ended, which comes after each.
        take = rolling.figures(end_s - 60.0, end_s)
    assert take.drums["snare"].hits == 150
    late = rolling.hits_at_hand()
    assert PATTERN_HITS <= sum(h.drum == "snare" for h in late) < PATTERN_HITS + PACK
    assert look.drums["snare"].hits == count
    assert look.drums["snare"].median_dbfs == pytest.approx(-6.0, abs=0.2)
    assert str(PATTERN_HITS) in look.unmeasured["session"]
    whole = rolling.figures(0.0, end_s)
    assert whole.drums["snare"].hits == count
    assert "session" not in whole.unmeasured
    # The kick's are all at hand: the same either way, and what lies between hits too.
    assert replace(look.drums["kick"], limb_imbalance_db=None) == replace(
        whole.drums["kick"], limb_imbalance_db=None
    )
    assert look.bleed_margin.keys() == whole.bleed_margin.keys()
    for mic, row in whole.bleed_db.items():
        assert look.bleed_db[mic].get("kick") == row.get("kick")


def test_a_look_at_a_short_session_is_the_whole() -> None:
    rolling = Rolling(KIT, RATE)
    for row in song(3, 60.0):
        rolling.add(row)
    rolling.settle()
    assert rolling.figures(0.0, 1e3, at_hand=True) == rolling.figures(0.0, 1e3)


def test_lost_samples_are_counted() -> None:
    rolling = Rolling(KIT, RATE)
    rolling.gap(100)
    rolling.gap(28)
    assert rolling.lost_samples == 128


def test_an_empty_kit_has_no_figures_and_no_trouble() -> None:
    rolling = Rolling(Kit("nothing", (), ()), RATE)
    assert rolling.window_figures(1.0).drums == {}
    assert rolling.mics() == ()


def test_figures_cost_little() -> None:
    """A window of three drums and 64 hits each; the median of processor time, with a margin for
    slow machines (1.5 to 3 ms measured)."""
    rolling = Rolling(KIT, RATE)
    for row in song(8, 90.0):
        rolling.add(row)
    rolling.window_figures(90.0)
    spent = []
    for _ in range(15):
        begin = time.process_time()
        rolling.window_figures(90.0)
        spent.append(time.process_time() - begin)
    assert float(np.median(spent)) < 0.012
    begin = time.process_time()
    for number in range(500):
        rolling.add(hit(50_000 + number, "snare", 90.0 + 0.1 * number, -6.0))
    assert (time.process_time() - begin) / 500 < 0.001


# --- velocity ------------------------------------------------------------------------------


@given(
    soft=st.floats(-60.0, -20.0),
    width=st.floats(1.0, 60.0),
    level=st.floats(-100.0, 10.0),
    louder=st.floats(0.0, 20.0),
)
def test_velocity_rises_with_level_and_stays_in_range(
    soft: float, width: float, level: float, louder: float
) -> None:
    scale = VelocityRange(soft, soft + width)
    assert 1 <= scale.velocity(level) <= scale.velocity(level + louder) <= 127
    assert (scale.velocity(soft), scale.velocity(soft + width)) == (1, 127)


def test_velocity_middle_is_linear_in_db() -> None:
    assert VelocityRange(-40.0, 0.0).velocity(-20.0) == 64


def test_range_follows_what_is_played_and_is_never_narrow() -> None:
    rng = np.random.default_rng(1)
    even = learned_range(-6.0 + 0.5 * rng.normal(size=100))
    assert even.hard_dbfs - even.soft_dbfs == pytest.approx(MIN_RANGE_DB)
    wide = learned_range(np.linspace(-50.0, -2.0, 200))
    assert wide.soft_dbfs == pytest.approx(-49.0, abs=0.2)
    assert wide.hard_dbfs == pytest.approx(-3.0, abs=0.2)
    assert learned_range([]).hard_dbfs > learned_range([]).soft_dbfs
    with pytest.raises(ValueError, match="below the hard end"):
        VelocityRange(-3.0, -3.0)


def test_clipped_hits_have_no_velocity_and_fixed_ranges_stay() -> None:
    rolling = Rolling(KIT, RATE, ranges={"snare": VelocityRange(-40.0, 0.0)})
    assert rolling.add(hit(1, "snare", 1.0, -20.0)).velocity == 64
    assert rolling.add(hit(2, "snare", 2.0, 0.0, flags=("clipped",))).velocity is None
    for number in range(3, 40):
        rolling.add(hit(number, "snare", float(number), -5.0))
    rolling.settle()
    assert rolling.hits()[0].velocity == 64


# --- meters --------------------------------------------------------------------------------


def test_hold_stays_then_falls_at_the_stated_rate() -> None:
    meters = Meters(KIT, RATE)
    quiet = np.full((1500, 5), -90.0)
    loud = quiet.copy()
    loud[0] = -6.0
    meters.add(frames(loud))
    seconds_per_call = 1500 * HOP / RATE
    for call in range(1, 6):
        meters.add(frames(quiet, call * 1500 * HOP))
        elapsed = call * seconds_per_call
        expected = -6.0 - FALL_DB_PER_S * max(elapsed - HOLD_S, 0.0)
        assert meters.states()[0].hold_dbfs == pytest.approx(expected, abs=0.1)
    assert meters.states()[0].peak_dbfs == pytest.approx(-90.0, abs=0.1)


def test_clips_are_counted_with_their_age() -> None:
    meters = Meters(KIT, RATE)
    first = frames(np.full((15, 5), -20.0))
    meters.add(replace(first, clipped=(0, 3, 0, 0, 0)))
    meters.add(frames(np.full((1500, 5), -20.0), 15 * HOP))
    kick, snare = meters.states()[:2]
    assert (kick.clipped, kick.clip_age_s) == (0, None)
    assert snare.clipped == 3
    assert snare.clip_age_s == pytest.approx(1.0, abs=0.02)


def test_rms_of_a_steady_sine_is_3_db_under_its_peak() -> None:
    meters = Meters(KIT, RATE)
    for call in range(40):
        meters.add(frames(np.full((150, 5), -12.0), call * 150 * HOP))
    assert meters.states()[0].rms_dbfs == pytest.approx(-15.01, abs=0.05)


# --- between hits --------------------------------------------------------------------------


@pytest.mark.parametrize("hops_a_call", [1, 63, 512, 15_000])
def test_sound_between_hits_is_read_there_and_nowhere_else(hops_a_call: int) -> None:
    """Ten seconds: a strike a second (-5 dBFS, ringing 0.3 s), -30 dBFS between, whatever the
    number of hops a call."""
    hops = 15_000
    level = np.full((hops, 2), -30.0)
    times = np.asarray(np.arange(10) + 0.2, dtype=np.float64)
    for start in times:
        first = int(start * RATE / HOP)
        level[first : first + int(0.3 * RATE / HOP)] = -5.0
    level[:, 1] -= 20.0
    store = LevelStore(2, RATE)
    for begin in range(0, hops, hops_a_call):
        part = frames(level[begin : begin + hops_a_call], begin * HOP)
        store.add(part)
    found = store.between_hits(0.0, 10.0, times, {0: times, 1: times})
    assert found[0] == pytest.approx(-30.0, abs=0.5)
    assert found[1] == pytest.approx(-50.0, abs=0.5)


def test_silence_after_the_song_does_not_dilute() -> None:
    level = np.full((30_000, 1), -90.0)
    level[:7500] = -30.0
    store = LevelStore(1, RATE)
    store.add(frames(level))
    times = np.arange(0.5, 5.0, 1.0)
    found = store.between_hits(0.0, 20.0, times, {0: times})
    assert found[0] == pytest.approx(-30.0, abs=0.5)
    assert store.between_hits(10.0, 20.0, np.zeros(0), {0: np.zeros(0)})[0] is None


def test_wash_reaches_the_bleed_margin() -> None:
    rolling = Rolling(KIT, RATE)
    rows = [hit(i, "snare", 1.0 + i, -6.0) for i in range(20)]
    for row in rows:
        rolling.add(row)
    rolling.levels(frames(np.full((33_000, 5), -40.0)))
    margin = rolling.window_figures(22.0).bleed_margin["snare_top"]
    assert margin.worst_source == "cymbal wash"
    assert margin.full_band_db == pytest.approx(34.0, abs=0.5)


@pytest.mark.realkit
@pytest.mark.parametrize("session", SESSIONS)
def test_recorded_sessions_through_the_tracker(session: str) -> None:
    played = truth(session)
    rolling = Rolling(played.kit, 44_100)
    for index, one in enumerate(played.hits):
        rolling.add(one)
        if index % 25 == 0:
            at_once(rolling.sort_out_steps())
            rolling.window_figures(one.time_s + 0.3)
    rolling.settle()
    by_number = {h.number: h for h in rolling.hits()}
    for one, role in zip(played.hits, played.roles, strict=True):
        if one.drum in ("kick", "snare"):
            assert by_number[one.number].role == ("ghost" if role == "ghost" else "main")
            assert by_number[one.number].velocity is not None
