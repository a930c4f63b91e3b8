"""Losses told from lateness, on arrival times whose loss is known by construction."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from liveassist.input.lossclock import LossClock, Release

RATE = 48_000


def arrivals(
    *,
    seconds: float,
    block: int,
    period: int,
    jitter_s: float = 0.0,
    drift: float = 0.0,
    lost: dict[int, int] | None = None,
    seed: int = 1,
) -> list[tuple[int, float]]:
    """(frame count, time) of a driver that hands over ``period`` frames at once, in blocks.

    ``lost`` maps a period's number to the samples missing before it. ``jitter_s``: scale of an
    exponential lateness of each period; callbacks of one period are 20 µs apart. ``drift``:
    how much slower the device's clock runs.
    """
    rng = np.random.default_rng(seed)
    out: list[tuple[int, float]] = []
    captured = 0
    delivered = 0
    pending = 0
    for number in range(int(seconds * RATE / period)):
        captured += period + (lost or {}).get(number, 0)
        due = (
            captured / RATE * (1.0 + drift) + rng.exponential(jitter_s)
            if jitter_s
            else (captured / RATE * (1.0 + drift))
        )
        pending += period
        step = 0
        while pending >= block:
            pending -= block
            delivered += block
            out.append((delivered, due + 20e-6 * step))
            step += 1
    return out


def run(times: list[tuple[int, float]]) -> tuple[LossClock, list[Release]]:
    clock = LossClock(RATE)
    releases = [release for end, at in times for release in clock.arrive(end, at)]
    return clock, releases


@pytest.mark.parametrize(
    ("block", "period"), [(128, 128), (64, 1024), (128, 1024), (100, 256), (1024, 1024), (512, 64)]
)
def test_nothing_is_lost_in_steady_audio(block: int, period: int) -> None:
    clock, releases = run(arrivals(seconds=6, block=block, period=period, jitter_s=0.0005))
    assert clock.lost_samples == 0
    ends = [release.end_frame for release in releases]
    assert ends == sorted(ends)
    # Held blocks are let go within a burst: no more than one period is missing at the end.
    assert ends[-1] > 6 * RATE - 2 * max(block, period) - block


@pytest.mark.parametrize(
    ("block", "period", "periods"),
    [
        *itertools.product([128], [128, 1024], [1, 3, 50]),
        *itertools.product([1024], [1024], [1, 3, 50]),
        # One period of 64 is 1.3 ms, too near the least loss that can be seen.
        *itertools.product([64], [64], [3, 50]),
    ],
)
def test_lost_periods_are_counted_to_within_one_block_and_where_they_were(
    block: int, period: int, periods: int
) -> None:
    at = int(3.0 * RATE / period)
    times = arrivals(
        seconds=6, block=block, period=period, jitter_s=0.0002, lost={at: periods * period}
    )
    clock, releases = run(times)
    assert abs(clock.lost_samples - periods * period) <= max(block, period) // 2
    (gap,) = [index for index, release in enumerate(releases) if release.lost_samples]
    before = releases[gap - 1].end_frame
    assert abs(before - at * period) <= max(block, period)


def test_two_losses_close_together_are_both_placed() -> None:
    # 128 samples before period 1000, 4,736 more 20 periods (53 ms, within one hold) later.
    times = arrivals(
        seconds=6, block=128, period=128, jitter_s=0.0002, lost={1000: 128, 1020: 4736}
    )
    clock, releases = run(times)
    gaps = [
        (releases[i - 1].end_frame, release.lost_samples)
        for i, release in enumerate(releases)
        if release.lost_samples
    ]
    assert len(gaps) == 2
    assert abs(gaps[0][0] - 128_000) <= 128
    assert abs(gaps[0][1] - 128) <= 24
    assert abs(gaps[1][0] - 1020 * 128) <= 128
    assert abs(gaps[1][1] - 4736) <= 48
    assert abs(clock.lost_samples - 4864) <= 48


@pytest.mark.parametrize("drift", [1e-4, -1e-4])
def test_a_slow_or_fast_crystal_is_not_a_loss(drift: float) -> None:
    clock, _ = run(arrivals(seconds=120, block=128, period=256, jitter_s=0.0003, drift=drift))
    assert clock.lost_samples == 0


def test_a_late_burst_that_catches_up_is_not_a_loss() -> None:
    times = arrivals(seconds=4, block=128, period=128)
    late = [(end, max(at, 2.08) if 2.0 < at < 2.08 else at) for end, at in times]
    clock, releases = run(late)
    assert clock.lost_samples == 0
    assert releases[-1].end_frame == times[-1][0]


def test_a_restart_counts_the_pause() -> None:
    before = arrivals(seconds=3, block=128, period=128)
    end, at = before[-1]
    clock, _ = run(before)
    assert clock.restart() == []
    pause = 1.25
    releases = [
        release
        for n in range(1, 200)
        for release in clock.arrive(end + 128 * n, at + pause + 128 * n / RATE)
    ]
    assert sum(release.lost_samples for release in releases) == pytest.approx(60_000, abs=2)
    assert releases[0].lost_samples == clock.lost_samples


@settings(max_examples=40, deadline=None)
@given(
    block=st.sampled_from([32, 100, 128, 441, 1024]),
    period=st.sampled_from([64, 128, 1024]),
    lost=st.dictionaries(st.integers(900, 1100), st.integers(600, 90_000), max_size=4),
    seed=st.integers(0, 99),
)
def test_whatever_is_lost_the_releases_stay_in_order_and_the_sum_is_right(
    block: int, period: int, lost: dict[int, int], seed: int
) -> None:
    seconds = (1400 * period + 48_000) / RATE
    times = arrivals(
        seconds=seconds, block=block, period=period, jitter_s=0.0002, lost=lost, seed=seed
    )
    clock, releases = run(times)
    ends = [release.end_frame for release in releases]
    assert all(a < b for a, b in itertools.pairwise(ends))
    slack = max(block, period) * max(1, len(lost))
    assert abs(clock.lost_samples - sum(lost.values())) <= slack


def test_a_moment_is_told_in_audio() -> None:
    """Exponential lateness of 1 ms mean: the least of a second or more of periods is next to
    none, so the moment at which a frame came in is known to a fraction of a millisecond; what
    was lost counts."""
    times = arrivals(seconds=6.0, block=128, period=128, jitter_s=0.001, lost={1000: 4800})
    clock, _ = run(times)
    assert clock.lost_samples == pytest.approx(4800, abs=48)
    assert clock.time_of(5.0) == pytest.approx(5.0, abs=0.001)
    assert LossClock(RATE).time_of(5.0) is None
