"""When live advice is worked out, what stays, and what it says when it became wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from liveassist.advise import advisor
from liveassist.advise.advisor import EVERY_S, RETRY_S, SETTLED_S, STEPS_PER_S, Advisor
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


def go_on(
    found: Advisor, start_s: float, stop_s: float, asked: Asked, levels: LevelHistory
) -> None:
    """As the pipeline does, chunk by chunk."""
    now_s = start_s
    while now_s < stop_s:
        found.advance(now_s, asked, levels)
        now_s += 0.046


def test_one_microphone_at_a_time_and_none_when_nothing_is_due() -> None:
    audio, hits = session(bars=10)
    levels, asked, found = history(audio), Asked(hits), Advisor(KIT)
    order: list[str] = []
    for chunk in range(480):
        found.advance(21.0 + 0.046 * chunk, asked, levels)
        shown = [mic for mic, s in found.suggestions.items() if s is not None]
        order += [mic for mic in shown if mic not in order]
    assert order == ["kick", "top", "bottom"]
    assert found.suggestions["over"] is None
    assert "overheads" in found.reasons["over"]
    # The tom is not played: it is looked at, nothing is fitted.
    assert found.reasons["tom"] == "0 hits on tom, 10 main hits needed: play 10 more"
    fresh, _ = suggest(KIT, "top", hits, levels)
    assert found.suggestions["top"] == fresh
    assert found.margins["top"] is not None
    # Twice for each microphone played, and for the tom every few seconds.
    assert asked.times <= 2 * 3 + 1 + 0.046 * 480 / RETRY_S


def test_no_chunk_waits_for_more_than_its_share_of_a_fit() -> None:
    """Only so many steps are taken with each stretch of audio; the fit needs many more."""
    audio, hits = session(bars=10, bleed_db={"kick": -4.0})
    levels, asked = history(audio), Asked(hits)
    taken: list[int] = []

    class Counted:
        """The steps of a look, counted."""

        def __init__(self, steps: object) -> None:
            self.steps = steps

        def __next__(self) -> None:
            taken[-1] += 1
            next(self.steps)  # type: ignore[call-overload]

    found = Advisor(KIT)
    begin = found._begin
    found._begin = lambda *a: None if (s := begin(*a)) is None else Counted(s)  # type: ignore
    for chunk in range(120):
        taken.append(0)
        found.advance(21.0 + 0.046 * chunk, asked, levels)
    assert sum(taken) > 40
    assert max(taken[1:]) <= 0.046 * STEPS_PER_S + 1


def test_what_comes_later_changes_nothing_of_a_look_under_way() -> None:
    """Blocks of another size bring levels and hits in earlier or later: the answer is the same."""
    audio, hits = session(bars=12)
    until_s = 18.0
    heard = [hit for hit in hits if hit.time_s < until_s - SETTLED_S]
    plain, fed = Advisor(KIT), Advisor(KIT)
    levels = history(audio[: round(until_s * FS)])
    go_on(plain, until_s, until_s + 8.0, Asked(heard), levels)
    go_on(fed, until_s, until_s + 0.1, Asked(heard), levels)
    go_on(fed, until_s + 0.1, until_s + 8.0, Asked(hits), history(audio))
    assert plain.suggestions["kick"] is not None
    assert plain.suggestions["kick"] == fed.suggestions["kick"]


def test_nothing_is_fitted_again_without_new_hits(monkeypatch: pytest.MonkeyPatch) -> None:
    audio, hits = session(bars=10)
    levels, found = history(audio), Advisor(KIT)
    go_on(found, 21.0, 30.0, Asked(hits), levels)

    def refuse(*_: object) -> None:
        raise AssertionError("looked again although nothing was new")

    monkeypatch.setattr(advisor, "build", refuse)
    go_on(found, 30.0, 30.0 + EVERY_S, Asked(hits), levels)


def test_too_few_hits_are_looked_for_again_soon() -> None:
    audio, hits = session(bars=10)
    early = [hit for hit in hits if hit.time_s < 3.0]
    levels, found = history(audio), Advisor(KIT)
    go_on(found, 7.0, 7.2, Asked(early), levels)
    assert found.reasons["kick"].startswith("4 hits on kick")
    go_on(found, 7.2, 7.0 + RETRY_S - 0.1, Asked(hits), levels)
    assert found.suggestions["kick"] is None
    go_on(found, 7.0 + RETRY_S, 20.0, Asked(hits), levels)
    assert found.suggestions["kick"] is not None


def test_too_few_main_hits_are_looked_for_again_soon() -> None:
    """Of 12 hits on the snare 8 are main hits: enough to look, not to fit."""
    audio, hits = session(bars=12)
    levels, found = history(audio), Advisor(KIT)
    go_on(found, 9.0, 9.0 + RETRY_S - 0.5, Asked(hits), levels)
    assert found.reasons["top"] == "8 main hits on snare, 10 needed: play 2 more"
    go_on(found, 9.0 + RETRY_S, 17.0, Asked(hits), levels)
    assert found.suggestions["top"] is not None


def test_it_stays_while_it_holds_and_says_when_it_does_not() -> None:
    """The drummer goes on as before, then falls by 21 dB."""
    audio, hits = session(bars=24)
    soft, soft_hits = session(bars=24, main_dbfs=-27.0, ghost_dbfs=-45.0, seed=5)
    found = Advisor(KIT)

    def look(heard: Sequence[Hit], levels: LevelHistory, now_s: float) -> None:
        go_on(found, now_s, now_s + 12.0, Asked(heard), levels)

    look([h for h in hits if h.time_s < 29.0], history(audio[: 30 * FS]), 30.0)
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
    both = np.concatenate((audio, soft))
    size = len(audio)

    def moved(number: int) -> list[Hit]:
        return [replace(h, number=h.number + number, sample=h.sample + size) for h in soft_hits]

    part = [hit for hit in moved(1000) if hit.sample < 70 * FS]
    look([*hits, *part], history(both[size - FS :], first_sample=size - FS), 70.0)
    assert "of main hits would be cut" in found.wrong["top"]
    still = found.suggestions["top"]
    assert still is not None
    assert still.threshold_dbfs == first.threshold_dbfs, "one look is not enough"
    look([*hits, *moved(1000)], history(both[size - FS :], first_sample=size - FS), 98.0)
    lower = found.suggestions["top"]
    assert lower is not None
    assert lower.threshold_dbfs < first.threshold_dbfs
    assert "top" not in found.wrong


def test_the_end_fits_everything_once() -> None:
    audio, hits = session(bars=10)
    levels, plain = history(audio), Advisor(KIT)
    plain.settle(20.5, hits, levels)
    fresh, _ = suggest(KIT, "top", hits, levels)
    assert fresh is not None
    assert plain.suggestions["top"] == fresh
    before = plain.suggestions
    plain.settle(20.5, hits, levels)
    assert plain.suggestions == before


def test_an_unknown_aim_is_refused() -> None:
    with pytest.raises(ValueError, match="aim is one of"):
        Advisor(KIT, "louder")
