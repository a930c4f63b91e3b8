"""False causes in pairs of takes between which nothing changed, through the whole analysis.

``python -m tests.bench.unchanged_pairs [--seeds N ...]``. Half of the pairs are takes of simulated
sessions in which nothing happens (every take against every other, with and without a soundcheck);
half are recorded sessions split at random into two halves of their hits. The settings are those the
program runs with. Recorded drums are left out, with a word, where they are absent.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from liveassist.advise.changes import changes
from liveassist.app.config import parse_kit
from liveassist.model import Block, Change, Hit, Kit
from liveassist.pipeline import Pipeline
from tests.bench import realkit_truth as realkit
from tests.bench.changes_table import Case, hear, learned_of, scenes
from tests.bench.recordings import BLOCK, Recording, learned_from, pair_from_folder

TAKES = 6
SPLITS = 10
NOTHING = Case("nothing", (), (), frozenset())


def simulated(kit: str, seed: int, soundcheck: bool) -> tuple[Kit, list[Sequence[Hit]]]:
    """Takes of a session in which nothing happens."""
    rows = [NOTHING] * (TAKES - 1)
    scene, check = scenes(kit, rows, seed)
    learned = learned_of(check, parse_kit(scene.kit_toml, "simulated")) if soundcheck else None
    heard = hear(scene, learned, [row.name for row in rows])
    return heard.kit, list(heard.takes)


def recorded(song: Recording, check: Recording | None) -> list[Hit]:
    """Final hits of a recorded session, with the roles known at its end."""
    learned = learned_from(check) if check is not None else None
    pipeline = Pipeline(song.kit, song.rate, learned=learned)
    hits: list[Hit] = []
    for at in range(0, len(song.audio), BLOCK):
        events = pipeline.feed(Block(at, song.audio[at : at + BLOCK]))
        hits += [e for e in events if isinstance(e, Hit) and e.stage == "complete"]
    hits += [e for e in pipeline.finish() if isinstance(e, Hit) and e.stage == "complete"]
    role = {hit.number: hit.role for hit in pipeline.session().hits}
    return [replace(hit, role=role[hit.number]) for hit in hits if hit.number in role]


def halves(hits: Sequence[Hit], rng: np.random.Generator) -> tuple[list[Hit], list[Hit]]:
    """The hits dealt out at random, those of each drum evenly."""
    first: list[Hit] = []
    second: list[Hit] = []
    for drum in sorted({hit.drum for hit in hits}):
        mine = [hit for hit in hits if hit.drum == drum]
        side = rng.permutation(len(mine)) % 2 == 0
        first += [hit for hit, here in zip(mine, side.tolist(), strict=True) if here]
        second += [hit for hit, here in zip(mine, side.tolist(), strict=True) if not here]
    return sorted(first, key=lambda h: h.sample), sorted(second, key=lambda h: h.sample)


def _said(where: str, found: Sequence[Change]) -> list[str]:
    return [f"{where}: {change.sentence}" for change in found]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print how many pairs, how many false causes, and each of them."""
    parser = argparse.ArgumentParser(prog="tests.bench.unchanged_pairs", description=__doc__)
    parser.add_argument("--seeds", nargs="+", type=int, default=[71, 72])
    options = parser.parse_args(arguments)
    false: list[str] = []
    pairs = 0
    for kit, seed, check in itertools.product(
        ("eight_mic", "six_mic"), options.seeds, (True, False)
    ):
        known, takes = simulated(kit, seed, check)
        for a, b in itertools.combinations(range(TAKES), 2):
            pairs += 1
            where = f"{kit} {seed} {'soundcheck' if check else 'blind'} takes {a + 1} {b + 1}"
            false += _said(where, changes(known, takes[a], takes[b]))
        print(f"{kit} {seed} {check}: {pairs} pairs, {len(false)} false", flush=True)
    where_to = realkit.folder()
    if where_to is None:
        print(realkit.MISSING)
    for name in realkit.SESSIONS if where_to is not None else ():
        assert where_to is not None
        song, check_song = pair_from_folder(where_to, name)
        for with_check in (check_song, None):
            hits = recorded(song, with_check)
            if name == "a_takes":
                hits = [hit for hit in hits if hit.time_s < 15.0]
            if name == "a_fewmics":  # its second part is another groove
                hits = [hit for hit in hits if hit.time_s < 0.55 * hits[-1].time_s]
            rng = np.random.default_rng(options.seeds[0])
            for _ in range(SPLITS):
                pairs += 1
                first, second = halves(hits, rng)
                way = "soundcheck" if with_check is not None else "blind"
                false += _said(f"{name} {way}", changes(song.kit, first, second))
        print(f"{name}: {pairs} pairs, {len(false)} false", flush=True)
    print(f"{pairs} unchanged pairs, {len(false)} false causes")
    for line in false:
        print(f"  {line}")


if __name__ == "__main__":
    main()
