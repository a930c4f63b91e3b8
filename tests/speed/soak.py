"""Hours of a fast simulated session, with what it takes of the machine on the way.

Run by hand: ``python -m tests.speed.soak [--hours 8] [--speed 50] [--minutes 10]
[--scenario three_mics] [--early]``. A stretch of a simulated session is analysed over and over, as
one session with files, store and an OSC output, at most ``--speed`` times as fast as real time;
``--minutes`` ends it earlier by the clock. As *replay* does it, hits are heard in a second process,
ahead of the rest; with ``--early`` all is done in one, early reports too, as live, at half the
speed. A line is printed every simulated hour or 30 s: memory of both processes, threads, open
files, queues, size on disk; at the end the most memory of the first process.
Exit status 1 where threads or open files grew, something was dropped, or memory grew faster
than `MOST_MB_PER_HOUR` after the first half.
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from liveassist.app.ahead import Ahead
from liveassist.app.config import parse_kit
from liveassist.app.demo import open_scene
from liveassist.app.livefiles import LiveFiles
from liveassist.app.outputs import open_surfaces, refuse
from liveassist.app.session import FIGURES_EVERY_S, Session
from liveassist.app.store import keep
from liveassist.input.childproc import package_environment
from liveassist.model import Audio, Block
from liveassist.output.surface_model import OscTarget, Surface
from liveassist.pipeline import Pipeline

SCENARIO = "first_light"
STRETCH_S = 60.0
#: So many of them make a song; after it there is silence, in which its take ends and summary.json
#: is made: thirteen takes an hour.
STRETCHES = 4
PAUSE_S = 30.0
BLOCK = 2048
#: Every hit is kept for the session's files: some 2 kB each, seven a second.
MOST_MB_PER_HOUR = 80.0


@dataclass(frozen=True, slots=True)
class Sample:
    """What the process takes at one moment. ``hours``: of the session."""

    hours: float
    memory_mb: float
    threads: int
    handles: int
    disk_mb: float
    dropped: int

    def line(self, speed: float, hits: int) -> str:
        """For the table."""
        return (
            f"| {self.hours:5.2f} | {speed:5.1f} | {hits:7} | {self.memory_mb:6.0f} | "
            f"{self.threads:3} | {self.handles:3} | {self.disk_mb:6.1f} | {self.dropped:4} |"
        )


def memory_mb(process: str) -> float:
    """Memory of a process now, of what it shares with another one its half (Linux)."""
    lines = Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 2**10 for line in lines if line.startswith("Pss:"))


def sample(session: Session, folder: Path, hours: float, ahead: Ahead | None) -> Sample:
    """Look at everything once."""
    return Sample(
        hours,
        memory_mb("self") + (memory_mb(str(ahead.pid)) if ahead is not None else 0.0),
        threading.active_count(),
        len(os.listdir("/proc/self/fd")),
        sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 2**20,
        sum(state.dropped for state in session.output_states()),
    )


def simulated(scenario: str, frames: int) -> Audio:
    """The stretch, made in a process of its own, whose memory is then not counted here."""
    code = (
        "import sys, numpy; from liveassist.app.demo import open_scene; "
        f"numpy.save(sys.stdout.buffer, open_scene({scenario!r}).read({frames}))"
    )
    made = subprocess.run(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, check=True, env=package_environment()
    )
    audio: Audio = np.load(io.BytesIO(made.stdout))
    return audio


def played(stretch: Audio, hours: float, rate_hz: int, until_s: float) -> Iterator[Block]:
    """Songs and pauses of the stretch for so many hours, or until a moment of the clock."""
    rest = np.zeros((BLOCK, stretch.shape[1]), stretch.dtype)
    song = STRETCHES * len(stretch)
    cycle = song + round(PAUSE_S * rate_hz) // BLOCK * BLOCK
    first = 0
    while first < hours * 3600.0 * rate_hz and time.monotonic() < until_s:
        at = first % cycle
        inside = at % len(stretch)
        yield Block(first, stretch[inside : inside + BLOCK] if at < song else rest)
        first += BLOCK


def soak(
    hours: float,
    speed: float,
    minutes: float,
    folder: Path,
    scenario: str = SCENARIO,
    *,
    early: bool = False,
) -> list[Sample]:
    """Run it; the samples, the first after ten simulated minutes."""
    scene = open_scene(scenario)
    rate = scene.sample_rate_hz
    kit = parse_kit(scene.kit_toml, scenario)
    stretch = simulated(scenario, round(STRETCH_S * rate) // BLOCK * BLOCK)
    ahead = None if early else Ahead(kit, rate, BLOCK)
    pipeline = Pipeline(
        kit, rate, early=early, elsewhere=ahead.begin() if ahead is not None else None
    )
    first = 0
    # Files go by the time of the session, so that its pauses are pauses to them; and what the
    # making of a file takes is seen.
    files = LiveFiles(folder, lambda: first / rate + time.process_time())
    store = keep(folder, kit, pipeline, None)
    assert store is not None
    # Somebody must be there, or every datagram counts as dropped; what fills up is let go.
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    ear.bind(("127.0.0.1", 0))
    target = OscTarget("osc", "127.0.0.1", ear.getsockname()[1])
    surfaces = open_surfaces([Surface("soak", osc=(target,))], kit, refuse)
    session = Session(
        pipeline,
        kit,
        rate,
        files=files,
        outputs=[store, surfaces],
        # Ten pictures a second of the clock, as a person would see.
        figures_every_s=FIGURES_EVERY_S * speed,
    )
    begun_s = time.monotonic()
    samples: list[Sample] = []
    due_h, due_s, hits = 1.0 / 6.0, 0.0, 0
    source = played(stretch, hours, rate, begun_s + 60.0 * minutes)
    for block in ahead.through(source) if ahead is not None else source:
        events = session.feed(block)
        hits += sum(getattr(event, "stage", "") == "complete" for event in events)
        first = block.first_sample + len(block.audio)
        heard_s, spent_s = first / rate, time.monotonic() - begun_s
        if heard_s / 3600.0 >= due_h and (spent_s >= due_s or heard_s / 3600.0 >= due_h + 1.0):
            due_h, due_s = heard_s / 3600.0 + 1.0 / 12.0, spent_s + 30.0
            samples.append(sample(session, folder, heard_s / 3600.0, ahead))
            print(samples[-1].line(heard_s / spent_s, hits), flush=True)
        if heard_s / speed > spent_s:
            time.sleep(heard_s / speed - spent_s)
    if ahead is not None:
        ahead.close()
    files.finish()
    session.finish()
    surfaces.close()
    ear.close()
    store.finished()
    store.close()
    samples.append(sample(session, folder, first / rate / 3600.0, None))
    print(samples[-1].line(first / rate / (time.monotonic() - begun_s), hits))
    return samples


def complaints(samples: list[Sample]) -> list[str]:
    """What grew that must not."""
    wrong = []
    early, late = samples[0], samples[-2] if len(samples) > 2 else samples[-1]
    middle = samples[len(samples) // 2]
    if late.threads > early.threads or late.handles > early.handles + 2:
        wrong.append(
            f"threads {early.threads} to {late.threads}, files {early.handles} to {late.handles}"
        )
    grown = (late.memory_mb - middle.memory_mb) / max(late.hours - middle.hours, 0.1)
    if grown > MOST_MB_PER_HOUR:
        wrong.append(f"memory grows by {grown:.0f} MB an hour")
    if late.dropped:
        wrong.append(f"{late.dropped} messages were dropped")
    return wrong


def main() -> int:
    """Soak and print."""
    parser = argparse.ArgumentParser(description="hours of a fast simulated session")
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--speed", type=float, default=50.0)
    parser.add_argument("--minutes", type=float, default=1e9)
    parser.add_argument("--scenario", default=SCENARIO)
    parser.add_argument("--early", action="store_true", help="early reports, all in one process")
    options = parser.parse_args()
    print("| hours | x real | hits | memory MB | threads | files | disk MB | dropped |")
    print("|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        samples = soak(
            options.hours,
            options.speed,
            options.minutes,
            Path(folder),
            options.scenario,
            early=options.early,
        )
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"most memory of the first process at any moment, the end included: {peak_mb:.0f} MB")
    wrong = complaints(samples)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
