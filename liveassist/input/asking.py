"""Which audio inputs there are, asked in a child process, as an audio server may hang."""

from __future__ import annotations

import time
from typing import Any

from liveassist.errors import DeviceError
from liveassist.input.childproc import CaptureProcess
from liveassist.input.devicelist import InputDevice, choose_input

NO_ANSWER = "The audio system does not answer; restart the audio server, then try again."
#: How long the first opening may take, seconds: PortAudio asks every sound system in turn.
START_TIMEOUT_S = 10.0


def list_inputs(timeout_s: float = START_TIMEOUT_S) -> list[InputDevice]:
    """Every audio input the system offers, in the audio library's order.

    Asked in a child process, as a server may hang. Raises `DeviceError` if there is no answer.
    """
    child = CaptureProcess({"do": "list"})
    try:
        message = _first_message(child, time.monotonic() + timeout_s)
    finally:
        child.kill()
    if message["what"] == "error":
        raise DeviceError(message["sentence"])
    return [InputDevice(**row) for row in message["devices"]]


def find_input(wanted: str | int | None) -> InputDevice:
    """The audio input meant by a number, a name, a part of a name, or None for the default.

    Raises `DeviceError` with the nearest match and the list of inputs where nothing fits.
    """
    return choose_input(list_inputs(), wanted)


def _first_message(child: CaptureProcess, deadline_s: float) -> dict[str, Any]:
    while not child.messages:
        left_s = deadline_s - time.monotonic()
        if child.ended:
            said = "".join(f" It said: {line}" for line in list(child.chatter)[-1:])
            raise DeviceError(f"The audio system failed when asked for its inputs.{said}")
        if left_s <= 0:
            raise DeviceError(NO_ANSWER)
        child.wait(left_s)
    return child.messages.popleft()
