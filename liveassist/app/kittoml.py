"""A kit as the text of a kit profile: what `config.parse_kit` reads, written."""

from __future__ import annotations

import json
from collections.abc import Sequence

from liveassist.model import Kit, Windows


def kit_toml(kit: Kit, comments: Sequence[str] = ()) -> str:
    """The profile of ``kit``; ``comments`` are lines put above it, without their ``#``."""
    lines = [f"# {comment}" for comment in comments]
    lines += ["[kit]", f"name = {_text(kit.name)}"]
    for drum in kit.drums:
        lines += ["", "[[drum]]", f"name = {_text(drum.name)}", f"kind = {_text(drum.kind)}"]
        if drum.own is not None:
            lines.append(f"own = {_text(drum.own)}")
        if drum.head_diameter_in is not None:
            lines.append(f"head_diameter_in = {drum.head_diameter_in:g}")
        if drum.lugs is not None:
            lines.append(f"lugs = {drum.lugs}")
    for mic in kit.inputs:
        lines += ["", "[[mic]]", f"name = {_text(mic.name)}", f"channel = {mic.channel}"]
        if mic.of is not None:
            lines.append(f"of = {_text(mic.of)}")
        if mic.type != "acoustic":
            lines.append(f"type = {_text(mic.type)}")
        if mic.track_offset_db is not None:
            lines.append(f"track_offset_db = {mic.track_offset_db!r}")
        if mic is kit.click:
            lines.append("click = true")
    if kit.windows != Windows():
        lines += ["", "[window]", f"hits = {kit.windows.hits}"]
        lines.append(f"seconds = {kit.windows.seconds!r}")
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    """A basic string of TOML 1.0; JSON escapes the same characters the same way, bar DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
