"""Fill frozen dataclasses from TOML tables, refusing unknown keys and wrong types."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any, TypeVar

from .errors import ScenarioError

T = TypeVar("T")


def suggest(word: str, known: Iterable[str]) -> str:
    """`` (did you mean X?)`` where something known is close, else an empty string."""
    close = difflib.get_close_matches(word, list(known), n=1)
    return f" (did you mean {close[0]}?)" if close else ""


def refuse_unknown(table: Mapping[str, Any], known: Iterable[str], where: str) -> None:
    """Raise if the table has a key nobody reads."""
    names = sorted(known)
    for key in table:
        if key not in names:
            hint = suggest(key, names) or f"; known: {', '.join(names)}"
            raise ScenarioError(f"{where}: unknown key {key!r}{hint}")


def number(value: Any, where: str) -> float:
    """The value as float; ScenarioError if it is no number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ScenarioError(f"{where}: {value!r} is not a number")
    return float(value)


def point(value: Any, where: str) -> tuple[float, float, float]:
    """Three numbers; ScenarioError otherwise."""
    if not isinstance(value, list) or len(value) != 3:
        raise ScenarioError(f"{where}: needs three numbers [x, y, z], has {value!r}")
    x, y, z = (number(item, where) for item in value)
    return x, y, z


def fill(kind: type[T], table: Mapping[str, Any], where: str) -> T:
    """An instance of a flat dataclass of numbers, strings and triples from a TOML table."""
    known = {item.name: str(item.type) for item in fields(kind)}  # type: ignore[arg-type]
    refuse_unknown(table, known, where)
    values: dict[str, Any] = {}
    for key, value in table.items():
        label, declared = f"{where}.{key}", known[key]
        if declared.startswith("tuple"):
            values[key] = point(value, label)
        elif declared == "int":
            values[key] = int(number(value, label))
        elif declared.startswith("float"):
            values[key] = number(value, label)
        elif isinstance(value, str):
            values[key] = value
        else:
            raise ScenarioError(f"{label}: {value!r} is not text")
    try:
        return kind(**values)
    except (TypeError, ValueError) as problem:
        raise ScenarioError(f"{where}: {problem}") from problem
