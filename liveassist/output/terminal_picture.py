"""A picture of the dashboard as a scalable drawing, for documents."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from html import escape
from pathlib import Path

from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.terminal_theme import TerminalTheme

from liveassist.errors import StorageError
from liveassist.model import Snapshot
from liveassist.output.terminal_canvas import Frame
from liveassist.output.terminal_pages import render
from liveassist.output.terminal_plain import plain_lines

#: Background, foreground, then black, red, green, yellow, blue, magenta, cyan, white and their
#: bright forms. Hues after Okabe and Ito, "Color universal design" (2008), lightened to be read
#: on a dark ground.
THEME = TerminalTheme(
    (20, 22, 26),
    (226, 228, 230),
    [
        (20, 22, 26),
        (240, 120, 60),
        (60, 190, 150),
        (240, 200, 70),
        (70, 140, 220),
        (215, 140, 185),
        (110, 195, 240),
        (226, 228, 230),
    ],
    [
        (110, 116, 124),
        (250, 140, 85),
        (90, 210, 170),
        (250, 220, 100),
        (95, 165, 235),
        (230, 165, 205),
        (140, 210, 245),
        (255, 255, 255),
    ],
)

#: Height of a row in rich's drawing (20 pixels of type, 1.22 of leading), and the margin around.
ROW_PIXELS, MARGIN_PIXELS = 24.4, 9

#: No fonts are fetched from anywhere: whatever fixed-width font the reader has will do.
_DRAWING = """\
<svg role="img" viewBox="0 0 {width} LIVEASSIST_HEIGHT" xmlns="http://www.w3.org/2000/svg">
<title>The liveassist dashboard</title>
<desc>LIVEASSIST_DESCRIPTION</desc>
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace;
 font-size: {char_height}px; line-height: {line_height}px; white-space: pre; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
</clipPath>
{lines}
</defs>
<rect width="{width}" height="LIVEASSIST_HEIGHT" rx="6" fill="#14161a" />
<g transform="translate({terminal_x}, 9)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


@dataclass(frozen=True, slots=True)
class _Apart:
    """A frame with every word a piece of its own.

    Each piece is placed by itself in the drawing, so that neither collapsed spaces nor a font of
    another width can shift what follows.
    """

    frame: Frame

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for item in self.frame.__rich_console__(console, options):
            if isinstance(item, Segment) and item.text != "\n":
                for piece in re.findall(r" +|[^ ]+", item.text):
                    yield Segment(piece, item.style)
            else:
                yield item


def export_svg(
    snapshot: Snapshot,
    path: str | Path,
    width: int = 80,
    height: int = 24,
    *,
    page: str = "main",
    scroll: int = 0,
) -> Path:
    """Draw ``snapshot`` at ``width`` by ``height`` cells into the SVG file ``path``.

    The drawing carries the plain sentences as its description for those who cannot see it.
    StorageError where the file cannot be written.
    """
    console = Console(
        record=True,
        file=io.StringIO(),
        width=width,
        height=height,
        force_terminal=True,
        color_system="truecolor",
        no_color=False,
        legacy_windows=False,
    )
    console.print(_Apart(render(snapshot, width, height, page=page, scroll=scroll)), end="")
    text = console.export_svg(title="", theme=THEME, code_format=_DRAWING, unique_id="liveassist")
    described = escape(" ".join(plain_lines(snapshot)))
    text = text.replace("LIVEASSIST_DESCRIPTION", described)
    text = text.replace("LIVEASSIST_HEIGHT", f"{height * ROW_PIXELS + 2 * MARGIN_PIXELS:g}")
    target = Path(path)
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as problem:
        raise StorageError(
            f"The picture cannot be written to {target}: {problem.strerror}. "
            "Choose a folder that exists and that you may write to."
        ) from problem
    return target
