"""Reading tables of a profile against a list of fields, with all mistakes found at once."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal["text", "texts", "whole", "number", "yesno", "range", "span", "bytes", "numbers"]
#: Words that are listed where none is near the one given; of more, only the likest.
MOST_SHOWN = 12
_REQUIRED: Any = object()
_KIND_WORDS: Mapping[Kind, str] = {
    "text": "text in quotes",
    "texts": "a list of texts",
    "whole": "a whole number",
    "number": "a number",
    "yesno": "true or false",
    "range": "two different numbers in brackets, such as [-60, 0]",
    "span": "two whole numbers from 0 to 127 in brackets, the lower first, such as [64, 127]",
    "bytes": 'bytes in hexadecimal, such as "7D 01"',
    "numbers": "a table of names and whole numbers",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a table: what it holds, its default (required if there is none), its limits."""

    kind: Kind
    default: Any = _REQUIRED
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()

    @property
    def required(self) -> bool:
        """Whether the key must be there."""
        return self.default is _REQUIRED


@dataclass(slots=True)
class Problems:
    """Mistakes found so far in one file: each names key, what is wrong, nearest right word."""

    file: str
    found: list[str] = field(default_factory=list)

    def add(self, where: str, what: str) -> None:
        """Note one mistake."""
        self.found.append(f"{self.file}: {where}: {what}")

    def unknown(self, where: str, what: str, given: str, known: Iterable[str]) -> None:
        """Note a word that does not exist, with the nearest that does, or all if none is near."""
        words = sorted(known)
        near = difflib.get_close_matches(given, words, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]!r}?" if near else f"known: {_some(given, words) or 'none'}"
        self.add(where, f"{what} {given!r} is not known; {hint}")


def _some(given: str, words: list[str]) -> str:
    """All words if they are few; of many the likest, and how many more there are."""
    if len(words) <= MOST_SHOWN:
        return ", ".join(words)
    near = difflib.get_close_matches(given, words, n=MOST_SHOWN // 2, cutoff=0.0)
    more = f"and {len(words) - len(near)} more, listed in profiles/surfaces/README.md"
    return ", ".join([*near, more])


def read_table(
    table: object, fields: Mapping[str, Field], where: str, problems: Problems
) -> dict[str, Any]:
    """The values of all ``fields``, defaults filled in; mistakes go to ``problems``.

    A wrong value is replaced by the default, or left out if there is none.
    """
    if not isinstance(table, Mapping):
        problems.add(where, f"must be a table, not {table!r}")
        table = {}
    values: dict[str, Any] = {}
    for key in table:
        if key not in fields:
            problems.unknown(where, "the key", key, fields)
    for key, spec in fields.items():
        if key in table:
            value, wrong = _check(table[key], spec)
            if wrong is None:
                values[key] = value
                continue
            if spec.choices and isinstance(table[key], str):
                problems.unknown(f"{where}.{key}", "the word", table[key], spec.choices)
            else:
                problems.add(f"{where}.{key}", wrong)
        elif spec.required:
            problems.add(where, f"{key} is missing; it holds {_KIND_WORDS[spec.kind]}")
        if not spec.required:
            values[key] = spec.default
    return values


def _check(value: object, spec: Field) -> tuple[Any, str | None]:
    """The value in its type, and what is wrong with it, if anything."""
    found = _convert(value, spec.kind)
    if found is None:
        return None, f"must be {_KIND_WORDS[spec.kind]}, not {value!r}"
    if spec.choices and found not in spec.choices:
        return None, f"must be one of {', '.join(spec.choices)}, not {value!r}"
    if isinstance(found, int | float) and not isinstance(found, bool):
        if spec.low is not None and found < spec.low:
            return None, f"must be at least {spec.low:g}, not {found:g}"
        if spec.high is not None and found > spec.high:
            return None, f"must be at most {spec.high:g}, not {found:g}"
    return found, None


def _convert(value: object, kind: Kind) -> Any:
    """``value`` as ``kind``; None if it is something else."""
    if kind == "text":
        return value if isinstance(value, str) else None
    if kind == "yesno":
        return value if isinstance(value, bool) else None
    if kind == "whole":
        return value if isinstance(value, int) and not isinstance(value, bool) else None
    if kind == "number":
        return _number(value)
    if kind == "texts":
        good = isinstance(value, list) and all(isinstance(item, str) for item in value)
        return tuple(value) if good and isinstance(value, list) else None
    if kind == "range":
        return _range(value)
    if kind == "span":
        return _span(value)
    if kind == "bytes":
        return _bytes(value)
    if isinstance(value, Mapping) and all(_convert(v, "whole") is not None for v in value.values()):
        return dict(value)
    return None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _range(value: object) -> tuple[float, float] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = _number(value[0]), _number(value[1])
    return None if low is None or high is None or low == high else (low, high)


def _span(value: object) -> tuple[int, int] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = (_convert(item, "whole") for item in value)
    if low is None or high is None or not 0 <= low <= high <= 127:
        return None
    return low, high


def _bytes(value: object) -> bytes | None:
    try:
        return bytes.fromhex(value) if isinstance(value, str) else None
    except ValueError:
        return None
