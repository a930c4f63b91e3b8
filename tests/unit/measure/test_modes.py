"""Identity of modes over hits: the note stays with the lowest mode."""

from __future__ import annotations

import math

import numpy as np
import pytest

from liveassist.measure.modes import NoteTracker, follow, lowest_mode, tracked_modes
from liveassist.measure.partials import measure_hit
from liveassist.model import HitMeasures, Partial
from tests.unit.measure.strokes import SNARE_HZ, stroke


def hit(*rows: tuple[float, float]) -> HitMeasures:
    partials = tuple(Partial(hz, level, 0.3) for hz, level in rows)
    return HitMeasures(partials=partials, note_hz=partials[0].frequency_hz, ring_s=0.3)


def some_hits(missing: set[int], count: int = 20) -> list[HitMeasures]:
    """A drum at 190, 303, 406 Hz; hits in ``missing`` hardly excite the lowest mode."""
    rng = np.random.default_rng(0)
    out = []
    for index in range(count):
        rows = [(303.0 + rng.normal(0, 1), -20.0), (406.0 + rng.normal(0, 1), -25.0)]
        if index not in missing:
            rows.insert(0, (190.0 + rng.normal(0, 0.7), -15.0))
        out.append(hit(*rows))
    return out


def test_note_never_hops() -> None:
    missing = {5, 9, 10, 17}
    tracker = NoteTracker()
    notes = [tracker.feed(measures).note_hz for measures in some_hits(missing)]
    for index, note in enumerate(notes):
        if index in missing:
            assert note is None
        else:
            assert note == pytest.approx(190.0, abs=3.0)


def test_modes_with_intervals_and_shares() -> None:
    modes = tracked_modes(some_hits({1, 2}))
    assert [mode.frequency_hz for mode in modes] == pytest.approx([190.0, 303.0, 406.0], abs=0.6)
    assert modes[0].share == pytest.approx(0.9)
    for mode, true in zip(modes, (190.0, 303.0, 406.0), strict=True):
        assert mode.frequency_ci[0] <= true <= mode.frequency_ci[1]
    note = lowest_mode(modes)
    assert note is modes[0]


def test_a_rumble_far_below_is_not_the_note() -> None:
    hits = [hit((60.0, -50.0), (190.0, -15.0)) for _ in range(10)]
    note = lowest_mode(tracked_modes(hits))
    assert note is not None
    assert note.frequency_hz == pytest.approx(190.0)


def test_too_few_hits_have_no_modes() -> None:
    assert tracked_modes([hit((190.0, -10.0))] * 3) == ()
    assert lowest_mode(()) is None
    empty = HitMeasures(reason="too short")
    assert follow(empty, 190.0) is empty


def test_follows_a_retune() -> None:
    """Tightening by 300 cents between songs: within the window's hits the note follows."""
    tracker = NoteTracker()
    for _ in range(30):
        tracker.feed(hit((190.0, -10.0)))
    higher = 190.0 * 2 ** (300 / 1200)
    last = None
    for _ in range(60):
        last = tracker.feed(hit((higher, -10.0)))
    assert last is not None
    assert last.note_hz == pytest.approx(higher)


def test_strokes_at_two_levels_share_their_note() -> None:
    measures = []
    for seed in range(12):
        segment, onset = stroke(48000, SNARE_HZ, seed=seed, peak=0.5 if seed % 2 else 0.1)
        measures.append(measure_hit(segment, 48000.0, "snare", onset, math.inf))
    note = lowest_mode(tracked_modes(measures))
    assert note is not None
    assert note.frequency_hz == pytest.approx(182.0, rel=0.005)
