"""Draw the dashboard pictures of the documents from the demo's session, as fast as it goes.

    python tests/tools/make_pictures.py

Run it after a change to the dashboard and look at the pictures before they are committed.
"""

from __future__ import annotations

from pathlib import Path

from liveassist.app.config import parse_kit
from liveassist.app.demo import DEFAULT_SCENARIO, open_scene, scene_blocks
from liveassist.app.marks import Span
from liveassist.app.session import Session
from liveassist.output.terminal_picture import export_svg
from liveassist.pipeline import Pipeline

FOLDER = Path(__file__).resolve().parents[2] / "liveassist" / "docs"
#: When the picture is taken: late in the third take of the demo, with two takes to compare, s.
MOMENT_S = 88.0


def main() -> None:
    """Write the pictures."""
    scene = open_scene(DEFAULT_SCENARIO)
    kit = parse_kit(scene.kit_toml, f"scenario {scene.name}")
    rate_hz = int(scene.sample_rate_hz)
    session = Session(
        Pipeline(kit, rate_hz),
        kit,
        rate_hz,
        takes=[Span(take.name, take.start_s, take.end_s) for take in scene.takes],
        source=f"simulated: {scene.name}",
    )
    for block in scene_blocks(scene, round(MOMENT_S * rate_hz)):
        session.feed(block)
    snapshot = session.snapshot()
    FOLDER.mkdir(exist_ok=True)
    for name, width, height in (("dashboard", 120, 36), ("dashboard_small", 80, 24)):
        print(export_svg(snapshot, FOLDER / f"{name}.svg", width, height))


if __name__ == "__main__":
    main()
