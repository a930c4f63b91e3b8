"""Address patterns. Rules and the first examples: OSC 1.0, "OSC Message Dispatching"."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.output.osc_codec import OscError
from liveassist.output.osc_match import is_pattern, matches

CASES = [
    ("/second/[1-2]", "/second/1", True),
    ("/second/[1-2]", "/second/2", True),
    ("/second/[1-2]", "/second/3", False),
    ("/third/*", "/third", False),
    ("/third/*", "/third/x", True),
    ("/snare/*/level", "/snare/top/level", True),
    ("/a/*", "/a/b/c", False),
    ("/a/[!1]", "/a/2", True),
    ("/a/[!1]", "/a/1", False),
    ("/{foo,bar}/x", "/bar/x", True),
    ("/{foo,bar}/x", "/baz/x", False),
    ("/?at", "/hat", True),
    ("/?at", "/at", False),
    ("/a*b*c", "/aXbYc", True),
    ("/a*b*c", "/aXbY", False),
    ("/{a,ab}c", "/abc", True),
    ("/*", "/", True),
    ("/[a-]", "/-", True),
]


@pytest.mark.parametrize(("pattern", "address", "expected"), CASES)
def test_patterns(pattern: str, address: str, expected: bool) -> None:
    assert matches(pattern, address) is expected


@pytest.mark.parametrize("pattern", ["/[a", "/{a", "/a]", "/a}", "/" + "*" * 300])
def test_broken_patterns_are_refused(pattern: str) -> None:
    with pytest.raises(OscError):
        matches(pattern, "/a")


def test_plain_addresses_are_told_from_patterns() -> None:
    assert is_pattern("/a/*")
    assert not is_pattern("/a/b")


def test_many_stars_cost_little() -> None:
    """Twelve stars against twenty characters hold up a matcher built on ``re`` for a second."""
    begin = time.process_time()
    for _ in range(100):
        assert not matches("/tool/" + "*" * 200 + "!", "/tool/" + "a" * 200)
    assert time.process_time() - begin < 2.0


@given(st.text("ab*?", max_size=8), st.text("ab", max_size=8))
def test_stars_and_marks_agree_with_regular_expressions(pattern: str, text: str) -> None:
    """Python's ``re`` as the independent matcher, on patterns short enough for it."""
    expected = re.fullmatch(pattern.replace("*", ".*").replace("?", "."), text) is not None
    assert matches("/" + pattern, "/" + text) is expected
