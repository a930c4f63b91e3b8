"""Whether two answers are the same but for rounding."""

from __future__ import annotations

import re
import sys

import numpy as np

NUMBER = re.compile(r"-?\d+(?:\.\d*(?:e[+-]?\d+)?|e[+-]?\d+)")


def assert_alike(one: object, other: object) -> None:
    """All that they say of themselves: words and counts the same, numbers to a millionth. (The last
    digits of a product of matrices depend on where in memory they lie.)"""
    with np.printoptions(threshold=sys.maxsize, precision=9):
        mine, theirs = repr(one), repr(other)
    assert NUMBER.sub("#", mine) == NUMBER.sub("#", theirs)
    numbers = [np.array(NUMBER.findall(text), dtype=float) for text in (mine, theirs)]
    np.testing.assert_allclose(numbers[0], numbers[1], rtol=1e-6, atol=1e-9)
