"""Punch-ins held against the same bars; the interval against scipy's Welch test."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from liveassist.output.bars import take_grids
from liveassist.output.punchins import punch_ins, punch_lines, welch
from liveassist.output.stored import PunchIn, StoredHit, StoredSession

BEAT_S = 0.5


def beats(start_s: float, count: int, level: float, seed: int) -> list[StoredHit]:
    random = np.random.default_rng(seed)
    return [
        StoredHit(
            start_s + BEAT_S * i, "snare" if i % 2 else "kick",
            level + float(random.normal(0.0, 0.8)), role="main",
        )
        for i in range(count)
    ]  # fmt: skip


def take(name: str, start_s: float, end_s: float) -> dict[str, Any]:
    return {"name": name, "start_s": start_s, "end_s": end_s, "drums": {}, "changes": []}


@pytest.fixture
def session() -> StoredSession:
    """A take whose last eight bars are 4 dB louder, and a punch-in of four bars at that level."""
    hits = beats(10.0, 32, -12.0, 1) + beats(26.0, 32, -8.0, 2) + beats(60.0, 16, -8.0, 3)
    summary = {
        "takes": [take("one", 9.8, 42.0), take("patch", 59.5, 68.2)],
        "alerts": [], "drums": {}, "unmeasured": {},
    }  # fmt: skip
    return StoredSession("evening", tuple(hits), summary)


def grids(session: StoredSession) -> Any:
    return take_grids(session, 120.0, drums=["kick", "snare"], kicks=["kick"])


def test_a_punch_in_counts_the_bars_of_its_take(session: StoredSession) -> None:
    session = replace(session, punch_ins={"patch": PunchIn("one", bar=9)})
    laid = grids(session)
    assert laid["patch"].place(60.0).bar == 9
    assert laid["one"].place(26.0).bar == 9
    by_time = replace(session, punch_ins={"patch": PunchIn("one", at_s=16.2)})
    assert grids(by_time)["patch"].place(60.0).bar == 9


def test_it_is_held_against_the_same_bars(session: StoredSession) -> None:
    session = replace(session, punch_ins={"patch": PunchIn("one", bar=9)})
    (found,) = punch_ins(session, ["kick", "snare"], grids(session))
    assert found.bars == (9, 12)
    for drum in found.drums:
        assert (drum.hits, drum.hits_there) == (8, 8)
        assert drum.louder_db == pytest.approx(0.0, abs=1.2)
        assert drum.louder_ci is not None
        assert drum.louder_ci[0] < 0.0 < drum.louder_ci[1]
    assert "held against bars 9 to 12 of one" in punch_lines(session, ["kick"], grids(session))[0]
    soft = replace(session, punch_ins={"patch": PunchIn("one", bar=1)})
    (against_soft,) = punch_ins(soft, ["snare"], grids(soft))
    assert against_soft.drums[0].louder_db == pytest.approx(4.0, abs=1.2)


def test_in_free_playing_it_is_held_against_the_same_span(session: StoredSession) -> None:
    session = replace(session, punch_ins={"patch": PunchIn("one", at_s=16.0)})
    (found,) = punch_ins(session, ["snare"], {})
    assert found.bars is None
    assert found.drums[0].louder_db == pytest.approx(0.0, abs=1.2)
    assert "the same span of one" in punch_lines(session, ["snare"], {})[0]


def test_without_a_place_it_is_said(session: StoredSession) -> None:
    session = replace(session, punch_ins={"patch": PunchIn("one")})
    lines = punch_lines(session, ["snare"], {})
    assert "held against all of one" in lines[0]
    assert '--punch-in "patch=one@BAR"' in lines[1]


def test_one_of_no_take_is_left_out(session: StoredSession) -> None:
    session = replace(session, punch_ins={"patch": PunchIn("gone", bar=1)})
    assert punch_ins(session, ["snare"], {}) == []


def test_the_interval_is_welchs() -> None:
    random = np.random.default_rng(7)
    first, second = random.normal(0.0, 1.0, 9), random.normal(1.0, 3.0, 14)
    wanted = stats.ttest_ind(first, second, equal_var=False).confidence_interval(0.95)
    assert welch(first, second) == pytest.approx((wanted.low, wanted.high))
