"""A head that creeps from take to take, on drawn shifts."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.advise.drift import creep
from liveassist.remarks import Drift


def shifts(per_take: float, takes: int, seed: int) -> tuple[list[float], list[Drift]]:
    """Shifts with a standard error of 2.5 cents, a take every ten minutes."""
    rng = np.random.default_rng(seed)
    times = [600.0 * take for take in range(takes)]
    found = []
    for take in range(takes):
        cents = per_take * take + rng.normal(0.0, 2.5)
        found.append(Drift("snare", cents, (cents - 5.0, cents + 5.0), 20))
    return times, found


def test_a_head_that_sinks_by_two_cents_a_take_is_told() -> None:
    """Twelve takes: 22 cents in all, though no two neighbours differ by more than chance."""
    told = [creep("snare", *shifts(-2.0, 12, seed)) for seed in range(40)]
    heard = [found for found in told if found is not None]
    assert len(heard) >= 38
    inside = sum(found.ci[0] <= -22.0 <= found.ci[1] for found in heard)
    assert inside >= 0.9 * len(heard)
    assert "has sunk by" in heard[0].sentence
    assert heard[0].sentence.endswith("check its lugs.")


def test_a_head_that_stays_is_left_in_peace() -> None:
    false = [creep("snare", *shifts(0.0, takes, 100 + seed))
             for seed in range(100) for takes in (5, 8, 12)]  # fmt: skip
    assert sum(found is not None for found in false) <= 3


@pytest.mark.parametrize("takes", [1, 4])
def test_few_takes_say_nothing(takes: int) -> None:
    assert creep("snare", *shifts(-20.0, takes, 1)) is None
