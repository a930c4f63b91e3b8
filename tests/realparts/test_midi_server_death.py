"""The audio server dies under our MIDI ports and comes back; jack_midi_dump reads the bytes."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from liveassist.output.router import open_outputs
from liveassist.output.surfaces import parse_surface

from ..unit.output.scene import HIT, KIT
from .conftest import _answers, _lock, _start, wait_until

pytestmark = pytest.mark.realparts

SERVER = "liveassist-dies"
SURFACE = parse_surface(
    """
    surface = { name = "hits" }
    midi = [{ name = "instrument", port = "midi-monitor" }]
    hit = [{ drum = "snare", note = 38 }]
    """,
    "hits.toml",
)
#: From the server's return to the port's, seconds: the port must be found within 2.
RETURN_S = 2.0


@contextmanager
def _server(log: Path) -> Iterator[None]:
    server = _start(SERVER, 48_000, 1024, log)
    try:
        yield
    finally:
        server.terminate()
        server.wait(10)


@contextmanager
def _monitor() -> Iterator[list[str]]:
    """The JACK program that prints the MIDI bytes it receives; its lines."""
    if shutil.which("jack_midi_dump") is None:
        pytest.fail("jack_midi_dump is not installed: apt-get install jackd2 jack-example-tools")
    command = ["stdbuf", "-oL", "jack_midi_dump"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    lines: list[str] = []
    assert process.stdout is not None
    stream = process.stdout
    thread = threading.Thread(target=lambda: lines.extend(iter(stream.readline, "")), daemon=True)
    thread.start()
    try:
        yield lines
    finally:
        # A killed JACK client holds up its server for seconds: let it close its port.
        process.send_signal(signal.SIGINT)
        process.wait(5)
        thread.join(5)
        stream.close()


def test_the_port_returns_with_the_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", SERVER)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    handle = _lock(SERVER)
    assert not _answers(SERVER)
    router = open_outputs([SURFACE], KIT)
    try:

        def state() -> str:
            return router.states()[0].state

        with _server(tmp_path / "first.log"), _monitor():
            wait_until(lambda: state() == "ok", 5.0, "the MIDI port to be found")
        wait_until(lambda: state() == "down", 5.0, "the loss of the server to be noticed")
        router.publish(HIT)
        with _server(tmp_path / "second.log"), _monitor() as lines:
            wait_until(lambda: state() == "ok", RETURN_S + 1.0, "the port to come back")
            router.publish(HIT)
            wait_until(lambda: any("99 26 68" in line.lower() for line in lines), 5.0, "the hit")
            assert sum("99 26 68" in line.lower() for line in lines) == 1
            router.close()
    finally:
        router.close()
        os.close(handle)
