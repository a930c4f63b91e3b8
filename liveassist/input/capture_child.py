"""The small process that holds the audio device, and that may be killed at any moment.

When an audio server dies, closing a stream or even leaving the interpreter can hang for ever, so
whoever touches the audio library must be expendable. This process does nothing else: the callback
copies into the shared ring, notes the time, and wakes the daemon through a pipe.

Run as ``python -m liveassist.input.capture_child JSON`` by `liveassist.input.childproc`:

- standard output carries one `RECORD` (24 bytes) a callback: frames ever written, the monotonic
  clock in nanoseconds, 1 if the library flagged an overflow;
- standard error carries lines; one that begins with `TOLD` is a JSON message, the rest is chatter
  of audio libraries;
- standard input at its end means the daemon is gone: leave.

Imports stay few (no numpy): start-up is part of how soon audio is back after a fault.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import struct
import sys
import threading
import time
from typing import TYPE_CHECKING, Any, NoReturn

from liveassist.errors import DeviceError
from liveassist.input.blockring import BlockRing
from liveassist.input.devicelist import (
    PORTAUDIO_MISSING,
    InputDevice,
    choose_input,
    require_channels,
)

if TYPE_CHECKING:
    from liveassist.input.jacksource import PortsBefore

RECORD = struct.Struct("=QQQ")
TOLD = "@liveassist "
#: How often the stream is asked whether it still runs, seconds. After the death of a JACK server
#: it is the only sign, and it comes within 15 ms.
_LOOK_S = 0.05
#: How long closing the library may take, seconds: some periods of the server; and where something
#: went wrong, most likely the server.
_CLOSING_S = 0.35
_CLOSING_ENDED_S = 0.1

_leaving = threading.Lock()
_told_to_leave = threading.Event()

_INVALID_RATE = -9997
_INVALID_CHANNELS = -9998
_DEVICE_UNAVAILABLE = -9985


def main(argument: str) -> NoReturn:
    """Do what the JSON ``argument`` asks (``list`` or ``capture``), then `leave`."""
    wake = os.dup(1)
    os.dup2(2, 1)  # audio libraries print where they like; the record pipe stays ours
    asked = json.loads(argument)
    code = 0
    threading.Thread(target=_wait_for_end_of_input, daemon=True).start()
    try:
        if asked["do"] == "list":
            devices = [device_to_json(device) for device in list_devices()]
            tell("devices", devices=devices, connected=_connected(asked.get("ports", [])))
        else:
            capture(asked, wake)
    except DeviceError as problem:
        if not _told_to_leave.is_set():
            tell("error", sentence=str(problem))
        code = 1
    leave(code)


def _wait_for_end_of_input() -> None:
    """Leave when the daemon is gone, or says so by closing our standard input."""
    while os.read(0, 64):
        pass
    _told_to_leave.set()
    leave(0)


def leave(code: int) -> NoReturn:
    """End soon, whatever happens: closing PortAudio may hang or abort, so it gets little time.

    It is tried, because a JACK server makes everybody wait five seconds for a client that died
    unclosed when another opens or closes just then: long enough to lose a source that came back.
    Closing ends the stream, which wakes the thread that watches it: whoever comes second waits here
    for the end of the process.
    """
    _leaving.acquire()
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.flush()
    library = sys.modules.get("sounddevice")
    if library is not None:
        closing = threading.Thread(target=_close, args=(library,), daemon=True)
        closing.start()
        closing.join(_CLOSING_S if code == 0 else _CLOSING_ENDED_S)
    os._exit(code)


def _close(sounddevice: Any) -> None:
    with contextlib.suppress(Exception):
        sounddevice._terminate()


def tell(what: str, **content: Any) -> None:
    """Send one message to the daemon."""
    line = TOLD + json.dumps({"what": what, **content}) + "\n"
    os.write(2, line.encode())


def device_to_json(device: InputDevice) -> dict[str, Any]:
    """`InputDevice` as plain JSON values; `InputDevice(**value)` reads them."""
    return {name: getattr(device, name) for name in InputDevice.__slots__}


def list_devices() -> list[InputDevice]:
    """Every device with inputs, in PortAudio's order. Raises `DeviceError` without PortAudio."""
    sounddevice = _sounddevice()
    try:
        hosts = sounddevice.query_hostapis()
        found = sounddevice.query_devices()
        default = sounddevice.default.device[0]
    except sounddevice.PortAudioError as problem:
        raise DeviceError(f"The audio system cannot be asked for its inputs: {problem}") from None
    return [
        InputDevice(
            number=number,
            name=str(row["name"]),
            host=str(hosts[row["hostapi"]]["name"]),
            channels=int(row["max_input_channels"]),
            default_sample_rate_hz=round(row["default_samplerate"]),
            is_default=number == default or number == _host_default(hosts, default),
        )
        for number, row in enumerate(found)
        if row["max_input_channels"] > 0
    ]


def _host_default(hosts: Any, default: int) -> int:
    """The first host's default input where PortAudio as a whole names none."""
    if default >= 0:
        return default
    return next((h["default_input_device"] for h in hosts if h["default_input_device"] >= 0), -1)


def _sounddevice() -> Any:
    try:
        import sounddevice
    except OSError:
        raise DeviceError(PORTAUDIO_MISSING) from None
    except ImportError:
        raise DeviceError(
            "The package sounddevice is missing, so no audio input can be opened; add it with: "
            "python3 -m pip install sounddevice"
        ) from None
    return sounddevice


