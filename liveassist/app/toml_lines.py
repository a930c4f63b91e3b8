"""Line numbers of the keys in a TOML file, which the standard library's reader does not keep.

Covers what profiles use: ``[table]``, ``[[table]]`` and ``key = value``. A key written in another
way (inline table, dotted key) has no entry, and its mistake is reported without a line.
"""

from __future__ import annotations

import re

#: Path of a key: table name, index within ``[[table]]`` (else absent), key.
KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-\"' ]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+|\"[^\"]*\"|'[^']*')\s*=")
_MULTILINE = re.compile(r"\"\"\"|'''")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table header and key that could be found."""
    lines: dict[KeyPath, int] = {}
    counts: dict[str, int] = {}
    table: KeyPath = ()
    inside_string = False
    for number, line in enumerate(text.splitlines(), start=1):
        quotes = len(_MULTILINE.findall(line))
        if inside_string:
            inside_string = quotes % 2 == 0
            continue
        inside_string = quotes % 2 == 1
        if header := _HEADER.match(line):
            table = _table_path(header.group(1), _bare(header.group(2)), counts)
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault((*table, _bare(key.group(1))), number)
    return lines


def _table_path(bracket: str, name: str, counts: dict[str, int]) -> KeyPath:
    parts: KeyPath = tuple(_bare(part) for part in name.split("."))
    if bracket == "[":
        return parts
    index = counts.get(name, 0)
    counts[name] = index + 1
    return (*parts, index)


def _bare(name: str) -> str:
    return name.strip().strip("\"'")
