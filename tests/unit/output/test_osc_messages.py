"""What events and snapshots say in OSC. The addresses are our own; the table is the standard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.model import Change, Event, LevelFrames, OutputState, Snapshot
from liveassist.output.addresses import ADDRESSES, ROOT, address_parts, kit_addresses
from liveassist.output.osc_codec import OscBundle, OscMessage, decode, encode
from liveassist.output.osc_messages import (
    MAX_BUNDLE_BYTES,
    messages_for_event,
    messages_for_snapshot,
    packets,
    velocity,
)
from liveassist.output.quantities import QUANTITIES

from .scene import ALERT, COMPLETE, FIGURES, HIT, KIT, SNAPSHOT, TAKE


def _template(address: str) -> str:
    """The row of the table an address belongs to, drum and microphone names taken out."""
    parts = address.split("/")
    for index in range(len(parts) - 1):
        if parts[index] in ("drum", "bleed"):
            parts[index + 1] = "{drum}"
        elif parts[index] == "mic":
            parts[index + 1] = "{mic}"
    return "/".join(parts)


TABLE = {row.path: row for row in ADDRESSES}


def _check(message: OscMessage) -> None:
    """Every message is in the table, with its types and ranges, and can be sent."""
    row = TABLE[_template(message.address)]
    assert message.types == row.types
    for arg, value in zip(row.args, message.args, strict=True):
        if isinstance(value, int | float):
            assert arg.low is None or value >= arg.low, (message, arg)
            assert arg.high is None or value <= arg.high, (message, arg)
    assert decode(encode(message)).address == message.address  # type: ignore[union-attr]


EVENTS: list[Event] = [
    HIT,
    replace(HIT, stage="revised"),
    replace(HIT, stage="withdrawn"),
    COMPLETE,
    replace(HIT, drum="hi hat", peak_dbfs=None),
    replace(HIT, velocity=None),
    TAKE,
    replace(TAKE, end_s=221.0),
    ALERT,
    replace(ALERT, end_s=97.0),
    replace(ALERT, drum=None, mic="snare_top", value=None),
]


@pytest.mark.parametrize("event", EVENTS)
def test_every_message_of_an_event_is_in_the_table(event: Event) -> None:
    messages = messages_for_event(event, KIT)
    assert messages
    for message in messages:
        _check(message)


def test_a_hit_says_what_the_table_says() -> None:
    assert messages_for_event(HIT, KIT) == [
        OscMessage("/liveassist/1/drum/snare/hit", "iffisf", (412, 83.25, -9.5, 104, "main", 0.75))
    ]


def test_a_complete_hit_carries_its_detail() -> None:
    addresses = [
        message.address.rpartition("/hit")[2] for message in messages_for_event(COMPLETE, KIT)
    ]
    assert addresses == ["/complete", "/note_hz", "/ring_s", "/flag"]


def test_a_drum_without_a_microphone_says_onset_once() -> None:
    hat = replace(HIT, drum="hi hat", peak_dbfs=None)
    assert [m.address for m in messages_for_event(hat, KIT)] == ["/liveassist/1/drum/hi_hat/onset"]
    assert messages_for_event(replace(hat, stage="complete"), KIT) == []


def test_level_frames_say_nothing() -> None:
    audio = np.zeros((4, 1), np.float32)
    assert messages_for_event(LevelFrames(0, 4, audio), KIT) == []


@pytest.mark.parametrize(
    ("level", "expected"), [(0.0, 127), (-48.0, 1), (-96.0, 1), (3.0, 127), (-24.0, 64)]
)
def test_velocity_before_the_range_is_known(level: float, expected: int) -> None:
    """Linear in dB from -48 to 0 dBFS over 1 to 127, as documented."""
    assert velocity(replace(HIT, velocity=None, peak_dbfs=level)) == expected


def test_the_first_snapshot_sends_every_figure_or_why_it_is_missing() -> None:
    messages = messages_for_snapshot(SNAPSHOT, None)
    for message in messages:
        _check(message)
    said = {m.address for m in messages} | {
        str(m.args[0]) for m in messages if m.address == f"{ROOT}/unmeasured"
    }
    assert {path for path, *_ in kit_addresses(KIT)} <= said


def _values(messages: list[OscMessage]) -> dict[str, object]:
    return {m.address: m.args[0] for m in messages if len(m.args) == 1}


def test_figures_of_a_snapshot() -> None:
    values = _values(messages_for_snapshot(SNAPSHOT, None))
    assert values["/liveassist/1/drum/snare/spread_db"] == 1.4
    assert values["/liveassist/1/drum/snare/last_velocity"] == 104
    assert values["/liveassist/1/mic/snare_top/suggested/threshold_dbfs"] == -24.5
    assert values["/liveassist/1/mic/snare_top/bleed/kick/level_db"] == -23.4
    assert values["/liveassist/1/mic/snare_top/bleed/kick/upper_bound"] == 1
    assert values["/liveassist/1/mic/snare_top/bleed/hi_hat/level_dbfs"] == -31.0
    assert values["/liveassist/1/take/clock_s"] == 41.7
    assert values["/liveassist/1/alerts/count"] == 1
    assert "/liveassist/1/drum/kick/spread_db" not in values
    assert not any("left/suggested" in address for address in values)


def test_why_a_figure_is_missing_is_said() -> None:
    why = {
        m.args[0]: m.args[1]
        for m in messages_for_snapshot(SNAPSHOT, None)
        if m.address == f"{ROOT}/unmeasured"
    }
    assert why["/liveassist/1/drum/kick/spread_db"] == "3 hits, 8 needed"
    assert why["/liveassist/1/mic/kick_in/suggested/threshold_dbfs"] == "3 hits, 20 needed"
    assert why["/liveassist/1/drum/snare/note_hz"] == "not measured yet"


def test_only_what_changed_is_sent() -> None:
    assert messages_for_snapshot(SNAPSHOT, SNAPSHOT) == []
    drums = {**FIGURES.drums, "snare": replace(FIGURES.drums["snare"], spread_db=2.0, hits=65)}
    later = replace(SNAPSHOT, figures=replace(FIGURES, drums=drums))
    assert _values(messages_for_snapshot(later, SNAPSHOT)) == {
        "/liveassist/1/drum/snare/hits": 65,
        "/liveassist/1/drum/snare/spread_db": 2.0,
    }


def test_a_change_below_the_step_is_not_sent() -> None:
    drums = {**FIGURES.drums, "snare": replace(FIGURES.drums["snare"], spread_db=1.4400001)}
    later = replace(SNAPSHOT, figures=replace(FIGURES, drums=drums))
    assert messages_for_snapshot(later, SNAPSHOT) == []


def test_a_figure_that_is_lost_is_taken_back() -> None:
    drums = {**FIGURES.drums, "snare": replace(FIGURES.drums["snare"], spread_db=None)}
    later = replace(SNAPSHOT, figures=replace(FIGURES, drums=drums))
    assert messages_for_snapshot(later, SNAPSHOT) == [
        OscMessage(
            f"{ROOT}/unmeasured", "ss", ("/liveassist/1/drum/snare/spread_db", "not measured yet")
        )
    ]


def test_not_a_number_is_not_sent() -> None:
    drums = {**FIGURES.drums, "snare": replace(FIGURES.drums["snare"], spread_db=float("nan"))}
    later = replace(SNAPSHOT, figures=replace(FIGURES, drums=drums))
    assert "/liveassist/1/drum/snare/spread_db" not in _values(messages_for_snapshot(later, None))


def test_silence_stays_within_the_range_of_the_table() -> None:
    silent = replace(SNAPSHOT.mics[0], peak_dbfs=-200.0)
    later = replace(SNAPSHOT, mics=(silent, *SNAPSHOT.mics[1:]))
    assert _values(messages_for_snapshot(later, SNAPSHOT)) == {
        "/liveassist/1/mic/kick_in/peak_dbfs": -144.0
    }
    for message in messages_for_event(replace(HIT, peak_dbfs=-200.0), KIT):
        _check(message)


def test_changes_and_outputs_are_said_once() -> None:
    change = Change("head_pitch", -28.0, "cents", (-32.0, -24.0), 0.95, "28 cents flat.", "snare")
    output = OutputState("pad grid", "midi", "down", note="unplugged")
    later: Snapshot = replace(SNAPSHOT, changes=(change,), outputs=(output,))
    messages = messages_for_snapshot(later, SNAPSHOT)
    for message in messages:
        _check(message)
    assert [m.address.removeprefix(ROOT) for m in messages] == [
        "/change",
        "/change/amount",
        "/output/state",
    ]
    assert messages_for_snapshot(later, later) == []


# --- the table -----------------------------------------------------------------------------


def test_the_table_is_sound() -> None:
    assert len(TABLE) == len(ADDRESSES)
    keys = [quantity.key for quantity in QUANTITIES]
    assert len(set(keys)) == len(keys)
    for row in ADDRESSES:
        assert row.path.startswith(f"{ROOT}/")
        assert row.about.endswith(".")
        required = [arg for arg in row.args if not arg.optional]
        assert len(required) <= len(row.example) <= len(row.args)
        for arg, value in zip(row.args, row.example, strict=False):
            assert isinstance(value, {"i": int, "f": float, "s": str}[arg.type])
            if not isinstance(value, str):
                assert arg.low is None or value >= arg.low
                assert arg.high is None or value <= arg.high


def test_suggested_values_say_so() -> None:
    """Settings of an expander are never sent under a name without the word suggested."""
    for path in TABLE:
        for word in ("threshold", "ratio", "knee", "attack", "release", "key_highpass", "hold_ms"):
            assert word not in path or "/suggested/" in path


@given(st.lists(st.text(max_size=6), unique=True, max_size=6))
def test_every_name_gets_an_address_part_of_its_own(names: list[str]) -> None:
    parts = address_parts(names)
    assert len(set(parts.values())) == len(names)
    for part in parts.values():
        assert decode(encode(OscMessage(f"/{part}"))) == OscMessage(f"/{part}")
        assert not set(part) & set(" #*,/?[]{}")  # reserved by OSC 1.0


def test_bundles_are_bounded_and_lose_nothing() -> None:
    messages = messages_for_snapshot(SNAPSHOT, None)
    made = packets(messages, 7)
    assert [m for bundle in made if isinstance(bundle, OscBundle) for m in bundle.elements] == (
        messages
    )
    assert all(len(encode(bundle)) <= MAX_BUNDLE_BYTES for bundle in made)
    assert packets(messages[:1], 7) == messages[:1]


def test_what_is_armed_is_in_the_state_and_counts_down_by_whole_seconds() -> None:
    """Whoever subscribes meanwhile sees it; at most one message a second."""
    address = "/liveassist/1/apply/armed"

    def told(now: Snapshot, before: Snapshot | None) -> list[tuple[object, ...]]:
        return [m.args for m in messages_for_snapshot(now, before) if m.address == address]

    at = [replace(SNAPSHOT, armed={"snare_top": left}) for left in (27.4, 27.1, 26.9)]
    assert told(at[0], None) == [("snare_top", 28.0)]
    assert told(at[1], at[0]) == []
    assert told(at[2], at[1]) == [("snare_top", 27.0)]
    assert told(SNAPSHOT, at[2]) == [("snare_top", 0.0)]
    assert told(SNAPSHOT, None) == []
