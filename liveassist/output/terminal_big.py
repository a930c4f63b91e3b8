"""Letters and digits several rows high, built from half blocks, for reading across a room."""

from __future__ import annotations

from liveassist.output.terminal_canvas import Canvas
from liveassist.output.terminal_plot import FULL, LOWER, UPPER

GLYPH_WIDTH, GLYPH_HEIGHT = 3, 5

#: Five rows of three dots each, one octal digit a row (4 left, 2 middle, 1 right).
GLYPHS = {
    "0": "75557", "1": "26227", "2": "71747", "3": "71717", "4": "55711", "5": "74717",
    "6": "74757", "7": "71122", "8": "75757", "9": "75717", "A": "25755", "B": "65656",
    "C": "34443", "D": "65556", "E": "74647", "F": "74644", "G": "34553", "H": "55755",
    "I": "72227", "J": "11152", "K": "55655", "L": "44447", "M": "57755", "N": "65555",
    "O": "25552", "P": "65644", "Q": "25563", "R": "65655", "S": "34216", "T": "72222",
    "U": "55557", "V": "55552", "W": "55775", "X": "55255", "Y": "55222", "Z": "71247",
    "−": "00700", "–": "00700", "-": "00700", "+": "02720", ".": "00002", ":": "02020",
    "%": "51245", "?": "71202", "!": "22202", "/": "11244", " ": "00000",
}  # fmt: skip
_UNKNOWN = "77777"


def big_size(text: str, scale: int) -> tuple[int, int]:
    """Cells across and rows down that ``text`` takes at ``scale``."""
    width = len(text) * (GLYPH_WIDTH + 1) * scale - scale if text else 0
    return width, -(-GLYPH_HEIGHT * scale // 2)


def best_scale(text: str, width: int, rows: int) -> int:
    """The largest scale at which ``text`` fits; 0 where it does not fit at all."""
    scale = 0
    while True:
        across, down = big_size(text, scale + 1)
        if not text or across > width or down > rows:
            return scale
        scale += 1


def draw_big(canvas: Canvas, x: int, y: int, text: str, scale: int, style: str) -> int:
    """Draw ``text`` with its upper left corner at (x, y); return the cell after it."""
    dots = _dots(text.upper(), scale)
    for row in range(0, len(dots), 2):
        upper = dots[row]
        lower = dots[row + 1] if row + 1 < len(dots) else [False] * len(upper)
        line = "".join(_block(up, low) for up, low in zip(upper, lower, strict=True))
        canvas.put(x, y + row // 2, line, style)
    return x + big_size(text, scale)[0]


def _dots(text: str, scale: int) -> list[list[bool]]:
    rows: list[list[bool]] = []
    for row in range(GLYPH_HEIGHT):
        line: list[bool] = []
        for char in text:
            bits = int(GLYPHS.get(char, _UNKNOWN)[row])
            for place in (4, 2, 1):
                line += [bool(bits & place)] * scale
            line += [False] * scale
        rows += [line[: len(line) - scale]] * scale
    return rows


def _block(upper: bool, lower: bool) -> str:
    if upper and lower:
        return FULL
    return UPPER if upper else LOWER if lower else " "
