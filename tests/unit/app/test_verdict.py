"""What is said between takes, through the whole analysis: when, and on which outputs.

Two marked takes of an invented song; before the second the snare's preamp is turned down by 6 dB.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.config import parse_kit
from liveassist.app.livelog import LiveLog
from liveassist.model import Block, Snapshot
from liveassist.output.midi_map import light_meaning
from liveassist.output.osc_messages import messages_for_snapshot
from liveassist.output.surface_model import Light
from liveassist.output.terminal_reading import between_paragraphs
from liveassist.pipeline import Pipeline
from sim.scenario import parse_plan
from sim.scene import Scene

HOP = 4800
VERSE = """
hihat | X-x-X-x- X-x-X-x- |
snare | ----X--g -g--X--g |
kick  | X-----x- X-x----- |
"""
SESSION = {
    "kit": "six_mic",
    "seed": 5,
    "groove": [{"name": "verse", "pattern": VERSE}],
    "drummer": {"spread_db": 1.0, "level_db": {"snare": -7.0, "kick": -7.0}},
    "take": [
        {"name": "one", "bpm": 126, "song": ["verse*8"]},
        {"name": "two", "bpm": 126, "gap_s": 4.0, "song": ["verse*8"]},
    ],
    "event": [{"kind": "gain", "mic": "snare", "db": -6.0, "take": "two", "after_s": -2.0}],
}


def snapshots(marked: bool) -> Iterator[tuple[float, Snapshot]]:
    """(time, figures) every tenth of a second, takes marked where the scene has them."""
    scene = Scene(parse_plan(SESSION, Path("two_takes.toml")))
    rate = scene.sample_rate_hz
    pipeline = Pipeline(parse_kit(scene.kit_toml, "simulated"), rate)
    todo = [(round(edge * rate), edge == t.start_s, t.name)
            for t in scene.takes for edge in (t.start_s, t.end_s)]  # fmt: skip
    for at in range(0, scene.total_frames, HOP):
        pipeline.feed(Block(at, np.asarray(scene.read(HOP), dtype=np.float32)))
        while marked and todo and todo[0][0] <= at + HOP:
            _, starts, name = todo.pop(0)
            _ = pipeline.start_take(name) if starts else pipeline.stop_take()
        yield (at + HOP) / rate, pipeline.snapshot()


@pytest.fixture(scope="module")
def marked() -> list[tuple[float, Snapshot]]:
    return list(snapshots(marked=True))


def verdict_light() -> Light:
    from liveassist.output.surfaces import load_surface

    page = Path(__file__).parents[3] / "profiles" / "surfaces" / "pad_grid_lights.toml"
    return next(light for light in load_surface(page).lights if light.shows == "verdict")


def ended(seen: list[tuple[float, Snapshot]], name: str) -> float:
    """When a take was over."""
    lines = [line for _, s in seen for line in s.takes if line.name == name]
    return next(line.end_s for line in lines if line.end_s is not None)


def test_the_verdict_is_on_every_output_within_two_seconds(
    marked: list[tuple[float, Snapshot]], tmp_path: Path
) -> None:
    end_s = ended(marked, "two")
    soon = next(s for t, s in marked if end_s <= t <= end_s + 2.0 and s.takes_done == 2)
    assert soon.review is not None
    assert soon.review.verdict.take == "two"
    assert soon.review.verdict.light == "look"
    assert [(c.cause, c.mic) for c in soon.changes] == [("mic_gain", "snare")]
    sentence = soon.review.verdict.sentence
    assert "snare microphone is down by" in sentence
    assert "check its preamp gain" in sentence
    sent = {m.address: m.args for m in messages_for_snapshot(soon, None)}
    assert sent["/liveassist/1/take/verdict"] == (1,)
    assert sent["/liveassist/1/take/verdict_sentence"] == (sentence,)
    assert light_meaning(verdict_light(), soon) == "look"
    page = [text for text, _ in between_paragraphs(soon, frozenset())]
    assert f"LOOK: {sentence}" in page
    log = LiveLog(tmp_path / "live.log")
    for _, snapshot in marked:
        log.figures(snapshot)
    log.close()
    lines = (tmp_path / "live.log").read_text().splitlines()
    verdicts = [line for line in lines if " two: look. " in line]
    assert len(verdicts) == 1
    assert sentence in verdicts[0]


def test_while_a_take_runs_there_is_no_verdict(marked: list[tuple[float, Snapshot]]) -> None:
    first_end_s, last_end_s = ended(marked, "one"), ended(marked, "two")
    playing = [s for t, s in marked if first_end_s + 6.0 < t < last_end_s]
    assert len(playing) > 50
    for snapshot in playing:
        sent = {m.address: m.args for m in messages_for_snapshot(snapshot, None)}
        assert "/liveassist/1/take/verdict" not in sent
        assert sent["/liveassist/1/take/verdict_sentence"] == ("",)
        assert light_meaning(verdict_light(), snapshot) == "quiet"


def test_the_first_take_is_the_reference_and_is_judged_by_itself(
    marked: list[tuple[float, Snapshot]],
) -> None:
    end_s = ended(marked, "one")
    soon = next(s for t, s in marked if end_s <= t <= end_s + 2.0 and s.takes_done == 1)
    assert soon.review is not None
    assert soon.changes == ()
    assert soon.review.verdict.take == "one"
    assert {one.mic for one in soon.review.forecast} >= {"kick", "snare"}


def test_without_marks_the_verdict_comes_when_silence_tells_that_it_is_over() -> None:
    """A stretch is over after three seconds of silence; the verdict is there at once then."""
    for time_s, snapshot in snapshots(marked=False):
        if snapshot.takes_done == 1:
            known_s = time_s
            break
    last = max(hit.time_s for hits in snapshot.recent.values() for hit in hits)
    assert known_s <= last + 5.0
    assert snapshot.review is not None
