"""What each key of a surface profile is when it is left out: for the page a builder reads."""

from __future__ import annotations

from collections.abc import Mapping

from .profile_schema import Field
from .surfaces import FIELDS


def _shown(spec: Field) -> str:
    value = spec.default
    if value is None or value == "" or value == () or value == b"":
        return ""
    if isinstance(value, bool):
        return f" = {str(value).lower()}"
    if isinstance(value, str):
        return f' = "{value}"'
    if isinstance(value, tuple):
        return f" = [{', '.join(f'{item:g}' for item in value)}]"
    return f" = {value:g}"


def _line(table: str, fields: Mapping[str, Field]) -> str:
    mark = f"[{table}]" if table in ("surface", "osc_in") else f"[[{table}]]"
    needed = [f"`{key}`" for key, spec in fields.items() if spec.required]
    known = [
        f"`{key}{shown}`"
        for key, spec in fields.items()
        if not spec.required and (shown := _shown(spec))
    ]
    nothing = [f"`{key}`" for key, spec in fields.items() if not spec.required and not _shown(spec)]
    said = [f"needs {', '.join(needed)}"] if needed else []
    said += [f"else {', '.join(known)}"] if known else []
    said += [f"nothing for {', '.join(nothing)}"] if nothing else []
    return f"- `{mark}` {'; '.join(said)}."


def defaults() -> str:
    """One line a table: keys that are needed, what others are when left out."""
    return "\n".join(_line(table, fields) for table, fields in FIELDS.items() if table != "apply")
