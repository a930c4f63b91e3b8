"""Which input a person means, and what they are told when none fits."""

from __future__ import annotations

import pytest

from liveassist.errors import DeviceError
from liveassist.input.devicelist import InputDevice, choose_input, require_channels

BUILT_IN = InputDevice(0, "Built-in", "ALSA", 2, 44_100, is_default=True)
DESK = InputDevice(3, "Stage Box", "ALSA", 32, 48_000)
DESK_JACK = InputDevice(5, "Stage Box", "JACK", 32, 48_000)
LOOP = InputDevice(7, "Loop-back", "JACK", 16, 48_000)
ALL = [BUILT_IN, DESK, DESK_JACK, LOOP]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (None, BUILT_IN),
        (3, DESK),
        ("5", DESK_JACK),
        ("loop-back", LOOP),
        ("LOOP", LOOP),
        ("stage box, jack", DESK_JACK),
        (" built-in ", BUILT_IN),
    ],
)
def test_number_name_part_and_default(wanted: str | int | None, found: InputDevice) -> None:
    assert choose_input(ALL, wanted) == found


def test_no_match_names_the_nearest_and_what_exists() -> None:
    with pytest.raises(DeviceError, match=r'no audio input "Lop-bak"; did you mean "Loop-back"\?'):
        choose_input(ALL, "Lop-bak")
    with pytest.raises(DeviceError, match=r'Available: 0 "Built-in, ALSA"; 3 "Stage Box, ALSA"'):
        choose_input(ALL, "xyzzy")
    with pytest.raises(DeviceError, match='no audio input "4"'):
        choose_input(ALL, 4)


def test_an_ambiguous_name_is_not_guessed() -> None:
    with pytest.raises(DeviceError, match="More than one audio input fits"):
        choose_input(ALL, "Stage Box")


def test_an_empty_name_and_an_empty_system() -> None:
    with pytest.raises(DeviceError, match='no audio input ""'):
        choose_input(ALL, "  ")
    with pytest.raises(DeviceError, match="offers no audio input"):
        choose_input([], None)


def test_without_a_default_the_only_input_or_a_question() -> None:
    assert choose_input([DESK], None) == DESK
    with pytest.raises(DeviceError, match="no default input; choose one of"):
        choose_input([DESK, LOOP], None)


def test_too_few_channels() -> None:
    require_channels(LOOP, 16, 'microphone "room"')
    with pytest.raises(DeviceError, match='has 2 channels, but microphone "room" needs channel 3'):
        require_channels(BUILT_IN, 3, 'microphone "room"')
