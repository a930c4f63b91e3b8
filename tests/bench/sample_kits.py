"""Lays openly licensed sampled kits out as `synthetic_sessions` wants them.

``python -m tests.bench.sample_kits --kits DIR --out DIR``. ``--kits`` holds a folder for each kit
with a ``drumkit.xml`` that lists instruments and their layers, soft to hard, as the kits of
Debian's package hydrogen-drumkits do (licences in that package; nothing of them is kept here). A
kit is taken if it has kick, snare, hi-hat, a high and a low tom and a cymbal, all acoustic enough
to come in three layers or more. Kits are named k1, k2 and so on in the order of their folders.
"""

from __future__ import annotations

import argparse
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from pathlib import Path

import soundfile

#: What an instrument's name holds, and what it must not hold.
NAMES = {
    "kick": (r"kick|bass ?drum", r"\b2\b"),
    "snare": (r"snare", r"roll|rim|stick|click|off|dry|\b2\b"),
    "hihat": (r"(closed|open).*(hh|hat)|(hh|hat).*(closed|open)", r"semi|clap"),
    "tom_high": (r"tom.*(hi\b|high|\b1\b)|^tom$", r"floor|low"),
    "tom_floor": (r"tom.*(floor|low)|floor.*tom", r"$^"),
    "cymbal": (r"crash|ride", r"bell|flink|2|/"),
}
#: Instruments of one kind taken at most, and layers needed.
MOST = {"hihat": 2, "cymbal": 3}
LAYERS = 3


def instruments(folder: Path) -> dict[str, list[Path]]:
    """Files by drum; empty where the kit lacks one."""
    text = (folder / "drumkit.xml").read_text(errors="replace")
    root = ElementTree.fromstring(re.sub(r'\sxmlns="[^"]+"', "", text, count=1))
    found: dict[str, list[Path]] = {}
    taken: dict[str, int] = {}
    for item in root.iter("instrument"):
        name = (item.findtext("name") or "").lower()
        name = re.sub(r"\(.*?\)", "", name)
        files = [layer.findtext("filename") or "" for layer in item.iter("layer")]
        paths = [folder / file for file in files if (folder / file).is_file()]
        for drum, (wanted, not_wanted) in NAMES.items():
            if not re.search(wanted, name) or re.search(not_wanted, name):
                continue
            if taken.get(drum, 0) < MOST.get(drum, 1) and len(paths) >= LAYERS:
                taken[drum] = taken.get(drum, 0) + 1
                found.setdefault(drum, []).extend(paths)
            break
    return found if set(found) == set(NAMES) else {}


def main(arguments: Sequence[str] | None = None) -> None:
    """Copy the hits of every kit that has them all."""
    parser = argparse.ArgumentParser(prog="tests.bench.sample_kits", description=__doc__)
    parser.add_argument("--kits", type=Path, required=True, help="a folder for each kit")
    parser.add_argument("--out", type=Path, required=True, help="where the hits go")
    options = parser.parse_args(arguments)
    number = 0
    for folder in sorted(path.parent for path in options.kits.glob("*/drumkit.xml")):
        drums = instruments(folder)
        if not drums:
            print("left out, lacks a drum or layers:", folder.name)
            continue
        number += 1
        for drum, paths in drums.items():
            place = options.out / f"k{number}" / drum
            place.mkdir(parents=True, exist_ok=True)
            for index, path in enumerate(paths):
                audio, rate = soundfile.read(path, always_2d=True)
                soundfile.write(place / f"{index:02d}.wav", audio.mean(axis=1), rate, "FLOAT")
        print(f"k{number}:", folder.name, {drum: len(paths) for drum, paths in drums.items()})


if __name__ == "__main__":
    main()
