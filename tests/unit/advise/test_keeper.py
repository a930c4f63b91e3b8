"""A suggestion stays until the evidence moves."""

from __future__ import annotations

from dataclasses import replace

from liveassist.advise.keeper import SuggestionKeeper, failing
from liveassist.model import Prediction, Suggestion

GOOD = Prediction(1.0, (0.95, 1.0), 3.0, 12.0, (11.0, 12.0), 0.0, (0.0, 4.0), 0.0, 60)
BASE = Suggestion(-20.0, 3.0, 12.0, 3.5, 3.0, 0.5, 20.0, 60.0, 4.0, None, None, GOOD)


def test_tenths_never_show() -> None:
    keeper = SuggestionKeeper()
    shown = [
        keeper.update("top", replace(BASE, threshold_dbfs=-20.0 + 0.5 * (i % 3)), None, GOOD)
        for i in range(20)
    ]
    assert [one.changed for one in shown] == [True] + [False] * 19
    assert {one.suggestion.threshold_dbfs for one in shown if one.suggestion} == {-20.0}


def test_moves_when_it_fails_twice_and_the_fresh_one_is_better() -> None:
    keeper = SuggestionKeeper()
    keeper.update("top", BASE, None)
    bad, fresh = replace(GOOD, main_passed=0.8), replace(BASE, threshold_dbfs=-26.0)
    first = keeper.update("top", fresh, None, bad)
    assert first.suggestion is not None
    assert first.suggestion.threshold_dbfs == -20.0
    assert first.wrong is not None
    assert "20 % of main hits" in first.wrong
    second = keeper.update("top", fresh, None, bad)
    assert second.changed
    assert second.suggestion == fresh


def test_one_bad_look_is_not_enough() -> None:
    keeper = SuggestionKeeper()
    keeper.update("top", BASE, None)
    bad, fresh = replace(GOOD, bleed_openings_per_min=20.0), replace(BASE, threshold_dbfs=-14.0)
    assert "20 times a minute" in (keeper.update("top", fresh, None, bad).wrong or "")
    assert keeper.update("top", fresh, None, GOOD).wrong is None
    assert not keeper.update("top", fresh, None, bad).changed


def test_settles_while_little_was_heard() -> None:
    keeper = SuggestionKeeper()
    keeper.update("top", replace(BASE, predicted=replace(GOOD, hits=12)), None)
    fresh = replace(BASE, threshold_dbfs=-23.0)
    assert not keeper.update("top", replace(fresh, predicted=replace(GOOD, hits=20)), None).changed
    assert keeper.update("top", replace(fresh, predicted=replace(GOOD, hits=24)), None).changed


def test_at_the_end_what_was_fitted_on_little_settles() -> None:
    keeper = SuggestionKeeper()
    keeper.update("top", replace(BASE, predicted=replace(GOOD, hits=20)), None)
    fresh = replace(BASE, threshold_dbfs=-23.0, predicted=replace(GOOD, hits=29))
    assert not keeper.update("top", fresh, None).changed
    assert not keeper.update("top", replace(fresh, threshold_dbfs=-20.5), None, last=True).changed
    assert keeper.update("top", fresh, None, last=True).changed


def test_ghosts_that_come_down_are_wrong_unless_the_aim_promises_nothing_of_them() -> None:
    cut = replace(GOOD, ghost_cut_db=8.0)
    kept = replace(BASE, threshold_dbfs=-30.0, predicted=replace(GOOD, ghost_cut_db=0.5))
    for aim, wrong in (("tight", False), ("natural", True), ("keep-ghosts", True)):
        keeper = SuggestionKeeper(aim)
        keeper.update("top", BASE, None)
        first = keeper.update("top", kept, None, cut)
        assert first.wrong == ("ghosts would come down by 8 dB" if wrong else None)
        assert keeper.update("top", kept, None, cut).changed == wrong


def test_ghosts_that_had_to_come_down_from_the_start_are_no_news() -> None:
    keeper = SuggestionKeeper("natural")
    keeper.update("top", replace(BASE, predicted=replace(GOOD, ghost_cut_db=10.0)), None)
    assert keeper.failing("top", replace(GOOD, ghost_cut_db=11.0)) is None
    assert keeper.failing("top", replace(GOOD, ghost_cut_db=12.5)) is not None
    keeper = SuggestionKeeper("natural")
    keeper.update("top", BASE, None)
    assert keeper.failing("top", replace(GOOD, ghost_cut_db=5.0)) is None


def test_a_refusal_does_not_take_a_working_suggestion_away() -> None:
    keeper = SuggestionKeeper()
    assert keeper.update("top", None, "4 hits").reason == "4 hits"
    keeper.update("top", BASE, None)
    assert keeper.update("top", None, "no separation", GOOD).suggestion == BASE
    assert keeper.held("top") == BASE
    assert keeper.held("kick") is None


def test_failing_names_the_figure() -> None:
    assert failing(None) is None
    assert failing(GOOD) is None
    assert "only 5 dB" in (failing(replace(GOOD, bleed_cut_db=5.0)) or "")
