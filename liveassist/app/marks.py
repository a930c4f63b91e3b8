"""Options that name a span of time: ``NAME=START:END``, in seconds from the first sample."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from liveassist.app.nearest import did_you_mean
from liveassist.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Span:
    """A named span of time."""

    name: str
    start_s: float
    end_s: float


def parse_spans(option: str, given: Iterable[str]) -> tuple[Span, ...]:
    """Spans in the order given; ConfigError with all that are malformed."""
    spans, problems = [], []
    for text in given:
        span = _span(text)
        if isinstance(span, str):
            problems.append(f"{option} {text}: {span}")
        else:
            spans.append(span)
    if problems:
        raise ConfigError(problems)
    return tuple(spans)


def check_segments(spans: Sequence[Span], drums: Sequence[str]) -> None:
    """ConfigError for segments of drums that the kit does not have."""
    problems = [
        f'--segment {span.name}: the kit has no drum "{span.name}"'
        f"{did_you_mean(span.name, drums)}; its drums: {', '.join(drums)}"
        for span in spans
        if span.name not in drums
    ]
    if problems:
        raise ConfigError(problems)


def check_within(option: str, spans: Sequence[Span], duration_s: float, name: str) -> None:
    """ConfigError for spans that reach past the end of recording ``name``."""
    # Half a millisecond of grace for times rounded to three decimals.
    problems = [
        f"{option} {span.name}={span.start_s:g}:{span.end_s:g}: {name} ends at {duration_s:.3f} s"
        for span in spans
        if span.end_s > duration_s + 0.0005
    ]
    if problems:
        raise ConfigError(problems)


def in_order(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Takes in order of time; ConfigError where two overlap or share a name."""
    ordered = tuple(sorted(spans, key=_start))
    problems = [
        f"--take {after.name}: begins at {after.start_s:g} s, before {before.name} ends at "
        f"{before.end_s:g} s; takes named here may not overlap"
        for before, after in itertools.pairwise(ordered)
        if after.start_s < before.end_s
    ]
    names = [span.name for span in ordered]
    problems += [
        f"--take {name}: this name is given twice"
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if problems:
        raise ConfigError(problems)
    return ordered


def split_assignment(text: str) -> tuple[str, str] | None:
    """``NAME=VALUE`` at its last equals sign, so that names may have one; None if it has none."""
    name, equals, value = text.rpartition("=")
    return (name, value) if equals and name else None


def parse_half_open(text: str) -> tuple[str, float | None, float | None] | str:
    """``NAME=START:END`` of which one end may be left out; what is wrong with it, in words."""
    wrong = "write it TAKE=START:END in seconds from the start of the session; one may be left out"
    parts = split_assignment(text)
    if parts is None or ":" not in parts[1]:
        return wrong
    start, _, end = parts[1].partition(":")
    try:
        ends = [float(one) if one.strip() else None for one in (start, end)]
    except ValueError:
        return wrong
    if ends == [None, None] or not all(one is None or math.isfinite(one) for one in ends):
        return wrong
    return parts[0], ends[0], ends[1]


def _span(text: str) -> Span | str:
    name, equals, times = text.partition("=")
    start, colon, end = times.partition(":")
    if not (name and equals and colon):
        return "write it NAME=START:END with times in seconds, for example one=0:63.5"
    try:
        start_s, end_s = float(start), float(end)
    except ValueError:
        return "START and END must be seconds, for example one=0:63.5"
    if not (math.isfinite(start_s) and math.isfinite(end_s)) or start_s < 0:
        return "START and END must be seconds from the first sample, not negative"
    if end_s <= start_s:
        return f"it ends at {end_s:g} s, not after its start at {start_s:g} s"
    return Span(name, start_s, end_s)


def _start(span: Span) -> float:
    return span.start_s
