"""The address table as documentation and as a machine-readable description.

``python -m liveassist.output.catalogue`` prints the Markdown tables that stand in
profiles/surfaces/README.md; a test keeps both alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from liveassist.model import Kit

from .addresses import ADDRESSES, COMMANDS, Address, Arg, address_parts
from .quantities import QUANTITIES, Value
from .surface_model import MEANINGS, PRESS_COMMANDS

_WHEN = {
    "event": "when it happens",
    "change": "when it changes",
    "stream": "at the target's rate",
    "command": "you send it",
    "answer": "after a command",
}
_SUBJECTS = {
    "session": "",
    "take": "",
    "clock": "",
    "alerts": "",
    "drum": "drum",
    "mic": "mic",
    "bleed": "mic and drum",
}


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _range(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if high is None:
        return f"from {_number(low or 0)}"
    return f"{_number(low or 0)} to {_number(high)}"


def _arg(arg: Arg) -> str:
    detail = ", ".join(part for part in (arg.unit, _range(arg.low, arg.high)) if part)
    if arg.unit and " to " in arg.unit:
        detail = arg.unit
    said = [detail] if detail else []
    said += [f"one of {', '.join(arg.choices)}"] if arg.choices else []
    said += ["may be left out"] if arg.optional else []
    return f"`{arg.type}` {arg.name}" + (f" ({'; '.join(said)})" if said else "")


def _example(row: Address) -> str:
    values = [f'"{value}"' if isinstance(value, str) else f"{value}" for value in row.example]
    return "`" + " ".join(values) + "`" if values else ""


def _table(rows: Iterable[Address]) -> list[str]:
    lines = ["| address | arguments | sent | what it is | example |", "|---|---|---|---|---|"]
    for row in rows:
        arguments = "; ".join(_arg(arg) for arg in row.args) or "none"
        cells = (f"`{row.path}`", arguments, _WHEN[row.when], row.about, _example(row))
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def markdown() -> str:
    """All tables as Markdown."""
    figures = [row for row in ADDRESSES if row.when in ("change", "stream")]
    events = [row for row in ADDRESSES if row.when == "event"]
    commands = [row for row in ADDRESSES if row.when in ("command", "answer")]
    lines = ["### What happens", "", *_table(events), "", "### Figures", "", *_table(figures), ""]
    lines += ["### Commands and answers", "", *_table(commands), ""]
    lines += ["### Figures by the names surface profiles use", ""]
    lines += ["| shows | needs | unit | range | what it is |", "|---|---|---|---|---|"]
    for quantity in QUANTITIES:
        span = _range(quantity.low, quantity.high)
        unit = quantity.unit or ("text" if quantity.type == "s" else "")
        needs = _SUBJECTS[quantity.subject]
        lines.append(f"| `{quantity.key}` | {needs} | {unit} | {span} | {quantity.about} |")
    lines += ["", "Lights mean: " + ", ".join(f"`{word}`" for word in MEANINGS) + ".", ""]
    lines += ["Buttons give: " + ", ".join(f"`{word}`" for word in PRESS_COMMANDS) + "."]
    return "\n".join(lines) + "\n"


# --- machine-readable ----------------------------------------------------------------------


def description(kit: Kit, values: Mapping[str, tuple[str, Value]] | None = None) -> dict[str, Any]:
    """Every address of a session as a tree of the open query-over-HTTP proposal for OSC.

    Attributes: FULL_PATH, DESCRIPTION, ACCESS (1 can be read, 2 can be sent here), TYPE, RANGE,
    UNIT, VALUE where ``values`` has one, CONTENTS; the words an argument may be are the VALS of its
    RANGE. Beyond the proposal, so that it says all that the table does: ARGUMENTS (their names),
    OPTIONAL (whether each may be left out), SENT (when), EXAMPLE.
    """
    root: dict[str, Any] = {"FULL_PATH": "/", "ACCESS": 0, "CONTENTS": {}}
    root["DESCRIPTION"] = "liveassist: hits, figures and suggestions of a drum recording"
    drums = address_parts(drum.name for drum in kit.drums)
    mics = address_parts(mic.name for mic in kit.mics)
    for row in ADDRESSES:
        for path in _filled(row.path, list(drums.values()), list(mics.values())):
            _place(root, path, _leaf(row, path, (values or {}).get(path)))
    return root


def _filled(path: str, drums: list[str], mics: list[str]) -> list[str]:
    paths = [path]
    for mark, names in (("{drum}", drums), ("{mic}", mics)):
        paths = [p.replace(mark, name) for p in paths for name in (names if mark in p else [""])]
    return paths


def _leaf(row: Address, path: str, value: tuple[str, Value] | None) -> dict[str, Any]:
    leaf: dict[str, Any] = {
        "FULL_PATH": path,
        "DESCRIPTION": row.about,
        "ACCESS": 2 if path in COMMANDS else 1,
        "TYPE": row.types,
        "UNIT": [arg.unit for arg in row.args],
        "RANGE": [_span(arg) for arg in row.args],
        "ARGUMENTS": [arg.name for arg in row.args],
        "OPTIONAL": [arg.optional for arg in row.args],
        "SENT": _WHEN[row.when],
        "EXAMPLE": list(row.example),
    }
    if value is not None:
        leaf["VALUE"] = [value[1]]
    return leaf


def _span(arg: Arg) -> dict[str, float | list[str]]:
    span: dict[str, float | list[str]] = {}
    if arg.low is not None:
        span["MIN"] = arg.low
    if arg.high is not None:
        span["MAX"] = arg.high
    if arg.choices:
        span["VALS"] = list(arg.choices)
    return span


def _place(root: dict[str, Any], path: str, leaf: dict[str, Any]) -> None:
    """Put a leaf into the tree; an address may have both a value and contents."""
    node = root
    walked = ""
    for part in path.strip("/").split("/"):
        walked += f"/{part}"
        contents = node.setdefault("CONTENTS", {})
        node = contents.setdefault(part, {"FULL_PATH": walked, "ACCESS": 0})
    node.update(leaf)


def find(tree: Mapping[str, Any], path: str) -> Mapping[str, Any] | None:
    """The node of a tree at ``path``; None if there is none."""
    node: Mapping[str, Any] = tree
    for part in path.strip("/").split("/"):
        if part:
            inner = node.get("CONTENTS", {}).get(part)
            if inner is None:
                return None
            node = inner
    return node


def main() -> None:
    """Print the tables."""
    print(markdown(), end="")


if __name__ == "__main__":
    main()
