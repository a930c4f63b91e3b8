"""The parts of an HTML page: tables that become cards on a telephone, plots in two widths, style.

No script, no font, no picture from elsewhere: its own policy keeps it off the network.
"""

from __future__ import annotations

from collections.abc import Sequence

from liveassist.output.report_svg import CARD, NARROW, WIDE, Draw, escape, svg

#: Dark text on white (contrast above 7:1, the enhanced level of WCAG 2.1, 1.4.6).
_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 1240px; padding: 0 16px 48px; color: #1a1a1a; background: #fff;
  font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.7rem; margin: 24px 0 4px; overflow-wrap: anywhere; }
h2 { font-size: 1.3rem; margin: 40px 0 8px; border-bottom: 2px solid #1a1a1a; }
h3 { font-size: 1.05rem; margin: 20px 0 6px; }
p, ul { margin: 6px 0 10px; max-width: 75ch; }
ul { padding-left: 20px; }
.sub { color: #444; }
nav { display: flex; flex-wrap: wrap; gap: 4px 16px; margin: 12px 0; }
nav a { color: #00507e; padding: 4px 0; }
.cards { display: grid; grid-template-columns: repeat(auto-fit, minmax(300px, 1fr)); gap: 16px; }
.card { border: 1px solid #888; border-radius: 6px; padding: 4px 16px 8px; min-width: 0; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 16px; align-items: start; }
figure { margin: 12px 0; min-width: 0; }
figcaption { color: #333; font-size: .95rem; max-width: 85ch; }
svg { display: block; width: 100%; height: auto; font-family: inherit; }
.card-size { max-width: 640px; }
.narrow { display: none; max-width: 460px; }
table { border-collapse: collapse; width: 100%; margin: 10px 0; }
caption { text-align: left; font-weight: 600; padding: 4px 0; }
th, td { text-align: left; vertical-align: top; padding: 5px 10px 5px 0;
  border-bottom: 1px solid #bbb; overflow-wrap: anywhere; }
td.n { font-variant-numeric: tabular-nums; }
td:nth-last-child(n+2), thead th, th:nth-last-child(n+2) { overflow-wrap: normal; }
.mark { font-weight: 700; }
dt { font-weight: 600; margin-top: 8px; } dd { margin: 0 0 4px 16px; max-width: 75ch; }
footer { margin-top: 40px; color: #444; font-size: .9rem; }
@media screen and (max-width: 760px) {
  .wide { display: none; } .narrow { display: block; }
  .pair { grid-template-columns: 1fr; }
  thead { position: absolute; left: -9999px; }
  table, tbody, tr, td, th, caption { display: block; width: 100%; }
  tr { border: 1px solid #999; border-radius: 6px; padding: 4px 10px; margin: 8px 0; }
  td, tbody th { border: 0; padding: 2px 0; display: flex; gap: 12px; overflow-wrap: anywhere; }
  td::before { content: attr(data-label); flex: 0 0 38%; color: #444; }
  td:empty { display: none; }
}
@media print {
  @page { margin: 14mm; }
  body { font-size: 10.5pt; max-width: none; padding: 0; }
  nav { display: none; }
  .cards { grid-template-columns: repeat(3, 1fr); gap: 8px; }
  .card { padding: 0 8px; }
  figure, tr, .card { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
  section.page { break-before: page; }
}
"""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def page(title: str, body: str) -> str:
    """A whole page; ``body`` is HTML."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )


def section(ident: str, title: str, body: str, *, new_page: bool = False) -> str:
    """A part of the page with its heading; ``new_page`` when printed."""
    kind = ' class="page"' if new_page else ""
    return (
        f'<section id="{ident}"{kind} aria-labelledby="{ident}-h">'
        f'<h2 id="{ident}-h">{escape(title)}</h2>\n{body}</section>\n'
    )


def bullets(lines: Sequence[str]) -> str:
    """Sentences as a list."""
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>\n"


def paragraph(text: str, kind: str = "") -> str:
    """A sentence or several."""
    opened = f'<p class="{kind}">' if kind else "<p>"
    return f"{opened}{escape(text)}</p>\n"


def card(title: str, lines: Sequence[str]) -> str:
    """A box with a heading and a list."""
    return f'<div class="card"><h3>{escape(title)}</h3>\n{bullets(lines)}</div>\n'


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table whose first column names the row; on a narrow screen each row is a card."""
    if not rows:
        return ""
    top = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    lines = []
    for row in rows:
        first = f'<th scope="row">{escape(row[0])}</th>'
        cells = "".join(
            f'<td class="n" data-label="{escape(head)}">{escape(cell)}</td>'
            for head, cell in zip(heads[1:], row[1:], strict=True)
        )
        lines.append(f"<tr>{first}{cells}</tr>")
    return (
        f"<table><caption>{escape(_opening(caption))}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>\n"
    )


def _opening(text: str) -> str:
    """As at the beginning of a sentence; a name with an underscore is a name, and stays."""
    first = text.split(" ", 1)[0]
    return text if "_" in first else text[:1].upper() + text[1:]


def plot(draw: Draw, ident: str, title: str, words: str) -> str:
    """A plot as wide as the page; a second drawing of it, with letters as large, for telephones.

    ``words`` say below it, and to a screen reader in its place, what it shows.
    """
    wide = svg(draw, WIDE, title, words, f"{ident}-w")
    narrow = svg(draw, NARROW, title, words, f"{ident}-n")
    return (
        f'<figure><div class="wide">{wide}</div><div class="narrow">{narrow}</div>'
        f"<figcaption>{escape(_opening(title))}. {escape(_opening(words))}</figcaption></figure>\n"
    )


def small_plot(
    draw: Draw,
    ident: str,
    title: str,
    words: str,
    size: tuple[float, float] = CARD,
    narrow: tuple[float, float] = NARROW,
) -> str:
    """A plot half as wide as the page, and the same for telephones."""
    wide = svg(draw, size, title, words, f"{ident}-w")
    small = svg(draw, narrow, title, words, f"{ident}-n")
    return (
        f'<figure class="card-size"><div class="wide">{wide}</div><div class="narrow">{small}</div>'
        f"<figcaption>{escape(_opening(title))}. {escape(_opening(words))}</figcaption></figure>\n"
    )
