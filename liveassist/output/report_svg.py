"""A plot as SVG text that stands inside an HTML page, drawn by matplotlib.

Without its windows and without its global state. Text stays text, so that it can be searched,
copied and read aloud; a title and a description stand for the picture where it cannot be seen.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from liveassist.errors import OutputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Colours of M. Okabe and K. Ito, "Color Universal Design" (2008), told apart by colour-blind eyes.
BLUE, ORANGE, GREEN, VERMILION = "#0072B2", "#E69F00", "#009E73", "#D55E00"
PURPLE, SKY, GREY, BAND = "#CC79A7", "#56B4E9", "#666666", "#e8e8e8"
#: Colour and mark of the first, second ... of several like things.
SERIES = ((BLUE, "o"), (VERMILION, "s"), (GREEN, "^"), (PURPLE, "D"), (ORANGE, "v"))
#: Width and height of a plot on a page, inches at 96 points: a telephone's and a desk's.
NARROW, WIDE, CARD = (3.45, 2.9), (11.6, 3.1), (5.4, 3.2)
Draw = Callable[["Figure"], None]


def svg(draw: Draw, size: tuple[float, float], title: str, description: str, ident: str) -> str:
    """What ``draw`` puts on a figure of ``size`` inches, as one ``<svg>`` element.

    ``title`` and ``description`` are read aloud in its place; ``ident`` must be unique on the page.
    OutputError where matplotlib is missing.
    """
    with _figure(size, ident) as figure:
        draw(figure)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return _embedded(text.getvalue(), title, description, ident)


@contextmanager
def _figure(size: tuple[float, float], ident: str) -> Iterator[Figure]:
    try:
        import matplotlib as mpl
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure as NewFigure
    except ImportError as error:
        raise OutputError(
            f"the plots need matplotlib, which cannot be used here ({error}); install it with: "
            "pip install matplotlib"
        ) from None
    settings: Any = {
        "svg.fonttype": "none",
        # Makes the same session give the same page, and keeps names apart between its plots.
        "svg.hashsalt": ident,
        "font.family": "sans-serif",
        "font.size": 9.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "grid.color": "#dddddd",
        "grid.linewidth": 0.6,
        "axes.axisbelow": True,
        "figure.dpi": 72,
        "savefig.dpi": 144,
    }
    with mpl.rc_context(settings):
        figure = NewFigure(figsize=size, layout="constrained")
        FigureCanvasSVG(figure)
        yield figure


def _embedded(text: str, title: str, description: str, ident: str) -> str:
    """Cut everything before the element and its metadata; put the words in."""
    body = text[text.index("<svg") :].strip()
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.S)
    head, _, rest = body.partition(">")
    box = re.search(r'viewBox="([^"]+)"', head)
    assert box is not None
    words = f'<title id="{ident}-t">{escape(title)}</title>'
    words += f'<desc id="{ident}-d">{escape(description)}</desc>'
    opened = (
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'role="img" aria-labelledby="{ident}-t {ident}-d" viewBox="{box[1]}">'
    )
    # Names inside one plot must not meet those of another.
    return opened + words + _own_names(rest, ident)


def _own_names(text: str, ident: str) -> str:
    text = re.sub(r'\bid="([^"]+)"', rf'id="{ident}-\1"', text)
    text = re.sub(r'(xlink:href="#)', rf"\1{ident}-", text)
    return re.sub(r"url\(#", f"url(#{ident}-", text)


def escape(text: str) -> str:
    """Text as HTML and XML want it."""
    for plain, safe in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        text = text.replace(plain, safe)
    return text


def signed(value: float, decimals: int = 0) -> str:
    """A number with a true minus sign."""
    text = f"{abs(value):.{decimals}f}"
    return f"−{text}" if value < 0 and float(text) != 0.0 else text


def clock(seconds: float) -> str:
    """``1:07``, ``1:02:05``."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
