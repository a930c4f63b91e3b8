"""Comparisons against scipy's tests and a least-squares fit written the long way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from liveassist.advise.compare import (
    ALPHA,
    WISHES,
    Measure,
    Row,
    compare_estimates,
    compare_hits,
    compare_pairs,
    judge,
    rank,
)

PLAIN = Measure("body", "body", "dB", 1.0)
RATIO = Measure("ring", "ring", "s", 10.0, relative=True)


def one(row: Row, other: int = 1):  # type: ignore[no-untyped-def]
    found = row.differences[other]
    assert found is not None
    return found


def test_at_equal_levels_it_is_welchs_test() -> None:
    """`scipy.stats.ttest_ind(equal_var=False)`, interval included."""
    rng = np.random.default_rng(1)
    first, other = rng.normal(3.0, 1.0, 24), rng.normal(3.8, 2.0, 40)
    row = compare_hits(PLAIN, [np.zeros(24), np.zeros(40)], [first, other])
    wanted = stats.ttest_ind(other, first, equal_var=False)
    found = one(row)
    assert found.amount == pytest.approx(other.mean() - first.mean())
    assert found.p == pytest.approx(wanted.pvalue, rel=1e-6)
    ends = wanted.confidence_interval(0.95)
    assert found.ci == pytest.approx((ends.low, ends.high), rel=1e-6)


def test_levels_are_taken_off_as_least_squares_would() -> None:
    """One stretch is played 6 dB harder, which by itself raises the measure by 0.3 a dB."""
    rng = np.random.default_rng(2)
    levels = [rng.normal(-14.0, 2.0, 60), rng.normal(-8.0, 2.0, 50)]
    values = [0.3 * level + shift + rng.normal(0.0, 0.4, len(level))
              for level, shift in zip(levels, (0.0, -1.0), strict=True)]  # fmt: skip
    naive = values[1].mean() - values[0].mean()
    assert naive > 0.5
    found = one(compare_hits(PLAIN, levels, values))
    both = np.concatenate(levels)
    table = np.column_stack([np.ones(110), np.repeat([0.0, 1.0], [60, 50]), both])
    fit = np.linalg.lstsq(table, np.concatenate(values), rcond=None)[0]
    assert found.amount == pytest.approx(fit[1], abs=1e-9)
    assert found.ci[0] < -1.0 < found.ci[1]
    assert found.p < 1e-6


def test_intervals_hold_what_they_promise() -> None:
    """300 pairs of stretches of 30 hits: 95 % of the intervals hold the truth (± three standard
    errors of a share, 0.912 to 0.988), and unlike levels do not change that."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(300):
        levels = [rng.normal(-10.0, 2.0, 30), rng.normal(-7.0, 2.0, 30)]
        values = [0.5 * level + rng.normal(0.0, sd, 30)
                  for level, sd in zip(levels, (0.6, 1.2), strict=True)]  # fmt: skip
        low, high = one(compare_hits(PLAIN, levels, values)).ci
        held += low <= 0.0 <= high
    assert 0.912 <= held / 300 <= 0.988


def test_ratios_are_ratios() -> None:
    rng = np.random.default_rng(4)
    first = 0.40 * np.exp(rng.normal(0.0, 0.05, 30))
    found = one(compare_hits(RATIO, [np.zeros(30)] * 2, [first, 0.8 * first]))
    assert found.amount == pytest.approx(-20.0)
    row = compare_hits(RATIO, [np.zeros(30)] * 2, [first, 0.8 * first])
    side = row.sides[0]
    assert side is not None
    assert side.value == pytest.approx(stats.gmean(first))


def test_a_stray_does_not_decide() -> None:
    rng = np.random.default_rng(5)
    first, other = rng.normal(0.0, 0.2, 30), rng.normal(0.0, 0.2, 30)
    spoiled = other.copy()
    spoiled[3] = 40.0
    levels = [np.zeros(30), np.zeros(29)]
    clean = one(compare_hits(PLAIN, levels, [first, np.delete(other, 3)]))
    found = one(compare_hits(PLAIN, [np.zeros(30)] * 2, [first, spoiled]))
    assert found == clean


def test_too_few_hits_say_nothing() -> None:
    row = compare_hits(PLAIN, [np.zeros(9), np.zeros(9)], [np.ones(9), np.full(9, np.nan)])
    assert row.sides[0] is not None
    assert row.sides[1] is None
    assert row.differences == (None, None)


