"""What independent OSC programs make of our datagrams, and we of theirs: the liblo tools, oscpy."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from liveassist.output.addresses import ROOT
from liveassist.output.commands import Command
from liveassist.output.osc_codec import OscBundle, OscMessage, decode
from liveassist.output.router import open_outputs
from liveassist.output.surface_model import OscIn, OscTarget, Surface, Transport
from liveassist.output.surfaces import load_surface

from ..unit.output.scene import COMPLETE, HIT, KIT, SNAPSHOT
from .conftest import wait_until

pytestmark = pytest.mark.realparts

SHIPPED = Path(__file__).parents[2] / "profiles" / "surfaces"


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Dump:
    """The liblo program that prints what it receives, one line a message."""

    def __init__(self, port: int, url: str = "") -> None:
        for tool in ("oscdump", "stdbuf"):
            if shutil.which(tool) is None:
                pytest.fail(f"{tool} is not installed: apt-get install liblo-tools coreutils")
        command = ["stdbuf", "-oL", "oscdump", "-L", url or str(port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            # A message of a bundle is printed after its time tag, one alone after the word Now.
            self.lines.append(line.strip())

    def has(self, text: str) -> bool:
        return any(text in line for line in self.lines)

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(5)
        self._thread.join(5)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def _dump() -> Iterator[tuple[Dump, int]]:
    port = _free_port()
    dump = Dump(port)
    try:
        wait_until(lambda: _is_bound(port), 5.0, "oscdump to listen")
        yield dump, port
    finally:
        dump.close()


def _is_bound(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.bind(("0.0.0.0", port))
        except OSError:
            return True
    return False


def test_liblo_reads_hits_and_figures() -> None:
    with _dump() as (dump, port):
        surface = load_surface(SHIPPED / "osc_tablet_page.toml")
        surface = replace(surface, osc=(replace(surface.osc[0], port=port),), osc_in=None)
        router = open_outputs([surface], KIT)
        router.publish(HIT)
        router.publish(COMPLETE)
        router.publish_snapshot(SNAPSHOT)
        hit = f'{ROOT}/drum/snare/hit iffisf 412 83.250000 -9.500000 104 "main" 0.750000'
        wait_until(lambda: dump.has(hit), 5.0, "the hit")
        wait_until(lambda: dump.has(f"{ROOT}/drum/snare/hit/note_hz if 412 187.5"), 5.0, "the note")
        figure = f"{ROOT}/mic/snare_top/suggested/threshold_dbfs f -24.5"
        wait_until(lambda: dump.has(figure), 5.0, "the suggested threshold")
        why = f'{ROOT}/unmeasured ss "{ROOT}/drum/kick/spread_db" "3 hits, 8 needed"'
        wait_until(lambda: dump.has(why), 5.0, "why a figure is missing")
        assert not dump.has("rms_dbfs")  # the shipped page leaves it out
        router.close()


def test_liblo_reads_foreign_addresses() -> None:
    with _dump() as (dump, port):
        surface = load_surface(SHIPPED / "osc_device.toml")
        surface = replace(surface, osc=(replace(surface.osc[0], port=port),))
        router = open_outputs([surface], KIT)
        router.publish_snapshot(replace(SNAPSHOT, recent={"kick": (HIT,)}))
        wait_until(lambda: dump.has("/user/meter/2 i 104"), 5.0, "the kick's velocity")
        wait_until(lambda: dump.has("/user/meter/1 f 0.2333"), 5.0, "spread 1.4 of 6 dB")
        wait_until(lambda: dump.has('/user/label/1 s "suggested -24.5 dBFS"'), 5.0, "the label")
        assert not dump.has(ROOT)
        router.close()


def test_liblo_gives_commands() -> None:
    if shutil.which("oscsend") is None:
        pytest.fail("oscsend is not installed: apt-get install liblo-tools")
    router = open_outputs([Surface("in", osc_in=OscIn(port=0))], KIT)
    port = str(router._servers[0].port)
    send = ["oscsend", "127.0.0.1", port]
    subprocess.run([*send, f"{ROOT}/take/start", "s", "vers é"], check=True, timeout=10)
    found: list[Command] = []

    def arrived() -> bool:
        found.extend(router.commands())
        return bool(found)

    wait_until(arrived, 5.0, "the command")
    assert (found[0].name, found[0].args) == ("take/start", ("vers é",))
    with _dump() as (dump, listening):
        router.publish_snapshot(SNAPSHOT)
        subprocess.run([*send, f"{ROOT}/subscribe", "i", str(listening)], check=True, timeout=10)
        wait_until(lambda: dump.has(f'{ROOT}/session/kit s "rehearsal kit"'), 5.0, "the state")
        router.publish(HIT)
        wait_until(lambda: dump.has(f"{ROOT}/drum/snare/hit"), 5.0, "a hit")
    router.close()


def test_oscpy_reads_the_same() -> None:
    """oscpy 0.6, an independent Python library."""
    from oscpy.parser import read_packet

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5.0)
        target = OscTarget("t", "127.0.0.1", receiver.getsockname()[1])
        router = open_outputs([Surface("t", osc=(target,))], KIT)
        router.publish(HIT)
        router.publish_snapshot(SNAPSHOT)
        data = receiver.recv(65536)
        address, _, values, _ = read_packet(data)[0]
        assert address == f"{ROOT}/drum/snare/hit".encode()
        assert values == [412, 83.25, -9.5, 104, b"main", 0.75]
        bundle = receiver.recv(65536)
        ours = decode(bundle)
        assert isinstance(ours, OscBundle)
        theirs = read_packet(bundle)
        assert len(theirs) == len(ours.elements)
        for (address, tags, values, _), message in zip(theirs, ours.elements, strict=True):
            assert isinstance(message, OscMessage)
            assert address.decode() == message.address
            assert tags.decode().strip(",\0") == message.types
            said = [v.decode() if isinstance(v, bytes) else v for v in values]
            assert said == list(message.args)
        router.close()


def test_liblo_gives_commands_over_tcp() -> None:
    """liblo frames TCP by length, as OSC 1.0 says."""
    settings = OscIn(port=0, transport="tcp_length")
    router = open_outputs([Surface("in", osc_in=settings)], KIT)
    url = f"osc.tcp://127.0.0.1:{router._servers[0].port}"
    subprocess.run(["oscsend", url, f"{ROOT}/take/start", "s", "verse"], check=True, timeout=10)
    found: list[Command] = []

    def arrived() -> bool:
        found.extend(router.commands())
        return bool(found)

    wait_until(arrived, 5.0, "the command")
    assert (found[0].name, found[0].args) == ("take/start", ("verse",))
    router.close()


@pytest.mark.parametrize("transport", ["tcp_length", "tcp_slip"])
def test_liblo_reads_tcp(transport: Transport) -> None:
    """liblo tells both framings apart by itself."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    dump = Dump(port, f"osc.tcp://:{port}/")
    try:
        target = OscTarget("t", "127.0.0.1", port, transport)
        router = open_outputs([Surface("t", osc=(target,))], KIT)
        wait_until(lambda: router.states()[0].state == "ok", 10.0, "the connection")
        router.publish(HIT)
        router.publish_snapshot(SNAPSHOT)
        wait_until(lambda: dump.has(f"{ROOT}/drum/snare/hit iffisf 412"), 5.0, "the hit")
        wait_until(lambda: dump.has(f'{ROOT}/session/kit s "rehearsal kit"'), 5.0, "the state")
        router.close()
    finally:
        dump.close()
