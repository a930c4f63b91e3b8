"""Channels nobody uses, and drums that hang on each other's channels, are said."""

from __future__ import annotations

from liveassist.app.channelnotes import swapped_channels, unused_channels
from liveassist.model import Drum, DrumFigures, Figures, Kit, Mic

KIT = Kit(
    "yard",
    (
        Drum("kick", "kick", "low"),
        Drum("snare", "snare", "top"),
        Drum("hats", "hihat", "hat"),
    ),
    (Mic("low", 1), Mic("top", 2), Mic("under", 3, of="snare"), Mic("hat", 5)),
)


def figures(
    bleed: dict[str, dict[str, float | None]], kick_hz: float | None, snare_hz: float | None
) -> Figures:
    drums = {
        "kick": DrumFigures("kick", hits=40, note_hz=kick_hz),
        "snare": DrumFigures("snare", hits=40, note_hz=snare_hz),
    }
    return Figures(0.0, 60.0, drums, bleed, {}, (), {}, {})


def test_channels_that_no_microphone_is_on_are_named() -> None:
    assert unused_channels(KIT, 8) == (
        "Look: channels 4, 6, 7 and 8 are in no microphone of the kit; what they heard is not used."
    )
    assert "channel 4 is in no" in (unused_channels(KIT, 5) or "")
    full = Kit("full", KIT.drums, (Mic("low", 1), Mic("top", 2), Mic("hat", 3)))
    assert unused_channels(full, 3) is None


def test_a_drum_louder_in_another_s_microphone_is_told() -> None:
    crossed = figures({"hat": {"snare": 13.2, "kick": -40.0}, "low": {"snare": -30.0}}, 55.0, 185.0)
    assert swapped_channels(KIT, crossed) == [
        "Look: the snare is 13 dB louder in hat than in its own microphone top: are their channels "
        "swapped?"
    ]


def test_a_drum_s_second_microphone_may_be_louder() -> None:
    loud = figures({"under": {"snare": 12.0}}, 55.0, 185.0)
    assert swapped_channels(KIT, loud) == []


def test_a_kick_that_sounds_like_a_snare_is_told() -> None:
    (said,) = swapped_channels(KIT, figures({}, 181.0, None))
    assert "sounds at 181 Hz" in said
    assert "low" in said
    assert len(swapped_channels(KIT, figures({}, 181.0, 53.0))) == 2


def test_a_kit_as_it_should_be_is_not_remarked_on() -> None:
    fine = figures({"top": {"kick": -6.0, "hats": 2.0}, "hat": {"snare": None}}, 62.0, 205.0)
    assert swapped_channels(KIT, fine) == []
