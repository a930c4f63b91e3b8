"""Microphone meters in as few rows as there are: wide, middling or tiny, as the room allows."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from liveassist.model import MicState
from liveassist.output.terminal_canvas import Canvas, clean, fit
from liveassist.output.terminal_plot import EIGHTHS
from liveassist.output.terminal_words import count, level

#: The foot of every meter, dBFS; the top is full scale.
FOOT_DBFS = -60.0
#: A clip is news for this long, s; after that it is only counted.
FRESH_CLIP_S = 10.0
PARTS = " ▏▎▍▌▋▊▉"


@dataclass(frozen=True, slots=True)
class Form:
    """How much of a meter is shown, and the least cells it takes."""

    cells: int
    kind: str


FORMS = (Form(34, "wide"), Form(19, "middling"), Form(10, "tiny"))


@dataclass(frozen=True, slots=True)
class MeterPlan:
    """``columns`` of ``rows`` meters, ``cells`` wide each, in one form."""

    form: Form
    columns: int
    rows: int
    cells: int


def plan_meters(mics: int, width: int, rows: int) -> MeterPlan:
    """The roomiest form in which all fit, or the tiny one where they do not."""
    rows = max(1, rows)
    for form in FORMS:
        most = max(1, width // form.cells)
        needed = -(-max(1, mics) // rows)
        if needed <= most:
            return MeterPlan(form, needed, rows, width // needed)
    most = max(1, width // FORMS[-1].cells)
    return MeterPlan(FORMS[-1], most, rows, width // most)


def rows_wanted(mics: int, width: int) -> int:
    """Rows that a comfortable picture of ``mics`` meters takes."""
    return -(-max(1, mics) // max(1, width // FORMS[0].cells))


def draw_meters(
    canvas: Canvas, x: int, y: int, width: int, rows: int, mics: Sequence[MicState]
) -> None:
    """Draw all microphones into ``width`` by ``rows`` cells, columns first.

    Where not all fit those in trouble are kept, then those first in the profile; the last place
    says how many are left out.
    """
    if not mics:
        canvas.put(x, y, "no microphones", "quiet", width=width)
        return
    plan = plan_meters(len(mics), width, rows)
    room = plan.columns * plan.rows
    shown = list(mics) if len(mics) <= room else _most_urgent(mics, room - 1)
    draw = {"wide": _wide, "middling": _middling, "tiny": _tiny}[plan.form.kind]
    for index, mic in enumerate(shown):
        column, row = divmod(index, plan.rows)
        draw(canvas, x + column * plan.cells, y + row, plan.cells - 1, mic)
    if len(mics) > room:
        column, row = divmod(room - 1, plan.rows)
        words = f"+{len(mics) - len(shown)} more"
        canvas.put(x + column * plan.cells, y + row, words, "strong", width=plan.cells - 1)


def _most_urgent(mics: Sequence[MicState], room: int) -> list[MicState]:
    ranked = sorted(range(len(mics)), key=lambda i: (trouble(mics[i])[1] == "quiet", i))
    return [mics[i] for i in sorted(ranked[: max(0, room)])]


def trouble(mic: MicState) -> tuple[str, str]:
    """What is wrong with a microphone, in words, and the style; quiet where nothing is."""
    if mic.fault:
        return mic.fault, "stop"
    if mic.clipped:
        fresh = mic.clip_age_s is None or mic.clip_age_s <= FRESH_CLIP_S
        return f"{'CLIP' if fresh else 'clip'} {count(mic.clipped)}", "stop" if fresh else "clip"
    return "", "quiet"


def shorten(name: str, width: int) -> str:
    """A microphone name in few cells that stays apart from its neighbours.

    ``snare_top`` and ``snare_bottom`` must not both become ``snar…``: the first letter of each
    later word is kept.
    """
    name = clean(name)
    if cell_len(name) <= width:
        return name
    words = [word for word in re.split(r"[\s_\-.]+", name) if word]
    if len(words) > 1 and width >= 4 and name.isascii():
        tail = "".join(word if word.isdigit() else word[0] for word in words[1:])[: width - 2]
        return f"{words[0][: width - 1 - len(tail)]}.{tail}"
    return fit(name, width)


def _share(value_dbfs: float) -> float:
    if not math.isfinite(value_dbfs):
        return 0.0
    return min(1.0, max(0.0, 1.0 - value_dbfs / FOOT_DBFS))


def _bar(canvas: Canvas, x: int, y: int, width: int, mic: MicState) -> None:
    """A lying meter to an eighth of a cell, with the peak hold as an upright stroke."""
    canvas.fill(x, y, width, "·", "quiet")
    whole, rest = divmod(int(_share(mic.peak_dbfs) * width * 8), 8)
    canvas.fill(x, y, whole, "█", "meter")
    if rest:
        canvas.put(x + whole, y, PARTS[rest], "meter")
    if _share(mic.hold_dbfs) > 0.0:
        at = min(width - 1, int(_share(mic.hold_dbfs) * width))
        if at >= whole:
            canvas.put(x + at, y, "│", "hold")


def _wide(canvas: Canvas, x: int, y: int, width: int, mic: MicState) -> None:
    """Name, bar with hold, level held, and what is wrong in words."""
    words, style = trouble(mic)
    name = max(8, min(14, width // 4))
    note = max(9, min(24, width // 4))
    bar = max(4, width - name - note - 9)
    canvas.put(x, y, shorten(mic.name, name), "stop" if style == "stop" else "plain")
    _bar(canvas, x + name + 1, y, bar, mic)
    canvas.put(x + name + bar + 1, y, level(mic.hold_dbfs), "strong", width=7, align="right")
    canvas.put(x + name + bar + 9, y, words, style, width=max(0, width - name - bar - 9))


def _middling(canvas: Canvas, x: int, y: int, width: int, mic: MicState) -> None:
    words, style = trouble(mic)
    name = max(5, min(10, width - 12))
    bar = max(3, width - name - 7)
    canvas.put(x, y, shorten(mic.name, name), "stop" if style == "stop" else "plain")
    if style == "quiet":
        _bar(canvas, x + name + 1, y, bar, mic)
        held = level(mic.hold_dbfs, 0 if width < 24 else 1)
        canvas.put(x + name + bar + 1, y, held, "strong", width=6, align="right")
    else:
        canvas.put(x + name + 1, y, words, style, width=width - name - 1)


def _tiny(canvas: Canvas, x: int, y: int, width: int, mic: MicState) -> None:
    words, style = trouble(mic)
    name = max(1, width - 4)
    # In trouble the word needs a gap before it, which the name gives up.
    named = name if style == "quiet" else name - 1
    canvas.put(x, y, shorten(mic.name, named), "stop" if style == "stop" else "plain")
    step = math.ceil(_share(mic.peak_dbfs) * 8)
    if style == "quiet":
        held = "off" if level(mic.hold_dbfs) == "silent" else level(mic.hold_dbfs, 0)
        canvas.put(x + name, y, EIGHTHS[step], "meter")
        canvas.put(x + name + 1, y, held, "strong", width=3, align="right")
    else:
        word = next(iter(clean(words).upper().split()), "FAIL")[:4]
        canvas.put(x + name, y, word, style, width=4)
