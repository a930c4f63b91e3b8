"""Sessions with exact truth, put together from single hits of a kit, bleed synthesised.

``python -m tests.bench.synthetic_sessions --hits DIR --out DIR``. ``--hits`` holds a folder for
each kit (no ``_`` in its name), in it ``kick``, ``snare``, ``hihat``, ``tom_high``, ``tom_floor``
and ``cymbal`` with single hits as WAV or FLAC. Seven sessions a kit, each with its soundcheck, in
the format of the recorded drums, for `fit_evidence --more`. Levels and delays of the bleed are
common practice, no source.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import fftconvolve, resample_poly

from liveassist.model import FloatArray

DRUMS = ("kick", "snare", "hihat", "tom_high", "tom_floor", "cymbal")
CLOSE = {d: d for d in DRUMS[:-1]} | {"snare": "snare_top"}
MICS = {
    "eight": (*CLOSE.values(), "snare_bottom", "over_left", "over_right"),
    "six": ("kick", "snare_top", "over", "side", "front", "room"),
    "three": ("kick", "snare_top", "over_left"),
}
FAR = frozenset({"over_left", "over_right", "over", "side", "front", "room"})
#: Peak of a full hit, dBFS: in its own microphone, and in one that stands far.
OWN_DB = {"kick": -4, "snare": -4, "hihat": -14, "tom_high": -6, "tom_floor": -6, "cymbal": -10}
FAR_DB = {"kick": -26, "snare": -18, "hihat": -22, "tom_high": -18, "tom_floor": -20, "cymbal": -8}
CLOSE_DB = {"low": -46.0, "mid": -34.0, "high": -24.0}
BPM = {"rock": (88, 130), "funk": (85, 108), "blast": (180, 230), "double": (150, 190)}
PLANS = (
    ("eight", "low", "rock"),
    ("eight", "mid", "funk"),
    ("six", "high", "rock"),
    ("six", "high", "funk"),
    ("three", "high", "funk"),
    ("six", "mid", "blast"),
    ("three", "high", "double"),
)
#: Until this long after a hit's first sample it is rendered, s.
RING_S = 2.5
Stroke = tuple[float, str, str, float]


@dataclass
class Kit:
    """Single hits by drum, soft to hard, scaled to a peak of 1; way of each to each microphone."""

    rate: int
    mics: tuple[str, ...]
    hits: dict[str, list[FloatArray]]
    ways: dict[tuple[str, str], FloatArray]


def single(path: Path, rate: int) -> tuple[float, FloatArray]:
    """Peak as recorded, and the hit from 2 ms before its onset, scaled to a peak of 1."""
    audio, found = soundfile.read(path, always_2d=True)
    share = gcd(rate, found)
    mono = resample_poly(audio.mean(axis=1), rate // share, found // share)
    peak = float(np.abs(mono).max())
    start = max(0, int(np.argmax(np.abs(mono) >= 0.02 * peak)) - round(0.002 * rate))
    return peak, mono[start : start + round(RING_S * rate)] / peak


def set_up(folder: Path, layout: str, bleed: str, rate: int, rng: np.random.Generator) -> Kit:
    """A kit with its microphones: for each drum and microphone a delay, a level and a room."""
    mics, hits, ways = MICS[layout], {}, {}
    decay_s = rng.uniform(0.15, 0.45)
    for drum in DRUMS:
        found = [single(path, rate) for path in sorted((folder / drum).iterdir())]
        hits[drum] = [hit for _, hit in sorted(found, key=lambda item: item[0])]
        for mic in mics:
            level, delay_ms, room_db = float(OWN_DB[drum]), 0.0, -30.0
            if mic in FAR:
                level, delay_ms, room_db = FAR_DB[drum], rng.uniform(3, 14), -12.0
            elif drum == "snare" and mic == "snare_bottom":
                level, delay_ms = -8.0, 0.3
            elif CLOSE.get(drum) != mic:
                level, delay_ms, room_db = CLOSE_DB[bleed], rng.uniform(1, 4), -14.0
                if bleed == "high" and (drum, mic) == ("kick", "snare_top"):
                    level = rng.uniform(-10, -6)
            if CLOSE.get(drum) != mic:
                level += rng.normal(0, 2.5)
            count, at = round(decay_s * rate), round(delay_ms * rate / 1000)
            noise = rng.normal(size=count) * 10 ** (-3 * np.arange(count) / count)
            way = np.zeros(at + round(0.004 * rate) + count)
            way[at] = 1.0
            way[-count:] += noise / np.sqrt((noise**2).sum()) * 10 ** (room_db / 20)
            loudest = np.abs(fftconvolve(hits[drum][-1], way)).max()
            sign = -1.0 if mic == "snare_bottom" and drum == "snare" else 1.0
            ways[drum, mic] = sign * way * 10 ** (level / 20) / loudest
    return Kit(rate, mics, hits, ways)


def groove(pattern: str, seconds: float, rng: np.random.Generator) -> list[Stroke]:
    """Strokes (time, drum, role, level dB) in sixteenths."""
    step = 15.0 / rng.uniform(*BPM[pattern])
    strokes: list[Stroke] = []

    def play(drum: str, role: str, low: float, high: float) -> None:
        at = 1.0 + index * step + rng.normal(0, 0.005)
        strokes.append((at, drum, role, float(rng.uniform(low, high))))

    for index in range(int((seconds - 4.0) / step)):
        s, bar = index % 16, index // 16
        fast = pattern in ("blast", "double")
        if pattern == "blast":
            play(*(("kick", "main", -5, -1) if s % 2 == 0 else ("snare", "main", -5, -1)))
        elif s in (4, 12):
            play("snare", "main", -3, 0)
        elif not fast and rng.random() < (0.3 if pattern == "funk" else 0.08):
            play("snare", "ghost", -28, -15)
        if pattern == "double" or (
            not fast and (s in (0, 8) or (s % 4 == 2 and rng.random() < 0.35))
        ):
            play("kick", "main", -4, 0)
        if fast and s % 4 == 0:
            play("cymbal", "cym", -12, -2)
        if not fast and (pattern == "funk" or s % 2 == 0):
            play("hihat", "hat", -9, 0)
        if not fast and bar % 8 == 7 and s >= 12:
            play("tom_high" if s < 14 else "tom_floor", "fill", -6, 0)
    return sorted(strokes)


def soundcheck() -> tuple[list[Stroke], list[dict[str, Any]]]:
    """Each drum alone, eight strokes from soft to hard (a cymbal twice), and its segments."""
    strokes, segments, at = [], [], 0.7
    for drum in DRUMS:
        start = at
        for index in range(16 if drum == "cymbal" else 8):
            strokes.append((at + 0.1, drum, "soundcheck", -24.0 + 24.0 * (index % 8) / 7))
            at += 0.8
        segments.append({"drum": drum, "start": round(start, 2), "end": round(at + 0.1, 2)})
        at += 1.3
    return strokes, segments


def write(
    path: Path, kit: Kit, strokes: Sequence[Stroke], extra: dict[str, Any], rng: np.random.Generator
) -> None:
    """Audio, truth and description."""
    length = round((strokes[-1][0] + 3.0) * kit.rate)
    audio = rng.normal(size=(length, len(kit.mics))) * 10 ** (-75 / 20)
    own = {drum: mic for drum, mic in CLOSE.items() if mic in kit.mics}
    rows = []
    for time_s, drum, role, level in strokes:
        choice = kit.hits[drum]
        spot = (level + 28) / 28 * (len(choice) - 1) + rng.normal(0, 0.7)
        index = int(np.clip(round(spot), 0, len(choice) - 1))
        start, alone = round(time_s * kit.rate), {}
        for column, mic in enumerate(kit.mics):
            vary = 0.0 if own.get(drum) == mic else rng.normal(0, 1.5)
            gain = 10 ** ((min(level, 0.0) + vary) / 20)
            sound = gain * fftconvolve(choice[index], kit.ways[drum, mic])
            alone[mic] = np.abs(sound)
            stop = min(length, start + len(sound))
            audio[start:stop, column] += sound[: stop - start]
        heard = alone[own.get(drum) or max(alone, key=lambda mic: alone[mic].max())]
        onset = int(np.argmax(heard >= 0.1 * heard[: round(0.3 * kit.rate)].max()))
        span = slice(onset, onset + round(0.040 * kit.rate))
        row = {"time_s": round((start + onset) / kit.rate, 6), "drum": drum, "role": role}
        row |= {"articulation": drum, "sample": index, "cents": 0}
        levels = {mic: 20 * np.log10(alone[mic][span].max() + 1e-9) for mic in kit.mics}
        rows.append(row | {f"peak_db_{mic}": round(v, 2) for mic, v in levels.items()})
    over = np.maximum(1.0, np.abs(audio).max(axis=0) / 0.98)
    for row in rows:
        for mic, share in zip(kit.mics, over, strict=True):
            row[f"peak_db_{mic}"] = round(row[f"peak_db_{mic}"] - 20 * np.log10(share), 2)
    soundfile.write(path.with_suffix(".flac"), audio / over, kit.rate, subtype="PCM_16")
    with path.with_suffix(".csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(sorted(rows, key=lambda row: row["time_s"]))
    path.with_suffix(".json").write_text(json.dumps({"mics": kit.mics, "own": own, **extra}))


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the sessions of every kit."""
    parser = argparse.ArgumentParser(prog="tests.bench.synthetic_sessions", description=__doc__)
    parser.add_argument("--hits", type=Path, required=True, help="a folder for each kit")
    parser.add_argument("--out", type=Path, required=True, help="where the sessions go")
    parser.add_argument("--seconds", type=float, default=40.0, help="of each session")
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    folders = sorted(path for path in options.hits.iterdir() if path.is_dir())
    for seed, (folder, plan) in enumerate((f, p) for f in folders for p in PLANS):
        layout, bleed, pattern = plan
        rng = np.random.default_rng(seed)
        kit = set_up(folder, layout, bleed, 44100 if seed % 3 else 48000, rng)
        name = f"{folder.name}_{layout}_{bleed}_{pattern}"
        strokes, segments = soundcheck()
        check = options.out / f"{name}_soundcheck"
        write(check, kit, strokes, {"segments": segments}, rng)
        write(options.out / name, kit, groove(pattern, options.seconds, rng), {}, rng)
        print(name, flush=True)


if __name__ == "__main__":
    main()
