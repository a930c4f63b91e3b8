"""The guided soundcheck on simulated drums: what it says of hits, and what it learned.

Truth is the simulator's: a soundcheck of eight hits a drum, soft to hard, 0.8 s apart.
"""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

import sim
from liveassist.app.config import parse_kit
from liveassist.app.guide import WANTED, Guide, Said
from liveassist.app.learned import read_learned
from liveassist.app.soundcheck_live import LiveSoundcheck, soundcheck_live
from liveassist.errors import LiveassistError
from liveassist.model import Block, Hit, Kit
from liveassist.pipeline import Pipeline

QUIET_S = 0.6


@dataclasses.dataclass(frozen=True)
class Check:
    kit: Kit
    toml: str
    rate: int
    audio: np.ndarray
    whole: np.ndarray
    segments: dict[str, tuple[float, float]]
    hits: dict[str, int]


@pytest.fixture(scope="module")
def check() -> Check:
    scene = sim.open_scenario("three_mics", soundcheck=True)
    whole = scene.read(scene.total_frames)
    audio = whole[: round(15.0 * scene.sample_rate_hz)]
    segments = {drum: (start, end) for drum, start, end in scene.segments}
    played = [row["drum"] for row in scene.truth() if row["time_s"] < 15.0]
    counts = {drum: played.count(drum) for drum in set(played)}
    kit = parse_kit(scene.kit_toml, "three_mics")
    return Check(kit, scene.kit_toml, scene.sample_rate_hz, audio, whole, segments, counts)


def play(guide: Guide, audio: np.ndarray, size: int = 480, first: int = 0) -> list[Said]:
    said: list[Said] = []
    for at in range(0, len(audio), size):
        said += guide.feed(Block(first + at, audio[at : at + size]))
    return said


def test_every_hit_is_counted_and_the_next_drum_asked_for(check: Check) -> None:
    guide = Guide(check.kit, check.rate, QUIET_S)
    assert "quiet" in guide.asks()
    said = play(guide, check.audio)
    clean = [one.sentence.split()[0] for one in said if one.clean]
    assert {drum: clean.count(drum) for drum in ("kick", "snare")} == {
        "kick": check.hits["kick"],
        "snare": check.hits["snare"],
    }
    assert check.hits["kick"] == WANTED
    assert guide.drum == "hihat"
    assert set(guide.learned().signatures) == {"kick", "snare"}
    assert "not learned" in guide.learned().notes["hihat"]


@pytest.mark.parametrize("size", [63, 512, 10**9])
def test_the_size_of_blocks_does_not_matter(check: Check, size: int) -> None:
    audio = check.audio[: 5 * check.rate]
    one, other = (Guide(check.kit, check.rate, QUIET_S) for _ in range(2))
    assert play(one, audio, size) == play(other, audio, 480)


def test_hits_on_another_drum_are_not_taken(check: Check) -> None:
    """After the kick was learned, more kick hits are none of the snare."""
    guide = Guide(check.kit, check.rate, QUIET_S)
    start, end = (round(t * check.rate) for t in check.segments["kick"])
    play(guide, check.audio[:end])
    assert guide.drum == "snare"
    said = play(guide, check.audio[start:end], first=end)
    hits = [one for one in said if one.hit]
    assert len(hits) == WANTED
    assert sum("sounds like kick" in one.sentence for one in hits) >= WANTED - 1


def test_what_clips_or_is_followed_at_once_is_not_taken(check: Check) -> None:
    loud = np.clip(check.audio * 40.0, -1.0, 1.0).astype(np.float32)
    guide = Guide(check.kit, check.rate, QUIET_S)
    said = play(guide, loud[: 7 * check.rate])
    assert any("clips" in one.sentence for one in said)
    twice = check.audio.copy()
    shift = round(0.2 * check.rate)
    twice[shift:] += check.audio[:-shift]
    guide = Guide(check.kit, check.rate, QUIET_S)
    said = [one for one in play(guide, twice[: 7 * check.rate]) if one.hit]
    assert sum("followed" in one.sentence for one in said) >= 6
    assert not any(one.clean for one in said)


