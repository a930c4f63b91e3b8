"""What exists is listed; what does not is said in a sentence, and a broken MIDI system too."""

from __future__ import annotations

import io
import subprocess
from typing import Any

import pytest

from liveassist.app import devices as module
from liveassist.app.devices import devices
from liveassist.errors import DeviceError
from liveassist.input.devicelist import InputDevice


def run(monkeypatch: pytest.MonkeyPatch, inputs: list[InputDevice] | DeviceError, midi: Any) -> str:
    def list_inputs() -> list[InputDevice]:
        if isinstance(inputs, DeviceError):
            raise inputs
        return inputs

    monkeypatch.setattr("liveassist.input.device.list_inputs", list_inputs)
    if isinstance(midi, str):
        monkeypatch.setattr(module, "_ASK_MIDI", midi)
    out = io.StringIO()
    assert devices(out) == 0
    return out.getvalue()


FOUND = 'print(\'{"outputs": ["desk 1"], "inputs": []}\')'


def test_what_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    device = InputDevice(3, "box", "JACK", 16, 48_000, is_default=True)
    text = run(monkeypatch, [device], FOUND)
    assert '3: "box" (JACK), 16 channels, 48000 Hz, the default' in text
    assert '"desk 1"' in text
    assert "MIDI inputs:\n  none: no port is there" in text


def test_no_audio_library(monkeypatch: pytest.MonkeyPatch) -> None:
    text = run(monkeypatch, DeviceError("PortAudio is not installed"), FOUND)
    assert "none: PortAudio is not installed" in text


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("raise SystemExit(1)", "no MIDI system that can be used"),
        ("import no_such_module", "python-rtmidi is not installed"),
        ("import os; os.abort()", "no MIDI system that can be used"),
        ("print('nonsense')", "no usable answer"),
        ("print()", "no usable answer"),
    ],
)
def test_midi_that_fails(monkeypatch: pytest.MonkeyPatch, code: str, words: str) -> None:
    assert words in run(monkeypatch, [], code)


def test_midi_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    def hang(*_: Any, **options: Any) -> None:
        raise subprocess.TimeoutExpired("midi", options["timeout"])

    monkeypatch.setattr("liveassist.app.devices.subprocess.run", hang)
    assert "the MIDI system does not answer" in run(monkeypatch, [], None)
