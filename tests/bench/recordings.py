"""Recordings with true hits for the benchmarks of detection, and what the analysis hears in them.

A recording comes from a folder in the format of the recorded drums (NAME.flac, NAME.csv, NAME.json,
the soundcheck beside it as NAME_soundcheck) or from the simulator. Nothing here is timed.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import resample_poly

import sim
from liveassist.app.config import parse_kit
from liveassist.attribute.signature import Learned
from liveassist.hearing import Hearing
from liveassist.learning import learn
from liveassist.model import Audio, Block, Hit, Kit
from liveassist.rechunk import Rechunk
from tests.bench.realkit_truth import make_kit

#: Session of the recorded drums -> the soundcheck that goes with it.
SOUNDCHECKS = {
    "a_groove": "a_soundcheck",
    "a_blast": "a_soundcheck",
    "a_takes": "a_soundcheck",
    "a_hardbleed": "a_hardbleed_soundcheck",
    "a_fewmics": "a_fewmics_soundcheck",
}
SCENARIOS = ("rock_ghosts", "hard_bleed", "three_mics", "small_room", "double_kick", "cross_stick")
JUDGED = ("kick", "snare")
BLOCK = 16384


@dataclass(frozen=True)
class Struck:
    """A true hit. ``peak_dbfs``: alone, in its own microphone; None without one."""

    drum: str
    time_s: float
    role: str
    peak_dbfs: float | None


@dataclass(frozen=True)
class Recording:
    """Audio (frames, mics) with its kit and true hits; ``segments`` of a soundcheck."""

    name: str
    kit: Kit
    rate: int
    audio: Audio
    truth: tuple[Struck, ...]
    segments: tuple[tuple[str, float, float], ...] = ()

    def of(self, drum: str) -> list[Struck]:
        """True hits on one drum in order of time."""
        return [hit for hit in self.truth if hit.drum == drum]

    def own(self, drum: str) -> int:
        """Column of the drum's own microphone."""
        return self.kit.mic_index(self.kit.drum(drum).own or "")


def _truth(rows: Iterable[dict[str, Any]], own: dict[str, str]) -> tuple[Struck, ...]:
    found = [
        Struck(
            row["drum"],
            float(row["time_s"]),
            row["role"],
            float(row[f"peak_db_{own[row['drum']]}"]) if row["drum"] in own else None,
        )
        for row in rows
    ]
    return tuple(sorted(found, key=lambda hit: hit.time_s))


def _segments(facts: dict[str, Any]) -> tuple[tuple[str, float, float], ...]:
    return tuple((s["drum"], float(s["start"]), float(s["end"])) for s in facts.get("segments", ()))


def from_folder(where: Path, name: str, drums: Sequence[str] = ()) -> Recording:
    """Recording ``name`` of a folder; ``drums`` are in the kit even if never struck."""
    facts = json.loads((where / f"{name}.json").read_text())
    with (where / f"{name}.csv").open() as file:
        rows = list(csv.DictReader(file))
    audio, rate = soundfile.read(where / f"{name}.flac", dtype="float32", always_2d=True)
    kit = make_kit(facts, [*drums, *(row["drum"] for row in rows)])
    return Recording(name, kit, rate, audio, _truth(rows, facts["own"]), _segments(facts))


def pair_from_folder(where: Path, name: str) -> tuple[Recording, Recording]:
    """A recording and its soundcheck, both with the drums of either."""
    check = from_folder(where, SOUNDCHECKS.get(name, f"{name}_soundcheck"))
    song = from_folder(where, name, [drum.name for drum in check.kit.drums])
    return song, replace(check, kit=song.kit)


def from_scenario(name: str, seconds: float, soundcheck: bool = False) -> Recording:
    """The first ``seconds`` of a simulated scenario, or all of its soundcheck."""
    scene = sim.open_scenario(name, soundcheck=soundcheck)
    stop_s = scene.duration_s if soundcheck else min(seconds, scene.duration_s)
    audio = np.asarray(scene.read(round(stop_s * scene.sample_rate_hz)), dtype=np.float32)
    # The last 0.1 s cannot be judged: a hit is only known some time after its onset.
    rows = [row for row in scene.truth(stop_s) if float(row["time_s"]) < stop_s - 0.1]
    kit = parse_kit(scene.kit_toml, name)
    segments = tuple((drum, start, end) for drum, start, end in scene.segments)
    truth = _truth(rows, scene.own)
    return Recording(name, kit, scene.sample_rate_hz, audio, truth, segments)


def learned_from(check: Recording) -> Learned:
    """What a soundcheck teaches."""
    return learn(check.kit, check.rate, check.audio, check.segments)


def hear(song: Recording, learned: Learned | None) -> list[Hit]:
    """Final hits in order of time."""
    hearing = Hearing(song.kit, song.rate, learned)
    chunks = Rechunk(hearing.chunk, song.audio.shape[1], song.rate)
    hits: list[Hit] = []
    for at in range(0, len(song.audio), BLOCK):
        for chunk in chunks.feed(Block(at, song.audio[at : at + BLOCK])):
            hits += hearing.feed(chunk)
    for chunk in chunks.pad(song.rate // 2):
        hits += hearing.feed(chunk)
    hits += hearing.finish()
    return sorted(hits, key=lambda hit: hit.time_s)


# --- changes to the material -------------------------------------------------------------------


def with_gain(song: Recording, mic: str, gain_db: float) -> Recording:
    """One microphone louder or softer; what would clip a converter is left as it is."""
    column = song.kit.mic_index(mic)
    audio = song.audio.copy()
    audio[:, column] *= np.float32(10.0 ** (gain_db / 20.0))
    truth = tuple(
        replace(hit, peak_dbfs=hit.peak_dbfs + gain_db)
        if hit.peak_dbfs is not None and song.kit.drum(hit.drum).own == mic
        else hit
        for hit in song.truth
    )
    return replace(song, audio=audio, truth=truth)


def with_noise(song: Recording, rms_dbfs: float) -> Recording:
    """White noise in every microphone, its own in each."""
    noise = np.random.default_rng(5).normal(0.0, 10.0 ** (rms_dbfs / 20.0), song.audio.shape)
    return replace(song, audio=(song.audio + noise).astype(np.float32))


def with_hum(song: Recording, peak_dbfs: float) -> Recording:
    """50 Hz and its first harmonics, each half as loud as the one before, in every microphone."""
    seconds = np.arange(len(song.audio)) / song.rate
    hum = sum(0.5**k * np.sin(2.0 * math.pi * 50.0 * (k + 1) * seconds) for k in range(6))
    hum = hum / np.max(np.abs(hum)) * 10.0 ** (peak_dbfs / 20.0)
    return replace(song, audio=(song.audio + hum[:, None]).astype(np.float32))


def at_rate(song: Recording, rate: int) -> Recording:
    """The same at another sample rate."""
    share = math.gcd(rate, song.rate)
    audio = resample_poly(song.audio, rate // share, song.rate // share, axis=0)
    return replace(song, rate=rate, audio=audio.astype(np.float32))


def at_pitch(song: Recording, cents: float) -> Recording:
    """Played faster or slower: the kit tuned higher or lower by so much, tempo with it."""
    up = round(44100 * 2.0 ** (-cents / 1200.0))
    share = math.gcd(up, 44100)
    audio = resample_poly(song.audio, up // share, 44100 // share, axis=0)
    truth = tuple(replace(hit, time_s=hit.time_s * up / 44100) for hit in song.truth)
    return replace(song, audio=audio.astype(np.float32), truth=truth)
