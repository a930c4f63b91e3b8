"""Onset sample to OSC datagram, and start to first block, of the real analysis in real time.

Run by hand: ``python -m tests.speed.latency [--seconds 60] [--soundcheck]``. Blocks of 128 samples
of a simulated session are handed over at the moment an interface would, when their last sample has
been played; the latency of a hit is from the sample of its onset (the truth of the simulator) to
the datagram in the hands of a receiver, so the block is included, the driver is not. A part of the
figure is how long a sound takes to show what it is; the table in the daemon's guide says which.
"""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys
import threading
import time
from typing import Any

import numpy as np

from liveassist.app.config import parse_kit
from liveassist.app.demo import open_scene
from liveassist.app.outputs import open_surfaces, refuse
from liveassist.app.session import Session
from liveassist.input.childproc import package_environment
from liveassist.model import Block, Hit
from liveassist.output.osc_codec import OscMessage, decode
from liveassist.output.surface_model import OscTarget, Surface
from liveassist.pipeline import Pipeline
from tests.bench.recordings import from_scenario, learned_from

SCENARIO = "first_light"
BLOCK = 128
#: A datagram belongs to a true hit so near, seconds.
NEAR_S = 0.040
START = (
    "import time; t = time.perf_counter()\n"
    "import liveassist.pipeline as p, liveassist.app.listen, liveassist.app.config as c\n"
    "import numpy as np; from liveassist.model import Block\n"
    "from pathlib import Path; import sys\n"
    "kit = c.parse_kit(sys.stdin.read(), 'kit'); pipe = p.Pipeline(kit, 48000, early=True)\n"
    "pipe.feed(Block(0, np.zeros((128, len(kit.mics)), np.float32)))\n"
    "print(time.perf_counter() - t)\n"
)


class Ear:
    """Receives datagrams and notes when the first report of each hit came."""

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.settimeout(2.0)
        self.first: dict[int, float] = {}
        self.thread = threading.Thread(target=self._listen)

    def _listen(self) -> None:
        while True:
            try:
                data = self.socket.recv(65536)
            except TimeoutError:
                return
            now_s = time.perf_counter()
            message = decode(data)
            if isinstance(message, OscMessage) and message.address.endswith("/hit"):
                number = message.args[0]
                assert isinstance(number, int)
                self.first.setdefault(number, now_s)


def measure(seconds: float, soundcheck: bool) -> None:
    """Play, then compare with the truth."""
    scene: Any = open_scene(SCENARIO)
    rate = scene.sample_rate_hz
    kit = parse_kit(scene.kit_toml, SCENARIO)
    audio = scene.read(round(seconds * rate) // BLOCK * BLOCK)
    ear = Ear()
    target = OscTarget("ear", "127.0.0.1", ear.socket.getsockname()[1])
    surfaces = open_surfaces([Surface("s", osc=(target,))], kit, refuse)
    learned = learned_from(from_scenario(SCENARIO, 0.0, soundcheck=True)) if soundcheck else None
    pipeline = Pipeline(kit, rate, early=True, learned=learned)
    session = Session(pipeline, kit, rate, outputs=[surfaces])
    ear.thread.start()
    samples: dict[int, tuple[int, str]] = {}
    begun_s, spent_s, behind = time.perf_counter(), time.process_time(), 0.0
    for first in range(0, len(audio), BLOCK):
        due_s = begun_s + (first + BLOCK) / rate
        wait_s = due_s - time.perf_counter()
        if wait_s > 0:
            time.sleep(wait_s)
        behind = max(behind, -wait_s)
        for event in session.feed(Block(first, audio[first : first + BLOCK])):
            if isinstance(event, Hit) and event.stage in ("early", "revised"):
                samples[event.number] = (event.sample, event.drum)
    spent_s = time.process_time() - spent_s
    ear.thread.join()
    surfaces.close()
    _report(scene.truth(), samples, ear.first, begun_s, rate)
    print(f"processor: {100 * spent_s / seconds:.0f} % of one core; at most {behind:.3f} s behind")


def _report(
    truth: list[dict[str, object]],
    samples: dict[int, tuple[int, str]],
    first: dict[int, float],
    begun_s: float,
    rate: int,
) -> None:
    for drum in ("kick", "snare"):
        onsets = np.array([float(str(r["time_s"])) for r in truth if r["drum"] == drum])
        late = []
        for number, (sample, name) in samples.items():
            near = onsets[np.abs(onsets - sample / rate) < NEAR_S] if name == drum else onsets[:0]
            if near.size and number in first:
                onset_s = near[np.argmin(np.abs(near - sample / rate))]
                late.append(1000.0 * (first[number] - begun_s - onset_s))
        if late:
            p50, p95, p99 = np.percentile(late, [50, 95, 99])
            print(
                f"{drum}: {len(late)} hits, onset to datagram median {p50:.1f} ms, "
                f"95 % {p95:.1f} ms, 99 % {p99:.1f} ms; "
                f"{np.mean(np.array(late) <= 20.0):.3f} of them within 20 ms"
            )


def start_up(times: int = 5) -> None:
    """A fresh interpreter until it has analysed its first block of 128."""
    toml = open_scene(SCENARIO).kit_toml
    inside, outside = [], []
    for _ in range(times):
        begun_s = time.perf_counter()
        ran = subprocess.run(
            [sys.executable, "-c", START],
            input=toml,
            capture_output=True,
            text=True,
            check=True,
            env=package_environment(),
        )
        outside.append(time.perf_counter() - begun_s)
        inside.append(float(ran.stdout))
    print(
        f"start to first block: median {np.median(outside):.2f} s ({np.median(inside):.2f} s ours)"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="latency from onset to datagram")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--soundcheck", action="store_true", help="after the kit was learned")
    options = parser.parse_args()
    start_up()
    measure(options.seconds, options.soundcheck)


if __name__ == "__main__":
    main()
