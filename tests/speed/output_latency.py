"""How long a hit takes from `Router.publish` to a datagram, and to MIDI bytes in another program.

Run by hand: ``python tests/speed/output_latency.py [--hits N] [--midi]``. ``--midi`` needs a
running JACK server (``JACK_DEFAULT_SERVER`` names it), and includes up to one of its periods.
The main thread meanwhile filters blocks of noise, as the analysis does. Then throughput: hits in
bursts that just fit the queue, and a whole bank of faders that all move all the time on a wire of
31,250 baud.
"""

from __future__ import annotations

import argparse
import socket
import statistics
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).parents[2]))

from liveassist.output.osc_codec import OscMessage, decode
from liveassist.output.router import Router, open_outputs
from liveassist.output.surface_model import HitNote, MidiPort, OscTarget, Surface
from liveassist.output.surfaces import parse_surface
from tests.realparts.midi_ports import Recorder
from tests.unit.output.scene import HIT, KIT, SNAPSHOT

#: Pause between hits, seconds, and frames of noise filtered in the meantime.
PAUSE_S = 0.005
BLOCK = (128, 16)


def _play(router: Router, hits: int) -> list[float]:
    """Publish hits while filtering noise; the moments of publishing."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(BLOCK)
    sections = signal.butter(4, [100, 5000], "bandpass", fs=48000, output="sos")
    moments: list[float] = []
    for number in range(hits):
        until = time.perf_counter() + PAUSE_S
        while time.perf_counter() < until:
            signal.sosfilt(sections, noise, axis=0)
            time.sleep(0.001)  # a block of 128 is awaited about so long
        if number % 20 == 0:
            router.publish_snapshot(replace(SNAPSHOT, time_s=float(number)))
        moments.append(time.perf_counter())
        router.publish(replace(HIT, number=number, velocity=1 + number % 127))
    return moments


def _report(what: str, sent: list[float], came: dict[int, float]) -> None:
    late = sorted((came[n] - t) * 1000 for n, t in enumerate(sent) if n in came)
    median, high = statistics.median(late), late[int(0.99 * len(late))]
    print(
        f"{what}: {len(late)} of {len(sent)} arrived, median {median:.2f} ms, "
        f"99th percentile {high:.2f} ms, longest {late[-1]:.2f} ms"
    )


def measure_osc(hits: int) -> None:
    """To a datagram in the hands of a receiver on this computer."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
    receiver.bind(("127.0.0.1", 0))
    receiver.settimeout(1.0)
    target = OscTarget("t", "127.0.0.1", receiver.getsockname()[1])
    router = open_outputs([Surface("s", osc=(target,))], KIT)
    arrived: list[tuple[float, bytes]] = []

    def receive() -> None:
        while True:
            try:
                data = receiver.recv(65536)
            except TimeoutError:
                return
            arrived.append((time.perf_counter(), data))

    thread = threading.Thread(target=receive)
    thread.start()
    sent = _play(router, hits)
    thread.join()
    router.close()
    receiver.close()
    came: dict[int, float] = {}
    for moment, data in arrived:
        message = decode(data)
        if isinstance(message, OscMessage) and message.address.endswith("/hit"):
            number = message.args[0]
            assert isinstance(number, int)
            came[number] = moment
    _report("hit to datagram", sent, came)


class _Clocked(Recorder):
    """Notes when bytes are seen; the server's period is part of the figure."""

    def __init__(self, client: str) -> None:
        self.moments: list[float] = []
        super().__init__(client)

    def __enter__(self) -> _Clocked:
        return self

    def _process(self, frames: int) -> None:
        before = len(self.events)
        super()._process(frames)
        now = time.perf_counter()
        self.moments += [now for _ in self.events[before:]]


def measure_midi(hits: int) -> None:
    """To the bytes in another client of the JACK server."""
    with _Clocked("notebox") as recorder:
        port = MidiPort("m", "notebox", bytes_per_s=31250)
        surface = Surface("s", midi=(port,), hits=(HitNote("h", "m", "snare", 10, 38, 2.0, 0),))
        router = open_outputs([surface], KIT)
        while router.states()[0].state != "ok":
            time.sleep(0.05)
        sent = _play(router, hits)
        time.sleep(0.5)
        router.close()
        on = [
            m for m, (_, d) in zip(recorder.moments, recorder.events, strict=True) if d[0] == 0x99
        ]
        _report("hit to MIDI bytes", sent, dict(enumerate(on)))


