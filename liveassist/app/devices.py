"""`liveassist devices`: which audio inputs and MIDI ports this machine offers."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from typing import TextIO

from liveassist.errors import DeviceError

#: The ports a session would use, of the same MIDI system. Asked in another process: a system that
#: is broken or hangs must not take us with it.
_ASK_MIDI = (
    "import json; from liveassist.output.midi_child import list_ports\n"
    "print(json.dumps(list_ports()))\n"
)
_MIDI_TIMEOUT_S = 10.0


@dataclass(frozen=True, slots=True)
class _MidiPorts:
    outputs: tuple[str, ...] = ()
    inputs: tuple[str, ...] = ()
    problem: str = ""


def devices(out: TextIO) -> int:
    """Print inputs and ports, and why there are none where there are none."""
    _audio(out)
    _midi(out)
    return 0


def _audio(out: TextIO) -> None:
    from liveassist.input.device import list_inputs

    print("audio inputs:", file=out)
    try:
        inputs = list_inputs()
    except DeviceError as error:
        print(f"  none: {error}", file=out)
        return
    for device in inputs:
        mark = ", the default" if device.is_default else ""
        print(
            f'  {device.number}: "{device.name}" ({device.host}), {device.channels} channels, '
            f"{device.default_sample_rate_hz} Hz{mark}",
            file=out,
        )
    if not inputs:
        print("  none: connect an interface, or start the audio server, and look again", file=out)


def _midi(out: TextIO) -> None:
    found = _ask_midi()
    for title, ports in (("MIDI outputs", found.outputs), ("MIDI inputs", found.inputs)):
        print(f"{title}:", file=out)
        for name in ports:
            print(f'  "{name}"', file=out)
        if not ports:
            print(f"  none: {found.problem or 'no port is there'}", file=out)


def _ask_midi() -> _MidiPorts:
    from liveassist.output.midi import child_environment

    try:
        done = subprocess.run(
            [sys.executable, "-c", _ASK_MIDI],
            capture_output=True,
            text=True,
            timeout=_MIDI_TIMEOUT_S,
            check=False,
            env=child_environment(),
        )
        if done.returncode == 0:
            answer = json.loads(done.stdout.splitlines()[-1])
            return _MidiPorts(tuple(answer["outputs"]), tuple(answer["inputs"]))
    except subprocess.TimeoutExpired:
        return _MidiPorts(problem="the MIDI system does not answer")
    except (ValueError, LookupError):
        return _MidiPorts(problem="the MIDI system gave no usable answer")
    if "ModuleNotFoundError" in done.stderr:
        return _MidiPorts(problem="python-rtmidi is not installed (pip install python-rtmidi)")
    return _MidiPorts(problem="this machine has no MIDI system that can be used")
