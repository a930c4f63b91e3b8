"""Draw the pictures of the three set-ups in profiles/surfaces/README.md.

    python tests/tools/draw_setups.py

Lines and letters follow the reader's light or dark scheme; nothing is told by colour alone.
"""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import escape

FOLDER = Path(__file__).parents[2] / "profiles" / "surfaces"
STYLE = """
text { font: 13px system-ui, sans-serif; fill: #222 }
.small { font-size: 11px }
.head { font-weight: 600 }
.box { fill: #f3f3ef; stroke: #444; stroke-width: 1.3 }
.line { fill: none; stroke: #444; stroke-width: 1.3 }
.sound { fill: none; stroke: #8a5a00; stroke-width: 2 }
.word { fill: none; stroke: #00587a; stroke-width: 1.6; stroke-dasharray: 6 3 }
.full { fill: #00587a; stroke: none }
.warm { fill: #8a5a00; stroke: none }
.net { fill: none; stroke: #888; stroke-width: 1; stroke-dasharray: 2 4 }
@media (prefers-color-scheme: dark) {
text { fill: #e8e8e4 }
.box { fill: #2b2d30; stroke: #b8b8b2 }
.line { stroke: #b8b8b2 }
.sound { stroke: #f0b34a }
.word { stroke: #6cc6ea }
.full { fill: #6cc6ea }
.warm { fill: #f0b34a }
.net { stroke: #888 }
}
"""


class Drawing:
    """One picture; places in pixels from the top left."""

    def __init__(self, width: int, height: int, title: str, words: str) -> None:
        self._size = (width, height)
        self._parts = [f"<title>{escape(title)}</title>", f"<desc>{escape(words)}</desc>"]
        self._parts.append(f"<style>{STYLE}</style>")

    def text(self, x: float, y: float, text: str, cls: str = "", anchor: str = "middle") -> None:
        """A line of text; ``y`` is its base line."""
        kind = f' class="{cls}"' if cls else ""
        self._parts.append(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}"{kind}>{escape(text)}</text>'
        )

    def box(
        self, x: float, y: float, w: float, h: float, *lines: str, cls: str = "box", r: int = 6
    ) -> None:
        """A box with lines of text in its middle, the first one bold."""
        self._parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="{r}" class="{cls}"/>'
        )
        top = y + h / 2 + 5 - 8 * (len(lines) - 1)
        for number, line in enumerate(lines):
            kind = "small" if number else "head"
            self.text(x + w / 2, top + 16 * number, line, kind)

    def path(self, data: str, cls: str = "line") -> None:
        """Any path."""
        self._parts.append(f'<path d="{data}" class="{cls}"/>')

    def arrow(self, x: float, y: float, to_x: float, to_y: float, cls: str = "sound") -> None:
        """An arrow, level or upright."""
        self.path(f"M{x:g} {y:g}L{to_x:g} {to_y:g}", cls)
        tip = "full" if cls == "word" else "warm"
        if y == to_y:
            s = 8 if to_x > x else -8
            self.path(f"M{to_x:g} {to_y:g}l{-s} -4v8z", tip)
        else:
            s = 8 if to_y > y else -8
            self.path(f"M{to_x:g} {to_y:g}l-4 {-s}h8z", tip)

    def drums(self, x: float, y: float) -> None:
        """A small kit with a microphone at it."""
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="26" class="box"/>')
        self._parts.append(f'<ellipse cx="{x - 34:g}" cy="{y - 22:g}" rx="18" ry="7" class="box"/>')
        self.path(f"M{x - 52:g} {y - 22:g}v16M{x - 16:g} {y - 22:g}v10")
        self.path(f"M{x + 22:g} {y - 46:g}l38 -8M{x + 41:g} {y - 50:g}v74")
        self.text(x - 4, y + 44, "drums", "small")

    def save(self, name: str) -> None:
        """Write the picture."""
        width, height = self._size
        head = f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {width} {height}">'
        (FOLDER / name).write_text("\n".join([head, *self._parts, "</svg>"]) + "\n", "utf-8")


def _studio(draw: Drawing, y: float) -> None:
    """Drums, microphones, preamplifiers, and both who listen."""
    draw.drums(80, y)
    draw.arrow(125, y, 180, y)
    draw.text(152, y - 8, "mics", "small")
    draw.box(182, y - 24, 96, 48, "preamps")
    draw.path(f"M278 {y:g}H310V{y - 70:g}H348", "sound")
    draw.path(f"M310 {y:g}V{y + 50:g}H348", "sound")
    draw.path(f"M348 {y - 70:g}l-8 -4v8z", "warm")
    draw.path(f"M348 {y + 50:g}l-8 -4v8z", "warm")
    draw.box(350, y - 94, 130, 48, "recorder", "records, as ever")
    draw.box(350, y + 20, 130, 60, "computer", "with liveassist")


