"""Hits on recorded drums against their exact truth, with a soundcheck and without.

The recordings are no part of this repository; without them this says so and is skipped. What is
asserted are bounds for a regression; the whole table is in docs/hits.md (see `hits_table`).
"""

from __future__ import annotations

import functools

import numpy as np
import pytest

from tests.bench import realkit_truth as realkit
from tests.bench.hit_scores import Score, auc, best_common, brier, by_threshold, score, undelayed
from tests.bench.recordings import Recording, hear, learned_from, pair_from_folder

recorded = [
    pytest.mark.realkit,
    pytest.mark.skipif(realkit.folder() is None, reason=realkit.MISSING),
]
#: Little bleed and the most bleed.
SESSIONS = ("a_groove", "a_hardbleed")


@functools.cache
def heard(name: str, checked: bool) -> dict[str, Score]:
    """Scores by drum."""
    song, check = _pair(name)
    hits = hear(song, learned_from(check) if checked else None)
    found = {drum: score(song, hits, drum) for drum in ("kick", "snare")}
    print(name, "after a soundcheck" if checked else "without one", found)
    return found


@functools.cache
def _pair(name: str) -> tuple[Recording, Recording]:
    where = realkit.folder()
    assert where is not None, realkit.MISSING
    return pair_from_folder(where, name)


@pytest.mark.parametrize("name", SESSIONS)
class TestRecorded:
    pytestmark = recorded

    def test_hits_after_a_soundcheck(self, name: str) -> None:
        """Nearly all are found, ghost notes among hi-hat bleed included."""
        found = heard(name, True)
        assert found["snare"].f >= 0.97
        assert found["kick"].f >= 0.99
        assert found["snare"].ghost_recall >= 0.85

    @pytest.mark.parametrize("drum", ["kick", "snare"])
    def test_onset_and_level(self, name: str, drum: str) -> None:
        """Onset as the truth defines it; level of the hit alone."""
        found = heard(name, True)[drum]
        assert found.time_median_ms <= 0.5
        assert found.time_p95_ms <= 2.0
        assert found.level_p95_db <= 1.6

    def test_hits_without_a_soundcheck(self, name: str) -> None:
        """Nothing learned before: from the first second on."""
        found = heard(name, False)
        assert found["snare"].f >= 0.95
        assert found["kick"].f >= 0.99

    def test_plain_threshold_on_the_same_audio(self, name: str) -> None:
        """The best threshold for this very session does no better on the snare."""
        song, _ = _pair(name)
        setting, plain = best_common([song], [by_threshold(song, "snare")], "snare")
        print(name, "plain threshold", setting, plain)
        assert heard(name, True)["snare"].f >= plain[0]


def test_brier_and_auc_in_closed_form() -> None:
    """A constant p with share q right has Brier p(1-p) at p = q (Brier 1950) and AUC 1/2; of two
    right and two wrong, three of four pairs in order, AUC is 3/4 (Mann-Whitney)."""
    right = np.array([True, False, True, False])
    assert brier(np.full(4, 0.5), right) == pytest.approx(0.25)
    assert auc(np.full(4, 0.5), right) == pytest.approx(0.5)
    assert auc(np.array([0.9, 0.6, 0.5, 0.1]), right) == pytest.approx(0.75)


def test_delay_is_taken_off() -> None:
    """A detector that is late by the same everywhere is not late."""
    ref = np.array([0.5, 1.0, 1.5])
    assert undelayed(ref, ref + 0.02) == pytest.approx(ref)
