"""A sheet of character cells to draw on, and the finished picture that rich prints.

The dashboard places every character itself: nothing wraps, nothing scrolls, and a frame is
always exactly ``width`` by ``height`` cells. Styles are named here by what they mean, once in
colour and once without; no meaning is carried by colour alone, so `MONO` loses nothing but ease.

Colours are the terminal's own sixteen, so that dark and light themes both stay readable; blue
and yellow carry the contrast because red and green are the pair most often confused.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from rich.cells import cell_len, get_character_cell_size
from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.segment import Segment
from rich.style import Style

Align = Literal["left", "right", "centre"]
Run = tuple[str, str]

ELLIPSIS = "…"

#: Style name -> style, in colour.
COLOUR: Mapping[str, Style] = {
    "plain": Style(),
    "strong": Style(bold=True),
    "quiet": Style(dim=True),
    "bar": Style(reverse=True),
    "bar_strong": Style(reverse=True, bold=True),
    "good": Style(bold=True, color="cyan"),
    "look": Style(bold=True, color="yellow"),
    "stop": Style(bold=True, reverse=True, color="red"),
    "wait": Style(dim=True),
    "main": Style(color="bright_blue"),
    "weak": Style(bold=True, color="yellow"),
    "ghost": Style(color="cyan"),
    "other": Style(color="magenta"),
    "clip": Style(bold=True, color="red"),
    "threshold": Style(bold=True, color="green"),
    "bleed": Style(color="magenta"),
    "cut": Style(color="bright_blue", reverse=True),
    "meter": Style(color="bright_blue"),
    "hold": Style(bold=True),
}

#: The same names where there is no colour, or none is wanted.
MONO: Mapping[str, Style] = {
    name: Style(bold=style.bold, dim=style.dim, reverse=style.reverse)
    for name, style in COLOUR.items()
}

#: What stands in for each drawing character where the terminal speaks only ASCII.
ASCII = str.maketrans(
    {
        **dict.fromkeys("▁▂", "."),
        **dict.fromkeys("▃▄", "_"),
        **dict.fromkeys("▅▆", "="),
        **dict.fromkeys("▇█▉▊▋▌", "#"),
        **dict.fromkeys("▍▎▏", ":"),
        "▔": "-",
        "▀": '"',
        "│": "|",
        "╷": ",",
        "║": "H",
        "╓": "h",
        "┊": ":",
        "┆": "!",
        "╎": "!",
        "─": "-",
        "━": "=",
        "┄": "~",
        "·": ".",
        "…": "~",
        "−": "-",
        "–": "-",
        "●": "*",
        "○": "o",
        "◂": "<",
        "×": "x",
        "±": "~",
        "\u00a0": " ",
    }
)


def clean(text: str) -> str:
    """``text`` as it may be shown: one line, no control or invisible format characters.

    Names come from profiles and device drivers; an escape sequence or a line break in one of
    them must not reach the terminal.
    """
    if text.isascii() and text.isprintable():
        return text
    kept = []
    for char in unicodedata.normalize("NFC", text):
        kind = unicodedata.category(char)
        if kind in ("Zs", "Zl", "Zp") or char in "\t\n\r":
            kept.append(" ")
        elif kind[0] != "C" and char not in "\ufe0e\ufe0f":
            kept.append(char)
    return "".join(kept)


def fit(text: str, width: int) -> str:
    """``text`` cut to at most ``width`` cells, ending in an ellipsis where something was cut."""
    if width <= 0:
        return ""
    if cell_len(text) <= width:
        return text
    kept, used = [], 0
    for char in text:
        size = get_character_cell_size(char)
        if used + size > width - 1:
            break
        kept.append(char)
        used += size
    return "".join(kept).rstrip() + ELLIPSIS


def wrap(text: str, width: int, lines: int) -> list[str]:
    """``text`` broken at spaces into at most ``lines`` lines of ``width`` cells."""
    words = clean(text).split()
    out: list[str] = []
    while words and len(out) < lines:
        if len(out) == lines - 1:
            out.append(fit(" ".join(words), width))
            break
        taken = 1
        while taken < len(words) and cell_len(" ".join(words[: taken + 1])) <= width:
            taken += 1
        out.append(fit(" ".join(words[:taken]), width))
        words = words[taken:]
    return out


class Canvas:
    """``height`` rows of ``width`` cells. Drawing outside the sheet is cut off silently."""

    def __init__(self, width: int, height: int) -> None:
        self.width = max(1, width)
        self.height = max(1, height)
        self._chars = [[" "] * self.width for _ in range(self.height)]
        self._styles = [["plain"] * self.width for _ in range(self.height)]

    def put(
        self,
        x: int,
        y: int,
        text: str,
        style: str = "plain",
        *,
        width: int | None = None,
        align: Align = "left",
    ) -> int:
        """Write ``text`` from cell (x, y) on; return the cell after it.

        With ``width`` the text is cut to, and placed within, that many cells.
        """
        if not 0 <= y < self.height:
            return x
        text = clean(text)
        if width is not None:
            text = fit(text, width)
            spare = width - cell_len(text)
            x += 0 if align == "left" else spare if align == "right" else spare // 2
        chars, styles = self._chars[y], self._styles[y]
        for char in text:
            size = 1 if char.isascii() else get_character_cell_size(char)
            if size == 0:
                if 0 < x <= self.width and chars[x - 1]:
                    chars[x - 1] += char
                continue
            if x >= 0 and x + size <= self.width:
                self._lift(chars, x, size)
                chars[x], styles[x] = char, style
                if size == 2:
                    chars[x + 1], styles[x + 1] = "", style
            x += size
        return x

    def char(self, x: int, y: int) -> str:
        """What stands in a cell; empty outside the sheet."""
        if 0 <= x < self.width and 0 <= y < self.height:
            return self._chars[y][x]
        return ""

    def fill(self, x: int, y: int, width: int, char: str, style: str = "plain") -> None:
        """Repeat a one-cell character ``width`` times."""
        self.put(x, y, char * max(0, min(width, self.width - x)), style)

    def band(self, y: int, style: str) -> None:
        """Give the whole row ``y`` one style, as ground for what is written on it."""
        if 0 <= y < self.height:
            self._styles[y] = [style] * self.width

    def frame(self, *, colour: bool) -> Frame:
        """The finished picture."""
        return Frame(
            tuple(
                tuple(_runs(chars, styles))
                for chars, styles in zip(self._chars, self._styles, strict=True)
            ),
            self.width,
            self.height,
            colour,
        )

    def _lift(self, chars: list[str], x: int, size: int) -> None:
        """Blank the other half of any two-cell character that is about to be half covered."""
        if chars[x] == "" and x > 0:
            chars[x - 1] = " "
        after = x + size
        if after < self.width and chars[after] == "":
            chars[after] = " "


def _runs(chars: list[str], styles: list[str]) -> Iterator[Run]:
    """Neighbouring cells of one style, joined."""
    start = 0
    for index in range(1, len(chars) + 1):
        if index == len(chars) or styles[index] != styles[start]:
            yield "".join(chars[start:index]), styles[start]
            start = index


@dataclass(frozen=True, slots=True)
class Frame:
    """One finished picture: a rich renderable of exactly ``height`` lines of ``width`` cells."""

    rows: tuple[tuple[Run, ...], ...]
    width: int
    height: int
    colour: bool

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for index in range(len(self.rows)):
            yield from self.row(index, options)
            yield Segment.line()

    def row(self, index: int, options: ConsoleOptions) -> Iterator[Segment]:
        """One row for rich, without a line's end."""
        table = COLOUR if self.colour else MONO
        for text, style in self.rows[index]:
            yield Segment(to_ascii(text) if options.ascii_only else text, table[style])

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        return Measurement(self.width, self.width)

    def lines(self) -> list[str]:
        """The picture as bare text, one string a row."""
        return ["".join(text for text, _ in row) for row in self.rows]


def to_ascii(text: str) -> str:
    """``text`` in ASCII and as wide as before."""
    text = text.translate(ASCII)
    if text.isascii():
        return text
    return "".join(c if c.isascii() else "?" * get_character_cell_size(c) for c in text)
