"""Put sessions together from single simulated hits, so that the truth of each hard case is exact.

The hits come from a simulated soundcheck (every drum alone in every microphone), cut at the
truth's onsets; the analysis learns from the same soundcheck, or from nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from liveassist.attribute.signature import Learned
from liveassist.hearing import Hearing
from liveassist.learning import learn
from liveassist.model import Block, Drum, DrumKind, Hit, Kit, Mic
from liveassist.rechunk import Rechunk
from sim import open_scenario

Audio = npt.NDArray[np.float32]
LEAD_S, TAIL_S = 0.01, 1.2


@dataclass(frozen=True)
class Bank:
    """Single hits of a simulated kit, softest first, and what a soundcheck taught of it."""

    kit: Kit
    rate: int
    hits: dict[str, list[Audio]]
    noise: Audio
    learned: Learned


@dataclass(frozen=True)
class Stroke:
    """One stroke to place: ``gain_db`` scales the loudest simulated hit of the drum."""

    time_s: float
    drum: str
    gain_db: float = 0.0


def kind_of(drum: str) -> DrumKind:
    kinds: tuple[DrumKind, ...] = ("kick", "snare", "tom", "hihat")
    return next((kind for kind in kinds if drum.startswith(kind)), "cymbal")


@cache
def bank(scenario: str, peak_dbfs: float | None = None) -> Bank:
    """The kit of ``scenario``, heard in its simulated soundcheck.

    ``peak_dbfs``: every microphone turned so that its loudest sample lies there.
    """
    scene = open_scenario(scenario, soundcheck=True)
    audio = scene.read(round(scene.duration_s * scene.sample_rate_hz))
    rows = scene.truth()
    if peak_dbfs is not None:
        audio *= np.float32(10.0 ** (peak_dbfs / 20.0)) / np.abs(audio).max(axis=0)
    rate = scene.sample_rate_hz
    drums = list(dict.fromkeys(str(row["drum"]) for row in rows))
    kit = Kit(
        scenario,
        tuple(Drum(name, kind_of(name), scene.own.get(name)) for name in drums),
        tuple(
            Mic(name, number + 1, "snare" if name == "snare_bottom" else None)
            for number, name in enumerate(scene.mics)
        ),
    )
    lead, tail = round(LEAD_S * rate), round(TAIL_S * rate)
    hits: dict[str, list[Audio]] = {}
    segments = []
    for drum in drums:
        times = sorted(float(row["time_s"]) for row in rows if row["drum"] == drum)
        segments.append((drum, times[0] - 0.3, times[-1] + 0.8))
        for number, time_s in enumerate(times):
            start = round(time_s * rate) - lead
            after = times[number + 1] - time_s if number + 1 < len(times) else TAIL_S
            piece = audio[start : start + lead + min(tail, round((after - 0.05) * rate))].copy()
            piece[-200:] *= np.linspace(1.0, 0.0, 200, dtype=np.float32)[:, None]
            hits.setdefault(drum, []).append(piece)
    for pieces in hits.values():
        pieces.sort(key=lambda piece: float(np.abs(piece).max()))
    quiet = audio[: round(0.3 * rate)]
    return Bank(kit, rate, hits, quiet, learn(kit, rate, audio, segments))


def compose(source: Bank, strokes: Sequence[Stroke], seconds: float, which: int = -2) -> Audio:
    """Audio of ``strokes`` (each the ``which``-th loudest single hit, scaled)."""
    rng = np.random.default_rng(7)
    count = round(seconds * source.rate)
    mix = rng.normal(0.0, 2e-5, (count, len(source.kit.mics))).astype(np.float32)
    lead = round(LEAD_S * source.rate)
    for stroke in strokes:
        piece = source.hits[stroke.drum][which] * np.float32(10.0 ** (stroke.gain_db / 20.0))
        start = round(stroke.time_s * source.rate) - lead
        stop = min(count, start + len(piece))
        mix[start:stop] += piece[: stop - start]
    return mix


def alone_dbfs(source: Bank, stroke: Stroke, mic: str, which: int = -2) -> float:
    """Peak of the stroke alone in ``mic`` over 40 ms from its onset, dBFS."""
    piece = source.hits[stroke.drum][which][:, source.kit.mic_index(mic)]
    start = round(LEAD_S * source.rate)
    peak = float(np.abs(piece[start : start + round(0.040 * source.rate)]).max())
    return 20.0 * float(np.log10(peak)) + stroke.gain_db


def hear(
    source: Bank, audio: Audio, learned: bool = True, block: int = 65536, rate: int | None = None
) -> list[Hit]:
    """Final hits of ``audio``, in order of onset."""
    hearing = Hearing(source.kit, rate or source.rate, source.learned if learned else None)
    rechunk = Rechunk(hearing.chunk, audio.shape[1], 10**9)
    hits: list[Hit] = []
    for start in range(0, len(audio), block):
        for chunk in rechunk.feed(Block(start, audio[start : start + block])):
            hits.extend(hearing.feed(chunk))
    for chunk in rechunk.pad(round(0.6 * hearing.grid.sample_rate_hz)):
        hits.extend(hearing.feed(chunk))
    hits.extend(hearing.finish())
    return sorted(hits, key=lambda hit: (hit.sample, hit.drum))


def matched(hits: Sequence[Hit], strokes: Sequence[Stroke], drum: str) -> tuple[int, int, int]:
    """(true hits found within 10 ms, true hits, hits reported) of ``drum``, one to one."""
    wanted = [stroke.time_s for stroke in strokes if stroke.drum == drum]
    got = [hit.time_s for hit in hits if hit.drum == drum]
    left = list(got)
    found = 0
    for time_s in wanted:
        near = [other for other in left if abs(other - time_s) <= 0.010]
        if near:
            left.remove(min(near, key=lambda other: abs(other - time_s)))
            found += 1
    return found, len(wanted), len(got)
