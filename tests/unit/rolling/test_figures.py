"""Figures over a span: clipped hits, counts, ghosts, reasons, purity."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from liveassist.model import Hit, HitMeasures
from liveassist.rolling.figures import figures

from .drumming import KIT, hit, truth


def backbeats(count: int, *, clipped: int = 0, seed: int = 1) -> list[Hit]:
    """Snare main hits of spread 1.5 dB about -6 dBFS, one a second; the first few clipped."""
    rng = np.random.default_rng(seed)
    rows = [
        hit(i, "snare", float(i), -6.0 + 1.5 * float(rng.normal()), "main") for i in range(count)
    ]
    return [
        replace(h, peak_dbfs=0.0, flags=("clipped",)) if i < clipped else h
        for i, h in enumerate(rows)
    ]


def test_an_empty_span_says_why_of_everything() -> None:
    result = figures(KIT, [], 0.0, 10.0)
    snare = result.drums["snare"]
    assert (snare.hits, snare.main_hits, snare.spread_db, snare.median_dbfs) == (0, 0, None, None)
    for name in ("median_dbfs", "spread_db", "p10_dbfs", "trend_db_per_min", "weak_share"):
        assert f"drums.snare.main.{name}" in result.unmeasured
    assert result.unmeasured["drums.snare.main.spread_db"] == "0 main hits, 8 needed"
    assert "bleed_margin_db.snare_top.full_band" in result.unmeasured


def test_span_is_half_open_and_withdrawn_hits_do_not_count() -> None:
    rows = backbeats(20)
    rows[5] = replace(rows[5], stage="withdrawn")
    assert figures(KIT, rows, 2.0, 12.0).drums["snare"].hits == 9


def test_order_of_the_hits_does_not_matter() -> None:
    rows = backbeats(40)
    shuffled = [rows[i] for i in np.random.default_rng(0).permutation(40)]
    assert figures(KIT, rows, 0.0, 99.0) == figures(KIT, shuffled, 0.0, 99.0)


def test_percentiles_and_median_are_numpys() -> None:
    rows = backbeats(50)
    snare = figures(KIT, rows, 0.0, 99.0).drums["snare"]
    levels = [h.peak_dbfs for h in rows if h.peak_dbfs is not None]
    assert snare.median_dbfs == pytest.approx(np.median(levels))
    assert snare.p10_dbfs == pytest.approx(np.percentile(levels, 10))
    assert snare.p90_dbfs == pytest.approx(np.percentile(levels, 90))


def test_a_few_clipped_hits_are_left_out_and_said() -> None:
    clean = figures(KIT, backbeats(60)[2:], 0.0, 99.0).drums["snare"]
    some = figures(KIT, backbeats(60, clipped=2), 0.0, 99.0).drums["snare"]
    assert some.clipped_hits == 2
    assert some.spread_db == pytest.approx(clean.spread_db)
    assert some.hits == 60


def test_above_five_per_cent_clipped_there_is_a_reason_instead() -> None:
    rows = [
        replace(h, measures=HitMeasures(note_hz=190.0, ring_s=0.4))
        for h in backbeats(60, clipped=4)
    ]
    result = figures(KIT, rows, 0.0, 99.0)
    snare = result.drums["snare"]
    assert (snare.spread_db, snare.spread_ci, snare.note_hz, snare.trend_db_per_min) == (None,) * 4
    reason = "4 of 60 hits clipped, at most 5% allowed"
    assert result.unmeasured["drums.snare.main.spread_db"] == reason
    assert result.unmeasured["drums.snare.note_hz"] == reason
    assert snare.median_dbfs is not None


def test_note_and_ring_are_medians_of_clean_main_hits() -> None:
    notes = [190.0, 191.0, 250.0, 189.0, 190.5]
    rows = [
        replace(
            hit(i, "snare", float(i), -6.0, "main"), measures=HitMeasures(note_hz=n, ring_s=0.3)
        )
        for i, n in enumerate(notes)
    ]
    snare = figures(KIT, rows, 0.0, 9.0).drums["snare"]
    assert snare.note_hz == 190.5
    assert snare.ring_s == pytest.approx(0.3)
    assert figures(KIT, rows[:2], 0.0, 9.0).drums["snare"].note_hz is None


def test_ghost_distance_follows_the_level_played_around_it() -> None:
    """A verse 10 dB down with ghosts 10 dB down keeps its 18 dB distance."""
    rows = []
    for i in range(40):
        base = -4.0 if i < 20 else -14.0
        rows.append(hit(2 * i, "snare", float(i), base, "main"))
        rows.append(hit(2 * i + 1, "snare", i + 0.25, base - 18.0, "ghost"))
    snare = figures(KIT, rows, 0.0, 99.0).drums["snare"]
    assert snare.ghost_distance_db == pytest.approx(18.0, abs=0.3)
    assert snare.ghost_hits == 40
    assert snare.spread_db == pytest.approx(0.0, abs=0.1)
    assert snare.dynamics_db == pytest.approx(10.0, abs=0.3)


def test_weak_hits_are_counted_among_the_main_ones() -> None:
    rows = backbeats(20)
    rows[7] = replace(rows[7], role="weak", peak_dbfs=-16.0)
    snare = figures(KIT, rows, 0.0, 99.0).drums["snare"]
    assert (snare.main_hits, snare.weak_hits) == (20, 1)
    assert snare.weak_share == pytest.approx(0.05)


@pytest.mark.realkit
def test_recorded_ghost_distance() -> None:
    played = truth("a_groove")
    rows = [
        replace(h, role="ghost" if role == "ghost" else "main")
        for h, role in zip(played.hits, played.roles, strict=True)
    ]
    snare = figures(played.kit, rows, 0.0, 1e4).drums["snare"]
    _, levels, roles = played.of("snare")
    ghost = np.array([role == "ghost" for role in roles])
    true = float(np.median(levels[~ghost]) - np.median(levels[ghost]))
    assert snare.ghost_distance_db == pytest.approx(true, abs=1.0)
