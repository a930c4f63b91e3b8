"""A device through a real audio server, sample-exact.

The player's first channel counts frames, so what arrived says itself what is missing. Samples are
asserted, never wall time: a busy machine may lose time, and then the source must say so.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from liveassist.errors import DeviceError
from liveassist.input.device import DeviceSource, find_input, list_inputs
from liveassist.model import Kit, Mic
from tests.realparts.live_parts import KIT, NAME, PATIENCE_S, RATE, Player, Reader, Server

pytestmark = pytest.mark.realparts


@pytest.fixture(autouse=True)
def _our_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")


@pytest.fixture(scope="module")
def steady() -> Iterator[Server]:
    """A server that waits for its clients, with a player of six channels."""
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = NAME
    server = Server(1024)
    player = Player("drumsim", "counter", "6")
    yield server
    player.close()
    server.close()
    if before is None:
        del os.environ["JACK_DEFAULT_SERVER"]
    else:
        os.environ["JACK_DEFAULT_SERVER"] = before


def test_the_player_is_listed_and_found(steady: Server) -> None:
    names = [device.name for device in list_inputs()]
    assert "drumsim" in names
    found = find_input("drums")
    assert (found.name, found.channels, found.default_sample_rate_hz) == ("drumsim", 6, RATE)
    assert find_input(found.number) == found


@pytest.mark.parametrize("block", [None, 64, 100, 128, 1024, 2048])
def test_every_sample_arrives_in_its_column(steady: Server, block: int | None) -> None:
    source = DeviceSource(KIT, "drumsim", None, block)
    try:
        source.start()
        assert source.sample_rate_hz == RATE
        reader = Reader(source)
        reader.until(RATE)
        assert reader.missing == 0
    finally:
        source.close()
        source.close()
    assert source.state == "closed"


def test_what_cannot_be_opened_is_said_in_one_sentence(steady: Server) -> None:
    too_many = Kit("yard", KIT.drums, (Mic("counter", 1), Mic("far", 9)))
    for source, sentence in (
        (DeviceSource(KIT, "drumsym"), 'no audio input "drumsym"; did you mean "drumsim"'),
        (DeviceSource(too_many, "drumsim"), 'has 6 channels, but microphone "far"'),
        (DeviceSource(KIT, "drumsim", 44_100), "cannot run at 44100 Hz .it offers 48000 Hz"),
    ):
        with pytest.raises(DeviceError, match=sentence):
            source.start()
        assert source.state == "closed"


def test_a_reader_that_was_busy_misses_nothing(steady: Server) -> None:
    source = DeviceSource(KIT, "drumsim", None, 128)
    try:
        source.start()
        reader = Reader(source)
        reader.until(RATE // 2)
        time.sleep(1.5)  # analysis held up; what is tested is what the ring kept
        reader.until(2 * RATE)
        assert reader.missing == 0
    finally:
        source.close()


def test_the_child_ends_when_the_daemon_is_killed(steady: Server) -> None:
    code = (
        "import time; from liveassist.input.device import DeviceSource\n"
        "from tests.realparts.live_parts import KIT\n"
        "source = DeviceSource(KIT, 'drumsim'); source.start()\n"
        "print(source.child_pid, flush=True); time.sleep(60)\n"
    )
    daemon = subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.getcwd()},
    )
    assert daemon.stdout is not None
    child = int(daemon.stdout.readline())
    daemon.kill()
    daemon.wait()
    daemon.stdout.close()
    end_s = time.monotonic() + PATIENCE_S
    while os.path.exists(f"/proc/{child}/exe"):
        assert time.monotonic() < end_s, "the capture child outlives the daemon"
        time.sleep(0.05)
