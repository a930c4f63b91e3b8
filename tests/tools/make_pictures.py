"""Draw the pictures of the documents from the demo's session, analysed as fast as it goes.

    python tests/tools/make_pictures.py

The dashboard's pages are drawn as the terminal would show them; the report and a comparison are
made by their commands and photographed in a real browser. Run it after a change to any of them and
look at the pictures before they are committed.
"""

from __future__ import annotations

import base64
import io
import sys
import tempfile
from importlib import import_module
from pathlib import Path

from liveassist.app.comparing import CompareRequest, compare
from liveassist.app.config import parse_kit
from liveassist.app.demo import DEFAULT_SCENARIO, open_scene, scene_blocks
from liveassist.app.marks import Span
from liveassist.app.notes import NoteKeeper
from liveassist.app.reporting import ReportRequest, write_report
from liveassist.app.resources import simulator
from liveassist.app.saying import TakeWords
from liveassist.app.session import Session
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.steering import Steering
from liveassist.app.takes import TakesRequest, takes
from liveassist.output.terminal_picture import export_svg
from liveassist.pipeline import Pipeline

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "liveassist" / "docs"
sys.path.insert(0, str(ROOT))

#: When the dashboard is pictured: late in the third take of the demo, with two to compare, s.
MOMENT_S = 88.0
#: Name, page, cells across and down.
PAGES = (
    ("dashboard", "main", 120, 36),
    ("dashboard_small", "main", 80, 24),
    ("dashboard_narrow", "main", 40, 12),
    ("dashboard_large", "large", 80, 24),
    ("dashboard_takes", "takes", 80, 24),
    ("dashboard_between", "between", 80, 24),
)
#: Part of the report that is photographed, CSS pixels: at a desk, and on a telephone.
SHOTS = (("report", 1280, 2250), ("report_phone", 360, 1400))
#: Tempo of the demo's song, beats a minute.
TEMPO = "126"


def main() -> None:
    """Write the pictures."""
    with tempfile.TemporaryDirectory() as scratch:
        today = Path(scratch) / "today"
        _dashboard(today)
        _pages(today, Path(scratch))


def _dashboard(folder: Path) -> None:
    scene = open_scene(DEFAULT_SCENARIO)
    kit = parse_kit(scene.kit_toml, f"scenario {scene.name}")
    rate_hz = int(scene.sample_rate_hz)
    pipeline = Pipeline(kit, rate_hz)
    steering = Steering(pipeline)
    session = Session(
        pipeline,
        kit,
        rate_hz,
        files=SessionFiles(folder),
        takes=[Span(take.name, take.start_s, take.end_s) for take in scene.takes],
        source=f"simulated: {scene.name}",
        steering=steering,
    )
    steering.desk.notes = NoteKeeper(folder)
    pictured = False
    for block in scene_blocks(scene, scene.total_frames):
        session.feed(block)
        if not pictured and session.samples_heard >= MOMENT_S * rate_hz:
            pictured = True
            steering.do("take/star", ("gannet_road_1",))
            steering.do("take/note", ("fill at the end is early", "gannet_road_2"))
            steering.notice = ""
            snapshot = session.snapshot()
            for name, page, width, height in PAGES:
                path = FOLDER / f"{name}.svg"
                # In the list, the take with a note is chosen.
                scroll = 1 if page == "takes" else 0
                print(export_svg(snapshot, path, width, height, page=page, scroll=scroll))
    session.finish()
    steering.desk.notes.close()


def _pages(today: Path, scratch: Path) -> None:
    """The report and a comparison of two takes, photographed."""
    from tests.realparts.browser import Browser

    said = TakeWords(
        tempos=(TEMPO,),
        songs=tuple(f"gannet_road_{n}=gannet road" for n in range(1, 6)),
    )
    takes(TakesRequest(today, words=said), io.StringIO())
    write_report(ReportRequest(today), sys.stdout)
    choice = _choice(scratch)
    with Browser(scratch / "profile") as browser:
        for name, width, height in SHOTS:
            _photograph(browser, today / "report.html", name, width, height)
        _photograph(browser, choice, "compare", 1280, 1500)


def _choice(scratch: Path) -> Path:
    """The page of a comparison: the snare of the first take and of the third, gone flat."""
    write_scene = import_module(f"{simulator().__name__}.write").write_scene  # type: ignore[attr-defined]
    write_scene(open_scene(DEFAULT_SCENARIO), scratch, seconds=95.0, stem="take")
    recorded = scratch / "take.flac"
    page = scratch / "choice.html"
    request = CompareRequest(
        stretches=(f"first={recorded}@3:28", f"flat={recorded}@66:91"),
        kit=str(scratch / "take.kit.toml"),
        wishes=("shorter", "fuller-soft"),
        out=page,
    )
    compare(request, sys.stdout, sys.stderr)
    return page


def _photograph(browser: object, page: Path, name: str, width: int, height: int) -> None:
    """The top of a page as a PNG of few colours."""
    from PIL import Image

    browser.open(page.as_uri(), width)  # type: ignore[attr-defined]
    shot = browser.ask(  # type: ignore[attr-defined]
        "Page.captureScreenshot",
        format="png",
        captureBeyondViewport=True,
        clip={"x": 0, "y": 0, "width": width, "height": height, "scale": 1},
    )
    picture = Image.open(io.BytesIO(base64.b64decode(shot["data"]))).convert("RGB")
    path = FOLDER / f"{name}.png"
    picture.quantize(160, dither=Image.Dither.NONE).save(path, optimize=True)
    print(path)


if __name__ == "__main__":
    main()
