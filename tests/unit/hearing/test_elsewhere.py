"""A pipeline whose hearing is done elsewhere says what one says that does all by itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

import sim
from liveassist.app.config import parse_kit
from liveassist.attribute.signature import Learned
from liveassist.elsewhere import Forerunner, HearingElsewhere
from liveassist.learning import learn
from liveassist.model import Block, Event, Kit
from liveassist.pipeline import Pipeline
from liveassist.rechunk import Chunk
from tests.unit.hearing.alike import assert_alike

SECONDS = 24
Audio = npt.NDArray[np.float32]


@pytest.fixture(scope="module")
def scene() -> tuple[Kit, int, Learned, Audio]:
    check = sim.open_scenario("three_mics", soundcheck=True)
    kit = parse_kit(check.kit_toml, "three_mics")
    rate = check.sample_rate_hz
    learned = learn(kit, rate, check.read(check.total_frames), list(check.segments))
    audio = sim.open_scenario("three_mics").read(SECONDS * rate)
    # One microphone far too quiet for what was learned, so that there is an alert of it.
    return kit, rate, learned, (audio * [1.0, 1.0, 0.35]).astype(np.float32)


def cut(audio: Audio, rate: int, seed: int, lost: bool) -> list[Block]:
    """Blocks of random length; ``lost``: two holes, one to be filled, one to be jumped over."""
    random = np.random.default_rng(seed)
    holes = [(6 * rate, 4000), (12 * rate + 77, 3 * rate)] if lost else []
    blocks, first = list[Block](), 0
    for start, length in [*holes, (len(audio), 0)]:
        gone = 0 if not blocks else first - (blocks[-1].first_sample + len(blocks[-1].audio))
        while first < start:
            size = min(int(random.integers(1, 9000)), start - first)
            blocks.append(Block(first, audio[first : first + size], gone))
            first, gone = first + size, 0
        first += length
    return blocks


@pytest.mark.parametrize("taught", [True, False])
@pytest.mark.parametrize("lost", [True, False])
@pytest.mark.parametrize("offset", [0.0, 0.03])
def test_the_answer_is_the_same(
    scene: tuple[Kit, int, Learned, Audio], taught: bool, lost: bool, offset: float
) -> None:
    kit, rate, learned, audio = scene
    known = learned if taught else None
    audio = audio + np.float32(offset)
    alone = Pipeline(kit, rate, learned=known)
    elsewhere = HearingElsewhere(kit, rate, known)
    shared = Pipeline(kit, rate, learned=known, elsewhere=elsewhere)
    there = Forerunner(kit, rate, known)
    for block in cut(audio, rate, 1, lost):
        elsewhere.take_in(there.feed(block))
    elsewhere.take_in(there.finish())
    said: dict[int, list[Event]] = {0: [], 1: []}
    for which, pipeline in enumerate((alone, shared)):
        for block in cut(audio, rate, 2, lost):
            said[which] += pipeline.feed(block)
            pipeline.snapshot()
        said[which] += pipeline.finish()
    assert_alike(said[0], said[1])
    assert len(said[0]) > 100
    assert_alike(alone.session(), shared.session())
    assert alone.snapshot().sureness == shared.snapshot().sureness
    keys = {alert.key for alert in shared.session().alerts}
    assert ("learned_stale" in keys) == taught, "the alert was part of the test"


def test_what_was_not_heard_cannot_be_asked(scene: tuple[Kit, int, Learned, Audio]) -> None:
    kit, rate, learned, audio = scene
    hearing = HearingElsewhere(kit, rate, learned)
    with pytest.raises(RuntimeError, match="before what was heard"):
        hearing.feed(Chunk(0, audio[: hearing.chunk]))
    assert hearing.student is None
    asking = (
        lambda: hearing.early(Block(0, audio[:128])),
        lambda: hearing.number_from(3),
        hearing.recover,
        hearing.learned,
        hearing.no_hit,
        hearing.missed_hit,
    )
    for ask in asking:
        with pytest.raises(RuntimeError, match="cannot be acted on"):
            ask()