def burst_osc(bursts: int = 20, hits: int = 1000) -> None:
    """How many hits a second become datagrams in the hands of a receiver."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
    receiver.bind(("127.0.0.1", 0))
    receiver.settimeout(1.0)
    router = open_outputs([Surface("s", osc=(OscTarget("t", *receiver.getsockname()),))], KIT)
    begin, came = time.perf_counter(), 0
    for _ in range(bursts):
        for number in range(hits):
            router.publish(replace(HIT, number=number))
        try:
            for _ in range(hits):
                receiver.recv(65536)
                came += 1
        except TimeoutError:
            pass
    took = time.perf_counter() - begin
    dropped = router.states()[0].dropped
    router.close()
    receiver.close()
    print(
        f"burst to datagrams: {came} of {bursts * hits} arrived, {dropped} dropped, "
        f"{came / took:.0f} a second"
    )


def full_wire(seconds: float = 10.0) -> None:
    """Bytes a second on a MIDI wire when every fader moves at every look."""
    controls = "".join(
        f'[[control]]\nname = "f{n}"\nmessage = "cc14"\nchannel = {1 + n // 32}\n'
        f'number = {n % 32}\nshows = "take_clock_s"\nrange = [0, {20 + n}]\n'
        for n in range(64)
    )
    text = f'[surface]\nname = "s"\n[[midi]]\nname = "m"\nport = "notebox"\n{controls}'
    with _Clocked("notebox") as recorder:
        router = open_outputs([parse_surface(text, "s.toml")], KIT)
        while router.states()[0].state != "ok":
            time.sleep(0.05)
        begin, shown = time.perf_counter(), 0.0
        while (now := time.perf_counter() - begin) < seconds:
            assert SNAPSHOT.take is not None
            router.publish_snapshot(replace(SNAPSHOT, time_s=SNAPSHOT.take.start_s + 2 * now))
            time.sleep(0.05)
            shown = max(shown, router.states()[0].bytes_per_s or 0.0)
        router.close()
    moments = np.array(recorder.moments)
    sizes = np.cumsum([0, *(len(data) for _, data in recorder.events)])
    later = np.searchsorted(moments, moments + 1.0)
    most = int(np.max(sizes[later] - sizes[np.arange(len(moments))]))
    print(
        f"64 faders of 14 bits that never rest: {sizes[-1] / seconds:.0f} bytes a second, at most "
        f"{most} in any second (shown: {shown:.0f}); a wire carries 3125"
    )


def vanished(hits: int = 3000) -> None:
    """What publishing costs the analysis when targets are there, and when none of them is."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there:
        there.bind(("127.0.0.1", 0))
        port = there.getsockname()[1]
        for what, ports in (
            ("one target that listens", (port,)),
            ("four that vanished", (1, 2, 3, 4)),
        ):
            targets = tuple(OscTarget(f"t{n}", "127.0.0.1", n) for n in ports)
            router = open_outputs([Surface("s", osc=targets)], KIT)
            costs = []
            for number in range(hits):
                begin = time.thread_time()
                router.publish(replace(HIT, number=number))
                costs.append(time.thread_time() - begin)
                time.sleep(0.0003)
            router.close()
            print(
                f"publishing to {what}: {1e6 * statistics.median(costs):.0f} us of the analysis's "
                f"time a hit, 99th percentile {1e6 * sorted(costs)[int(0.99 * hits)]:.0f} us"
            )


def replug(times: int = 25) -> None:
    """How long a port that was away takes to be found, and one that goes to be missed."""
    router = open_outputs([Surface("s", midi=(MidiPort("m", "plugbox"),))], KIT)
    rng = np.random.default_rng(2)

    def until(state: str) -> float:
        begin = time.perf_counter()
        while router.states()[0].state != state:
            time.sleep(0.002)
        return time.perf_counter() - begin

    with Recorder("plugbox"):
        until("ok")
    until("down")
    found, missed = list[float](), list[float]()
    for _ in range(times):
        time.sleep(float(rng.uniform(0.0, 0.6)))
        with Recorder("plugbox"):
            found.append(until("ok"))
            time.sleep(float(rng.uniform(0.0, 0.6)))
        missed.append(until("down"))
    router.close()
    print(
        f"a port that returns is found in {statistics.median(found):.2f} s (most of {times}: "
        f"{max(found):.2f}), one that goes missed in {statistics.median(missed):.2f} s "
        f"({max(missed):.2f})"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="latency of outputs")
    parser.add_argument("--hits", type=int, default=1000)
    parser.add_argument("--midi", action="store_true")
    options = parser.parse_args()
    measure_osc(options.hits)
    burst_osc()
    vanished()
    if options.midi:
        measure_midi(options.hits)
        full_wire()
        replug()


if __name__ == "__main__":
    main()
