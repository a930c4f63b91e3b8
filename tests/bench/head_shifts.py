"""How far a head's shift is misread where the bleed does not shift with it: the simulator's heads.

``python -m tests.bench.head_shifts [--seeds N ...]``. A resampled recording moves its bleed as
well; here only the snare's head is turned, take by take, by -50 to +50 cents, while the rest of the
kit and the room stay. The audio goes through the whole analysis, with and without a soundcheck, and
each take is compared with the first as the program does.
"""

from __future__ import annotations

import argparse
import itertools
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from liveassist.advise.changes_heads import head_report
from liveassist.app.config import parse_kit
from tests.bench.changes_table import Case, hear, learned_of, scenes

SHIFTS = (-50, -30, -20, -15, -12, -10, -8, -5, 0, 0, 5, 8, 10, 12, 15, 20, 30, 50)
PART = 9


def _turned(cents: int) -> Case:
    """A take before which the snare's head is turned by ``cents``, and put right after it."""

    def event(by: float) -> tuple[dict[str, object], ...]:
        return ({"kind": "head_flat", "drum": "snare", "cents": by},) if cents else ()

    return Case(f"{cents:+d}", event(cents), event(-cents), frozenset(), cents)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the curve."""
    parser = argparse.ArgumentParser(prog="tests.bench.head_shifts", description=__doc__)
    parser.add_argument("--seeds", nargs="+", type=int, default=[51, 52, 53])
    options = parser.parse_args(arguments)
    errors: dict[int, list[float]] = defaultdict(list)
    inside: dict[int, int] = defaultdict(int)
    told: dict[int, int] = defaultdict(int)
    unread: dict[int, int] = defaultdict(int)
    widths: list[float] = []
    for kit, seed, check, first in itertools.product(
        ("eight_mic", "six_mic"), options.seeds, (True, False), range(0, len(SHIFTS), PART)
    ):
        shifts = SHIFTS[first : first + PART]
        rows = [_turned(cents) for cents in shifts]
        scene, sounds = scenes(kit, rows, 100 * first + seed)
        known = parse_kit(scene.kit_toml, "simulated")
        heard = hear(
            scene, learned_of(sounds, known) if check else None, [row.name for row in rows]
        )
        takes = [[hit for hit in take if hit.drum == "snare"] for take in heard.takes]
        for cents, take in zip(shifts, takes[1:], strict=True):
            report = head_report(heard.kit.drum("snare"), takes[0], take, 0.0)
            if report.shift is None:
                unread[cents] += 1
                continue
            errors[cents].append(report.shift.cents - cents)
            inside[cents] += report.shift.ci[0] <= cents <= report.shift.ci[1]
            widths.append(report.shift.ci[1] - report.shift.ci[0])
            told[cents] += any(change.cause == "head_pitch" for change in report.changes)
    print("| cents | error: median, largest size | within interval | told | not read |")
    print("|---|---|---|---|---|")
    for cents in sorted(set(SHIFTS)):
        off, count = errors[cents], len(errors[cents])
        size = f"{np.median(off):+.1f}, {np.max(np.abs(off)):.1f}" if off else "–"
        print(
            f"| {cents:+d} | {size} | {inside[cents]} of {count} | {told[cents]} of {count} | "
            f"{unread[cents]} |"
        )
    every = np.abs([off for row in errors.values() for off in row])
    print(
        f"95th percentile of all sizes {np.quantile(every, 0.95):.1f} cents, intervals "
        f"{sum(inside.values())} of {len(every)}, median width {np.median(widths):.1f} cents"
    )


if __name__ == "__main__":
    main()
