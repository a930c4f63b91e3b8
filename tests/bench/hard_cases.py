"""The hard cases of `tests/unit/hearing` as a table: F after a soundcheck, without, and plain.

``python -m tests.bench.hard_cases [--out FILE]``; a minute of one core. The plain threshold hears
the drum's own microphone with the best of 36 settings for that very scene, chosen with the truth in
hand, its median delay taken off.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.bench.hit_scores import by_threshold, f_measure, pairs, undelayed
from tests.bench.hits_sheet import number, table
from tests.bench.recordings import Recording
from tests.unit.hearing import hardstrokes
from tests.unit.hearing.hardcases import CASES, JUDGED, Scene
from tests.unit.hearing.remix import hear, matched

assert hardstrokes  # it enters its scenes into CASES

HEAD = ("case", "scene", "drum", "F, soundcheck", "F, none", "F plain threshold")


def plain(scene: Scene, drum: str) -> float:
    """F of the best threshold for this scene."""
    song = Recording("", scene.source.kit, scene.source.rate, scene.audio, ())
    ref = np.array([stroke.time_s for stroke in scene.strokes if stroke.drum == drum])
    best = 0.0
    for times in by_threshold(song, drum).values():
        est = np.sort(undelayed(ref, times))
        best = max(best, f_measure(len(pairs(ref, est)), len(ref), len(est)))
    return best


def rows() -> list[tuple[str, ...]]:
    """One row a case and drum, worst first."""
    found = []
    for name, make in CASES.items():
        scene = make()
        about = (make.__doc__ or name.replace("_", " ")).split(";")[0].split(".")[0]
        heard = [hear(scene.source, scene.audio, learned) for learned in (True, False)]
        for drum, least in zip(JUDGED, scene.least, strict=True):
            if least is None:
                continue
            scores = []
            for hits in heard:
                right, true, reported = matched(hits, scene.strokes, drum)
                scores.append(f_measure(right, true, reported))
            print(name, drum, scores, flush=True)
            words = (" ".join(about.split()), f"`{name}`", drum)
            found.append((scores[0], (*words, *map(number, (*scores, plain(scene, drum))))))
    return [row for _, row in sorted(found, key=lambda item: item[0])]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table; write it where asked."""
    parser = argparse.ArgumentParser(prog="tests.bench.hard_cases", description=__doc__)
    parser.add_argument("--out", type=Path, help="write the table to this markdown file")
    options = parser.parse_args(arguments)
    text = "\n".join(table(HEAD, rows()))
    print(text)
    if options.out is not None:
        options.out.write_text(text + "\n")


if __name__ == "__main__":
    main()