class _RateRefusedError(DeviceError):
    """The device does not run at the rate that was asked for."""


def capture(asked: dict[str, Any], wake: int) -> None:
    """Open the input and copy what comes until standard input ends or the stream stops."""
    device = choose_input(list_devices(), asked["device"])
    require_channels(device, asked["channels"], asked["because"])
    rate_hz = asked["sample_rate_hz"] or device.default_sample_rate_hz
    ring = BlockRing.attach(asked["ring"], asked["channels"], asked["ring_frames"])
    os.set_blocking(wake, False)
    before = _ports_before(device)
    try:
        stream, ended = _open_stream(device, rate_hz, asked, ring, wake)
    except _RateRefusedError:
        if not asked["or_another_rate"] or rate_hz == device.default_sample_rate_hz:
            raise
        stream, ended = _open_stream(device, device.default_sample_rate_hz, asked, ring, wake)
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        stream.start()
    except Exception as problem:
        raise DeviceError(f'The audio input "{device.name}" does not start: {problem}') from None
    tell(
        "running",
        device=device_to_json(device),
        sample_rate_hz=round(stream.samplerate),
    )
    if before is not None:
        # Afterwards: a server may take its time to answer, and audio comes already.
        tell("ports", ports=before.ours(device.name))
    _watch(stream, ended)


def _ports_before(device: InputDevice) -> PortsBefore | None:
    """What tells later which ports are the stream's, where it has ports that are connected."""
    if "JACK" not in device.host.upper():
        return None
    from liveassist.input.jacksource import PortsBefore

    return PortsBefore()


def _connected(ports: list[str]) -> bool | None:
    """Whether the stream with these ports is still connected; None where that says nothing."""
    if not ports:
        return None
    from liveassist.input.jacksource import connected

    return connected(ports)


def _open_stream(
    device: InputDevice, rate_hz: int, asked: dict[str, Any], ring: BlockRing, wake: int
) -> tuple[Any, threading.Event]:
    sounddevice = _sounddevice()
    ended = threading.Event()
    wanted = asked["channels"]

    def open_with(channels: int) -> Any:
        return sounddevice.RawInputStream(
            device=device.number,
            samplerate=rate_hz,
            blocksize=asked["block_frames"] or 0,
            channels=channels,
            dtype="float32",
            latency="low",
            callback=_callback(ring, wake, channels, wanted),
            finished_callback=ended.set,
        )

    try:
        try:
            return open_with(wanted), ended
        except sounddevice.PortAudioError as problem:
            # Some systems open a device with all of its channels or not at all.
            if _code(problem) != _INVALID_CHANNELS or device.channels == wanted:
                raise
            return open_with(device.channels), ended
    except sounddevice.PortAudioError as problem:
        kind = _RateRefusedError if _code(problem) == _INVALID_RATE else DeviceError
        raise kind(_why_not(problem, device, rate_hz)) from None


def _code(problem: Exception) -> int | None:
    return problem.args[1] if len(problem.args) > 1 else None


def _why_not(problem: Exception, device: InputDevice, rate_hz: int) -> str:
    code = _code(problem)
    if code == _INVALID_RATE:
        return (
            f'The audio input "{device.name}" cannot run at {rate_hz} Hz (it offers '
            f"{device.default_sample_rate_hz} Hz); ask for that rate, or change the rate in the "
            "interface's or audio server's own settings."
        )
    if code == _INVALID_CHANNELS:
        return (
            f'The audio input "{device.name}" does not open with the channels the profile names; '
            "check its inputs with: liveassist devices"
        )
    if code == _DEVICE_UNAVAILABLE:
        return (
            f'The audio input "{device.name}" is held by another programme; let both use it '
            "through the system's audio server, or feed this tool from a loop-back input."
        )
    return f'The audio input "{device.name}" cannot be opened: {problem.args[0]}'


def _callback(ring: BlockRing, wake: int, channels: int, wanted: int) -> Any:
    """The function the audio library calls: copy, note the time, wake the daemon, return."""
    pack = RECORD.pack
    clock_ns = time.monotonic_ns
    write_ring = ring.write
    write_pipe = os.write

    def callback(indata: Any, frames: int, _times: Any, status: Any) -> None:
        now = clock_ns()
        audio = memoryview(indata)
        if channels != wanted:
            audio = first_channels(audio, frames, channels, wanted)
        written = write_ring(audio, frames)
        # A full pipe means the daemon is far behind: the next record carries the same count and
        # more, so this one may go. A pipe that is gone ends this process (see _watch).
        with contextlib.suppress(BlockingIOError):
            write_pipe(wake, pack(written, now, 1 if status else 0))

    return callback


def first_channels(audio: memoryview, frames: int, channels: int, wanted: int) -> memoryview:
    """Interleaved float32 with only the first ``wanted`` of ``channels``."""
    source = audio.cast("B").cast("f")
    kept = memoryview(bytearray(frames * wanted * 4)).cast("f")
    for channel in range(wanted):
        kept[channel::wanted] = source[channel::channels]
    return kept.cast("B")


def _watch(stream: Any, ended: threading.Event) -> None:
    """Wait until the stream has stopped; DeviceError says so."""
    while not ended.wait(_LOOK_S):
        if _told_to_leave.is_set() or not stream.active:
            break
    raise DeviceError("The audio input stopped by itself.")


if __name__ == "__main__":
    main(sys.argv[1])
