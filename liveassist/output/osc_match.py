"""Which addresses an OSC address pattern matches, in time linear in pattern and address.

Rules of OSC 1.0: both have the same number of parts between slashes; within a part ``?`` is any
one character, ``*`` any number of them, ``[1-2]`` one character of a set, ``[!1]`` one outside
it, ``{foo,bar}`` one of several texts. No regular expressions: a pattern of many stars can
hold those up for minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from .osc_codec import OscError

#: A pattern longer than this is refused; every address of ours is shorter.
MAX_PATTERN = 255


@dataclass(frozen=True, slots=True)
class _Star:
    """Any number of characters."""


@dataclass(frozen=True, slots=True)
class _One:
    """One character out of ``chars``, or outside them; ``None``: any character."""

    chars: frozenset[str] | None
    outside: bool = False

    def accepts(self, character: str) -> bool:
        return self.chars is None or (character in self.chars) != self.outside


@dataclass(frozen=True, slots=True)
class _Choice:
    """One of several texts."""

    texts: tuple[str, ...]


_Token = _Star | _One | _Choice


def is_pattern(address: str) -> bool:
    """Whether ``address`` holds any pattern character."""
    return any(character in "?*[]{}" for character in address)


def matches(pattern: str, address: str) -> bool:
    """Whether OSC address ``pattern`` matches ``address``; OscError if the pattern is broken."""
    if len(pattern) > MAX_PATTERN:
        raise OscError(f"an OSC address pattern is longer than {MAX_PATTERN} characters")
    patterns, parts = pattern.split("/"), address.split("/")
    tokens = [_tokens(part) for part in patterns]
    return len(patterns) == len(parts) and all(map(_part_matches, tokens, parts))


@lru_cache(maxsize=256)
def _tokens(part: str) -> tuple[_Token, ...]:
    tokens: list[_Token] = []
    at = 0
    while at < len(part):
        character = part[at]
        if character == "*":
            tokens.append(_Star())
        elif character == "?":
            tokens.append(_One(None))
        elif character in "[{":
            end = part.find("]" if character == "[" else "}", at + 1)
            if end < 0:
                raise OscError(f"{character} is not closed in the OSC address pattern {part!r}")
            inner = part[at + 1 : end]
            tokens.append(_set(inner) if character == "[" else _Choice(tuple(inner.split(","))))
            at = end
        elif character in "]}":
            raise OscError(f"{character} is not opened in the OSC address pattern {part!r}")
        else:
            tokens.append(_One(frozenset(character)))
        at += 1
    return tuple(tokens)


def _set(inner: str) -> _One:
    outside = inner.startswith("!")
    inner = inner[1:] if outside else inner
    chars: set[str] = set()
    at = 0
    while at < len(inner):
        if at + 2 < len(inner) and inner[at + 1] == "-":
            low, high = sorted((ord(inner[at]), ord(inner[at + 2])))
            chars.update(chr(code) for code in range(low, min(high, 127) + 1))
            at += 3
        else:
            chars.add(inner[at])
            at += 1
    return _One(frozenset(chars), outside)


def _part_matches(tokens: tuple[_Token, ...], part: str) -> bool:
    """Follow all ways through the tokens at once: ``places`` are the reachable ends in ``part``."""
    places = {0}
    for token in tokens:
        if isinstance(token, _Star):
            places = set(range(min(places), len(part) + 1))
        elif isinstance(token, _One):
            places = {p + 1 for p in places if p < len(part) and token.accepts(part[p])}
        else:
            places = {p + len(t) for t in token.texts for p in places if part.startswith(t, p)}
        if not places:
            return False
    return len(part) in places
