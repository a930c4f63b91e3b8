"""When live advice is worked out, what stays, and what it says when it became wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from liveassist.advise import advisor
from liveassist.advise.advisor import EVERY_S, RETRY_S, Advisor
from liveassist.advise.history import LevelHistory
from liveassist.advise.suggest import suggest
from liveassist.model import Hit
from tests.unit.advise.kit_scene import FS, KIT, history, session


class Asked:
    """Gives hits and counts how often it was asked."""

    def __init__(self, hits: Sequence[Hit]) -> None:
        self.hits = list(hits)
        self.times = 0

    def __call__(self) -> Sequence[Hit]:
        self.times += 1
        return self.hits


def test_one_microphone_a_look_and_none_when_nothing_is_due() -> None:
    audio, hits = session(bars=10)
    levels, asked, found = history(audio), Asked(hits), Advisor(KIT)
    looked = [found.look(20.0 + 0.1 * i, asked, levels) for i in range(6)]
    # The tom is not played: it is looked at, nothing is fitted.
    assert looked == ["kick", "top", "bottom", None, None, None]
    assert asked.times == 4
    assert found.suggestions["over"] is None
    assert "overheads" in found.reasons["over"]
    assert found.reasons["tom"] == "0 hits on tom, 10 main hits needed: play 10 more"
    fresh, _ = suggest(KIT, "top", hits, levels)
    assert found.suggestions["top"] == fresh
    assert found.margins["top"] is not None


def test_nothing_is_fitted_again_without_new_hits(monkeypatch: pytest.MonkeyPatch) -> None:
    audio, hits = session(bars=10)
    levels, found = history(audio), Advisor(KIT)
    for i in range(4):
        found.look(20.0 + 0.1 * i, Asked(hits), levels)

    def refuse(*_: object) -> None:
        raise AssertionError("looked again although nothing was new")

    monkeypatch.setattr(advisor, "build", refuse)
    for i in range(4):
        assert found.look(20.0 + EVERY_S + 0.1 * i, Asked(hits), levels) is None


def test_too_few_hits_are_looked_for_again_soon() -> None:
    audio, hits = session(bars=10)
    early = [hit for hit in hits if hit.time_s < 3.0]
    levels, found = history(audio), Advisor(KIT)
    for i in range(4):
        assert found.look(3.0 + 0.1 * i, Asked(early), levels) is None
    assert found.reasons["kick"].startswith("4 hits on kick")
    assert found.look(3.0 + RETRY_S + 0.01, Asked(hits), levels) == "kick"


def test_it_stays_while_it_holds_and_says_when_it_does_not() -> None:
    """The drummer goes on as before, then falls by 21 dB."""
    audio, hits = session(bars=24)
    soft, soft_hits = session(bars=24, main_dbfs=-27.0, ghost_dbfs=-45.0, seed=5)
    found = Advisor(KIT)

    def look(heard: Sequence[Hit], levels: LevelHistory, now_s: float) -> None:
        for _ in range(4):
            found.look(now_s, Asked(heard), levels)

    look([h for h in hits if h.time_s < 30.0], history(audio[: 30 * FS]), 30.0)
    first = found.suggestions["top"]
    assert first is not None
    look(hits, history(audio), 50.0)
    now = found.suggestions["top"]
    assert now is not None
    assert replace(now, predicted=None) == replace(first, predicted=None)
    assert now.predicted is not None
    assert first.predicted is not None
    assert now.predicted.hits > first.predicted.hits, "the prediction is brought up to date"
    assert found.wrong == {}
    later = [replace(h, number=h.number + 1000) for h in soft_hits]
    look(later, history(soft), 70.0)
    assert "of main hits would be cut" in found.wrong["top"]
    still = found.suggestions["top"]
    assert still is not None
    assert still.threshold_dbfs == first.threshold_dbfs, "one look is not enough"
    look([replace(h, number=h.number + 2000) for h in soft_hits], history(soft), 90.0)
    moved = found.suggestions["top"]
    assert moved is not None
    assert moved.threshold_dbfs < first.threshold_dbfs
    assert "top" not in found.wrong


def test_the_end_fits_everything_once_and_previews_hold_nothing() -> None:
    audio, hits = session(bars=10)
    levels = history(audio)
    plain, previewed = Advisor(KIT), Advisor(KIT)
    half = [hit for hit in hits if hit.time_s < 10.0]
    previewed.preview(Asked(half), history(audio[: 10 * FS]))
    assert previewed.suggestions["top"] is not None
    for one in (plain, previewed):
        one.settle(20.0, hits, levels)
    assert previewed.suggestions == plain.suggestions
    assert previewed.margins == plain.margins
    before = plain.suggestions
    plain.settle(20.0, hits, levels)
    assert plain.suggestions == before


def test_an_unknown_aim_is_refused() -> None:
    audio, hits = session(bars=6)
    with pytest.raises(ValueError, match="aim is one of"):
        Advisor(KIT, "louder").settle(12.0, hits, history(audio))
