"""Audio inputs as plain values, and how a person's words pick one of them.

Imports neither numpy nor the audio library: the capture child starts with this and little else.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from liveassist.errors import DeviceError

#: What to do where PortAudio itself is missing (its wheel is bundled on macOS and Windows).
PORTAUDIO_MISSING = (
    "The audio library PortAudio is not installed, so no audio input can be opened; "
    "an administrator can add it with: apt-get install libportaudio2"
)


@dataclass(frozen=True, slots=True)
class InputDevice:
    """One audio input as the system offers it.

    ``number`` is valid until the next look at the system; ``host`` is the sound system it is
    reached through (ALSA, JACK, Core Audio, WASAPI ...), ``channels`` how many inputs it has.
    """

    number: int
    name: str
    host: str
    channels: int
    default_sample_rate_hz: int
    is_default: bool = False

    @property
    def title(self) -> str:
        """Name and sound system, which together tell two inputs apart."""
        return f"{self.name}, {self.host}"


def choose_input(devices: Sequence[InputDevice], wanted: str | int | None) -> InputDevice:
    """The input a person means by ``wanted``: a number, a name, a part of a name, or nothing.

    Upper and lower case do not matter. ``None`` is the system's default input. Raises
    `DeviceError` naming what exists and the nearest match where none, or more than one, fits.
    """
    if not devices:
        raise DeviceError(
            "The system offers no audio input; connect the interface or start the audio server, "
            "then look again with: liveassist devices"
        )
    if wanted is None:
        return _default_input(devices)
    text = str(wanted).strip()
    if text.isdecimal():
        found = [device for device in devices if device.number == int(text)]
        if found:
            return found[0]
    key = text.casefold()
    for matches in (
        [device for device in devices if device.title.casefold() == key],
        [device for device in devices if device.name.casefold() == key],
        [device for device in devices if key and key in device.title.casefold()],
    ):
        if len(matches) == 1:
            return matches[0]
        if matches:
            raise DeviceError(
                f'More than one audio input fits "{text}": {_names(matches)}; '
                "give the number or the whole name."
            )
    raise DeviceError(_no_such_input(devices, text))


def _default_input(devices: Sequence[InputDevice]) -> InputDevice:
    for device in devices:
        if device.is_default:
            return device
    if len(devices) == 1:
        return devices[0]
    raise DeviceError(f"The system has no default input; choose one of: {_names(devices)}.")


def _no_such_input(devices: Sequence[InputDevice], text: str) -> str:
    by_key: dict[str, str] = {}
    for device in devices:
        by_key.setdefault(device.title.casefold(), device.name)
        by_key.setdefault(device.name.casefold(), device.name)
    near = difflib.get_close_matches(text.casefold(), list(by_key), n=1, cutoff=0.5)
    hint = f' did you mean "{by_key[near[0]]}"?' if near else ""
    return f'There is no audio input "{text}";{hint} Available: {_names(devices)}.'


def _names(devices: Sequence[InputDevice]) -> str:
    return "; ".join(f'{device.number} "{device.title}"' for device in devices)


def require_channels(device: InputDevice, needed: int, because: str) -> None:
    """Raise `DeviceError` unless ``device`` has ``needed`` channels; ``because`` names who asks."""
    if device.channels < needed:
        raise DeviceError(
            f'The audio input "{device.name}" has {device.channels} channels, but {because} '
            f"needs channel {needed}; correct the channel in the kit profile or choose another "
            "input (liveassist devices)."
        )
