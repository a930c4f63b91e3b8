"""What is learned while listening survives a break: signatures as before, and hits as before."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from liveassist.app.lessons import EVERY_S, FILE_NAME, Lessons, lessons_for, read_lessons
from liveassist.attribute.signature import Learned
from liveassist.model import Block, Drum, Hit, Kit, Mic
from liveassist.pipeline import Pipeline
from tests.unit.app.test_store import snapshot

RATE = 16_000
KIT = Kit(
    "yard",
    (Drum("kick", "kick", "low"), Drum("snare", "snare", "top")),
    (Mic("low", 1), Mic("top", 2)),
)


def beat(strokes: int) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Kick and snare in turn, two a second, each a ringing tone in its own microphone and 20 dB
    softer in the other."""
    hop, ring = RATE // 2, RATE // 5
    audio = np.random.default_rng(3).normal(0.0, 1e-5, (strokes * hop + ring, 2))
    time = np.arange(ring) / RATE
    for number in range(strokes):
        snare = number % 2
        tone = np.sin(2 * np.pi * (190.0 if snare else 60.0) * time) * np.exp(-time / 0.06)
        click = np.random.default_rng(snare).normal(0.0, 0.3, ring) * np.exp(-time / 0.01)
        level = 0.4 + 0.05 * (number % 3)
        at = 800 + number * hop
        audio[at : at + ring] += np.outer(tone + click, (0.1, 1.0) if snare else (1.0, 0.1)) * level
    return audio.astype(np.float32)


@pytest.fixture
def taught() -> Pipeline:
    pipeline = Pipeline(KIT, RATE)
    pipeline.feed(Block(0, beat(24)))
    assert set(pipeline.hearing.signatures) >= {"kick", "snare"}
    return pipeline


def write(folder: Path, pipeline: Pipeline) -> Lessons:
    keeper = lessons_for(folder, KIT, pipeline, going_on=False)
    assert keeper is not None
    keeper.figures(snapshot(EVERY_S + 1.0))
    keeper.close()
    assert keeper.problem is None
    return keeper


def test_a_session_that_goes_on_knows_what_it_knew(tmp_path: Path, taught: Pipeline) -> None:
    write(tmp_path, taught)
    again = Pipeline(KIT, RATE)
    assert lessons_for(tmp_path, KIT, again, going_on=True) is not None
    before, after = taught.hearing.signatures, again.hearing.signatures
    assert set(after) == set(before)
    for drum, signature in before.items():
        assert np.array_equal(after[drum].exemplars, signature.exemplars)
        assert after[drum].mic == signature.mic
        assert not after[drum].solid
    assert again.hearing.student is not None
    assert taught.hearing.student is not None
    assert np.array_equal(again.hearing.student.noise, taught.hearing.student.noise)
    # It knows the first strokes at once, which a new one has to learn.
    assert len(kinds(again)) > len(kinds(Pipeline(KIT, RATE)))


def kinds(pipeline: Pipeline) -> list[str]:
    """Drums of the hits surely reported within the first two seconds."""
    events = pipeline.feed(Block(0, beat(4)))
    hits = [event for event in events if isinstance(event, Hit) and event.stage != "withdrawn"]
    return [hit.drum for hit in hits if hit.confidence > 0.96]


def test_it_goes_on_learning(tmp_path: Path, taught: Pipeline) -> None:
    write(tmp_path, taught)
    again = Pipeline(KIT, RATE)
    lessons_for(tmp_path, KIT, again, going_on=True)
    assert again.hearing.student is not None
    known = {drum: list(hits) for drum, hits in again.hearing.student.kept().items()}
    again.feed(Block(0, beat(24)))
    now = again.hearing.student.kept()
    assert any(
        not any(new is old for old in known[drum])
        for drum in ("kick", "snare")
        for new in now[drum]
    )


def test_a_session_that_is_new_knows_nothing(tmp_path: Path, taught: Pipeline) -> None:
    write(tmp_path, taught)
    new = Pipeline(KIT, RATE)
    lessons_for(tmp_path, KIT, new, going_on=False)
    assert new.hearing.signatures == {}


def test_after_a_soundcheck_nothing_is_kept(tmp_path: Path, taught: Pipeline) -> None:
    learned: Learned = taught.learned()
    assert lessons_for(tmp_path, KIT, Pipeline(KIT, RATE, learned=learned), going_on=True) is None


@pytest.mark.parametrize("damage", ["cut", "text", "other kit", "not finite"])
def test_what_does_not_fit_is_not_used(tmp_path: Path, taught: Pipeline, damage: str) -> None:
    write(tmp_path, taught)
    path = tmp_path / FILE_NAME
    kit = KIT
    if damage == "cut":
        path.write_bytes(path.read_bytes()[:-400])
    elif damage == "text":
        path.write_text("no archive", encoding="utf-8")
    elif damage == "other kit":
        kit = Kit("other", (Drum("kick", "kick", "in"),), (Mic("in", 1), Mic("top", 2)))
    else:
        with np.load(path) as data:
            arrays = dict(data)
        arrays["drum_0"][0, 0, 0, 0] = np.nan
        np.savez(path, **arrays)
    assert read_lessons(path, kit) is None


def test_a_disk_that_refuses_is_noted_and_tried_again(tmp_path: Path, taught: Pipeline) -> None:
    student = taught.hearing.student
    assert student is not None
    folder = tmp_path / "later"
    keeper = Lessons(folder, KIT, student)
    keeper.close()
    assert str(folder) in (keeper.problem or "")
    folder.mkdir()
    keeper.close()
    assert not keeper.problem
    assert read_lessons(folder / FILE_NAME, KIT) is not None
