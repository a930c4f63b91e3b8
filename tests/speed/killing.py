"""Kills a running session at random moments, starts it again, and looks what is missing.

Run by hand: ``python -m tests.speed.killing [--times 100] [--seed 1]``. A child plays a simulated
scenario through the real analysis and the real store, and tells every hit when it is sure. It is
killed with SIGKILL; then the file is read as the next start reads it. Everything that was told more
than `OLDEST_S` before the kill must be there, unless it was withdrawn since; the file must be
sound; and the next child goes on where the last one broke off. Exit status 1 where that is not so.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from liveassist.app.build import build_pipeline
from liveassist.app.config import parse_kit
from liveassist.app.demo import DemoRequest, demo, open_scene
from liveassist.app.storefile import FILE_NAME, discard, find, read_store
from liveassist.errors import ConfigError
from liveassist.input.childproc import package_environment
from liveassist.model import Block, Event, Hit, Kit

SCENARIO = "long_night"
#: What is younger may be lost, seconds.
OLDEST_S = 1.0
#: A child is killed so long after its first block, seconds.
LIFE_S = (0.3, 6.0)
#: A start may take so long: it plays the scenario, unheard, up to where it goes on.
START_S = 180.0


class _Telling:
    """The real analysis, telling what becomes known on standard output."""

    def __init__(self, kit: Kit, sample_rate_hz: int, **options: Any) -> None:
        self._inner: Any = build_pipeline(kit, sample_rate_hz, **options)
        self._begun = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def feed(self, block: Block) -> list[Event]:
        if not self._begun:
            self._begun = True
            print(json.dumps({"begun": block.first_sample}), flush=True)
        events: list[Event] = self._inner.feed(block)
        for event in events:
            if isinstance(event, Hit) and event.stage != "early":
                told = {"hit": event.number, "gone": event.stage == "withdrawn"}
                print(json.dumps(told | {"at": event.time_s}), flush=True)
        return events


def _child(folder: Path) -> int:
    request = DemoRequest(headless=True, out=folder, scenario=SCENARIO)
    return demo(request, io.StringIO(), build=_Telling)


@dataclass(slots=True)
class Life:
    """What one child told until it was killed: moments of telling, monotonic seconds."""

    begun_sample: int | None = None
    told: dict[int, tuple[float, bool, float]] = field(default_factory=dict)
    killed_s: float = 0.0
    #: Whether the scenario came to its end before the kill.
    over: bool = False

    def must_be_kept(self) -> dict[int, float]:
        """Numbers and times of hits told long enough before the kill."""
        limit_s = self.killed_s - OLDEST_S
        return {
            n: at for n, (told_s, gone, at) in self.told.items() if told_s < limit_s and not gone
        }


def live(folder: Path, life_s: float) -> Life:
    """Start a child, kill it ``life_s`` after its first block."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.speed.killing", "--child", str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        env=package_environment(),
    )
    life, begun = Life(), threading.Event()
    assert child.stdout is not None

    def listen() -> None:
        assert child.stdout is not None
        for line in child.stdout:
            said, now_s = json.loads(line) if line.endswith("\n") else {}, time.monotonic()
            if "begun" in said:
                life.begun_sample = said["begun"]
                begun.set()
            elif "hit" in said:
                first_s = life.told.get(said["hit"], (now_s,))[0]
                life.told[said["hit"]] = (first_s, said["gone"], said["at"])
        begun.set()

    ear = threading.Thread(target=listen)
    ear.start()
    begun.wait(START_S)
    time.sleep(life_s)
    life.killed_s = time.monotonic()
    child.send_signal(signal.SIGKILL)
    life.over = child.wait() == 0
    ear.join()
    child.stdout.close()
    return life


def _ended(folder: Path) -> set[int] | None:
    """Numbers of the hits of a session that ended in order; None where it did not."""
    try:
        stored = read_store(folder)
    except ConfigError:
        return None
    return {hit.number for hit in stored.hits} if stored.ended else None


def run(
    folder: Path, times: int, seed: int, life_s: tuple[float, float] = LIFE_S, say: Any = print
) -> list[str]:
    """Kill ``times`` times; what was wrong, in words."""
    chance, wrong = random.Random(seed), list[str]()
    scene = open_scene(SCENARIO)
    kit = parse_kit(scene.kit_toml, SCENARIO)
    everything: dict[int, float] = {}
    heard_s = worst_s = 0.0
    for number in range(1, times + 1):
        life = live(folder, chance.uniform(*life_s))
        if life.begun_sample is None:
            wrong.append(f"start {number} did not begin")
            continue
        if life.over:
            discard(folder)
            everything, heard_s = {}, 0.0
            continue
        begun_s = life.begun_sample / scene.sample_rate_hz
        if abs(begun_s - heard_s) > 0.01:
            wrong.append(f"start {number} began at {begun_s:.2f} s, not at {heard_s:.2f} s")
        found = find(folder, kit)
        if found.kept is None and (ended := _ended(folder)) is not None:
            # It had ended in order and was only leaving: not to be continued, but all there.
            everything.update(life.must_be_kept())
            gone = [hit for hit in everything if hit not in ended]
            if gone:
                wrong.append(f"kill {number}, after the end: {len(gone)} hits are missing")
            discard(folder)
            everything, heard_s = {}, 0.0
            continue
        if found.kept is None:
            # Killed before the first commit: nothing older than a second may have been told.
            if life.must_be_kept() or everything:
                wrong.append(f"kill {number}: nothing was kept ({found.said})")
            heard_s = 0.0
            continue
        heard_s, kept = found.kept.heard_s, {hit.number for hit in found.kept.hits}
        everything.update(life.must_be_kept())
        missing = {n: at for n, at in everything.items() if n not in kept}
        if missing:
            first = min(missing.values())
            wrong.append(f"kill {number}: {len(missing)} hits are missing, from {first:.2f} s on")
        late = [
            life.killed_s - t for n, (t, gone, _) in life.told.items() if n not in kept and not gone
        ]
        worst_s = max([worst_s, *late])
        # What was heard after the last note of how far is heard again, under new numbers.
        everything = {n: at for n, at in everything.items() if at < heard_s}
        with closing(sqlite3.connect(folder / FILE_NAME)) as db:
            sound = db.execute("PRAGMA integrity_check").fetchone()[0]
        if sound != "ok":
            wrong.append(f"kill {number}: {sound}")
    say(
        f"{times} kills: {len(everything)} hits told in time and all looked for each time, session "
        f"at {heard_s:.0f} s, oldest hit lost {worst_s:.2f} s before its kill, {len(wrong)} wrong"
    )
    return wrong


def main() -> int:
    """Kill, compare, print."""
    parser = argparse.ArgumentParser(description="kill -9 at random moments")
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", type=Path)
    options = parser.parse_args()
    if options.child is not None:
        return _child(options.child)
    with tempfile.TemporaryDirectory() as folder:
        wrong = run(Path(folder), options.times, options.seed)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
