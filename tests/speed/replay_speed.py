"""How many times faster than real time a recording is analysed, beside a plain reference workload.

Run by hand: ``python -m tests.speed.replay_speed [--seconds 60] [--mics 2 8 16 32] [--scenario
first_light] [--profile]``.

Figures of one machine say little about another, so each comes as a ratio to the *reference*: for
the same audio one second-order filter a microphone and peaks in hops (scipy and numpy alone, float
64), run just before and after. *One thread* is processor time of all the analysis; *replay* is the
clock of the same work as the command does it, hits heard in a second process whose start is part of
it. The audio is a simulated session; more than eight microphones are the eight again with their own
drums' parts of the kit shifted by some milliseconds, further microphones of nobody. Fixed work at
the end (suggestions, the session's figures) is given apart, because it does not grow with the
length.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import signal

from liveassist.app.ahead import Ahead
from liveassist.app.config import parse_kit
from liveassist.app.demo import open_scene
from liveassist.app.heap import settle
from liveassist.app.session import Session
from liveassist.model import Block, Kit, Mic
from liveassist.pipeline import Pipeline

Audio = npt.NDArray[np.float32]
SCENARIO = "first_light"
BLOCK = 4096
#: Folders and functions to which time is put down in the table of `--profile`.
PARTS = ("attribute", "detect", "hearing", "measure", "rolling", "advise", "pipeline")


@dataclass(frozen=True, slots=True)
class Case:
    """One kit and its audio."""

    kit: Kit
    rate_hz: int
    audio: Audio


def make(mics: int, rate_hz: int, seconds: float, scenario: str = "") -> Case:
    """``seconds`` of a simulated session, at most all of it, through ``mics`` microphones at
    ``rate_hz``; ``scenario``: `SCENARIO` unless given."""
    scene = open_scene(scenario or SCENARIO)
    kit = parse_kit(scene.kit_toml, scene.name)
    wanted = round(min(seconds, scene.duration_s - 0.5) * scene.sample_rate_hz)
    parts, got = list[Audio](), 0
    while got < wanted:
        parts.append(scene.read(min(65_536, wanted - got)))
        got += len(parts[-1])
    audio = np.concatenate(parts)
    if rate_hz != scene.sample_rate_hz:
        audio = signal.resample_poly(audio, rate_hz, scene.sample_rate_hz, axis=0)
    have = len(kit.mics)
    columns = [np.roll(audio[:, i % have], 37 * (i // have)) for i in range(mics)]
    names = tuple(
        replace(kit.mics[i], channel=i + 1) if i < have else Mic(f"far_{i + 1}", i + 1)
        for i in range(mics)
    )
    kept = {mic.name for mic in names}
    drums = tuple(
        drum if drum.own is None or drum.own in kept else replace(drum, own=None)
        for drum in kit.drums
    )
    return Case(
        replace(kit, drums=drums, mics=names),
        rate_hz,
        np.ascontiguousarray(np.stack(columns, axis=1), dtype=np.float32),
    )


def reference_s(case: Case) -> float:
    """Processor time of the reference workload on the same audio, seconds."""
    sections = signal.butter(2, [100.0, 5000.0], "bandpass", fs=case.rate_hz, output="sos")
    state = np.zeros((len(sections), 2, case.audio.shape[1]))
    begun = time.process_time()
    for first in range(0, len(case.audio) - BLOCK, BLOCK):
        audio = case.audio[first : first + BLOCK].astype(np.float64)
        out, state = signal.sosfilt(sections, audio, axis=0, zi=state)
        np.abs(out).reshape(-1, 32, out.shape[1]).max(axis=1)
    return time.process_time() - begun


def analysis_s(case: Case) -> tuple[float, float, int]:
    """Processor time of feeding all blocks, of the end of the session, and how many hits."""
    pipeline = Pipeline(case.kit, case.rate_hz)
    settle()  # as the command does
    begun = time.process_time()
    for first in range(0, len(case.audio), BLOCK):
        pipeline.feed(Block(first, case.audio[first : first + BLOCK]))
    fed = time.process_time()
    pipeline.finish()
    record = pipeline.session()
    return fed - begun, time.process_time() - fed, len(record.hits)


def shared_s(case: Case) -> float:
    """Seconds of the clock for feeding all blocks as *replay* does."""
    begun = time.monotonic()
    ahead = Ahead(case.kit, case.rate_hz, BLOCK)
    pipeline = Pipeline(case.kit, case.rate_hz, elsewhere=ahead.begin())
    session = Session(pipeline, case.kit, case.rate_hz)
    for block in ahead.through(
        Block(first, case.audio[first : first + BLOCK])
        for first in range(0, len(case.audio), BLOCK)
    ):
        session.feed(block)
    spent = time.monotonic() - begun
    ahead.close()
    return spent


def measure(mics: int, rate_hz: int, seconds: float, scenario: str) -> str:
    """One line of the table."""
    case = make(mics, rate_hz, seconds, scenario)
    length_s = len(case.audio) / case.rate_hz
    analysis_s(replace_audio(case, min(5.0, length_s)))  # warm: imports, tables
    before = reference_s(case)
    fed, end, hits = analysis_s(case)
    shared = shared_s(case)
    reference = (before + reference_s(case)) / 2.0
    # On Linux in kilobytes, on macOS in bytes.
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        2**20 if sys.platform == "darwin" else 2**10
    )
    return (
        f"| {mics:4} | {rate_hz / 1000:5.0f} | {length_s / shared:9.1f} | {length_s / fed:13.1f} | "
        f"{end:6.2f} | {length_s / reference:12.0f} | {fed / reference:12.1f} | {hits:4} | "
        f"{peak_mb:7.0f} |"
    )


def replace_audio(case: Case, seconds: float) -> Case:
    """The first ``seconds`` of ``case``."""
    return replace(case, audio=case.audio[: round(seconds * case.rate_hz)])


def profile(mics: int, rate_hz: int, seconds: float) -> list[str]:
    """Where the time goes: own and called library time of every part, per cent."""
    case = make(mics, rate_hz, seconds)
    profiler = cProfile.Profile()
    profiler.runcall(analysis_s, case)
    stats: Any = pstats.Stats(profiler)
    spent = dict.fromkeys(PARTS, 0.0)
    for (path, _line, _name), (_calls, _all, own, _total, callers) in stats.stats.items():
        part = _part(path)
        if part is not None:
            spent[part] += own
            continue
        # Time in numpy and scipy goes to whoever called it.
        for (caller, _l, _n), row in callers.items():
            called_by = _part(caller)
            if called_by is not None:
                spent[called_by] += row[3]
    total = sum(spent.values())
    return [f"{part}: {100 * time_s / total:.0f} %" for part, time_s in spent.items()]


def _part(path: str) -> str | None:
    words = path.replace("\\", "/").removesuffix(".py").split("/liveassist/")
    if len(words) < 2:
        return None
    first = words[-1].split("/")[0]
    return first if first in PARTS else None


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description="speed of replay")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--mics", type=int, nargs="+", default=[2, 8, 16, 32])
    parser.add_argument("--rates", type=int, nargs="+", default=[48_000, 96_000])
    parser.add_argument("--scenario", default=SCENARIO)
    parser.add_argument("--profile", action="store_true", help="say where the time goes")
    options = parser.parse_args(arguments)
    if options.profile:
        print("\n".join(profile(options.mics[0], options.rates[0], options.seconds)))
        return
    print(
        "| mics | kHz | replay, x | one thread, x | end, s | reference, x | times longer | hits |"
        " peak MB |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for rate_hz in options.rates:
        for mics in options.mics:
            print(measure(mics, rate_hz, options.seconds, options.scenario), flush=True)


if __name__ == "__main__":
    main()
