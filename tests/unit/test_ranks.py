"""Medians and quantiles are numpy's, to the bit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from liveassist.model import FloatArray
from liveassist.ranks import median, quantile, quantiles


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 10, 33, 64, 301])
def test_as_numpy_gives_them(count: int) -> None:
    rng = np.random.default_rng(count)
    for values in (
        rng.normal(-20.0, 6.0, count),
        np.round(rng.normal(0.0, 2.0, count)),
        rng.integers(0, 9, count),
        10.0 ** rng.uniform(-8.0, 8.0, count),
    ):
        assert median(values) == float(np.median(values))
        for share in (0.0, 0.025, 0.1, 0.25, 0.4, 0.5, 0.9, 0.95, 0.98, 1.0):
            assert quantile(values, share) == float(np.quantile(values, share)), share
            percent = 100.0 * share
            assert quantile(values, percent / 100.0) == float(np.percentile(values, percent))


def test_lists_are_served_too_and_stay_as_they_are() -> None:
    values = [3.0, 1.0, 2.0]
    assert median(values) == 2.0
    assert quantile(values, 0.5) == 2.0
    assert values == [3.0, 1.0, 2.0]


def test_what_cannot_be_ranked() -> None:
    assert math.isnan(median([1.0, math.nan]))
    assert math.isnan(quantile([math.nan, 1.0, 2.0], 0.1))
    with pytest.raises(ValueError, match="of nothing"):
        median([])
    with pytest.raises(ValueError, match="of nothing"):
        quantile([], 0.5)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1, 33), (2, 33), (5, 3, 11), (12, 40, 33), (80, 3, 500)])
def test_along_the_first_axis(
    shape: tuple[int, ...], kind: type[np.float32] | type[np.float64]
) -> None:
    drawn = 10.0 ** np.random.default_rng(7).uniform(-12, 0, shape)
    values: FloatArray = drawn.astype(kind)
    for share in (0.1, 0.35, 0.5, 0.95):
        wanted = np.quantile(values, share, axis=0)
        assert np.array_equal(quantiles(values, share), wanted), share
