"""The nearest right word for a wrong one."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """The choice most like ``word``, or None if none is alike (ratio below 0.5).

    Case and the difference between ``-``, ``_`` and space do not count.
    """
    folded = {_fold(choice): choice for choice in choices}
    found = difflib.get_close_matches(_fold(word), list(folded), n=1, cutoff=0.5)
    return folded[found[0]] if found else None


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """`` (did you mean "x"?)`` for the nearest choice, or nothing."""
    choice = nearest(word, choices)
    return f' (did you mean "{choice}"?)' if choice is not None else ""


def _fold(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")
