"""Write simulated sessions to files: ``python -m liveassist.sim SCENARIO --out DIR``."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from .errors import ScenarioError
from .scenario import load_plan, names
from .scene import open_scenario
from .write import write_scene


def build_parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m liveassist.sim",
        description="Write a simulated drum session: audio, truth (CSV), description (JSON), "
        "kit profile.",
    )
    parser.add_argument("scenario", nargs="?", help="a shipped scenario or a TOML file")
    parser.add_argument("--out", type=Path, help="folder to write to (made if missing)")
    parser.add_argument("--seconds", type=float, help="stop after this many seconds")
    parser.add_argument(
        "--soundcheck", action="store_true", help="write each drum alone instead of the songs"
    )
    parser.add_argument("--seed", type=int, help="another performance on the same kit")
    parser.add_argument("--list", action="store_true", help="list the shipped scenarios")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 good, 1 the job failed, 2 wrong use."""
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.list:
        for name in names():
            print(f"{name}: {load_plan(name).title}")
        return 0
    if options.scenario is None or options.out is None:
        parser.error("needs a SCENARIO and --out DIR (or --list)")
    if options.seconds is not None and options.seconds <= 0:
        parser.error(f"--seconds is {options.seconds:g}, must be above 0")
    if options.seed is not None and options.seed < 0:
        parser.error(f"--seed is {options.seed}, must not be negative")
    try:
        scene = open_scenario(options.scenario, seed=options.seed, soundcheck=options.soundcheck)
    except ScenarioError as problem:
        print(problem, file=sys.stderr)
        return 2
    stem = f"{scene.name}_soundcheck" if options.soundcheck else scene.name
    began = time.perf_counter()
    try:
        paths = write_scene(scene, options.out, seconds=options.seconds, stem=stem)
    except OSError as problem:
        print(f"cannot write to {options.out}: {problem}", file=sys.stderr)
        return 1
    took = time.perf_counter() - began
    length = scene.position / scene.sample_rate_hz
    print(f"{length:.1f} s of {len(scene.mics)} microphones in {took:.1f} s")
    for path in paths:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
