"""What exists is listed; what does not is said in a sentence, and a broken MIDI system too."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path
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


LIBRARY = """
API_RTMIDI_DUMMY, API_UNIX_JACK = 0, 3
def get_compiled_api():
    return [2, 3]
class MidiOut:
    ports = ["desk in"]
    def __init__(self, api=2, name=""):
        if api != 3:
            raise OSError("this system is installed, but does not run")
    def get_ports(self):
        return self.ports
    def delete(self):
        pass
class MidiIn(MidiOut):
    ports = ["desk out"]
"""


def test_ports_are_those_a_session_would_find(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Of the first MIDI system that works: another is installed before it, but does not run."""
    (tmp_path / "rtmidi.py").write_text(LIBRARY)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "there is none")
    text = run(monkeypatch, [], None)
    assert 'MIDI outputs:\n  "desk in"\nMIDI inputs:\n  "desk out"' in text


def test_midi_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    def hang(*_: Any, **options: Any) -> None:
        raise subprocess.TimeoutExpired("midi", options["timeout"])

    monkeypatch.setattr("liveassist.app.devices.subprocess.run", hang)
    assert "the MIDI system does not answer" in run(monkeypatch, [], None)
