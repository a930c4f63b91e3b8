"""Work cut into steps: a generator that yields between them and returns the result.

A fit takes up to some hundred milliseconds, the rolling figures ten. Cut into steps of about one,
and a fixed number of steps taken with each stretch of audio, it delays no hit, and the same audio
still gives the same advice at the same moment.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

T = TypeVar("T")

#: Yields None between steps of about a millisecond.
Steps = Generator[None, None, T]


def at_once(steps: Steps[T]) -> T:
    """Take all steps; the result."""
    while True:
        try:
            next(steps)
        except StopIteration as done:
            result: T = done.value
            return result
