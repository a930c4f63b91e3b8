"""Reading tables of a TOML profile: every mistake is collected, none stops the reading.

A field is described once (`Field`): its type, range or choices, whether it must be there. Reading
returns the values that are right and adds a sentence for each that is not, with the file, the
line where it can be known, the key, what is wrong and the nearest right word.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from liveassist.app.nearest import did_you_mean
from liveassist.app.toml_lines import KeyPath, key_lines
from liveassist.errors import ConfigError

Kind = Literal["text", "whole", "number", "yesno"]
_KIND_WORDS: dict[Kind, str] = {
    "text": "text in quotes",
    "whole": "a whole number",
    "number": "a number",
    "yesno": "true or false",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a table. ``low`` and ``high`` are inclusive; ``choices`` only for text."""

    kind: Kind
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    unit: str = ""


class Profile:
    """A TOML text with its line numbers and the mistakes found so far."""

    def __init__(self, text: str, where: str) -> None:
        """Parse ``text``; ConfigError with the line if it is not TOML at all."""
        self.where = where
        self._found: list[tuple[int, str]] = []
        self._lines = key_lines(text)
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigError(f"{where}: this is not valid TOML: {error}") from None

    def problem(self, path: KeyPath, sentence: str) -> None:
        """Add one mistake at a key (or the nearest table header that has a line)."""
        line: int | None = None
        for length in range(len(path), 0, -1):
            line = self._lines.get(path[:length])
            if line is not None:
                break
        place = f"{self.where}, line {line}" if line is not None else self.where
        self._found.append((line if line is not None else 0, f"{place}: {sentence}"))

    def unknown_keys(self, path: KeyPath, table: Mapping[str, Any], known: Iterable[str]) -> None:
        """One mistake for each key of ``table`` that is not known."""
        names = tuple(known)
        for key in table:
            if key not in names:
                kind = "key" if path else "table"
                self.problem(
                    (*path, key),
                    f"unknown {kind} {label((*path, key))}{did_you_mean(key, names)}; "
                    f"known: {', '.join(names)}",
                )

    def table(self, name: str) -> dict[str, Any]:
        """The table ``[name]``, empty if it is missing or is something else."""
        value = self.data.get(name, {})
        if not isinstance(value, dict):
            self.problem((name,), f"{name} must be a table, written [{name}]")
            return {}
        return value

    def tables(self, name: str) -> list[dict[str, Any]]:
        """The tables ``[[name]]``; at least one must be there."""
        value = self.data.get(name, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.problem((name,), f"{name} must be written [[{name}]], once for each {name}")
            return []
        if not value:
            self.problem((name,), f"no [[{name}]] is named; at least one is needed")
        return value

    def read(
        self, path: KeyPath, table: Mapping[str, Any], fields: Mapping[str, Field]
    ) -> dict[str, Any]:
        """The right values of one table; a wrong or missing one is left out and reported."""
        self.unknown_keys(path, table, fields)
        good: dict[str, Any] = {}
        for key, field in fields.items():
            if key not in table:
                if field.required:
                    self.problem(path, f"{label((*path, key))} is missing")
                continue
            wrong = _fault(table[key], field)
            if wrong is None:
                good[key] = table[key]
            else:
                self.problem((*path, key), f"{label((*path, key))} {wrong}")
        return good

    def done(self) -> None:
        """ConfigError with all mistakes in the order of the file, if there is any."""
        if self._found:
            raise ConfigError([sentence for _, sentence in sorted(self._found, key=_line)])


def read_profile(path: Path) -> str:
    """Text of a profile; ConfigError in one sentence if it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise ConfigError(f"{path}: this is not a text file in UTF-8") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from None


def label(path: KeyPath) -> str:
    """A key as people write it: ``drum[2].own``; tables are counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def _line(found: tuple[int, str]) -> int:
    return found[0]


def _fault(value: Any, field: Field) -> str | None:
    if not _is_kind(value, field.kind):
        return f"must be {_KIND_WORDS[field.kind]}, not {_shown(value)}"
    if field.choices and value not in field.choices:
        hint = did_you_mean(value, field.choices)
        return f'must be one of {", ".join(field.choices)}, not "{value}"{hint}'
    if field.kind == "yesno":
        return None
    if field.kind == "text":
        return None if value.strip() else "must not be empty"
    too_low = field.low is not None and value < field.low
    too_high = field.high is not None and value > field.high
    if too_low or too_high or not math.isfinite(value):
        unit = f" {field.unit}" if field.unit else ""
        return f"must be from {field.low:g} to {field.high:g}{unit}, not {value}"
    return None


def _is_kind(value: Any, kind: Kind) -> bool:
    if kind == "text":
        return isinstance(value, str)
    if isinstance(value, bool) or kind == "yesno":
        return isinstance(value, bool) and kind == "yesno"
    return isinstance(value, int) if kind == "whole" else isinstance(value, (int, float))


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "a table"
    return str(value)
