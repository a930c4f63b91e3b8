"""Suggested, never forced: what must be true before anything is sent to a device.

The rules are our own (see the module's text for why); each test breaks one of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from liveassist.model import Prediction, Snapshot, Suggestion
from liveassist.output.apply import ARMED_S, ApplyDesk, Outcome, Sending
from liveassist.output.midi_codec import controller
from liveassist.output.osc_codec import OscMessage
from liveassist.output.surface_bind import bind, explain
from liveassist.output.surface_model import Surface
from liveassist.output.surfaces import parse_surface, read_surface

from .scene import KIT, SNAPSHOT, SUGGESTION

TEXT = """
surface = { name = "x" }
midi = [{ name = "m", port = "p" }]
osc = [{ name = "o", port = 1, table = false }]
[[apply]]
name = "threshold"
shows = "suggested_threshold_dbfs"
mic = "snare"
message = "cc"
number = 7
range = [-63.5, 0]
to = "m"
[[apply]]
name = "range"
shows = "suggested_range_db"
mic = "snare"
message = "osc"
address = "/range"
range = [0, 24]
to = "o"
"""
SURFACE: Surface = bind(parse_surface(TEXT, "x.toml"), KIT)[0]
GOOD = {"m": "ok", "o": "ok"}
MIC = "snare_top"
SENT = (Sending("m", controller(1, 7, 78)), Sending("o", OscMessage("/range", "f", (0.5,))))


def _desk(surface: Surface = SURFACE) -> ApplyDesk:
    return ApplyDesk(surface.applies)


def _now(desk: ApplyDesk, at: float, failed: Mapping[str, str] | None = None) -> Outcome:
    """Apply, the outputs having reported ``failed``."""
    outcome = desk.apply(MIC, GOOD, at)
    return outcome if outcome.plan is None else desk.settle(outcome.plan, failed or {}, at)


def _undo(desk: ApplyDesk, at: float, source: str = "") -> tuple[Sending, ...]:
    outcome = desk.undo(MIC, GOOD, source)
    if outcome.plan is None:
        return ()
    desk.settle(outcome.plan, {}, at)
    return outcome.sendings


def _with(suggestion: Suggestion | None) -> Snapshot:
    return replace(SNAPSHOT, expander={MIC: suggestion})


def test_nothing_is_sent_unless_armed() -> None:
    outcome = _desk().apply(MIC, GOOD, 0.0)
    assert (outcome.done, outcome.why, outcome.sendings) == (False, "snare_top is not armed", ())


def test_armed_then_applied_once() -> None:
    desk = _desk()
    armed = desk.arm(MIC, -30.0, SNAPSHOT, GOOD, 0.0, "tablet")
    assert armed.done
    assert armed.sendings == ()
    assert "suggested threshold -24.5 dBFS" in armed.why
    # -24.5 of -63.5 to 0: 39 / 63.5 x 127 = 78. Range 12 of 24 dB: 0.5.
    assert desk.apply(MIC, GOOD, 1.0).sendings == SENT
    assert not desk.apply(MIC, GOOD, 1.1).done


def test_arming_ends_by_itself() -> None:
    desk = _desk()
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    assert desk.armed(ARMED_S - 1.0) == {MIC: 1.0}
    assert not desk.apply(MIC, GOOD, ARMED_S).done


def test_arming_can_be_taken_back() -> None:
    desk = _desk()
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    assert desk.disarm(MIC).done
    assert not desk.disarm(MIC).done
    assert not desk.apply(MIC, GOOD, 0.1).done


@pytest.mark.parametrize("lost", ["m", "o"])
def test_a_lost_output_disarms_and_its_return_does_not_arm_again(lost: str) -> None:
    desk = _desk()
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    assert desk.watch({**GOOD, lost: "down"}) == [MIC]
    assert not desk.apply(MIC, GOOD, 0.1).done
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    assert not desk.apply(MIC, {**GOOD, lost: "down"}, 0.1).done
    assert not desk.apply(MIC, GOOD, 0.2).done


def test_what_was_armed_is_what_is_sent() -> None:
    desk = _desk()
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    moved = _with(replace(SUGGESTION, threshold_dbfs=-10.0))
    assert moved.expander[MIC] is not None
    assert desk.apply(MIC, GOOD, 1.0).sendings == SENT


def _prediction(hits: int, low: float) -> Prediction:
    assert SUGGESTION.predicted is not None
    return replace(SUGGESTION.predicted, hits=hits, main_passed_ci=(low, 1.0))


@pytest.mark.parametrize(
    ("snapshot", "why"),
    [
        (None, "there is no suggestion"),
        (_with(None), "there is no suggestion"),
        (_with(replace(SUGGESTION, predicted=None)), "has not been tried"),
        (_with(replace(SUGGESTION, predicted=_prediction(19, 0.95))), "19 hits, 20 needed"),
        (_with(replace(SUGGESTION, predicted=_prediction(40, 0.85))), "only 85% of main hits"),
    ],
)
def test_an_uncertain_suggestion_cannot_be_armed(snapshot: Snapshot | None, why: str) -> None:
    outcome = _desk().arm(MIC, None, snapshot, GOOD, 0.0, "")
    assert not outcome.done
    assert why in outcome.why


def test_only_what_a_profile_describes_can_be_armed() -> None:
    assert "no surface profile" in _desk().arm("kick_in", None, SNAPSHOT, GOOD, 0.0, "").why
    assert "o is not there" in _desk().arm(MIC, None, SNAPSHOT, {"m": "ok"}, 0.0, "").why


ONE = replace(SURFACE, applies=SURFACE.applies[:1])


def test_what_was_there_before_is_kept_and_comes_back() -> None:
    desk = _desk(ONE)
    desk.arm(MIC, -31.75, SNAPSHOT, GOOD, 0.0, "tablet")
    assert _now(desk, 1.0).why == "sent suggested threshold -24.5 dBFS"
    # -31.75 of -63.5 to 0 is half way: 63.5 rounds to 64.
    assert _undo(desk, 90.0, "button") == (Sending("m", controller(1, 7, 64)),)
    assert [(a.value, a.before, a.source, a.undo) for a in desk.log] == [
        (-24.5, -31.75, "tablet", False),
        (-31.75, -24.5, "button", True),
    ]
    assert not desk.undo(MIC, GOOD, "").done


def test_what_was_applied_before_is_what_undo_goes_back_to() -> None:
    desk = _desk(ONE)
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    assert "cannot be undone" in _now(desk, 1.0).why
    assert not desk.undo(MIC, GOOD, "").done
    desk.arm(MIC, None, _with(replace(SUGGESTION, threshold_dbfs=-20.0)), GOOD, 3.0, "")
    _now(desk, 4.0)
    assert _undo(desk, 5.0) == (Sending("m", controller(1, 7, 78)),)


def test_a_value_that_did_not_get_there_is_no_place_to_go_back_to() -> None:
    desk = _desk(ONE)
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    lost = _now(desk, 1.0, {"m": "nobody listens"})
    assert (lost.done, lost.why) == (False, "m did not get it: nobody listens")
    assert [(a.sent, a.why) for a in desk.log] == [(False, "nobody listens")]
    desk.arm(MIC, None, _with(replace(SUGGESTION, threshold_dbfs=-20.0)), GOOD, 3.0, "")
    assert "cannot be undone" in _now(desk, 4.0).why
    assert desk.log[-1].before is None
    assert not desk.undo(MIC, GOOD, "").done


def test_what_a_device_was_set_to_is_not_known_any_more_once_it_was_away() -> None:
    """It may come back with other settings."""
    desk = _desk(ONE)
    desk.arm(MIC, None, SNAPSHOT, GOOD, 0.0, "")
    _now(desk, 1.0)
    desk.watch({"m": "down"})
    desk.arm(MIC, None, SNAPSHOT, GOOD, 3.0, "")
    assert "cannot be undone" in _now(desk, 4.0).why


def test_undo_waits_for_the_device() -> None:
    desk = _desk(ONE)
    desk.arm(MIC, -30.0, SNAPSHOT, GOOD, 0.0, "")
    _now(desk, 1.0)
    assert not desk.undo(MIC, {"m": "down"}, "").done
    assert _undo(desk, 3.0)


def test_only_suggested_settings_can_be_applied() -> None:
    _, problems = read_surface(TEXT.replace("suggested_range_db", "peak_dbfs"), "x.toml")
    assert problems == ["x.toml: [[apply]] 'range'.shows: only suggested settings can be applied"]


def test_the_profile_says_in_words_that_it_acts() -> None:
    assert any(
        line.endswith("only when armed and applied by hand") for line in explain(SURFACE, KIT)
    )
