"""Corrections are kept with the kit, and never at the cost of a soundcheck that is there."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from liveassist.app import keeping as module
from liveassist.app.keeping import CorrectionsKeeper, keeper_for
from liveassist.app.learned import read_learned, write_learned
from liveassist.app.steering import Steering
from liveassist.attribute.corrections import Correction
from liveassist.attribute.signature import STARTS, Learned, Signature
from liveassist.model import Block, Drum, Hit, Kit, Mic
from liveassist.spectra import BANDS
from tests.unit.app.fakes import FakePipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))


def learned(drums: tuple[str, ...], levels: tuple[float, ...]) -> Learned:
    shape = (2, len(STARTS), 1, BANDS)
    signatures = {
        name: Signature(name, 0, np.ones(shape, np.float32), np.array([1.0, 2.0])) for name in drums
    }
    prints = np.full((1, BANDS), -3.0, np.float32)
    corrections = [Correction("snare", False, prints, level, 3.0) for level in levels]
    noise = np.full((1, BANDS), 1e-9, np.float32)
    return Learned(("top",), noise, signatures, corrections=corrections)


def test_without_a_file_what_is_known_is_written_beside_the_kit(tmp_path: Path) -> None:
    (tmp_path / "my_kit.toml").write_text("")
    keeper = keeper_for(str(tmp_path / "my_kit.toml"), "none", KIT)
    assert keeper.keep(learned(("snare",), (-20.0,))) == ", kept in my_kit.learned.npz"
    keeper.close()
    kept = read_learned(tmp_path / "my_kit.learned.npz", KIT)
    assert [one.level_db for one in kept.corrections] == [-20.0]
    assert list(kept.signatures) == ["snare"]


def test_a_soundcheck_that_is_not_in_use_keeps_what_it_has(tmp_path: Path) -> None:
    path = tmp_path / "my_kit.learned.npz"
    write_learned(learned(("snare", "kick"), (-10.0,)), path)
    keeper = CorrectionsKeeper(path, KIT, used=False)
    keeper.keep(learned((), (-20.0,)))
    keeper.keep(learned((), (-20.0, -30.0)))
    keeper.close()
    kept = read_learned(path, KIT)
    assert list(kept.signatures) == ["snare", "kick"]
    assert [one.level_db for one in kept.corrections] == [-10.0, -20.0, -30.0]


def test_a_file_in_use_is_replaced_by_what_is_known(tmp_path: Path) -> None:
    path = tmp_path / "my_kit.learned.npz"
    write_learned(learned(("snare",), (-10.0,)), path)
    keeper = keeper_for("unread", str(path), KIT)
    keeper.keep(learned(("snare",), (-10.0, -20.0)))
    keeper.close()
    assert [one.level_db for one in read_learned(path, KIT).corrections] == [-10.0, -20.0]


def test_the_last_state_stays_however_slow_an_earlier_writing_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Writings never run beside each other, and what waits is replaced by what is newer."""
    begun, go_on, states = threading.Event(), threading.Event(), list[int]()

    def slow(known: Learned, path: Path) -> None:
        begun.set()
        assert go_on.wait(30.0)
        write_learned(known, path)
        states.append(len(known.corrections))

    monkeypatch.setattr(module, "write_learned", slow)
    path = tmp_path / "my_kit.learned.npz"
    keeper = CorrectionsKeeper(path, KIT, used=True)
    keeper.keep(learned(("snare",), (-10.0,)))
    assert begun.wait(30.0)
    for count in range(2, 30):
        keeper.keep(learned(("snare",), (-10.0,) * count))
    go_on.set()
    keeper.close()
    assert states == [1, 29]
    assert len(read_learned(path, KIT).corrections) == 29


def test_what_cannot_be_written_is_said_with_the_next(tmp_path: Path) -> None:
    keeper = CorrectionsKeeper(tmp_path / "gone" / "my_kit.learned.npz", KIT, used=True)
    keeper.keep(learned((), (-10.0,)))
    keeper.close()
    assert "could not be kept" in keeper.keep(learned((), (-10.0,)))
    keeper.close()


def test_keys_and_commands_correct_and_say_so() -> None:
    pipeline = FakePipeline(KIT, 48_000)
    steering = Steering(pipeline)
    kept: list[Learned] = []
    steering.keep = lambda known: kept.append(known) or ", kept"  # type: ignore[func-returns-value]
    assert not steering.press("no_hit").done
    audio = np.zeros((4800, 1), dtype=np.float32)
    audio[2400] = 0.7
    pipeline.feed(Block(0, audio))
    assert steering.press("no_hit").words == "snare at 0.05 s taken back and learned, kept"
    assert not steering.press("missed_hit").done
    assert "snare" in steering.do("correct/missed", ("snair",)).words
    assert steering.do("correct/missed", ("snare",)).done
    stages = [event.stage for event in steering.take_news() if isinstance(event, Hit)]
    assert stages == ["withdrawn", "complete"]
    assert len(kept) == 2
    assert steering.press("audit").words == "it is not possible here"