def tablet() -> None:
    """OSC both ways in one network."""
    draw = Drawing(
        760, 300, "A tablet beside the recorder",
        "Drums go through microphones and preamplifiers to the recorder and to the computer with "
        "liveassist. The computer sends hits and figures to port 9000 of the tablet, and hears "
        "its commands on port 9001. Both are in one network.",
    )  # fmt: skip
    _studio(draw, 130)
    draw.box(335, 138, 405, 148, cls="net", r=10)
    draw.text(548, 280, "one network", "small")
    draw.box(620, 150, 100, 104, r=10)
    draw.text(670, 172, "tablet", "head")
    draw.text(670, 196, "spread 1.4 dB", "small")
    draw.box(634, 206, 72, 34, "take")
    draw.arrow(480, 168, 618, 168, "word")
    draw.text(549, 160, "hits, figures → 9000", "small")
    draw.arrow(620, 210, 482, 210, "word")
    draw.text(549, 226, "9001 ← commands", "small")
    draw.save("setup_tablet.svg")


def faders() -> None:
    """A fader bank and a pad grid on MIDI."""
    draw = Drawing(
        760, 330, "Faders and pads",
        "The computer with liveassist and two MIDI devices. On the fader bank eight faders show "
        "kick level, snare level, kick spread, snare spread, kick margin, snare margin, ring and "
        "alerts; four buttons turn to page 1, page 2, start a take and put a mark. On the pad grid "
        "the upper pads show take, alerts, kick and snare; the lower ones the two microphones and "
        "a flash as loud as each hit.",
    )  # fmt: skip
    draw.box(20, 130, 130, 60, "computer", "with liveassist")
    draw.path("M150 150H186V80H218", "word")
    draw.path("M218 80l-8 -4v8z", "full")
    draw.path("M150 170H186V262H218", "word")
    draw.path("M218 262l-8 -4v8z", "full")
    draw.text(92, 215, "MIDI, both ways", "small")
    draw.box(220, 16, 520, 170)
    names = ("kick", "snare", "kick", "snare", "kick", "snare", "ring", "alerts")
    whats = ("level", "level", "spread", "spread", "margin", "margin", "", "")
    for number, (name, what) in enumerate(zip(names, whats, strict=True)):
        x = 256 + 50 * number
        place = 36 + (22, 30, 54, 48, 34, 58, 40, 64)[number]
        draw.path(f"M{x} 32V104")
        draw.box(x - 12, place - 6, 24, 12, cls="full", r=2)
        draw.text(x, 122, name, "small")
        draw.text(x, 136, what, "small")
    for number, word in enumerate(("page 1", "page 2", "take", "mark")):
        draw.box(650, 26 + 38 * number, 78, 30)
        draw.text(689, 46 + 38 * number, word, "small")
    draw.text(430, 174, "fader bank: page 2 shows suggested thresholds and releases", "small")
    draw.box(220, 204, 520, 112)
    pads = ("take", "alerts", "kick", "snare", "mic k", "mic s", "hit k", "hit s")
    for number, word in enumerate(pads):
        x, y = 236 + 66 * (number % 4), 216 + 44 * (number // 4)
        draw.box(x, y, 58, 36, r=4)
        draw.text(x + 29, y + 16, word, "small")
        mark = ("● runs", "▲ look", "✓ good", "▲ look", "✓ good", "■ stop", "", "")[number]
        draw.text(x + 29, y + 30, mark or "flash", "small")
    draw.text(508, 236, "pad grid: lights in the values you taught", "small", "start")
    draw.text(508, 254, "(liveassist learn); stop blinks; the pads", "small", "start")
    draw.text(508, 272, "of take and alerts are buttons too", "small", "start")
    draw.save("setup_faders.svg")


def recorder() -> None:
    """Transport, clock and time code; a foot switch."""
    draw = Drawing(
        760, 400, "Hands full: the recorder's transport, and a foot switch",
        "The recorder sends start, stop, clock and time code over MIDI to the computer; a foot "
        "switch puts marks. Below, a line of time: the take begins with the recorder's start and "
        "ends with its stop; bars are counted by its clock, its time code is written at both ends, "
        "and each hit lies a few milliseconds before or after a sixteenth.",
    )  # fmt: skip
    _studio(draw, 130)
    draw.path("M480 60H560V170H484", "word")
    draw.path("M482 170l8 -4v8z", "full")
    draw.text(570, 90, "MIDI: start, stop,", "small", "start")
    draw.text(570, 106, "record; clock;", "small", "start")
    draw.text(570, 122, "time code", "small", "start")
    draw.box(620, 172, 110, 48, "foot switch", "marks")
    draw.arrow(620, 196, 482, 196, "word")
    draw.text(552, 212, "MIDI", "small")
    y = 330
    draw.path(f"M40 {y}H730")
    for number in range(17):
        x = 120 + 32 * number
        draw.path(f"M{x} {y}v{-14 if number % 4 == 0 else -7}")
        if number % 4 == 0 and number < 16:
            draw.text(x + 4, y + 18, f"bar {1 + number // 4}", "small", "start")
    draw.box(120, y - 58, 512, 22, cls="box", r=3)
    draw.text(376, y - 42, "take 3", "head")
    for x in (121, 187, 248, 315, 376, 441, 506, 570):
        draw.path(f"M{x} {y - 30}l4 10h-8z", "warm")
    draw.text(120, y + 40, "01:00:41:12", "small")
    draw.text(632, y + 40, "01:00:49:12", "small")
    draw.text(120, y + 56, "start", "small")
    draw.text(632, y + 56, "stop", "small")
    draw.text(376, y + 48, "hits against the sixteenths of the recorder's clock, in ms", "small")
    draw.save("setup_recorder.svg")


if __name__ == "__main__":
    tablet()
    faders()
    recorder()