def test_redo_and_skip(check: Check) -> None:
    guide = Guide(check.kit, check.rate, QUIET_S)
    play(guide, check.audio[: 3 * check.rate])
    assert 0 < guide.needed < WANTED
    assert guide.redo().sentence == "kick: from the beginning."
    assert guide.needed == WANTED
    assert guide.skip().sentence == "kick: skipped."
    assert guide.drum == "snare"
    assert "back" not in guide.redo().sentence
    assert guide.drum == "kick", "where nothing was hit yet, redo goes back"
    for _ in check.kit.drums:
        guide.skip()
    assert guide.finished
    assert guide.skip().sentence == "All drums are done."


class Player:
    """An interface that plays the soundcheck, block after block."""

    def __init__(self, check: Check) -> None:
        self.sample_rate_hz = check.rate
        lead = np.zeros((2 * check.rate, check.whole.shape[1]), dtype=np.float32)
        noise = np.random.default_rng(1).normal(0.0, 1e-5, lead.shape).astype(np.float32)
        self._audio = np.concatenate([noise, check.whole])
        self._at = 0
        self.closed = False

    def start(self) -> None:
        """Nothing to open."""

    def read(self, timeout_s: float) -> Block | None:
        block = Block(self._at, self._audio[self._at : self._at + 1024])
        self._at += len(block.audio)
        return block if len(block.audio) else None

    @property
    def over(self) -> bool:
        return self._at >= len(self._audio)

    def close(self) -> None:
        self.closed = True


def test_what_was_learned_live_is_kept_beside_the_kit_and_serves(
    check: Check, tmp_path: Path
) -> None:
    (tmp_path / "my_kit.toml").write_text(check.toml, encoding="utf-8")
    player = Player(check)
    out = io.StringIO()
    request = LiveSoundcheck(str(tmp_path / "my_kit.toml"))
    typed = _quit_when(lambda: player.over)
    assert soundcheck_live(request, out, lambda kit: player, typed) == 0
    assert player.closed
    assert "hearing" in out.getvalue()
    assert "kick is learned" in out.getvalue()
    learned = read_learned(tmp_path / "my_kit.learned.npz", check.kit)
    assert set(learned.signatures) == {drum.name for drum in check.kit.drums}
    song = sim.open_scenario("three_mics")
    audio = song.read(10 * check.rate)
    pipeline = Pipeline(check.kit, check.rate, learned=learned)
    pipeline.feed(Block(0, audio))
    pipeline.finish()
    for drum in ("kick", "snare"):
        hits = [h.time_s for h in pipeline.session().hits if isinstance(h, Hit) and h.drum == drum]
        truth = [r["time_s"] for r in song.truth() if r["drum"] == drum and r["time_s"] < 9.9]
        found = [at for at in truth if np.abs(np.array(hits) - at).min() < 0.010]
        assert len(found) >= 0.95 * len(truth)
        assert len(hits) <= 1.05 * len(truth) + 1


def test_a_live_soundcheck_that_is_ended_at_once_says_so(check: Check, tmp_path: Path) -> None:
    (tmp_path / "my_kit.toml").write_text(check.toml, encoding="utf-8")
    with pytest.raises(LiveassistError, match="ended before"):
        soundcheck_live(
            LiveSoundcheck(str(tmp_path / "my_kit.toml")),
            io.StringIO(),
            lambda kit: Player(check),
            _quit_when(lambda: True),
        )
    assert not (tmp_path / "my_kit.learned.npz").exists()


def _quit_when(over: Callable[[], bool]) -> Callable[[], str]:
    def typed() -> Iterator[str]:
        while True:
            yield "q" if over() else ""

    keys = typed()
    return lambda: next(keys)
