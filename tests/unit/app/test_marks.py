"""Options that name spans: what is right is read, what is wrong is one sentence each."""

from __future__ import annotations

import pytest

from liveassist.app.marks import Span, check_segments, check_within, in_order, parse_spans
from liveassist.errors import ConfigError


def test_spans_are_read_in_order() -> None:
    assert parse_spans("--take", ["a=0:1.5", "b=2:3e1"]) == (Span("a", 0, 1.5), Span("b", 2, 30))


def test_all_malformed_spans_at_once() -> None:
    bad = ["a", "a=1", "a=1:x", "a=5:5", "a=-1:2", "=1:2", "a=0:inf", "a=nan:2", "ok=0:1"]
    with pytest.raises(ConfigError) as caught:
        parse_spans("--take", bad)
    assert len(caught.value.problems) == len(bad) - 1
    assert all(problem.startswith("--take ") for problem in caught.value.problems)


def test_segments_of_unknown_drums() -> None:
    with pytest.raises(ConfigError, match='did you mean "snare"'):
        check_segments([Span("snair", 0, 1)], ["kick", "snare"])
    check_segments([Span("kick", 0, 1)], ["kick", "snare"])


def test_takes_in_order_not_overlapping() -> None:
    a, b = Span("a", 0, 10), Span("b", 10, 20)
    assert in_order([b, a]) == (a, b)
    with pytest.raises(ConfigError, match="before a ends"):
        in_order([a, Span("b", 9.9, 20)])
    with pytest.raises(ConfigError, match="given twice"):
        in_order([a, Span("a", 10, 20)])


def test_spans_past_the_end() -> None:
    check_within("--take", [Span("a", 0, 10.0004)], 10.0, "x.wav")
    with pytest.raises(ConfigError, match=r"x\.wav ends at 10\.000 s"):
        check_within("--take", [Span("a", 0, 10.1)], 10.0, "x.wav")