@pytest.mark.parametrize("measure", [PLAIN, RATIO])
def test_pairs_are_the_paired_test(measure: Measure) -> None:
    """`scipy.stats.ttest_rel`, on logarithms for a ratio."""
    rng = np.random.default_rng(6)
    first = 3.0 + rng.normal(0.0, 0.5, 20)
    other = first + 0.1 + rng.normal(0.0, 0.1, 20)
    other[4] = np.nan
    found = one(compare_pairs(measure, [first, other]))
    good = np.isfinite(other)
    scale = np.log if measure.relative else np.asarray
    assert found.p == pytest.approx(
        stats.ttest_rel(scale(other[good]), scale(first[good])).pvalue, rel=1e-6
    )


def test_estimates_differ_by_their_intervals() -> None:
    """Two estimates with standard errors 1 and 2: the difference has the root of 5."""
    parts = [(10.0, (10.0 - 1.96, 10.0 + 1.96), 40), (14.0, (14.0 - 3.92, 14.0 + 3.92), 40)]
    found = one(compare_estimates(PLAIN, parts))
    assert found.amount == 4.0
    assert found.p == pytest.approx(2.0 * stats.norm.sf(4.0 / np.sqrt(5.0)), rel=1e-4)


def test_many_comparisons_are_judged_together() -> None:
    """Holm 1979 by hand: sorted p against 0.05 / (m - rank), stop at the first that fails."""
    rows = []
    for p in (0.030, 0.001, 0.012, 0.020, 0.9):
        error = 1.0 / stats.norm.isf(p / 2.0)
        reach = 1.959964 * error / np.sqrt(2.0)
        sides = [(0.0, (-reach, reach), 9), (1.0, (1.0 - reach, 1.0 + reach), 9)]
        rows.append(compare_estimates(PLAIN, sides))
    assert [one(row).p for row in rows] == pytest.approx(
        [0.030, 0.001, 0.012, 0.020, 0.9], rel=1e-3
    )
    # 0.001 < 0.05/5, 0.012 < 0.05/4 = 0.0125, 0.020 > 0.05/3.
    assert [one(row).real for row in judge(rows)] == [False, True, True, False, False]


def test_chance_is_seldom_called_a_difference() -> None:
    """Twelve measures of two stretches that do not differ, 200 times: at most 5 % of the times
    anything is called real (and three standard errors)."""
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(200):
        levels = [rng.normal(-8.0, 2.0, 25), rng.normal(-10.0, 2.0, 25)]
        rows = [
            compare_hits(
                PLAIN, levels, [0.2 * level + rng.normal(0.0, 1.0, 25) for level in levels]
            )
            for _ in range(12)
        ]
        alarms += any(one(row).real for row in judge(rows))
    assert alarms / 200 <= ALPHA + 3.0 * np.sqrt(ALPHA * (1.0 - ALPHA) / 200)


def test_wishes_rank_by_what_is_real() -> None:
    rng = np.random.default_rng(8)
    zero = [np.zeros(30)] * 3
    body = compare_hits(PLAIN, zero, [rng.normal(m, 0.3, 30) for m in (0.0, 2.0, 0.02)])
    ring = compare_hits(RATIO, zero, [np.exp(rng.normal(m, 0.05, 30)) for m in (0.0, 0.3, -0.3)])
    rows = judge([body, ring])
    assert [s.stretch for s in rank(rows, ["fuller"], 3)] == [1, 0, 2]
    shorter = rank(rows, ["shorter"], 3)
    assert [s.stretch for s in shorter] == [2, 0, 1]
    assert shorter[0].points == pytest.approx(2.6, abs=0.4)
    assert dict(rank(rows, ["fuller", "quicker"], 3)[0].parts)["quicker"] == 0.0
    both = {s.stretch: s for s in rank(rows, ["fuller", "shorter"], 3)}
    assert both[0].points == 0.0
    assert dict(both[2].parts)["fuller"] == 0.0, "what chance explains has no points"


def test_every_wish_is_about_something_measured() -> None:
    from liveassist.app.compare_rows import BODY_SOFT, MARGIN, NOTE, OF_HITS, RING, SPREAD

    keys = {one.key for one in (*OF_HITS, NOTE, RING, SPREAD, MARGIN, BODY_SOFT)}
    assert {key for key, _ in WISHES.values()} <= keys
