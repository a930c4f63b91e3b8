"""Whether two answers are the same but for rounding."""

from __future__ import annotations

import re

import numpy as np

NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")


def assert_alike(one: object, other: object) -> None:
    """All that they say of themselves: words and counts the same, numbers to a millionth. (The last
    digits of a product of matrices depend on where in memory they lie.)"""
    assert NUMBER.sub("#", repr(one)) == NUMBER.sub("#", repr(other))
    mine, theirs = (np.array(NUMBER.findall(repr(what)), dtype=float) for what in (one, other))
    np.testing.assert_allclose(mine, theirs, rtol=1e-6, atol=1e-9)
