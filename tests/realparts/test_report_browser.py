"""The report in a real browser: no error, no network, room on a telephone and on a desk."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from liveassist.app.notes import Notes, write_notes
from liveassist.app.sessionfolder import read_session
from liveassist.output.report import report
from tests.realparts.browser import Browser
from tests.unit.output import stored_samples

pytestmark = pytest.mark.realparts

#: Letters smaller than this are hard to read on a telephone, CSS pixels (common practice).
SMALLEST_PX = 8.0
#: Elements (other than inside plots) that stick out of the screen.
OVERHANG = """[...document.querySelectorAll('body *')]
  .filter(e => !e.closest('svg') && getComputedStyle(e).position !== 'absolute'
    && e.getClientRects().length && e.getBoundingClientRect().right > innerWidth + 1)
  .map(e => e.tagName + ' ' + e.textContent.slice(0, 40))"""
#: Height on screen of the smallest letters of the plots that are shown.
SMALLEST = """Math.min(...[...document.querySelectorAll('svg')]
  .filter(s => s.getClientRects().length)
  .flatMap(s => { const scale = s.getBoundingClientRect().width / s.viewBox.baseVal.width;
    return [...s.querySelectorAll('text')]
      .map(t => parseFloat(getComputedStyle(t).fontSize) * scale) }))"""
OVERLAP = """[...document.querySelectorAll('main > section')].filter((s, i, all) =>
  i && s.getBoundingClientRect().top < all[i - 1].getBoundingClientRect().bottom - 1).length"""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = stored_samples.write_session(tmp_path_factory.mktemp("report") / "evening")
    said = Notes(
        notes={"session": "first night", "again": "fill too early", "snare_top": "gain 34"},
        stars=frozenset({"again"}),
        songs=dict.fromkeys(("verse & chorus", "again"), "gannet road"),
        tempos={"": 120.0},
    )
    write_notes(folder, said)
    path = folder / "report.html"
    path.write_text(report(read_session(folder)), encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fits_and_asks_for_nothing(page: Path, tmp_path: Path, width: int) -> None:
    with Browser(tmp_path / "profile") as browser:
        browser.open(page.as_uri(), width)
        assert browser.evaluate("document.documentElement.scrollWidth") == width
        assert browser.evaluate(OVERHANG) == []
        assert browser.evaluate(OVERLAP) == 0
        assert browser.evaluate(SMALLEST) >= SMALLEST_PX
        shown = browser.evaluate(
            "[...document.querySelectorAll('svg')].filter(s => s.getClientRects().length).length"
        )
        assert shown == 10, "each plot once, in the drawing meant for this width"
        assert browser.evaluate("document.querySelectorAll('h2').length") == 12
        browser.picture(tmp_path / "page.png")
        elsewhere = [one for one in browser.requests if not one.startswith(("data:", "file:"))]
        assert elsewhere == []
        assert browser.requests[0] == page.as_uri()
        assert browser.complaints == []
    assert _colours(tmp_path / "page.png") > 20, "the picture is not blank"


def test_the_page_prints(page: Path, tmp_path: Path) -> None:
    with Browser(tmp_path / "profile") as browser:
        browser.open(page.as_uri(), 1280)
        paper = browser.paper()
    assert paper.startswith(b"%PDF-")
    assert 4 <= paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") <= 16


def _colours(path: Path) -> int:
    """How many different bytes the picture's data holds, from its PNG chunks."""
    data, at, packed = path.read_bytes(), 8, b""
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        if data[at + 4 : at + 8] == b"IDAT":
            packed += data[at + 8 : at + 8 + size]
        at += size + 12
    return len(set(zlib.decompress(packed)))
