"""Setting up: which channel moves, and whole conversations with strokes played by the test."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.channelwatch import ChannelWatch, Stroke, which_moves
from liveassist.app.config import load_kit
from liveassist.app.setup import STROKES, Talk, kind_of, write_profile
from liveassist.errors import LiveassistError
from liveassist.model import Audio, Drum, Kit, Mic

RATE = 48_000
#: Level of each drum on six channels, dBFS: kick on 2, snare on 3 (4 under it), overheads 5, 6.
LEVELS = {
    "kick": (-90.0, -6.0, -30.0, -33.0, -28.0, -28.0),
    "snare": (-90.0, -32.0, -8.0, -13.0, -22.0, -24.0),
    "hihat": (-90.0, -45.0, -30.0, -40.0, -25.0, -18.0),
}


def hits(drum: str, times_s: Sequence[float], seconds: float) -> Audio:
    """Damped noise on all channels over a floor of -80 dBFS."""
    rng = np.random.default_rng(5)
    audio = 10.0 ** (-80.0 / 20.0) / 3.0 * rng.standard_normal((round(seconds * RATE), 6))
    time = np.arange(round(0.4 * RATE)) / RATE
    burst = np.sign(rng.standard_normal(len(time))) * 10.0 ** (-3.0 * time / 0.3)
    for at in times_s:
        start = round(at * RATE)
        for channel, level in enumerate(LEVELS[drum]):
            audio[start : start + len(time), channel] += 10.0 ** (level / 20.0) * burst
    return np.asarray(audio, dtype=np.float32)


TIMES = (0.5, 1.3, 2.0, 3.1)


@pytest.mark.parametrize("size", [37, 63, 512, 200_000])
def test_strokes_are_heard_alike_at_any_block_size(size: int) -> None:
    audio = hits("snare", TIMES, 4.0)
    watch = ChannelWatch(6, RATE)
    found = [one for at in range(0, len(audio), size) for one in watch.feed(audio[at : at + size])]
    assert [one.time_s for one in found] == pytest.approx(TIMES, abs=0.005)
    for one in found:
        assert one.peaks_dbfs[1:] == pytest.approx(LEVELS["snare"][1:], abs=0.7)
        assert one.loudest == 3


def test_noise_and_a_slow_swell_are_no_strokes() -> None:
    watch = ChannelWatch(6, RATE)
    assert watch.feed(hits("snare", (), 3.0)) == []
    swell = np.linspace(0.0001, 0.5, 3 * RATE)[:, None] * np.ones((1, 6))
    hum = (swell * np.sin(2 * np.pi * 200 * np.arange(3 * RATE) / RATE)[:, None]).astype(np.float32)
    assert watch.feed(hum) == []


def stroke(drum: str) -> Stroke:
    return Stroke(0.0, LEVELS[drum])


def test_the_median_decides_not_a_stray() -> None:
    moving = which_moves([stroke("snare")] * 3 + [stroke("kick")])
    assert (moving.own, moving.near) == (3, (4,))
    assert moving.moving() == [3, 4, 5, 6, 2]
    assert which_moves([stroke("hihat")], taken=[2, 3, 6]).own == 5


@pytest.mark.parametrize(
    ("name", "kind"),
    [("Kick", "kick"), ("bass_drum", "kick"), ("hi-hat", "hihat"), ("tom_floor", "tom"),
     ("ride_left", "cymbal"), ("cowbell", None)],
)  # fmt: skip
def test_kinds_are_read_off_names(name: str, kind: str | None) -> None:
    assert kind_of(name) == kind


class Person:
    """Answers questions in order, and plays what it is asked to play."""

    def __init__(self, answers: Sequence[str], plays: Sequence[str | None]) -> None:
        self._answers: Iterator[str] = iter(answers)
        self._plays: Iterator[str | None] = iter(plays)
        self.asked: list[str] = []
        self.told: list[str] = []

    def ask(self, question: str) -> str:
        self.asked.append(question)
        return next(self._answers)

    def say(self, sentence: str) -> None:
        self.told.append(sentence)

    def hear(self) -> list[Stroke]:
        drum = next(self._plays)
        return [] if drum is None else [stroke(drum)] * STROKES

    def talk(self) -> Kit:
        return Talk(6, self.ask, self.say, self.hear).run()


def test_a_whole_conversation_with_enter_pressed_at_every_offer(tmp_path: Path) -> None:
    person = Person(
        ["barn", "kick snare hihat", "", "", "", "", "", "", "-", "", "room", ""],
        ["kick", "snare", "hihat"],
    )
    kit = person.talk()
    assert kit == Kit(
        "barn",
        (Drum("kick", "kick", own="kick"), Drum("snare", "snare", own="snare_top"),
         Drum("hihat", "hihat")),
        (Mic("kick", 2), Mic("snare_top", 3), Mic("snare_bottom", 4, of="snare"),
         Mic("over_left", 5), Mic("room", 6)),
    )  # fmt: skip
    assert "protect your hearing" in person.told[0]
    assert any("channel 3 at -8 dBFS, channel 4 at -13" in line for line in person.told)
    assert not any("Channel 1" in question for question in person.asked), "nothing plugged in"
    write_profile(kit, tmp_path / "barn.toml")
    assert load_kit(tmp_path / "barn.toml") == kit


def test_wrong_answers_are_asked_again() -> None:
    person = Person(
        ["", "cowbell", "bell", "cymbal", "snare cowbell", "cymbal", "9", "x", "3", "2fast", "top",
         "n", "", "-", "-", "-", "-", "-", "-"],
        ["snare", None, None],
    )  # fmt: skip
    kit = person.talk()
    assert kit.name == "my kit"
    assert [drum.name for drum in kit.drums] == ["snare", "cowbell"]
    assert kit.mics == (Mic("top", 3),)
    said = " ".join(person.told)
    for sentence in (
        "A kick or a snare is needed", "Please one of these", "Channels go from 1 to 6",
        "begins with a letter", "Nothing moved",
    ):  # fmt: skip
        assert sentence in said


def test_a_drum_that_did_not_move_is_tried_again() -> None:
    person = Person(["k", "kick", "", "", "", "-", "-", "-", "-", "-"], [None, "kick"])
    assert person.talk().drums == (Drum("kick", "kick", own="kick"),)
    assert sum("Hit the kick" in line for line in person.told) == 2


def test_a_channel_is_given_once() -> None:
    person = Person(
        ["k", "kick snare", "3", "", "n", "3", "", "", "n", "-", "-", "-"], ["kick", "snare"]
    )
    kit = person.talk()
    assert "Channel 3 is kick already." in person.told
    assert [mic.channel for mic in kit.mics] == sorted({mic.channel for mic in kit.mics})


def test_the_channel_of_the_metronome_is_asked_for(tmp_path: Path) -> None:
    person = Person(
        ["k", "kick", "", "click", "-", "-", "-", "-", "9", "2", "1"], ["kick"]
    )  # fmt: skip
    kit = person.talk()
    assert "Channels go from 1 to 6." in person.told
    assert "Channel 2 is click already." in person.told
    assert kit.click == Mic("metronome", 1, type="line"), "the name click is taken"
    write_profile(kit, tmp_path / "k.toml")
    assert load_kit(tmp_path / "k.toml") == kit


def test_a_kit_that_nothing_can_be_judged_of_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(LiveassistError, match="nothing to judge"):
        write_profile(Kit("k", (Drum("snare", "snare"),), (Mic("a", 1),)), tmp_path / "k.toml")
    assert not (tmp_path / "k.toml").exists()
